"""Weights and stack forecasts against the published table and GalSim."""

import numpy as np
import pytest

from subgrade.night.stack_forecast import forecast, turned_moments
from subgrade.night.weights import (
    GAUSSIAN_NEA,
    effective_exposure,
    exact_weights,
    matched_snr2,
    sky_limited_weights,
    stack_efficiency,
)

# Two frames as (T, sky sigma, FWHM); the exact optimum of a pixel-by-pixel sum of unscaled
# frames and the S/N of four rules relative to per-frame matched filtering (Zackay & Ofek 2017,
# ApJ 836, 187, eigenvector form derived).
TABLE = [
    (([1, 1], [1, 1], [3, 4]), 0.74132, 0.99076, 0.98311, 0.98020, 0.98020, 0.80000),
    (([1, 0.7], [1, 1], [3, 3]), 0.7, 1, 1, 1, 0.98478, 0.81923),
    (([1, 1], [1, 1.5], [3, 3]), 0.44444, 1, 1, 1, 0.92308, 0.83205),
    (([1, 0.8], [1, 1.3], [2.5, 5]), 0.19562, 0.98524, 0.98081, 0.94185, 0.78184, 0.95578),
]


@pytest.mark.parametrize("row", TABLE)
def test_pixel_sum_efficiencies(row):
    (t, s, f), ratio, exact, by_width, by_noise, equal, alone = row
    t, s, f = (np.array(v, float) for v in (t, s, f))
    weight, efficiency = exact_weights(t, s, f)
    assert weight[1] / weight[0] == pytest.approx(ratio, abs=1e-5)
    assert efficiency == pytest.approx(exact, abs=1e-5)
    rules = {by_width: t / (s * f) ** 2, by_noise: t / s**2, equal: np.ones(2)}
    for expected, w in rules.items():
        assert stack_efficiency(w, t, s, f) == pytest.approx(expected, abs=1e-5)
    assert stack_efficiency([1, 0], t, s, f) == pytest.approx(alone, abs=1e-5)


def test_simple_weights_are_for_scaled_frames_and_near_the_optimum():
    t, s, f = np.array([1, 0.8]), np.array([1, 1.3]), np.array([2.5, 5])
    w = sky_limited_weights(t, s, f)
    assert w[0] == 1
    # Scaled weight = T times the unscaled one; .11834 is the published ratio T/(s^2 F^2).
    assert w[1] / t[1] == pytest.approx(0.11834, abs=1e-5)
    assert stack_efficiency(w, t, s, f, flux_scaled=True) == pytest.approx(0.98081, abs=1e-5)
    scaled, same = exact_weights(t, s, f, flux_scaled=True)
    assert scaled[1] == pytest.approx(0.19562 * 0.8, abs=1e-5)
    assert stack_efficiency(scaled, t, s, f, flux_scaled=True) == pytest.approx(same, rel=1e-12)


def test_missing_numbers_weigh_nothing():
    w = sky_limited_weights([1, np.nan, 0.5, 1], [1, 1, 1, 0], [3, 3, 3, 3])
    assert w.tolist() == [1, 0, 0.25, 0]
    assert sky_limited_weights([np.nan], [1], [3]).tolist() == [0]


def test_no_rule_beats_the_exact_optimum_and_bad_frames_can_hurt():
    rng = np.random.default_rng(5)
    for _ in range(50):
        n = rng.integers(2, 30)
        t, s, f = rng.uniform(0.1, 1, n), rng.uniform(1, 4, n), rng.uniform(2.5, 4, n)
        _, best = exact_weights(t, s, f)
        simple = stack_efficiency(sky_limited_weights(t, s, f), t, s, f, flux_scaled=True)
        random = stack_efficiency(rng.uniform(0, 1, n), t, s, f)
        assert random <= best + 1e-12
        assert simple <= best + 1e-12 <= 1 + 2e-12
        assert simple > 0.975 * best


def test_noise_equivalent_area():
    # King 1983: 4 pi sigma^2 = 2.266180 FWHM^2; sigma 1.5 gives 28.274334.
    assert pytest.approx(28.274334, rel=1e-6) == GAUSSIAN_NEA * (1.5 * 2.3548200450) ** 2
    assert matched_snr2(1, 2, 2.3548200450) == pytest.approx(1 / (4 * 12.566371), rel=1e-6)


