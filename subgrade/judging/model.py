"""What the judging stage hands on: a verdict with its reasons and the evidence kept."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Evidence:
    """One number that supports one reason or counts against it.

    Attributes
    ----------
    reason : str
        Reason word it is about.
    quantity : str
        What was measured: the name of one of `subgrade.judging.features.FEATURES`.
    value, usual, error, limit : float or None
        The frame's value, the group's usual value, one sigma of the value, and
        the limit it is held against; None where there is none.
    unit : str
    points : float
        Positive supports the reason, negative counts against it; additive (natural-log odds).
    text : str
        The same in one plain sentence with its numbers.
    named : str
        What the number is of, where that differs from frame to frame: the kind of motion that
        fits the star best.
    """

    reason: str
    quantity: str
    value: float | None
    usual: float | None
    error: float | None
    limit: float | None
    unit: str
    points: float
    text: str
    named: str = ""


@dataclass(frozen=True, slots=True)
class Judgement:
    """The verdict on one frame."""

    frame: str
    verdict: str
    """``keep``, ``reject`` or ``unreadable``."""
    reasons: tuple[str, ...]
    """Reason words, strongest first; on a keep they are remarks."""
    explanation: str
    confidence: float
    weight: float
    evidence: tuple[Evidence, ...] = ()
    cause_confidence: float = math.nan
    """Of the first reason word; NaN without one."""


def rejected_otherwise(judgements: Iterable[Judgement], words: Sequence[str] = ()) -> bool:
    """Whether every frame was rejected, and none of them first for one of these words.

    What is found in each frame by itself is no steady fault that none can show.
    """
    return all(j.verdict == "reject" and j.reasons[0] not in words for j in judgements)
