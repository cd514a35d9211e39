"""The frames of a night as limits are fitted to them: their numbers, and what a person marked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from subgrade.judging.limits import Limits
from subgrade.judging.model import Judgement
from subgrade.night import usual_of_these
from subgrade.night.model import Group, Night
from subgrade.teaching.dials import DIALS, Number, numbers_of, usual_values
from subgrade.teaching.marks import Mark
from subgrade.teaching.marks_learnt import DECIMALS, Field, Seen, field_of, frame_key


@dataclass(frozen=True, slots=True)
class Silent:
    """A mark that no limit can follow, and why."""

    frame: str
    why: str


def seen_frames(
    night: Night,
    judgements: tuple[Judgement, ...],
    limits: Limits,
    marks: Mapping[str, Mark],
) -> tuple[list[Seen], dict[str, dict[str, Number]], list[Silent]]:
    """What limits can learn from a night.

    Parameters
    ----------
    night : Night
    judgements : tuple of Judgement
        In the order of ``night.frames``, made with ``limits``.
    limits : Limits
        Those before any lesson.
    marks : mapping of str to Mark
        By frame name.

    Returns
    -------
    seen : list of Seen
        Frames that limits decide: the marked ones, and the others with the verdict they have.
    numbers : dict of str to dict of str to Number
        By frame name and the dial's name.
    silent : list of Silent
        Marks that no limit can follow.
    """
    measured = {j.frame for j in judgements}
    unmeasured = "not measured, being damaged or no light"
    silent = [Silent(name, unmeasured) for name in sorted(marks) if name not in measured]
    inside = {i for group in night.groups for i in group.members}
    silent += [
        Silent(j.frame, "not a light of this session")
        for i, j in enumerate(judgements)
        if j.frame in marks and i not in inside
    ]
    seen: list[Seen] = []
    numbers: dict[str, dict[str, Number]] = {}
    for group in night.groups:
        usual = usual_values(judgements[i] for i in group.members)
        every = {
            i: {n.dial.name: n for n in numbers_of(judgements[i], usual, limits)}
            for i in group.members
        }
        field = _judged_by(night, group, judgements, every, limits)
        for i in group.members:
            judgement, found = judgements[i], every[i]
            mark = marks.get(judgement.frame)
            why = _undecided(judgement, found)
            if why and mark is not None and (mark.keep or judgement.verdict == "keep"):
                silent.append(Silent(mark.frame, why))
            if why:
                continue
            numbers[judgement.frame] = found
            kept = {
                name: (round(n.beyond, DECIMALS), max(round(n.error, DECIMALS), 10.0**-DECIMALS))
                for name, n in found.items()
            }
            word = judgement.verdict if mark is None else mark.word
            key = frame_key(night.frames[i])
            seen.append(Seen(key, word, mark is not None, kept, field, judgement.frame))
    return seen, numbers, silent


def _judged_by(night: Night, group: Group, judgements, numbers, limits: Limits) -> Field:
    """The group by the typical values that its frames were held against.

    They are those of all frames, or of the kept alone; the limits met in the frames say which.
    """
    kept = [i for i in group.members if judgements[i].verdict == "keep"]
    ways = [field_of(night, group)]
    if kept:
        ways.append(field_of(night, usual_of_these(night, group, kept)))

    def apart(field: Field) -> float:
        total = 0.0
        for dial in DIALS:
            met = [n[dial.name].limit for n in numbers.values() if dial.name in n]
            if dial.effective is not None and met:
                made = dial.effective(field.usual[dial.usual], field.scale, limits)
                total += abs(made / float(np.median(met)) - 1.0)
        return total

    return min(ways, key=apart)


def _undecided(judgement: Judgement, numbers: Mapping[str, Number]) -> str:
    """Why no limit decides a frame; empty where one does."""
    if not numbers and judgement.verdict == "keep":
        return "nothing was measured that is held against a limit"
    if judgement.verdict == "reject" and not any(n.beyond > 0 for n in numbers.values()):
        return f"rejected for {judgement.reasons[0]}, which no limit decides; --marks overrules it"
    return ""
