"""Shapes over the field, where optics draw a corner's stars far from the middle's."""

from __future__ import annotations

import galsim
import numpy as np
import pytest
from scipy.optimize import lsq_linear

from subgrade.lights.model import Pixels
from subgrade.stars import measure_stars
from subgrade.stars.common_shape import field_terms, shape_field

WIDTH, HEIGHT = 900, 720
X0, Y0, HALF = 449.5, 359.5, 0.5 * np.hypot(WIDTH, HEIGHT)
FLAT = np.array([[2.2, 0, 0, 0, 0, 0], [2.0, 0, 0, 0, 0, 0], [0.1, 0, 0, 0, 0, 0]], float)
STRONG = np.array(
    [
        [2.4, 0.5, -0.6, 2.6, -2.4, 2.4],
        [2.4, 0.5, -0.6, 2.6, -2.4, 2.4],
        [0.0, 1.2, -1.2, 0.7, -4.4, 0.7],
    ]
)
"""A tilted, astigmatic field: round in the middle, eccentricity 0.87 towards one corner."""


def moments_at(coefficients, x, y) -> np.ndarray:
    return coefficients @ field_terms((x - X0) / HALF, (y - Y0) / HALF, 6)


def eccentricity(xx, yy, xy) -> float:
    mean, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    return float(np.sqrt(1 - (mean - half) / (mean + half)))


