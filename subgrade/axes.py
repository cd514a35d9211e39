"""Axes without a direction: angles that mean the same half a turn on."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike


def axial_difference(a: ArrayLike, b: ArrayLike) -> float | np.ndarray:
    """Smallest angle between two axes, deg in [0, 90].

    Parameters
    ----------
    a, b : array_like
        Angles of the axes, deg; shapes that broadcast.
    """
    return np.abs((np.asarray(a) - np.asarray(b) + 90.0) % 180.0 - 90.0)


def axial_median(angles: np.ndarray) -> float:
    """Middle of some axes, deg in [0, 180); NaN without a finite one.

    Parameters
    ----------
    angles : ndarray, shape (n,)
        Degrees; NaN is left out.
    """
    known = np.exp(2j * np.radians(angles[np.isfinite(angles)]))
    if not len(known):
        return float("nan")
    return math.degrees(0.5 * np.angle(complex(np.median(known.real), np.median(known.imag)))) % 180
