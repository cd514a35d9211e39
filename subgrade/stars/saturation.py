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
from scipy.spatial import cKDTree

from subgrade.stars.prepared_frame import View
from subgrade.stars.raster import cut_stamps

EQUAL_SHARE = 0.002
"""Pixels of one star this near to its top, relative, are one level."""
FLAT_SHARE = 0.3
"""Area above 90 % of the top over that above 50 %, from which a top is flat: 0.15 for a Gaussian,
0.13 for a Moffat star of beta 2.5, 0.31 where a Gaussian is clipped at 0.85 of its peak."""
WIDTHS_OF_PILE = (0.002, 0.01, 0.05, 0.15, 0.3)
"""How far under the highest top a pile may reach: exact, dark-subtracted, and flat-fielded."""
FALSE_ALARM = 1e-5
"""Chance that tops of sound stars pile up as much, over all widths of the pile."""
STEEPEST = 3.0
"""A pixel over its brightest neighbour from which it is a hot one: 2.7 for a star of FWHM 1.65 px
centred on it; a choice."""
LOWEST_TOP = 0.3
"""Tops lower than this share of the highest are not asked."""
BENT = 0.9
"""Top over light, against that of faint stars, from which a star's shape is not believed."""
LEAST_OVER_NOISE = 50.0
BEYOND = 0.25
"""Tops beyond a pile, over those in it, from which it is no end: a hot pixel may lie on a star."""
GROWTH, EQUAL_LIGHT = 1.5, 0.1
"""Least spread of the logarithm of the light in a pile: that of the tops by a factor, and what
stars equally bright by chance have; no source."""
MOST = 400
"""Brightest detections asked, more where most of them are single pixels."""


@dataclass(frozen=True, slots=True)
class _Tops:
    """Of the brightest detections: top and light above sky (ADU), and how flat it is."""

    top: np.ndarray
    light: np.ndarray
    flat: np.ndarray
    level: np.ndarray
    """True where three pixels or more are at one level with the top."""


def saturation_level(
    view: View, x: np.ndarray, y: np.ndarray, stated: float | None, sigma_px: float = 1.5
) -> float:
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
    count, tops = MOST, _tops(view, x[:MOST], y[:MOST], sigma_px)
    while len(tops.top) < MOST // 4 and count < min(len(x), 8 * MOST):  # hot pixels lead the list
        count *= 2
        tops = _tops(view, x[:count], y[:count], sigma_px)
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


def _tops(view: View, x: np.ndarray, y: np.ndarray, sigma_px: float) -> _Tops:
    """Tops of the detections that are more than one pixel."""
    half = int(np.clip(np.ceil(2.5 * sigma_px) + 2, 4, 30))
    none = np.zeros((1, 1), np.float32)
    stamps = cut_stamps(view.pixels, none, 1 << 20, x, y, half, view.parity).data
    # single precision keeps equal pixels equal only while the sky is still in them
    stored = _supported(np.where(np.isfinite(stamps), stamps, -np.inf), view.level)
    above = stored.reshape(len(stamps), -1) - np.float32(view.level)
    top = above.max(axis=1)
    positive = np.isfinite(top) & (top > 0)
    above, top = above[positive], top[positive]
    share = above / top[:, None]
    half_area = view.lattice * np.count_nonzero(share > 0.5, axis=1)
    top_area = view.lattice * np.count_nonzero(share > 0.9, axis=1)
    equal = np.count_nonzero(share > 1.0 - EQUAL_SHARE, axis=1)
    under = np.count_nonzero(share > 1.0 - 3.0 * EQUAL_SHARE, axis=1) - equal
    # a clipped top ends all at once; that of a line or a ring falls off
    level = (equal >= 3) & (equal >= 3 * under)
    light = np.where(np.isfinite(above), above, 0.0).sum(axis=1)
    wide = half_area >= 3
    wide[wide] = _alone(x[positive][wide], y[positive][wide], top[wide], 2.0 * half)
    # a small star between four pixels has all of them alike
    flat = ((top_area >= 5) & (top_area > FLAT_SHARE * half_area)) | level
    return _Tops(top[wide], light[wide], flat[wide], level[wide])


def _alone(x: np.ndarray, y: np.ndarray, top: np.ndarray, reach: float) -> np.ndarray:
    """Detections with no higher one within reach: the pieces of a line are one star."""
    first = np.ones(len(x), bool)
    for a, b in cKDTree(np.column_stack((x, y))).query_pairs(reach):
        first[a if (top[a], a) < (top[b], b) else b] = False
    return first


def _supported(stamps: np.ndarray, level: float) -> np.ndarray:
    """Stamps whose single bright pixels are cut to what their neighbours hold out for a star."""
    n, height, width = stamps.shape
    padded = np.full((n, height + 2, width + 2), -np.inf, np.float32)
    padded[:, 1:-1, 1:-1] = stamps
    around = np.full_like(stamps, -np.inf)
    for j in range(3):
        for i in range(3):
            if (j, i) != (1, 1):
                np.maximum(around, padded[:, j : j + height, i : i + width], out=around)
    most = level + STEEPEST * np.maximum(around - np.float32(level), 0.0)
    return np.where(np.isfinite(stamps), np.minimum(stamps, most), stamps).astype(np.float32)


def _pile(tops: _Tops, noise: float) -> tuple[float, bool]:
    """Lowest top of the pile, ADU above sky (NaN for none), and whether it is smeared."""
    # Stars fainter by a factor are as many times more (0.75 to 1 dex a dex), so that a known share
    # of the flat tops down to `LOWEST_TOP` lies within a given distance of the highest.
    from scipy.stats import binom

    bright = tops.top > LEAST_OVER_NOISE * noise
    rows = np.flatnonzero(tops.flat & bright)
    rows = rows[np.argsort(-tops.top[rows], kind="stable")]
    flat, light = tops.top[rows], tops.light[rows]
    if len(flat) < 3:
        return np.nan, False
    highest = flat[0]
    beyond = np.count_nonzero(tops.top > (1.0 + WIDTHS_OF_PILE[-1]) * highest)
    if beyond > BEYOND * len(flat):
        return np.nan, False  # stars go on: nothing stops there
    asked = flat[flat > LOWEST_TOP * highest]
    best, lowest, smeared = FALSE_ALARM / len(WIDTHS_OF_PILE), np.nan, False
    for width in WIDTHS_OF_PILE:
        within = np.count_nonzero(asked >= (1.0 - width) * highest)
        share = (1.0 / (1.0 - width) - 1.0) / (1.0 / LOWEST_TOP - 1.0)
        chance = float(binom.sf(within - 2, len(asked) - 1, share))
        spread = np.ptp(np.log(np.maximum(light[:within], 1e-9)))
        if spread < GROWTH * np.log(highest / asked[within - 1]) + EQUAL_LIGHT:
            continue
        if chance < best:
            best, lowest, smeared = chance, float(asked[within - 1]), width >= 0.05
    return lowest, smeared


def _bent_from(tops: _Tops, lowest: float, noise: float) -> float:
    """Where the tops begin to fall behind the light, ADU above sky; infinity where they do not."""
    ratio = tops.top / np.maximum(tops.light, 1e-9)
    share = tops.top / lowest
    clear = (tops.light > 0) & (tops.top > 0.2 * LEAST_OVER_NOISE * noise)
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
