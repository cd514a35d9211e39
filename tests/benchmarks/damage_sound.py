"""What sound cameras, skies and programs do to a frame, which must never pass for damage.

Each function takes the light of `damage_frames.expected` (or a noisy image) and a random
generator, and gives the values to store.  All are what the trade meets; amounts: common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.ndimage import affine_transform, gaussian_filter, map_coordinates, zoom

from tests.benchmarks.damage_frames import exposed, vignetted, whole_adu

Rng = np.random.Generator


# ---------------------------------------------------------------- sky and sensor


def strong_vignetting(light, rng: Rng):
    return whole_adu(exposed(vignetted(light, rng.uniform(0.5, 0.95)), rng))


def saturated_cores(light, rng: Rng):
    """Cores at full well that bleed along columns or, on some sensors, along rows."""
    out = exposed(light, rng)
    height, width = out.shape
    along_rows = rng.random() < 0.3
    for _ in range(int(rng.integers(2, 9))):
        y, x = int(rng.integers(height)), int(rng.integers(width))
        radius, reach = rng.uniform(4, 45), int(rng.integers(30, 700))
        half = int(rng.integers(1, 6))
        v, u = np.ogrid[:height, :width]
        out[np.hypot(v - y, u - x) < radius] = 65535
        if along_rows:
            out[max(y - half, 0) : y + half, max(x - reach, 0) : x + reach] = 65535
        else:
            out[max(y - reach, 0) : y + reach, max(x - half, 0) : x + half] = 65535
    return whole_adu(out)


def overscan(light, rng: Rng):
    """Strips of bias beside or below the image, with read noise or of one value."""
    out = exposed(light, rng)
    size, bias = int(rng.integers(8, 90)), rng.uniform(0, 500)
    strip = rng.normal(bias, rng.choice([0.0, 3.0, 8.0]), out.shape)
    side = int(rng.integers(4))
    place = (np.s_[:, :size], np.s_[:, -size:], np.s_[:size], np.s_[-size:])[side]
    out[place] = strip[place]
    return whole_adu(out)


def dead_lines(light, rng: Rng):
    out = exposed(light, rng)
    for _ in range(int(rng.integers(1, 6))):
        out[:, int(rng.integers(out.shape[1]))] = rng.choice([0, 65535, 300])
    for _ in range(int(rng.integers(0, 4))):
        out[int(rng.integers(out.shape[0]))] = rng.choice([0, 65535, 300])
    x = int(rng.integers(out.shape[1]))
    out[int(rng.integers(out.shape[0])) :, x : x + 2] = 120
    return whole_adu(out)


def amplifiers(light, rng: Rng):
    """Two or four amplifiers, each with its offset and gain, and glow from the corners."""
    light = light.copy()
    height, width = light.shape
    v, u = np.mgrid[:height, :width]
    light += rng.uniform(200, 4000) * np.exp(-np.hypot(width - u, v - height) / 150)
    out = exposed(light, rng)
    out[:, width // 2 :] = out[:, width // 2 :] * rng.uniform(0.97, 1.03) + rng.normal(0, 40)
    if rng.random() < 0.7:
        half = out[height // 2 :]
        out[height // 2 :] = half * rng.uniform(0.97, 1.03) + rng.normal(0, 40)
    return whole_adu(out)


def clipped_black(light, rng: Rng):
    """The offset too low, or the sky subtracted before whole numbers were written."""
    out = exposed(light, rng)
    return whole_adu(out - np.median(out) + rng.uniform(-40, 30))


def narrow_band(light, rng: Rng):
    """Hardly any sky: grey steps wider than the noise, many pixels of one value."""
    out = exposed(0.01 * light, rng) - rng.normal(0, 1, light.shape)
    step = rng.choice([4, 8, 16, 64])
    return whole_adu(np.rint((out + 100) / step) * rng.choice([1, step]))


def banding(light, rng: Rng):
    """Row noise, column noise, and slow bands."""
    out = exposed(light, rng)
    height, width = out.shape
    out += rng.normal(0, rng.uniform(2, 60), (height, 1))
    out += rng.normal(0, rng.uniform(0, 20), (1, width))
    out += rng.uniform(0, 60) * np.sin(np.arange(height) / rng.uniform(3, 40))[:, None]
    return whole_adu(out + 100)


def hot_pixels(light, rng: Rng):
    out = exposed(light, rng)
    count = int(rng.integers(500, 20000))
    at = rng.integers(0, out.size, count)
    out.ravel()[at] += rng.exponential(rng.uniform(300, 8000), count)
    at = rng.integers(0, out.size, count // 10)
    out.ravel()[at] = rng.choice([0, 65535, 4096])
    return whole_adu(out)


def trails(light, rng: Rng):
    """Satellites and an aircraft; one of them along the rows."""
    light = light.copy()
    height, width = light.shape
    v, u = np.mgrid[:height, :width]
    for k in range(int(rng.integers(1, 5))):
        angle = rng.normal(0, 0.004) if k == 0 else rng.uniform(0, np.pi)
        across = (u - rng.uniform(0, width)) * np.sin(angle)
        across -= (v - rng.uniform(0, height)) * np.cos(angle)
        light += rng.uniform(100, 9000) * np.exp(-0.5 * (across / rng.uniform(1.2, 6)) ** 2)
    return whole_adu(exposed(vignetted(light), rng))


def cloud_edge(light, rng: Rng):
    """A cloud with a rather sharp edge that lies nearly along the rows."""
    height, width = light.shape
    v, u = np.mgrid[:height, :width]
    edge = rng.uniform(0.2, 0.8) * height + (u - width / 2) * rng.normal(0, 0.02)
    ramp = 1 / (1 + np.exp(-(v - edge) / rng.uniform(1.5, 40)))
    dim = 1 - rng.uniform(0.5, 0.98) * ramp
    return whole_adu(exposed(vignetted(light * dim + rng.uniform(0, 1500) * ramp), rng))


def horizon(light, rng: Rng):
    """Trees, a roof or the dome slit across the lower or upper edge: dark, and sharp."""
    height, width = light.shape
    line = rng.uniform(0.03, 0.4) * height
    line = line + gaussian_filter(rng.standard_normal(width), 25) * rng.uniform(0, 200)
    line = line + rng.standard_normal(width) * rng.choice([0, 4])
    below = np.arange(height)[:, None] < line[None, :]
    if rng.random() < 0.5:
        below = below[::-1]
    soft = gaussian_filter(below.astype(float), rng.uniform(0.3, 8))
    return whole_adu(exposed(light * (1 - soft) + rng.uniform(5, 400) * soft, rng))


def twilight(light, rng: Rng):
    height, width = light.shape
    v, u = np.mgrid[:height, :width]
    slope = rng.normal(0, 1, 2) / (height, width)
    return whole_adu(exposed(light + 20000 * np.clip(1 + v * slope[0] + u * slope[1], 0, 2), rng))


def rolling(light, rng: Rng):
    """A fixed pattern of one strong row in so many, as some sensors have."""
    out = exposed(light, rng)
    out[:: int(rng.choice([2, 4, 8, 16]))] += rng.uniform(3, 80)
    return whole_adu(out)


def repaired(light, rng: Rng):
    """Bad rows and columns that the camera filled from their neighbours."""
    out = whole_adu(exposed(light, rng))
    for y in rng.integers(4, out.shape[0] - 4, int(rng.integers(1, 5))):
        out[y] = out[y - 1]
    for x in rng.integers(4, out.shape[1] - 4, int(rng.integers(1, 5))):
        out[:, x] = out[:, x - 1]
    return out


# ---------------------------------------------------------------- programs


def framed(light, rng: Rng):
    """Registered by whole pixels, the empty border zero, NaN, the mean or white."""
    values = whole_adu(exposed(light, rng)).astype(np.float32)
    dy, dx = (int(v) for v in rng.integers(-70, 70, 2))
    out = np.full_like(values, rng.choice([0, np.nan, float(values.mean()), 65535]))
    height, width = values.shape
    here = np.s_[max(dy, 0) : height + min(dy, 0), max(dx, 0) : width + min(dx, 0)]
    there = np.s_[max(-dy, 0) : height + min(-dy, 0), max(-dx, 0) : width + min(-dx, 0)]
    out[here] = values[there]
    return out


def framed_by_rows(light, rng: Rng):
    """Moved up or down only: an empty border along whole rows."""
    out = whole_adu(exposed(light, rng))
    size = int(rng.integers(3, 60))
    fill = rng.choice([0, int(np.median(out))])
    if rng.random() < 0.5:
        out[size:] = out[:-size].copy()
        out[:size] = fill
    else:
        out[:-size] = out[size:].copy()
        out[-size:] = fill
    return out


def registered(light, rng: Rng):
    """Turned and moved with interpolation; correlated noise, slanting empty borders."""
    values = whole_adu(exposed(light, rng)).astype(np.float32)
    angle = np.radians(rng.choice([0.02, 0.3, 2.0, 179.7]) * rng.normal(1, 0.2))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    centre = np.array(values.shape) / 2
    start = centre - turn @ centre + rng.uniform(-30, 30, 2)
    fill, order = rng.choice([0.0, np.nan]), int(rng.choice([0, 1, 3]))
    out = affine_transform(values, turn, start, order=order, cval=fill)
    return out.astype(np.float32)


def resampled(light, rng: Rng):
    """Binned, enlarged by whole or broken factors, or drizzled."""
    values = whole_adu(exposed(light, rng)).astype(np.float32)
    way = int(rng.integers(5))
    if way == 0:
        return values.reshape(values.shape[0] // 2, 2, -1, 2).mean(axis=(1, 3))
    if way == 1:
        return np.repeat(np.repeat(values[:500, :640], 2, axis=0), 2, axis=1)
    if way == 2:
        return zoom(values[:700, :800], 1.5, order=0)
    if way == 3:
        return zoom(values[:700, :800], rng.uniform(1.2, 1.9), order=1)
    return _drizzled(values[:600, :700], rng)


def _drizzled(values, rng: Rng):
    """Twice as fine, drops of half a pixel: gaps where no drop fell are zero."""
    v, u = np.mgrid[: 2 * values.shape[0], : 2 * values.shape[1]]
    y, x = v / 2 + rng.uniform(0, 1), u / 2 + rng.uniform(0, 1)
    near = map_coordinates(values, [y, x], order=0)
    inside = (np.abs(y - np.rint(y)) < 0.3) & (np.abs(x - np.rint(x)) < 0.3)
    return np.where(inside, near, 0).astype(np.float32)


def stacked(light, rng: Rng):
    """A mean of eight, dithered and registered: borders where fewer frames overlap."""
    total, weight = np.zeros(light.shape), np.zeros(light.shape)
    for _ in range(8):
        dy, dx = (int(v) for v in rng.integers(-25, 25, 2))
        one = np.roll(exposed(light, rng), (dy, dx), axis=(0, 1))
        seen = np.ones(light.shape, bool)
        seen[: max(dy, 0)] = seen[light.shape[0] + min(dy, 0) :] = False
        seen[:, : max(dx, 0)] = seen[:, light.shape[1] + min(dx, 0) :] = False
        one = np.roll(one, (-dy, -dx), axis=(0, 1)) if rng.random() < 0.5 else one
        total += np.where(seen, one, 0)
        weight += seen
    return (total / np.maximum(weight, 1)).astype(np.float32)


def smoothed(light, rng: Rng):
    """Noise taken out by a filter, or squeezed through lossy compression in blocks of 8."""
    values = exposed(light, rng)
    if rng.random() < 0.5:
        return whole_adu(gaussian_filter(values, rng.uniform(0.5, 3)))
    means = values.reshape(values.shape[0] // 8, 8, -1, 8).mean(axis=(1, 3))
    means = np.repeat(np.repeat(means, 8, axis=0), 8, axis=1)
    coarse = np.rint((values - means) / 60) * 60
    return whole_adu(means + coarse)


def cropped_black(light, rng: Rng):
    """Set into a canvas of one value, as programs that pad to a common size do."""
    values = whole_adu(exposed(light, rng))
    out = np.full_like(values, rng.choice([0, 65535]))
    top, left = int(rng.integers(0, 90)), int(rng.integers(1, 90))
    out[top : top + 900, left : left + 1100] = values[:900, :1100]
    return out


def eight_bits(light, rng: Rng):
    return np.clip(np.rint(exposed(light, rng) / rng.choice([8, 16, 64])), 0, 255).astype(np.uint8)


def plain(light, rng: Rng):
    return whole_adu(exposed(vignetted(light), rng))


LOOKS: dict[str, Callable] = {
    f.__name__.replace("_", " "): f
    for f in (
        plain,
        strong_vignetting,
        saturated_cores,
        overscan,
        dead_lines,
        amplifiers,
        clipped_black,
        narrow_band,
        banding,
        hot_pixels,
        trails,
        cloud_edge,
        horizon,
        twilight,
        rolling,
        repaired,
        framed,
        framed_by_rows,
        registered,
        resampled,
        stacked,
        smoothed,
        cropped_black,
        eight_bits,
    )
}

ONCE = {
    "saturated cores",
    "hot pixels",
    "trails",
    "cloud edge",
    "horizon",
    "twilight",
    "strong vignetting",
    "plain",
    "clipped black",
    "framed",
    "framed by rows",
    "registered",
}
"""What may befall one frame of a night; the others are a camera's or a program's in all of them."""
