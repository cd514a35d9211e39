"""Stage 2, measure: background, detection, star shapes, the stacked star image."""

from __future__ import annotations

from subgrade.stars.settings import MEASURE_VERSION, MeasureSettings

__all__ = ["MEASURE_VERSION", "MeasureSettings", "measure_stars", "warm_up"]


def __getattr__(name: str):
    # compiled code is imported on first use, so that the command line answers at once
    if name == "measure_stars":
        from subgrade.stars.measure import measure_stars

        return measure_stars
    if name == "warm_up":
        from subgrade.stars.warm import warm_up

        return warm_up
    raise AttributeError(name)
