"""Passes over a frame's pixels: decode stored words, average blocks, cut stamps.

Only the functions of this file and of `areas` touch a full frame.  Everything later works on
block means (a quarter of the pixels or fewer) or on stamps around stars.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.lights.model import Pixels
from subgrade.stars.compiled import kernel

HIGH_BITS = np.uint32(0x80008000)
LOW_BITS = np.uint32(0x00800080)


@kernel
def _pair_means(
    words: np.ndarray, swapped: bool, flip: bool, zero: float, quarter_scale: float, out: np.ndarray
) -> None:
    """2x2 means from rows seen as 32-bit words that hold two 16-bit pixels each."""
    mask = np.uint32(0x00FF00FF)
    low = np.uint32(0xFFFF)
    flip_swapped = LOW_BITS if flip else np.uint32(0)
    flip_native = HIGH_BITS if flip else np.uint32(0)
    s = np.float32(quarter_scale)
    z = np.float32(zero)
    for j in range(out.shape[0]):
        top = words[2 * j]
        bottom = words[2 * j + 1]
        line = out[j]
        if swapped:
            for i in range(out.shape[1]):
                a = top[i] ^ flip_swapped
                b = bottom[i] ^ flip_swapped
                high = (a & mask) + (b & mask)
                lower = ((a >> np.uint32(8)) & mask) + ((b >> np.uint32(8)) & mask)
                total = ((high & low) + (high >> np.uint32(16))) * np.uint32(256) + (
                    (lower & low) + (lower >> np.uint32(16))
                )
                line[i] = np.float32(np.int32(total)) * s + z
        else:
            for i in range(out.shape[1]):
                a = top[i] ^ flip_native
                b = bottom[i] ^ flip_native
                total = (a & low) + (a >> np.uint32(16)) + (b & low) + (b >> np.uint32(16))
                line[i] = np.float32(np.int32(total)) * s + z


@kernel
def _halve(image: np.ndarray, out: np.ndarray) -> None:
    """Means of 2x2 blocks of a float32 image; a NaN or infinity makes its block NaN."""
    quarter = np.float32(0.25)
    for j in range(out.shape[0]):
        top = image[2 * j]
        bottom = image[2 * j + 1]
        for i in range(out.shape[1]):
            mean = (top[2 * i] + top[2 * i + 1] + bottom[2 * i] + bottom[2 * i + 1]) * quarter
            # infinity less itself is NaN, so infinite pixels count as bad ones
            out[j, i] = mean + (mean - mean)


def sealed(data: np.ndarray) -> np.ndarray:
    """A read-only view, so that compiled code exists once for mapped files and arrays."""
    view = data.view(np.ndarray)
    view.flags.writeable = False
    return view


NO_WORDS = sealed(np.zeros((0, 0), np.uint16))
NO_FLOATS = sealed(np.zeros((0, 0), np.float32))


def decode(words: np.ndarray, pixels: Pixels) -> np.ndarray:
    """Physical float32 values of stored words cut out of ``pixels.data``, of the same shape."""
    cut = Pixels(
        np.ascontiguousarray(words), pixels.swapped, pixels.sign_flip, pixels.zero, pixels.scale
    )
    return cut.physical()


def block_means(pixels: Pixels) -> np.ndarray:
    """Means of 2x2 pixel blocks of the whole frame, ADU.

    On a colour mosaic a block is one cell of the pattern, so the result has no
    mosaic in it.  An odd last row or column is left out.

    Returns
    -------
    ndarray of float32, shape (height // 2, width // 2)
    """
    data = pixels.data
    height, width = data.shape
    out = np.empty((height // 2, width // 2), np.float32)
    if data.dtype == np.uint16 and width % 2 == 0:
        words = sealed(data).view(np.uint32)
        _pair_means(words, pixels.swapped, pixels.sign_flip, pixels.zero, 0.25 * pixels.scale, out)
        return out
    if data.dtype == np.uint16:
        rows = 256
        for start in range(0, height - height % 2, rows):
            part = decode(data[start : start + rows], pixels)
            _halve(sealed(part), out[start // 2 : (start + len(part)) // 2])
        return out
    _halve(sealed(data), out)
    if pixels.scale != 1.0 or pixels.zero != 0.0:
        out *= np.float32(pixels.scale)
        out += np.float32(pixels.zero)
    return out


def halved(image: np.ndarray) -> np.ndarray:
    """Means of 2x2 blocks of a float32 image, shape (height // 2, width // 2)."""
    out = np.empty((image.shape[0] // 2, image.shape[1] // 2), np.float32)
    _halve(sealed(image), out)
    return out


@kernel
def _cut(
    words: np.ndarray,
    floats: np.ndarray,
    swapped: bool,
    flip: bool,
    zero: float,
    scale: float,
    parity: int,
    sky: np.ndarray,
    mesh: int,
    xs: np.ndarray,
    ys: np.ndarray,
    out: np.ndarray,
) -> None:
    """Stamps from 16-bit words, or from floats where there are no words."""
    integer_words = words.shape[0] > 0
    height, width = words.shape if integer_words else floats.shape
    half = out.shape[1] // 2
    nan = np.float32(np.nan)
    for k in range(len(xs)):
        if not (abs(xs[k]) < 1e7 and abs(ys[k]) < 1e7):
            out[k] = nan
            continue
        x0 = int(np.floor(xs[k] + 0.5))
        y0 = int(np.floor(ys[k] + 0.5))
        level = _sky_at(sky, mesh, xs[k], ys[k])
        step = 4.0
        slope_x = (
            _sky_at(sky, mesh, xs[k] + step, ys[k]) - _sky_at(sky, mesh, xs[k] - step, ys[k])
        ) / (2 * step)
        slope_y = (
            _sky_at(sky, mesh, xs[k], ys[k] + step) - _sky_at(sky, mesh, xs[k], ys[k] - step)
        ) / (2 * step)
        whole = x0 >= half and y0 >= half and x0 + half < width and y0 + half < height
        if integer_words and parity < 0 and whole:
            base = zero - level - slope_x * (x0 - half - xs[k])
            gain = np.float32(scale)
            tilt = np.float32(slope_x)
            for j in range(2 * half + 1):
                y = y0 - half + j
                source = words[y, x0 - half : x0 + half + 1]
                line = out[k, j]
                offset = np.float32(base - slope_y * (y - ys[k]))
                for i in range(2 * half + 1):
                    word = np.int32(source[i])
                    if swapped:
                        word = ((word & 255) << 8) | (word >> 8)
                    if flip:
                        word ^= 0x8000
                    line[i] = np.float32(word) * gain + (offset - tilt * np.float32(i))
            continue
        if integer_words and whole:
            for j in range(2 * half + 1):
                y = y0 - half + j
                source = words[y, x0 - half : x0 + half + 1]
                line = out[k, j]
                other = (x0 - half + y + parity + 1) & 1
                along_y = slope_y * (y - ys[k])
                for i in range(2 * half + 1):
                    word = np.int32(source[i])
                    if swapped:
                        word = ((word & 255) << 8) | (word >> 8)
                    if flip:
                        word ^= 0x8000
                    value = word * scale + zero
                    value = value - level - slope_x * (x0 - half + i - xs[k]) - along_y
                    line[i] = nan if (i & 1) == other else np.float32(value)
            continue
        for j in range(-half, half + 1):
            y = y0 + j
            for i in range(-half, half + 1):
                x = x0 + i
                if x < 0 or y < 0 or x >= width or y >= height:
                    out[k, j + half, i + half] = nan
                    continue
                if parity >= 0 and ((x + y) & 1) != parity:
                    out[k, j + half, i + half] = nan
                    continue
                if integer_words:
                    word = int(words[y, x])
                    if swapped:
                        word = ((word & 255) << 8) | (word >> 8)
                    if flip:
                        word ^= 0x8000
                    value = word * scale + zero
                else:
                    value = floats[y, x] * scale + zero
                    value += value - value  # infinite to NaN
                out[k, j + half, i + half] = np.float32(
                    value - level - slope_x * (x - xs[k]) - slope_y * (y - ys[k])
                )


@kernel
def _sky_at(sky: np.ndarray, mesh: int, x: float, y: float) -> float:
    """Bilinear value of a mesh map at a pixel, continued linearly beyond the outer centres."""
    rows, columns = sky.shape
    v = (y + 0.5) / mesh - 0.5
    u = (x + 0.5) / mesh - 0.5
    j = 0
    i = 0
    if rows > 1:
        v = min(max(v, -0.5), rows - 0.5)
        j = min(max(int(np.floor(v)), 0), rows - 2)
    else:
        v = 0.0
    if columns > 1:
        u = min(max(u, -0.5), columns - 0.5)
        i = min(max(int(np.floor(u)), 0), columns - 2)
    else:
        u = 0.0
    fv = v - j
    fu = u - i
    i1 = i + 1 if columns > 1 else 0
    j1 = j + 1 if rows > 1 else 0
    return (sky[j, i] * (1 - fu) + sky[j, i1] * fu) * (1 - fv) + (
        sky[j1, i] * (1 - fu) + sky[j1, i1] * fu
    ) * fv


@kernel
def sky_at(sky: np.ndarray, mesh: int, xs: np.ndarray, ys: np.ndarray) -> np.ndarray:
    """Bilinear values of a mesh map at many pixels.

    Parameters
    ----------
    sky : ndarray of float32, shape (rows, columns)
    mesh : int
        Side of its cells, px.
    xs, ys : ndarray of float, shape (n,)
        Places, px.

    Returns
    -------
    ndarray, shape (n,)
    """
    out = np.empty(len(xs), np.float64)
    for k in range(len(xs)):
        out[k] = _sky_at(sky, mesh, xs[k], ys[k])
    return out


@dataclass(frozen=True, slots=True)
class Stamps:
    """Square cut-outs of a frame, sky removed.

    Attributes
    ----------
    data : ndarray of float32, shape (n, s, s)
        NaN off the frame, on bad pixels and on pixels of other colours.
    x0, y0 : ndarray of float64, shape (n,)
        Frame position of each stamp's first element.
    """

    data: np.ndarray
    x0: np.ndarray
    y0: np.ndarray

    def __len__(self) -> int:
        return len(self.data)

    def __getitem__(self, index: np.ndarray | slice) -> Stamps:
        return Stamps(self.data[index], self.x0[index], self.y0[index])


def cut_stamps(
    pixels: Pixels,
    sky: np.ndarray,
    mesh: int,
    x: np.ndarray,
    y: np.ndarray,
    half: int,
    parity: int = -1,
) -> Stamps:
    """Square cut-outs around positions, sky removed.

    Parameters
    ----------
    pixels : Pixels
    sky : ndarray of float32, shape (rows, columns)
        Background map with cells of ``mesh`` pixels.
    x, y : array of float, shape (n,)
        Positions, px; a stamp is centred on the nearest whole pixel.
    half : int
        Stamps measure ``2 * half + 1`` pixels a side.
    parity : int
        -1 for every pixel, else only pixels with ``(x + y) % 2 == parity`` (the
        green ones of a mosaic); the others are NaN, as are pixels off the frame.

    Returns
    -------
    Stamps
        Of ``2 * half + 1`` pixels a side.
    """
    x = np.ascontiguousarray(x, np.float64)
    y = np.ascontiguousarray(y, np.float64)
    out = np.empty((len(x), 2 * half + 1, 2 * half + 1), np.float32)
    words = pixels.data.dtype == np.uint16
    _cut(
        sealed(pixels.data) if words else NO_WORDS,
        NO_FLOATS if words else sealed(pixels.data),
        pixels.swapped,
        pixels.sign_flip,
        float(pixels.zero),
        float(pixels.scale),
        parity,
        sky,
        mesh,
        x,
        y,
        out,
    )
    return Stamps(out, np.floor(x + 0.5) - half, np.floor(y + 0.5) - half)


@kernel
def blank(
    data: np.ndarray, x0: np.ndarray, y0: np.ndarray, width: int, bad: np.ndarray, first: np.ndarray
) -> None:
    """Set pixels of stamps to NaN, in place.

    Parameters
    ----------
    data : ndarray of float32, shape (n, k, k)
    x0, y0 : ndarray, shape (n,)
        First column and row of each stamp.
    width : int
        Of the frame.
    bad : ndarray of int
        Sorted indices ``y * width + x``.
    first : ndarray of int, shape (height + 1,)
        Place in ``bad`` of the first pixel of each row, and of the end.
    """
    size = data.shape[1]
    height = len(first) - 1
    for k in range(data.shape[0]):
        left = int(x0[k])
        top = int(y0[k])
        for y in range(max(top, 0), min(top + size, height)):
            for at in range(first[y], first[y + 1]):
                i = bad[at] - y * width - left
                if 0 <= i < size:
                    data[k, y - top, i] = np.nan
