"""The inner loops of crowded fields: peaks, and one sweep of fits over all stars."""

from __future__ import annotations

import numpy as np

from subgrade.stars.compiled import kernel
from subgrade.stars.photometry import Template
from subgrade.stars.raster import Stamps

LARGEST_STEP = 0.25
"""Farthest a star moves in one sweep, working pixels."""
CORE = 0.4
"""Share of the star image's radius within which place is fitted."""


@kernel
def _row(
    image: np.ndarray,
    inverse: float,
    middle: float,
    cx: float,
    dy: float,
    i0: int,
    i1: int,
    out: np.ndarray,
) -> None:
    """The star image along columns i0 to i1 of a row, bilinear; runs several at a time."""
    last = image.shape[0] - 1
    v = dy * inverse + middle
    j = int(v)
    if v < 0.0 or j >= last:
        for i in range(i1 - i0 + 1):
            out[i] = 0.0
        return
    fv = np.float32(v - j)
    upper = image[j]
    lower = image[j + 1]
    start = np.float32((i0 - cx) * inverse + middle)
    step = np.float32(inverse)
    end = np.float32(last) - np.float32(1e-3)
    for i in range(np.uint64(i1 - i0 + 1)):
        u = min(max(start + step * np.float32(i), np.float32(0.0)), end)
        n = np.uint32(u)
        fu = u - np.float32(n)
        one = upper[n] + fu * (upper[n + np.uint32(1)] - upper[n])
        two = lower[n] + fu * (lower[n + np.uint32(1)] - lower[n])
        out[i] = one + fv * (two - one)


@kernel
def _add(
    left: np.ndarray,
    image: np.ndarray,
    inverse: float,
    middle: float,
    x: float,
    y: float,
    radius: float,
    light: float,
    line: np.ndarray,
) -> None:
    """Add a star of that light to the image."""
    height, width = left.shape
    for j in range(max(0, int(np.ceil(y - radius))), min(height - 1, int(y + radius)) + 1):
        dy = j - y
        span = np.sqrt(max(radius * radius - dy * dy, 0.0))
        i0 = max(0, int(np.ceil(x - span)))
        i1 = min(width - 1, int(np.floor(x + span)))
        if i1 < i0:
            continue
        _row(image, inverse, middle, x, dy, i0, i1, line)
        row = left[j]
        factor = np.float32(light)
        for i in range(i1 - i0 + 1):
            row[i0 + i] += factor * line[i]


@kernel
def _sums(
    left: np.ndarray,
    images: np.ndarray,
    inverse: float,
    middle: float,
    x: float,
    y: float,
    light: float,
    core: float,
    lines: np.ndarray,
    sums: np.ndarray,
) -> None:
    """TT, TX, TY, XX, XY, YY of the star image and its slopes, and of each with ``left``."""
    height, width = left.shape
    sums[:] = 0.0
    for j in range(max(0, int(np.ceil(y - core))), min(height - 1, int(y + core)) + 1):
        dy = j - y
        span = np.sqrt(max(core * core - dy * dy, 0.0))
        i0 = max(0, int(np.ceil(x - span)))
        i1 = min(width - 1, int(np.floor(x + span)))
        if i1 < i0:
            continue
        for k in range(3):
            _row(images[k], inverse, middle, x, dy, i0, i1, lines[k])
        row = left[j]
        for i in range(i1 - i0 + 1):
            seen = row[i0 + i]
            if seen != seen:
                continue
            t, gx, gy = lines[0, i], lines[1, i], lines[2, i]
            value = seen + light * t
            sums[0] += t * t
            sums[1] += t * gx
            sums[2] += t * gy
            sums[3] += gx * gx
            sums[4] += gx * gy
            sums[5] += gy * gy
            sums[6] += value * t
            sums[7] += value * gx
            sums[8] += value * gy


@kernel
def _sweep(
    left: np.ndarray,
    xs: np.ndarray,
    ys: np.ndarray,
    lights: np.ndarray,
    active: np.ndarray,
    images: np.ndarray,
    step: float,
    radius: float,
    core: float,
    largest: float,
    quiet: float,
) -> None:
    """Fit each active star, in place, on what all others leave; one that hardly changes rests."""
    inverse = 1.0 / step
    middle = 0.5 * (images.shape[1] - 1)
    lines = np.empty((3, int(2 * radius) + 3), np.float32)
    sums = np.empty(9)
    for k in range(len(xs)):
        if not active[k]:
            continue
        x, y = xs[k], ys[k]
        _sums(left, images, inverse, middle, x, y, lights[k], core, lines, sums)
        tt, tx, ty = sums[0], sums[1], sums[2]
        if tt <= 0.0:
            active[k] = False
            continue
        light = max(sums[6] / tt, 0.0)
        move_x = move_y = 0.0
        # what the star's light leaves of the slopes, solved for the shift
        axx = sums[3] - tx * tx / tt
        axy = sums[4] - tx * ty / tt
        ayy = sums[5] - ty * ty / tt
        bx = sums[7] - light * tx
        by = sums[8] - light * ty
        det = axx * ayy - axy * axy
        if light > 0.0 and det > 0.0:
            move_x = (bx * ayy - by * axy) / det / light
            move_y = (by * axx - bx * axy) / det / light
            far = np.sqrt(move_x * move_x + move_y * move_y)
            if far > largest:
                move_x *= largest / far
                move_y *= largest / far
        shift = np.sqrt(move_x * move_x + move_y * move_y) * light
        active[k] = abs(light - lights[k]) > quiet or shift > quiet
        if lights[k] != 0.0:
            _add(left, images[0], inverse, middle, x, y, radius, lights[k], lines[0])
        lights[k] = light
        xs[k] = x + move_x
        ys[k] = y + move_y
        if light > 0.0:
            _add(left, images[0], inverse, middle, xs[k], ys[k], radius, -light, lines[0])


