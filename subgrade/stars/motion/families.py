"""The kinds of motion as distributions of time over places along one line.

Each is known by its Fourier transform, in which drawing a star out is a product and no place
has to be put on a grid.  Parameters: ``[extent, ...shape]``, extents in px.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

_Moments = tuple[float, float, float, float]
"""Mean, variance, skewness and excess kurtosis."""
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)
_NODES, _WEIGHTS = 0.5 * (_NODES + 1), 0.5 * _WEIGHTS
_CHANGES = np.array([-1.0, 0.0, 1.0]) * math.sqrt(1.5)
"""Three amplitudes with the variance of a slowly changing one."""


@dataclass(frozen=True, slots=True)
class Family:
    """One kind of motion.

    Attributes
    ----------
    name : str
        As ``MotionFit.model``; two families may share one.
    spectrum : callable (k, parameters) -> complex ndarray
        Fourier transform at angular frequencies k, rad/px.
    moments : callable (parameters) -> (mean, variance, skewness, excess kurtosis)
        In closed form.
    starts : callable (rms, side) -> list of parameters
        First guesses for a motion of a given rms, px, whose longer tail lies on ``side``.
    low, high : tuple of float
        Bounds of the parameters.
    belief : tuple of (float, float)
        Mean and sigma believed of each shape parameter; no source.
    sided : bool
        Whether mirroring gives another motion of the same kind.
    """

    name: str
    spectrum: Callable[[np.ndarray, np.ndarray], np.ndarray]
    moments: Callable[[np.ndarray], _Moments]
    starts: Callable[[float, float], list[list[float]]]
    low: tuple[float, ...]
    high: tuple[float, ...]
    belief: tuple[tuple[float, float], ...] = ()
    sided: bool = False


def share_of(logit: float) -> float:
    """Share of the light from its log odds."""
    return 1.0 / (1.0 + math.exp(-logit))


def _creep(k: np.ndarray, p: np.ndarray) -> np.ndarray:
    from scipy.special import spherical_jn

    # The transform of the Legendre polynomial P_n over the box is i^n j_n [DLMF 10.54.2].
    half = 0.5 * abs(p[0]) * k
    j0, j1, j2 = (spherical_jn(n, half) for n in range(3))
    return j0 - p[2] * j2 + 1j * p[1] * j1


def _creep_moments(p: np.ndarray) -> _Moments:
    # Means of y^n under 1 + a P1(y) + b P2(y) on [-1, 1]: a/3, 1/3 + 2b/15, a/5, 1/5 + 4b/35.
    raw = (p[1] / 3, 1 / 3 + 2 * p[2] / 15, p[1] / 5, 1 / 5 + 4 * p[2] / 35)
    return _central(*((0.5 * p[0]) ** (n + 1) * m for n, m in enumerate(raw)))


def _swing(k: np.ndarray, p: np.ndarray) -> np.ndarray:
    from scipy.special import j0, j1

    # The transform of the arcsine is J0; tilted by (1 + t cos) it gains i t J1.
    half = 0.5 * p[0] * (1 + p[1] * _CHANGES)[:, None] * k
    return (j0(half) + 1j * p[2] * j1(half)).mean(axis=0)


def _swing_moments(p: np.ndarray) -> _Moments:
    # Means of cos^n (1 + t cos): t/2, 1/2, 3t/8, 3/8.
    half = 0.5 * p[0] * (1 + p[1] * _CHANGES)
    raw = [p[2] / 2, 0.5, 3 * p[2] / 8, 3 / 8]
    return _central(*(float(np.mean(half ** (i + 1)) * raw[i]) for i in range(4)))


def _shake(k: np.ndarray, p: np.ndarray) -> np.ndarray:
    return np.exp(-0.5 * (k * p[0]) ** 2) + 0j


def _shake_moments(p: np.ndarray) -> _Moments:
    return 0.0, p[0] ** 2, 0.0, 0.0


def _step(k: np.ndarray, p: np.ndarray) -> np.ndarray:
    share = share_of(p[1])
    return 1 - share + share * np.exp(1j * k * p[0])


def _step_moments(p: np.ndarray) -> _Moments:
    share = share_of(p[1])
    return _central(*(share * p[0] ** i for i in range(1, 5)))


def _blob(k: np.ndarray, p: np.ndarray) -> np.ndarray:
    share = share_of(p[1])
    return 1 - share + share * np.exp(1j * k * p[0] - 0.5 * (k * p[2] * p[0]) ** 2)


def _blob_moments(p: np.ndarray) -> _Moments:
    share, d, w2 = share_of(p[1]), p[0], (p[2] * p[0]) ** 2
    raw = (d, d**2 + w2, d**3 + 3 * d * w2, d**4 + 6 * d**2 * w2 + 3 * w2**2)
    return _central(*(share * m for m in raw))


def _tail(k: np.ndarray, p: np.ndarray) -> np.ndarray:
    share = share_of(p[1])
    weight = _WEIGHTS * (1 + p[2] * (2 * _NODES - 1))
    return 1 - share + share * (np.exp(1j * np.multiply.outer(k, p[0] * _NODES)) @ weight)


def _tail_moments(p: np.ndarray) -> _Moments:
    # Means of x^n under 1 + t (2x - 1) on [0, 1]: 1/(n+1) + t (2/(n+2) - 1/(n+1)).
    share = share_of(p[1])
    raw = [1 / (n + 1) + p[2] * (2 / (n + 2) - 1 / (n + 1)) for n in range(1, 5)]
    return _central(*(share * m * p[0] ** (i + 1) for i, m in enumerate(raw)))


def _central(m1: float, m2: float, m3: float, m4: float) -> _Moments:
    """Mean, variance, skewness and excess kurtosis from raw moments."""
    variance = m2 - m1**2
    if not variance > 0:
        return m1, 0.0, 0.0, 0.0
    third = m3 - 3 * m1 * m2 + 2 * m1**3
    fourth = m4 - 4 * m1 * m3 + 6 * m1**2 * m2 - 3 * m1**4
    return m1, variance, third / variance**1.5, fourth / variance**2 - 3


def _displaced(
    moments: Callable[[np.ndarray], _Moments], *shapes: tuple[float, ...]
) -> Callable[[float, float], list[list[float]]]:
    """First guesses of a part thrown to one side: (log odds, shape...) with the rms asked for."""

    def starts(rms: float, side: float) -> list[list[float]]:
        sides = (side,) if abs(side) == 1 else (1.0, -1.0)
        unit = [math.sqrt(moments(np.array([1.0, *shape]))[1]) for shape in shapes]
        return [[s * rms / u, *shape] for s in sides for shape, u in zip(shapes, unit, strict=True)]

    return starts


_FAR = 1e4
FAMILIES = (
    Family(
        "creep",
        _creep,
        _creep_moments,
        lambda rms, side: [[rms * math.sqrt(12), 0.0, 0.0]],
        low=(0.02, -0.9, -0.3),
        high=(_FAR, 0.9, 0.3),
        belief=((0.0, 0.2), (0.0, 0.08)),
    ),
    Family(
        "swing",
        _swing,
        _swing_moments,
        lambda rms, side: [[rms * math.sqrt(8), 0.12, 0.0]],
        low=(0.02, 0.0, -0.8),
        high=(_FAR, 0.5, 0.8),
        belief=((0.0, 0.15), (0.0, 0.15)),
    ),
    Family("shake", _shake, _shake_moments, lambda rms, side: [[rms]], (0.02,), (_FAR,)),
    Family(
        "step",
        _step,
        _step_moments,
        _displaced(_step_moments, (-1.2,), (-0.2,)),
        low=(-_FAR, -3.5),
        high=(_FAR, 0.0),
        belief=((-0.7, 0.9),),
        sided=True,
    ),
    Family(
        "gust",
        _blob,
        _blob_moments,
        _displaced(_blob_moments, (-1.5, 0.6), (-0.3, 0.6)),
        low=(-_FAR, -3.5, 0.3),
        high=(_FAR, 0.2, 1.5),
        belief=((-1.0, 0.8), (0.7, 0.4)),
        sided=True,
    ),
    Family(
        "gust",
        _tail,
        _tail_moments,
        _displaced(_tail_moments, (-0.85, 0.0)),
        low=(-_FAR, -3.5, -1.0),
        high=(_FAR, 0.4, 1.0),
        belief=((-1.0, 0.8), (0.0, 0.6)),
        sided=True,
    ),
)
"""Creep of a speed that changes a little; a swing with slowly changing amplitude, its
ends not quite alike; random shaking; two places; and a rest with a displaced part, once a
cloud, once a tail."""
