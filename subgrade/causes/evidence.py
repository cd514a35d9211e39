"""How a measured number becomes evidence: points that add up, and a sentence.

Points are natural-log odds.  A value measured with Gaussian error s lies beyond a
limit with probability Phi(z), z = (value - limit) / s, and 1.702 z is its log odds to
within 0.01 in probability (the logistic approximation of the normal integral;
from memory, Camilli 1994).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from subgrade.causes.model import Evidence
from subgrade.causes.reasons import REASONS

LOGIT_PER_SIGMA = 1.702


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


def points_beyond(value: float, limit: float, error: float, width: float, cap: float) -> float:
    """Log odds that the true value lies beyond the limit.

    Parameters
    ----------
    value, limit : float
    error : float
        One sigma of the value; NaN counts as none.
    width : float
        How exactly the limit itself is meant, in the value's unit, > 0.
    cap : float
        Largest size of the answer.

    Returns
    -------
    float
        0 at the limit, positive beyond it.  0 where the value is not finite.
    """
    if not (math.isfinite(value) and math.isfinite(limit)):
        return 0.0
    sigma = math.hypot(error if math.isfinite(error) else 0.0, width)
    return max(-cap, min(cap, LOGIT_PER_SIGMA * (value - limit) / sigma))


def probability(points: float) -> float:
    """Probability that belongs to log odds."""
    return 1.0 / (1.0 + math.exp(-points))


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
) -> Evidence:
    """An `Evidence` with numbers that are not finite turned to None."""
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
    )


def _finite(value) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return float(value)
