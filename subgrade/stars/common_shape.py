"""The frame's common star shape, and how the shape varies over the field.

Noise makes single stars look oval in random directions.  Averaging their
eccentricities keeps that bias, averaging the moment components removes it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.constants import MAD_TO_SIGMA
from subgrade.stars.model import ShapeField

STAR_SPREAD = 0.01
"""Relative difference of star moments beside noise; common practice, no source."""
_ONE_SIGMA = 0.8413447460685429
"""Share of a Gaussian below one sigma."""


@dataclass(frozen=True, slots=True)
class CommonShape:
    """Robust weighted mean of star moments.

    Attributes
    ----------
    xx, yy, xy : float
        px^2.
    error : float
        One sigma of (xx - yy)/2 and of xy, px^2.
    size_error : float
        One sigma of the relative size (fourth root of the determinant).
    kept : ndarray of bool
        Stars that were not clipped.
    """

    xx: float
    yy: float
    xy: float
    error: float
    size_error: float
    kept: np.ndarray

    @property
    def moments(self) -> tuple[float, float, float]:
        """(xx, yy, xy), px^2."""
        return self.xx, self.yy, self.xy


def common_shape(
    xx: np.ndarray, yy: np.ndarray, xy: np.ndarray, snr: np.ndarray
) -> CommonShape | None:
    """Mean moments of the stars, outliers (blends, galaxies, cosmic rays) clipped.

    Weights follow the noise of adaptive moments, whose relative error is
    about 2 / (S/N) (Bernstein & Jarvis 2002, sect. 3, Gaussian star), with a
    star-to-star spread of 1 % beside it.

    Parameters
    ----------
    xx, yy, xy : ndarray, shape (n,)
        px^2; rows with NaN are left out.
    snr : ndarray, shape (n,)

    Returns
    -------
    CommonShape or None
        None without a usable star.
    """
    parts = np.stack([np.asarray(v, np.float64) for v in (xx, yy, xy)])
    kept = np.all(np.isfinite(parts), axis=0)
    if not kept.any():
        return None
    relative = np.hypot(2.0 / np.maximum(snr, 1.0), STAR_SPREAD)
    weight = 1.0 / relative**2
    centre = np.array([_weighted_median(p[kept], weight[kept]) for p in parts])
    for _ in range(8):
        size = max(0.5 * (centre[0] + centre[1]), 1e-6)
        scaled = np.abs(parts - centre[:, None]) / (size * relative)
        spread = np.array([MAD_TO_SIGMA * np.median(s[kept]) for s in scaled])
        limit = 4.0 * np.maximum(spread, 1.0)
        with np.errstate(invalid="ignore"):
            new = np.all(scaled <= limit[:, None], axis=0)
        if new.sum() < 3:
            break
        centre_new = np.array([np.average(p[new], weights=weight[new]) for p in parts])
        done = np.array_equal(new, kept) and np.allclose(centre_new, centre, rtol=1e-7)
        kept, centre = new, centre_new
        if done:
            break
    error, size_error = _errors(parts[:, kept], centre[2], relative[kept])
    return CommonShape(*(float(c) for c in centre), error, size_error, kept)


def _errors(parts: np.ndarray, xy: float, relative: np.ndarray) -> tuple[float, float]:
    """One sigma of (xx - yy)/2 and xy (px^2), and of the relative size, of a weighted mean."""
    # by the scatter of the stars, with Student's factor for few, but never under their own noise
    weight = 1.0 / relative**2
    w = weight / weight.sum()
    freedom = max(1.0 / np.sum(w**2) - 1.0, 1.0)
    difference, half_sum = 0.5 * (parts[0] - parts[1]), 0.5 * (parts[0] + parts[1])
    size = np.sum(w * half_sum)
    variance = 0.5 * (
        np.sum(w * (difference - np.sum(w * difference)) ** 2) + np.sum(w * (parts[2] - xy) ** 2)
    )
    size_variance = np.sum(w * (half_sum / size - 1.0) ** 2)
    # the two components together have twice the freedom of the size
    from scipy.special import stdtrit  # pictures are drawn without it

    one, two = (float(stdtrit(k * freedom, _ONE_SIGMA)) for k in (2.0, 1.0))
    least = 1.0 / np.sqrt(2.0 * weight.sum())
    error = max(one * np.sqrt(variance / freedom), least * size)
    size_error = 0.5 * max(two * np.sqrt(size_variance / freedom), least)
    return float(error), float(size_error)


def _weighted_median(values: np.ndarray, weight: np.ndarray) -> float:
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])


def field_terms(u: float | np.ndarray, v: float | np.ndarray, count: int) -> np.ndarray:
    """The first ``count`` of 1, u, v, u^2, uv, v^2, as rows, shape (count, n)."""
    one = np.ones_like(np.asarray(u, np.float64))
    return np.stack([one, u, v, u * u, u * v, v * v][:count])


def shape_field(
    x: np.ndarray, y: np.ndarray, moments: np.ndarray, snr: np.ndarray, width: int, height: int
) -> ShapeField | None:
    """Low-order fit of the moments over the field.

    Six terms from 40 stars on, three from 12, one below.  Optics may draw the stars of a
    corner to twice the moments of the middle, so that nothing is clipped about one shape
    common to all: a first fit holds outliers with Huber's weights, and the last leaves out
    stars that stand out by 4 sigma both of it and of their neighbours.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        px.
    moments : ndarray, shape (3, n)
        xx, yy, xy, px^2; all finite.
    snr : ndarray, shape (n,)
    width, height : int
        Of the frame.

    Returns
    -------
    ShapeField or None
        None without stars.
    """
    n = len(x)
    if n == 0:
        return None
    count = 6 if n >= 40 else 3 if n >= 12 else 1
    x0, y0 = 0.5 * (width - 1), 0.5 * (height - 1)
    half = 0.5 * float(np.hypot(width, height))
    terms = field_terms((x - x0) / half, (y - y0) / half, count)
    values = np.ascontiguousarray(moments, np.float64)
    relative = np.hypot(2.0 / np.maximum(snr, 1.0), STAR_SPREAD)
    size = 0.5 * float(np.median(values[0] + values[1]))
    coefficients = _huber_fit(terms, values, relative * size)
    near = _neighbours(x, y)
    kept, misfit = np.ones(n, bool), 0.0
    for _ in range(4):
        left = values - coefficients @ terms
        # noise goes with the star's own size
        local = np.maximum(0.5 * (coefficients[0] + coefficients[1]) @ terms, 0.25 * size)
        noise = relative * local
        spread = _spread((left / noise)[:, kept])
        around = np.median(left[:, near], axis=2)
        far = np.minimum(np.abs(left), np.abs(left - around))
        new = np.all(far <= 4.0 * np.hypot(spread[:, None] * noise, misfit), axis=0)
        kept = new if new.sum() >= 2 * count else kept
        misfit = _shared((left * around)[:, kept])
        weight = kept / np.hypot(noise, misfit)
        coefficients = _solve(terms, values, weight)
    spread = _spread(((values - coefficients @ terms) * weight)[:, kept])
    covariance = np.linalg.pinv((terms * weight**2) @ terms.T)
    errors = np.sqrt(np.outer(spread**2, np.diag(covariance)))
    return ShapeField(coefficients, errors, x0, y0, half, int(kept.sum()))


def _solve(terms: np.ndarray, values: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Least-squares coefficients, shape (3, count); ``weight`` is one over sigma."""
    return np.linalg.lstsq((terms * weight).T, (values * weight).T, rcond=None)[0].T


