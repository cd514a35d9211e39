"""Stored arrays of any type turned into `Pixels`, with as little copying as faithfulness allows.

Memory for a frame's bytes, kept from one frame to the next.

A fresh array of that size is cleared by the system page by page, which takes as long as
reading the file into it.
"""

from __future__ import annotations

import sys

import numpy as np

from subgrade.lights.model import Pixels

FULL_SCALE = 65535.0
"""What 1.0 of a 0..1 file is taken for."""
UNIT_NOTE = "values between 0 and 1 were multiplied by 65535"
UNIT_MAX = 1.2
"""Floats up to here are taken for 0..1; interpolation overshoots 1 a little.  A frame in ADU or
electrons never stays below, because its photon noise alone is larger."""
LARGEST = 1e15
"""Larger values are damage, and their squares no longer numbers."""
EIGHT_BITS = "8 bits per pixel, 256 levels: faint stars and sky noise are recorded coarsely"
_CHUNK = 1 << 18
"""Values converted at a time: two copies of them stay in the processor's cache."""
_SIGN_16 = 32768.0


def plane_of(array: np.ndarray) -> tuple[np.ndarray | None, str]:
    """Find the image plane(s) in an array of two or more axes.

    Parameters
    ----------
    array : ndarray
        In C order, so a colour file is (3, height, width) or (height, width, 3).

    Returns
    -------
    planes : ndarray or None
        (height, width) or (3, height, width); None where the array is no image.
    cause : str
        Why it is none, else empty.
    """
    if array.size == 0:
        return None, "the image has no pixels"
    if array.ndim > 2:
        array = np.squeeze(array)
    size = " x ".join(str(n) for n in reversed(array.shape))
    if array.ndim < 2:
        return None, f"the data are one-dimensional ({array.size} values), not an image"
    if array.ndim == 3:
        if array.shape[0] == 3:
            planes = array
        elif array.shape[2] == 3:
            planes = np.moveaxis(array, 2, 0)
        else:
            return None, f"a data cube of {size}: neither one plane nor three colours"
    elif array.ndim == 2:
        planes = array
    else:
        return None, f"a data cube of {size}: neither one plane nor three colours"
    if min(planes.shape[-2:]) < 2:
        return None, f"the image is only {size} pixels"
    return planes, ""


def to_pixels(
    planes: np.ndarray,
    *,
    zero: float = 0.0,
    scale: float = 1.0,
    blank: int | None = None,
) -> tuple[Pixels, list[str]]:
    """Turn stored numbers into `Pixels`.

    Parameters
    ----------
    planes : ndarray, shape (height, width) or (3, height, width)
        As stored: any real type, any byte order; three planes are averaged.
    zero, scale : float
        Physical value = ``zero + scale * stored`` (FITS BZERO, BSCALE).
    blank : int, optional
        Stored whole number that marks a pixel without a value (FITS BLANK).

    Returns
    -------
    pixels : Pixels
        16-bit planes keep their memory (no copy) unless they hold blank pixels.
    notes : list of str

    Raises
    ------
    ValueError
        If the numbers are not real.
    """
    notes: list[str] = []
    kind = planes.dtype.kind
    if kind == "b":
        planes, kind = planes.view(np.uint8), "u"
    if kind == "f":
        blank = None
    if kind not in "iuf":
        raise ValueError(f"pixels of type {planes.dtype} are not real numbers")
    if blank is not None and not _holds(planes, blank):
        blank = None
    if planes.dtype.itemsize == 1:
        notes.append(EIGHT_BITS)
    words = kind in "iu" and planes.dtype.itemsize <= 2 and planes.ndim == 2
    words = words and abs(zero) + 65536.0 * abs(scale) <= LARGEST
    if words and blank is None and scale > 0:
        pixels = _words(planes, zero, scale)
    else:
        pixels = _floats(planes, zero, scale, blank, notes)
    return _from_unit_range(pixels, notes), notes


def _holds(planes: np.ndarray, blank: int) -> bool:
    limits = np.iinfo(planes.dtype)
    if not limits.min <= blank <= limits.max:
        return False
    flat = planes.reshape(-1) if planes.flags.c_contiguous else planes.ravel()
    return any(bool((flat[i : i + _CHUNK] == blank).any()) for i in range(0, flat.size, _CHUNK))


