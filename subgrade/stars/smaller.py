"""A frame made smaller and shown in its colours: means by colour over blocks, full-size colour."""

from __future__ import annotations

import numpy as np

from subgrade.lights.model import Pixels
from subgrade.stars.compiled import kernel
from subgrade.stars.raster import sealed

CHANNELS = {"R": 0, "G": 1, "B": 2}
STAR_OF_COLOUR = ((1, 2, 1), (2, 4, 2), (1, 2, 1))
CROSS = ((0, 1, 0), (1, 4, 1), (0, 1, 0))
"""Weights round a pixel by which red and blue, and green, are interpolated linearly."""


def colour_means(pixels: Pixels, k: int, mosaic: str | None = None) -> np.ndarray:
    """Means over k x k pixel blocks by colour, ADU; those at the far edges may hold fewer pixels.

    Parameters
    ----------
    pixels : Pixels
    k : int
        Even for a mosaic.
    mosaic : str, optional
        As in `subgrade.lights.HeaderFacts`; without it there is one channel.

    Returns
    -------
    ndarray of float32, shape (ceil(height / k), ceil(width / k), channels)
        Red, green, blue, or one channel; NaN where a block holds no finite number.
    """
    data = sealed(np.ascontiguousarray(pixels.data))
    height, width = data.shape
    codes = _codes(mosaic)
    channels = int(codes.max()) + 1
    out = np.empty((-(-height // k), -(-width // k), channels), np.float32)
    if data.dtype == np.uint16:
        lines = np.empty((2, width), np.uint32)
        _word_means(data, pixels.swapped, pixels.sign_flip, k, codes, lines, out)
    else:
        _float_means(data, k, codes, out)
    if pixels.scale != 1.0:
        out *= np.float32(pixels.scale)
    if pixels.zero != 0.0:
        out += np.float32(pixels.zero)
    return out


def halved(means: np.ndarray) -> np.ndarray:
    """Means of 2 x 2 elements that are finite, shape (rows, columns, channels) as float32."""
    rows, columns, channels = means.shape
    out = np.empty((-(-rows // 2), -(-columns // 2), channels), np.float32)
    _halves(sealed(means), out)
    return out


def interpolated_colours(values: np.ndarray, mosaic: str) -> np.ndarray:
    """Colours of a mosaic's pixels by linear interpolation.

    Parameters
    ----------
    values : ndarray of float32, shape (height, width)
        ADU; its first pixel at the first of the pattern.
    mosaic : str

    Returns
    -------
    ndarray of float32, shape (height, width, 3)
        NaN where no pixel of a colour is near.
    """
    out = np.empty((*values.shape, 3), np.float32)
    weights = np.array([STAR_OF_COLOUR, CROSS, STAR_OF_COLOUR], np.float32)
    _interpolate(sealed(np.ascontiguousarray(values)), _codes(mosaic), weights, out)
    return out


def _codes(mosaic: str | None) -> np.ndarray:
    """Channel of the four places of a cell, the lower row first."""
    return np.array([CHANNELS[c] for c in mosaic] if mosaic else [0] * 4, np.int64)


@kernel
def _word_means(
    words: np.ndarray,
    swapped: bool,
    flip: bool,
    k: int,
    codes: np.ndarray,
    lines: np.ndarray,
    out: np.ndarray,
) -> None:
    """Means of 16-bit words; ``lines`` is room for sums over even and over odd rows."""
    height, width = words.shape
    rows, columns, channels = out.shape
    top = np.uint16(0x8000) if flip else np.uint16(0)
    for j in range(rows):
        lines[:] = 0
        last = min((j + 1) * k, height)
        for y in range(j * k, last):
            source, line = words[y], lines[y % 2]
            if swapped:
                for i in range(width):
                    word = np.uint16((source[i] << np.uint16(8)) | (source[i] >> np.uint16(8)))
                    line[i] += word ^ top
            else:
                for i in range(width):
                    line[i] += source[i] ^ top
        high = np.array([(last + 1) // 2 - (j * k + 1) // 2, last // 2 - j * k // 2])
        for i in range(columns):
            stop = min((i + 1) * k, width)
            wide = (stop + 1) // 2 - (i * k + 1) // 2, stop // 2 - i * k // 2
            for c in range(channels):
                total, count = 0.0, 0
                for p in range(4):
                    if codes[p] == c:
                        first = i * k + (i * k + p) % 2
                        for x in range(first, stop, 2):
                            total += lines[p // 2, x]
                        count += high[p // 2] * (wide[0] if p % 2 == 0 else wide[1])
                out[j, i, c] = total / count if count else np.nan


@kernel
def _float_means(values: np.ndarray, k: int, codes: np.ndarray, out: np.ndarray) -> None:
    """Means of the floats that are finite."""
    height, width = values.shape
    rows, columns, channels = out.shape
    zero = np.float32(0)
    sums, count = np.zeros(channels), np.zeros(channels, np.int64)
    for j in range(rows):
        for i in range(columns):
            sums[:] = 0.0
            count[:] = 0
            for y in range(j * k, min((j + 1) * k, height)):
                for x in range(i * k, min((i + 1) * k, width)):
                    value = values[y, x]
                    if value - value == zero:
                        c = codes[2 * (y % 2) + x % 2]
                        sums[c] += value
                        count[c] += 1
            for c in range(channels):
                out[j, i, c] = sums[c] / count[c] if count[c] else np.nan


@kernel
def _halves(means: np.ndarray, out: np.ndarray) -> None:
    rows, columns, channels = means.shape
    zero = np.float32(0)
    for j in range(out.shape[0]):
        for i in range(out.shape[1]):
            for c in range(channels):
                total, count = np.float32(0), np.float32(0)
                for y in range(2 * j, min(2 * j + 2, rows)):
                    for x in range(2 * i, min(2 * i + 2, columns)):
                        value = means[y, x, c]
                        if value - value == zero:
                            total += value
                            count += np.float32(1)
                out[j, i, c] = total / count if count else np.nan


@kernel
def _interpolate(
    values: np.ndarray, codes: np.ndarray, weights: np.ndarray, out: np.ndarray
) -> None:
    height, width = values.shape
    zero = np.float32(0)
    sums, whole = np.zeros(3, np.float32), np.zeros(3, np.float32)
    for y in range(height):
        for x in range(width):
            sums[:] = 0
            whole[:] = 0
            for j in range(max(y - 1, 0), min(y + 2, height)):
                for i in range(max(x - 1, 0), min(x + 2, width)):
                    value = values[j, i]
                    if value - value == zero:
                        c = codes[2 * (j % 2) + i % 2]
                        weight = weights[c, j - y + 1, i - x + 1]
                        sums[c] += weight * value
                        whole[c] += weight
            for c in range(3):
                out[y, x, c] = sums[c] / whole[c] if whole[c] else np.nan