def _spread(rows: np.ndarray) -> np.ndarray:
    """Robust sigma of each row about zero."""
    return MAD_TO_SIGMA * np.median(np.abs(rows), axis=1) + 1e-12


def _huber_fit(terms: np.ndarray, values: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """Fit with Huber's weights (1964, Ann. Math. Stat. 35, 73), turning over at 1.5 sigma."""
    pull = np.ones(values.shape[1])
    for _ in range(10):
        coefficients = _solve(terms, values, np.sqrt(pull) / noise)
        left = np.abs(values - coefficients @ terms) / noise
        far = np.max(left / _spread(left)[:, None], axis=0)
        pull = np.minimum(1.0, 1.5 / np.maximum(far, 1e-9))
    return coefficients


def _neighbours(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """The nearest stars of each, up to eight, shape (n, k); a star alone is its own."""
    places = np.column_stack((x, y))
    k = min(9, len(places))
    from scipy.spatial import cKDTree  # as above

    return cKDTree(places).query(places, k=k)[1].reshape(-1, k)[:, min(1, k - 1) :]


def _shared(products: np.ndarray) -> float:
    """What low orders cannot follow: noise is independent, so neighbours' products leave it."""
    error = products.std() / np.sqrt(products.size)
    return float(np.sqrt(max(products.mean() - 2.0 * error, 0.0)))
