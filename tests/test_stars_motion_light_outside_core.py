"""Light out of the core, against the normal integral and known motions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import convolve1d
from scipy.stats import norm

from subgrade.stars.model import StarImage
from subgrade.stars.motion.light_outside_core import stray_light
from tests.judged_nights import Shot, night_of


def measured(image: np.ndarray, fwhm: float, angle: float, eccentricity: float = 0.5):
    """A frame whose star image is the one given, half a pixel an element."""
    return replace(
        night_of([Shot()]).frames[0].stars,
        star_image=StarImage((image / image.max()).astype(np.float32), 0.5, 100),
        fwhm_minor_px=fwhm,
        angle_deg=angle,
        eccentricity=eccentricity,
        shape_status="measured",
    )


def gaussian(sigma_x: float, sigma_y: float, at: float = 0.0) -> np.ndarray:
    grid = np.arange(-60, 61) * 0.5
    x, y = np.meshgrid(grid, grid)
    return np.exp(-0.5 * (((x - at) / sigma_x) ** 2 + (y / sigma_y) ** 2))


@pytest.mark.parametrize("eccentricity", [0.3, 0.55, 0.65, 0.8])
def test_elliptical_gaussian(eccentricity):
    """Normal integral (scipy.stats.norm); light past three FWHM is not looked at."""
    q = np.sqrt(1 - eccentricity**2)
    fwhm = 4.0
    sigma = fwhm / 2.354820
    image = gaussian(sigma / q, sigma)
    expected = 2 * (norm.cdf(-2.35482 * q) - norm.cdf(-2.35482))
    assert stray_light(measured(image, fwhm, 0.0)) == pytest.approx(expected, abs=0.002)
    assert stray_light(measured(image.T, fwhm, 90.0)) == pytest.approx(expected, abs=0.002)


def test_round_stars_throw_none():
    assert abs(stray_light(measured(gaussian(1.7, 1.7), 4.0, 33.0))) < 0.002
    assert stray_light(measured(gaussian(1.7, 1.7), 4.0, np.nan)) == 0.0


def test_a_second_image_counts_with_its_share():
    """A tenth of the exposure spent two FWHM away leaves a tenth of the light there."""
    image = 0.9 * gaussian(1.7, 1.7) + 0.1 * gaussian(1.7, 1.7, at=8.0)
    assert stray_light(measured(image, 4.0, 0.0, 0.3)) == pytest.approx(0.1, abs=0.01)


def test_swelling_cancels():
    """Wings that reach as far both ways are no motion: a wide round star, read with its width."""
    wide = gaussian(1.7, 1.7) + 0.2 * gaussian(5.0, 5.0)
    assert abs(stray_light(measured(wide, 4.4, 0.0))) < 0.003


def test_a_creep_of_one_width_is_past_the_limit():
    """A box as long as 1.7 FWHM, drawn by scipy's convolution."""
    image = convolve1d(gaussian(1.7, 1.7), np.ones(14), axis=1)
    assert stray_light(measured(image, 4.0, 0.0, 0.75)) > 0.055


def test_nothing_is_said_without_an_image():
    assert np.isnan(stray_light(replace(night_of([Shot()]).frames[0].stars, star_image=None)))


def test_a_single_hot_element_is_no_light_of_the_star():
    """A cosmic ray that one star of the stack met, as high as the star itself."""
    image = gaussian(2.0, 1.7)
    clean = stray_light(measured(image, 4.0, 0.0))
    for row, column in ((60, 80), (61, 42)):
        spoilt = image.copy()
        spoilt[row, column] = 1.9
        assert stray_light(measured(spoilt, 4.0, 0.0)) == pytest.approx(clean, abs=0.002)
    # a second image is light of the star
    double = image + 0.3 * gaussian(2.0, 1.7, at=8.0)
    assert stray_light(measured(double, 4.0, 0.0)) > 0.1
