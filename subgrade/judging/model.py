"""What the judging stage hands on: a verdict with its reasons and the evidence kept."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

REMARKED = 0.5
"""Probability of a cause that was remarked on and not weighed against others."""
DOUBTFUL = 0.95
"""Confidence below which a verdict is offered for a second look: a choice."""


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
    clue : bool
        Whether it helps to name the cause; otherwise it says how bad the frame is, or stands
        beside what does.  Only clues count in `subgrade.judging.causes`.
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
    clue: bool = False
    named: str = ""


Shares = tuple[tuple[str, float], ...]
"""Causes and the probability of each among them, likeliest first."""


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
    """Of the first reason word: its share among its rivals, rounded; of a word without rivals the
    verdict's confidence on a reject and half on a remark; NaN without a word."""
    shares: tuple[Shares, ...] = ()
    """All candidates that were weighed, of each reason word that had rivals; it stands first."""
    found: str = ""
    """What was found: the explanation without the verdict in front of it."""

    def rivals(self, word: str) -> Shares:
        """The candidates that a reason word was chosen among; empty where it had no rival."""
        return next((weighed for weighed in self.shares if weighed[0][0] == word), ())

    def share(self, word: str) -> float:
        """How likely a reason word is the cause: its share, or else what stands for it."""
        weighed = self.rivals(word)
        if weighed:
            return weighed[0][1]
        return self.cause_confidence if self.reasons[:1] == (word,) else REMARKED


def rejected_otherwise(judgements: Iterable[Judgement], words: Sequence[str] = ()) -> bool:
    """Whether every frame was rejected, and none of them first for one of these words.

    What is found in each frame by itself is no steady fault that none can show.
    """
    return all(j.verdict == "reject" and j.reasons[0] not in words for j in judgements)
