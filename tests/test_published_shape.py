"""Widths, moments and ellipses against published formulas and GalSim's adaptive moments."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm, rice

from subgrade.constants import FWHM_PER_SIGMA, MAD_TO_SIGMA
from subgrade.stars.ellipse import (
    distortion,
    eccentricity_error,
    eccentricity_from_moments,
    eccentricity_of,
    ellipse_from_moments,
    moments_from_ellipse,
)
from tests.accuracy_cases import axial_difference
from tests.render import Scene, StarShape

# Full width at half maximum.


def test_fwhm_of_a_gaussian():
    """2 sqrt(2 ln 2), from the definition."""
    assert pytest.approx(2 * np.sqrt(2 * np.log(2)), rel=1e-12) == FWHM_PER_SIGMA


def test_a_gaussians_spread_over_its_median_absolute_deviation():
    """1 / Phi^-1(3/4), from scipy."""
    assert pytest.approx(1 / norm.ppf(0.75), rel=1e-6) == MAD_TO_SIGMA


@pytest.mark.parametrize(
    ("alpha", "beta", "fwhm"), [(3, 2.5, 3.391502), (3, 4.765, 2.374203), (2, 3, 2.039298)]
)
def test_fwhm_of_a_moffat(alpha, beta, fwhm):
    """2 alpha sqrt(2^(1/beta) - 1); Moffat 1969, A&A 3, 455 (from memory), as in GalSim's code."""
    from subgrade.practice.optics import moffat_alpha

    assert moffat_alpha(fwhm, beta) == pytest.approx(alpha, rel=1e-6)


def gaussian_spectrum(sigma_x: float, sigma_y: float, angle_deg: float = 0.0, pixel: bool = True):
    """Transfer function of a Gaussian star on a 1/16-px grid, and its frequencies."""
    k = np.fft.fftfreq(1024, d=1 / 16)
    kx, ky = np.meshgrid(k, k)
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    along, across = kx * cos + ky * sin, -kx * sin + ky * cos
    star = np.exp(-2 * np.pi**2 * ((sigma_x * along) ** 2 + (sigma_y * across) ** 2))
    return (star * np.sinc(kx) * np.sinc(ky) if pixel else star), k


@pytest.mark.slow
@pytest.mark.parametrize(
    ("fwhm", "seen"), [(1.5, 1.660213), (2.0, 2.118231), (3.0, 3.077838), (5.0, 5.046389)]
)
def test_half_maximum_width_after_the_pixel(fwhm, seen):
    """Gaussian after a unit box, solved numerically from the erf profile.

    The star is drawn out by a hair along x: a round one has no axes, and along a diagonal
    the square pixel makes a sharp star 0.2 % wider.
    """
    from subgrade.practice.profile import star_truth

    sigma = fwhm / FWHM_PER_SIGMA
    spectrum, k = gaussian_spectrum(1.0005 * sigma, sigma)
    assert star_truth(spectrum, k, k).fwhm_minor == pytest.approx(seen, rel=5e-4)


# The ellipse of second moments.

ELLIPSES = [
    # a, b, theta, xx, yy, xy
    (2.0, 1.5, 30.0, 3.5625, 2.6875, 0.757772),
    (3.0, 2.0, -40.0, 6.934120, 6.065880, -2.462019),
    (2.5, 2.375, 75.0, 5.681445, 6.209180, 0.152344),
]


@pytest.mark.parametrize(("a", "b", "theta", "xx", "yy", "xy"), ELLIPSES)
def test_axes_and_angle_from_moments(a, b, theta, xx, yy, xy):
    """Bertin & Arnouts 1996, A&AS 117, 393; angle counter-clockwise from +x, here in [0, 180)."""
    got = ellipse_from_moments(xx, yy, xy)
    assert got[:2] == pytest.approx((a, b), abs=2e-6)
    assert got[2] == pytest.approx(theta % 180, abs=1e-3)


@pytest.mark.parametrize(("a", "b", "theta", "xx", "yy", "xy"), ELLIPSES)
def test_moments_from_axes_and_angle(a, b, theta, xx, yy, xy):
    assert moments_from_ellipse(a, b, theta) == pytest.approx((xx, yy, xy), abs=1e-6)


@pytest.mark.parametrize(
    ("q", "eccentricity"),
    [(0.95, 0.312250), (0.9, 0.435890), (0.8, 0.6), (0.7, 0.714143), (0.6, 0.8), (0.5, 0.866025)],
)
def test_eccentricity_of_an_axis_ratio(q, eccentricity):
    """sqrt(1 - q^2), at any angle."""
    for theta in (0, 33, 90, 179):
        moments = moments_from_ellipse(2.0, 2.0 * q, theta)
        assert eccentricity_from_moments(*moments) == pytest.approx(eccentricity, abs=1e-6)


