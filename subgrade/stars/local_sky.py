"""Sky beside each star, for frames on which a galaxy or a nebula shines behind the stars.

A mesh of cells cannot follow what changes within a few star widths.  There the sky under a star
is a plane through the medians of the four sides of its stamp.
"""

from __future__ import annotations

import numpy as np

from subgrade.stars.background import _select
from subgrade.stars.compiled import kernel
from subgrade.stars.raster import Stamps

SIDE_PX = 2
"""Width of a side, px."""
ROUGH_SHARE = 0.05
"""Share of the detections that must stand on other than the mesh's sky for a frame to be called
rough: measured 0.06 to 0.4 where a galaxy or a nebula matters, 0.02 at most in crowded fields
(GalSim frames)."""
STAR_SHARE = 0.05
"""Level at the sides, as a share of a detection's own peak, that its wings may leave there: a
Moffat star of beta 2.5 leaves 0.02 at five sigma."""
RING_SIGMA = 5.0
"""Distance of the sides from the star, in sigma of its long axis."""


def ring_px(sigma_major: float) -> int:
    """Half-side of a stamp whose sides lie beside the star, px."""
    return int(np.clip(np.ceil(RING_SIGMA * sigma_major) + SIDE_PX, 8, 90))


@kernel
def _sides(data: np.ndarray, wide: int, work: np.ndarray, out: np.ndarray) -> None:
    """Medians of the left, right, lower and upper sides of every stamp; NaN under 6 pixels."""
    size = data.shape[1]
    for k in range(data.shape[0]):
        for side in range(4):
            n = 0
            for i in range(wide):
                at = i if side % 2 == 0 else size - 1 - i
                for j in range(size):
                    value = data[k, j, at] if side < 2 else data[k, at, j]
                    if value == value:
                        work[n] = value
                        n += 1
            if n < 6:
                out[k, side] = np.nan
                continue
            upper = _select(work, n, n // 2)
            lower = upper
            if n % 2 == 0:
                lower = work[0]
                for i in range(n // 2):
                    lower = max(lower, work[i])
            out[k, side] = 0.5 * (lower + upper)


@kernel
def _take_plane(data: np.ndarray, sides: np.ndarray, wide: int) -> None:
    size = data.shape[1]
    middle = 0.5 * (size - 1)
    apart = float(size - wide)
    for k in range(data.shape[0]):
        level, slope_x, slope_y = 0.0, 0.0, 0.0
        left, right, low, high = sides[k]
        if left == left and right == right:
            slope_x = (right - left) / apart
        if low == low and high == high:
            slope_y = (high - low) / apart
        total, count, least, most = 0.0, 0, np.inf, -np.inf
        for value in sides[k]:
            if value == value:
                total += value
                count += 1
                least = min(least, value)
                most = max(most, value)
        if count > 2:  # without the extremes, of which a neighbour may be one
            level = (total - least - most) / (count - 2)
        elif count > 0:
            level = total / count
        for j in range(size):
            base = level + slope_y * (j - middle)
            for i in range(size):
                data[k, j, i] -= np.float32(base + slope_x * (i - middle))


def _side_levels(stamps: Stamps) -> np.ndarray:
    """Medians of the sides of stamps, ADU, shape (n, 4): left, right, lower, upper."""
    out = np.empty((len(stamps), 4))
    work = np.empty(SIDE_PX * stamps.data.shape[1], np.float32)
    _sides(stamps.data, SIDE_PX, work, out)
    return out


def levelled(stamps: Stamps) -> Stamps:
    """The stamps less a plane through their sides."""
    _take_plane(stamps.data, _side_levels(stamps), SIDE_PX)
    return stamps


def is_rough(stamps: Stamps, noise: float) -> bool:
    """Whether many detections stand on a level that the sky's mesh does not know.

    Parameters
    ----------
    stamps : Stamps
        Of detections, with sides beside the stars, less the mesh's sky.
    noise : float
        Of one pixel, ADU.
    """
    if len(stamps) < 5:
        return False
    sides = _side_levels(stamps)
    with np.errstate(invalid="ignore"):
        lowest = np.nanmin(np.where(np.isnan(sides), np.inf, sides), axis=1)
    middle = stamps.data.shape[1] // 2
    core = stamps.data[:, middle - 2 : middle + 3, middle - 2 : middle + 3]
    peak = np.nanmax(np.where(np.isnan(core), 0.0, core), axis=(1, 2))
    # the error of a median of so many pixels, six times
    chance = 6 * 1.25 * noise / np.sqrt(SIDE_PX * stamps.data.shape[1])
    high = np.isfinite(lowest) & (lowest > np.maximum(chance, STAR_SHARE * peak))
    return bool(np.mean(high) > ROUGH_SHARE)
