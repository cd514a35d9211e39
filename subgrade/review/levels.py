"""One frame at every size, from its stored pixels to a single tile."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.lights.model import Light

TILE = 512
"""Pixels along a side of a tile."""


def level_count(width: int, height: int) -> int:
    """How often a frame is halved until it fits a tile, full size included."""
    return 1 + max(0, math.ceil(math.log2(max(width, height, 1) / TILE)))


@dataclass(frozen=True, slots=True)
class Levels:
    """A frame's pixels halved again and again.

    Attributes
    ----------
    planes : tuple of ndarray
        Full size first; shape (height, width) or (height, width, 3), ADU, the lowest row first.
    """

    planes: tuple[np.ndarray, ...]

    @property
    def bytes(self) -> int:
        """What it holds in memory."""
        return sum(plane.nbytes for plane in self.planes)

    def tile(self, level: int, column: int, row: int) -> np.ndarray:
        """One tile, its topmost row first, with +y up; ADU.

        Raises
        ------
        IndexError
            If there is no such tile.
        """
        if not 0 <= level < len(self.planes) or column < 0 or row < 0:
            raise IndexError("no such tile")
        plane = self.planes[level]
        top = plane.shape[0] - row * TILE
        left = column * TILE
        if top <= 0 or left >= plane.shape[1]:
            raise IndexError("no such tile")
        return plane[max(0, top - TILE) : top, left : left + TILE][::-1]


def levels_of(light: Light) -> Levels:
    """All sizes of a frame."""
    plane = light.pixels.physical()
    planes = [plane]
    for _ in range(1, level_count(plane.shape[1], plane.shape[0])):
        planes.append(_halved(planes[-1]))
    return Levels(tuple(planes))


def _halved(plane: np.ndarray) -> np.ndarray:
    high, wide = plane.shape[:2]
    padded = np.pad(plane, ((0, high % 2), (0, wide % 2)), mode="edge")
    return padded.reshape(-(-high // 2), 2, -(-wide // 2), 2).mean(axis=(1, 3), dtype=np.float32)
