"""FITS files: find the image in the file and hand its pixels on as stored.

A plain 16-bit frame is mapped, not read: opening costs a header, whatever the
frame's size.  Only tile-compressed images go through astropy's file reader.
"""

from __future__ import annotations

import gzip
import math
import mmap
import os
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from subgrade.errors import UnreadableFile
from subgrade.lights.cards import BLOCK, Cards, header_length
from subgrade.lights.checksums import broken_checksum
from subgrade.lights.model import Pixels
from subgrade.lights.planes import big_endian, plane_of, to_pixels
from subgrade.lights.tiles import decompressed

GZIP_MAGIC = b"\x1f\x8b"
_BITPIX = (8, 16, 32, 64, -32, -64)
_MAX_PIXELS = 1 << 32
_MAX_UNPACKED = 1 << 33
_STRUCTURE = ("SIMPLE", "XTENSION", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "NAXIS3", "EXTEND")


@dataclass(frozen=True, slots=True)
class Stored:
    """One image as a file holds it.

    Attributes
    ----------
    cards : Cards
        The image's header over the primary header.
    shape : tuple of int
        (height, width).
    colour : bool
        Whether the file held three colour planes.
    pixels : Pixels or None
        None where only the header was asked for.
    notes : tuple of str
    """

    cards: Cards
    shape: tuple[int, int]
    colour: bool
    pixels: Pixels | None
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Hdu:
    index: int
    cards: Cards
    head: int
    start: int
    nbytes: int
    axes: tuple[int, ...]
    bitpix: int
    kind: str  # image, compressed, table, none

    @property
    def image(self) -> bool:
        real = [n for n in self.axes if n != 1]
        return self.kind in ("image", "compressed") and len(real) >= 2 and min(self.axes) > 0


def looks_like_fits(start: bytes) -> bool:
    """Whether a file's first bytes (9 or more) are those of a FITS header."""
    return start[:6] == b"SIMPLE" and start[6:9].lstrip(b" ")[:1] == b"="


def read_fits(path) -> Stored:
    """Read the image of a FITS file.

    Plain, gzip-wrapped and tile-compressed files are read, with the image in the
    primary or a later HDU; of several images the first of the largest size counts.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    Stored
        A plain 16-bit image's pixels are a read-only view of the mapped file; the
        mapping ends, and the file is free, when the last reference is dropped.

    Raises
    ------
    UnreadableFile
        Damaged, truncated, or without a two-dimensional image.
    """
    return _read(Path(path), with_pixels=True)


def read_fits_header(path) -> Stored:
    """Like `read_fits`, without the pixels; a file whose pixels are cut short passes.

    Raises
    ------
    UnreadableFile
    """
    return _read(Path(path), with_pixels=False)


def _read(path: Path, with_pixels: bool) -> Stored:
    data = _contents(path)
    try:
        return _read_contents(path, data, with_pixels)
    finally:
        if isinstance(data, mmap.mmap) and not with_pixels:
            data.close()


def _contents(path: Path):
    """The file's bytes: mapped, or unpacked when a gzip wrapper is around them."""
    try:
        with open(path, "rb") as file:
            if os.fstat(file.fileno()).st_size == 0:
                raise UnreadableFile(path, "the file is empty")
            if file.read(2) == GZIP_MAGIC:
                return _unpacked(path, file)
            return mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ)
    except OSError as error:
        raise UnreadableFile(path, f"cannot be opened: {error.strerror or error}") from None
    except ValueError as error:  # mmap of a file that shrank, of a device
        raise UnreadableFile(path, f"cannot be opened: {error}") from None


def _unpacked(path: Path, file) -> bytes:
    file.seek(0)
    parts, size = [], 0
    try:
        with gzip.GzipFile(fileobj=file) as unpack:
            while part := unpack.read(1 << 24):
                size += len(part)
                if size > _MAX_UNPACKED:
                    raise UnreadableFile(path, "the gzip file unpacks to more than 8 GiB")
                parts.append(part)
    except (OSError, EOFError, zlib.error, MemoryError) as error:
        cause = f"the gzip file is damaged or cut short ({error})"
        raise UnreadableFile(path, cause) from None
    return b"".join(parts)