def star_list(coefficients, seed: int, spoilt: int = 0, n: int = 220):
    """Places, moments with the noise of their S/N, and S/N; the last ``spoilt`` are blends."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, WIDTH, n), rng.uniform(0, HEIGHT, n)
    snr = 40 * rng.random(n) ** -1.3
    true = moments_at(coefficients, x, y)
    noise = np.hypot(2 / snr, 0.01) * 0.5 * (true[0] + true[1])
    moments = true + noise * rng.standard_normal((3, n))
    if spoilt:
        moments[:2, -spoilt:] *= rng.uniform(1.8, 6, spoilt)
        moments[2, -spoilt:] += rng.uniform(-4, 4, spoilt)
    return x, y, moments, snr


@pytest.mark.parametrize("field", [FLAT, STRONG], ids=["flat", "strong"])
def test_blends_do_not_pull_the_fit(field):
    # Against scipy's weighted least squares on the clean stars alone.
    for seed in range(6):
        x, y, moments, snr = star_list(field, seed, spoilt=25)
        got = shape_field(x, y, moments, snr, WIDTH, HEIGHT)
        clean = slice(0, -25)
        terms = field_terms((x[clean] - X0) / HALF, (y[clean] - Y0) / HALF, 6)
        sigma = np.hypot(2 / snr[clean], 0.01)
        for row in range(3):
            best = lsq_linear((terms / sigma).T, moments[row, clean] / sigma).x
            assert np.all(np.abs(got.coefficients[row] - best) < 3 * got.errors[row] + 0.01)
        assert got.stars_used > 170


def test_errors_of_a_flat_field_are_what_they_say():
    pulls = []
    for seed in range(40):
        x, y, moments, snr = star_list(FLAT, 100 + seed, spoilt=15)
        got = shape_field(x, y, moments, snr, WIDTH, HEIGHT)
        pulls.append((got.coefficients - FLAT) / got.errors)
    assert np.std(pulls) == pytest.approx(1.0, abs=0.2)


@pytest.mark.parametrize("n", [1, 2, 3, 11, 12, 39, 40])
def test_few_stars_give_fewer_terms(n):
    x, y, moments, snr = star_list(FLAT, 7, n=n)
    got = shape_field(x, y, moments, snr, WIDTH, HEIGHT)
    assert got.coefficients.shape == (3, 1 if n < 12 else 3 if n < 40 else 6)
    assert got.coefficients[:, 0] == pytest.approx(FLAT[:, 0], abs=0.5)
    assert np.isfinite(got.errors).all()


CELLS = np.array(list(np.ndindex(18, 14))) + 0.5
STEP = np.array([WIDTH / 18, HEIGHT / 14])


def star_at(x: float, y: float, tilt: float, astigmatism: float) -> galsim.GSObject:
    """A Moffat star and the spot of geometrical optics: an ellipse of uniform light.

    Half-axes in px along and across the radius are those of the two foci, which part as the
    square of the distance from the axis (from memory); a tilted sensor is out of focus
    linearly.  Such moments under an adaptive weight are no polynomials.
    """
    u, v = (x - X0) / HALF, (y - Y0) / HALF
    focus, apart = tilt * u, astigmatism * (u * u + v * v)
    along, across = max(abs(focus + apart), 1e-3), max(abs(focus - apart), 1e-3)
    seeing = galsim.Moffat(beta=3.5, fwhm=2.9)
    turn = np.arctan2(v, u)
    spot = galsim.TopHat(1.0).transform(along, 0, 0, across).rotate(turn * galsim.radians)
    return galsim.Convolve(seeing, spot.withFlux(1.0))


def rendered(tilt: float, astigmatism: float, seed: int) -> np.ndarray:
    """Stars drawn by GalSim with the pixel, spread over the frame; sky and noise."""
    rng = np.random.default_rng(seed)
    image = galsim.ImageD(WIDTH, HEIGHT, init_value=1000.0)
    for place in CELLS:
        x, y = (place + rng.uniform(-0.3, 0.3, 2)) * STEP
        star = star_at(x, y, tilt, astigmatism) * float(6000 * rng.random() ** -1.2)
        stamp = star.drawImage(nx=45, ny=45, scale=1.0, center=galsim.PositionD(x + 1, y + 1))
        both = stamp.bounds & image.bounds
        image[both] += stamp[both]
    noisy = rng.poisson(image.array) + 5.0 * rng.standard_normal(image.array.shape)
    return np.clip(np.rint(noisy), 0, 65535).astype(np.uint16)


def seen_by_galsim(star: galsim.GSObject) -> np.ndarray:
    """Adaptive moments (hsm) of a star without noise, px^2."""
    found = galsim.hsm.FindAdaptiveMom(star.drawImage(nx=61, ny=61, scale=1.0))
    e1, e2 = found.observed_shape.e1, found.observed_shape.e2
    mean = found.moments_sigma**2 / np.sqrt(1 - e1 * e1 - e2 * e2)
    return mean * np.array([1 + e1, 1 - e1, e2])


@pytest.mark.parametrize(("tilt", "astigmatism"), [(1.7, 4.4), (2.7, 3.3)])
def test_corner_of_strong_optics(tilt, astigmatism):
    fit = measure_stars(Pixels(rendered(tilt, astigmatism, 3))).shape_field
    # six terms cannot follow moments that grow as the fourth power; numpy's fit of the truth at
    # the middle of each star's cell says how near they come
    places = (CELLS * STEP).T
    true = np.array([seen_by_galsim(star_at(x, y, tilt, astigmatism)) for x, y in places.T]).T
    terms = field_terms((places[0] - X0) / HALF, (places[1] - Y0) / HALF, 6)
    nearest = np.linalg.lstsq(terms.T, true.T, rcond=None)[0].T
    got, best, truth = [], [], []
    for u, v in ((-0.6, -0.6), (0.6, -0.6), (-0.6, 0.6), (0.6, 0.6)):
        x, y = X0 + u * HALF, Y0 + v * HALF
        got.append(eccentricity(*moments_at(fit.coefficients, x, y)))
        best.append(eccentricity(*moments_at(nearest, x, y)))
        truth.append(eccentricity(*seen_by_galsim(star_at(x, y, tilt, astigmatism))))
    assert 0.7 < min(truth) <= max(truth) < 0.85
    assert np.mean(got) == pytest.approx(np.mean(best), abs=0.06)
    assert max(got) == pytest.approx(max(truth), abs=0.12)
