"""Sidereal rate, image scale and robust noise against published numbers and astropy."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.io import fits
from astropy.stats import mad_std


def test_sidereal_rate():
    """1296000 arcsec in a sidereal day of 86164.0905 s (Explanatory Supplement, from memory)."""
    from subgrade.practice.scenario import SIDEREAL_ARCSEC_PER_S

    assert pytest.approx(15.041069, rel=1e-7) == SIDEREAL_ARCSEC_PER_S
    assert pytest.approx(15 * 1.00273790935, rel=1e-8) == SIDEREAL_ARCSEC_PER_S


SCALES = [
    # pixel um, focal mm, arcsec per px = 206.264806 um / mm
    (3.75, 1154, 0.670271),
    (3.76, 530, 1.463313),
    (3.76, 1000, 0.775556),
    (9.0, 2000, 0.928192),
    (4.63, 135, 7.074119),
]


@pytest.mark.parametrize(("pixel", "focal", "scale"), SCALES)
def test_scale_from_a_header(tmp_path, pixel, focal, scale):
    from subgrade.lights import read_light

    path = tmp_path / "light.fits"
    unit = fits.PrimaryHDU(np.full((40, 40), 1000, np.uint16))
    unit.header["XPIXSZ"], unit.header["YPIXSZ"], unit.header["FOCALLEN"] = pixel, pixel, focal
    unit.header["EXPTIME"], unit.header["DATE-OBS"] = 60.0, "2024-01-05T20:00:00"
    unit.writeto(path)
    assert read_light(path).facts.scale_arcsec == pytest.approx(scale, rel=1e-5)


@pytest.mark.parametrize(("pixel", "focal", "scale"), SCALES[:3])
def test_scale_of_the_practice_camera(pixel, focal, scale):
    from dataclasses import replace

    from subgrade.practice.scenario_file import default_scenario

    plain = default_scenario()
    camera = replace(plain.camera, pixel_um=pixel)
    optics = replace(plain.optics, focal_mm=float(focal))
    assert replace(plain, camera=camera, optics=optics).scale_arcsec == pytest.approx(
        scale, rel=1e-5
    )


@pytest.mark.parametrize("sigma", [3.0, 40.0])
def test_noise_is_the_robust_deviation_of_pure_sky(measure, sigma):
    """sigma = 1.482602 MAD; astropy's mad_std on the same pixels, before whole numbers."""
    sky = np.random.default_rng(4).normal(1500, sigma, (800, 1000))
    got = measure(sky.astype(np.float32))
    assert got.noise_adu == pytest.approx(mad_std(sky), rel=0.01)
    assert got.background_adu == pytest.approx(np.median(sky), abs=0.02 * sigma)


def test_noise_of_whole_numbers_narrower_than_their_noise(measure):
    """Rounding adds 1/12 ADU^2 (Sheppard); the MAD of whole numbers alone would read 0 or 1.48."""
    sky = np.random.default_rng(5).normal(500.3, 0.9, (800, 1000))
    got = measure(np.rint(sky).astype(np.uint16))
    assert got.noise_adu == pytest.approx(np.sqrt(0.9**2 + 1 / 12), rel=0.02)
    assert got.background_adu == pytest.approx(500.3, rel=0.001)


def test_noise_is_not_moved_by_one_pixel_in_a_hundred(measure):
    rng = np.random.default_rng(6)
    sky = rng.normal(1500, 30, (800, 1000))
    junk = rng.random(sky.shape) < 0.01
    sky[junk] += rng.exponential(3000, np.count_nonzero(junk))
    got = measure(np.clip(np.rint(sky), 0, 65535).astype(np.uint16))
    assert got.noise_adu == pytest.approx(30, rel=0.04)
    assert got.background_adu == pytest.approx(1500, rel=0.001)
