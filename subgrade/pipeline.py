"""The one orchestrator: find, measure, compare, join, judge, write."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from subgrade.cluster.engine import check_engine, scheduler_address
from subgrade.errors import NothingToGrade, ResultsError, UnreadableFile, UsageError
from subgrade.given_paths import check_paths
from subgrade.measuring import (
    MEASURED,
    DrawFile,
    Measured,
    MeasureFile,
    load_masters_once,
    measurement_cache,
)
from subgrade.memo import keeping, kept
from subgrade.optional_parts import Noted, attempt, error_words, noted, noting, part
from subgrade.settings import Progress, Settings, asked_for, check_values
from subgrade.verdicts import Joined, judge
from subgrade.workers import Failure, default_workers, measure_each

if TYPE_CHECKING:
    from subgrade.guiding.model import GuideNight
    from subgrade.held import Held
    from subgrade.judging import Limits
    from subgrade.lights import Found
    from subgrade.night import Night
    from subgrade.record.model import GuideRecord
    from subgrade.results import CulledFrame, Graded
    from subgrade.results.measurement_cache import MeasurementCache
    from subgrade.results.memo_files import KeptOutcomes
    from subgrade.teaching import Person


def grade(settings: Settings, progress: Progress | None = None, held: Held | None = None) -> Graded:
    """Grade a night and write its results folder, unless it is a dry run.

    Parameters
    ----------
    settings : Settings
    progress : Progress, optional
    held : Held, optional
        What the process keeps from one time to the next, where it grades a growing night.

    Returns
    -------
    subgrade.results.Graded

    Raises
    ------
    UsageError
        If a path, an option, the limits, the marks or a master cannot be used.
    NothingToGrade
        If no light frame was found or could be measured.
    ResultsError
        If the results would be written over what is not theirs.
    NotWritten
        If the results cannot be written.
    """
    from subgrade.results.run_notes import every_problem, problems_parted

    progress = progress or Progress()
    with noting() as failed:
        graded = _grade(settings, progress, held)
        graded = replace(graded, problems=every_problem(graded))
        for name, cause in problems_parted(graded.problems).parts:
            progress.warn(f"{name} is missing from the results: {cause}")
        announce_crashes(failed, settings, progress)
    return graded


def _grade(settings: Settings, progress: Progress, held: Held | None) -> Graded:
    from subgrade.judging import load_limits
    from subgrade.moving.already_moved import culled_away
    from subgrade.teaching import read_person

    check_values(settings)
    check_paths(settings)
    check_engine(settings.engine)
    limits = load_limits(settings.limits)
    found = find(settings, held)
    files = {found.name(path): path for path in found.files}
    culled = attempt(
        "the list of culled frames", lambda: culled_away(settings.out, found.files), ()
    )
    person = read_person(
        settings.teach, settings.marks, files, settings.limits, {c.name: c.path for c in culled}
    )
    for note in found.notes:
        progress.warn(note)
    keeper = outcomes(settings, progress)
    with keeping(held.outcomes(keeper) if held else keeper):
        records = read_records(settings, progress)
        if not settings.dry_run:
            prepare(found, settings)
        with writing(keeper, progress):
            return _graded(found, records, limits, person, culled, settings, progress, held)


def _graded(
    found: Found,
    records: Records,
    limits: Limits,
    person: Person,
    culled: tuple[CulledFrame, ...],
    settings: Settings,
    progress: Progress,
    held: Held | None,
) -> Graded:
    from subgrade.results import file_identities, write_results
    from subgrade.results.lists import list_warnings
    from subgrade.results.run_notes import with_culled

    identify = held.identities if held else file_identities
    identities = attempt("the files' identities", lambda: identify(found.files), {})
    measured = measure(found, settings, progress, identities, held)
    if not settings.dry_run:  # nothing is written over where nothing could be measured
        with part("the note on earlier results"):
            announce_unguided(settings, records, progress)
        with part("the note on marks of a review"):
            announce_unmarked(settings, progress)
    night, guiding, depends = _side_by_side(measured, found, records, settings, progress, held)
    graded = judge(night, measured, found, limits, settings, guiding, person, depends)
    graded = replace(graded, identities=identities)
    graded = attempt("the list of culled frames", lambda: with_culled(graded, culled), graded)
    with part("the notes on your marks"):
        announce_marks(graded, person, progress)
    with part("the note on culled frames"):
        announce_culled_surplus(graded, settings, progress)
    with part("the warnings on the lists"):
        for note in list_warnings(graded, settings.list_style):
            progress.warn(note)
    if not settings.dry_run:
        write_results(graded, settings.out, _pages(settings))
    return graded


def _side_by_side(
    measured: dict[Path, Measured | Failure],
    found: Found,
    records: Records,
    settings: Settings,
    progress: Progress,
    held: Held | None,
) -> tuple[Night, Joined, tuple]:
    """The frames compared, the record over them, and what the night depends on."""
    if held and held.hurried:
        longer = attempt(
            "one more frame", lambda: held.one_more(_frames(measured, found), records), None
        )
        if longer is not None:
            return *longer, ()
    night, guiding, depends = compare_and_join(measured, found, records, settings, progress)
    if held:
        held.remember(night, guiding)
    return night, guiding, depends


def compare_and_join(
    measured: dict[Path, Measured | Failure],
    found: Found,
    records: Records,
    settings: Settings,
    progress: Progress,
) -> tuple[Night, Joined, tuple]:
    """The night, the record over it, and what the night depends on."""
    night = compare(measured, found)
    depends = night_depends(measured, found)
    guiding = attempt(
        "the guiding record",
        lambda: join(night, records, settings, progress, depends),
        Joined(None, records.unread),
    )
    return night, guiding, depends


def prepare(found: Found, settings: Settings) -> None:
    """Make sure, before hours of measuring, that the results can be written and where.

    Raises
    ------
    ResultsError
        If they would be written over a frame or a person's own file.
    NotWritten
        If they cannot be written.
    """
    from subgrade.results.write import never_over, never_over_limits, open_folder

    folder = open_folder(settings.out, len(found.files), int(settings.report))
    never_over(folder, found.files, asked_for(settings))
    if settings.teach:
        never_over_limits(folder)


def announce_crashes(failed: Noted, settings: Settings, progress: Progress) -> None:
    """Say where the bug report is, if there is any; a dry run writes it among temporary files."""
    from subgrade.results import bug_report

    if not failed.crashes:
        return
    path = Path(settings.out).absolute() / bug_report.FILE
    if settings.dry_run or not bug_report.is_own(path):
        text = bug_report.bug_report(failed.crashes, asked_for(settings))
        path = bug_report.write_somewhere(text, None)
    if path is not None:
        progress.warn(f"subgrade itself failed; what is needed to mend it is in {path}")


def _pages(settings: Settings) -> dict[str, Callable]:
    """The page, made only where it is wanted: its libraries load slowly."""
    if not settings.report:
        return {}
    from subgrade.report import FILE, report_page

    return {FILE: report_page}


def find(settings: Settings, held: Held | None = None) -> Found:
    """The files to grade.

    Raises
    ------
    NothingToGrade
        If there are none.
    """
    from subgrade.lights import find_lights

    masters = [m for m in (settings.dark, settings.bias, settings.flat) if m]
    kinds = held.kinds if held else None
    found = find_lights(settings.paths, exclude=[settings.out, *masters], kinds=kinds)
    if held:
        found = held.only_wanted(found)
    if not found.files:
        places = ", ".join(map(str, settings.paths))
        raise NothingToGrade("\n  ".join([f"no light frames in {places}", *found.notes]))
    return found


def measure(
    found: Found,
    settings: Settings,
    progress: Progress,
    identities: Mapping | None = None,
    held: Held | None = None,
) -> dict[Path, Measured | Failure]:
    """Measure every file and draw its pictures, taking what an earlier run kept.

    ``identities`` are those of `subgrade.results.file_identities`, where they are known.

    Raises
    ------
    NothingToGrade
        If not one file could be measured.
    """
    cache = measurement_cache(settings)
    results: dict[Path, Measured | Failure] = {}
    for path in found.files:
        try:
            key = cache.key(path, (identities or {}).get(path))
        except UnreadableFile as error:
            results[path] = Failure(path, error.cause)
            continue
        known = held.measurement(key) if held else None
        kept = None if known or settings.remeasure else cache.load(key)
        if known:
            cache.save_missing(key, known.facts, known.stars)
        if known or kept is not None:
            results[path] = known or Measured(*kept, key)
    if cache.damaged:
        kept = "1 kept measurement was damaged and is"
        if cache.damaged > 1:
            kept = f"{cache.damaged} kept measurements were damaged and are"
        progress.say(f"{kept} measured anew")
    waiting = [path for path in found.files if path not in results]
    undrawn = [] if settings.dry_run else _undrawn(results, cache)
    unkept = ""
    unread = [result for result in results.values() if isinstance(result, Failure)]
    progress.start(len(found.files), len(found.files) - len(waiting) - len(unread))
    try:
        for failure in unread:
            progress.advance(found.name(failure.path), failure.cause)
        # closed at once where it is left early: a cluster's frames under way are waited for
        with closing(
            _each(waiting, MeasureFile, cache, settings, progress.say, identities)
        ) as measuring:
            for path, outcome in measuring:
                results[path] = outcome
                unkept = unkept or getattr(outcome, "unkept", "")
                cause = outcome.cause if isinstance(outcome, Failure) else None
                progress.advance(found.name(path), cause)
        if undrawn:
            progress.say(f"drawing the pictures of {len(undrawn)} frames measured earlier")
        for _ in _each(undrawn, DrawFile, cache, settings, progress.say):
            pass  # a frame without pictures is graded all the same
    finally:
        progress.stop()
        if held:
            held.hold(results)
    if held:
        held.check(results)
    if unkept:
        progress.warn(f"measurements are not kept for another run: {unkept}")
    for path, result in results.items():
        if isinstance(result, Failure) and result.trace:
            noted().crashes.setdefault(found.name(path), result.trace)
    if not any(isinstance(r, Measured) and r.stars is not None for r in results.values()):
        raise NothingToGrade(_why_nothing(results, found))
    return results


def compare(measured: dict[Path, Measured | Failure], found: Found) -> Night:
    """Lay the measured frames side by side."""
    from subgrade.night import compare_night, not_compared, with_frames, without_frames

    frames = _frames(measured, found)
    with part("the comparison of the frames"):
        outcome = kept(
            "night",
            night_depends(measured, found),
            lambda: without_frames(compare_night(frames), frames),
        )
        return with_frames(outcome, frames)
    return not_compared(frames)


def night_depends(measured: dict[Path, Measured | Failure], found: Found) -> tuple:
    """All that the comparison depends on: names, measurements, and which clocks can be right."""
    from subgrade.night import not_yet

    frames = _frames(measured, found)
    keys = tuple((frame.name, measured[Path(frame.path)].key) for frame in frames)
    return keys, not_yet(frames)


def _frames(measured: dict[Path, Measured | Failure], found: Found) -> list:
    from subgrade.night.model import Frame

    return [
        Frame(found.name(path), str(path), result.facts, result.stars)
        for path, result in measured.items()
        if isinstance(result, Measured) and result.stars is not None
    ]


def outcomes(settings: Settings, progress: Progress) -> KeptOutcomes:
    """What earlier runs kept of the stages behind measuring."""
    from subgrade.results.memo_files import KeptOutcomes

    return KeptOutcomes(
        Path(settings.out).absolute() / MEASURED,
        reads=not settings.remeasure,
        writes=not settings.dry_run,
        say=progress.say,
    )


@contextmanager
def writing(keeper: KeptOutcomes, progress: Progress) -> Iterator[None]:
    """Keep on the disk what the stages inside made: it is good whatever comes of the run."""
    try:
        yield
    finally:
        try:
            keeper.write()
        except ResultsError as error:
            progress.warn(f"the comparison of the frames is not kept for another run: {error}")


@dataclass(frozen=True, slots=True)
class Records:
    """The guiding records that could be read, and (path, cause) of the others."""

    read: tuple = ()
    unread: tuple[tuple[str, str], ...] = ()
    depends: tuple = ()
    """What each record that was read depends on."""


def read_records(settings: Settings, progress: Progress) -> Records:
    """Read the guiding records; one that cannot be read is left out and reported.

    Raises
    ------
    UsageError
        If the map of their columns cannot be used.
    """
    if not settings.guide:
        return Records()
    read, unread, depends = [], [], []
    for path in settings.guide:
        try:
            on = _record_depends(path, settings)
            make = partial(_read_record, path, settings)
            read.append(kept("record", on, make) if on else make())
            depends.append(on)
        except UnreadableFile as error:
            unread.append((str(path), error.cause))
            progress.warn(f"guiding record not used: {path}: {error.cause}")
        except UsageError:
            raise
        except Exception as error:
            # a record is not worth the night, whatever is in it
            cause = f"subgrade itself failed while reading it ({error_words(error)})"
            unread.append((str(path), cause))
            noted().crashes.setdefault(str(path), traceback.format_exc())
            progress.warn(f"guiding record not used: {path}: {cause}")
    return Records(tuple(read), tuple(unread), tuple(depends))


def _read_record(path: str, settings: Settings) -> GuideRecord:
    from subgrade.record import read_guide

    # pixels of unknown size: the frames may tell the scale
    return read_guide(
        path,
        scale_arcsec_px=settings.guide_scale,
        guide_map=settings.guide_map,
        pixels=True,
    )


def _record_depends(path: str, settings: Settings) -> tuple:
    """What a record that is read depends on; nothing where that is not known."""
    from subgrade.results.measurement_cache import content_identity

    try:
        table = content_identity(settings.guide_map) if settings.guide_map else None
        return str(path), content_identity(path), table, settings.guide_scale
    except UnreadableFile:
        return ()  # reading it will say why


def announce_unguided(settings: Settings, records: Records, progress: Progress) -> None:
    """Warn where results that used a guiding record are written over by a run without."""
    from subgrade.results.read import record_used

    used = None if records.read else record_used(settings.out)
    if used:
        progress.say(
            f"the earlier results in {settings.out} used {used}; this run uses no guiding record"
        )


def announce_unmarked(settings: Settings, progress: Progress) -> None:
    """Say where a review has kept marks that this run was not given."""
    from subgrade.review.journal import TABLE, read_table, table_marks

    table = None if settings.marks else read_table(Path(settings.out))
    if table and table_marks(table):
        path = Path(settings.out) / TABLE
        progress.say(f"the marks of your review are not used by this run: add --marks {path}")


def join(
    night: Night, records: Records, settings: Settings, progress: Progress, depends: tuple = ()
) -> Joined:
    """Set the records' clock by the night and cut them into exposures.

    ``depends`` is what the night depends on; without it the outcome is not kept.
    """
    if not records.read:
        return Joined(None, records.unread)
    from subgrade.results.guiding_record import unsettled

    offset = settings.guide_utc_offset

    def make() -> GuideNight:
        from subgrade.guiding import guide_night

        return guide_night(night, records.read, utc_offset_hours=offset)

    known = depends and all(records.depends)
    joined = Joined(
        kept("guiding", (depends, records.depends, offset), make) if known else make(),
        records.unread,
    )
    if joined.usable is None:
        progress.warn(unsettled(joined.night))
    return joined


def announce_culled_surplus(graded: Graded, settings: Settings, progress: Progress) -> None:
    """Warn where a share is taken a second time, of what an earlier share left in its place."""
    from subgrade.results.model import was_surplus

    gone = sum(was_surplus(frame) for frame in graded.culled)
    if settings.keep is not None and gone:
        frames = "1 good frame" if gone == 1 else f"{gone} good frames"
        progress.warn(
            f"{frames} left out by an earlier choice were culled; --keep now takes its share of "
            "what remains. Restore them first to choose from all"
        )


def announce_marks(graded: Graded, person: Person, progress: Progress) -> None:
    """Report what the person's marks did; that a limit moved is reported even when quiet."""
    from subgrade.results.teaching import teaching_lines

    for note in (*person.notes, *graded.person.notes):
        progress.warn(note)
    for line in teaching_lines(graded):
        (progress.warn if graded.person.moved else progress.say)(line)


