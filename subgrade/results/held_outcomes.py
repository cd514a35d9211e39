"""Outcomes kept in memory by a process that grades the same night again and again."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from subgrade.optional_parts import watched
from subgrade.results.memo_files import CODEC, KeptOutcomes

Made = TypeVar("Made")


class HeldOutcomes:
    """The outcomes of the last two gradings, over those that an earlier run left on the disk.

    Nothing is written until `write`: a night that grows makes most of them anew with every sub.

    Parameters
    ----------
    disk : KeptOutcomes
    """

    def __init__(self, disk: KeptOutcomes):
        self._disk = disk
        self._last: dict[tuple[str, str], object] = {}
        self._now: dict[tuple[str, str], object] = {}
        self._small_last: dict[tuple[str, str], object] = {}
        self._small_now: dict[tuple[str, str], object] = {}

    def begin(self) -> None:
        """Another grading begins: what the one before the last used, and the last did not, goes."""
        self._last, self._now = self._now, {}
        self._small_last, self._small_now = self._small_now, {}

    def outcome(self, kind: str, key: str, make: Callable[[], Made]) -> Made:
        """What is kept under a key, else what ``make`` returns, kept from now on.

        What was made where a part of it failed is not kept.
        """
        at = (kind, key)
        for known in (self._now, self._last):
            if at in known:
                self._now[at] = known[at]
                return known[at]
        earlier = self._disk.earlier(kind, key)
        if earlier is not None:
            self._now[at] = earlier[0]
            return earlier[0]
        value, whole = watched(make)
        if whole:
            # as a run that reads it from the disk sees it
            value = self._now[at] = CODEC.decode(CODEC.encode(value))
        return value

    def remember(self, kind: str, key: str, make: Callable[[], Made]) -> Made:
        """The same for what is never put on the disk."""
        at = (kind, key)
        for known in (self._small_now, self._small_last):
            if at in known:
                self._small_now[at] = known[at]
                return known[at]
        value, whole = watched(make)
        if whole:
            self._small_now[at] = value
        return value

    def write(self) -> None:
        """Put the outcomes of the last grading on the disk, for the next run of any command.

        Raises
        ------
        ResultsError
            If they cannot be written.
        """
        for (kind, key), value in self._now.items():
            self._disk.put(kind, key, value)
        self._disk.write()
