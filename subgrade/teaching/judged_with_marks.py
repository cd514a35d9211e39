"""Judge a night with the person who took it: learn from their marks, then let marks overrule."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from subgrade.errors import UsageError
from subgrade.judging.limits import Limits
from subgrade.judging.model import Judgement
from subgrade.lights import FrameNames
from subgrade.night.model import Night
from subgrade.optional_parts import attempt, part
from subgrade.teaching.marks import Mark, of_these, read_marks
from subgrade.teaching.marks_learnt import Learnt, read_learnt
from subgrade.teaching.overrule import overrule
from subgrade.teaching.teach import Taught, teach

MOST_NAMED = 5


@dataclass(frozen=True, slots=True)
class Person:
    """The marks given for a night.

    Attributes
    ----------
    teach, marks : dict of str to Mark or None
        By frame name: marks to learn from, and marks that overrule; None where not given.
    notes : tuple of str
        Marks on frames that are not among the night's.
    learnt : Learnt
        What the limits given have learnt from before.
    """

    teach: Mapping[str, Mark] | None = None
    marks: Mapping[str, Mark] | None = None
    notes: tuple[str, ...] = ()
    learnt: Learnt = field(default_factory=Learnt)


@dataclass(frozen=True, slots=True)
class Decided:
    """Verdicts, and what the person changed in them.

    Attributes
    ----------
    verdicts : tuple of Judgement
        In the order of ``night.frames``.
    limits : Limits
        After the lessons.
    taught : Taught or None
        None where no marks were given to learn from.
    changed : tuple of str
        Frames whose verdict the lessons changed.
    still : tuple of str
        Frames whose teaching marks disagree with the verdicts under the new limits.
    marked : int
        Frames that a mark decided.
    overruled : tuple of str
        Those of them that would have gone the other way.
    notes : tuple of str
        Marks that could not be followed.
    own : tuple of Judgement
        The verdicts as they were before marks overruled them; empty without marks.
    """

    verdicts: tuple[Judgement, ...]
    limits: Limits
    taught: Taught | None = None
    changed: tuple[str, ...] = ()
    still: tuple[str, ...] = ()
    marked: int = 0
    overruled: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    own: tuple[Judgement, ...] = ()

    @property
    def measured(self) -> tuple[Judgement, ...]:
        """The verdicts, but what only a mark rejected stands as the program saw it.

        For statements about the night: a mark is no sign of cloud or wind.
        """
        return tuple(
            own if (own.verdict, marked.verdict) == ("keep", "reject") else marked
            for marked, own in zip(self.verdicts, self.own or self.verdicts, strict=True)
        )

    @property
    def moved(self) -> bool:
        """Whether a limit was moved."""
        return self.taught is not None and bool(self.taught.moved)


def read_person(
    teach_file: str | None,
    marks_file: str | None,
    frames: Mapping[str, str | os.PathLike],
    limits_file: str | None = None,
    culled: Mapping[str, str | os.PathLike] | None = None,
) -> Person:
    """Read the marks that were given.

    Parameters
    ----------
    teach_file, marks_file : path-like or None
    frames : mapping of str to path-like
        The night's files: full name to absolute path.
    limits_file : path-like, optional
        The limits that the marks are to teach; those learnt earlier know from which marks.
    culled : mapping of str to path-like, optional
        Frames that a cull moved away, as ``frames``; a mark on one is counted and not used.

    Raises
    ------
    UsageError
        If a file is no table of marks, marks no frame of this night, or names one by what
        several answer to.
    """
    away = {name: path for name, path in (culled or {}).items() if name not in frames}
    names = FrameNames([*frames, *away], [*frames.values(), *away.values()])
    found, notes = [], []
    for path in (teach_file, marks_file):
        if path is None:
            found.append(None)
            continue
        known, unknown = of_these(read_marks(path), names)
        here = {name: mark for name, mark in known.items() if name in frames}
        gone = len(known) - len(here)
        marks = f"{gone} mark{'' if gone == 1 else 's'} on frames that a cull moved away"
        if not here and gone:
            raise UsageError(f"{path}: holds only {marks}; restore them first")
        if not here:
            raise UsageError(
                f"{path}: marks no frame of this night; the first it names is "
                f"{_with_nearest(unknown[0], names)}"
            )
        found.append(here)
        if gone:
            notes.append(f"{path}: {marks}, not used")
        if unknown:
            strangers = [_with_nearest(mark, names) for mark in unknown[:MOST_NAMED]]
            more = f" and {len(unknown) - MOST_NAMED} more" if len(unknown) > MOST_NAMED else ""
            listed = ", ".join(strangers)
            notes.append(f"{path}: marks on frames that are not of this night: {listed}{more}")
    learnt = read_learnt(limits_file) if teach_file else Learnt()
    return Person(*found, tuple(dict.fromkeys(notes)), learnt)


def _with_nearest(mark: Mark, names: FrameNames) -> str:
    """What a mark names, with the name it may be meant for."""
    near = [ascii(name)[1:-1] for name in names.nearest(mark.frame, 1)]
    return f"{mark.frame!a}" + (f" (nearest: {near[0]})" if near else "")


def judge_with(
    night: Night,
    limits: Limits,
    judge: Callable[[Limits], tuple[Judgement, ...]],
    person: Person | None = None,
) -> Decided:
    """Judge, learn from the marks, judge again, and let the marks overrule.

    Parameters
    ----------
    night : Night
        As it is judged.
    limits : Limits
    judge : callable
        Judges the night with the limits given; see `judge_night`.
    person : Person, optional

    Returns
    -------
    Decided
    """
    person = person or Person()
    verdicts = judge(limits)
    taught, turned, still = None, (), ()
    if person.teach is not None:
        with part("what your marks teach"):
            learnt = person.learnt.still(limits)
            base = learnt.base(limits)
            first = verdicts if base == limits else judge(base)
            lesson = teach(night, first, base, person.teach, learnt, limits)
            after = judge(lesson.limits) if lesson.moved else verdicts
            turned = tuple(
                j.frame for j, b in zip(after, verdicts, strict=True) if j.verdict != b.verdict
            )
            taught, limits, verdicts = lesson, lesson.limits, after
            still = differing(verdicts, person.teach)
    if person.marks is None:
        return Decided(verdicts, limits, taught, turned, still)
    changed, own = differing(verdicts, person.marks), verdicts
    verdicts, notes = attempt(
        "your marks", lambda: overrule(night, own, limits, person.marks), (own, [])
    )
    refused = differing(verdicts, person.marks)
    names = {j.frame for j in verdicts}
    return Decided(
        verdicts,
        limits,
        taught,
        turned,
        still,
        sum(name in names and name not in refused for name in person.marks),
        tuple(name for name in changed if name not in refused),
        tuple(notes),
        own,
    )


def differing(verdicts: Iterable[Judgement], marks: Mapping[str, Mark]) -> tuple[str, ...]:
    """Frames whose verdict is not the marked one, in the order of the verdicts."""
    return tuple(j.frame for j in verdicts if j.frame in marks and marks[j.frame].word != j.verdict)
