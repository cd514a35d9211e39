"""Learn from a person's marks: which limits they move, how far, and what stays apart.

A person who keeps and rejects frames is taken to hold each deciding number against a
limit of their own, as this program does, with a hand that slips now and then.  On the
dial's scale, with shift t of the present limit, a frame that lies b past it with
logistic error s is rejected with probability

    slip + (1 - 2 slip) / (1 + exp(-(b - t) / s)),

and t itself is expected at 0 within the dial's prior width.  The t that makes marks and
prior together most probable is taken (logistic regression with a Gaussian prior and a
lapse rate: the psychometric function of Wichmann & Hill 2001, Percept. Psychophys. 63,
1293; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from subgrade.judging.limits import Limits
from subgrade.judging.model import Judgement
from subgrade.night.model import Night
from subgrade.teaching.dials import DIALS, Dial, Turned, turn
from subgrade.teaching.lesson_text import sentence_of
from subgrade.teaching.mark_targets import Silent, Spoke, hear
from subgrade.teaching.marks import Mark
from subgrade.teaching.marks_learnt import Learnt, with_more

SLIP = 0.05
"""Share of marks that are the opposite of what was meant; no source."""
REACH = 6.0
"""Shifts are looked for within so many prior widths."""
STEPS = 300
"""Shifts tried for one prior width."""
TOO_LITTLE = 0.1
"""A shift under this share of the limit's own softness is not made; no source."""


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
        Those that agreed with the verdicts before.
    known : tuple of str
        Frames whose marks a limit had learnt from before, so that they only held it back.
    learnt : dict of str to frozenset of str
        Keys of every mark that a limit has learnt from by now, by number.
    """

    limits: Limits
    lessons: tuple[Lesson, ...]
    silent: tuple[Silent, ...]
    marks: int
    agreed: int
    known: tuple[str, ...] = ()
    learnt: Learnt = field(default_factory=dict)

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
) -> Taught:
    """Adapt the limits to a person's marks.

    Parameters
    ----------
    night : Night
    judgements : tuple of Judgement
        In the order of ``night.frames``, made with ``limits``.
    limits : Limits
        Where the prior has its middle.
    marks : mapping of str to Mark
        By frame name.
    learnt : mapping of str to frozenset of str, optional
        Keys of the marks that these limits have learnt from before, by number.

    Returns
    -------
    Taught
        The same whatever the order of the marks.
    """
    learnt = learnt or {}
    spoken, silent = hear(night, judgements, limits, marks, learnt)
    known = {s.mark.frame for heard in spoken.values() for s in heard if s.known}
    fits = _fit_all(spoken, limits)
    # A kept frame that one number goes on rejecting is no reason to forgive another.
    while vain := _in_vain(fits):
        spoken = {
            name: [s for s in heard if (s.mark.frame, name) not in vain]
            for name, heard in spoken.items()
        }
        fits = _fit_all(spoken, limits)
    lessons: list[Lesson] = []
    new: dict[str, list[str]] = {}
    for fit in fits:
        limits, moved = turn(fit.dial, fit.shift, limits, _concerned(night, fit.heard))
        followed = {s.mark.frame for s in fit.against if moved and fit.follows(s)}
        if moved:
            new[fit.dial.name] = [s.key for s in fit.heard]
        lessons.append(
            Lesson(
                fit.dial.name,
                tuple(moved),
                len(fit.heard),
                tuple(sorted(s.mark.frame for s in fit.against)),
                sentence_of(fit.dial, moved, fit.heard, followed, fit.shift),
            )
        )
    agreed = sum(j.frame in marks and j.verdict == marks[j.frame].word for j in judgements)
    return Taught(
        limits,
        tuple(lessons),
        tuple(silent),
        len(marks),
        agreed,
        tuple(sorted(known)),
        with_more(learnt, new),
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    """One dial with the marks that bear on it and the shift they ask for."""

    dial: Dial
    heard: list[Spoke]
    shift: float

    @property
    def against(self) -> list[Spoke]:
        return [s for s in self.heard if s.against]

    def follows(self, spoke: Spoke) -> bool:
        return (spoke.number.beyond > self.shift) != spoke.mark.keep


def _fit_all(spoken: dict[str, list[Spoke]], limits: Limits) -> list[_Fit]:
    """Fit every dial that marks disagree about, the one with most marks of its own first."""
    fits: list[_Fit] = []
    explained: set[str] = set()
    for dial in sorted(DIALS, key=lambda d: -_sole(spoken, d)):
        # A shared mark that a dial before this one follows is not asked of this one.
        heard = [s for s in spoken[dial.name] if s.share == 1.0 or s.mark.frame not in explained]
        asked = {s.mark.keep for s in heard if s.against}
        if not asked:
            continue
        # What the limit has learnt may hold it back, and does not push it a second time.
        heard = [s for s in heard if not (s.known and s.disagrees and s.mark.keep in asked)]
        shift = best_shift(dial, heard)
        shift = shift if abs(shift) > TOO_LITTLE * dial.softness(limits) else 0.0
        fits.append(_Fit(dial, heard, shift))
        explained |= {s.mark.frame for s in fits[-1].against if fits[-1].follows(s)}
    return fits


def _in_vain(fits: list[_Fit]) -> set[tuple[str, str]]:
    """Kept frames on dials that would forgive them while another dial does not."""
    kept = [(fit, s) for fit in fits for s in fit.against if s.mark.keep]
    refused = {s.mark.frame for fit, s in kept if not fit.follows(s)}
    return {
        (s.mark.frame, fit.dial.name)
        for fit, s in kept
        if s.mark.frame in refused and fit.follows(s)
    }


def best_shift(dial: Dial, heard: list[Spoke]) -> float:
    """The most probable shift of a dial's limit, given the marks and the prior.

    Parameters
    ----------
    dial : Dial
    heard : list of Spoke

    Returns
    -------
    float
        On the dial's scale; 0 if no mark disagrees.  Only toward what the disagreeing
        marks ask for; either way where they ask for both.
    """
    asked = {s.mark.keep for s in heard if s.against}
    if not asked:
        return 0.0
    whole = int(REACH * STEPS)
    low, high = (0 if asked == {True} else -whole), (0 if asked == {False} else whole)
    steps = np.arange(low, high + 1)
    cost = unlikelihood(dial, heard, steps * (dial.prior / STEPS))
    best = steps[cost <= cost.min() + 1e-9]
    return float(best[np.argmin(np.abs(best))] * dial.prior / STEPS)


def unlikelihood(dial: Dial, heard: list[Spoke], shift: np.ndarray) -> np.ndarray:
    """Minus the logarithm of prior times likelihood, but for a constant.

    Parameters
    ----------
    dial : Dial
    heard : list of Spoke
    shift : ndarray
        On the dial's scale.
    """
    total = 0.5 * (shift / dial.prior) ** 2
    # Summed in an order of its own, so that the order of the marks cannot matter.
    for spoke in sorted(heard, key=lambda s: s.mark.frame):
        past = (spoke.number.beyond - shift) / spoke.number.error
        rejected = 1.0 / (1.0 + np.exp(-np.clip(past, -500, 500)))
        meant = 1.0 - rejected if spoke.mark.keep else rejected
        total = total - spoke.share * np.log(SLIP + (1 - 2 * SLIP) * meant)
    return total


def _sole(spoken: dict[str, list[Spoke]], dial: Dial) -> int:
    """Disagreeing marks that bear on this dial alone."""
    return sum(s.against and s.share == 1.0 for s in spoken[dial.name])


def _concerned(night: Night, heard: list[Spoke]) -> list:
    """Usual value and scale of the groups that marks bear on, most disagreement first."""
    dial = heard[0].number.dial
    if dial.effective is None:
        return []
    weight: dict[int, tuple] = {}
    for spoke in heard:
        against, count = weight.get(spoke.group, (0, 0))
        weight[spoke.group] = (against + spoke.against, count + 1)
    order = sorted((k for k in weight if weight[k][0]), key=lambda k: (*(-n for n in weight[k]), k))
    found = []
    for k in order:
        group = night.groups[k]
        scales = [night.frames[i].facts.scale_arcsec for i in group.members]
        known = sorted(s for s in scales if s)
        usual = group.usual.get(dial.usual)
        if usual is not None and math.isfinite(usual.centre):
            found.append((usual, known[len(known) // 2] if known else None))
    return found