def test_photutils_names_the_same_axes():
    """The photutils moments of a sampled Gaussian, put through both formulas."""
    from photutils.morphology import data_properties

    y, x = np.mgrid[-25:26, -25:26]
    t = np.radians(40)
    along, across = x * np.cos(t) + y * np.sin(t), -x * np.sin(t) + y * np.cos(t)
    image = np.exp(-0.5 * ((along / 3) ** 2 + (across / 2) ** 2))
    theirs = data_properties(image)
    (yy, xy), (_, xx) = np.asarray(theirs.covariance)[::-1, ::-1]
    a, b, theta = ellipse_from_moments(xx, yy, xy)
    assert (a, b) == pytest.approx((3, 2), rel=1e-4)
    assert theta == pytest.approx(40, abs=0.01)
    assert theirs.orientation.value == pytest.approx(theta, abs=1e-6)
    assert theirs.eccentricity.value == pytest.approx(
        eccentricity_from_moments(xx, yy, xy), abs=1e-6
    )


@pytest.mark.parametrize("over_noise", [2.0, 3.0, 6.0])
def test_what_noise_adds_to_the_distortion_is_taken_out(over_noise):
    """A vector's length with Gaussian errors follows Rice's distribution (scipy)."""
    error = 0.02
    length = rice.rvs(over_noise, scale=error, size=40_000, random_state=3)
    freed = distortion(1 + length, 1 - length, 0.0, error)
    assert length.mean() / error == pytest.approx(rice.mean(over_noise), abs=0.02)
    assert length.mean() > (over_noise + 0.9 * (0.5 / over_noise)) * error
    assert freed.mean() == pytest.approx(over_noise * error, abs=0.06 * error)


def test_an_elongation_within_its_noise_keeps_an_estimate_and_its_error():
    """Round and nearly round stars: never exactly 0, and right within the stated error.

    The truth of the components is known, the scatter of the estimate is asked against it.  Round
    stars' length passes two sigma of a component in exp(-2), 14 %, of all frames (Rayleigh).
    """
    rng = np.random.default_rng(3)
    for true, within_two in ((0.03, 0.82), (0.06, 0.84), (0.11, 0.93), (0.3, 0.94)):
        chi_true = true**2 / (2 - true**2)
        noise = rng.normal(0, 0.004, (2, 20_000))
        chi = distortion(1 + chi_true + noise[0], 1 - chi_true - noise[0], noise[1], 0.004)
        oval, error = eccentricity_of(chi), eccentricity_error(chi, 0.004)
        assert (oval > 0).all()
        assert (error > 0).all()
        off = np.abs(oval - true) / error
        assert 0.6 < np.mean(off < 1) < 0.95, true
        assert np.mean(off < 2) > within_two, true


# Adaptive moments: a Gaussian star keeps its own, a Moffat star reads wider.


@pytest.mark.parametrize(
    ("fwhm", "q", "angle", "pixel", "sigma", "ratio", "limit"),
    [
        (4.0, 0.8, 30.0, False, 1.698644, 0.800000, 1e-5),
        (4.0, 0.8, 30.0, True, 1.723806, 0.805120, 3e-4),
        (5.0, 0.6, 120.0, True, 2.145523, 0.605866, 3e-4),
    ],
)
def test_practice_truth_has_galsims_adaptive_moments(fwhm, q, angle, pixel, sigma, ratio, limit):
    """Hirata & Seljak 2003, MNRAS 343, 459, as GalSim's hsm gives them."""
    from subgrade.practice.profile import star_truth

    core = fwhm / FWHM_PER_SIGMA
    spectrum, k = gaussian_spectrum(core / np.sqrt(q), core * np.sqrt(q), angle, pixel)
    truth = star_truth(spectrum, k, k)
    assert (truth.xx * truth.yy - truth.xy**2) ** 0.25 == pytest.approx(sigma, rel=limit)
    assert np.sqrt(1 - truth.eccentricity**2) == pytest.approx(ratio, abs=limit)
    assert axial_difference(truth.angle_deg, angle) < 0.01


@pytest.mark.parametrize(
    ("shape", "sigma", "ratio"),
    [
        (StarShape("gaussian", 4.0, q=0.8, angle_deg=30.0), 1.723806, 0.805120),
        (StarShape("gaussian", 5.0, q=0.6, angle_deg=120.0), 2.145523, 0.605866),
    ],
)
def test_measured_moments_are_galsims(graded, shape, sigma, ratio):
    """Frame and catalogue moments of pixel-convolved Gaussian stars at high S/N."""
    _, got = graded(shape, Scene(1200, 900, bright=60, depth=1.5, seed=301))
    assert (got.xx * got.yy - got.xy**2) ** 0.25 == pytest.approx(sigma, rel=0.005)
    assert np.sqrt(1 - got.eccentricity**2) == pytest.approx(ratio, abs=0.005)
    found = got.catalogue
    good = (found.flags == 0) & (found.snr > 100)
    assert np.count_nonzero(good) >= 5
    determinant = found.xx[good] * found.yy[good] - found.xy[good] ** 2
    assert np.median(determinant) ** 0.25 == pytest.approx(sigma, rel=0.01)


def test_weighted_moments_of_a_moffat_star_are_not_its_fwhm(graded):
    """S sigma of a Moffat of beta 3 and FWHM 4 is 4.52 before the pixel: FWHM must not use it."""
    frame, got = graded(StarShape("moffat", 4.0, 3.0), Scene(1200, 900, bright=80, seed=302))
    sigma = (got.xx * got.yy - got.xy**2) ** 0.25
    assert FWHM_PER_SIGMA * sigma > 1.1 * got.fwhm_px
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.01)
