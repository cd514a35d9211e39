"""A graded night opened again from its results, without a sub being measured or moved."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

from subgrade.errors import ResultsError
from subgrade.judging.features import MARK, NOT_MEASURED
from subgrade.measuring import Measured, measurement_cache
from subgrade.memo import keeping
from subgrade.optional_parts import attempt, noting
from subgrade.pipeline import compare_and_join, outcomes, read_records, writing
from subgrade.settings import Progress, Settings
from subgrade.verdicts import LookedOver, decide, look_over
from subgrade.workers import CRASH, UNREADABLE, Failure

if TYPE_CHECKING:
    from subgrade.lights import Found
    from subgrade.results import CulledFrame, FileIdentity, Graded, Session
    from subgrade.teaching import Person


@dataclass(frozen=True, slots=True)
class Reopened:
    """A night as a run graded it, ready to be decided again with other marks.

    Attributes
    ----------
    session : Session
        What the run wrote.
    settings : Settings
        What the run was asked, with the results where they are now.
    looked : LookedOver
    person : Person
        What the run was given to learn from; its marks are in ``marks``.
    identities : mapping of Path to FileIdentity
        What the files were when they were graded.
    culled : tuple of CulledFrame
    """

    session: Session
    settings: Settings
    looked: LookedOver
    person: Person
    identities: Mapping[Path, FileIdentity]
    culled: tuple[CulledFrame, ...]

    @property
    def folder(self) -> Path:
        """RESULTS, absolute."""
        return Path(os.path.abspath(self.session.folder))

    @property
    def run(self) -> str:
        """What the run is known by: when it was written."""
        return str(self.session.record.get("written_utc"))

    @property
    def marks_file(self) -> str | None:
        """The marks that the run was given, as it named them."""
        return self.session.record["settings"].get("marks")

    @property
    def marks(self) -> dict[str, str]:
        """Marks that the run followed, by frame name: what their evidence says."""
        return {
            frame["values"]["frame"]: frame["values"]["verdict"]
            for frame in self.session.frames
            if any(e["quantity"] == MARK.name for e in frame["evidence"])
        }

    @contextmanager
    def keeping(self) -> Iterator[None]:
        """Use inside what the run kept of dear steps, as another run would."""
        progress = Progress()
        keeper = outcomes(self.settings, progress)
        with keeping(keeper), writing(keeper, progress):
            yield

    def graded(self, marks: Mapping[str, str]) -> Graded:
        """The night with these marks.

        Parameters
        ----------
        marks : mapping of str to str
            ``keep`` or ``reject`` by frame name; empty for a run without.

        Returns
        -------
        Graded
            What `subgrade grade` would return, given them by ``--marks``.
        """
        from subgrade.results.run_notes import every_problem, with_culled
        from subgrade.teaching.marks import Mark

        given = None if not marks else {n: Mark(n, word == "keep") for n, word in marks.items()}
        with noting():
            graded = decide(self.looked, replace(self.person, marks=given))
            graded = replace(
                graded,
                identities=self.identities,
                settings=self.session.record["settings"],
                run_in=self.session.record.get("run_in", ""),
            )
            graded = attempt(
                "the list of culled frames", lambda: with_culled(graded, self.culled), graded
            )
            return replace(graded, problems=every_problem(graded))


def reopen(results: str | Path, progress: Progress | None = None) -> Reopened:
    """Open the night that a results folder holds.

    Parameters
    ----------
    results : path-like
        The RESULTS folder of an earlier grade.
    progress : Progress, optional

    Returns
    -------
    Reopened

    Raises
    ------
    ResultsError
        If it holds no results, no measurements that this version can use, or if limits, guiding
        record or version are not those of the run.
    UsageError
        If the limits, masters or marks that the run was given cannot be used any more.
    """
    from subgrade.judging import load_limits
    from subgrade.results import open_results
    from subgrade.teaching import read_person

    progress = progress or Progress()
    session = open_results(results)
    settings = _settings(session)
    found = _found(session)
    identities = _identities(session)
    measured = _measured(session, found, settings, identities)
    files = {found.name(path): path for path in found.files}
    culled = _culled(session)
    limits = load_limits(settings.limits)
    person = read_person(
        settings.teach, None, files, settings.limits, {c.name: c.path for c in culled}
    )
    keeper = outcomes(settings, progress)
    with noting(), keeping(keeper), writing(keeper, progress):
        records = read_records(settings, progress)
        night, guiding, depends = compare_and_join(measured, found, records, settings, progress)
        looked = look_over(night, measured, found, limits, settings, guiding, depends)
        looked.judged(limits)
    opened = Reopened(session, settings, looked, person, identities, culled)
    _check_alike(opened)
    return opened


def _check_alike(opened: Reopened) -> None:
    """Make sure that the night is judged as the run judged it.

    Raises
    ------
    ResultsError
        If it is not, so that no verdict changes that no mark changed.
    """
    was = {
        frame["values"]["frame"]: (frame["values"]["verdict"], frame["values"]["reasons"] or "")
        for frame in opened.session.frames
    }
    now = {
        frame.name: (frame.judgement.verdict, ";".join(frame.judgement.reasons))
        for frame in opened.graded(opened.marks).frames
    }
    other = [name for name, found in now.items() if was.get(name) != found]
    if other:
        more = f" and {len(other) - 1} more" if len(other) > 1 else ""
        raise ResultsError(
            f"{opened.session.folder}: {other[0]}{more} would be judged otherwise now: limits, "
            "guiding record or version are not those of the run; run grade again"
        )


def _settings(session: Session) -> Settings:
    """What the run was asked, its paths as they were then, the results where they are now."""
    known = {field.name for field in fields(Settings)}
    asked = {
        name: tuple(value) if isinstance(value, list) else value
        for name, value in session.record["settings"].items()
        if name in known
    }
    return replace(Settings(**asked), out=str(session.folder), remeasure=False, dry_run=False)


def _found(session: Session) -> Found:
    """The files of the run, in the order that it found them in."""
    from subgrade.lights import Found
    from subgrade.lights.find_frames import natural_key
    from subgrade.results.run_notes import NOT_SEARCHED

    files = sorted((frame["path"] for frame in session.frames), key=natural_key)
    unsearched = tuple(
        (p["file"], p["cause"].removeprefix(NOT_SEARCHED))
        for p in session.record["problems"]
        if p["cause"].startswith(NOT_SEARCHED)
    )
    return Found(tuple(map(Path, files)), Path(session.record["folder"]), unsearched)


def _identities(session: Session) -> dict[Path, FileIdentity]:
    from subgrade.results import FileIdentity

    return {
        Path(frame["path"]): FileIdentity(**frame["identity"])
        for frame in session.frames
        if frame.get("identity")
    }


def _measured(
    session: Session, found: Found, settings: Settings, identities: Mapping[Path, FileIdentity]
) -> dict[Path, Measured | Failure]:
    """Every file's measurement as kept, and of the others why there is none."""
    causes = {p["file"]: p["cause"] for p in session.record["problems"]}
    cache = measurement_cache(settings)
    results: dict[Path, Measured | Failure] = {}
    lost = []
    frames = {Path(frame["path"]): frame for frame in session.frames}
    for path in found.files:
        frame = frames[path]
        known = identities.get(path)
        key = cache.key(path, known) if known else ""
        kept = cache.load(key) if known else None
        if kept is not None:
            results[path] = Measured(*kept, key)
        elif frame["values"]["verdict"] == "unreadable" and found.name(path) in causes:
            own = any(e["quantity"] == NOT_MEASURED.name for e in frame["evidence"])
            kind = CRASH if own else UNREADABLE
            results[path] = Failure(path, causes[found.name(path)], kind)
        else:
            lost.append(found.name(path))
    if lost:
        more = f" and {len(lost) - 1} more" if len(lost) > 1 else ""
        raise ResultsError(
            f"{session.folder}: the measurement of {lost[0]}{more} is not there or of another "
            "version; run grade again"
        )
    return results


def _culled(session: Session) -> tuple[CulledFrame, ...]:
    from subgrade.results import CulledFrame

    return tuple(
        CulledFrame(c["frame"], Path(c["path"]), Path(c["place"]), c["record"])
        for c in session.culled
    )


__all__ = ["Reopened", "reopen"]
