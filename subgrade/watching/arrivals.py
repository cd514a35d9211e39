"""When a file that lands in the folder is complete.

A camera's program writes for seconds, a copy over the network for longer, and nothing says when
they have ended.  A plain FITS file states its length; of others it is only seen that they have
stopped growing.  A file that never becomes complete is named and then graded as it is, so that
nothing waits for it for ever.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from subgrade.held import State, state_of
from subgrade.lights import stated_length

SETTLED_S = 0.3
"""A file of the length it states is complete when it has not changed for so long: a copy may state
its length first and bring the pixels later; no source."""
STEADY_S = 2.0
"""The same for a file that states no length; no source."""
EMPTY_S = 10.0
"""The same where the length is there and the end holds only zero bytes, as in a file that was
given its length before its pixels; no source."""
STUCK_S = 60.0
"""A file that is not complete is taken as it is when it has not changed for so long; no source."""
END = 2880
"""Bytes that are looked at for an end that is still empty: a block of the FITS standard."""
TEMPORARY = (
    *(".part", ".partial", ".filepart", ".tmp", ".temp"),
    *(".crdownload", ".download", ".writing", ".incomplete", "~"),
)
"""Endings of names that a file has only while it is written; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Looked:
    """The files of a folder at one look.

    Attributes
    ----------
    ready : dict of Path to tuple
        Files that are complete, with what changes when a file is written again.
    waiting : tuple of Path
        Files that are still being written.
    stuck : dict of Path to str
        Files taken as they are from this look on, and what is wrong with them.
    due_s : float or None
        Seconds after which another look may find one more complete; None if nothing waits.
    """

    ready: dict[Path, State]
    waiting: tuple[Path, ...]
    stuck: dict[Path, str]
    due_s: float | None


@dataclass(slots=True)
class _Seen:
    state: State
    since: float
    """When it was first seen so, monotonic."""
    stated: int | None = None
    wait: float = STUCK_S
    ready: bool = False


class Arrivals:
    """What is known of the files of the folders that are watched."""

    def __init__(self) -> None:
        self._seen: dict[Path, _Seen] = {}

    def look(self, files: Iterable[Path], now: float) -> Looked:
        """Sort files into those that are complete and those that are not yet.

        Parameters
        ----------
        files : iterable of Path
            All that may be subs.
        now : float
            Seconds of a clock that never jumps.
        """
        seen, stuck = {}, {}
        for path in files:
            state = state_of(path)
            if state is None:
                continue  # gone since it was listed
            known = self._seen.get(path)
            if known is None or known.state != state:
                known = _Seen(state, now)
                known.wait, known.stated = _wait(path, state)
            if not known.ready and now - known.since >= known.wait:
                known.ready = True
                if known.wait >= STUCK_S:
                    stuck[path] = _why_stuck(path, known)
            seen[path] = known
        self._seen = seen
        open_ = {path: known for path, known in seen.items() if not known.ready}
        due = min((k.since + k.wait - now for k in open_.values()), default=None)
        ready = {path: known.state for path, known in seen.items() if known.ready}
        return Looked(ready, tuple(open_), stuck, due)


def _wait(path: Path, state: State) -> tuple[float, int | None]:
    """How long a file must stay as it is to be taken, and the bytes that it states."""
    if path.name.lower().endswith(TEMPORARY) or not state[0]:
        return STUCK_S, None
    try:
        with path.open("rb") as file:
            start = file.read(6)
        stated = stated_length(path)
        if stated is None:
            # a header that is not there to its end, or one behind it, begins like any other
            return (STUCK_S if start == b"SIMPLE" else STEADY_S), None
        if state[0] < stated:
            return STUCK_S, stated
        return (EMPTY_S if _empty_end(path, stated) else SETTLED_S), stated
    except OSError:
        return STUCK_S, None  # some systems let nobody read what is being written


def _empty_end(path: Path, stated: int) -> bool:
    with path.open("rb") as file:
        file.seek(max(0, stated - END))
        return not any(file.read(END))


def _why_stuck(path: Path, known: _Seen) -> str:
    size = known.state[0]
    if known.stated and size < known.stated:
        share = f"{100.0 * size / known.stated:.0f}% of its {known.stated} bytes"
        return f"has stopped growing at {share}; it is graded as it is"
    if path.name.lower().endswith(TEMPORARY):
        return "has not been given its final name; it is graded as it is"
    return "has stopped growing and is not complete; it is graded as it is"