def _read_contents(path: Path, data, with_pixels: bool) -> Stored:
    hdu, primary, notes = _image_hdu(path, data)
    cards = hdu.cards if hdu.index == 0 else hdu.cards.over(primary.without(_STRUCTURE))
    shape, colour = _plane_shape(path, hdu)
    if not with_pixels:
        return Stored(cards, shape, colour, None, tuple(notes))
    if hdu.kind == "compressed":
        _check_length(path, data, hdu, hdu.nbytes, "compressed pixels")
        notes += _check_sums(path, data, hdu)
        array = decompressed(path, data, hdu.index, hdu.cards, hdu.axes)
        blank = hdu.cards.whole("ZBLANK") if "ZBLANK" in hdu.cards else hdu.cards.whole("BLANK")
    else:
        array = _view(path, data, hdu)
        notes += _check_sums(path, data, hdu)
        blank = hdu.cards.whole("BLANK")
    planes, cause = plane_of(array)
    if planes is None:
        raise UnreadableFile(path, cause)
    zero, scale = _scaling(path, hdu.cards)
    try:
        pixels, more = to_pixels(planes, zero=zero, scale=scale, blank=blank)
    except MemoryError:
        raise UnreadableFile(path, f"not enough memory for {planes.size} pixels") from None
    return Stored(cards, shape, colour, pixels, (*notes, *more))


def _image_hdu(path: Path, data) -> tuple[_Hdu, Cards, list[str]]:
    """The HDU to measure, the primary header, and notes."""
    hdus: list[_Hdu] = []
    images: list[_Hdu] = []
    for hdu in _walk(path, data):
        hdus.append(hdu)
        if hdu.image:
            images.append(hdu)
            if hdu.index == 0:
                return hdu, hdu.cards, []
    if not images:
        raise UnreadableFile(path, _no_image_cause(hdus))
    best = max(images, key=lambda hdu: math.prod(hdu.axes))
    same = sum(math.prod(hdu.axes) == math.prod(best.axes) for hdu in images)
    if same == 1:
        return best, hdus[0].cards, []
    note = f"the file holds {same} images of this size; the first was measured"
    return best, hdus[0].cards, [note]


def _no_image_cause(hdus: list[_Hdu]) -> str:
    flat = [hdu for hdu in hdus if hdu.kind in ("image", "compressed") and hdu.axes]
    if any(0 in hdu.axes for hdu in flat):
        return "the image has no pixels (an axis of length 0)"
    if flat:
        count = math.prod(flat[0].axes)
        return f"the data are one-dimensional ({count} values), not an image"
    if any(hdu.kind == "table" for hdu in hdus):
        return "the file holds tables but no image"
    return "the file holds a header but no image"


