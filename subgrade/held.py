"""What a process that grades a growing night again and again keeps from one time to the next.

Results are those of a run that begins with nothing: all of it follows from the files, and is
looked up by what they hold.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from subgrade.errors import ResultsError, SubgradeError
from subgrade.measuring import Measured

if TYPE_CHECKING:
    from subgrade.lights import Found, Kinds
    from subgrade.night.model import Frame, Night
    from subgrade.pipeline import Records
    from subgrade.results import FileIdentity
    from subgrade.results.held_outcomes import HeldOutcomes
    from subgrade.results.memo_files import KeptOutcomes
    from subgrade.verdicts import Joined

State = tuple[int, int, int, int]


class Unsettled(SubgradeError):
    """A folder whose files changed while they were graded: what came of it says nothing."""


class Held:
    """Measurements, identities of files and outcomes of the stages behind, in memory.

    Attributes
    ----------
    kinds : Kinds
        What the files of the folders were found to be.
    wanted : dict of Path to tuple, or None
        The files to grade, no others, each as `state_of` saw it; None grades all.
    done : frozenset of Path
        Files that the last grading came to, measured or found unreadable.
    hurried : bool
        Whether the next grading may set one more frame beside the last night as it was, instead of
        comparing all of it; afterwards, whether it did.
    """

    def __init__(self) -> None:
        from subgrade.lights import Kinds

        self.kinds: Kinds = Kinds()
        self.wanted: dict[Path, State] | None = None
        self.done: frozenset[Path] = frozenset()
        self.hurried = False
        self._last: tuple[Night, Joined] | None = None
        self._identities: dict[Path, tuple[State, FileIdentity]] = {}
        self._measured: dict[str, Measured] = {}
        self._outcomes: HeldOutcomes | None = None

    def outcomes(self, disk: KeptOutcomes) -> HeldOutcomes:
        """The keeper of another grading; the first one's disk stays in use."""
        from subgrade.results.held_outcomes import HeldOutcomes

        if self._outcomes is None:
            self._outcomes = HeldOutcomes(disk)
        if not self.hurried:
            self._outcomes.begin()
        return self._outcomes

    def one_more(self, frames: Sequence[Frame], records: Records) -> tuple[Night, Joined] | None:
        """The last night and its record with one frame more; None where that is impossible."""
        from subgrade.guiding import with_one_exposure
        from subgrade.night import with_one_more

        self.hurried = False
        if self._last is None:
            return None
        night, joined = self._last
        known = {frame.name for frame in night.frames}
        new = [frame for frame in frames if frame.name not in known]
        if len(new) != 1 or len(frames) != len(known) + 1:
            return None
        longer = with_one_more(night, new[0])
        if longer is None:
            return None
        guided = joined.night
        if records.read or guided is not None:
            if not records.read or guided is None:
                return None
            guided = with_one_exposure(guided, longer, records.read)
            if guided is None:
                return None
        self._last = longer, replace(joined, night=guided, unread=records.unread)
        self.hurried = True
        return self._last

    def remember(self, night: Night, joined: Joined) -> None:
        """Keep the night as compared in full, for `one_more`."""
        self._last = night, joined

    def identities(self, paths: Iterable[Path]) -> dict[Path, FileIdentity]:
        """As `subgrade.results.file_identities`; a file is read again where its state changed."""
        from subgrade.results.file_identity import file_identity

        found = {}
        for path in paths:
            state = state_of(path)
            known = self._identities.get(path)
            if state is None or known is None or known[0] != state:
                identity = file_identity(path)
                known = (state, identity) if state is not None and identity else None
            if known is not None:
                found[path] = known
        self._identities = found
        return {path: identity for path, (_, identity) in found.items()}

    def only_wanted(self, found: Found) -> Found:
        """Those that are wanted of what was found: a file that came just now may be half written.

        Raises
        ------
        Unsettled
            If one is not there.
        """
        if self.wanted is None:
            return found
        files = tuple(path for path in found.files if path in self.wanted)
        if len(files) < len(self.wanted):
            raise Unsettled("files went away while they were graded")
        return replace(found, files=files)

    def check(self, results: Mapping[Path, object]) -> None:
        """Make sure that what failed did not fail for going away, or being written again.

        Raises
        ------
        Unsettled
        """
        for path, result in results.items():
            failed = not isinstance(result, Measured)
            if failed and self.wanted is not None and state_of(path) != self.wanted.get(path):
                raise Unsettled(f"{path}: went away or was changed while it was measured")

    def measurement(self, key: str) -> Measured | None:
        """What was measured under a key."""
        return self._measured.get(key)

    def hold(self, results: Mapping[Path, object]) -> None:
        """Keep the measurements of a grading, and no others."""
        self._measured = {m.key: m for m in results.values() if isinstance(m, Measured)}
        self.done = frozenset(results)

    def write(self) -> str:
        """Put the outcomes on the disk; why that was impossible, or nothing."""
        try:
            if self._outcomes is not None:
                self._outcomes.write()
        except ResultsError as error:
            return str(error)
        return ""


def state_of(path: str | Path) -> State | None:
    """What differs once a file was changed or replaced; None where it is not there.

    Returns
    -------
    tuple of int or None
        Size, time of last change (ns), inode and device.
    """
    try:
        state = os.stat(path)
    except OSError:
        return None
    return state.st_size, state.st_mtime_ns, state.st_ino, state.st_dev
