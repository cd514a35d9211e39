"""How the field goes by over a group's whole run, from the registration of its frames."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.night.series import GroupSeries

FEWEST = 6
"""Frames from which a common trail can be distinguished from chance; no source."""
BENT = 0.25
"""How far the two halves of a run may differ in their creep, relative; no source."""


@dataclass(frozen=True, slots=True)
class Creep:
    """How the field goes by from frame to frame, on the reference frame.

    Attributes
    ----------
    length_px, error_px : float
        Way in one exposure, and one sigma.
    angle_deg : float
        Its axis in [0, 180).
    straight : bool
        Whether both halves of the run agree.
    """

    length_px: float
    error_px: float
    angle_deg: float
    straight: bool


def creep_of(series: GroupSeries) -> Creep | None:
    """How far the field goes in one exposure, from the registration of all frames.

    A line through the places with a level of its own on either side of the pier; the slope
    is the median of the slopes between frames, so that dithers only scatter it.

    Returns
    -------
    Creep or None
        None with too few registered frames.
    """
    place, time = series["dx"] + 1j * series["dy"], series["time"]
    side = np.cos(np.radians(series["rotation_deg"])) < 0
    good = np.isfinite(place) & np.isfinite(time)
    exposure = series.group.exposure_s
    if good.sum() < FEWEST or not exposure or not np.ptp(time[good]) > 0:
        return None
    place, time, side = place[good], time[good], side[good]
    slope, error = _slope(time, place, side)
    middle = np.median(time)
    parts = [_slope(time[h], place[h], side[h]) for h in (time <= middle, time > middle)]
    apart = abs(parts[0][0] - parts[1][0])
    straight = apart < max(4 * math.hypot(parts[0][1], parts[1][1]), BENT * abs(slope))
    return Creep(
        exposure * abs(slope),
        exposure * error,
        float(np.degrees(np.angle(slope)) % 180.0),
        bool(straight),
    )


def _slope(time: np.ndarray, place: np.ndarray, side: np.ndarray) -> tuple[complex, float]:
    """Median slope (px/s) between frames on one side of the pier, and its error."""
    i, j = np.triu_indices(len(time), 1)
    use = (side[i] == side[j]) & (time[i] != time[j])
    if not use.any():
        return 0j, math.inf
    each = (place[j] - place[i])[use] / (time[j] - time[i])[use]
    slope = complex(np.median(each.real), np.median(each.imag))
    rest, span = place - slope * time, 0.0
    for p in np.unique(side):
        mine = side == p
        rest[mine] -= complex(np.median(rest[mine].real), np.median(rest[mine].imag))
        span += float(np.sum((time[mine] - time[mine].mean()) ** 2))
    scatter = math.sqrt(float(np.mean(np.abs(rest) ** 2)) / 2)
    # Frames between two dithers share one: half as many count.
    return slope, math.sqrt(2) * scatter / math.sqrt(span) if span > 0 else math.inf
