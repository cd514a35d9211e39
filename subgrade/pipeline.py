"""The one orchestrator: find, measure, compare, join, judge, write."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from subgrade.asked import check_paths
from subgrade.errors import NothingToGrade, UnreadableFile
from subgrade.measuring import DrawFile, Measured, MeasureFile, load_masters_once
from subgrade.settings import Progress, Settings
from subgrade.workers import Failure, default_workers, measure_each

MEASURED = "measured"
"""Folder in RESULTS that keeps measurements."""


def grade(settings: Settings, progress: Progress | None = None):
    """Grade a night and write its results folder, unless it is a dry run.

    Parameters
    ----------
    settings : Settings
    progress : Progress, optional

    Returns
    -------
    subgrade.results.Graded

    Raises
    ------
    UsageError
        If a path, the limits, the marks or a master cannot be used.
    NothingToGrade
        If no light frame was found or could be measured.
    ResultsError
        If the results cannot be written.
    """
    from subgrade.causes import load_limits, read_person
    from subgrade.moving.away import culled_away
    from subgrade.results import file_identities, write_results
    from subgrade.results.culled import with_culled
    from subgrade.results.lists import list_warnings
    from subgrade.results.write import open_folder

    progress = progress or Progress()
    check_paths(settings)
    limits = load_limits(settings.limits)
    found = find(settings)
    files = {found.name(path): path for path in found.files}
    culled = culled_away(settings.out, found.files)
    person = read_person(
        settings.teach, settings.marks, files, settings.limits, {c.name: c.path for c in culled}
    )
    for note in found.notes:
        progress.say(note)
    records = read_records(settings, progress)
    if not settings.dry_run:
        open_folder(settings.out)
        announce_unguided(settings, records, progress)
    identities = file_identities(found.files)
    measured = measure(found, settings, progress)
    night = compare(measured, found)
    guiding = join(night, records, settings, progress)
    graded = judge(night, measured, found, limits, settings, guiding, person)
    graded = replace(graded, identities=identities)
    graded = with_culled(graded, culled)
    announce_marks(graded, person, progress)
    for note in list_warnings(graded, settings.list_style):
        progress.warn(note)
    if settings.dry_run:
        return graded
    write_results(graded, settings.out)
    if settings.report:
        show(graded, settings, progress)
    return graded


def find(settings: Settings):
    """The files to grade.

    Raises
    ------
    NothingToGrade
        If there are none.
    """
    from subgrade.lights import find_lights

    masters = [m for m in (settings.dark, settings.bias, settings.flat) if m]
    found = find_lights(settings.paths, exclude=[settings.out, *masters])
    if not found.files:
        raise NothingToGrade(f"no light frames in {', '.join(map(str, settings.paths))}")
    return found


def measure(found, settings: Settings, progress: Progress) -> dict[Path, Measured | Failure]:
    """Measure every file and draw its pictures, taking what an earlier run kept.

    Raises
    ------
    NothingToGrade
        If not one file could be measured.
    """
    cache = measurement_cache(settings)
    results: dict[Path, Measured | Failure] = {}
    for path in found.files:
        try:
            key = cache.key(path)
        except UnreadableFile as error:
            results[path] = Failure(path, error.cause)
            continue
        kept = None if settings.remeasure else cache.load(key)
        if kept is not None:
            results[path] = Measured(*kept, key)
    waiting = [path for path in found.files if path not in results]
    undrawn = [] if settings.dry_run else _undrawn(results, cache)
    progress.start(len(found.files), len(found.files) - len(waiting))
    try:
        for path, outcome in _each(waiting, MeasureFile, cache, settings, progress.say):
            results[path] = outcome
            cause = outcome.cause if isinstance(outcome, Failure) else None
            progress.advance(found.name(path), cause)
        if undrawn:
            progress.say(f"drawing the pictures of {len(undrawn)} frames measured earlier")
        for _ in _each(undrawn, DrawFile, cache, settings, progress.say):
            pass  # a frame without pictures is graded all the same
    finally:
        progress.stop()
    if not any(isinstance(r, Measured) and r.stars is not None for r in results.values()):
        raise NothingToGrade(_why_nothing(results, found))
    return results


def compare(measured: dict[Path, Measured | Failure], found):
    """Lay the measured frames side by side."""
    from subgrade.night import compare_night
    from subgrade.night.model import Frame

    return compare_night(
        [
            Frame(found.name(path), str(path), result.facts, result.stars)
            for path, result in measured.items()
            if isinstance(result, Measured) and result.stars is not None
        ]
    )


@dataclass(frozen=True, slots=True)
class Records:
    """The guiding records that could be read, and (path, cause) of the others."""

    read: tuple = ()
    unread: tuple[tuple[str, str], ...] = ()


def read_records(settings: Settings, progress: Progress) -> Records:
    """Read the guiding records; one that cannot be read is left out and reported."""
    if not settings.guide:
        return Records()
    from subgrade.guiding import read_guide

    read, unread = [], []
    for path in settings.guide:
        try:
            read.append(
                read_guide(path, scale_arcsec_px=settings.guide_scale, guide_map=settings.guide_map)
            )
        except UnreadableFile as error:
            unread.append((str(path), error.cause))
            progress.warn(f"guiding record not used: {path}: {error.cause}")
    return Records(tuple(read), tuple(unread))


def announce_unguided(settings: Settings, records: Records, progress: Progress) -> None:
    """Warn where results that used a guiding record are written over by a run without."""
    from subgrade.results.read import record_used

    used = None if records.read else record_used(settings.out)
    if used:
        progress.say(
            f"the earlier results in {settings.out} used {used}; this run uses no guiding record"
        )


@dataclass(frozen=True, slots=True)
class Joined:
    """The record over the night, whether it can be used, and the records that cannot."""

    night: object | None = None
    unread: tuple[tuple[str, str], ...] = ()

    @property
    def usable(self):
        """The `GuideNight` where its clock is settled, else None."""
        from subgrade.results.guiding import usable

        return self.night if usable(self.night) else None


def join(night, records: Records, settings: Settings, progress: Progress) -> Joined:
    """Set the records' clock by the night and cut them into exposures."""
    if not records.read:
        return Joined(None, records.unread)
    from subgrade.guiding import guide_night
    from subgrade.results.guiding import unsettled

    joined = Joined(
        guide_night(night, records.read, utc_offset_hours=settings.guide_utc_offset),
        records.unread,
    )
    if joined.usable is None:
        progress.warn(unsettled(joined.night))
    return joined


