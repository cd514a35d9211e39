"""FITS files of every storage form come out with astropy's values, or with a clear error."""

from __future__ import annotations

import gzip
import os

import numpy as np
import pytest
from astropy.io import fits

from subgrade.errors import UnreadableFile
from subgrade.lights import read_facts, read_light
from subgrade.lights.fits_files import read_fits

SHAPE = (40, 56)


@pytest.fixture
def words():
    return np.random.default_rng(1).integers(0, 65536, SHAPE).astype(np.uint16)


def write(path, data, **cards):
    header = fits.Header(list(cards.items()))
    fits.PrimaryHDU(data, header).writeto(path)
    return path


def astropy_plane(path, index=0):
    with fits.open(path) as hdus:
        return np.asarray(hdus[index].data, dtype=np.float64)


@pytest.mark.parametrize("suffix", [".fits", ".fit", ".fts", ".FIT", ".dat"])
def test_unsigned_16_bit_is_handed_on_as_stored(tmp_path, words, suffix):
    pixels = read_light(write(tmp_path / f"a{suffix}", words)).pixels
    assert pixels.data.dtype == np.uint16
    assert (pixels.swapped, pixels.sign_flip, pixels.zero, pixels.scale) == (True, True, 0.0, 1.0)
    assert pixels.integer
    assert not pixels.data.flags.writeable
    assert pixels.data.flags.c_contiguous
    assert pixels.data.base.dtype == np.uint8  # a view of the bytes that were read
    np.testing.assert_array_equal(pixels.physical(), words)


def test_signed_16_bit(tmp_path):
    data = np.random.default_rng(2).integers(-32768, 32768, SHAPE).astype(np.int16)
    pixels = read_light(write(tmp_path / "a.fits", data)).pixels
    assert (pixels.swapped, pixels.sign_flip, pixels.zero, pixels.scale) == (
        True,
        True,
        -32768.0,
        1.0,
    )
    np.testing.assert_array_equal(pixels.physical(), data)


@pytest.mark.parametrize(("zero", "scale"), [(100.0, 2.0), (0.0, 0.25), (32768.0, 0.5)])
def test_other_scalings_stay_unconverted(tmp_path, zero, scale):
    data = np.random.default_rng(3).integers(-32768, 32768, SHAPE).astype(np.int16)
    path = write(tmp_path / "a.fits", data)
    fits.setval(path, "BZERO", value=zero)
    fits.setval(path, "BSCALE", value=scale)
    pixels = read_light(path).pixels
    assert pixels.data.dtype == np.uint16
    np.testing.assert_allclose(pixels.physical(), astropy_plane(path), atol=0.01)


def test_negative_scaling_is_converted(tmp_path):
    path = write(tmp_path / "a.fits", np.arange(200, dtype=np.int16).reshape(10, 20))
    fits.setval(path, "BZERO", value=1000.0)
    fits.setval(path, "BSCALE", value=-1.0)
    pixels = read_light(path).pixels
    assert pixels.data.dtype == np.float32
    np.testing.assert_array_equal(pixels.physical(), astropy_plane(path))


@pytest.mark.parametrize("dtype", ["u1", "i1", "i4", "u4", "i8", "f4", "f8"])
def test_other_types(tmp_path, dtype):
    rng = np.random.default_rng(4)
    data = (rng.uniform(-100 if "i" in dtype else 0, 120, SHAPE)).astype(dtype)
    if dtype in ("u4", "i4", "i8"):
        data[0, 0] = 2**24 + 2**21
    path = write(tmp_path / "a.fits", data)
    pixels = read_light(path).pixels
    assert pixels.data.dtype == (np.uint16 if data.itemsize == 1 else np.float32)
    assert pixels.integer == (data.dtype.kind in "iu")
    np.testing.assert_allclose(pixels.physical(), data, rtol=1e-7)


def test_float_of_whole_numbers_counts_as_quantised(tmp_path, words):
    assert read_light(write(tmp_path / "a.fits", words.astype(np.float32))).pixels.integer


