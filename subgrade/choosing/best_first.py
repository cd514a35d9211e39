"""A group's frames in the order of their worth: by the depth they add, or by how sharp they are."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from subgrade.night.weights import sky_limited_weights
from subgrade.stars.model import FrameStars

PREFERENCES = ("depth", "sharpness")
"""What a person may value most in a stack."""


def best_first(
    stars: Sequence[FrameStars], transparency: ArrayLike, prefer: str = "depth"
) -> np.ndarray:
    """The order of some frames of one group, the best first.

    Parameters
    ----------
    stars : sequence of FrameStars, length n
    transparency : array-like, shape (n,)
        Ratio; NaN where not measured.
    prefer : str
        One of `PREFERENCES`.  ``depth``: by the stacking weight, T^2 / (sigma^2 FWHM^2).
        ``sharpness``: by the half-maximum width along the long axis, so that of two stars of one
        area the rounder comes first.

    Returns
    -------
    ndarray of int, shape (n,)
        Frames alike stay in their order.  A number that was not measured counts as the worst
        of the others.
    """
    width = np.array([s.fwhm_px for s in stars], dtype=float)
    if prefer == "sharpness":
        worth = -_filled(long_axis_px(width, [s.eccentricity for s in stars]), np.max)
    else:
        noise = np.array([s.noise_adu for s in stars], dtype=float)
        light = np.asarray(transparency, dtype=float)
        worth = sky_limited_weights(
            _filled(light, np.min), _filled(noise, np.max), _filled(width, np.max)
        )
    return np.argsort(-worth, kind="stable")


def long_axis_px(fwhm: ArrayLike, eccentricity: ArrayLike) -> np.ndarray:
    """Half-maximum width along the long axis, px.

    With a = long and b = short axis, FWHM = sqrt(a b) and b/a = sqrt(1 - e^2), so that
    a = FWHM / (1 - e^2)^(1/4) [derived].

    >>> float(long_axis_px(2.0, 0.0)), float(long_axis_px(2.0, 0.8).round(3))
    (2.0, 2.582)
    """
    oval = np.nan_to_num(np.clip(np.asarray(eccentricity, dtype=float), 0.0, 0.999))
    return np.asarray(fwhm, dtype=float) / (1.0 - oval**2) ** 0.25


def _filled(values: np.ndarray, worst) -> np.ndarray:
    known = values[np.isfinite(values)]
    return np.where(np.isfinite(values), values, worst(known) if known.size else 1.0)