def judge(
    night, measured, found, limits, settings: Settings, guiding: Joined | None = None, person=None
):
    """A verdict on every file, in the order taken, those without a time last."""
    from subgrade.causes import (
        ExpectedMotion,
        damaged_frames,
        follow,
        judge_night,
        judge_with,
        left_out,
    )
    from subgrade.diagnosis import diagnose_night
    from subgrade.results import Graded, GradedFrame
    from subgrade.results.cache import KeptPictures
    from subgrade.results.guiding import NOT_USED

    guiding = guiding or Joined()
    asked = ExpectedMotion(*settings.expected_motion) if settings.expected_motion else None
    followed = follow(night, asked, guiding.usable)
    damaged = damaged_frames(followed.night, limits)
    decided = judge_with(
        followed.night,
        limits,
        lambda li: judge_night(night, li, guiding.usable, followed, damaged),
        person,
    )
    verdicts, limits = decided.verdicts, decided.limits
    inside = guiding.usable.exposures if guiding.usable else (None,) * len(night.frames)
    cache = measurement_cache(settings)
    frames = [
        GradedFrame(
            frame.name,
            Path(frame.path),
            judgement,
            frame.facts,
            frame.stars,
            compared,
            exposure,
            KeptPictures(cache, measured[Path(frame.path)].key),
        )
        for frame, compared, judgement, exposure in zip(
            night.frames, night.compared, verdicts, inside, strict=True
        )
    ]
    problems = [(name, f"{NOT_USED}{cause}") for name, cause in guiding.unread]
    for path, result in measured.items():
        name = found.name(path)
        if isinstance(result, Failure):
            problems.append((name, result.cause))
            frames.append(GradedFrame(name, path, left_out(name, "unreadable", result.cause)))
        elif result.stars is None:
            note = f"it is {_kind(result.facts.frame_type)} by its header, not a light"
            frames.append(
                GradedFrame(name, path, left_out(name, "wrong_frame", note), result.facts)
            )
    frames.sort(key=_taken)
    failed = [(found.name(p), r.cause) for p, r in measured.items() if isinstance(r, Failure)]
    # Calibration frames are no frames of the night, but they count among its losses.
    other_kind = [
        (f.judgement, f.facts.exposure_s or 0.0) for f in frames if f.facts and not f.compared
    ]
    diagnosis = diagnose_night(
        followed.night, decided.measured, guiding.usable, limits, failed,
        decided=decided.verdicts, other_kind=other_kind,
    )  # fmt: skip
    return Graded(
        found.folder, tuple(frames), followed.night.groups, limits, tuple(problems),
        _asked(settings), guiding.night, diagnosis, followed.remarks,
        person=decided,
    )  # fmt: skip


