"""The guiding records while they grow."""

from __future__ import annotations

import os
from collections.abc import Sequence

from subgrade.held import State, state_of


class GrowingRecords:
    """Which of the records are there, and when they last grew.

    Parameters
    ----------
    paths : sequence of str
        As the user named them; any may be missing at first, and for a while when it is replaced.
    now : float
        Seconds of a clock that never jumps.
    """

    def __init__(self, paths: Sequence[str], now: float):
        self.paths = tuple(paths)
        self._states: dict[str, State | None] = {path: _state_of(path) for path in self.paths}
        self.changed_at = now

    @property
    def there(self) -> tuple[str, ...]:
        """The records that can be read now."""
        return tuple(path for path in self.paths if self._states[path] is not None)

    @property
    def states(self) -> tuple:
        """Differs when anything was written since."""
        return tuple(self._states.values())

    def look(self, now: float) -> None:
        """Look at the files again."""
        before = self.states
        self._states = {path: _state_of(path) for path in self.paths}
        if self.states != before:
            self.changed_at = now


def _state_of(path: str) -> State | None:
    """As `state_of` of a file that can be read; None of any other."""
    readable = os.path.isfile(path) and os.access(path, os.R_OK)
    return state_of(path) if readable else None
