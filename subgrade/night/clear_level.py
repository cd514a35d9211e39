"""The clear level of a group, and the extinction that altitude explains.

A frame's zero point falls with cloud, but also with airmass.  Transparency is
meant to show cloud and haze, so the airmass term is taken out first where
the airmass is known (Bouguer's law: ``ln T = -0.4 ln(10) k (X - X0)``), and the
result is compared with the group's clear level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

DEFAULT_EXTINCTION = 0.2
"""mag per airmass when the night cannot show it; common practice, no source."""
PLAUSIBLE_EXTINCTION = (0.03, 0.7)
"""A fitted coefficient outside this range is taken for drifting haze (from memory)."""
MIN_RANGE = 0.25
"""Least span of airmass among clear frames for a fit."""
MAX_ERROR = 0.05
"""Largest error of a fitted coefficient, mag per airmass."""
PAIR_BELOW = 10
"""Groups smaller than this take their clear level from two frames that agree: a choice."""
LN_PER_MAG = 0.4 * np.log(10)


@dataclass(frozen=True, slots=True)
class Extinction:
    """mag per airmass with where it came from: ``fitted``, ``default`` or ``none``."""

    k: float
    error: float
    source: str


def clear_level(zero: np.ndarray, error: np.ndarray | float = 0.0, pair_below: int = 0) -> float:
    """Zero point of the clear frames of a group, natural log.

    The clear level is an upper envelope that one lucky frame cannot set: the
    highest place where frames crowd.  From the top down, the first window that
    holds at least a tenth of the frames (and at least three; half of them when
    there are fewer than six) is taken; its width starts at 4 % or three typical
    errors and doubles until such a window exists.  The level is then moved to
    the middle of the crowd it belongs to (mean shift of the median).  A fifth of
    the night clear is enough; a night never clear gives its clearest hour.

    Parameters
    ----------
    zero : ndarray, shape (n,)
        Zero points, larger is clearer; NaN is ignored.
    error : ndarray or float
        One sigma of each.
    pair_below : int
        With fewer frames than this two that agree are enough: of starlight, which cloud
        only takes away, no two frames get too much by the same chance.
    """
    z = np.sort(zero[np.isfinite(zero)])[::-1]
    if not len(z):
        return float("nan")
    need = max(3, int(np.ceil(0.1 * len(z)))) if len(z) >= 6 else (len(z) + 1) // 2
    if len(z) < pair_below:
        need = min(need, 2)
    typical = np.nanmedian(np.broadcast_to(error, zero.shape)) if np.size(error) else 0.0
    width = max(0.04, 3 * float(np.nan_to_num(typical)))
    while True:
        span = z[: len(z) - need + 1] - z[need - 1 :]
        hit = np.flatnonzero(span <= width)
        if len(hit):
            break
        width *= 2
    level = float(np.median(z[hit[0] : hit[0] + need]))
    for _ in range(20):
        crowd = z[np.abs(z - level) <= width]
        moved = float(np.median(crowd))
        if abs(moved - level) < 1e-6:
            break
        level = moved
    return level


def fit_extinction(zero: np.ndarray, error: np.ndarray, airmass: np.ndarray) -> Extinction:
    """Extinction coefficient from the clear frames, or the default when they cannot show it.

    The coefficient is the one that gathers most frames at one clear level
    (a soft count, blind to cloud), refined by a robust line through those
    frames.  It is believed when the clear frames span at least `MIN_RANGE`
    airmasses, number ten or more, and give it to `MAX_ERROR`.

    Parameters
    ----------
    zero, error, airmass : ndarray, shape (n,)
        Natural-log zero points and errors; NaN is ignored.
    """
    good = np.isfinite(zero) & np.isfinite(airmass)
    z, x = zero[good], airmass[good]
    fallback = Extinction(DEFAULT_EXTINCTION, np.nan, "default")
    if len(z) < 10 or np.ptp(x) < MIN_RANGE:
        return fallback
    typical = float(np.nan_to_num(np.nanmedian(error[good])))
    width = max(0.015, 1.5 * typical)
    trials = np.arange(0.0, 0.81, 0.01)
    best, level = max(
        ((k, _level(z, x, k, typical)) for k in trials),
        key=lambda t: _soft_count(z + LN_PER_MAG * t[0] * x - t[1], width),
    )
    for _ in range(5):
        near = np.abs(z + LN_PER_MAG * best * x - level) < 3 * width
        if near.sum() < 10 or np.ptp(x[near]) < MIN_RANGE:
            return fallback
        xc = x[near] - x[near].mean()
        slope = float(xc @ z[near] / (xc @ xc))
        best, level = -slope / LN_PER_MAG, float(z[near].mean() - slope * x[near].mean())
    scatter = float(np.std(z[near] - level + LN_PER_MAG * best * x[near], ddof=2))
    # Haze drifts slowly, so neighbouring frames are not independent: a tenth count as such.
    k_error = max(scatter, 0.005) / np.sqrt(xc @ xc) / LN_PER_MAG * np.sqrt(10)
    low, high = PLAUSIBLE_EXTINCTION
    if not (low <= best <= high) or k_error > MAX_ERROR:
        return fallback
    return Extinction(best, float(k_error), "fitted")


def _level(z: np.ndarray, x: np.ndarray, k: float, error: float) -> float:
    return clear_level(z + LN_PER_MAG * k * x, error, PAIR_BELOW)


def _soft_count(distance: np.ndarray, width: float) -> float:
    return float(np.exp(-0.5 * (distance / width) ** 2).sum())


def airmass_of(airmass: list[float | None], time: list[float | None]) -> np.ndarray | None:
    """Airmass per frame, gaps bridged in time, shape (n,); None when too few frames state it."""
    x = np.array([np.nan if a is None else a for a in airmass], float)
    known = np.isfinite(x)
    if known.mean() < 0.8 or known.sum() < 2:
        return None
    t = np.array([np.nan if v is None else v for v in time], float)
    if known.all():
        return x
    if not np.isfinite(t).all():
        return np.where(known, x, np.nanmedian(x))
    order = np.argsort(t[known])
    return np.where(known, x, np.interp(t, t[known][order], x[known][order]))