def _words(plane: np.ndarray, zero: float, scale: float) -> Pixels:
    if plane.dtype.itemsize == 1:
        signed = plane.dtype.kind == "i"
        wide = plane.astype(np.int16 if signed else np.uint16)
        if signed:  # lift -128..127 to words that are never negative
            wide, zero = (wide + np.int16(128)).astype(np.uint16), zero - 128.0 * scale
        return Pixels(np.ascontiguousarray(wide), zero=zero, scale=scale)
    swapped = not plane.dtype.isnative
    signed = plane.dtype.kind == "i"
    data = np.ascontiguousarray(plane).view(np.dtype(np.uint16))
    # a signed word with its top bit flipped reads as the signed value + 32768
    return Pixels(
        data,
        swapped=swapped,
        sign_flip=signed,
        zero=zero - _SIGN_16 * scale if signed else zero,
        scale=scale,
    )


def _floats(
    planes: np.ndarray, zero: float, scale: float, blank: int | None, notes: list[str]
) -> Pixels:
    height, width = planes.shape[-2:]
    stack = planes if planes.ndim == 3 else planes[np.newaxis]
    out = np.empty((height, width), np.float32)
    rows = max(1, _CHUNK // width)
    exact = planes.dtype.kind in "iu" or planes.dtype.itemsize > 4
    work = np.float64 if exact or zero or scale != 1.0 else np.float32
    bad = 0
    with np.errstate(all="ignore"):
        for top in range(0, height, rows):
            part = slice(top, min(top + rows, height))
            total = None
            for plane in stack:
                values = plane[part].astype(work)
                if blank is not None:
                    values[plane[part] == blank] = np.nan
                total = values if total is None else total + values
            if len(stack) > 1:
                total /= len(stack)
            if scale != 1.0:
                total *= scale
            if zero != 0.0:
                total += zero
            block = total.astype(np.float32, copy=False)
            finite = np.abs(block) <= LARGEST  # NaN is not
            missing = block.size - int(np.count_nonzero(finite))
            if missing:
                block[~finite] = np.nan
                bad += missing
            out[part] = block
    if bad:
        notes.append(f"{bad} pixels without a value ({100.0 * bad / out.size:.2g} %)")
    if len(stack) > 1:
        notes.append("three colour planes: their mean was measured")
    integer = len(stack) == 1 and (planes.dtype.kind in "iu" or _whole(out))
    return Pixels(out, integer=integer)


def _from_unit_range(pixels: Pixels, notes: list[str]) -> Pixels:
    """Bring 0..1 data to the usual 16-bit range; leave everything else."""
    if pixels.data.dtype == np.uint16:
        top = pixels.zero + pixels.scale * 65535.0
        if not (pixels.zero > -UNIT_MAX and 0.0 < top <= UNIT_MAX):
            return pixels
        notes.append(UNIT_NOTE)
        return Pixels(
            pixels.data,
            pixels.swapped,
            pixels.sign_flip,
            pixels.zero * FULL_SCALE,
            pixels.scale * FULL_SCALE,
        )
    # fmax and fmin skip NaN, and an all-NaN frame gives NaN without a warning
    top = float(np.fmax.reduce(pixels.data, axis=None))
    if not 0.0 < top <= UNIT_MAX or float(np.fmin.reduce(pixels.data, axis=None)) < -UNIT_MAX:
        return pixels
    data = pixels.data * np.float32(FULL_SCALE)
    notes.append(UNIT_NOTE)
    return Pixels(data, integer=pixels.integer or _whole(data))


def _whole(plane: np.ndarray) -> bool:
    """Whether a sample of the values are whole numbers, within float32 rounding."""
    sample = plane.reshape(-1)[:: max(1, plane.size // 50_000)]
    sample = sample[np.isfinite(sample)]
    if sample.size == 0:
        return False
    return bool(np.all(np.abs(sample - np.rint(sample)) <= 0.01))


def big_endian(bitpix: int) -> np.dtype:
    """The numpy type of a FITS BITPIX.

    Raises
    ------
    KeyError
        If FITS knows no such value.
    """
    return np.dtype({8: "u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}[bitpix])


_kept: list[np.ndarray] = []
_UNUSED = 2
"""References to an array that only a local name and the call asking for them hold."""


def room_for(size: int) -> np.ndarray:
    """An array of bytes with any content.

    Parameters
    ----------
    size : int

    Returns
    -------
    ndarray of uint8, shape (size,)
        In the memory of an earlier frame, if nothing refers to that any more.
    """
    room = _kept.pop() if _kept else None
    if room is None or sys.getrefcount(room) > _UNUSED or not size <= len(room) <= 2 * size:
        room = None  # frees what is too small before more is taken
        room = np.empty(size, np.uint8)
    if not _kept:
        _kept.append(room)
    return room[:size]
