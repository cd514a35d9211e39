"""A graded night opened again from its results, without a sub being measured or moved."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

from subgrade.errors import ResultsError
from subgrade.measuring import Measured, measurement_cache
from subgrade.memo import keeping
from subgrade.optional_parts import attempt, noting
from subgrade.pipeline import compare, join, night_depends, outcomes, read_records
from subgrade.settings import Progress, Settings
from subgrade.verdicts import Joined, LookedOver, decide, look_over
from subgrade.workers import UNREADABLE, Failure

if TYPE_CHECKING:
    from subgrade.lights import Found
    from subgrade.results import CulledFrame, FileIdentity, Graded, Session
    from subgrade.teaching import Person

OTHER_THAN_THE_FILE = "crash"
"""Kind of a failure that was the program's own."""


@dataclass(frozen=True, slots=True)
class Reopened:
    """A night as a run graded it, ready to be decided again with other marks.

    Attributes
    ----------
    session : Session
        What the run wrote.
    settings : Settings
        What the run was asked.
    """

    session: Session
    settings: Settings
    looked: LookedOver
    person: Person
    identities: Mapping[Path, FileIdentity]
    culled: tuple[CulledFrame, ...]

    def graded(self, marks: Mapping[str, str] | None) -> Graded:
        """The night with these marks.

        Parameters
        ----------
        marks : mapping of str to str, or None
            ``keep`` or ``reject`` by frame name, as `subgrade grade --marks` would read them;
            None for a run without.

        Returns
        -------
        Graded
            What `subgrade grade` would return.
        """
        from subgrade.results.run_notes import every_problem, with_culled
        from subgrade.teaching.marks import Mark

        given = None if not marks else {n: Mark(n, word == "keep") for n, word in marks.items()}
        with noting():
            graded = decide(self.looked, replace(self.person, marks=given))
            graded = replace(graded, identities=self.identities)
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
        If it holds no results, or no measurements that this version can use.
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
    with noting(), keeping(outcomes(settings, progress)):
        records = read_records(settings, progress)
        night = compare(measured, found)
        depends = night_depends(measured, found)
        guiding = attempt(
            "the guiding record",
            lambda: join(night, records, settings, progress, depends),
            Joined(None, records.unread),
        )
        looked = look_over(night, measured, found, limits, settings, guiding, depends)
        looked.judged(limits)
    return Reopened(session, settings, looked, person, identities, culled)


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
    from subgrade.lights import Found

    files = tuple(Path(frame["path"]) for frame in session.frames)
    return Found(files, Path(session.record["folder"]))


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
    for frame, path in zip(session.frames, found.files, strict=True):
        known = identities.get(path)
        key = cache.key(path, known) if known else ""
        kept = cache.load(key) if known else None
        if kept is not None:
            results[path] = Measured(*kept, key)
        elif frame["values"]["verdict"] == "unreadable" and found.name(path) in causes:
            own = any(e["quantity"] == "measuring" for e in frame["evidence"])
            kind = OTHER_THAN_THE_FILE if own else UNREADABLE
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