def _undrawn(results: dict[Path, Measured | Failure], cache: MeasurementCache) -> list[Path]:
    """Lights measured by a run that kept no pictures."""
    return [
        path
        for path, result in results.items()
        if isinstance(result, Measured)
        and result.stars is not None
        and not cache.has_pictures(result.key)
    ]


def _each(
    waiting: Sequence[Path],
    kind: type,
    cache: MeasurementCache,
    settings: Settings,
    say: Callable,
    identities: Mapping | None = None,
) -> Iterator[tuple[Path, object]]:
    """A task of ``subgrade.measuring`` for every file, in processes where that pays.

    A cluster only measures: what it measured is here, and pictures are drawn here.
    """
    if not waiting:
        return
    masters = (settings.dark, settings.bias, settings.flat)
    if any(masters):
        load_masters_once(*masters)  # one that cannot be read ends the run, not every file
    task = kind(cache, settings.scale, masters, settings.exposure)
    scheduler = scheduler_address(settings.engine)
    if scheduler and kind is MeasureFile:
        from subgrade.cluster.run import measure_on_cluster

        yield from measure_on_cluster(
            waiting, task, scheduler, say, settings.workers, identities or {}
        )
        return
    workers = settings.workers or default_workers(len(waiting))
    yield from measure_each(waiting, task, min(workers, len(waiting)), say)


def _why_nothing(results: dict[Path, Measured | Failure], found: Found) -> str:
    failures = [r for r in results.values() if isinstance(r, Failure)]
    others = len(results) - len(failures)
    if len(results) == 1:
        return (
            f"{found.name(failures[0].path)}: {failures[0].cause}"
            if failures
            else f"{found.name(*results)}: a calibration frame or of another kind by its header"
        )
    lines = [f"none of the {len(results)} files could be graded"]
    if others:
        lines.append(f"{others} are calibration frames or other kinds by their header")
    lines += [f"{found.name(f.path)}: {f.cause}" for f in failures[:20]]
    return "\n  ".join(lines)


__all__ = ["Progress", "Settings", "grade"]
