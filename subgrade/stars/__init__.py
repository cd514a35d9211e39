"""Measure: background, detection, star shapes, the stacked star image."""

from __future__ import annotations

from subgrade.stars.settings import MEASURE_VERSION, PICTURES_VERSION, MeasureSettings

__all__ = [
    "MEASURE_VERSION",
    "PICTURES_VERSION",
    "MeasureSettings",
    "colour_means",
    "frame_pictures",
    "halved",
    "interpolated_colours",
    "load_kernels",
    "measure_stars",
    "star_image_picture",
    "warm_up",
]


def __getattr__(name: str) -> object:
    # compiled code is imported on first use, so that the command line answers at once
    if name == "measure_stars":
        from subgrade.stars.measure import measure_stars

        return measure_stars
    if name in ("colour_means", "halved", "interpolated_colours"):
        from subgrade.stars import smaller

        return getattr(smaller, name)
    if name in ("warm_up", "load_kernels"):
        from subgrade.stars import compile_all

        return getattr(compile_all, name)
    if name in ("frame_pictures", "star_image_picture"):
        from subgrade.stars import pictures

        return getattr(pictures, name)
    raise AttributeError(name)
