"""Judge: evidence, reasons, verdicts, weights.

>>> from subgrade.judging import judge_night, load_limits
>>> judgements = judge_night(night, load_limits())  # doctest: +SKIP
"""

from subgrade.judging.damage import damaged_frames
from subgrade.judging.evidence import Finding
from subgrade.judging.followed_target import Followed, follow
from subgrade.judging.judge import judge_night, left_out
from subgrade.judging.limits import Limits, for_stack, load_limits
from subgrade.judging.model import Evidence, Judgement
from subgrade.judging.reasons import REASONS, Reason
from subgrade.night import ExpectedMotion

__all__ = [
    "REASONS",
    "Evidence",
    "ExpectedMotion",
    "Finding",
    "Followed",
    "Judgement",
    "Limits",
    "Reason",
    "damaged_frames",
    "follow",
    "for_stack",
    "judge_night",
    "left_out",
    "load_limits",
]
