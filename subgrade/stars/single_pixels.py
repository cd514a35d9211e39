"""Single bright pixels: what no telescope can have spread."""

from __future__ import annotations

import numpy as np

from subgrade.stars.compiled import kernel
from subgrade.stars.raster import Stamps

SHARPEST_SHARE = 0.03
"""Share of the brightest pixel, below which its neighbours lie in the mean even beside the sharpest
star, on a pixel's middle: 0.04 for a Gaussian star of FWHM 1.1 px, pixel included (derived)."""


def lone_pixels(
    stamps: Stamps, x: np.ndarray, y: np.ndarray, reach: float, noise: float, share: float = 0.1
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Stamps in which one pixel stands alone: its neighbours hold under a tenth of it each.

    A star of FWHM 1.65 px (pixel included) leaves a quarter of its peak in the mean of the
    eight neighbours; 0.13 in the four diagonal ones, all that a mosaic's green lattice has.
    Where the neighbours of most such pixels do hold light, though little, the pixels are
    stars as sharp as the sampling allows: then only those with none are called lone.

    Parameters
    ----------
    stamps : Stamps
        n stamps.
    x, y : ndarray, shape (n,)
        Where to look, px on the frame.
    reach : float
        Only the brightest pixel this near in x and in y is judged, px.
    noise : float
        Of one pixel, ADU; fainter than six of it nothing is called lone.
    share : float
        Of the brightest pixel, below which its neighbours must lie in the mean.

    Returns
    -------
    alone : ndarray of bool, shape (n,)
    column, row : ndarray of int64, shape (n,)
        The brightest pixel near each place, on the frame; -1 where there is none.
    """
    alone, column, row = _lone_pixels(stamps, x, y, reach, noise, share)
    if np.count_nonzero(alone) < 10 or share <= SHARPEST_SHARE:
        return alone, column, row
    bare, _, _ = _lone_pixels(stamps, x, y, reach, noise, SHARPEST_SHARE)
    bright = _heights(stamps, column, row) > BRIGHT_SIGMA * noise
    if np.count_nonzero(alone & bright) < 10:
        return alone, column, row
    sharp_stars = np.mean(bare[alone & bright]) < 0.5
    return (bare if sharp_stars else alone), column, row


BRIGHT_SIGMA = 40.0
"""Height of pixels asked whether their neighbours hold light, in noise: their neighbours' mean is
then known to 0.01 of it."""


def _heights(stamps: Stamps, column: np.ndarray, row: np.ndarray) -> np.ndarray:
    """Values of pixels of the frame in their stamps; 0 where there is none."""
    there = np.flatnonzero(column >= 0)
    out = np.zeros(len(column))
    j = row[there] - stamps.y0[there].astype(int)
    i = column[there] - stamps.x0[there].astype(int)
    out[there] = stamps.data[there, j, i]
    return out


def _lone_pixels(
    stamps: Stamps, x: np.ndarray, y: np.ndarray, reach: float, noise: float, share: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """As `lone_pixels`, but with the given share for all."""
    alone = np.zeros(len(stamps), np.bool_)
    place = np.empty((2, len(stamps)), np.int64)
    # the neighbours' own noise must not pass for a missing star
    least = max(6.0, 1.0 / share if share < 0.1 else 0.0) * noise
    _lone(stamps.data, x - stamps.x0, y - stamps.y0, reach, least, share, alone, place)
    there = place[0] >= 0
    column = np.where(there, place[0] + stamps.x0.astype(np.int64), -1)
    row = np.where(there, place[1] + stamps.y0.astype(np.int64), -1)
    return alone, column, row


@kernel
def _lone(
    data: np.ndarray,
    cx: np.ndarray,
    cy: np.ndarray,
    reach: float,
    least: float,
    share: float,
    out: np.ndarray,
    place: np.ndarray,
) -> None:
    size = data.shape[1]
    for k in range(data.shape[0]):
        place[0, k] = -1
        place[1, k] = -1
        if not (abs(cx[k]) < 1e6 and abs(cy[k]) < 1e6):
            continue
        top = -np.inf
        tj = -1
        ti = -1
        for j in range(max(1, int(cy[k] - reach + 0.5)), min(size - 1, int(cy[k] + reach + 1.5))):
            for i in range(
                max(1, int(cx[k] - reach + 0.5)), min(size - 1, int(cx[k] + reach + 1.5))
            ):
                if data[k, j, i] > top:
                    top = data[k, j, i]
                    tj = j
                    ti = i
        if tj < 0 or not top > least:
            continue
        place[0, k] = ti
        place[1, k] = tj
        total = 0.0
        count = 0
        for j in range(tj - 1, tj + 2):
            for i in range(ti - 1, ti + 2):
                value = data[k, j, i]
                if (j != tj or i != ti) and value == value:
                    total += value
                    count += 1
        out[k] = total < share * top * max(count, 1)
