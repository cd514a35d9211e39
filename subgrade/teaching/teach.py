"""Limits learnt from a person's marks.

A person is taken to hold a few numbers against limits of their own, with a hand that slips now and
then.  How far the limits move is the matter of `best_shifts`; which keys of the file of limits
that turns is that of `dials`.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from subgrade.judging.limits import Limits
from subgrade.judging.model import Judgement
from subgrade.night.model import Night
from subgrade.teaching.best_shifts import PRIORS, Frames, best_shifts, gain_of
from subgrade.teaching.dials import DIALS, Dial, Turned, turn, value_of
from subgrade.teaching.lesson_text import Lines, sentence_of
from subgrade.teaching.mark_targets import Silent, seen_frames
from subgrade.teaching.marks import Mark
from subgrade.teaching.marks_learnt import Learnt, with_these


@dataclass(frozen=True, slots=True)
class Lesson:
    """What the marks taught about one dial.

    Attributes
    ----------
    number : str
        The dial in a few words, as `Dial.name`.
    moved : tuple of Turned
        The limits that moved, the leading one first; empty where all stayed.
    marks : int
        Marks that bear on it.
    frames : tuple of str
        The frames whose marks asked for a change.
    sentence : str
        What happened and why.
    """

    number: str
    moved: tuple[Turned, ...]
    marks: int
    frames: tuple[str, ...]
    sentence: str


@dataclass(frozen=True, slots=True)
class Taught:
    """What came of one set of marks.

    Attributes
    ----------
    limits : Limits
        After the lessons.
    lessons : tuple of Lesson
        Only of numbers that marks disagreed about.
    silent : tuple of Silent
    marks : int
        All marks given.
    agreed : int
        Those that agreed with the verdicts before any lesson.
    known : tuple of str
        Frames whose marks these limits have learnt from before, in an earlier run.
    learnt : Learnt
        All that the limits have learnt from by now.
    """

    limits: Limits
    lessons: tuple[Lesson, ...]
    silent: tuple[Silent, ...]
    marks: int
    agreed: int
    known: tuple[str, ...] = ()
    learnt: Learnt = field(default_factory=Learnt)

    @property
    def moved(self) -> tuple[Turned, ...]:
        """Every limit that moved."""
        return tuple(t for lesson in self.lessons for t in lesson.moved)


def teach(
    night: Night,
    judgements: tuple[Judgement, ...],
    limits: Limits,
    marks: Mapping[str, Mark],
    learnt: Learnt | None = None,
    given: Limits | None = None,
) -> Taught:
    """Adapt the limits to a person's marks, those of earlier runs among them.

    Parameters
    ----------
    night : Night
    judgements : tuple of Judgement
        In the order of ``night.frames``, made with ``limits``.
    limits : Limits
        Those before any lesson, where the prior has its middle.
    marks : mapping of str to Mark
        By frame name.
    learnt : Learnt, optional
        What was learnt in earlier runs.
    given : Limits, optional
        Those of this run, where earlier lessons have moved them; ``limits`` if not given.

    Returns
    -------
    Taught
        The same whatever the order of the marks, and however often they are given.
    """
    learnt, given = learnt or Learnt(), given or limits
    seen, numbers, silent = seen_frames(night, judgements, limits, marks)
    known = {s.key for s in learnt.frames.values() if s.marked}
    known = {s.frame for s in seen if s.marked and s.key in known}
    every = with_these(learnt, seen)
    frames = Frames(every.values(), limits)
    shifts = best_shifts(frames)
    after, turned = limits, {}
    for d, dial in enumerate(DIALS):
        if shifts[d]:
            after, turned[dial.name] = turn(
                dial, float(shifts[d]), after, _concerned(dial, d, frames)
            )
    before = {
        t.key: (value_of(limits, t.key), value_of(after, t.key))
        for moved in turned.values()
        for t in moved
    }
    agreed = sum(j.frame in marks and j.verdict == marks[j.frame].word for j in judgements)
    return Taught(
        after,
        tuple(_lessons(frames, shifts, turned, numbers, given, after)),
        tuple(silent),
        len(marks),
        agreed,
        tuple(sorted(known)),
        Learnt(before, every),
    )


def _lessons(frames: Frames, shifts, turned, numbers, given: Limits, after: Limits):
    """A lesson of every dial that moved, or that marks of this night asked of in vain."""
    about = _subjects(frames, shifts)
    followed = (frames.beyond <= shifts).all(axis=1) == frames.keep
    turns = {t.key: (name, t.follows) for name, moved in turned.items() for t in moved}
    moved: dict[str, list[Turned]] = {}
    for table, values in after.as_dict().items():
        for key in (f"{table}.{name}" for name in values):
            was, now = value_of(given, key), value_of(after, key)
            if was != now:
                # A limit that earlier lessons moved and these do not goes back.
                name, follows = turns.get(key) or (_behind(key), "")
                moved.setdefault(name, []).append(Turned(key, was, now, follows))
    for d, dial in enumerate(DIALS):
        order = [t.key for t in turned.get(dial.name, ())]
        keys = sorted(moved.get(dial.name, ()), key=lambda t: (*order, t.key).index(t.key))
        asked = np.flatnonzero(about[:, d])
        if not keys and followed[asked].all():
            continue
        lines = Lines(frames, d, numbers, asked, followed, bool(turned.get(dial.name)))
        yield Lesson(
            dial.name,
            tuple(keys),
            len(lines.heard),
            tuple(sorted(frames.seen[i].frame for i in asked)),
            sentence_of(dial, keys, lines),
        )


def _behind(key: str) -> str:
    """The dial that a limit is behind, or another limit of the same table is."""
    table = key.split(".")[0] + "."
    near = [d.name for d in DIALS if any(k.startswith(table) for k in d.keys)]
    return next((d.name for d in DIALS if key in d.keys), near[0])


def _subjects(frames: Frames, shifts: np.ndarray) -> np.ndarray:
    """Which dial each mark of this night that asks for a change is about, (frames, dials)."""
    about = np.zeros(frames.beyond.shape, bool)
    now = np.array([bool(s.frame) for s in frames.seen]) & frames.asks
    kept, gone = now & frames.keep, now & ~frames.keep
    past = frames.beyond > shifts
    for i in np.flatnonzero(kept):
        # Of a frame that is not followed the number that is furthest past its limit.
        furthest = int(np.argmax((frames.beyond[i] - shifts) / PRIORS))
        about[i] = np.arange(len(DIALS)) == furthest if past[i].any() else frames.beyond[i] > 0
    moved = shifts < 0
    about[gone] = past[gone] & moved
    # What no limit followed is laid to the number that would gain most by it.
    has = np.isfinite(frames.beyond)
    gains = np.array([gain_of(frames, shifts, d) for d in range(len(DIALS))])
    for d in np.argsort(-gains, kind="stable"):
        about[gone & ~about.any(axis=1) & has[:, d], d] = True
    return about


def _concerned(dial: Dial, d: int, frames: Frames) -> list:
    """Usual value and scale of the groups that marks bear on, most disagreement first."""
    if dial.effective is None:
        return []
    asks, every = Counter(), Counter()
    groups = {}
    for i, seen in enumerate(frames.seen):
        if not (seen.marked and np.isfinite(frames.beyond[i, d])):
            continue
        name = str(seen.group)
        groups[name] = seen.group
        every[name] += 1
        asks[name] += bool(frames.asks[i])
    order = sorted((n for n in groups if asks[n]), key=lambda n: (-asks[n], -every[n], n))
    found = [(groups[n].usual[dial.usual], groups[n].scale) for n in order]
    return [(usual, scale) for usual, scale in found if math.isfinite(usual.centre)]
