"""The subs themselves: looked for, read and drawn, never written to."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path

import numpy as np

from subgrade import lights
from subgrade.errors import SubgradeError, UnreadableFile
from subgrade.moving import moved_to
from subgrade.results import FileIdentity, GradedFrame
from subgrade.review.decoded import DecodedFrames, memory_bound
from subgrade.review.levels import Levels, levels_of
from subgrade.review.night import ReviewedNight, best, group_of
from subgrade.review.stretch import Stretch, encoded


class Subs:
    """The frames of a night as pictures.

    Parameters
    ----------
    night : ReviewedNight
    identities : mapping of Path to FileIdentity
        What the files were when they were graded.
    folder : Path
        RESULTS, where a cull would have noted what it moved.
    most_bytes : int, optional
        Bound on the memory of decoded frames.
    """

    def __init__(
        self,
        night: ReviewedNight,
        identities: Mapping[Path, FileIdentity],
        folder: Path,
        most_bytes: int | None = None,
    ):
        self._night = night
        self._identities = identities
        self._folder = folder
        self._frames = night.served.frames
        self.decoded = DecodedFrames(self.read, most_bytes or memory_bound())
        self._greys: dict[int, asyncio.Task] = {}

    def missing(self, index: int) -> str:
        """Why a frame's file cannot be shown; empty where it can."""
        frame = self._frames[index]
        known = self._identities.get(frame.path)
        why = "" if known is None else known.unlike(frame.path, content=False)
        if why == "is gone":
            place = moved_to(self._folder, frame.path)
            why = f"was culled and is now at {place}" if place else "is gone; was it moved?"
        return f"{frame.name}: {why}" if why else ""

    def read(self, index: int) -> Levels:
        """Read a frame's file.

        Raises
        ------
        UnreadableFile
            If it is not there, not the one that was graded, or cannot be read.
        """
        frame = self._frames[index]
        if why := self.missing(index):
            raise UnreadableFile(frame.path, why)
        light = lights.read_light(frame.path)
        stars = frame.stars
        if stars is not None and light.pixels.shape != (stars.height, stars.width):
            raise UnreadableFile(frame.path, f"{frame.name}: has another size than when graded")
        return levels_of(light)

    async def tile(
        self,
        index: int,
        place: tuple[int, int, int],
        stretch: Stretch,
        gone: Callable[[], Awaitable[bool]],
    ) -> bytes:
        """One tile as a picture.

        Parameters
        ----------
        index : int
        place : tuple of int
            Level, column, row; see `Levels.tile`.
        stretch : Stretch
        gone : callable
            See `DecodedFrames.levels`.

        Raises
        ------
        IndexError
            If there is no such tile.
        UnreadableFile
            See `read`.
        """
        levels = await self.decoded.levels(index, gone)
        offsets = await self._offsets(index, levels) if levels.mosaic else None
        return await asyncio.to_thread(draw, levels, place, stretch, offsets)

    def begin(self) -> None:
        """Read the best frame of every group first: the others are held beside it."""
        groups = dict.fromkeys(map(group_of, self._frames))
        found = [best(self._night.served, group) for group in groups]
        self.decoded.ahead(None, [k for k in found if k is not None][:2])

    async def _offsets(self, index: int, levels: Levels) -> np.ndarray | None:
        """What makes the sky of the group's best frame grey, ADU by channel."""
        group = group_of(self._frames[index])
        if group not in self._greys:
            self._greys[group] = asyncio.ensure_future(self._grey(group, index))
        return await asyncio.shield(self._greys[group])

    async def _grey(self, group: int, index: int) -> np.ndarray:
        first = best(self._night.served, group)
        for k in dict.fromkeys((first, index)):
            if k is None:
                continue
            try:
                levels = await self.decoded.levels(k)
            except SubgradeError:
                continue  # the frame itself has to do
            return await asyncio.to_thread(_above_sky, levels, self._frames[k])
        return np.zeros(3, np.float32)


def _above_sky(levels: Levels, frame: GradedFrame) -> np.ndarray:
    """By how much each channel's sky lies above the frame's."""
    sky = levels.sky()
    stars = frame.stars
    middle = stars.background_adu if stars is not None else np.nan
    return (sky - (middle if np.isfinite(middle) else np.median(sky))).astype(np.float32)


def draw(
    levels: Levels, place: tuple[int, int, int], stretch: Stretch, offsets: np.ndarray | None
) -> bytes:
    """A tile as a picture."""
    cut = levels.tile(*place)
    return encoded(stretch.grey(cut if offsets is None else cut - offsets))
