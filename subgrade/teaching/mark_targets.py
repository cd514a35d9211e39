"""What each of a person's marks bears on: which deciding number, and on which side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from subgrade.judging.limits import Limits
from subgrade.judging.model import Judgement
from subgrade.night.model import Night
from subgrade.teaching.dials import DIALS, Number, numbers_of, usual_values
from subgrade.teaching.marks import Mark
from subgrade.teaching.marks_learnt import Learnt, mark_key

STANDS_OUT = 1 / 3
"""A number this far on the way from the usual value to the limit can have displeased; no source."""
AS_NEAR = 0.8
"""A second number nearly as far on its way as the first shares the mark; no source."""


@dataclass(frozen=True, slots=True)
class Spoke:
    """A mark that bears on one dial.

    Attributes
    ----------
    mark : Mark
    number : Number
    group : int
        Place in ``Night.groups``.
    share : float
        1, or less where two numbers share the mark.
    against : bool
        Whether it asks for a change: it disagrees with what the present limit makes of
        this number, and the limit has not learnt from it before.
    key : str
        What the mark is known by in another run; empty where it cannot be.
    known : bool
        Whether the limit has learnt from it before.
    """

    mark: Mark
    number: Number
    group: int
    share: float
    against: bool
    key: str = ""
    known: bool = False

    @property
    def disagrees(self) -> bool:
        """Whether the present limit decides otherwise."""
        return self.mark.keep == (self.number.beyond > 0)


@dataclass(frozen=True, slots=True)
class Silent:
    """A mark that no limit can follow, and why."""

    frame: str
    why: str


def hear(
    night: Night,
    judgements: tuple[Judgement, ...],
    limits: Limits,
    marks: Mapping[str, Mark],
    learnt: Learnt,
) -> tuple[dict[str, list[Spoke]], list[Silent]]:
    """Which dial each mark bears on.

    Parameters
    ----------
    night, judgements, limits, marks, learnt
        As in `teach`.

    Returns
    -------
    spoken : dict of str to list of Spoke
        By the dial's name.
    silent : list of Silent
    """
    spoken: dict[str, list[Spoke]] = {dial.name: [] for dial in DIALS}
    measured = {j.frame for j in judgements}
    unmeasured = "it was not measured, being damaged or no light"
    silent = [Silent(name, unmeasured) for name in sorted(marks) if name not in measured]
    groups = {i: k for k, group in enumerate(night.groups) for i in group.members}
    usual = [usual_values(judgements[i] for i in group.members) for group in night.groups]
    for i, judgement in enumerate(judgements):
        mark = marks.get(judgement.frame)
        if mark is None:
            continue
        if i not in groups:
            silent.append(Silent(mark.frame, "it is not a light of this session"))
            continue
        group = groups[i]
        numbers = numbers_of(judgement, usual[group], limits)
        found, why = _speaks_of(mark, judgement, numbers)
        key = mark_key(night.frames[i], mark.word)
        for number, share in found:
            known = key in learnt.get(number.dial.name, ())
            against = mark.keep == (number.beyond > 0) and not known
            spoken[number.dial.name].append(Spoke(mark, number, group, share, against, key, known))
        if why:
            silent.append(Silent(mark.frame, why))
    return spoken, silent


def _speaks_of(mark: Mark, judgement: Judgement, numbers: list[Number]):
    """Numbers a mark bears on, each with its share, and why it bears on none if so."""
    past = [n for n in numbers if n.beyond > 0]
    if mark.keep:
        if judgement.verdict == "reject" and not past:
            return [], f"it was rejected for {judgement.reasons[0]}, which no limit decided"
        return [(n, 1.0) for n in numbers], ""
    if judgement.verdict == "reject":
        worst = max(past, key=lambda n: n.beyond / n.error, default=None)
        return ([(worst, 1.0)] if worst else []), ""
    near = sorted((n for n in numbers if n.way >= STANDS_OUT), key=lambda n: -n.way)
    if not near:
        return [], (
            "no number of it stands out from the typical; what you saw is not measured, or the "
            "mark was a slip"
        )
    shared = [n for n in near if n.way >= AS_NEAR * near[0].way]
    return [(n, 1.0 / len(shared)) for n in shared], ""