def _walk(path: Path, data):
    """Yield the HDUs in order; raise on a damaged one, for the image may lie behind it."""
    size = len(data)
    at = index = 0
    if not looks_like_fits(bytes(data[:9])):
        raise UnreadableFile(path, "not a FITS file (it does not start with SIMPLE)")
    while at < size:
        if index and not b"XTENSION".startswith(bytes(data[at : at + 8])):
            return  # special records or another program's padding
        where = f"extension {index}: " if index else ""
        length = header_length(data, at, size)
        if length is None:
            raise UnreadableFile(path, f"{where}the header is cut short: no END record")
        cards = Cards.from_bytes(bytes(data[at : min(at + length, size)]))
        try:
            hdu = _described(index, cards, at, at + length)
        except ValueError as error:
            raise UnreadableFile(path, f"{where}{error}") from None
        yield hdu
        at = hdu.start + -(-hdu.nbytes // BLOCK) * BLOCK
        index += 1


def _described(index: int, cards: Cards, head: int, start: int) -> _Hdu:
    bitpix, axes = _layout(cards, "BITPIX", "NAXIS")
    pcount, gcount = cards.whole("PCOUNT") or 0, cards.whole("GCOUNT") or 1
    if pcount < 0 or gcount < 1:
        raise ValueError(f"PCOUNT = {pcount}, GCOUNT = {gcount} is not possible")
    extension = str(cards.get("XTENSION") or "").strip()
    kind = "image"
    elements = math.prod(axes) if axes else 0
    if index and extension not in ("IMAGE", "IUEIMAGE"):
        kind = "table"
        if cards.get("ZIMAGE") is True:
            kind = "compressed"
    elif cards.get("GROUPS") is True and axes and axes[0] == 0:
        kind, elements = "table", math.prod(axes[1:])
    nbytes = abs(bitpix) // 8 * gcount * (pcount + elements)
    if kind == "compressed":
        bitpix, axes = _layout(cards, "ZBITPIX", "ZNAXIS")
    elif not axes:
        kind = "none"
    return _Hdu(index, cards, head, start, nbytes, axes, bitpix, kind)


def _layout(cards: Cards, bits: str, naxis: str) -> tuple[int, tuple[int, ...]]:
    bitpix, count = cards.whole(bits), cards.whole(naxis)
    if bitpix not in _BITPIX:
        raise ValueError(f"{bits} = {cards.get(bits)!r} is not a FITS pixel type")
    if count is None or not 0 <= count <= 999:
        raise ValueError(f"{naxis} = {cards.get(naxis)!r} is not a number of axes")
    axes = []
    for i in range(1, count + 1):
        length = cards.whole(f"{naxis}{i}")
        if length is None or length < 0:
            raise ValueError(f"{naxis}{i} = {cards.get(f'{naxis}{i}')!r} is not an axis length")
        axes.append(length)
    return bitpix, tuple(axes)


def _plane_shape(path: Path, hdu: _Hdu) -> tuple[tuple[int, int], bool]:
    """(height, width) and whether there are three colours, from the header alone."""
    if len(hdu.axes) > 32 or math.prod(hdu.axes) > _MAX_PIXELS:
        raise UnreadableFile(path, f"an image of {' x '.join(map(str, hdu.axes))} is not possible")
    # a broadcast scalar has the shape without the memory
    planes, cause = plane_of(np.broadcast_to(np.uint8(0), hdu.axes[::-1]))
    if planes is None:
        raise UnreadableFile(path, cause)
    return tuple(planes.shape[-2:]), planes.ndim == 3


def _view(path: Path, data, hdu: _Hdu) -> np.ndarray:
    """The stored numbers of a plain image, without a copy."""
    dtype = big_endian(hdu.bitpix)
    count = math.prod(hdu.axes)
    _check_length(path, data, hdu, count * dtype.itemsize, "pixels")
    return np.frombuffer(data, dtype, count, hdu.start).reshape(hdu.axes[::-1])


def _check_length(path: Path, data, hdu: _Hdu, wanted: int, what: str) -> None:
    there = max(0, len(data) - hdu.start)
    if there < wanted:
        raise UnreadableFile(
            path,
            f"truncated: the header promises {wanted} bytes of {what}, "
            f"the file holds {there} ({100.0 * there / wanted:.1f} %)",
        )


def _check_sums(path: Path, data, hdu: _Hdu) -> list[str]:
    cause, note = broken_checksum(data, hdu.cards, hdu.head, hdu.start, hdu.nbytes)
    if cause:
        raise UnreadableFile(path, cause)
    return [note] if note else []


def _scaling(path: Path, cards: Cards) -> tuple[float, float]:
    zero, scale = cards.number("BZERO"), cards.number("BSCALE")
    if scale == 0.0:
        raise UnreadableFile(path, "BSCALE is 0: every pixel would be the same")
    return (0.0 if zero is None else zero), (1.0 if scale is None else scale)
