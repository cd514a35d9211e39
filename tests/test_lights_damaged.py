"""Damaged files end in UnreadableFile or a frame: never another error, a warning, a hang."""

from __future__ import annotations

import gzip
import time
from io import BytesIO

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from subgrade.errors import UnreadableFile
from subgrade.lights import read_facts, read_light

SHAPE = (24, 32)
HEADER = [
    ("DATE-OBS", "2024-06-20T09:16:19.585"),
    ("EXPTIME", 30.0),
    ("IMAGETYP", "LIGHT"),
    ("XPIXSZ", 3.76),
    ("FOCALLEN", 530.0),
    ("BAYERPAT", "RGGB"),
    ("RA", "05 35 17"),
    ("DEC", "-05 23 28"),
    ("CTYPE1", "RA---TAN"),
    ("CTYPE2", "DEC--TAN"),
    ("CRVAL1", 83.8),
    ("CRVAL2", -5.4),
    ("CRPIX1", 16.0),
    ("CRPIX2", 12.0),
    ("CD1_1", -4e-4),
    ("CD1_2", 0.0),
    ("CD2_1", 0.0),
    ("CD2_2", 4e-4),
    ("BLANK", -32768),
]


def saved(*hdus):
    stream = BytesIO()
    fits.HDUList(list(hdus)).writeto(stream)
    return stream.getvalue()


def samples():
    rng = np.random.default_rng(1)
    words = rng.integers(0, 5000, SHAPE).astype(np.uint16)
    header = fits.Header(HEADER)
    no_blank = header.copy()
    del no_blank["BLANK"]
    primary, chip = fits.PrimaryHDU(header=no_blank), fits.ImageHDU(words, header)
    table = fits.BinTableHDU.from_columns([fits.Column("t", "E", array=np.arange(3.0))])
    plain = saved(fits.PrimaryHDU(words, header))
    made = {
        "plain": plain,
        "float": saved(fits.PrimaryHDU(rng.normal(500, 9, SHAPE).astype(np.float32), no_blank)),
        "colour": saved(fits.PrimaryHDU(rng.integers(0, 99, (3, *SHAPE)).astype(np.int32), header)),
        "extension": saved(primary, table, chip),
        "gzip": gzip.compress(plain),
    }
    for codec in ("RICE_1", "GZIP_2", "HCOMPRESS_1", "PLIO_1"):
        data = words.astype(np.int32) if codec == "PLIO_1" else words
        tile = (16, 16) if codec == "HCOMPRESS_1" else None
        packed = fits.CompImageHDU(data, no_blank, compression_type=codec, tile_shape=tile)
        made[codec] = saved(fits.PrimaryHDU(), packed)
    return made


SAMPLES = samples()
JUNK_VALUES = {
    "NAXIS": ["999", "3", "1"],
    "NAXIS1": ["2147483647", "0"],
    "NAXIS2": ["-1", "77"],
    "BITPIX": ["7", "-64", "64"],
    "BSCALE": ["0.0", "-1.0", "NaN"],
    "BZERO": ["'text'", "1E308"],
    "BLANK": ["3.5", "0"],
    "PCOUNT": ["9223372036854775807", "-1"],
    "GCOUNT": ["-3", "1000000"],
    "GROUPS": ["T"],
    "DATE-OBS": ["'2024-99-99T99:99:99'", "7"],
    "EXPTIME": ["1E9999", "-1"],
    "CTYPE1": ["'RA---XXX'"],
    "CRVAL1": ["NaN"],
    "CD1_1": ["1E308"],
    "XTENSION": ["'IMAGE'", "'BINTABLE'", "'TABLE'"],
    "ZIMAGE": ["'yes'", "F"],
    "ZNAXIS1": ["2147483647", "1"],
    "ZBITPIX": ["-64", "8"],
    "ZTILE1": ["0", "5"],
    "ZCMPTYPE": ["'NONE'", "'RICE_1'", "'HCOMPRESS_1'", "'PLIO_1'", "'GZIP_1'"],
    "ZVAL1": ["0", "77"],
    "ZVAL2": ["0", "77"],
    "TFIELDS": ["999"],
    "TFORM1": ["'9PX(99)'", "'1PJ(9)'", "'1QB(9)'"],
    "THEAP": ["99999999", "-5"],
}
JUNK_CARDS = [f"{key:<8}= {value}" for key, values in JUNK_VALUES.items() for value in values]
JUNK_CARDS += ["END", "\x00\xff\xfe junk"]
EDIT = st.one_of(
    st.tuples(st.just("cut"), st.floats(0, 1), st.none()),
    st.tuples(st.just("byte"), st.floats(0, 1), st.integers(0, 255)),
    st.tuples(st.just("head byte"), st.floats(0, 1), st.integers(0, 255)),
    st.tuples(st.just("card"), st.floats(0, 1), st.sampled_from(JUNK_CARDS)),
    st.tuples(st.just("drop"), st.floats(0, 1), st.integers(1, 4000)),
    st.tuples(st.just("insert"), st.floats(0, 1), st.binary(min_size=1, max_size=100)),
)