@kernel
def _give(
    left: np.ndarray,
    xs: np.ndarray,
    ys: np.ndarray,
    lights: np.ndarray,
    image: np.ndarray,
    step: float,
    radius: float,
) -> None:
    line = np.empty(int(2 * radius) + 3, np.float32)
    middle = 0.5 * (image.shape[0] - 1)
    for k in range(len(xs)):
        _add(left, image, 1.0 / step, middle, xs[k], ys[k], radius, lights[k], line)


def _with_slopes(template: Template) -> np.ndarray:
    """The star image and its change when the star moves by one along x and y, shape (3, k, k)."""
    image = template.image.astype(np.float64)
    along_y, along_x = np.gradient(image, template.step_px)
    return np.stack((image, -along_x, -along_y)).astype(np.float32)


def fit_all_stars(
    left: np.ndarray, stars: np.ndarray, template: Template, sweeps: int, quiet: float
) -> None:
    """Fit all stars one after the other, in place, ``sweeps`` times or until none changes.

    Parameters
    ----------
    left : ndarray of float32
        The image less all stars; kept so.
    stars : ndarray of float64, shape (3, n)
        Place in working pixels and amplitude; 0 for a star not yet taken out.
    template : Template
        In working pixels.
    quiet : float
        Change of amplitude that matters no more, ADU.
    """
    images = _with_slopes(template)
    radius = template.radius_px
    active = np.ones(stars.shape[1], np.bool_)
    for _ in range(sweeps):
        size = template.step_px, radius, CORE * radius + 0.7
        _sweep(left, *stars, active, images, *size, LARGEST_STEP, quiet)
        if not active.any():
            break


def give_stars(left: np.ndarray, stars: np.ndarray, template: Template, times: float) -> None:
    """Add stars to an image, in place.

    Parameters
    ----------
    left : ndarray of float32
    stars : ndarray of float64, shape (3, n)
        Place in working pixels and amplitude.
    template : Template
    times : float
        Of their light: 1 puts them back, -1 takes them out.
    """
    x, y, light = np.ascontiguousarray(stars)
    _give(left, x, y, times * light, template.image, template.step_px, template.radius_px)


@kernel
def _own(
    data: np.ndarray,
    cx: np.ndarray,
    cy: np.ndarray,
    lights: np.ndarray,
    image: np.ndarray,
    step: float,
    radius: float,
) -> None:
    line = np.empty(int(2 * radius) + 3, np.float32)
    inverse, middle = 1.0 / step, 0.5 * (image.shape[0] - 1)
    for k in range(data.shape[0]):
        _add(data[k], image, inverse, middle, cx[k], cy[k], radius, lights[k], line)


def with_own(
    stamps: Stamps, x: np.ndarray, y: np.ndarray, light: np.ndarray, template: Template
) -> None:
    """Put each star back, in place, into its own stamp of an image that all were taken from.

    Parameters
    ----------
    stamps : Stamps
    x, y, light : ndarray, shape (n,)
        Places, px, and amplitudes, ADU.
    template : Template
    """
    cx, cy = np.asarray(x) - stamps.x0, np.asarray(y) - stamps.y0
    _own(stamps.data, cx, cy, light, template.image, template.step_px, template.radius_px)


@kernel
def _find(seen: np.ndarray, least: np.ndarray, out: np.ndarray) -> int:
    height, width = seen.shape
    n = 0
    for y in range(1, height - 1):
        for x in range(1, width - 1):
            value = seen[y, x]
            if not value > least[y, x]:
                continue
            top = True
            for j in range(-1, 2):
                for i in range(-1, 2):
                    other = seen[y + j, x + i]
                    # of equal neighbours the first in raster order is the peak
                    if other > value or (other == value and (j < 0 or (j == 0 and i < 0))):
                        top = False
            if top and n < out.shape[1]:
                bend_x = seen[y, x - 1] - 2 * value + seen[y, x + 1]
                bend_y = seen[y - 1, x] - 2 * value + seen[y + 1, x]
                out[0, n] = x
                out[1, n] = y
                if bend_x < 0:
                    out[0, n] += 0.5 * (seen[y, x - 1] - seen[y, x + 1]) / bend_x
                if bend_y < 0:
                    out[1, n] += 0.5 * (seen[y - 1, x] - seen[y + 1, x]) / bend_y
                out[2, n] = value
                n += 1
    return n


def peaks_of(seen: np.ndarray, least: np.ndarray, most: int = 150_000) -> np.ndarray:
    """Local maxima above ``least``.

    Parameters
    ----------
    seen, least : ndarray of float32, shape (h, w)
    most : int
        Maxima to find room for.

    Returns
    -------
    ndarray, shape (3, n)
        x and y (of a parabola through three) and height, the highest first.
    """
    out = np.empty((3, most))
    n = _find(seen, least, out)
    order = np.argsort(-out[2, :n], kind="stable")
    return out[:, order]
