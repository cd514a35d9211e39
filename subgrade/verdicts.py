"""A verdict on every file of a night: judged, left out with why, and the night's story."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from subgrade.measuring import measurement_cache
from subgrade.memo import kept
from subgrade.optional_parts import attempt
from subgrade.settings import Settings, asked_for
from subgrade.workers import Failure

if TYPE_CHECKING:
    from subgrade.diagnosis import Diagnosis
    from subgrade.guiding.model import GuideNight
    from subgrade.judging import Followed, Judgement, Limits
    from subgrade.judging.evidence import Finding
    from subgrade.lights import Found, HeaderFacts
    from subgrade.measuring import Measured
    from subgrade.night import Night
    from subgrade.results import Graded, GradedFrame
    from subgrade.results.model import Problem
    from subgrade.teaching import Decided, Person


@dataclass(frozen=True, slots=True)
class Joined:
    """The record over the night, whether it can be used, and the records that cannot."""

    night: GuideNight | None = None
    unread: tuple[tuple[str, str], ...] = ()

    @property
    def usable(self) -> GuideNight | None:
        """The `GuideNight` where its clock is settled, else None."""
        from subgrade.results.guiding_record import usable

        return self.night if usable(self.night) else None


def judge(
    night: Night,
    measured: dict[Path, Measured | Failure],
    found: Found,
    limits: Limits,
    settings: Settings,
    guiding: Joined | None = None,
    person: Person | None = None,
    depends: tuple = (),
) -> Graded:
    """A verdict on every file, in the order taken, those without a time last.

    ``depends`` is what the night depends on; without it nothing of the whole night is kept.
    """
    looked = look_over(night, measured, found, limits, settings, guiding, depends)
    return decide(looked, person)


@dataclass(frozen=True, slots=True)
class LookedOver:
    """A night with all that its verdicts rest on, whatever marks a person gives.

    Attributes
    ----------
    judged : callable
        Verdicts on the night's frames under the limits given; made once for each.
    """

    night: Night
    measured: dict[Path, Measured | Failure]
    found: Found
    limits: Limits
    settings: Settings
    guiding: Joined
    followed: Followed
    judged: Callable[[Limits], tuple[Judgement, ...]]


def look_over(
    night: Night,
    measured: dict[Path, Measured | Failure],
    found: Found,
    limits: Limits,
    settings: Settings,
    guiding: Joined | None = None,
    depends: tuple = (),
) -> LookedOver:
    """What no mark changes: the trail that all share, damaged pixels, the program's verdicts."""
    from subgrade.judging import ExpectedMotion, Followed, follow, for_stack, judge_night

    guiding = guiding or Joined()
    record = guiding.usable
    asked = ExpectedMotion(*settings.expected_motion) if settings.expected_motion else None
    followed = attempt(
        "the trail that all frames share",
        lambda: follow(night, asked, record),
        Followed(night, (), ()),
    )
    damaged = attempt(
        "the search for damaged pixels", lambda: _damaged(followed, limits, depends), {}
    )
    known: dict[str, tuple[Judgement, ...]] = {}

    def judged(under: Limits) -> tuple[Judgement, ...]:
        key = repr(under.as_dict())
        if key not in known:
            used = for_stack(under, settings.stack)
            known[key] = judge_night(night, used, record, followed, damaged)
        return known[key]

    return LookedOver(night, measured, found, limits, settings, guiding, followed, judged)


def decide(looked: LookedOver, person: Person | None = None) -> Graded:
    """The graded night, with what a person's marks teach and overrule."""
    from subgrade.results import Graded
    from subgrade.teaching import judge_with

    followed, guiding, settings = looked.followed, looked.guiding, looked.settings
    measured, found = looked.measured, looked.found
    decided = judge_with(followed.night, looked.limits, looked.judged, person)
    chosen = attempt(
        "your choice of how many to keep",
        lambda: _chosen(looked.night, decided, settings, person),
        decided,
    )
    frames = [
        *_judged(looked.night, measured, chosen.verdicts, guiding.usable, settings),
        *_ungraded(measured, found, settings),
    ]
    frames.sort(key=_taken)
    diagnosis = attempt(
        "the diagnosis",
        lambda: _diagnosed(followed, chosen, guiding, frames, measured, found),
        None,
    )
    return Graded(
        found.folder,
        tuple(frames),
        followed.night.groups,
        chosen.limits,
        _problems(measured, found, guiding),
        asked_for(settings),
        guiding.night,
        diagnosis,
        followed.remarks,
        person=chosen,
    )


def _chosen(night: Night, decided: Decided, settings: Settings, person: Person | None) -> Decided:
    """The decisions with what the person's choice of how many to keep leaves out."""
    from subgrade.choosing import Choice, leave_surplus

    if settings.keep is None:
        return decided
    marks = (person.marks if person else None) or {}
    held = {name for name, mark in marks.items() if mark.keep}
    choice = Choice(settings.keep, settings.prefer)
    verdicts = leave_surplus(night, decided.verdicts, decided.limits, choice, held)
    return replace(decided, verdicts=verdicts, own=decided.own or decided.verdicts)


