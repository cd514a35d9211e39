"""Sky level and noise: a mesh of robust local levels, from samples of block means.

Each cell's level is the mode of its clipped samples, estimated as
2.5 median - 1.5 mean where the clipped distribution is only mildly skewed and
as the median where it is not (Bertin & Arnouts 1996, A&AS 117, 393, sect. 3;
from memory).  Cells that a nebula knot or a bright star fills are filled from their
neighbours by a 3x3 median.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from subgrade.constants import MAD_TO_SIGMA
from subgrade.robust import scatter
from subgrade.stars.compiled import kernel
from subgrade.stars.raster import sky_at


@dataclass(frozen=True, slots=True)
class Sky:
    """Background of one frame.

    Attributes
    ----------
    level : ndarray of float32, shape (rows, columns)
        Local sky, ADU, one value a mesh cell.
    noise : ndarray of float32, shape (rows, columns)
        Local noise of a 2x2 block mean, ADU.
    mesh_px : int
        Side of a cell in pixels.
    """

    level: np.ndarray
    noise: np.ndarray
    mesh_px: int


def mesh_size(height: int, width: int, largest: int, star_px: float = 0.0) -> int:
    """Side of a background cell, px: a sixteenth of the frame, and well above a star's size.

    Parameters
    ----------
    height, width : int
        Of the frame, px.
    largest : int
        Most that a side may be, px.
    star_px : float
        FWHM of the stars, px; 0 where not known yet.
    """
    side = int(np.clip(min(height, width) / 16, 48, largest))
    side = max(side, int(6 * star_px))
    side = min(side, max(min(height, width), 16))
    return max(side - side % 16, 16)


@kernel
def _select(values: np.ndarray, n: int, k: int) -> float:
    """k-th smallest of values[:n]; partially sorts in place (Hoare's quickselect)."""
    low = 0
    high = n - 1
    while low < high:
        pivot = values[(low + high) // 2]
        i = low
        j = high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if k <= j:
            high = j
        elif k >= i:
            low = i
        else:
            break
    return values[k]


@kernel
def _clipped_level(values: np.ndarray, n: int, work: np.ndarray) -> tuple[float, float]:
    """(mode, sigma) of values[:n] after clipping; (NaN, NaN) for fewer than 8 values."""
    if n < 8:
        return np.nan, np.nan
    # a third of the samples give the start; clipping below uses all
    step = 3 if n > 96 else 1
    part = 0
    for i in range(0, n, step):
        work[part] = values[i]
        part += 1
    centre = float(_select(work, part, part // 2))
    part = 0
    for i in range(0, n, step):
        work[part] = abs(values[i] - centre)
        part += 1
    sigma = MAD_TO_SIGMA * _select(work, part, part // 2)
    kept = n
    for _step in range(5):
        low = centre - 3.0 * sigma
        high = centre + 2.5 * sigma
        count = 0
        total = 0.0
        square = 0.0
        for i in range(n):
            if low <= values[i] <= high:
                shift = values[i] - centre
                count += 1
                total += shift
                square += shift * shift
        if count < 8:
            break
        mean = total / count
        # variance of a Gaussian cut at -3 and +2.5 sigma is 0.9415 of the whole
        spread = np.sqrt(max(square / count - mean * mean, 0.0) / 0.9415)
        settled = count == kept
        kept = count
        # the mean, unlike the median, needs no sorting to find where clipping ends
        centre += min(max(mean, -0.5 * sigma), 0.5 * sigma)
        sigma = min(sigma, spread) if spread > 0 else sigma
        if settled:
            break
    low = centre - 3.0 * sigma
    high = centre + 2.5 * sigma
    # the median lies near the clipped mean: only what is about as near is sorted
    under = centre - 0.2 * sigma
    over = centre + 0.2 * sigma
    kept = 0
    below = 0
    near = 0
    total = 0.0
    for i in range(n):
        if low <= values[i] <= high:
            kept += 1
            total += values[i] - centre
            work[near] = values[i]
            near += (values[i] >= under) & (values[i] <= over)
            below += values[i] < under
    if kept < 8:
        return centre, sigma
    first = kept // 2 - below
    if first < 0 or first >= near:
        first, near = kept // 2, 0
        for i in range(n):
            if low <= values[i] <= high:
                work[near] = values[i]
                near += 1
    median = _select(work, near, first)
    # the cut at +2.5 and -3 sigma shifts the mean of clean sky by -0.0131 sigma
    mean = centre + total / kept + 0.0131 * sigma
    if abs(mean - median) < 0.3 * sigma:
        return 2.5 * median - 1.5 * mean, sigma
    return median, sigma


@kernel
def _mesh(
    means: np.ndarray,
    cell: int,
    step_y: int,
    step_x: int,
    exclude: np.ndarray,
    values: np.ndarray,
    work: np.ndarray,
    level: np.ndarray,
    noise: np.ndarray,
) -> None:
    height, width = means.shape
    masked = exclude.shape[0] > 0
    for j in range(level.shape[0]):
        for i in range(level.shape[1]):
            n = 0
            y1 = min((j + 1) * cell, height)
            x1 = min((i + 1) * cell, width)
            row = 0
            for y in range(j * cell, y1, step_y):
                # staggered columns, so that a bad column is not sampled in every row
                shift = (row * 3) % step_x
                row += 1
                for x in range(i * cell + shift, x1, step_x):
                    if masked and exclude[y // 2, x // 2]:
                        continue
                    v = means[y, x]
                    if v == v:
                        values[n] = v
                        n += 1
            if masked and n < 16:
                level[j, i] = np.nan
                noise[j, i] = np.nan
            else:
                level[j, i], noise[j, i] = _clipped_level(values, n, work)


def _fill(level: np.ndarray, noise: np.ndarray) -> None:
    """Give cells without a value the value of the nearest cells that have one."""
    bad = ~np.isfinite(level)
    if not bad.any():
        return
    if bad.all():
        level[:] = 0.0
        noise[:] = 0.0
        return
    from scipy.ndimage import distance_transform_edt

    nearest = distance_transform_edt(bad, return_distances=False, return_indices=True)
    level[:] = level[tuple(nearest)]
    noise[:] = noise[tuple(nearest)]


def sky_map(
    means: np.ndarray, mesh_px: int, samples: int, exclude: np.ndarray | None = None
) -> Sky:
    """Background map of a frame from its 2x2 block means.

    Parameters
    ----------
    means : ndarray of float32, shape (h, w)
        2x2 block means, ADU.
    mesh_px : int
        Side of a cell in pixels (even).
    samples : int
        Samples taken in one cell.
    exclude : ndarray of bool, shape (h // 2 + 1, w // 2 + 1), optional
        Blocks (2x2 of block means) covered by detected stars.

    Returns
    -------
    Sky
    """
    cell = mesh_px // 2
    height, width = means.shape
    rows = max(1, round(height / cell))
    columns = max(1, round(width / cell))
    # every second block of few rows: neighbours share cache lines, and each row costs one fetch
    step_x = 2 if cell * cell > 2 * samples else 1
    step_y = max(1, round(cell * cell / samples / step_x))
    level = np.empty((rows, columns), np.float32)
    noise = np.empty((rows, columns), np.float32)
    mask = exclude if exclude is not None else np.zeros((0, 0), np.bool_)
    values, work = np.empty((2, (cell // step_y + 1) * (cell // step_x + 1) + 1), np.float32)
    _mesh(means, cell, step_y, step_x, mask, values, work, level, noise)
    _fill(level, noise)
    if rows >= 3 and columns >= 3:
        smooth = median_filter(level, 3, mode="nearest")
        spread = scatter(level, smooth)
        # only cells that stand out are replaced: a gradient survives untouched
        wild = np.abs(level - smooth) > np.maximum(3 * spread, 0.3 * noise)
        level = np.where(wild, smooth, level)
        noise = np.minimum(noise, 2.0 * median_filter(noise, 3, mode="nearest"))
    return Sky(level, noise, mesh_px)


def typical_level(sky: Sky, height: int, width: int) -> float:
    """Median of the sky map over the frame's area, ADU."""
    y = (np.arange(48) + 0.5) * height / 48
    x = (np.arange(48) + 0.5) * width / 48
    yy, xx = np.meshgrid(y, x, indexing="ij")
    return float(np.median(sky_at(sky.level, sky.mesh_px, xx.ravel(), yy.ravel())))
