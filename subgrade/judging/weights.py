"""Relative stacking weights of the kept frames."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from subgrade.judging.model import Judgement
from subgrade.night.model import Group, Night
from subgrade.night.series import GroupSeries, group_series
from subgrade.night.weights import sky_limited_weights


def stack_weights(series: GroupSeries, kept: np.ndarray) -> np.ndarray:
    """Weight of each frame, T^2 / (noise^2 FWHM^2), 1 for the group's best kept frame.

    Parameters
    ----------
    series : GroupSeries
    kept : ndarray of bool
        One entry a frame of the series.

    Returns
    -------
    ndarray of float
        0 for a frame not kept.  A quantity that was not measured counts as the worst of the
        group's kept frames has it.

    Notes
    -----
    Depth per unit time of frames scaled to equal starlight goes as T^2 / (sky FWHM^2)
    (Zackay & Ofek 2017, ApJ 836, 187; the effective exposure time of Neilsen,
    Bernstein, Gruendl & Kent 2016).
    """
    known = [
        _filled(series[name], kept, worst)
        for name, worst in (("transparency", np.min), ("noise", np.max), ("fwhm", np.max))
    ]
    weights = sky_limited_weights(*(np.where(kept, values, np.nan) for values in known))
    return weights if weights.any() else np.where(kept, 1.0, 0.0)


def _filled(values: np.ndarray, kept: np.ndarray, worst) -> np.ndarray:
    known = values[kept & np.isfinite(values)]
    return np.where(np.isfinite(values), values, worst(known) if known.size else 1.0)


def weighed_again(night: Night, group: Group, judgements: list[Judgement]) -> None:
    """Give a group's frames the weights of the verdicts they have by now.

    Parameters
    ----------
    night : Night
    group : Group
    judgements : list of Judgement
        In the order of ``night.frames``; those of the group are replaced.
    """
    series = group_series(night, group)
    kept = np.array([judgements[i].verdict == "keep" for i in series.members])
    for i, weight in zip(series.members, stack_weights(series, kept), strict=True):
        judgements[i] = replace(judgements[i], weight=float(weight))
