"""Straight lines through points of which some are wrong."""

from __future__ import annotations

import numpy as np


def robust_line(design: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Linear least squares with Huber weights (k = 1.5 robust sigmas).

    Returns
    -------
    ndarray, ndarray
        Solution and covariance from the scatter; NaN when there are no more
        points than unknowns or the design is degenerate.
    """
    n, k = design.shape
    nothing = np.full(k, np.nan), np.full((k, k), np.nan)
    if n <= k or np.linalg.matrix_rank(design) < k:
        return nothing
    weight = np.ones(n)
    for _ in range(10):
        root = np.sqrt(weight)
        solution = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]
        residual = y - design @ solution
        sigma = max(1.482602 * float(np.median(np.abs(residual))), 1e-12)
        weight = np.minimum(1.0, 1.5 * sigma / np.maximum(np.abs(residual), 1e-15))
    variance = float(weight @ residual**2) / (n - k)
    return solution, variance * np.linalg.inv(design.T @ (design * weight[:, None]))
