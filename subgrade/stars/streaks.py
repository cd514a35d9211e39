"""Satellite and meteor trails: straight lines of bright blocks that no star accounts for.

Blocks above a low threshold and above what flanks them, less those around stars, vote for
lines in normal form (Duda & Hart 1972, CACM 15, 11; from memory).  A line that gathers far
more votes than chance is kept when its blocks lie along it without large gaps, and when across
it looks as what a moving point draws: about as narrow as a star, and straight to a
fraction of its width.  Filaments of a nebula and arms of a galaxy are wider, or bend.
"""

from __future__ import annotations

import warnings

import numpy as np
from scipy.ndimage import map_coordinates

from subgrade.constants import MAD_TO_SIGMA
from subgrade.robust import scatter
from subgrade.stars.background import Sky
from subgrade.stars.blobs import threshold_line
from subgrade.stars.compiled import kernel
from subgrade.stars.model import Streak

CANDIDATES = 8
"""Lines looked at."""
ANGLES = 360
"""Directions tried, half a degree apart."""
WIDEST_STARS, WIDEST_EXTRA_PX = 1.3, 1.5
"""A trail is at most so many FWHM of a star and so many px wide: blocks widen it, and what
is nearer than the stars is a little out of focus.  Common practice, no source."""
LARGEST_BEND = 0.12
"""Most that the middle line of a trail strays from a straight one, in widths of the trail, beside
noise; a moving point's does not at all, that of stars in a row by a width and more."""
LARGEST_UNEVENNESS = 0.4
"""Most that a trail's parts differ in light, as a share of it, beside noise, for it to shine
steadily; what flashes, or is a row of spots, gets no allowance for noise in its bend."""
LIT_SHARE = 0.3
"""Least light of a trail's part, over that of its bright parts, to be looked at: satellites
flash."""
LEAST_LIT = 5
"""Least parts that must be lit."""


@kernel
def _stands_out(image: np.ndarray, x: int, y: int, far: int, least: float) -> bool:
    """Whether a block is brighter than both its flanks, in one of four directions."""
    height, width = image.shape
    value = image[y, x] - least
    for d in range(4):
        dx = 0 if d == 1 else far
        dy = 0 if d == 0 else (-far if d == 3 else far)
        x0, x1, y0, y1 = x - dx, x + dx, y - dy, y + dy
        one = two = np.float32(np.nan)
        if x0 >= 0 and x0 < width and y0 >= 0 and y0 < height:
            one = image[y0, x0]
        if x1 >= 0 and x1 < width and y1 >= 0 and y1 < height:
            two = image[y1, x1]
        # beside the frame's edge one flank is enough
        if not one >= value and not two >= value and (one == one or two == two):
            return True
    return False


@kernel
def _loose(
    image: np.ndarray,
    threshold: np.ndarray,
    cell: int,
    mask: np.ndarray,
    mask_shift: int,
    far: int,
    least: float,
    line: np.ndarray,
    xs: np.ndarray,
    ys: np.ndarray,
    covered: np.ndarray,
) -> int:
    """Blocks above a threshold map, and whether a star covers them; -1 when too many."""
    height, width = image.shape
    most = len(xs)
    n = 0
    for y in range(1, height - 1):
        if y % 4 == 1:
            threshold_line(threshold, cell, float(min(y + 1.5, height - 1.0)), line)
        row = image[y]
        for x in range(1, width - 1):
            if row[x] > line[x] and _stands_out(image, x, y, far, least):
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
def _vote(xs: np.ndarray, ys: np.ndarray, reach: int, votes: np.ndarray) -> None:
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
    image: np.ndarray,
    sky: Sky,
    block: int,
    noise: float,
    mask: np.ndarray,
    least_px: float,
    fine: np.ndarray,
    star_px: float,
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
    fine : ndarray of float32
        Means of blocks of 2 px, ADU.
    star_px : float
        FWHM of a star's narrow axis, px.

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
    work = np.empty(image.shape[1], np.float32)
    threshold = (sky.level + limit).astype(np.float32)
    far = int(np.ceil((WIDEST_STARS * star_px + WIDEST_EXTRA_PX) / block)) + 1
    n = _loose(image, threshold, cell, mask, shift, far, 1.5 * noise, work, all_x, all_y, covered)
    if n < 12 or noise <= 0:
        return ()
    all_x, all_y, covered = all_x[:n].copy(), all_y[:n].copy(), covered[:n]
    # lines are looked for beside the stars, and followed across them
    xs, ys = all_x[~covered], all_y[~covered]
    found: list[Streak] = []
    for _ in range(CANDIDATES):
        line = _likeliest_line(xs, ys, image.shape, least_px / block)
        if line is None:
            break
        streak, members = _follow(
            (xs, ys), (all_x, all_y), *line, block, noise, least_px, fine, star_px
        )
        if streak is not None:
            found.append(streak)
        if len(found) == 4:
            break
        keep = ~members
        if keep.all() or keep.sum() < 12:
            break
        xs, ys = xs[keep], ys[keep]
    return tuple(found)


