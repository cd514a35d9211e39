"""A group's usual values: robust centre, spread and the best tenth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from subgrade.night.model import Frame, Group, Night, Usual
from subgrade.robust import biweight_centre, half_sample_mode, mad_sigma, shorth_sigma

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


def usual_of(values: Sequence[float] | np.ndarray, low_is_good: bool | None) -> Usual:
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


def usual_of_these(night: Night, group: Group, members: Sequence[int]) -> Group:
    """A group with the baselines of some of its frames only.

    Parameters
    ----------
    night : Night
    group : Group
    members : sequence of int
        Those frames, by their place in the night.
    """
    light = [night.compared[i].transparency for i in members]
    return replace(group, usual=usual_values(night.frames, members, light))