def damaged(content: bytes, edits) -> bytes:
    for kind, where, what in edits:
        at = int(where * len(content))
        if kind == "cut":
            content = content[:at]
        elif kind == "drop":
            content = content[:at] + content[at + what :]
        elif kind == "insert":
            content = content[:at] + what + content[at:]
        elif kind == "card":
            at = int(where * min(len(content), 3 * 2880)) // 80 * 80
            there = content.find(what[:10].encode("latin-1"))
            if where < 0.7 and there >= 0:  # mostly where the keyword stands
                at = there
            content = content[:at] + what.ljust(80).encode("latin-1") + content[at + 80 :]
        elif content:
            reach = len(content) if kind == "byte" else min(len(content), 3 * 2880)
            at = min(int(where * reach), len(content) - 1)
            content = content[:at] + bytes([what]) + content[at + 1 :]
    return content


def error_of(read, path) -> UnreadableFile | None:
    """The one error that reading may end in; every other one comes through."""
    try:
        read(path)
    except UnreadableFile as error:
        return error
    return None


@pytest.fixture(scope="module", autouse=True)
def libraries_loaded(tmp_path_factory):
    """The first use of the header and codec libraries takes longer than any frame."""
    path = tmp_path_factory.mktemp("warm") / "a.fits"
    for content in SAMPLES.values():
        path.write_bytes(content)
        read_light(path)


@pytest.mark.parametrize("name", SAMPLES)
def test_untouched_samples_are_read(tmp_path, name):
    (tmp_path / "a.fits").write_bytes(SAMPLES[name])
    light = read_light(tmp_path / "a.fits")
    assert light.pixels.shape == SHAPE
    assert light.facts.scale_source == "wcs"
    assert light.facts.start_utc == "2024-06-20T09:16:19.585Z"


@pytest.mark.slow
@pytest.mark.parametrize("name", SAMPLES)
@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(edits=st.lists(EDIT, min_size=1, max_size=4))
def test_damage_ends_in_one_error_only(tmp_path, capfd, name, edits):
    path = tmp_path / "a.fits"
    path.write_bytes(damaged(SAMPLES[name], edits))
    for read in (read_light, read_facts):
        begin = time.process_time()
        error = error_of(read, path)
        assert time.process_time() - begin < 5.0  # a hang, not a speed
        if error is not None:
            assert error.cause
            assert error.path == path
    shown = capfd.readouterr()
    assert (shown.out, shown.err) == ("", "")


@pytest.mark.parametrize("name", SAMPLES)
def test_every_truncation_of_the_pixels_is_noticed(tmp_path, name):
    """Cut anywhere before the last stored pixel, no sample passes for whole."""
    content, path = SAMPLES[name], tmp_path / "a.fits"
    path.write_bytes(content)
    whole = read_light(path).pixels.physical()
    noticed = []
    for keep in range(0, len(content), 397):
        path.write_bytes(content[:keep])
        try:
            pixels = read_light(path).pixels.physical()
        except UnreadableFile:
            noticed.append(keep)
            continue
        np.testing.assert_array_equal(pixels, whole)  # only padding was cut
    assert noticed
    # and a file is filled up to 2880 bytes at the most (FITS standard 4.0, section 3.1)
    assert len(content) - 2880 - 397 <= noticed[-1]
    assert noticed == list(range(0, noticed[-1] + 1, 397))


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    content=st.binary(max_size=6000), magic=st.sampled_from([b"", b"SIMPLE  =", b"\x1f\x8b\x08"])
)
def test_arbitrary_bytes(tmp_path, content, magic):
    path = tmp_path / "a.fits"
    path.write_bytes(magic + content)
    with pytest.raises(UnreadableFile):
        read_light(path)


def test_codec_that_would_write_past_its_memory_is_not_called(tmp_path):
    """Each H-compressed tile states its own size, and the codec believes it."""
    content = SAMPLES["HCOMPRESS_1"]
    at = content.index(b"\xdd\x99")
    sides = np.frombuffer(content, ">i4", 2, at + 2)
    assert sides.prod() == 16 * 16
    path = tmp_path / "a.fits"
    for offset, value in ((2, 1 << 14), (6, -1), (2, 0)):
        changed = bytearray(content)
        changed[at + offset : at + offset + 4] = value.to_bytes(4, "big", signed=True)
        path.write_bytes(bytes(changed))
        with pytest.raises(UnreadableFile, match="a tile of 256 pixels states"):
            read_light(path)
    planes = bytearray(content)
    planes[at + 22] = 200
    path.write_bytes(bytes(planes))
    with pytest.raises(UnreadableFile, match="200 bit planes"):
        read_light(path)