def _likeliest_line(
    xs: np.ndarray, ys: np.ndarray, shape: tuple[int, int], least: float
) -> tuple[float, int] | None:
    """Angle and distance of the line x cos + y sin with most blocks beyond chance, or None."""
    height, width = shape
    reach = int(np.ceil(np.hypot(height, width)))
    votes = np.zeros((ANGLES, 2 * reach + 2), np.int32)
    _vote(xs, ys, reach, votes)
    a, r = np.nonzero(votes >= 14)  # fewer cannot be significant
    if not len(a):
        return None
    chord = _chord(height, width, np.pi * a / ANGLES, (r - reach).astype(float))
    expected = len(xs) * chord / (height * width)
    # significance of a Poisson excess, finite for empty lines
    excess = (votes[a, r] - expected) / np.sqrt(expected + 4.0)
    excess[chord < least] = 0.0
    best = int(np.argmax(excess))
    return None if excess[best] < 7.0 else (np.pi * int(a[best]) / ANGLES, int(r[best]) - reach)


def _follow(
    free: tuple[np.ndarray, np.ndarray],
    everything: tuple[np.ndarray, np.ndarray],
    angle: float,
    rho: float,
    block: int,
    noise: float,
    least_px: float,
    fine: np.ndarray,
    star_px: float,
) -> tuple[Streak | None, np.ndarray]:
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
    half = 0.5 * (block - 1)
    ends = [float(v * block + half) for v in (x1, y1, x2, y2)]
    level, across, bend = _cross_section(*ends, fine, star_px)
    if level < 0.6 * noise or not across < WIDEST_STARS * star_px + WIDEST_EXTRA_PX:
        return None, members
    if bend > LARGEST_BEND * across:
        return None, members
    # a single bad column or row is straight, axis-parallel and one pixel wide
    tilt = min(abs((np.degrees(angle) + 45) % 90 - 45), 90)
    if tilt < 0.15 and across < 2.6 and inside.size > 0.9 * (stop - start):
        return None, members
    return Streak(*ends, across, level), members


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


def _cross_section(
    x1: float, y1: float, x2: float, y2: float, fine: np.ndarray, star_px: float
) -> tuple[float, float, float]:
    """A trail's level (ADU above what lies beside it), full width and bend, px."""
    # The bend is the scatter of the parts' middles about a straight line, less what noise gives
    # where all parts shine alike. Medians over each part pass over the stars on the way.
    length = np.hypot(x2 - x1, y2 - y1)
    reach = int(np.ceil(2.5 * (WIDEST_STARS * star_px + WIDEST_EXTRA_PX)))
    offset = np.arange(-reach, reach + 1.0)[:, None]
    parts = int(np.clip(length / 40, 6, 24))
    t = (np.arange(parts * max(int(length / parts / 2), 4)) + 0.5)[None, :]
    t = t / t.size * length
    c, s = (x2 - x1) / length, (y2 - y1) / length
    # 2x2 means have their centres half a pixel on
    x, y = (x1 + t * c - offset * s - 0.5) / 2, (y1 + t * s + offset * c - 0.5) / 2
    strip = map_coordinates(fine, (y, x), order=1, mode="constant", cval=np.nan)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a part beyond the edge is all NaN
        profile = np.nanmedian(strip.reshape(len(offset), parts, -1), axis=2)
        outer = reach * 2 // 3
        low = np.nanmedian(profile[: reach + 1 - outer], axis=0)
        high = np.nanmedian(profile[reach + outer :], axis=0)
        profile = profile - 0.5 * (low + high) - 0.5 * (high - low) * offset / (0.8 * reach)
    inner = np.abs(offset[:, 0]) <= 0.5 * reach
    middle = np.abs(offset[:, 0]) <= 0.5 * (star_px + 4.0)
    sums = np.nansum(profile[middle], axis=0)
    lit = sums > LIT_SHARE * np.quantile(sums, 0.8)
    profile = profile[:, lit]
    if lit.sum() < LEAST_LIT or not sums.max() > 0:
        return 0.0, np.inf, np.inf
    mean = np.median(np.nan_to_num(profile), axis=1)
    peak = int(np.argmax(np.where(inner, mean, -np.inf)))
    top = float(mean[peak])
    if not top > 0:
        return 0.0, np.inf, np.inf
    first, last = _half_width(mean, peak)
    across = float(last - first)
    near = np.abs(offset[:, 0] - offset[peak, 0]) <= across + 1
    place = offset[near] - offset[peak]
    light = np.clip(np.nan_to_num(profile[near]), 0, None)
    whole = np.maximum(light.sum(axis=0), 1e-9 * top)
    middles, number = np.sum(light * place, axis=0) / whole, np.flatnonzero(lit)
    left = middles - np.polyval(np.polyfit(number, middles, 1), number)
    bend = scatter(left, 0.0)
    grain = MAD_TO_SIGMA * float(np.nanmedian(np.abs(profile[~inner])))
    usual = float(np.median(sums))
    uneven = scatter(sums, usual)
    if uneven > np.hypot(LARGEST_UNEVENNESS * usual, 1.5 * grain * np.sqrt(middle.sum())):
        return top, across, bend  # spots in a row: they must be seen to be straight
    noise = grain * float(np.sqrt(np.sum(place**2)) / np.median(whole))
    return top, across, float(np.sqrt(max(bend**2 - noise**2, 0.0)))


def _half_width(mean: np.ndarray, peak: int) -> tuple[float, float]:
    """Where a profile crosses half its peak on both sides, in its own steps."""
    ends = []
    for step in (-1, 1):
        k = peak
        while 0 <= k + step < len(mean) and mean[k + step] > 0.5 * mean[peak]:
            k += step
        beyond = k + step
        if not 0 <= beyond < len(mean) or mean[beyond] != mean[beyond]:
            ends.append(k + 0.5 * step)
            continue
        ends.append(k + step * (mean[k] - 0.5 * mean[peak]) / (mean[k] - mean[beyond]))
    return float(ends[0]), float(ends[1])
