"""How long a line drew a star out, from its elongation."""

from __future__ import annotations

import math

import numpy as np

from subgrade.memo import kept
from subgrade.robust import bisected


def drawn_length(excess: float, minor: float) -> float:
    """Length of the line that draws a Gaussian star out to a measured elongation.

    Parameters
    ----------
    excess : float
        Adaptive second moment along the line less that across it, px^2.
    minor : float
        The one across it, px^2.

    Returns
    -------
    float
        px.  Plain moments of a line would give ``sqrt(12 excess)``; the Gaussian weight of
        adaptive moments reads a long line longer (Hirata & Seljak 2003 MNRAS 343, 459 define
        the moments; the inverse is derived and checked against GalSim's).
    """
    plain = math.sqrt(12.0 * excess)
    if not minor > 0:
        return plain

    return kept("drawn_lengths", (excess, minor), lambda: _length_that_draws(excess, minor))


def _length_that_draws(excess: float, minor: float) -> float:
    plain = math.sqrt(12.0 * excess)

    def off(length: float) -> float:
        return _adaptive_variance(length, math.sqrt(minor)) - minor - excess

    if off(plain) <= 0 or off(1e-3 * plain) >= 0:
        return plain
    return bisected(off, 1e-3 * plain, plain, 1e-4 * plain)


def _adaptive_variance(length: float, sigma: float) -> float:
    """Gaussian-weighted second moment of a box of ``length`` blurred by ``sigma``."""
    from scipy.special import ndtr

    x = np.linspace(-1.0, 1.0, 801) * (0.5 * length + 6.0 * sigma)
    light = ndtr((x + 0.5 * length) / sigma) - ndtr((x - 0.5 * length) / sigma)
    moment = sigma**2 + length**2 / 12.0
    for _ in range(200):
        weighted = light * np.exp(-0.5 * x**2 / moment)
        new = 2.0 * float(np.sum(weighted * x**2) / np.sum(weighted))
        if abs(new - moment) < 1e-6 * moment:
            break
        moment = new
    return moment
