"""Colour mosaics: which pixels are green, and the green sky.

A mosaic is measured on its green pixels, which form a diagonal lattice as fine
as 1.4 pixels, so no interpolation smears the stars.
"""

from __future__ import annotations

import numpy as np

from subgrade.lights.model import Pixels
from subgrade.stars.compiled import kernel
from subgrade.stars.raster import decode, sealed

GREEN_PARITY = {"RGGB": 1, "BGGR": 1, "GRBG": 0, "GBRG": 0}
"""(x + y) % 2 of the green pixels, by the pattern of the first 2x2 cell."""


def _cell_levels(pixels: Pixels) -> tuple[np.ndarray, np.ndarray]:
    """Median and its error for each place of the 2x2 cell, shape (2, 2), from mid-frame."""
    height, width = pixels.shape
    side = min(height, width, 240) // 2 * 2
    y = (height - side) // 4 * 2
    x = (width - side) // 4 * 2
    part = decode(pixels.data[y : y + side, x : x + side], pixels)
    levels = np.zeros((2, 2))
    errors = np.zeros((2, 2))
    for j in (0, 1):
        for i in (0, 1):
            values = part[j::2, i::2]
            values = values[np.isfinite(values)]
            if len(values) < 16:
                return np.zeros((2, 2)), np.full((2, 2), np.inf)
            # the mean of the middle half: finer than a median of whole numbers
            low, high = np.quantile(values, (0.25, 0.75))
            middle = values[(values >= low) & (values <= high)]
            levels[j, i] = middle.mean(dtype=np.float64)
            errors[j, i] = 1.36 * max((high - low) / 1.349, 0.29) / np.sqrt(len(values))
    return levels, errors


def green_lattice(pixels: Pixels, pattern: str | None) -> tuple[int, str]:
    """Look for the green pixels of a mosaic.

    The header's pattern is checked against the sky: the two green places of a
    cell are alike, red and blue seldom are.  Where the sky contradicts the header
    beyond doubt the sky is believed, and a pattern the header is silent about is
    found when the sky shows it.

    Parameters
    ----------
    pixels : Pixels
    pattern : str or None
        The header's.

    Returns
    -------
    int
        ``(x + y) % 2`` of the green pixels, -1 for a frame without mosaic.
    str
        A note, or empty.
    """
    stated = GREEN_PARITY.get((pattern or "").upper(), -1)
    if min(pixels.shape) < 16:
        return stated, ""
    levels, errors = _cell_levels(pixels)
    if not np.isfinite(errors).all() or errors.min() <= 0:
        return stated, ""
    even = abs(levels[0, 0] - levels[1, 1]) / np.hypot(errors[0, 0], errors[1, 1])
    odd = abs(levels[0, 1] - levels[1, 0]) / np.hypot(errors[0, 1], errors[1, 0])
    if stated >= 0:
        same, other = (even, odd) if stated == 0 else (odd, even)
        if same > 12 and other < 4:
            return 1 - stated, f"the sky shows green elsewhere than {pattern} has it"
        return stated, ""
    means = (0.5 * (levels[0, 0] + levels[1, 1]), 0.5 * (levels[0, 1] + levels[1, 0]))
    apart = abs(means[0] - means[1]) / (0.5 * np.sqrt(np.sum(errors**2)))
    if max(even, odd) > 25 and min(even, odd) < 4 and apart > 10:
        parity = 0 if even < odd else 1
        return parity, "the sky shows a colour mosaic that the header does not name"
    return -1, ""


@kernel
def _green_means(
    words: np.ndarray,
    swapped: bool,
    flip: bool,
    zero: float,
    scale: float,
    parity: int,
    out: np.ndarray,
) -> None:
    """Green means from rows seen as 32-bit words that hold two 16-bit pixels each."""
    low = np.uint32(0xFFFF)
    top = np.uint32(0x8000) if flip else np.uint32(0)
    upper_shift = np.uint32(16 * parity)
    lower_shift = np.uint32(16 - 16 * parity)
    eight = np.uint32(8)
    byte = np.uint32(255)
    s = np.float32(scale)
    z = np.float32(zero)
    half = np.float32(0.5)
    for j in range(out.shape[0]):
        upper = words[2 * j]
        lower = words[2 * j + 1]
        line = out[j]
        for i in range(out.shape[1]):
            a = (upper[i] >> upper_shift) & low
            b = (lower[i] >> lower_shift) & low
            if swapped:
                a = ((a & byte) << eight) | (a >> eight)
                b = ((b & byte) << eight) | (b >> eight)
            one = np.float32(np.int32(a ^ top)) * s + z
            two = np.float32(np.int32(b ^ top)) * s + z
            line[i] = half * (one + two)


def green_means(pixels: Pixels, parity: int) -> np.ndarray:
    """Mean of the green pixels of every 2x2 cell, ADU, float32, shape (height // 2, width // 2)."""
    height, width = pixels.shape
    h, w = height // 2, width // 2
    left = parity  # column of the green pixel in the upper row of the cell
    data = pixels.data
    out = np.empty((h, w), np.float32)
    if data.dtype == np.uint16 and width % 2 == 0:
        words = sealed(data).view(np.uint32)
        zero, scale = float(pixels.zero), float(pixels.scale)
        _green_means(words, pixels.swapped, pixels.sign_flip, zero, scale, parity, out)
        return out
    for start in range(0, h, 256):
        stop = min(start + 256, h)
        upper = decode(data[2 * start : 2 * stop : 2, left::2][:, :w], pixels)
        lower = decode(data[2 * start + 1 : 2 * stop : 2, 1 - left :: 2][:, :w], pixels)
        out[start:stop] = 0.5 * (upper + lower)
    return out
