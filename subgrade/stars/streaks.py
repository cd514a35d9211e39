"""Satellite and meteor trails: straight lines of bright blocks that no star accounts for.

Blocks above a low threshold, less those around stars, vote for lines in normal form
(Duda & Hart 1972, CACM 15, 11; from memory).  A line that gathers far more votes
than chance is kept when its blocks lie along it without large gaps.
"""

from __future__ import annotations

import numpy as np

from subgrade.stars.background import Sky
from subgrade.stars.blobs import threshold_line
from subgrade.stars.kernel import kernel
from subgrade.stars.model import Streak
from subgrade.stars.raster import sky_at

ANGLES = 360
"""Directions tried, half a degree apart."""


@kernel
def _loose(image, threshold, cell, mask, mask_shift, line, xs, ys, covered):
    """Blocks above a threshold map, and whether a star covers them; -1 when too many."""
    height, width = image.shape
    most = len(xs)
    n = 0
    for y in range(1, height - 1):
        if y % 4 == 1:
            threshold_line(threshold, cell, float(min(y + 1.5, height - 1.0)), line)
        row = image[y]
        for x in range(1, width - 1):
            if row[x] > line[x]:
                if n == most:
                    return -1
                xs[n] = x
                ys[n] = y
                covered[n] = mask[
                    min((y << mask_shift), mask.shape[0] - 1),
                    min((x << mask_shift), mask.shape[1] - 1),
                ]
                n += 1
    return n


@kernel
def _vote(xs, ys, reach, votes):
    angles = votes.shape[0]
    for a in range(angles):
        c = np.cos(np.pi * a / angles)
        s = np.sin(np.pi * a / angles)
        row = votes[a]
        for k in range(len(xs)):
            row[int(np.floor(xs[k] * c + ys[k] * s + 0.5)) + reach] += 1


def _chord(height: int, width: int, angle: np.ndarray, rho: np.ndarray) -> np.ndarray:
    """Length inside the frame of lines x cos + y sin = rho, blocks."""
    c, s = np.cos(angle), np.sin(angle)
    low = np.full(rho.shape, -np.inf)
    high = np.full(rho.shape, np.inf)
    # along the line: x = rho c - t s, y = rho s + t c
    for coefficient, offset, limit in ((-s, rho * c, width), (c, rho * s, height)):
        parallel = np.abs(coefficient) < 1e-9
        slope = np.where(parallel, 1.0, coefficient)
        one, two = (0 - offset) / slope, (limit - offset) / slope
        inside = (offset >= 0) & (offset <= limit)
        one = np.where(parallel, np.where(inside, -np.inf, np.inf), one)
        two = np.where(parallel, np.where(inside, np.inf, -np.inf), two)
        low = np.maximum(low, np.minimum(one, two))
        high = np.minimum(high, np.maximum(one, two))
    return np.maximum(high - low, 0.0)


def find_streaks(
    image: np.ndarray, sky: Sky, block: int, noise: float, mask: np.ndarray, least_px: float
) -> tuple[Streak, ...]:
    """Straight trails across a frame.

    Parameters
    ----------
    image : ndarray of float32
        Block means, ADU.
    sky : Sky
    block : int
        Side of a block, px (at least 4, the mask's).
    noise : float
        Noise of a block mean, ADU.
    mask : ndarray of bool
        Blocks of 4 px covered by stars.
    least_px : float
        Least length of a streak, px.

    Returns
    -------
    tuple of Streak
        At most four, the strongest first.
    """
    shift = int(np.log2(block)) - 2
    cell = sky.mesh_px // block
    limit = 3.0 * np.maximum(sky.noise * 2.0 / block, 0.5 * noise)
    all_x, all_y = np.empty((2, 100_000))
    covered = np.empty(100_000, np.bool_)
    line = np.empty(image.shape[1], np.float32)
    threshold = (sky.level + limit).astype(np.float32)
    n = _loose(image, threshold, cell, mask, shift, line, all_x, all_y, covered)
    if n < 12 or noise <= 0:
        return ()
    all_x, all_y, covered = all_x[:n].copy(), all_y[:n].copy(), covered[:n]
    # lines are looked for beside the stars, and followed across them
    xs, ys = all_x[~covered], all_y[~covered]
    height, width = image.shape
    reach = int(np.ceil(np.hypot(height, width)))
    found: list[Streak] = []
    for _ in range(4):
        votes = np.zeros((ANGLES, 2 * reach + 2), np.int32)
        _vote(xs, ys, reach, votes)
        a, r = np.nonzero(votes >= 14)  # fewer cannot be significant
        if not len(a):
            break
        chord = _chord(height, width, np.pi * a / ANGLES, (r - reach).astype(float))
        expected = len(xs) * chord / (height * width)
        # significance of a Poisson excess, finite for empty lines
        excess = (votes[a, r] - expected) / np.sqrt(expected + 4.0)
        excess[chord < least_px / block] = 0.0
        best = int(np.argmax(excess))
        if excess[best] < 7.0:
            break
        a, r = int(a[best]), int(r[best])
        streak, members = _follow(
            (xs, ys), (all_x, all_y), np.pi * a / ANGLES, r - reach, image, sky, block, noise,
            least_px,
        )  # fmt: skip
        if streak is not None:
            found.append(streak)
        keep = ~members
        if keep.all() or keep.sum() < 12:
            break
        xs, ys = xs[keep], ys[keep]
    return tuple(found)


