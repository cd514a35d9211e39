"""What moving plans, writes down and reports."""

from __future__ import annotations

from dataclasses import dataclass

JOURNAL = "cull_journal.jsonl"
"""In RESULTS: every step, written before it is taken."""
LOCK = "cull.lock"
"""In RESULTS: there while one run works."""

MOVE, LINK = "move", "link"
BEGUN, DONE, DROPPED, UNDOING, UNDONE = "begun", "done", "dropped", "undoing", "undone"
"""States of an entry.  In `DROPPED` and `UNDONE` the frame is at its original place."""
OPEN_STATES = (BEGUN, UNDOING)
"""A run was stopped in the midst of these."""


@dataclass(frozen=True, slots=True)
class Planned:
    """A frame that is to be moved.

    Attributes
    ----------
    name : str
        Relative to the common input folder.
    source, target : str
        Absolute; the target is empty where no folder was named.
    exposure_s : float
        Seconds; 0 where it is not known.
    """

    name: str
    source: str
    target: str
    exposure_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Entry:
    """One frame's way out and back, as the journal notes it.

    Attributes
    ----------
    number : int
        Counts the entries of a journal.
    kind : str
        `MOVE` or `LINK`.
    source, target : str
        Absolute: the original place and the place in the cull folder.
    part : str
        Absolute name of the copy in the making, unique to this step; empty for a link.
    size : int
        Bytes; 0 for a link.
    sha256 : str
        Of the whole file; empty for a link.
    mtime_ns : int
        Time of last change, nanoseconds since 1970.
    exposure_s : float
        Seconds; 0 where it is not known.
    state : str
    in_place : bool
        The copy is written under its final name, as the file system cannot rename without
        the danger of overwriting.
    """

    number: int
    kind: str
    source: str
    target: str
    part: str
    size: int
    sha256: str
    mtime_ns: int
    exposure_s: float
    state: str = BEGUN
    in_place: bool = False

    @property
    def way(self) -> tuple[str, str]:
        """From where to where the last step leads."""
        back = self.state in (UNDOING, UNDONE)
        return (self.target, self.source) if back else (self.source, self.target)


@dataclass(frozen=True, slots=True)
class Away:
    """What earlier culls put into a folder, and no restore brought back.

    Attributes
    ----------
    folder : str
        Absolute.
    kind : str
        `MOVE` or `LINK`.
    count : int
        Frames or links.
    """

    folder: str
    kind: str
    count: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a cull or a restore did.

    Attributes
    ----------
    moved : tuple of Planned
        Frames moved, linked or brought back.
    problems : tuple of (str, str)
        Files that were left where they are, and why.
    earlier : tuple of Away
        Where earlier culls moved frames, or made links where links were asked for.
    linked : bool
        Links were made; no frame moved.
    unlinked : int
        Links of earlier culls that were removed.
    made : tuple of str
        Folders that were gone and were made again for frames to come back to, outermost.
    """

    moved: tuple[Planned, ...] = ()
    problems: tuple[tuple[str, str], ...] = ()
    earlier: tuple[Away, ...] = ()
    linked: bool = False
    unlinked: int = 0
    made: tuple[str, ...] = ()

    @property
    def seconds(self) -> float:
        """Integration time of what was moved."""
        return float(sum(frame.exposure_s for frame in self.moved))
