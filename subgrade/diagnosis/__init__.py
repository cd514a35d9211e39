"""Sum up: the night's story and the advice for the next night."""

from importlib import import_module

from subgrade.diagnosis.model import Advice, Diagnosis, Loss, NightFinding, Quantity, Span
from subgrade.diagnosis.wording import duration, number

__all__ = [
    "TWILIGHT_DEG",
    "Advice",
    "Diagnosis",
    "Loss",
    "NightFinding",
    "Quantity",
    "Span",
    "altitude_of",
    "diagnose_night",
    "duration",
    "number",
    "sun_and_moon",
    "sun_and_moon_places",
]


_WHERE = {"diagnose_night": "diagnose"} | dict.fromkeys(
    ("TWILIGHT_DEG", "altitude_of", "sun_and_moon", "sun_and_moon_places"), "sky"
)
"""Public names whose modules are loaded when asked for."""


def __getattr__(name: str):
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