def _follow(free, everything, angle, rho, image, sky, block, noise, least_px):
    """Refine one voted line; (Streak or None, blocks that belong to the line)."""
    xs, ys = free
    members = np.zeros(len(xs), bool)
    for width in (2.5, 1.8):
        c, s = np.cos(angle), np.sin(angle)
        offset = xs * c + ys * s - rho
        members = np.abs(offset) < width
        if members.sum() < 8:
            return None, members
        along = -xs[members] * s + ys[members] * c
        across = offset[members]
        from_middle = along - along.mean()
        spread = np.sum(from_middle**2)
        if spread <= 0:
            return None, members
        # turning the normal by the slope of what is left takes the tilt out
        new = angle - np.arctan(np.sum(from_middle * across) / spread)
        mid_x, mid_y = xs[members].mean(), ys[members].mean()
        rho = mid_x * np.cos(new) + mid_y * np.sin(new)
        angle = new
    c, s = np.cos(angle), np.sin(angle)
    offset = xs * c + ys * s - rho
    members = np.abs(offset) < 2.0
    near = np.abs(everything[0] * c + everything[1] * s - rho) < 2.0
    along = np.sort(-everything[0][near] * s + everything[1][near] * c)
    start, stop = _longest_run(along)
    length = (stop - start) * block
    inside = along[(along >= start) & (along <= stop)]
    if length <= 0 or length < least_px or len(inside) < max(8, 0.08 * (stop - start)):
        return None, members
    x1, y1 = rho * c - start * s, rho * s + start * c
    x2, y2 = rho * c - stop * s, rho * s + stop * c
    beside = ((np.abs(offset) > 5) & (np.abs(offset) < 9)).sum() / 4.0
    if members.sum() < 3 * beside:  # a ridge of nebula has bright flanks, a trail has none
        return None, members
    level, width = _cross_section(x1, y1, x2, y2, image, sky, block)
    if level < 0.6 * noise:
        return None, members
    # a single bad column or row is straight, axis-parallel and one pixel wide
    tilt = min(abs((np.degrees(angle) + 45) % 90 - 45), 90)
    if tilt < 0.15 and width * block < 1.3 * block and inside.size > 0.9 * (stop - start):
        return None, members
    half = 0.5 * (block - 1)
    return (
        Streak(
            *(float(v * block + half) for v in (x1, y1, x2, y2)), float(width * block), float(level)
        ),
        members,
    )


def _longest_run(along: np.ndarray) -> tuple[float, float]:
    """Longest stretch of sorted positions without a gap beyond chance."""
    gaps = np.diff(along)
    if not len(gaps):
        return float(along[0]), float(along[0])
    limit = max(24.0, 15.0 * float(np.median(gaps)))
    breaks = np.concatenate(([-1], np.flatnonzero(gaps > limit), [len(along) - 1]))
    lengths = along[breaks[1:]] - along[breaks[:-1] + 1]
    k = int(np.argmax(lengths))
    return float(along[breaks[k] + 1]), float(along[breaks[k + 1]])


def _cross_section(x1, y1, x2, y2, image, sky, block):
    """Median level along the trail (ADU above sky) and its full width (blocks)."""
    n = max(int(np.hypot(x2 - x1, y2 - y1)), 2)
    t = np.linspace(0, 1, n)
    nx, ny = -(y2 - y1), x2 - x1
    norm = np.hypot(nx, ny)
    nx, ny = nx / norm, ny / norm
    offsets = np.arange(-8, 9)
    profile = []
    for o in offsets:
        px = np.rint(x1 + t * (x2 - x1) + o * nx).astype(int)
        py = np.rint(y1 + t * (y2 - y1) + o * ny).astype(int)
        inside = (px >= 0) & (py >= 0) & (px < image.shape[1]) & (py < image.shape[0])
        if not inside.any():
            profile.append(0.0)
            continue
        px, py = px[inside], py[inside]
        half = 0.5 * (block - 1)
        local = sky_at(sky.level, sky.mesh_px, px * block + half, py * block + half)
        profile.append(float(np.nanmedian(image[py, px] - local)))
    profile = np.array(profile)
    profile -= np.median(profile)
    top = profile[6:11].max()
    width = float(np.sum(np.clip(profile[4:13] / top, 0, 1))) if top > 0 else 0.0
    return top, width
