"""Join: the record's clock set right, and its share in every exposure."""

from __future__ import annotations

from importlib import import_module

_WHERE = {
    "exposure_guiding": "exposure",
    "fit_clock": "clock_fit",
    "fit_path": "path_fit",
    "guide_night": "join",
    "answer_rate": "over_night",
    "corrections_sent": "corrections",
    "dec_drift": "over_night",
    "hour_angles": "over_night",
    "unguided": "over_night",
    "settling_intervals": "intervals",
    "with_one_exposure": "one_more",
}
"""Public names and their modules, loaded when asked for."""

__all__ = ["fit_clock", "fit_path", "guide_night", "settling_intervals", "with_one_exposure"]


def __getattr__(name: str):
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
