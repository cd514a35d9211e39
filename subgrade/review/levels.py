"""One frame at every size: as stored, and halved until it fits a tile."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from subgrade.lights.model import Light, Pixels
from subgrade.stars import colour_means, halved, interpolated_colours

TILE = 512
"""Pixels along a side of a tile."""
HELD = 2
"""From this level on a level is kept; the two larger ones are made of the stored pixels, tile by
tile, which costs milliseconds and spares four fifths of the memory."""


def level_count(width: int, height: int) -> int:
    """How many sizes a frame has, each half the one before, until it fits a tile."""
    return 1 + max(0, math.ceil(math.log2(max(width, height, 1) / TILE)))


@dataclass(frozen=True, slots=True)
class Levels:
    """A frame at every size.

    Level 0 is the frame as stored.  An element of level L is the mean of 2^L x 2^L pixels, the
    first at the frame's first pixel; of a colour mosaic the mean by colour.  At the far edges it
    is the mean of what pixels there are.

    Attributes
    ----------
    pixels : Pixels
        As stored, read into memory.
    mosaic : str or None
    smaller : tuple of ndarray
        Levels from `HELD` on: float32, shape (rows, columns, channels), ADU.
    """

    pixels: Pixels
    mosaic: str | None
    smaller: tuple[np.ndarray, ...]

    @property
    def count(self) -> int:
        """How many levels there are."""
        height, width = self.pixels.shape
        return level_count(width, height)

    @property
    def bytes(self) -> int:
        """What it holds in memory."""
        return self.pixels.data.nbytes + sum(plane.nbytes for plane in self.smaller)

    def shape(self, level: int) -> tuple[int, int]:
        """Rows and columns of a level."""
        return tuple(-(-side // 2**level) for side in self.pixels.shape)

    def tile(self, level: int, column: int, row: int) -> np.ndarray:
        """One tile as it is seen, +y up: the first row is the topmost.

        Parameters
        ----------
        level, column, row : int
            Columns count from the left, rows from the top of the level.

        Returns
        -------
        ndarray of float32, shape (rows, columns, channels)
            ADU.

        Raises
        ------
        IndexError
            If there is no such tile.
        """
        if not 0 <= level < self.count or column < 0 or row < 0:
            raise IndexError("no such tile")
        rows, columns = self.shape(level)
        top, left = rows - row * TILE, column * TILE
        if top <= 0 or left >= columns:
            raise IndexError("no such tile")
        low, right = max(0, top - TILE), min(left + TILE, columns)
        if level >= HELD:
            return self.smaller[level - HELD][low:top, left:right][::-1]
        made = self._reduced if level else self._full
        return made(low, top, left, right)[::-1]

    def _full(self, low: int, top: int, left: int, right: int) -> np.ndarray:
        """A part of the frame at full size."""
        if self.mosaic is None:
            return _cut(self.pixels, low, top, left, right).physical()[..., None]
        # whole cells of the pattern, one more all round to interpolate from
        y0, x0 = max(0, low // 2 * 2 - 2), max(0, left // 2 * 2 - 2)
        part = _cut(self.pixels, y0, top + 2, x0, right + 2).physical()
        colours = interpolated_colours(part, self.mosaic)
        return colours[low - y0 : top - y0, left - x0 : right - x0]

    def _reduced(self, low: int, top: int, left: int, right: int) -> np.ndarray:
        part = _cut(self.pixels, 2 * low, 2 * top, 2 * left, 2 * right)
        return colour_means(part, 2, self.mosaic)

    def sky(self) -> np.ndarray:
        """Median of the smallest level by channel, ADU."""
        plane = self.smaller[-1] if self.smaller else self.tile(self.count - 1, 0, 0)
        flat = plane.reshape(-1, plane.shape[-1])
        return np.nan_to_num(np.nanmedian(flat, axis=0)) if np.isfinite(flat).any() else flat[0] * 0


def levels_of(light: Light) -> Levels:
    """A frame that was read, at every size."""
    pixels, mosaic = light.pixels, light.facts.mosaic
    height, width = pixels.shape
    smaller = []
    for level in range(HELD, level_count(width, height)):
        smaller.append(halved(smaller[-1]) if smaller else colour_means(pixels, 2**level, mosaic))
    return Levels(pixels, mosaic, tuple(smaller))


def _cut(pixels: Pixels, low: int, top: int, left: int, right: int) -> Pixels:
    return replace(pixels, data=np.ascontiguousarray(pixels.data[low:top, left:right]))