def test_unit_floats_are_scaled_and_said_so(tmp_path, words):
    unit = (words / 65535.0).astype(np.float32)
    light = read_light(write(tmp_path / "a.fits", unit, SATURATE=0.95))
    np.testing.assert_allclose(light.pixels.physical(), words, atol=0.01)
    assert light.pixels.integer
    assert any("multiplied by 65535" in note for note in light.facts.notes)
    assert light.facts.saturation_adu == pytest.approx(0.95 * 65535)


def test_unit_scaled_integers_are_scaled_too(tmp_path, words):
    path = write(tmp_path / "a.fits", words.view(np.int16))
    fits.setval(path, "BZERO", value=0.5)
    fits.setval(path, "BSCALE", value=1 / 65535)
    light = read_light(path)
    assert light.pixels.data.dtype == np.uint16
    np.testing.assert_allclose(light.pixels.physical(), astropy_plane(path) * 65535, atol=0.05)
    assert any("65535" in note for note in light.facts.notes)


def test_float_in_adu_is_not_scaled(tmp_path):
    data = np.random.default_rng(5).normal(0.4, 0.1, SHAPE).astype(np.float32)
    data[3, 3] = 40.0
    light = read_light(write(tmp_path / "a.fits", data))
    np.testing.assert_array_equal(light.pixels.physical(), data)
    assert not light.facts.notes


def test_nan_and_infinite_pixels_become_nan(tmp_path):
    data = np.random.default_rng(6).normal(500, 10, SHAPE).astype(np.float64)
    data[1, 2], data[3, 4], data[5, 6] = np.nan, np.inf, 1e300
    light = read_light(write(tmp_path / "a.fits", data))
    bad = np.isnan(light.pixels.data)
    assert sorted(zip(*np.nonzero(bad), strict=True)) == [(1, 2), (3, 4), (5, 6)]
    assert any("3 pixels without a value" in note for note in light.facts.notes)


def test_all_nan_frame_is_read(tmp_path):
    light = read_light(write(tmp_path / "a.fits", np.full(SHAPE, np.nan, np.float32)))
    assert np.isnan(light.pixels.data).all()


@pytest.mark.parametrize("dtype", ["i2", "u1", "i4"])
def test_blank_pixels(tmp_path, dtype):
    data = np.random.default_rng(7).integers(20, 100, SHAPE).astype(dtype)
    data[2, 3] = 7
    path = write(tmp_path / "a.fits", data, BLANK=7)
    fits.setval(path, "BZERO", value=1000)
    light = read_light(path)
    assert light.pixels.data.dtype == np.float32
    assert np.argwhere(np.isnan(light.pixels.data)).tolist() == [[2, 3]]
    good = np.isfinite(light.pixels.data)
    np.testing.assert_array_equal(light.pixels.data[good], data[good] + 1000.0)


def test_blank_that_no_pixel_has_costs_no_conversion(tmp_path):
    data = np.zeros(SHAPE, np.int16)
    assert read_light(write(tmp_path / "a.fits", data, BLANK=-32768)).pixels.data.dtype == np.uint16
    beyond = write(tmp_path / "b.fits", data, BLANK=99999)
    assert read_light(beyond).pixels.data.dtype == np.uint16


@pytest.mark.parametrize("axis", [0, 2])
@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
def test_three_colours_in_either_order(tmp_path, axis, dtype):
    cube = np.random.default_rng(8).integers(100, 60000, (3, *SHAPE)).astype(dtype)
    light = read_light(
        write(
            tmp_path / "a.fits", np.ascontiguousarray(np.moveaxis(cube, 0, axis)), BAYERPAT="RGGB"
        )
    )
    assert light.pixels.data.dtype == np.float32
    assert not light.pixels.integer
    assert light.facts.mosaic is None
    np.testing.assert_allclose(light.pixels.data, cube.astype(float).mean(axis=0), rtol=1e-6)
    assert any("mean" in note for note in light.facts.notes)


def test_blank_in_a_colour_plane(tmp_path):
    cube = np.full((3, *SHAPE), 50, np.int16)
    cube[1, 4, 5] = -1
    pixels = read_light(write(tmp_path / "a.fits", cube, BLANK=-1)).pixels
    assert np.argwhere(np.isnan(pixels.data)).tolist() == [[4, 5]]


