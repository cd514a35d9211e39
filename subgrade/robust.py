"""Middles, widths and lines of values of which some are wrong, and roots of plain functions.

The same formulas stand in `astropy.stats` and `scipy.stats`, which the tests ask.  They are not
called: loading them costs each start half a second, and a line through pairs of points seven
times the time.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from subgrade.constants import MAD_TO_SIGMA, MEDIAN_ERROR

DEGENERATE = 1e-7
"""Singular value of columns of unit length below which they count as the same column: its square,
which the covariance divides by, is still above the rounding of doubles."""

# Finite-sample factors for the MAD, Croux & Rousseeuw 1992, Computational Statistics 1, 411
# (from memory; checked by Monte Carlo in the tests).  n / (n - 0.8) beyond the table.
_SMALL_N = {2: 1.196, 3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}


def scatter(values: np.ndarray, middle: float | np.ndarray | None = None) -> float:
    """Standard deviation from the median absolute deviation, as `astropy.stats.mad_std`.

    Parameters
    ----------
    values : ndarray
        Finite values, taken flat.
    middle : float, optional
        What deviations are counted from; the median where not given.
    """
    if middle is None:
        middle = np.median(values)
    return MAD_TO_SIGMA * float(np.median(np.abs(values - middle)))


def median_error(values: np.ndarray, independent: float | None = None) -> float:
    """Standard error of the median of finite values, by their own scatter.

    Parameters
    ----------
    values : ndarray
    independent : float, optional
        How many independent ones they are worth; all of them where not given.
    """
    count = len(values) if independent is None else independent
    return MEDIAN_ERROR * scatter(values) / math.sqrt(count)


def pair_slopes(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Slopes between all pairs of points of different x; their median is Theil's and Sen's.

    Theil 1950; Sen 1968, JASA 63, 1379.  The median as `scipy.stats.theilslopes` gives it.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Finite; ``y`` may be complex.
    """
    i, j = np.triu_indices(len(x), 1)
    apart = x[j] != x[i]
    return (y[j] - y[i])[apart] / (x[j] - x[i])[apart]


def mad_sigma(values: np.ndarray) -> float:
    """Standard deviation from the median absolute deviation, unbiased for few values.

    ``1.482602 * median(|v - median(v)|)`` times a small-sample factor; NaN for
    fewer than two values.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Finite values.
    """
    n = len(values)
    if n < 2:
        return float("nan")
    mad = float(np.median(np.abs(values - np.median(values))))
    return MAD_TO_SIGMA * mad * (_SMALL_N[n] if n in _SMALL_N else n / (n - 0.8))


def biweight_centre(values: np.ndarray, c: float = 6.0) -> float:
    """Tukey's biweight location about the median, in units of the raw MAD.

    Beers, Flynn & Gebhardt 1990, AJ 100, 32 (one step).  The median where the MAD
    is zero or there are fewer than six values.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Finite values.
    c : float
        Values further than c MADs from the median have no weight.
    """
    median = float(np.median(values))
    mad = float(np.median(np.abs(values - median)))
    if len(values) < 6 or mad == 0:
        return median
    u = (values - median) / (c * mad)
    weight = np.where(np.abs(u) < 1, (1 - u**2) ** 2, 0.0)
    return median + float(weight @ (values - median) / weight.sum())


def shorth_sigma(values: np.ndarray) -> float:
    """Standard deviation from the shortest interval that holds half the values.

    A normal law has half its mass within 0.674490 sigma of the centre, so the
    interval is 1.348980 sigma long.  Unlike the MAD it stays with the densest
    half when the values fall into two crowds.  (The "shorth": Rousseeuw & Leroy
    1988, Statistica Neerlandica 42, 103; from memory.)
    """
    v = np.sort(values)
    n = len(v)
    if n < 12:
        return float("nan")
    # With an even number, half lies between two counts of values.
    halves = {(n + 1) // 2, n // 2 + 1}
    shortest = np.mean([(v[h - 1 :] - v[: n - h + 1]).min() for h in halves])
    # The shortest of many intervals is short by luck; by Monte Carlo, good to 6 %.
    return float(shortest / 1.348980 / (1 - 1.8 * n ** (-2 / 3)))


def half_sample_mode(values: np.ndarray) -> float:
    """Mode by repeated halving: the densest half of the densest half, and so on.

    Bickel & Fruehwirth 2006, Comput. Stat. Data Anal. 50, 3500 (from memory).

    Parameters
    ----------
    values : ndarray, shape (n,)
        Finite values, n >= 1.
    """
    v = np.sort(values)
    while len(v) > 3:
        half = (len(v) + 1) // 2
        start = int(np.argmin(v[half - 1 :] - v[: len(v) - half + 1]))
        v = v[start : start + half]
    if len(v) == 3:
        left, right = v[1] - v[0], v[2] - v[1]
        v = v[:2] if left < right else v[1:] if right < left else v[1:2]
    return float(v.mean())


def bisected(rises: Callable[[float], float], low: float, high: float, near: float) -> float:
    """Where a function changes its sign, to within ``near``.

    Slower than a bracketing secant, but asked too seldom to load scipy.optimize for it.

    Parameters
    ----------
    rises : callable
        Of other signs at the ends.
    low, high, near : float
    """
    sign = rises(low) < 0
    while high - low > near and low < (middle := 0.5 * (low + high)) < high:
        if (rises(middle) < 0) == sign:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def robust_line(design: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Linear least squares with Huber weights (k = 1.5 robust sigmas).

    Parameters
    ----------
    design : ndarray, shape (n, unknowns)
    y : ndarray, shape (n,)

    Returns
    -------
    ndarray, ndarray
        Solution and covariance from the scatter; NaN when there are no more
        points than unknowns or the design is degenerate.

    Notes
    -----
    Columns are brought to one length first: seconds beside a column of ones would look
    degenerate, and powers of years overflow what can be inverted.
    """
    n, k = design.shape
    nothing = np.full(k, np.nan), np.full((k, k), np.nan)
    if n <= k or not (np.isfinite(design).all() and np.isfinite(y).all()):
        return nothing
    length = np.linalg.norm(design, axis=0)
    if not (length > 0).all():
        return nothing
    design = design / length
    if np.linalg.matrix_rank(design, tol=DEGENERATE) < k:
        return nothing
    weight = np.ones(n)
    for _ in range(10):
        root = np.sqrt(weight)
        solution = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]
        residual = y - design @ solution
        sigma = max(scatter(residual, 0.0), 1e-12)
        weight = np.minimum(1.0, 1.5 * sigma / np.maximum(np.abs(residual), 1e-15))
    variance = float(weight @ residual**2) / (n - k)
    try:
        inverse = np.linalg.inv(design.T @ (design * weight[:, None]))
    except np.linalg.LinAlgError:  # the points that are left with a weight do not fix the line
        return nothing
    return solution / length, variance * inverse / np.outer(length, length)


def geometric_median(values: np.ndarray) -> complex:
    """Point with the least sum of distances to complex values (Weiszfeld's iteration).

    Weiszfeld 1937, Tohoku Math. J. 43, 355 (from memory).
    """
    centre = complex(np.median(values.real), np.median(values.imag))
    size = float(np.median(np.abs(values - centre)))
    for _ in range(50):
        weight = 1.0 / np.maximum(np.abs(values - centre), 1e-6 * size + 1e-12)
        moved = complex(np.sum(weight * values) / weight.sum())
        if abs(moved - centre) < 1e-6 * size:
            break
        centre = moved
    return centre
