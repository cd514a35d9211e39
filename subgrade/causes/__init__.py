"""Stage 4, judge: evidence, reasons, verdicts, weights.

>>> from subgrade.causes import judge_night, load_limits
>>> judgements = judge_night(night, load_limits())  # doctest: +SKIP
"""

from subgrade.causes.evidence import Finding
from subgrade.causes.expected import ExpectedMotion, Followed, follow
from subgrade.causes.figures import beside, eccentricity_text, figure, on_sky
from subgrade.causes.incomplete import damaged_frames
from subgrade.causes.judge import judge_night, left_out
from subgrade.causes.limits import Limits, load_limits
from subgrade.causes.model import Evidence, Judgement
from subgrade.causes.person import Decided, Person, judge_with, read_person
from subgrade.causes.profile_recovered import MotionProfile, recover_profile
from subgrade.causes.reasons import REASONS, Reason

__all__ = [
    "REASONS",
    "Decided",
    "Evidence",
    "ExpectedMotion",
    "Finding",
    "Followed",
    "Judgement",
    "Limits",
    "MotionProfile",
    "Person",
    "Reason",
    "beside",
    "damaged_frames",
    "eccentricity_text",
    "figure",
    "follow",
    "judge_night",
    "judge_with",
    "left_out",
    "load_limits",
    "on_sky",
    "read_person",
    "recover_profile",
]
