"""The night as far as it has come: graded again whenever a sub is complete.

It is the grading of `subgrade grade`, over the subs that are there: only what follows from files
alone is kept in memory.  So the results are the same as those of one run at the end.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from subgrade.errors import NothingToGrade, NotWritten, ResultsError
from subgrade.held import Held, State
from subgrade.optional_parts import error_words
from subgrade.pipeline import grade
from subgrade.results import Graded, GradedFrame
from subgrade.settings import Progress, Settings

if TYPE_CHECKING:
    from subgrade.lights import Kinds


@dataclass(frozen=True, slots=True)
class Update:
    """What another grading has brought.

    Attributes
    ----------
    graded : Graded or None
        None where there is no sub that can be graded.
    fresh : tuple of GradedFrame
        New or written again, in the order taken.
    changed : tuple of (GradedFrame, str)
        Earlier frames whose verdict is another now, and what it was.
    gone : tuple of str
        Names of frames that are not there any more.
    again : tuple of str
        Those that are being written again.
    trouble : str
        Why the results on the disk are not those of ``graded``; empty where they are.
    whole : bool
        False where one sub was set beside the night as it was: the next grading compares all.
    """

    graded: Graded | None
    fresh: tuple[GradedFrame, ...] = ()
    changed: tuple[tuple[GradedFrame, str], ...] = ()
    gone: tuple[str, ...] = ()
    again: tuple[str, ...] = ()
    trouble: str = ""
    whole: bool = True


class NightSoFar:
    """Grades the subs that are there, again and again.

    Parameters
    ----------
    settings : Settings
        As for one run of `subgrade grade`.
    progress : Progress
    """

    def __init__(self, settings: Settings, progress: Progress):
        self._settings = settings
        self._progress = progress
        self._held = Held()
        self._shown: dict[str, tuple[State | None, str, Path]] = {}
        self._states: dict[Path, State] = {}
        self.graded: Graded | None = None

    def grade(
        self,
        states: Mapping[Path, State],
        records: Iterable[str],
        disk: bool = True,
        hurried: bool = False,
    ) -> Update:
        """Grade the subs that are complete, and write the results.

        Parameters
        ----------
        states : mapping of Path
            The subs, no others, each as `subgrade.held.state_of` saw it.
        records : iterable of str
            The guiding records that are there.
        disk : bool
            Whether the results are written.
        hurried : bool
            Whether a single new sub may be set beside the night as it was, which takes a fraction
            of the time; ``Update.whole`` states what was done.

        Raises
        ------
        UsageError
            If limits, marks, masters or folders cannot be used any more.
        Unsettled
            If subs went away or were changed meanwhile.
        """
        self._held.wanted = dict(states)
        before, self._states = self._states, dict(states)
        one_more = len(states) == len(before) + 1 and before.items() <= self._states.items()
        self._held.hurried = hurried and one_more
        settings = replace(self._settings, guide=tuple(records))
        try:
            graded, trouble = self._graded(settings, disk)
        except NothingToGrade as error:
            return Update(None, trouble=str(error))
        return replace(self._update(graded, states, trouble), whole=not self._held.hurried)

    @property
    def kinds(self) -> Kinds:
        """What the files of the folders were found to be."""
        return self._held.kinds

    @property
    def done(self) -> frozenset[Path]:
        """Files that were measured, or found unreadable."""
        return self._held.done

    def keep(self) -> str:
        """Put on the disk what the next run need not make again; why that failed, or nothing."""
        return self._held.write() if self.graded is not None else ""

    def _graded(self, settings: Settings, disk: bool) -> tuple[Graded, str]:
        if disk:
            try:
                return grade(settings, self._progress, self._held), ""
            except (NotWritten, ResultsError) as error:
                trouble = error_words(error)
        else:
            trouble = ""
        # the verdicts are wanted all the same: alarms rest on them
        graded = grade(replace(settings, dry_run=True), _Quiet(self._progress), self._held)
        return graded, trouble

    def _update(self, graded: Graded, states: Mapping[Path, State], trouble: str) -> Update:
        shown, fresh, changed = {}, [], []
        for frame in graded.frames:
            state, verdict = states.get(frame.path), frame.judgement.verdict
            known = self._shown.get(frame.name)
            shown[frame.name] = (state, verdict, frame.path)
            if known is None or known[0] != state:
                fresh.append(frame)
            elif known[1] != verdict:
                changed.append((frame, known[1]))
        away = {name: path for name, (_, _, path) in self._shown.items() if name not in shown}
        again = tuple(name for name, path in away.items() if path.exists())
        gone = tuple(name for name in away if name not in again)
        self._shown, self.graded = shown, graded
        return Update(graded, tuple(fresh), tuple(changed), gone, again, trouble)


class _Quiet(Progress):
    """Passes on only what must be known to stop in order."""

    def __init__(self, progress: Progress):
        self._progress = progress

    def start(self, total: int, cached: int) -> None:
        self._progress.start(total, cached)

    def stop(self) -> None:
        self._progress.stop()
