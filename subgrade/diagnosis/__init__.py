"""Sum up: the night's story and the advice for the next night."""

from subgrade.diagnosis.model import Advice, Diagnosis, Loss, NightFinding, Quantity, Span
from subgrade.diagnosis.wording import number

__all__ = [
    "Advice",
    "Diagnosis",
    "Loss",
    "NightFinding",
    "Quantity",
    "Span",
    "diagnose_night",
    "number",
]


def __getattr__(name: str):
    if name != "diagnose_night":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from subgrade.diagnosis.diagnose import diagnose_night

    return diagnose_night
