"""Masters: what is taken off, divided by, and said."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.io import fits

from subgrade.errors import UsageError
from subgrade.lights import apply, load_masters, read_light

SHAPE = (30, 40)


@pytest.fixture
def scene(tmp_path):
    """A light made from known sky, response, dark and bias; every file of it."""
    rng = np.random.default_rng(3)
    sky = rng.uniform(800, 1200, SHAPE)
    response = rng.uniform(0.8, 1.2, SHAPE)
    colours = np.tile([[0.5, 1.0], [1.0, 0.7]], (SHAPE[0] // 2, SHAPE[1] // 2))
    bias, current = rng.uniform(190, 210, SHAPE), rng.uniform(0, 50, SHAPE)
    planes = {
        "light": sky * response + current + bias,
        "dark": current + bias,
        "bias": bias,
        "flat": 20000 * response * colours + bias,
        "dark60": current / 2 + bias,
        "small": bias[:20],
    }
    facts = {
        "light": {"EXPTIME": 120.0, "BAYERPAT": "RGGB", "SATURATE": 60000.0, "FILTER": "L"},
        "dark": {"EXPTIME": 120.0, "IMAGETYP": "Master Dark"},
        "dark60": {"EXPTIME": 60.0, "GAIN": 5},
        "flat": {"BAYERPAT": "RGGB", "FILTER": "R"},
    }
    paths = {}
    for name, plane in planes.items():
        paths[name] = tmp_path / f"{name}.fits"
        header = fits.Header(list(facts.get(name, {}).items()))
        fits.PrimaryHDU(plane.astype(np.float32), header).writeto(paths[name])
    return paths, sky, response


def per_colour(plane):
    out = plane.copy()
    for top in (0, 1):
        for left in (0, 1):
            out[top::2, left::2] /= np.median(plane[top::2, left::2])
    return out


def test_dark_and_flat_give_back_the_sky(scene):
    paths, sky, response = scene
    masters = load_masters(dark=paths["dark"], bias=paths["bias"], flat=paths["flat"])
    done = apply(read_light(paths["light"]), masters)
    assert done.calibrated == ("dark", "flat")
    assert done.pixels.data.dtype == np.float32
    # colours of the flat's lamp leave the mosaic's balance alone: each is normalised by itself
    expected = sky * response / per_colour(response)
    np.testing.assert_allclose(done.pixels.data, expected, rtol=2e-4)
    dark = fits.getdata(paths["dark"])
    assert done.facts.saturation_adu == pytest.approx(60000 - np.median(dark), abs=0.01)


def test_bias_alone_and_nothing(scene):
    paths, _, _ = scene
    light = read_light(paths["light"])
    done = apply(light, load_masters(bias=paths["bias"]))
    assert done.calibrated == ("bias",)
    expected = fits.getdata(paths["light"]) - fits.getdata(paths["bias"])
    np.testing.assert_allclose(done.pixels.data, expected, atol=1e-3)
    assert apply(light, load_masters()) is light


def test_input_stays_as_it_is(scene):
    paths, _, _ = scene
    before = paths["light"].read_bytes()
    light = read_light(paths["light"])
    pixels = light.pixels.physical().copy()
    apply(light, load_masters(dark=paths["dark"], flat=paths["flat"]))
    np.testing.assert_array_equal(light.pixels.physical(), pixels)
    assert paths["light"].read_bytes() == before


def test_dark_of_another_exposure_is_taken_off_with_a_note(scene):
    paths, _, _ = scene
    done = apply(read_light(paths["light"]), load_masters(dark=paths["dark60"]))
    expected = fits.getdata(paths["light"]) - fits.getdata(paths["dark60"])
    np.testing.assert_allclose(done.pixels.data, expected, atol=1e-3)
    (note,) = [n for n in done.facts.notes if "exposure" in n]
    assert "60 s" in note
    assert "120 s" in note
    same = apply(read_light(paths["light"]), load_masters(dark=paths["dark"]))
    assert not any("dark" in note for note in same.facts.notes)


def test_flat_of_another_filter_is_noted(scene):
    paths, _, _ = scene
    done = apply(read_light(paths["light"]), load_masters(flat=paths["flat"]))
    assert any("filter is R, the light's L" in note for note in done.facts.notes)


def test_size_mismatch_names_both_files(scene):
    paths, _, _ = scene
    with pytest.raises(UsageError) as caught:
        apply(read_light(paths["light"]), load_masters(dark=paths["small"]))
    assert str(paths["light"]) in str(caught.value)
    assert str(paths["small"]) in str(caught.value)
    assert "40 x 20 px" in str(caught.value)
    with pytest.raises(UsageError, match=r"small\.fits"):
        load_masters(dark=paths["dark"], bias=paths["small"])


def test_flat_pixels_without_light_become_nan_and_a_dark_flat_is_refused(scene, tmp_path):
    paths, _, _ = scene
    flat = fits.getdata(paths["flat"]).copy()
    flat[5, 6], flat[7, 8] = 0.0, np.nan
    fits.PrimaryHDU(flat).writeto(tmp_path / "holed.fits")
    done = apply(read_light(paths["light"]), load_masters(flat=tmp_path / "holed.fits"))
    assert np.argwhere(np.isnan(done.pixels.data)).tolist() == [[5, 6], [7, 8]]
    with pytest.raises(UsageError, match="no light"):
        load_masters(bias=paths["flat"], flat=paths["dark"])