@pytest.mark.parametrize(
    ("fwhm", "sky", "mag", "expected"),
    [(0.9, 1, 0, 1), (1.2, 1, 0, 0.5625), (1.1, 1.5, 0.1, 0.371200), (0.9, 1, 0.5, 0.398107)],
)
def test_effective_exposure(fwhm, sky, mag, expected):
    # Neilsen, Bernstein, Gruendl & Kent 2016; reference seeing 0.9 arcsec.
    got = effective_exposure(1.0, 10 ** (-0.4 * mag), sky, fwhm, 1.0, 0.9)
    assert got == pytest.approx(expected, rel=2e-6)


def test_forecast_against_summed_galsim_images():
    import galsim

    weights = np.array([1.0, 0.6, 0.3])
    shapes = [(3.0, 0.9, 20), (4.0, 0.7, 80), (5.5, 0.6, 140)]
    stars, moments = [], []
    for fwhm, q, angle in shapes:
        star = galsim.Gaussian(fwhm=fwhm).shear(q=q, beta=angle * galsim.degrees)
        stars.append(star)
        image = star.drawImage(nx=401, ny=401, scale=0.1, method="no_pixel")
        measured = galsim.hsm.FindAdaptiveMom(image)
        s2 = (measured.moments_sigma * 0.1) ** 2
        e1, e2 = measured.observed_shape.e1, measured.observed_shape.e2
        root = s2 / np.sqrt(1 - e1**2 - e2**2)
        moments.append((root * (1 + e1), root * (1 - e1), root * e2))
    xx, yy, xy = np.array(moments).T
    total = galsim.Add([w / weights.sum() * s for w, s in zip(weights, stars, strict=True)])
    image = total.drawImage(nx=801, ny=801, scale=0.05, method="no_pixel")
    got = forecast(weights, np.ones(3), np.ones(3), xx, yy, xy)
    # The widths along the axes of the summed image, from its pixels along rotated lines.
    widths = [axis_width(image, got.angle_deg + extra) for extra in (0, 90)]
    assert got.fwhm_px == pytest.approx(np.sqrt(widths[0] * widths[1]), rel=2e-3)
    # The eccentricity and angle by GalSim's adaptive moments of that image.
    seen = galsim.hsm.FindAdaptiveMom(image).observed_shape
    assert got.eccentricity == pytest.approx(np.sqrt(1 - seen.q**2), abs=1e-3)
    assert got.angle_deg == pytest.approx(seen.beta.deg % 180, abs=0.2)
    # Its S/N: of the summed star over the noise of the weighted mean, on the image's pixels.
    share = weights / weights.sum()
    area = (image.array**2).sum() / 0.05**2
    assert got.star_snr == pytest.approx(np.sqrt(area / (share @ share)), rel=1e-3)


def axis_width(image, angle):
    from scipy.ndimage import map_coordinates

    r = np.linspace(0, 10, 4001)
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    profile = map_coordinates(image.array, [400 + r * s / 0.05, 400 + r * c / 0.05], order=3)
    return 2 * r[np.argmax(profile < profile[0] / 2)]


def test_moments_turn_with_the_frame():
    # a=2, b=1.5 at 30 deg: Bertin & Arnouts 1996 moments; at 75 deg after a 45 deg turn.
    xx, yy, xy = turned_moments([3.5625], [2.6875], [0.757772], [45.0])
    angle = np.degrees(0.5 * np.arctan2(2 * xy[0], xx[0] - yy[0]))
    assert angle == pytest.approx(75, abs=1e-4)
    assert xx[0] + yy[0] == pytest.approx(6.25)
    turned = turned_moments([3.5625], [2.6875], [0.757772], [180.0])
    assert np.allclose([v[0] for v in turned], [3.5625, 2.6875, 0.757772])


def test_forecast_of_equal_frames_gains_the_square_root():
    n = 9
    got = forecast(np.ones(n), np.ones(n), np.ones(n), *np.full((2, n), 2.0), np.zeros(n))
    assert got.snr == pytest.approx(3)
    assert got.efficiency == pytest.approx(1)
    assert got.fwhm_px == pytest.approx(2.3548200450 * np.sqrt(2), rel=1e-8)
    assert got.eccentricity == pytest.approx(0, abs=1e-6)