def test_axes_of_length_one_do_not_matter(tmp_path, words):
    pixels = read_light(write(tmp_path / "a.fits", words[np.newaxis, np.newaxis])).pixels
    assert pixels.shape == SHAPE
    np.testing.assert_array_equal(pixels.physical(), words)


def test_gzip_with_and_without_its_extension(tmp_path, words):
    plain = write(tmp_path / "a.fits", words, EXPTIME=30.0)
    for name in ("a.fits.gz", "b.fit", "c.FITS.GZ"):
        (tmp_path / name).write_bytes(gzip.compress(plain.read_bytes()))
        light = read_light(tmp_path / name)
        np.testing.assert_array_equal(light.pixels.physical(), words)
        assert light.facts.exposure_s == read_facts(tmp_path / name).exposure_s == 30.0


@pytest.mark.parametrize("codec", ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1", "PLIO_1"])
@pytest.mark.parametrize("dtype", [np.uint16, np.int16, np.int32, np.uint8])
def test_tile_compressed_integers(tmp_path, codec, dtype):
    top = 4096 if codec == "PLIO_1" else 20000
    if codec == "PLIO_1" and dtype == np.uint16:
        pytest.skip("this codec holds no values below zero, as BZERO makes of unsigned words")
    data = np.random.default_rng(9).integers(0, min(top, np.iinfo(dtype).max), SHAPE).astype(dtype)
    path = tmp_path / "a.fits.fz"
    hdu = fits.CompImageHDU(data, fits.Header([("EXPTIME", 60.0)]), compression_type=codec)
    fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(path)
    light = read_light(path)
    np.testing.assert_array_equal(light.pixels.physical(), data)
    assert light.facts.exposure_s == 60.0
    if dtype == np.uint16:
        assert light.pixels.data.dtype == np.uint16
    assert read_facts(path).exposure_s == 60.0


def test_tile_compressed_floats_and_gzipped_once_more(tmp_path):
    data = np.random.default_rng(10).normal(1000, 20, SHAPE).astype(np.float32)
    path = tmp_path / "a.fz"
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(data, quantize_level=32)]).writeto(path)
    np.testing.assert_allclose(read_light(path).pixels.data, astropy_plane(path, 1), atol=1e-3)
    again = tmp_path / "b.fits.gz"
    again.write_bytes(gzip.compress(path.read_bytes()))
    np.testing.assert_array_equal(read_light(again).pixels.data, read_light(path).pixels.data)


def test_image_in_a_later_extension_inherits_the_primary_header(tmp_path, words):
    path = tmp_path / "a.fits"
    table = fits.BinTableHDU.from_columns([fits.Column("t", "E", array=np.arange(3.0))])
    primary = fits.PrimaryHDU(header=fits.Header([("OBJECT", "M 5"), ("EXPTIME", 10.0)]))
    thumbnail = fits.ImageHDU(np.zeros((5, 5), np.uint8))
    image = fits.ImageHDU(words, fits.Header([("EXPTIME", 20.0)]))
    fits.HDUList([primary, table, thumbnail, image]).writeto(path)
    light = read_light(path)
    np.testing.assert_array_equal(light.pixels.physical(), words)
    assert (light.facts.target, light.facts.exposure_s) == ("M 5", 20.0)


def test_first_of_several_images_counts_with_a_note(tmp_path, words):
    path = tmp_path / "a.fits"
    chips = [fits.ImageHDU(words), fits.ImageHDU(words[::-1])]
    fits.HDUList([fits.PrimaryHDU(), *chips]).writeto(path)
    light = read_light(path)
    np.testing.assert_array_equal(light.pixels.physical(), words)
    assert any("2 images" in note for note in light.facts.notes)


SIXTY_AXES = [f"NAXIS{i:<3}= 2" for i in range(1, 61)]


