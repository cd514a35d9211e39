"""Means over blocks of any size: a whole frame made small in one pass."""

from __future__ import annotations

import numpy as np

from subgrade.lights.model import Pixels
from subgrade.stars.compiled import kernel
from subgrade.stars.raster import sealed


@kernel
def _word_sums(
    words: np.ndarray,
    swapped: bool,
    flip: bool,
    k: int,
    line: np.ndarray,
    sums: np.ndarray,
    count: np.ndarray,
) -> None:
    """Sums over k x k blocks of 16-bit words, and how many pixels each block holds."""
    height, width = words.shape
    rows, columns = sums.shape
    top = np.uint16(0x8000) if flip else np.uint16(0)
    for j in range(rows):
        line[:] = 0
        last = min((j + 1) * k, height)
        for y in range(j * k, last):
            source = words[y]
            if swapped:
                for i in range(width):
                    word = np.uint16((source[i] << np.uint16(8)) | (source[i] >> np.uint16(8)))
                    line[i] += word ^ top
            else:
                for i in range(width):
                    line[i] += source[i] ^ top
        for i in range(columns):
            stop = min((i + 1) * k, width)
            total = 0.0
            for x in range(i * k, stop):
                total += line[x]
            sums[j, i] = total
            count[j, i] = (last - j * k) * (stop - i * k)


@kernel
def _float_sums(
    values: np.ndarray,
    k: int,
    line: np.ndarray,
    good: np.ndarray,
    sums: np.ndarray,
    count: np.ndarray,
) -> None:
    """Sums over k x k blocks of the floats that are finite, and how many those are."""
    height, width = values.shape
    rows, columns = sums.shape
    none = np.float32(0)
    for j in range(rows):
        line[:] = 0
        good[:] = 0
        for y in range(j * k, min((j + 1) * k, height)):
            source = values[y]
            for i in range(width):
                value = source[i]
                finite = value - value == none
                line[i] += value if finite else none
                good[i] += 1 if finite else 0
        for i in range(columns):
            total = 0.0
            number = 0
            for x in range(i * k, min((i + 1) * k, width)):
                total += line[x]
                number += good[x]
            sums[j, i] = total
            count[j, i] = number


def area_means(pixels: Pixels, k: int) -> np.ndarray:
    """Means of k x k pixel blocks, ADU; blocks at the far edges may hold fewer pixels.

    Returns
    -------
    ndarray of float64, shape (ceil(height / k), ceil(width / k))
        NaN where no pixel of the block holds a finite number.
    """
    data = sealed(pixels.data)
    height, width = data.shape
    sums = np.empty((-(-height // k), -(-width // k)))
    count = np.empty(sums.shape, np.int64)
    if data.dtype == np.uint16:
        line = np.empty(width, np.uint32)
        _word_sums(data, pixels.swapped, pixels.sign_flip, k, line, sums, count)
    else:
        line, good = np.empty(width, np.float32), np.empty(width, np.int32)
        _float_sums(data, k, line, good, sums, count)
    sums[(count == 0) | ~np.isfinite(sums)] = np.nan
    return sums / np.maximum(count, 1) * pixels.scale + pixels.zero
