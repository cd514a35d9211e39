"""The level at which pixels stop counting light, found from the bright stars themselves.

A camera that clips leaves flat tops at one level; a flat field or a dark smears that level, a
lower bit depth puts it far under the largest number of the type, and a photographic plate bends
over towards it.  In all of them the tops of the bright stars pile up although their light
goes on growing.  Tops of sound stars do not: their number falls off steadily with brightness,
also where every star is flat-topped because it is a line or a ring.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.stars.raster import cut_stamps
from subgrade.stars.view import View

EQUAL_SHARE = 0.002
"""Pixels of one star this near to its top, relative, are one level."""
FLAT_SHARE = 0.3
"""Area above 90 % of the top over that above 50 %, from which a top is flat: 0.15 for a Gaussian,
0.13 for a Moffat star of beta 2.5, 0.31 where a Gaussian is clipped at 0.85 of its peak."""
WIDTHS_OF_PILE = (0.002, 0.01, 0.05, 0.15, 0.3)
"""How far under the highest top a pile may reach: exact, dark-subtracted, and flat-fielded."""
FALSE_ALARM = 1e-5
"""Chance that tops of sound stars pile up as much, over all widths of the pile."""
LOWEST_TOP = 0.3
"""Tops lower than this share of the highest are not asked."""
BENT = 0.9
"""Top over light, against that of faint stars, from which a star's shape is not believed."""
LEAST_OVER_NOISE = 50.0


@dataclass(frozen=True, slots=True)
class _Tops:
    """Of the brightest detections: top and light above sky (ADU), and how flat it is."""

    top: np.ndarray
    light: np.ndarray
    flat: np.ndarray
    level: np.ndarray
    """True where three pixels or more are at one level with the top."""


def saturation_level(view: View, x, y, stated: float | None, sigma_px: float = 1.5) -> float:
    """Level at which pixels stop counting light, from the header or from the stars' tops.

    Parameters
    ----------
    view : View
    x, y : ndarray
        Positions of the brightest detections, px.
    stated : float or None
        The header's level, ADU.
    sigma_px : float
        About the stars' size.

    Returns
    -------
    float
        ADU; infinity when no star's top shows one and the header is silent.
    """
    level = stated if stated and stated > 0 else np.inf
    if len(x) == 0:
        return level
    tops = _tops(view, x, y, sigma_px)
    if not len(tops.top):
        return level
    sky, highest = view.level, float(tops.top.max())
    if highest > LEAST_OVER_NOISE * view.noise and tops.level[np.argmax(tops.top)]:
        level = min(level, sky + (1.0 - 2.5 * EQUAL_SHARE) * highest)
    lowest, smeared = _pile(tops, view.noise)
    if np.isfinite(lowest):
        if smeared:
            lowest = min(lowest, _bent_from(tops, lowest, view.noise))
        level = min(level, sky + lowest)
    return level


def _tops(view: View, x, y, sigma_px: float) -> _Tops:
    """Tops of the detections that are more than one pixel."""
    half = int(np.clip(np.ceil(2.5 * sigma_px) + 2, 4, 30))
    none = np.zeros((1, 1), np.float32)
    stamps = cut_stamps(view.pixels, none, 1 << 20, x, y, half, view.parity).data
    # single precision keeps equal pixels equal only while the sky is still in them
    stored = np.where(np.isfinite(stamps), stamps, -np.inf).reshape(len(stamps), -1)
    above = stored - np.float32(view.level)
    top = above.max(axis=1)
    positive = np.isfinite(top) & (top > 0)
    above, top = above[positive], top[positive]
    share = above / top[:, None]
    half_area = view.lattice * np.count_nonzero(share > 0.5, axis=1)
    top_area = view.lattice * np.count_nonzero(share > 0.9, axis=1)
    equal = np.count_nonzero(share > 1.0 - EQUAL_SHARE, axis=1)
    light = np.where(np.isfinite(above), above, 0.0).sum(axis=1)
    # a small star between four pixels has all of them alike
    flat = ((top_area >= 5) & (top_area > FLAT_SHARE * half_area)) | (equal >= 3)
    wide = half_area >= 3
    return _Tops(top[wide], light[wide], flat[wide], (equal >= 3)[wide])


def _pile(tops: _Tops, noise: float) -> tuple[float, bool]:
    """Lowest top of the pile, ADU above sky (NaN where there is none), and whether it is smeared.

    Stars fainter by a factor are as many times more (0.75 to 1 dex a dex), so that of the flat
    tops down to `LOWEST_TOP` a known share lies within a given distance of the highest.
    """
    from scipy.stats import binom

    bright = tops.top > LEAST_OVER_NOISE * noise
    flat = np.sort(tops.top[tops.flat & bright])[::-1]
    if len(flat) < 3:
        return np.nan, False
    highest = flat[0]
    if np.count_nonzero(tops.top > (1.0 + WIDTHS_OF_PILE[-1]) * highest):
        return np.nan, False  # stars go on beyond: nothing stops there
    asked = flat[flat > LOWEST_TOP * highest]
    best, lowest, smeared = FALSE_ALARM / len(WIDTHS_OF_PILE), np.nan, False
    for width in WIDTHS_OF_PILE:
        within = np.count_nonzero(asked >= (1.0 - width) * highest)
        share = (1.0 / (1.0 - width) - 1.0) / (1.0 / LOWEST_TOP - 1.0)
        chance = float(binom.sf(within - 2, len(asked) - 1, share))
        if chance < best:
            best, lowest, smeared = chance, float(asked[within - 1]), width >= 0.05
    return lowest, smeared


def _bent_from(tops: _Tops, lowest: float, noise: float) -> float:
    """Where the tops begin to fall behind the light, ADU above sky; infinity where they do not."""
    ratio = tops.top / np.maximum(tops.light, 1e-9)
    share = tops.top / lowest
    clear = (tops.light > 0) & (tops.top > 0.4 * LEAST_OVER_NOISE * noise)
    faint = clear & (share < 0.25)
    if faint.sum() < 10:
        return np.inf
    usual = np.median(ratio[faint])
    bent = np.inf
    for low, high in ((0.7, 0.9), (0.5, 0.7), (0.35, 0.5), (0.25, 0.35)):
        inside = clear & (share >= low) & (share < high)
        if inside.sum() < 3:
            continue
        if np.median(ratio[inside]) > BENT * usual:
            break
        bent = low * lowest
    return bent
