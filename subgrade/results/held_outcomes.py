"""Outcomes kept in memory by a process that grades the same night again and again."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from subgrade.optional_parts import watched
from subgrade.results.memo_files import CODEC, KeptOutcomes

Made = TypeVar("Made")


ROUNDS = 8
"""Gradings after which what none of them used is let go: a frame that comes late, or a reference
that changes back, asks again for what was known before; no source."""


class HeldOutcomes:
    """The outcomes of the last gradings, over those that an earlier run left on the disk.

    Nothing is written until `write`: a night that grows makes most of them anew with every sub.

    Parameters
    ----------
    disk : KeptOutcomes
    """

    def __init__(self, disk: KeptOutcomes):
        self._disk = disk
        self._round = 0
        self._whole: dict[tuple[str, str], list] = {}
        self._small: dict[tuple[str, str], list] = {}

    def begin(self) -> None:
        """Another grading begins."""
        self._round += 1
        for table in (self._whole, self._small):
            for at in [at for at, (_, used) in table.items() if used < self._round - ROUNDS]:
                del table[at]

    def outcome(self, kind: str, key: str, make: Callable[[], Made]) -> Made:
        """What is kept under a key, else what ``make`` returns, kept from now on.

        What was made where a part of it failed is not kept.
        """
        known = self._whole.get((kind, key))
        if known is None:
            earlier = self._disk.earlier(kind, key)
            if earlier is None:
                value, whole = watched(make)
                if not whole:
                    return value
                # as a run that reads it from the disk sees it
                earlier = (CODEC.decode(CODEC.encode(value)),)
            known = self._whole[kind, key] = [*earlier, 0]
        known[1] = self._round
        return known[0]

    def remember(self, kind: str, key: str, make: Callable[[], Made]) -> Made:
        """The same for what is never put on the disk."""
        known = self._small.get((kind, key))
        if known is None:
            value, whole = watched(make)
            if not whole:
                return value
            known = self._small[kind, key] = [value, 0]
        known[1] = self._round
        return known[0]

    def write(self) -> None:
        """Put the outcomes of the last grading on the disk, for the next run of any command.

        Raises
        ------
        ResultsError
            If they cannot be written.
        """
        for (kind, key), (value, used) in self._whole.items():
            if used == self._round:
                self._disk.put(kind, key, value)
        self._disk.write()
