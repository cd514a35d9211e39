"""How much larger one frame's pixels are than another's, from the shapes of its triangles of stars.

Where no header states a pixel scale, only stars can show it: the same three stars make a triangle
of the same shape on both, and the sizes of all triangles stand in one ratio.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

BRIGHTEST = 40
"""Stars whose triangles are compared: 9880 of them."""
ALIKE = 0.003
"""Shapes agree to this, in the ratio of sides: half a pixel in a side of 170."""
LEAST_PX = 40.0
"""A triangle whose shortest side is shorter is not known to that."""
BIN = 0.02
"""Of the natural log of the ratio; what is matched next allows for 3 %."""
AROUND = 10
"""Bins on either side that show how many triangles agree by accident."""
GUESSES = 2


def scale_guesses(z: np.ndarray, other: np.ndarray) -> list[float]:
    """Ratios of size that triangles of the brightest stars agree on, likeliest first.

    Parameters
    ----------
    z, other : ndarray of complex, shape (n,), (m,)
        Places, px, brightest first. A mirrored list has the same triangles.

    Returns
    -------
    list of float
        Pixels of ``other`` for one of ``z``.
    """
    from scipy.spatial import cKDTree

    (shape, size), (shapes, sizes) = _triangles(z), _triangles(other)
    if not len(size) or not len(sizes):
        return []
    pairs = cKDTree(shape).query_ball_tree(cKDTree(shapes), ALIKE)
    count = np.array([len(found) for found in pairs])
    if not count.sum():
        return []
    theirs = np.concatenate([np.array(found, int) for found in pairs if found])
    ratio = np.log(sizes[theirs] / np.repeat(size, count))
    cell = np.floor(ratio / BIN).astype(int)
    votes = np.bincount(cell - cell.min())
    # a ratio at a cell's edge is seen from both sides
    peak = votes + np.r_[votes[1:], 0]
    padded = np.pad(peak, AROUND)
    by_chance = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * AROUND + 1), axis=1)
    excess = (peak - by_chance) / np.sqrt(np.maximum(by_chance, 1.0))
    best = np.argsort(-excess, kind="stable")[:GUESSES]
    return [float(np.exp((k + cell.min() + 1) * BIN)) for k in best if excess[k] > 0]


def _triangles(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Shapes, as the two shorter sides over the longest, and longest sides, px."""
    corners = np.array(list(combinations(range(min(len(z), BRIGHTEST)), 3)), int).reshape(-1, 3)
    a, b, c = (z[corners[:, k]] for k in range(3))
    sides = np.sort(np.abs(np.array([a - b, b - c, c - a])), axis=0)
    known = sides[0] >= LEAST_PX
    sides = sides[:, known]
    return (sides[:2] / sides[2]).T, sides[2]
