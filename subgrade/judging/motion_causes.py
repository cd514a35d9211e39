"""One row of numbers for an oval frame, from image, neighbours and record, and what it says."""

from __future__ import annotations

from subgrade.judging.guided_series import GuidedSeries, own_guided_motion
from subgrade.judging.likelihoods import Number
from subgrade.judging.limits import Limits
from subgrade.judging.neighbour_numbers import neighbour_numbers
from subgrade.judging.record_numbers import record_numbers
from subgrade.judging.star_numbers import star_numbers


def motion_numbers(series: GuidedSeries, position: int, limits: Limits) -> list[Number]:
    """Everything known of which motion drew one frame's stars.

    Parameters
    ----------
    series : GuidedSeries
    position : int
        The frame's place in the series.
    limits : Limits

    Returns
    -------
    list of Number
        Where most frames are drawn out alike, of what this one has beyond them.
    """
    own = own_guided_motion(series, position, limits)
    return [
        *star_numbers(own, position, limits),
        *neighbour_numbers(own, position),
        *record_numbers(own, position, limits),
    ]
