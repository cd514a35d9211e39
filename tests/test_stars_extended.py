"""Galaxies, globulars, nebulae and comets behind the stars, against what GalSim drew.

Cases are those of ``tests/benchmarks/skies.py``.
"""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.stars.extended import wide
from subgrade.stars.local_sky import levelled
from subgrade.stars.photometry import gaussian_template, template_fit
from subgrade.stars.raster import Stamps
from tests.accuracy_cases import axial_difference
from tests.benchmarks.skies import CASES

pytestmark = pytest.mark.slow

PLAIN = (
    "spiral over the frame",
    "spiral, few stars",
    "elliptical over the frame",
    "galaxy from its edge",
    "spiral, stars of 8 px",
    "globular, glow only",
    "globular, 50,000 stars",
    "nebula",
    "nebula, few stars",
    "nebula, bright",
    "nebula, stars of 5 px",
    "nebula, filaments",
    "comet",
)
TRAILED = tuple(name for name in CASES if "trailed" in name)


@pytest.mark.parametrize("name", PLAIN)
def test_stars_before_a_glow_have_their_shape(seen, name):
    frame, got = seen(name)
    assert got.shape_status == "measured"
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.03)
    # twenty stars of S/N 20 to 100 leave an error of 0.1 to 0.2, which is then what is stated
    assert got.eccentricity < max(0.12, 1.01 * got.eccentricity_error)
    assert got.eccentricity < 0.25
    assert got.noise_adu == pytest.approx(frame.noise_adu, rel=0.05)


@pytest.mark.parametrize("name", [n for n in PLAIN if "globular" not in n])
def test_knots_and_arms_are_not_counted(seen, name):
    frame, got = seen(name)
    assert got.stars == pytest.approx(frame.count_above(), rel=0.25)


@pytest.mark.parametrize("name", PLAIN)
def test_arms_and_filaments_are_no_streaks(seen, name):
    assert seen(name)[1].streaks == ()


@pytest.mark.parametrize("name", TRAILED)
def test_trailed_stars_before_a_glow_are_called_lines(seen, name):
    _, got = seen(name)
    assert got.shape_status == "trailed"
    assert got.length_px == pytest.approx(40.0, rel=0.12)
    assert axial_difference(got.angle_deg, 25.0) < 2.0


def test_an_oval_star_before_a_galaxy_keeps_its_eccentricity(seen):
    frame, got = seen("spiral, stars swung")
    assert got.eccentricity == pytest.approx(frame.truth.eccentricity, abs=0.02)
    assert axial_difference(got.angle_deg, 110.0) < 1.0


@pytest.mark.parametrize("name", ["spiral, satellite", "nebula, satellite"])
def test_a_satellite_before_a_glow_is_the_only_streak(seen, name):
    frame, got = seen(name)
    assert len(got.streaks) == 1
    streak = got.streaks[0]
    angle = np.degrees(np.arctan2(streak.y2 - streak.y1, streak.x2 - streak.x1))
    assert axial_difference(angle, 27.0) < 0.5
    assert frame.truth.fwhm_px < streak.width_px < 1.6 * frame.truth.fwhm_px


def test_a_plane_under_a_star_is_taken_out():
    y, x = np.mgrid[-10:11, -10:11].astype(float)
    star = 500 * np.exp(-0.5 * (x**2 + y**2) / 1.5**2)
    plane = 70 + 3 * x - 2 * y
    stamps = Stamps((star + plane).astype(np.float32)[None], np.zeros(1), np.zeros(1))
    assert levelled(stamps).data[0] == pytest.approx(star, abs=0.01)


def gaussians(sizes, snr: float) -> tuple[np.ndarray, np.ndarray]:
    """Sharpness and S/N under a star of sigma 2 px of Gaussians so many times as wide."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[-25:26, -25:26].astype(float)
    images = [np.exp(-0.5 * (x**2 + y**2) / (2.0 * k) ** 2) for k in sizes]
    images = [snr * i / np.sqrt(np.sum(i**2)) + rng.normal(0, 1, i.shape) for i in images]
    zero = np.zeros(len(images))
    stamps = Stamps(np.array(images, np.float32), zero - 25, zero - 25)
    fit = template_fit(stamps, zero, zero, gaussian_template(4.0, 4.0, 0.0, 6.0), 1.0)
    return fit.sharpness, fit.snr


def test_sharpness_is_that_of_the_formula():
    """0.5 (1 + k^2) / (0.25 + k^2) - 0.8, integrals of Gaussians (derived in `wide`)."""
    sizes = np.array([1.0, 1.2, 1.35, 1.7, 2.5])
    expected = 0.5 * (1 + sizes**2) / (0.25 + sizes**2) - 0.8
    assert gaussians(sizes, 3000.0)[0] == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("snr", [30.0, 100.0, 1000.0])
def test_stars_are_not_called_wide_and_blobs_are(snr):
    sizes = np.r_[np.ones(150), np.full(50, 2.2)]
    sharpness, found = gaussians(sizes, snr)
    x, y = np.random.default_rng(5).uniform(0, 1000, (2, 200))
    called = wide(x, y, sharpness, found, np.ones(200, bool), (1000, 1000))
    assert called[:150].sum() <= 1
    assert called[150:].mean() > (0.9 if snr > 50 else 0.2)


def test_corners_that_optics_widen_are_stars():
    """Stars grow to 1.6 times their width in the corners, as the square of the distance."""
    x, y = np.random.default_rng(6).uniform(0, 1000, (2, 300))
    far = np.hypot(x - 500, y - 500) / 707
    sharpness, found = gaussians(1 + 0.6 * far**2, 200.0)
    called = wide(x, y, sharpness, found, np.ones(300, bool), (1000, 1000))
    assert called.sum() <= 6