def header_bytes(*records):
    lines = ["SIMPLE  =                    T", *records, "END"]
    text = "".join(line.ljust(80) for line in lines)
    return text.ljust(-(-len(text) // 2880) * 2880).encode()


@pytest.mark.parametrize(
    ("content", "cause"),
    [
        (b"", "empty"),
        (b"not an image at all", "does not start with SIMPLE"),
        (header_bytes()[:-2000], "BITPIX"),
        (b"SIMPLE  =                    T".ljust(2880), "no END"),
        (header_bytes("BITPIX  = 16", "NAXIS   = 0"), "no image"),
        (header_bytes("BITPIX  = 17", "NAXIS   = 0"), "BITPIX = 17"),
        (header_bytes("BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 10"), "NAXIS2 = None"),
        (header_bytes("BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 9", "NAXIS2  = -3"), "NAXIS2 = -3"),
        (header_bytes("BITPIX  = 16", "NAXIS   = 'two'"), "NAXIS = 'two'"),
        (
            header_bytes("BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 99999999", "NAXIS2  = 99999999"),
            "not possible",
        ),
        (header_bytes("BITPIX  = 8", "NAXIS   = 60", *SIXTY_AXES), "not possible"),
        (header_bytes("BITPIX  = 16", "NAXIS   = 2", "NAXIS1  = 0", "NAXIS2  = 5"), "no pixels"),
        (
            header_bytes("BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 9", "NAXIS2  = 9", "BSCALE  = 0.")
            + bytes(2880),
            "BSCALE is 0",
        ),
    ],
)
def test_broken_headers_say_what_is_wrong(tmp_path, content, cause):
    path = tmp_path / "a.fits"
    path.write_bytes(content)
    with pytest.raises(UnreadableFile) as caught:
        read_light(path)
    assert cause in caught.value.cause
    assert str(path) in str(caught.value)


@pytest.mark.parametrize(
    ("data", "cause"),
    [
        (np.zeros(50, np.int16), "one-dimensional"),
        (np.zeros((1, 50), np.int16), "one-dimensional"),
        (np.zeros((7, 20, 30), np.int16), "data cube of 30 x 20 x 7"),
        (np.zeros((2, 3, 20, 30), np.int16), "data cube"),
    ],
)
def test_data_that_are_no_image(tmp_path, data, cause):
    with pytest.raises(UnreadableFile, match=cause):
        read_light(write(tmp_path / "a.fits", data))


def test_tables_only(tmp_path):
    table = fits.BinTableHDU.from_columns([fits.Column("t", "E", array=np.arange(3.0))])
    fits.HDUList([fits.PrimaryHDU(), table]).writeto(tmp_path / "a.fits")
    with pytest.raises(UnreadableFile, match="tables but no image"):
        read_light(tmp_path / "a.fits")


def test_truncation_is_told_with_its_size(tmp_path, words):
    whole = write(tmp_path / "a.fits", words).read_bytes()
    header, data = 2880, words.nbytes
    assert len(whole) > header + data
    short = tmp_path / "short.fits"
    short.write_bytes(whole[: header + data // 2])
    with pytest.raises(UnreadableFile, match=r"truncated: .* 4480 .* 2240 \(50.0 %\)"):
        read_light(short)
    assert read_facts(short).frame_type == "light"
    unpadded = tmp_path / "unpadded.fits"
    unpadded.write_bytes(
        whole[: header + data]
    )  # only the padding is missing: every pixel is there
    np.testing.assert_array_equal(read_light(unpadded).pixels.physical(), words)


def test_truncated_gzip_and_compressed(tmp_path, words):
    plain = write(tmp_path / "a.fits", words).read_bytes()
    (tmp_path / "b.fits.gz").write_bytes(gzip.compress(plain)[:-500])
    with pytest.raises(UnreadableFile, match="gzip file"):
        read_light(tmp_path / "b.fits.gz")
    packed = tmp_path / "c.fz"
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(words)]).writeto(packed)
    content = packed.read_bytes()
    packed.write_bytes(content[: len(content) - 4000])
    with pytest.raises(UnreadableFile, match="truncated"):
        read_light(packed)


def test_compressed_image_of_another_size_than_its_tiles(tmp_path, words):
    path = tmp_path / "a.fz"
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(words)]).writeto(path)
    content = path.read_bytes()
    assert content.count(b"ZNAXIS2 =                   40") == 1
    path.write_bytes(
        content.replace(b"ZNAXIS2 =                   40", b"ZNAXIS2 =                   44")
    )
    with pytest.raises(UnreadableFile, match="needs 44 tiles, the table holds 40"):
        read_light(path)


