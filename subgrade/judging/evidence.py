"""What a check finds in a frame, and the numbers it rests on."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from subgrade.judging.features import FEATURES, Feature
from subgrade.judging.model import Evidence
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
    share : float
        Probability of the reason among the causes it was weighed against; NaN where it was
        weighed against none.
    """

    reason: str
    points: float
    remark: bool
    sentence: str
    evidence: tuple[Evidence, ...] = field(default=())
    brief: str = ""
    share: float = math.nan

    @property
    def rejects(self) -> bool:
        """Whether this finding alone rejects the frame."""
        return self.points > 0 and REASONS[self.reason].rejects

    def named(self, reason: str) -> Finding:
        """The same finding given to another reason word, its evidence too."""
        moved = tuple(
            replace(item, reason=reason) if item.reason == self.reason else item
            for item in self.evidence
        )
        return replace(self, reason=reason, evidence=moved)


def evidence(
    reason: str,
    feature: Feature | str,
    points: float,
    text: str,
    *,
    value: float | None = None,
    usual: float | None = None,
    error: float | None = None,
    limit: float | None = None,
    unit: str = "",
    named: str = "",
) -> Evidence:
    """An `Evidence` with numbers that are not finite turned to None.

    Raises
    ------
    ValueError
        If word or number is not registered.
    """
    if isinstance(feature, str):
        feature = FEATURES[feature]
    if FEATURES.get(feature.name) is not feature:
        raise ValueError(f"{feature.name!r} is no registered number of evidence")
    if reason not in REASONS:
        raise ValueError(f"{reason!r} is no reason word")
    if not math.isfinite(points):
        points = 0.0  # what could not be worked out counts neither way
    return Evidence(
        reason,
        feature.name,
        _finite(value),
        _finite(usual),
        _finite(error),
        _finite(limit),
        feature.unit,
        round(float(points), 3),
        text,
        named,
    )


def _finite(value) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return float(value)
