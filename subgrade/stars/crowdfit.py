"""The inner loops of crowded fields: peaks, and one sweep of fits over all stars."""

from __future__ import annotations

import numpy as np

from subgrade.stars.kernel import kernel
from subgrade.stars.photometry import Template
from subgrade.stars.raster import Stamps

LARGEST_STEP = 0.25
"""Farthest a star moves in one sweep, working pixels."""
CORE = 0.4
"""Share of the star image's radius within which place is fitted."""


@kernel
def _at(image, inverse, middle, dx, dy):
    """The star image at an offset, bilinear; 0 beyond it."""
    u = dx * inverse + middle
    v = dy * inverse + middle
    last = image.shape[0] - 1
    if u < 0.0 or v < 0.0 or u >= last or v >= last:
        return 0.0
    i, j = int(u), int(v)
    fu, fv = u - i, v - j
    upper = image[j, i] * (1 - fu) + image[j, i + 1] * fu
    lower = image[j + 1, i] * (1 - fu) + image[j + 1, i + 1] * fu
    return upper * (1 - fv) + lower * fv


@kernel
def _bounds(x, y, radius, height, width):
    return (
        max(0, int(np.ceil(x - radius))), min(width - 1, int(np.floor(x + radius))),
        max(0, int(np.ceil(y - radius))), min(height - 1, int(np.floor(y + radius))),
    )  # fmt: skip


@kernel
def _add(left, image, inverse, middle, x, y, radius, light):
    """Add a star of that light to the image."""
    x0, x1, y0, y1 = _bounds(x, y, radius, *left.shape)
    r2 = radius * radius
    for j in range(y0, y1 + 1):
        for i in range(x0, x1 + 1):
            if (i - x) ** 2 + (j - y) ** 2 < r2:
                left[j, i] += np.float32(light * _at(image, inverse, middle, i - x, j - y))


@kernel
def _sweep(left, xs, ys, lights, image, step, radius, core, largest):
    """Fit each star on what all others leave, and take it out again; ``lights`` in place."""
    inverse = 1.0 / step
    middle = 0.5 * (image.shape[0] - 1)
    h = max(0.05, step)
    # for each star: T T, T X, T Y, X X, X Y, Y Y and the products with the image
    for k in range(len(xs)):
        x, y = xs[k], ys[k]
        tt = tx = ty = xx = xy = yy = 0.0
        rt = rx = ry = 0.0
        x0, x1, y0, y1 = _bounds(x, y, core, *left.shape)
        for j in range(y0, y1 + 1):
            for i in range(x0, x1 + 1):
                dx, dy = i - x, j - y
                seen = left[j, i]
                if dx * dx + dy * dy >= core * core or seen != seen:
                    continue
                t = _at(image, inverse, middle, dx, dy)
                gx = (
                    _at(image, inverse, middle, dx - h, dy)
                    - _at(image, inverse, middle, dx + h, dy)
                ) / (2 * h)
                gy = (
                    _at(image, inverse, middle, dx, dy - h)
                    - _at(image, inverse, middle, dx, dy + h)
                ) / (2 * h)
                value = seen + lights[k] * t
                tt += t * t
                tx += t * gx
                ty += t * gy
                xx += gx * gx
                xy += gx * gy
                yy += gy * gy
                rt += value * t
                rx += value * gx
                ry += value * gy
        if tt <= 0.0:
            continue
        light = rt / tt
        move_x = move_y = 0.0
        if light > 0.0:
            # what the star's light leaves of the gradients, solved for the shift
            axx = xx - tx * tx / tt
            axy = xy - tx * ty / tt
            ayy = yy - ty * ty / tt
            bx = rx - light * tx
            by = ry - light * ty
            det = axx * ayy - axy * axy
            if det > 0.0:
                move_x = (bx * ayy - by * axy) / det / light
                move_y = (by * axx - bx * axy) / det / light
                far = np.sqrt(move_x * move_x + move_y * move_y)
                if far > largest:
                    move_x *= largest / far
                    move_y *= largest / far
        if lights[k] != 0.0:
            _add(left, image, inverse, middle, x, y, radius, lights[k])
        lights[k] = max(light, 0.0)
        xs[k] = x + move_x
        ys[k] = y + move_y
        if lights[k] > 0.0:
            _add(left, image, inverse, middle, xs[k], ys[k], radius, -lights[k])


@kernel
def _give(left, xs, ys, lights, image, step, radius):
    for k in range(len(xs)):
        middle = 0.5 * (image.shape[0] - 1)
        _add(left, image, 1.0 / step, middle, xs[k], ys[k], radius, lights[k])


def fit_round(left, x, y, light, template: Template, give: float = 0.0) -> None:
    """Fit all stars once, one after the other, in place; or add ``give`` times each to the image.

    Parameters
    ----------
    left : ndarray of float32
        The image less all stars; kept so.
    x, y, light : ndarray of float64, shape (n,)
        Place in working pixels and amplitude; 0 for a star not yet taken out.
    template : Template
        In working pixels.
    give : float
        Where not 0, nothing is fitted: 1 puts the stars back, -1 takes them out.
    """
    image, step, radius = template.image, template.step_px, template.radius_px
    if give:
        _give(left, x, y, give * light, image, step, radius)
    else:
        _sweep(left, x, y, light, image, step, radius, CORE * radius + 0.7, LARGEST_STEP)


@kernel
def _own(data, cx, cy, lights, image, step, radius):
    inverse, middle = 1.0 / step, 0.5 * (image.shape[0] - 1)
    for k in range(data.shape[0]):
        _add(data[k], image, inverse, middle, cx[k], cy[k], radius, lights[k])


def with_own(stamps: Stamps, x, y, light, template: Template) -> None:
    """Put each star back into its own stamp of an image that all were taken from."""
    cx, cy = np.asarray(x) - stamps.x0, np.asarray(y) - stamps.y0
    _own(stamps.data, cx, cy, light, template.image, template.step_px, template.radius_px)


@kernel
def _find(seen, least, out):
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


def peaks_of(seen: np.ndarray, least: np.ndarray, most: int = 150_000):
    """Local maxima above ``least``: x, y (parabola through three) and height, the highest first."""
    out = np.empty((3, most))
    n = _find(seen, least, out)
    order = np.argsort(-out[2, :n], kind="stable")
    return out[:, order]
