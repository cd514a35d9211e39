"""Tile-compressed FITS images (FITS 4.0, section 10), unpacked by astropy.

Its codecs are compiled and trust their input; what would make them write past
their memory, or take gigabytes for a file of kilobytes, is checked here first.
"""

from __future__ import annotations

import io
import math
import re
import struct
import warnings
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from subgrade.errors import UnreadableFile
from subgrade.lights.header_cards import BLOCK, CARD, Cards
from subgrade.lights.unpacking import MOST_INFLATION

MOST_COLUMNS = 999
"""Of a FITS table (FITS 4.0, section 7.3.1)."""
_FORM = re.compile(r"(\d*)([LXBIJKAEDCMPQ])([BIJ]?)")
_WIDTHS = dict(zip("LBIJKAEDCM", (1, 1, 2, 4, 8, 1, 4, 8, 8, 16), strict=True))
_PIXELS_A_BYTE = {
    "GZIP_1": MOST_INFLATION,
    "GZIP_2": MOST_INFLATION,
    "PLIO_1": 2048,  # a 16-bit word states a run of up to 4095
    "HCOMPRESS_1": 1 << 20,  # some 26 bytes are a tile of one value, of whatever size
    "NOCOMPRESS": 1,
}
_H_PIXELS = 1 << 25
_H_PIXELS_A_BYTE = 512
"""An H-compressed image larger than the first holds no more than so many in all its bytes."""
_RICE = ("RICE_1", "RICE_ONE")
_RICE_BYTES = (1, 2, 4)
_RICE_BITS = 3
"""Least bits of a block of alike pixels: its number of split bits."""
_SPARE = ("GZIP_COMPRESSED_DATA", "UNCOMPRESSED_DATA")
"""Columns that hold a tile which the codec could not make smaller."""
_LARGE_TILE = 1 << 26
"""Bytes that a tile may unpack to without being measured first."""
_H_MAGIC = b"\xdd\x99"
_H_HEAD = struct.Struct(">2siiiqBBB")
_MAX_BIT_PLANES = 62
_SET_HIGH = 1
_PRIMARY = "".join(
    card.ljust(CARD)
    for card in (
        "SIMPLE  =                    T",
        "BITPIX  =                    8",
        "NAXIS   =                    0",
        "EXTEND  =                    T",
        "END",
    )
)


@dataclass(frozen=True, slots=True)
class _Column:
    """Where a table row holds the length and place of a tile, and the bytes of its elements."""

    at: int
    wide: bool
    element: int


def check_stated(path: Path, cards: Cards, axes: tuple[int, ...], itemsize: int) -> None:
    """Refuse a header whose table could not hold the image it states.

    Parameters
    ----------
    path : Path
        Only named in errors.
    cards : Cards
        The table's header.
    axes : tuple of int
        Axis lengths of the image, FITS order.
    itemsize : int
        Bytes of a pixel.

    Raises
    ------
    UnreadableFile
    """
    try:
        _tile_shape(cards, axes)
        _columns(cards)
        _check_rice(cards)
        stored = cards.whole("NAXIS1") * cards.whole("NAXIS2") + (cards.whole("PCOUNT") or 0)
        pixels = math.prod(axes)
        most = _most_pixels(cards, stored, spare=True)
        if cards.get("ZCMPTYPE") == "HCOMPRESS_1":
            most = min(most, max(_H_PIXELS, _H_PIXELS_A_BYTE * stored))
        if pixels > most:
            raise ValueError(
                f"{' x '.join(map(str, axes))} pixels of {itemsize} bytes cannot be held "
                f"in {stored} compressed bytes"
            )
    except ValueError as error:
        raise UnreadableFile(path, f"the compressed image is not possible: {error}") from None


def decompressed(
    path: Path, header: bytes, packed: np.ndarray, cards: Cards, axes: tuple[int, ...]
) -> np.ndarray:
    """Unpack an image; the numbers are those before BZERO and BSCALE.

    Parameters
    ----------
    path : Path
        Only named in errors.
    header : bytes
        Of the table, as in the file.
    packed : ndarray of uint8
        Its rows and heap.
    cards : Cards
        The header split; `check_stated` has passed it.
    axes : tuple of int
        Axis lengths of the image, FITS order.

    Returns
    -------
    ndarray

    Raises
    ------
    UnreadableFile
    """
    from astropy.io import fits

    try:
        _check_tiles(cards, packed, _tile_shape(cards, axes), axes)
        whole = b"".join((_PRIMARY.encode().ljust(BLOCK), header, packed.data))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with fits.open(io.BytesIO(whole), memmap=False, do_not_scale_image_data=True) as hdus:
                array = hdus[1].data
    except MemoryError:
        raise UnreadableFile(path, f"not enough memory for {math.prod(axes)} pixels") from None
    except Exception as error:  # astropy and its codecs raise any type on damaged input
        name = "" if type(error) is ValueError else f"{type(error).__name__}: "
        raise UnreadableFile(path, f"the compressed image is damaged ({name}{error})") from None
    if array is None or array.shape != axes[::-1]:
        raise UnreadableFile(path, "the compressed image does not have the size its header states")
    return array


