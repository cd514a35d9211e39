"""Frames decoded once and held in memory, within a bound; the next ones ahead of time."""

from __future__ import annotations

import asyncio
import os
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Sequence

from subgrade.review.levels import Levels

MOST_BYTES = 1_000_000_000
"""Sixteen frames of 26 megapixels, five in colour of 60: a choice."""
SHARE = 0.2
"""Of the machine's memory, at most: a choice."""
LEAST_HELD = 2
"""The frame looked at and the one it is held beside are kept, however large."""


QUIET_S = 0.1
"""Frames are read ahead once nothing was asked for so long: tiles of the one looked at go first."""


class Unasked(Exception):
    """Whoever asked for a frame has gone before it was read."""


async def _waits() -> bool:
    return False


def memory_bound() -> int:
    """Bytes that decoded frames may take on this machine."""
    try:
        whole = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, OSError, ValueError):  # not on every system
        return MOST_BYTES // 2
    return min(MOST_BYTES, int(SHARE * whole))


class DecodedFrames:
    """The frames last asked for, and those that may be asked for next.

    All methods belong to one event loop; reading takes place in threads, one frame that is asked
    for and one ahead at a time.

    Parameters
    ----------
    read : callable
        Takes an index and returns the frame's `Levels`.
    most_bytes : int
        Bound on what is held, `LEAST_HELD` frames excepted.
    """

    def __init__(self, read: Callable[[int], Levels], most_bytes: int):
        self._read = read
        self._most = most_bytes
        self._held: OrderedDict[int, Levels] = OrderedDict()
        self._slot = asyncio.Lock()
        self._reading: dict[int, asyncio.Task] = {}
        self._waiting = 0
        self._ahead: list[int] = []
        self._current: int | None = None
        self._asked = 0.0
        self._reader: asyncio.Task | None = None

    def held(self, index: int) -> Levels | None:
        """A frame, where it is in memory."""
        self._asked = asyncio.get_running_loop().time()
        found = self._held.get(index)
        if found is not None:
            self._held.move_to_end(index)
        return found

    async def levels(self, index: int, gone: Callable[[], Awaitable[bool]] = _waits) -> Levels:
        """A frame, from memory or else read.

        Parameters
        ----------
        index : int
        gone : callable
            Whether the one who asks has gone; frames nobody waits for are not read, so that a
            quick walk through the night ends at the frame it ends at.

        Raises
        ------
        Unasked
            If so.
        SubgradeError
            If it cannot be read.
        """
        found = self.held(index)
        if found is not None:
            return found
        self._waiting += 1
        try:
            if index not in self._reading:
                async with self._slot:
                    if index not in self._reading and self.held(index) is None:
                        if await gone():
                            raise Unasked
                        return await self._fetch(index)
            return self.held(index) or await self._fetch(index)
        finally:
            self._waiting -= 1
            self._go_on()

    def ahead(self, current: int | None, others: Sequence[int]) -> None:
        """Read the frame looked at, and others when nothing else is asked for.

        What was left of an earlier call is dropped.
        """
        self._current = current
        wanted = [*([] if current is None else [current]), *others]
        self._ahead = [k for k in wanted if k not in self._held]
        self._go_on()

    async def close(self) -> None:
        """End what is being read ahead."""
        self._ahead = []
        if self._reader is not None:
            await self._reader

    async def _fetch(self, index: int) -> Levels:
        """Read a frame, or wait for who is reading it."""
        if index not in self._reading:
            self._reading[index] = asyncio.create_task(self._fetched(index))
        return await asyncio.shield(self._reading[index])

    async def _fetched(self, index: int) -> Levels:
        try:
            levels = await asyncio.to_thread(self._read, index)
        finally:
            del self._reading[index]
        self._held[index] = levels
        while len(self._held) > LEAST_HELD and self._bytes() > self._most:
            self._held.popitem(last=False)
        return levels

    def _bytes(self) -> int:
        return sum(levels.bytes for levels in self._held.values())

    def _room(self) -> bool:
        """Whether one more frame fits without the one looked at having to go."""
        largest = max((levels.bytes for levels in self._held.values()), default=0)
        return (LEAST_HELD + 1) * largest <= self._most

    def _go_on(self) -> None:
        idle = self._reader is None or self._reader.done()
        if idle and self._ahead and not self._waiting and self._room():
            self._reader = asyncio.get_running_loop().create_task(self._read_ahead())

    async def _read_ahead(self) -> None:
        while self._ahead and not self._waiting and self._room():
            if self._ahead[0] != self._current:
                quiet = asyncio.get_running_loop().time() - self._asked
                if quiet < QUIET_S:
                    await asyncio.sleep(QUIET_S - quiet)
                    continue
            index = self._ahead.pop(0)
            if index in self._held:
                continue
            try:
                await self._fetch(index)
            except Exception:
                continue  # whoever asks for it will get the error
            if index != self._current:
                self._under_the_looked_at(index)

    def _under_the_looked_at(self, index: int) -> None:
        """What nobody has asked for yet goes before the two looked at last."""
        last = [k for k in self._held if k != index][-LEAST_HELD:]
        for k in last:
            self._held.move_to_end(k)
