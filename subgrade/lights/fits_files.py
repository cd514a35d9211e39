"""FITS files: find the image in the file and hand its pixels on as stored.

Headers are read first, and then just the bytes of the image that they promise.  Only
tile-compressed images go through astropy's file reader.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from subgrade.errors import UnreadableFile
from subgrade.lights.byte_source import PackedSource, PlainSource, open_source
from subgrade.lights.checksums import broken_checksum
from subgrade.lights.header_cards import BLOCK, MAX_HEADER_BLOCKS, Cards, header_length
from subgrade.lights.model import Pixels
from subgrade.lights.stored_pixels import big_endian, plane_of, room_for, to_pixels
from subgrade.lights.tile_compressed import check_stated, decompressed

_BITPIX = (8, 16, 32, 64, -32, -64)
_MAX_PIXELS = 1 << 30
"""No camera has so many by far."""
_MAX_AXES = 32
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
    header: bytes
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


def read_fits(path: str | Path) -> Stored:
    """Read the image of a FITS file.

    Plain, wrapped (gzip, bzip2, compress) and tile-compressed files are read, with the image in the
    primary or a later HDU; of several images the first of the largest size counts.

    Parameters
    ----------
    path : path-like

    Returns
    -------
    Stored
        A 16-bit image's pixels are as stored, and read-only.

    Raises
    ------
    UnreadableFile
        Damaged, truncated, or without a two-dimensional image.
    """
    return _read(Path(path), with_pixels=True)


def read_fits_header(path: str | Path) -> Stored:
    """Like `read_fits`, without the pixels; a file whose pixels are cut short passes.

    Raises
    ------
    UnreadableFile
    """
    return _read(Path(path), with_pixels=False)


def stated_length(path: str | Path) -> int | None:
    """Bytes up to the end of the last data that a FITS file's headers state.

    Parameters
    ----------
    path : path-like
        A plain file, which may still be written.

    Returns
    -------
    int or None
        None where it is not known: no plain FITS file, a header that is not there to its end, or
        no image among the headers that are.

    Raises
    ------
    OSError
        If the file cannot be opened.
    """
    path = Path(path)
    try:
        source = open_source(path)
    except UnreadableFile as error:
        raise OSError(0, error.cause) from None
    try:
        if isinstance(source, PackedSource):
            return None
        hdus = list(_walk(path, source))
    except UnreadableFile:
        return None
    finally:
        source.close()
    if not any(hdu.image for hdu in hdus):
        return None
    return hdus[-1].start + hdus[-1].nbytes


def _read(path: Path, with_pixels: bool) -> Stored:
    source = open_source(path)
    try:
        return _read_source(path, source, with_pixels)
    finally:
        source.close()


def _read_source(path: Path, source: PlainSource | PackedSource, with_pixels: bool) -> Stored:
    hdu, primary, notes = _image_hdu(path, source)
    cards = hdu.cards if hdu.index == 0 else hdu.cards.over(primary.without(_STRUCTURE))
    shape, colour = _plane_shape(path, hdu)
    if not with_pixels:
        return Stored(cards, shape, colour, None, tuple(notes))
    if hdu.kind == "compressed":
        check_stated(path, hdu.cards, hdu.axes, abs(hdu.bitpix) // 8)
        packed = _data(path, source, hdu, hdu.nbytes, "compressed pixels")
        notes += _check_sums(path, hdu, packed)
        array = decompressed(path, hdu.header, packed, hdu.cards, hdu.axes)
        blank = hdu.cards.whole("ZBLANK") if "ZBLANK" in hdu.cards else hdu.cards.whole("BLANK")
    else:
        dtype = big_endian(hdu.bitpix)
        wanted = math.prod(hdu.axes) * dtype.itemsize
        stored = _data(path, source, hdu, wanted, "pixels")
        notes += _check_sums(path, hdu, stored)
        array = stored.view(dtype).reshape(hdu.axes[::-1])
        blank = hdu.cards.whole("BLANK")
    remark = source.check_rest()
    planes, cause = plane_of(array)
    if planes is None:
        raise UnreadableFile(path, cause)
    zero, scale = _scaling(path, hdu.cards)
    try:
        pixels, more = to_pixels(planes, zero=zero, scale=scale, blank=blank)
    except MemoryError:
        raise UnreadableFile(path, f"not enough memory for {planes.size} pixels") from None
    notes += [remark] if remark else []
    return Stored(cards, shape, colour, pixels, (*notes, *more))


def _data(
    path: Path, source: PlainSource | PackedSource, hdu: _Hdu, wanted: int, what: str
) -> np.ndarray:
    """The stored bytes of an image, read-only; no memory is taken for more than can be there."""
    there = source.most(hdu.start)
    if there >= wanted:
        try:
            data = room_for(wanted)
        except MemoryError:
            raise UnreadableFile(path, f"not enough memory for {wanted} bytes of {what}") from None
        source.seek(hdu.start)
        there = source.read_into(data.data)
    if there < wanted:
        raise UnreadableFile(
            path,
            f"truncated: the header promises {wanted} bytes of {what}, "
            f"the file holds {there} ({100.0 * there / wanted:.1f} %)",
        )
    data.flags.writeable = False
    return data


def _image_hdu(path: Path, source: PlainSource | PackedSource) -> tuple[_Hdu, Cards, list[str]]:
    """The HDU to measure, the primary header, and notes."""
    hdus: list[_Hdu] = []
    images: list[_Hdu] = []
    for hdu in _walk(path, source):
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


def _walk(path: Path, source: PlainSource | PackedSource) -> Iterator[_Hdu]:
    """Yield the HDUs in order; raise on a damaged one, for the image may lie behind it."""
    at = index = 0
    while source.most(at):
        source.seek(at)
        header = source.read(BLOCK)
        if not index and not looks_like_fits(header):
            raise UnreadableFile(path, "not a FITS file (it does not start with SIMPLE)")
        if not header or (index and not b"XTENSION".startswith(header[:8])):
            return  # the end, special records or another program's padding
        where = f"extension {index}: " if index else ""
        header = _whole_header(source, header)
        if header is None:
            raise UnreadableFile(path, f"{where}the header is cut short: no END record")
        try:
            hdu = _described(index, header, at)
        except ValueError as error:
            raise UnreadableFile(path, f"{where}{error}") from None
        yield hdu
        at = hdu.start + -(-hdu.nbytes // BLOCK) * BLOCK
        index += 1


def _whole_header(source: PlainSource | PackedSource, first: bytes) -> bytes | None:
    """A header from its first block to the one that holds END; None where none does."""
    blocks = [first]
    while header_length(blocks[-1], 0, len(blocks[-1])) is None:
        if len(blocks) == MAX_HEADER_BLOCKS or not (block := source.read(BLOCK)):
            return None
        blocks.append(block)
    return b"".join(blocks)


def _described(index: int, header: bytes, at: int) -> _Hdu:
    cards = Cards.from_bytes(header)
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
    start = at + -(-len(header) // BLOCK) * BLOCK
    return _Hdu(index, cards, header, start, nbytes, axes, bitpix, kind)


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
    if len(hdu.axes) > _MAX_AXES or math.prod(hdu.axes) > _MAX_PIXELS:
        raise UnreadableFile(path, f"an image of {' x '.join(map(str, hdu.axes))} is not possible")
    # a broadcast scalar has the shape without the memory
    planes, cause = plane_of(np.broadcast_to(np.uint8(0), hdu.axes[::-1]))
    if planes is None:
        raise UnreadableFile(path, cause)
    return tuple(planes.shape[-2:]), planes.ndim == 3


def _check_sums(path: Path, hdu: _Hdu, data: bytes | np.ndarray) -> list[str]:
    cause, note = broken_checksum(hdu.cards, hdu.header, data)
    if cause:
        raise UnreadableFile(path, cause)
    return [note] if note else []


def _scaling(path: Path, cards: Cards) -> tuple[float, float]:
    """BZERO and BSCALE; refused where one that is there says nothing."""
    stated = {"BZERO": 0.0, "BSCALE": 1.0}
    for key in stated:
        if key not in cards:
            continue
        value = cards.get(key)
        try:
            number = math.nan if value is None or isinstance(value, bool) else float(value)
        except (ValueError, OverflowError):
            number = math.nan
        if not math.isfinite(number):
            shown = "has no value" if value is None else f"= {value!r} is not a number"
            raise UnreadableFile(path, f"{key} {shown}")
        stated[key] = number
    if stated["BSCALE"] == 0.0:
        raise UnreadableFile(path, "BSCALE is 0: every pixel would be the same")
    return stated["BZERO"], stated["BSCALE"]
