"""Relative stacking weights of the kept frames."""

from __future__ import annotations

import numpy as np

from subgrade.causes.series import GroupSeries


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
        0 for a frame not kept.  A quantity that was not measured counts as the
        group's usual one.

    Notes
    -----
    Depth per unit time of frames scaled to equal starlight goes as T^2 / (sky FWHM^2)
    (Zackay & Ofek 2017, ApJ 836, 187; the effective exposure time of Neilsen,
    Bernstein, Gruendl & Kent 2016).
    """
    factors = {
        "transparency": _filled(series["transparency"], 1.0),
        "noise": _filled(series["noise"], 1.0),
        "fwhm": _filled(series["fwhm"], 1.0),
    }
    with np.errstate(divide="ignore", invalid="ignore"):
        raw = (factors["transparency"] / (factors["noise"] * factors["fwhm"])) ** 2
    raw = np.where(kept & np.isfinite(raw), raw, 0.0)
    top = raw.max(initial=0.0)
    return raw / top if top > 0 else np.where(kept, 1.0, 0.0)


def _filled(values: np.ndarray, otherwise: float) -> np.ndarray:
    known = values[np.isfinite(values)]
    return np.where(np.isfinite(values), values, np.median(known) if known.size else otherwise)
