"""A night's frames by the series that they belong to."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from subgrade.season.model import NAN, GradedNight, NightSeries

SetupFilter = tuple[str, str]
"""Label of a setup, and a filter, empty where it is unknown."""


def setup_filter(series: NightSeries) -> SetupFilter:
    """The setup and filter of a series, within which star widths are compared."""
    return series.setup.label, series.filter or ""


def taken_with(night: GradedNight, parts: SetupFilter) -> np.ndarray:
    """Which frames were taken with a setup through a filter, bool of shape (n,)."""
    mine = [k for k, series in enumerate(night.series) if setup_filter(series) == parts]
    return np.isin(night.frames.series, mine)


def for_each_frame(night: GradedNight, of_series: Sequence[float]) -> np.ndarray:
    """A number of each series as one of each frame, shape (n,); NaN for frames of no series.

    Parameters
    ----------
    night : GradedNight
    of_series : sequence of float
        In the order of the night's series.
    """
    # -1, of no series, takes the last
    return np.array([*of_series, NAN], float)[np.asarray(night.frames.series, int)]


def widths_arcsec(night: GradedNight) -> np.ndarray:
    """Star width of each frame, shape (n,); NaN where the pixel scale is unknown."""
    return night.frames.fwhm_px * for_each_frame(
        night, [series.setup.scale_arcsec for series in night.series]
    )