def _tile_shape(cards: Cards, axes: tuple[int, ...]) -> tuple[int, ...]:
    """Tile lengths, after comparing their number with the tiles stored."""
    tile = []
    for i, length in enumerate(axes, 1):
        side = cards.whole(f"ZTILE{i}")
        if side is None:
            side = length if i == 1 else 1
        if side < 1:
            raise ValueError(f"ZTILE{i} = {side} is not a tile size")
        tile.append(side)
    wanted = math.prod(-(-length // side) for length, side in zip(axes, tile, strict=True))
    rows = cards.whole("NAXIS2")
    if rows != wanted:
        raise ValueError(f"the image needs {wanted} tiles, the table holds {rows}")
    return tuple(tile)


def _columns(cards: Cards) -> dict[str, _Column]:
    """The columns that tiles may be stored in, by name."""
    count = cards.whole("TFIELDS")
    if count is None or not 1 <= count <= MOST_COLUMNS:
        raise ValueError(f"TFIELDS = {cards.get('TFIELDS')!r} is not a number of columns")
    found, at = {}, 0
    for i in range(1, count + 1):
        form = _FORM.match(str(cards.get(f"TFORM{i}") or "").strip())
        if form is None:
            raise ValueError(f"TFORM{i} = {cards.get(f'TFORM{i}')!r} is not a column's form")
        repeat, code = int(form[1] or 1), form[2]
        if code in "PQ":
            element = _WIDTHS.get(form[3], 1)
            name = str(cards.get(f"TTYPE{i}") or "").strip().upper()
            if repeat == 1:
                found[name] = _Column(at, code == "Q", element)
            at += repeat * (16 if code == "Q" else 8)
        else:
            at += -(-repeat // 8) if code == "X" else repeat * _WIDTHS[code]
    if cards.whole("NAXIS") != 2 or at != cards.whole("NAXIS1"):
        raise ValueError(f"rows of {cards.get('NAXIS1')} bytes do not fit their columns ({at})")
    if "COMPRESSED_DATA" not in found:
        raise ValueError("the table has no column COMPRESSED_DATA")
    return found


def _most_pixels(cards: Cards, stored: int | np.ndarray, spare: bool = False) -> int | np.ndarray:
    """Pixels that so many bytes can stand for at the most."""
    codec = str(cards.get("ZCMPTYPE") or "").strip()
    if codec in _RICE:
        most = 8 * _rice_block(cards) // _RICE_BITS
    elif codec in _PIXELS_A_BYTE:
        most = _PIXELS_A_BYTE[codec]
    else:
        raise ValueError(f"ZCMPTYPE = {codec!r} is not known")
    return stored * (max(most, MOST_INFLATION) if spare and _has_spare(cards) else most)


def _rice_block(cards: Cards) -> int:
    return min(max(_parameter(cards, "BLOCKSIZE", 32) or 32, 1), 1 << 10)


def _check_rice(cards: Cards) -> None:
    """Refuse settings of the Rice codec under which it leaves some of its memory unwritten."""
    if str(cards.get("ZCMPTYPE") or "").strip() not in _RICE:
        return
    if (size := _parameter(cards, "BYTEPIX", 4)) not in _RICE_BYTES:
        raise ValueError(f"BYTEPIX = {size} is not a size of Rice-coded pixels")


def _parameter(cards: Cards, name: str, usual: int) -> int | None:
    """A whole-number setting of the codec (FITS 4.0, section 10.1.1)."""
    for i in range(1, 10):
        if str(cards.get(f"ZNAME{i}") or "").strip() == name:
            return cards.whole(f"ZVAL{i}")
    return usual


def _has_spare(cards: Cards) -> bool:
    return any(name in _columns(cards) for name in _SPARE)


def _check_tiles(
    cards: Cards, packed: np.ndarray, tile: tuple[int, ...], axes: tuple[int, ...]
) -> None:
    """Compare the bytes of every tile with the pixels that it must fill."""
    columns = _columns(cards)
    width, rows = cards.whole("NAXIS1"), cards.whole("NAXIS2")
    table = packed[: width * rows].reshape(rows, width)
    heap = packed[max(cards.whole("THEAP") or 0, width * rows) :]
    room = _rooms(tile, axes)
    codec = str(cards.get("ZCMPTYPE") or "").strip()
    left = np.ones(rows, bool)
    for name in ("COMPRESSED_DATA", *_SPARE):
        if name not in columns or not left.any():
            continue
        size, place = _descriptors(table, columns[name])
        filled = left & (size > 0)
        if ((place < 0) | (size > len(heap)) | (place > len(heap) - size))[filled].any():
            raise ValueError("a tile lies outside the table")
        if int(size[filled].sum()) > 4 * len(heap):
            raise ValueError("the tiles are larger than the table that holds them")
        spare = MOST_INFLATION if name == _SPARE[0] else 1
        most = size * spare if name in _SPARE else _most_pixels(cards, size)
        if (most < room)[filled].any():
            raise ValueError("a tile has too few bytes for its pixels")
        inside = [heap[p : p + n] for p, n in zip(place[filled], size[filled], strict=True)]
        if codec == "HCOMPRESS_1" and name not in _SPARE:
            _check_h_tiles(inside, room[filled])
        elif codec == "PLIO_1" and name not in _SPARE:
            _check_line_lists(inside)
        elif name == _SPARE[0] or codec.startswith("GZIP"):
            _check_gzip_tiles(inside, room[filled])
        left &= ~filled
    if left.any():
        raise ValueError(f"{int(left.sum())} tiles are empty")


def _rooms(tile: tuple[int, ...], axes: tuple[int, ...]) -> np.ndarray:
    """Pixels of each tile, those at the far edges cut short, in the order of the rows."""
    room = np.ones(1, np.int64)
    for length, side in zip(axes, tile, strict=True):
        starts = np.arange(0, length, side)
        room = np.multiply.outer(np.minimum(side, length - starts), room).ravel()
    return room


def _descriptors(table: np.ndarray, column: _Column) -> tuple[np.ndarray, np.ndarray]:
    """(bytes, place in the heap) of a column's tiles."""
    kind = np.dtype(">i8" if column.wide else ">i4")
    cells = table[:, column.at : column.at + 2 * kind.itemsize]
    pair = np.ascontiguousarray(cells).view(kind).astype(np.int64)
    count = np.clip(pair[:, 0], -1, 1 << 40)
    if (count < 0).any():
        raise ValueError("a tile has a negative length")
    return count * column.element, pair[:, 1]


def _check_gzip_tiles(tiles: Iterable[np.ndarray], rooms: np.ndarray) -> None:
    """Unpack large tiles as far as they may reach, throwing the bytes away."""
    for content, room in zip(tiles, rooms, strict=True):
        may = 8 * int(room)  # bytes of the widest pixels
        if MOST_INFLATION * len(content) <= max(may, _LARGE_TILE):
            continue
        inflate, passed, waiting = zlib.decompressobj(wbits=47), 0, bytes(content)
        while waiting and not inflate.eof:
            passed += len(inflate.decompress(waiting, 1 << 18))
            waiting = inflate.unconsumed_tail
            if passed > may:
                raise ValueError(f"a tile of {room} pixels unpacks to more than {may} bytes")


def _check_h_tiles(tiles: Iterable[np.ndarray], rooms: np.ndarray) -> None:
    """Compare the size inside each H-compressed tile with the room the codec will have."""
    for content, room in zip(tiles, rooms, strict=True):
        if len(content) < _H_HEAD.size:
            raise ValueError("a tile is cut short")
        magic, nx, ny, _, _, *planes = _H_HEAD.unpack_from(content)
        if magic != _H_MAGIC or nx < 1 or ny < 1 or nx * ny != room:
            raise ValueError(f"a tile of {room} pixels states {nx} x {ny}")
        if max(planes) > _MAX_BIT_PLANES:
            raise ValueError(f"a tile states {max(planes)} bit planes")


def _check_line_lists(tiles: Iterable[np.ndarray]) -> None:
    """Compare the length that each PLIO line list states with the words that are there."""
    # The codec believes it and reads on behind them, or before them. FITS 4.0, section 10.4.3: a
    # short list has its length in the third word and begins with the fourth; a long one has it in
    # the fourth and fifth and says in the second where it begins.
    for content in tiles:
        words = content[: len(content) // 2 * 2].view(">i2").astype(np.int64)
        if len(words) < 3:
            raise ValueError("a tile is cut short")
        first, last = 3, int(words[2])
        if last <= 0:
            if len(words) < 5:
                raise ValueError("a tile is cut short")
            first, last = int(words[1]), int((words[4] << 15) + words[3])
        # an instruction that sets a high value takes the next word with it
        behind = int(0 < last <= len(words) and words[last - 1] // 4096 == _SET_HIGH)
        if not first >= 0 or not 0 <= last <= len(words) - behind:
            raise ValueError(f"a tile of {len(words)} words states words {first + 1} to {last}")
