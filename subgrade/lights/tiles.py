"""Tile-compressed FITS images (FITS 4.0, section 10), unpacked by astropy.

Its codecs are compiled and trust their input; what would make them write past
their memory is checked here first.
"""

from __future__ import annotations

import io
import math
import struct
import warnings
from pathlib import Path

import numpy as np

from subgrade.errors import UnreadableFile
from subgrade.lights.cards import Cards

_H_MAGIC = b"\xdd\x99"
_H_HEAD = struct.Struct(">2siiiqBBB")
_MAX_BIT_PLANES = 62


def decompressed(path: Path, data, index: int, cards: Cards, axes: tuple[int, ...]) -> np.ndarray:
    """Unpack an image; the numbers are those before BZERO and BSCALE.

    Parameters
    ----------
    path : Path
        Only named in errors.
    data : bytes-like
        The whole file.
    index : int
        Number of the HDU, the primary one being 0.
    cards : Cards
        Its header.
    axes : tuple of int
        Axis lengths of the image, FITS order.

    Returns
    -------
    ndarray

    Raises
    ------
    UnreadableFile
    """
    tile = _tile_shape(path, cards, axes)
    from astropy.io import fits

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if cards.get("ZCMPTYPE") == "HCOMPRESS_1":
                packed = io.BytesIO(data)
                with fits.open(packed, memmap=False, disable_image_compression=True) as hdus:
                    _check_h_tiles(hdus[index].data["COMPRESSED_DATA"], tile, axes)
            packed = io.BytesIO(data)
            with fits.open(packed, memmap=False, do_not_scale_image_data=True) as hdus:
                array = hdus[index].data
    except Exception as error:  # astropy and its codecs raise any type on damaged input
        cause = f"the compressed image is damaged ({type(error).__name__}: {error})"
        raise UnreadableFile(path, cause) from None
    if array is None or array.shape != axes[::-1]:
        raise UnreadableFile(path, "the compressed image does not have the size its header states")
    return array


def _tile_shape(path: Path, cards: Cards, axes) -> tuple[int, ...]:
    """Tile lengths, after comparing their number with the tiles stored."""
    tile = []
    for i, length in enumerate(axes, 1):
        side = cards.whole(f"ZTILE{i}")
        if side is None:
            side = length if i == 1 else 1
        if side < 1:
            raise UnreadableFile(path, f"ZTILE{i} = {side} is not a tile size")
        tile.append(side)
    wanted = math.prod(-(-length // side) for length, side in zip(axes, tile, strict=True))
    rows = cards.whole("NAXIS2")
    if rows != wanted:
        cause = f"the compressed image needs {wanted} tiles, the table holds {rows}"
        raise UnreadableFile(path, cause)
    return tuple(tile)


def _check_h_tiles(rows, tile, axes) -> None:
    """Compare the size inside each H-compressed tile with the room the codec will have."""
    counts = [-(-length // side) for length, side in zip(axes, tile, strict=True)]
    for number, row in enumerate(rows):
        content = bytes(row)
        if not content:
            continue  # this tile is stored in another column
        room = 1
        for length, side, count in zip(axes, tile, counts, strict=True):
            number, at = divmod(number, count)
            room *= min(side, length - at * side)
        if len(content) < _H_HEAD.size:
            raise ValueError("a tile is cut short")
        magic, nx, ny, _, _, *planes = _H_HEAD.unpack_from(content)
        if magic != _H_MAGIC or nx < 1 or ny < 1 or nx * ny != room:
            raise ValueError(f"a tile of {room} pixels states {nx} x {ny}")
        if max(planes) > _MAX_BIT_PLANES:
            raise ValueError(f"a tile states {max(planes)} bit planes")
