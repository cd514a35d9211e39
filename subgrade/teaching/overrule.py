"""A person's mark overrules the verdict; what was found stays beside it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from subgrade.figures import beside
from subgrade.judging.evidence import evidence
from subgrade.judging.features import MARK
from subgrade.judging.limits import Limits
from subgrade.judging.model import Judgement
from subgrade.judging.reasons import REASONS
from subgrade.judging.weights import weighed_again
from subgrade.night.model import Night
from subgrade.teaching.dials import Number, numbers_of, usual_values
from subgrade.teaching.lesson_text import UNITS
from subgrade.teaching.marks import Mark


def overrule(
    night: Night, judgements: tuple[Judgement, ...], limits: Limits, marks: Mapping[str, Mark]
) -> tuple[tuple[Judgement, ...], list[str]]:
    """Let the person's marks decide, and weigh the groups anew.

    Parameters
    ----------
    night : Night
    judgements : tuple of Judgement
        In the order of ``night.frames``.
    limits : Limits
        Those of the judgements.
    marks : mapping of str to Mark
        By frame name.

    Returns
    -------
    judgements : tuple of Judgement
    notes : list of str
        Marks that could not be followed, and why.
    """
    marked = list(judgements)
    for group in night.groups:
        usual = usual_values(judgements[i] for i in group.members)
        for i in group.members:
            mark = marks.get(judgements[i].frame)
            if mark is not None:
                numbers = numbers_of(judgements[i], usual, limits)
                marked[i] = by_mark(judgements[i], mark, numbers, limits)
        weighed_again(night, group, marked)
    return tuple(marked), _refused(night, judgements, marks)


def by_mark(judgement: Judgement, mark: Mark, numbers: list[Number], limits: Limits) -> Judgement:
    """One judgement with the person's verdict.

    Parameters
    ----------
    judgement : Judgement
    mark : Mark
    numbers : list of Number
        What was held against limits, for the word of a reject that had none.
    limits : Limits

    Returns
    -------
    Judgement
        Weight left as it was.
    """
    did = "Kept" if mark.keep else "Rejected"
    reasons = judgement.reasons
    if judgement.verdict == mark.word:
        sentence = f"{did} by your mark, as subgrade would have: {judgement.found}"
    else:
        would = "rejected" if mark.keep else "kept"
        sentence = f"{did} by your mark; subgrade would have {would} it: {judgement.found}"
        if not mark.keep:
            reasons, nearest = _named(judgement, numbers)
            sentence = sentence.removesuffix(".") + f"; {nearest}."
    points = limits.verdict.points_cap * (-1 if mark.keep else 1)
    # Evidence stands under a word even where a clean keep has none.
    word = next(iter(reasons), judgement.evidence[0].reason if judgement.evidence else "few_stars")
    item = evidence(word, MARK, points, f"you marked it {mark.word}")
    return replace(
        judgement,
        verdict=mark.word,
        reasons=reasons,
        explanation=sentence,
        confidence=1.0,
        evidence=(item, *judgement.evidence),
        cause_confidence=(
            judgement.cause_confidence
            if reasons[:1] == judgement.reasons[:1]
            else round(dict(judgement.rivals(reasons[0])).get(reasons[0], math.nan), 3)
        ),
    )


def _named(judgement: Judgement, numbers: list[Number]) -> tuple[tuple[str, ...], str]:
    """A reason word for a reject that the program would have kept, and where it is from."""
    remarks = [word for word in judgement.reasons if REASONS[word].rejects]
    if remarks:
        rest = (word for word in judgement.reasons if word != remarks[0])
        return (remarks[0], *rest), f"listed under its remark, {remarks[0]}"
    near = max(numbers, key=lambda n: n.way, default=None)
    if near is None:
        return ("few_stars", *judgement.reasons), "nothing measured on it is near a limit"
    word = next(
        e.reason for e in judgement.evidence if near.dial.holds(e) and e.value == near.value
    )
    value, limit = beside(near.value, near.limit, UNITS.get(near.dial.name, ""))
    text = (
        f"closest to its limit, and so named as the reason, is {near.dial.shown} "
        f"{value} (limit {limit})"
    )
    return (word, *judgement.reasons), text


def _refused(night: Night, judgements, marks: Mapping[str, Mark]) -> list[str]:
    inside = {judgements[i].frame for group in night.groups for i in group.members}
    strays = {j.frame for j in judgements} - inside
    notes = []
    for name, mark in sorted(marks.items()):
        if not mark.keep or name in inside:
            continue
        why = (
            "it is not a light of this session and has no weight in it; grade it in a folder of "
            "its own"
            if name in strays
            else "it was not measured, being damaged or no light frame"
        )
        notes.append(f"{name}: cannot be kept as marked: {why}")
    return notes
