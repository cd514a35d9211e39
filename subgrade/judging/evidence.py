"""What a check finds in a frame, and the numbers it rests on."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import partial

from subgrade.judging.model import Evidence, Shares
from subgrade.judging.reasons import REASONS


@dataclass(frozen=True, slots=True)
class Finding:
    """What one check finds in one frame.

    Attributes
    ----------
    reason : str
        The reason word the check would give.
    points : float
        Log odds that the frame is past the rejecting limit; negative supports keeping.
    remark : bool
        Worth a word on a kept frame.
    sentence : str
        The deciding numbers as the middle of a sentence, no full stop.
    evidence : tuple of Evidence
        Everything looked at, supporting and against.
    brief : str
        The deciding numbers in a few words, for a frame that is kept; empty where
        a clean frame need not mention it.
    shares : tuple of (str, float)
        All candidates weighed with the probability of each, the reason first; empty where it
        was weighed against none.
    """

    reason: str
    points: float
    remark: bool
    sentence: str
    evidence: tuple[Evidence, ...] = field(default=())
    brief: str = ""
    shares: Shares = ()

    @property
    def rejects(self) -> bool:
        """Whether this finding alone rejects the frame."""
        return self.points > 0 and REASONS[self.reason].rejects

    def named(self, reason: str, shares: Shares = ()) -> Finding:
        """The same finding given to another reason word; what it measured goes along, clues stay.

        ``shares`` are those of the choice that gave it the word.
        """
        moved = tuple(
            replace(item, reason=reason) if item.reason == self.reason and not item.clue else item
            for item in self.evidence
        )
        return replace(self, reason=reason, evidence=moved, shares=shares)


def evidence(
    reason: str,
    quantity: str,
    points: float,
    text: str,
    *,
    value: float | None = None,
    usual: float | None = None,
    error: float | None = None,
    limit: float | None = None,
    unit: str = "",
    is_clue: bool = False,
) -> Evidence:
    """An `Evidence` with numbers that are not finite turned to None; no clue, see `clue`."""
    if not math.isfinite(points):
        points = 0.0  # what could not be worked out counts neither way
    return Evidence(
        reason,
        quantity,
        _finite(value),
        _finite(usual),
        _finite(error),
        _finite(limit),
        unit,
        round(float(points), 3),
        text,
        is_clue,
    )


clue = partial(evidence, is_clue=True)
"""An `Evidence` of which cause it was."""


def _finite(value) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return float(value)