def _problems(
    measured: dict[Path, Measured | Failure], found: Found, guiding: Joined
) -> tuple[Problem, ...]:
    """What could not be used, and why: records, folders, files."""
    from subgrade.results.model import RECORD, Problem
    from subgrade.results.run_notes import NOT_SEARCHED

    return (
        *(Problem(name, cause, RECORD) for name, cause in guiding.unread),
        *(Problem(path, f"{NOT_SEARCHED}{cause}") for path, cause in found.unsearched),
        *(Problem(found.name(p), r.cause) for p, r in measured.items() if isinstance(r, Failure)),
    )


def _damaged(followed: Followed, limits: Limits, depends: tuple) -> dict[int, Finding]:
    """Frames with damaged pixels, which no limit moves."""
    from subgrade.judging import damaged_frames

    if not depends:
        return damaged_frames(followed.night, limits)
    return kept(
        "damage",
        (depends, followed.trails, limits.verdict.points_cap),
        lambda: damaged_frames(followed.night, limits),
    )


def _judged(
    night: Night,
    measured: dict[Path, Measured | Failure],
    verdicts: Sequence[Judgement],
    record: GuideNight | None,
    settings: Settings,
) -> Iterator:
    """The frames that were measured, each with its verdict."""
    from subgrade.results import GradedFrame
    from subgrade.results.measurement_cache import KeptPictures

    cache = measurement_cache(settings)
    inside = record.exposures if record else (None,) * len(night.frames)
    for frame, compared, judgement, exposure in zip(
        night.frames, night.compared, verdicts, inside, strict=True
    ):
        path = Path(frame.path)
        pictures = KeptPictures(cache, measured[path].key)
        yield GradedFrame(
            frame.name, path, judgement, frame.facts, frame.stars, compared, exposure, pictures
        )


def _ungraded(
    measured: dict[Path, Measured | Failure], found: Found, settings: Settings
) -> Iterator:
    """The files without a measurement, each with why."""
    from subgrade.judging import left_out
    from subgrade.judging.features import NOT_MEASURED
    from subgrade.results import GradedFrame

    for path, result in measured.items():
        name = found.name(path)
        if isinstance(result, Failure) and result.of_the_file:
            yield GradedFrame(name, path, left_out(name, "unreadable", result.cause))
        elif isinstance(result, Failure):
            judgement = left_out(name, "unreadable", result.cause, NOT_MEASURED)
            yield GradedFrame(name, path, judgement, _facts_alone(path, settings))
        elif result.stars is None:
            note = f"it is {_kind(result.facts.frame_type)} by its header, not a light"
            yield GradedFrame(name, path, left_out(name, "wrong_frame", note), result.facts)


def _facts_alone(path: Path, settings: Settings) -> HeaderFacts | None:
    """The header of a file that could not be measured, so that its time still counts; or None."""
    from subgrade.lights import read_facts

    with suppress(Exception):  # a file that did this once may do it again
        return read_facts(path, scale=settings.scale, exposure=settings.exposure)
    return None


def _diagnosed(
    followed: Followed,
    decided: Decided,
    guiding: Joined,
    frames: list[GradedFrame],
    measured: dict[Path, Measured | Failure],
    found: Found,
) -> Diagnosis:
    """The night's story, from the frames compared and from what the others cost."""
    from subgrade.diagnosis import diagnose_night

    failed = [(p, r) for p, r in measured.items() if isinstance(r, Failure)]
    own = {p for p, r in failed if not r.of_the_file}
    # Calibration frames are no frames of the night, but they count among its losses.
    apart = [
        (f.path in own, (f.judgement, (f.facts.exposure_s or 0.0) if f.facts else 0.0))
        for f in frames
        if not f.compared and (f.facts or f.path in own)
    ]
    return diagnose_night(
        followed.night,
        decided.measured,
        guiding.usable,
        decided.limits,
        [(found.name(p), r.cause) for p, r in failed if r.of_the_file],
        decided=decided.verdicts,
        other_kind=[cost for mine, cost in apart if not mine],
        unmeasured=[cost for mine, cost in apart if mine],
        trails=followed.trails,
        record=guiding.night.record if guiding.night is not None else None,
    )


def _taken(frame: GradedFrame) -> tuple:
    start = frame.facts.start_unix if frame.facts else None
    return (start is None, start or 0.0, frame.name)


def _kind(frame_type: str) -> str:
    kinds = {"dark": "a dark frame", "bias": "a bias frame", "flat": "a flat frame"}
    return kinds.get(frame_type, "something else")
