"""Lines and middles of points of which some are wrong, and roots of plain functions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from subgrade.constants import MAD_TO_SIGMA

DEGENERATE = 1e-7
"""Singular value of columns of unit length below which they count as the same column: its square,
which the covariance divides by, is still above the rounding of doubles."""


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
        sigma = max(MAD_TO_SIGMA * float(np.median(np.abs(residual))), 1e-12)
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
