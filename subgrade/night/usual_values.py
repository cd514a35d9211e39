"""A group's usual values: robust centre, spread and the best tenth."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from subgrade.constants import MAD_TO_SIGMA
from subgrade.night.model import Frame, Usual

LOW_IS_GOOD = {
    "fwhm_px": True,
    "fwhm_arcsec": True,
    "eccentricity": True,
    "background_adu": True,
    "noise_adu": True,
    "stars": False,
    "transparency": False,
    "xx": True,
    "yy": True,
    "xy": None,
}
"""Quantities with a baseline, and which side is the good one (None: neither)."""

# Finite-sample factors for the MAD, Croux & Rousseeuw 1992, Computational Statistics 1, 411
# (from memory; checked by Monte Carlo in the tests).  n / (n - 0.8) beyond the table.
_SMALL_N = {2: 1.196, 3: 1.495, 4: 1.363, 5: 1.206, 6: 1.200, 7: 1.140, 8: 1.129, 9: 1.107}


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


def usual_of(values: Sequence[float], low_is_good: bool | None) -> Usual:
    """Usual value of one quantity over a group.

    Parameters
    ----------
    values : sequence of float
        One per frame; NaN is left out.
    low_is_good : bool or None
        Which side is the good one; None for quantities without one.

    Returns
    -------
    Usual
        ``centre`` is the biweight location.  ``spread`` is sigma from the MAD;
        from twelve frames on, where the shorth is less than half of it, the
        night has two crowds (a clear and a bad part) and the shorth's scatter
        *within* the larger one is taken.  ``best`` is the tenth percentile on the good side, with
        a single frame that stands more than five spreads clear of the next left
        out, so that it stays meaningful when nine frames in ten are bad but
        is not set by one lucky one; without a good side it is the half-sample mode.
    """
    v = np.asarray(values, dtype=float)
    v = v[np.isfinite(v)]
    if not len(v):
        return Usual(float("nan"), float("nan"), float("nan"), 0)
    centre = biweight_centre(v)
    mad, shorth = mad_sigma(v), shorth_sigma(v)
    spread = shorth if len(v) >= 12 and shorth < 0.5 * mad else mad
    if low_is_good is None:
        return Usual(centre, spread, half_sample_mode(v), len(v))
    ranked = np.sort(v) if low_is_good else np.sort(-v)
    if len(v) >= 5 and spread > 0 and ranked[1] - ranked[0] > 5 * spread:
        ranked = ranked[1:]
    best = float(np.quantile(ranked, 0.1))
    return Usual(centre, spread, best if low_is_good else -best, len(v))


def quantity(frame: Frame, name: str) -> float:
    """One baseline quantity of a frame; NaN where not measured."""
    if name == "fwhm_arcsec":
        scale = frame.facts.scale_arcsec
        return frame.stars.fwhm_px * scale if scale else float("nan")
    return float(getattr(frame.stars, name))


def usual_values(
    frames: Sequence[Frame], members: Sequence[int], transparency: Sequence[float]
) -> dict[str, Usual]:
    """Baselines of all quantities of a group.

    Parameters
    ----------
    frames : sequence of Frame
        The whole night.
    members : sequence of int
        The group's frames.
    transparency : sequence of float
        Of the members, same order.

    Returns
    -------
    dict of str to Usual
        Keys of `LOW_IS_GOOD`; a quantity that no frame has is left out.
    """
    out = {}
    for name, low in LOW_IS_GOOD.items():
        values = (
            list(transparency)
            if name == "transparency"
            else [quantity(frames[i], name) for i in members]
        )
        usual = usual_of(values, low)
        if usual.count:
            out[name] = usual
    return out