def announce_marks(graded, person, progress: Progress) -> None:
    """Report what the person's marks did; that a limit moved is reported even when quiet."""
    from subgrade.results.teaching import teaching_lines

    for note in (*person.notes, *graded.person.notes):
        progress.warn(note)
    for line in teaching_lines(graded):
        (progress.warn if graded.person.moved else progress.say)(line)


def show(graded, settings: Settings, progress: Progress) -> None:
    """Write the page; the results that are written already are not lost with it."""
    from subgrade.report import FILE, write_report

    try:
        write_report(graded, settings.out)
    except Exception as error:  # a page is never worth a night's results
        cause = str(error) or type(error).__name__
        progress.warn(f"{FILE} was not written: {cause}; the other results are complete")


def measurement_cache(settings: Settings):
    """The cache of measurements that these settings would make."""
    from subgrade.results.cache import MeasurementCache, content_identity
    from subgrade.stars import MEASURE_VERSION

    masters = {
        kind: content_identity(path)
        for kind in ("dark", "bias", "flat")
        if (path := getattr(settings, kind))
    }
    depends = {"measure": MEASURE_VERSION, "scale": settings.scale, "masters": masters}
    folder = Path(settings.out).absolute() / MEASURED
    return MeasurementCache(folder, depends, writes=not settings.dry_run)


def _undrawn(results: dict[Path, Measured | Failure], cache) -> list[Path]:
    """Lights measured by a run that kept no pictures."""
    return [
        path
        for path, result in results.items()
        if isinstance(result, Measured)
        and result.stars is not None
        and not cache.has_pictures(result.key)
    ]


def _each(waiting: Sequence[Path], kind: type, cache, settings: Settings, say: Callable):
    """A task of ``subgrade.measuring`` for every file, in processes where that pays."""
    if not waiting:
        return
    masters = (settings.dark, settings.bias, settings.flat)
    if any(masters):
        load_masters_once(*masters)  # one that cannot be read ends the run, not every file
    workers = settings.workers or default_workers(len(waiting))
    task = kind(cache, settings.scale, masters)
    yield from measure_each(waiting, task, min(workers, len(waiting)), say)


def _taken(frame) -> tuple:
    start = frame.facts.start_unix if frame.facts else None
    return (start is None, start or 0.0, frame.name)


def _kind(frame_type: str) -> str:
    kinds = {"dark": "a dark frame", "bias": "a bias frame", "flat": "a flat frame"}
    return kinds.get(frame_type, "something else")


def _asked(settings: Settings) -> dict:
    return {name: getattr(settings, name) for name in settings.__slots__}


def _why_nothing(results, found) -> str:
    failures = [r for r in results.values() if isinstance(r, Failure)]
    others = len(results) - len(failures)
    lines = [f"none of the {len(results)} files could be graded"]
    if others:
        lines.append(f"{others} are calibration frames or other kinds by their header")
    lines += [f"{found.name(f.path)}: {f.cause}" for f in failures[:20]]
    return "\n  ".join(lines)


__all__ = ["Progress", "Settings", "grade"]
