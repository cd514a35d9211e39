"""The guiding records while they grow."""

from __future__ import annotations

import os
from collections.abc import Sequence

State = tuple[int, int, int]


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
        self._states: dict[str, State | None] = {path: state_of(path) for path in self.paths}
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
        self._states = {path: state_of(path) for path in self.paths}
        if self.states != before:
            self.changed_at = now


def state_of(path: str) -> State | None:
    """Size, time of last change and number of a file; None where it is not there or shut."""
    try:
        state = os.stat(path)
        if not os.path.isfile(path) or not os.access(path, os.R_OK):
            return None
    except OSError:
        return None
    return state.st_size, state.st_mtime_ns, state.st_ino
