"""Checksums of FITS files, against astropy, which writes and checks them."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from astropy.io import fits

from subgrade.errors import UnreadableFile
from subgrade.lights import read_light
from subgrade.lights.checksums import ones_complement_sum


@pytest.fixture
def image():
    return np.random.default_rng(3).integers(900, 1100, (61, 83)).astype(np.uint16)


def written(path, image, form="plain", **how):
    if form == "plain":
        fits.PrimaryHDU(image).writeto(path, checksum=True, **how)
    else:
        packed = fits.CompImageHDU(image, compression_type=form)
        fits.HDUList([fits.PrimaryHDU(), packed]).writeto(path, checksum=True, **how)
    return path


def changed(path, at, value):
    raw = bytearray(path.read_bytes())
    raw[at] ^= value
    path.write_bytes(raw)
    return path


def astropy_accepts(path) -> bool:
    """Whether astropy finds every checksum of the file to hold."""
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("always")
        with fits.open(path, checksum=True, disable_image_compression=True) as units:
            for unit in units:
                assert unit.data is None or unit.data.size
    return not any("erification failed" in str(w.message) for w in heard)


@pytest.mark.parametrize("length", [0, 4, 2880, 28800])
def test_the_sum_is_astropys(length):
    data = np.random.default_rng(length).integers(0, 256, length).astype(np.uint8)
    unit = fits.PrimaryHDU()
    expected = int(unit._compute_checksum(data)) if length else 0
    assert ones_complement_sum(data.tobytes(), 0, length) == expected


def test_carries_are_folded_back():
    """RFC 1071: the sum of a word and its complement is all ones, a form of zero."""
    data = bytes.fromhex("12345678edcba987") * 2_000_000
    assert ones_complement_sum(data, 0, len(data)) == 0xFFFFFFFF


@pytest.mark.parametrize("form", ["plain", "RICE_1", "GZIP_1"])
def test_a_sound_file_is_read(tmp_path, image, form):
    path = written(tmp_path / "a.fits", image, form)
    assert astropy_accepts(path)
    light = read_light(path)
    assert np.array_equal(light.pixels.physical(), image)
    assert not any("CHECKSUM" in note for note in light.facts.notes)


def test_changed_pixels_are_refused(tmp_path, image):
    path = changed(written(tmp_path / "a.fits", image), 2880 * 2 + 1001, 0x10)
    assert not astropy_accepts(path)
    with pytest.raises(UnreadableFile, match="checksum of the pixels is"):
        read_light(path)


def test_changed_bytes_of_a_compressed_file_are_refused(tmp_path, image):
    path = written(tmp_path / "a.fits", image, "RICE_1")
    changed(path, path.read_bytes().rindex(b"END" + b" " * 77) // 2880 * 2880 + 2880 + 900, 0x40)
    assert not astropy_accepts(path)
    with pytest.raises(UnreadableFile, match="checksum"):
        read_light(path)


def test_an_edited_header_leaves_the_pixels_readable(tmp_path, image):
    path = written(tmp_path / "a.fits", image)
    raw = path.read_bytes()
    path.write_bytes(raw.replace(b"conforms to FITS", b"CONFORMS to FITS"))
    assert not astropy_accepts(path)
    light = read_light(path)
    assert np.array_equal(light.pixels.physical(), image)
    assert "the header was changed after its CHECKSUM was written" in " ".join(light.facts.notes)


def test_a_lone_checksum_guards_the_pixels(tmp_path, image):
    path = tmp_path / "a.fits"
    unit = fits.PrimaryHDU(image)
    unit.add_checksum()
    del unit.header["DATASUM"]
    unit.header["CHECKSUM"] = unit._calculate_checksum(int(unit._calculate_datasum()))
    unit.writeto(path)
    assert np.array_equal(read_light(path).pixels.physical(), image)
    changed(path, 2880 + 2001, 0x01)
    with pytest.raises(UnreadableFile, match="does not match the checksum"):
        read_light(path)


@pytest.mark.parametrize("value", ["", "0" * 16, "not a checksum", "-5"])
def test_what_is_no_checksum_is_passed_over(tmp_path, image, value):
    path = tmp_path / "a.fits"
    unit = fits.PrimaryHDU(image)
    unit.header["CHECKSUM"] = value
    unit.header["DATASUM"] = value
    unit.writeto(path)
    assert np.array_equal(read_light(path).pixels.physical(), image)