def test_missing_file_and_folder(tmp_path):
    with pytest.raises(UnreadableFile, match="cannot be opened"):
        read_light(tmp_path / "none.fits")
    with pytest.raises(UnreadableFile, match="cannot be opened"):
        read_light(tmp_path)


def test_other_file_is_named_as_unsupported(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("clear until midnight")
    with pytest.raises(UnreadableFile, match=r"text file, not a FITS.*record goes with --guide"):
        read_light(path)
    path.write_bytes("…".encode() * 700)  # cut in the midst of a character
    with pytest.raises(UnreadableFile, match="text file"):
        read_light(path)
    path.write_bytes(b"clear\0until midnight")
    with pytest.raises(UnreadableFile, match=r": not a FITS, TIFF or camera raw file$"):
        read_light(path)


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="needs /proc to list open files")
def test_file_is_let_go_at_once(tmp_path, words):
    path = write(tmp_path / "a.fits", words)

    def open_here():
        with open("/proc/self/maps") as maps:
            mapped = str(path) in maps.read()
        fds = [
            os.readlink(f"/proc/self/fd/{fd}")
            for fd in os.listdir("/proc/self/fd")
            if os.path.islink(f"/proc/self/fd/{fd}")
        ]
        return mapped, str(path) in fds

    light = read_light(path)
    assert open_here() == (False, False)
    read_facts(path)
    assert open_here() == (False, False)
    assert light.pixels.shape == SHAPE


def test_frames_kept_do_not_share_memory_and_dropped_ones_give_theirs_back(tmp_path, words):
    write(tmp_path / "a.fits", words)
    write(tmp_path / "b.fits", 65535 - words)
    first = read_light(tmp_path / "a.fits").pixels
    second = read_light(tmp_path / "b.fits").pixels
    np.testing.assert_array_equal(first.physical(), words)
    np.testing.assert_array_equal(second.physical(), 65535 - words)
    place = second.data.ctypes.data
    del second
    third = read_light(tmp_path / "b.fits").pixels
    fourth = read_light(tmp_path / "a.fits").pixels
    assert third.data.ctypes.data == place
    np.testing.assert_array_equal(first.physical(), words)
    np.testing.assert_array_equal(third.physical(), 65535 - words)
    np.testing.assert_array_equal(fourth.physical(), words)


def test_subs_are_opened_read_only(tmp_path, words):
    path = write(tmp_path / "a.fits", words)
    before = path.read_bytes()
    path.chmod(0o400)
    data = read_fits(path).pixels.data
    with pytest.raises(ValueError, match="read-only"):
        data[0, 0] = 1
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    "value", ["'text'", "'3276<'", "1970-01-01", "32768!", "NaN", "1E400", "T"]
)
@pytest.mark.parametrize("key", ["BZERO", "BSCALE"])
def test_a_scale_that_is_no_number_leaves_no_value_known(tmp_path, words, key, value):
    path = write(tmp_path / "a.fits", words, BSCALE=1.0)
    data = path.read_bytes()
    at = data.index(f"{key:<8}=".encode())
    path.write_bytes(data[:at] + f"{key:<8}= {value:>20}".ljust(80).encode() + data[at + 80 :])
    with pytest.raises(UnreadableFile, match=f"{key} (= .* is not a number|has no value)"):
        read_light(path)


@pytest.mark.parametrize("value", ["32768", "'32768   '", "3.2768D4"])
def test_a_scale_is_read_however_it_is_written(tmp_path, words, value):
    path = write(tmp_path / "a.fits", words)
    data = path.read_bytes()
    at = data.index(b"BZERO   =")
    path.write_bytes(data[:at] + f"BZERO   = {value:>20}".ljust(80).encode() + data[at + 80 :])
    np.testing.assert_array_equal(read_light(path).pixels.physical(), words)
