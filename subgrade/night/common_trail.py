"""A trail that all stars share because the mount followed a moving target.

Stated by the user, or seen in the frames: every star of every frame is stretched alike, and
the field drifts from frame to frame by as much an exposure, along the same line, all the
way.  A mount that drifts unguided does the same; then only the record, or else the
observer, knows which it was.  Either way the frames differ in nothing, so they are judged on
what is left without the common trail (`subgrade.judging.followed_target`).

How the field goes by over a group's whole run, from the registration of its frames.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.axes import axial_median
from subgrade.night.model import Night
from subgrade.night.series import GroupSeries
from subgrade.stars.motion import read_box, turned

ALIKE = 0.8
"""Share of the frames that must be drawn out alike; no source."""
SHORTEST_WIDTHS = 0.6
"""Trails shorter than so many star widths are left to the ordinary limits; no source."""
AGREES = 0.3
"""How far the usual elongation may lie from what the creep draws, relative; no source."""
DIFFERS, ROUGH = 0.6, 0.5
"""How far one frame's may lie from the usual, relative to it and to the star; no source."""


@dataclass(frozen=True, slots=True)
class ExpectedMotion:
    """What the user expects of the target that the mount followed.

    Attributes
    ----------
    rate_arcsec_per_h : float
    pa_deg : float
        Direction of its motion, east of north.
    """

    rate_arcsec_per_h: float
    pa_deg: float


@dataclass(frozen=True, slots=True)
class ExpectedTrail:
    """The trail common to a group's frames.

    Attributes
    ----------
    group : int
        Index into ``Night.groups``.
    length_px, angle_deg : float
        Of the middle frame.
    asked : bool
        By the user; else seen in the frames.
    trails : tuple of (int, float, float)
        Index into ``Night.frames``, length in px and axis in deg, for every member.
    """

    group: int
    length_px: float
    angle_deg: float
    asked: bool
    trails: tuple[tuple[int, float, float], ...]


def _lean(series: GroupSeries) -> tuple[np.ndarray, float]:
    """Elongation (xx - yy) + 2i xy of each frame on the reference, and the usual star's variance"""
    turn = np.exp(2j * np.radians(np.nan_to_num(series["rotation_deg"])))
    lean = series["xx"] - series["yy"] + 2j * series["xy"]
    narrow = (series["xx"] + series["yy"] - np.abs(lean)) / 2
    return lean * turn, float(np.nanmedian(narrow)) if np.isfinite(narrow).any() else float("nan")


def star_at_rest(night: Night, trail: ExpectedTrail) -> float:
    """Usual variance across the trail, px^2."""
    across = []
    for index, _, angle in trail.trails:
        stars = night.frames[index].stars
        across.append(turned(stars.xx, stars.yy, stars.xy, angle)[1])
    return float(np.nanmedian(across)) if np.isfinite(across).any() else 1.0


def image_axis(
    sky_axes: tuple[tuple[float, float], tuple[float, float]] | None, pa_deg: float
) -> float:
    """Axis in the image of a position angle.

    Parameters
    ----------
    sky_axes : tuple or None
        As ``HeaderFacts.sky_axes``.
    pa_deg : float

    Returns
    -------
    float
        Degrees counter-clockwise from +x, in [0, 180); NaN where the orientation is unknown.
    """
    if sky_axes is None:
        return float("nan")
    t = math.radians(pa_deg)
    try:
        x, y = np.linalg.solve(np.array(sky_axes, dtype=float), [math.sin(t), math.cos(t)])
    except np.linalg.LinAlgError:
        return float("nan")
    return math.degrees(math.atan2(y, x)) % 180.0


def leaning_axis(series: GroupSeries) -> float:
    """Axis on the reference along which the frames are drawn out, from the median moments."""
    lean, _ = _lean(series)
    lean = lean[np.isfinite(lean)]
    if not len(lean):
        return float("nan")
    common = complex(np.median(lean.real), np.median(lean.imag))
    return math.degrees(0.5 * math.atan2(common.imag, common.real)) % 180.0


def seen_trail(number: int, series: GroupSeries, creep: Creep | None) -> ExpectedTrail | None:
    """The trail that the frames and the field's creep show, if they agree.

    Parameters
    ----------
    number : int
        Of the group, in ``Night.groups``.
    series : GroupSeries
    creep : Creep or None
    """
    if creep is None or not creep.straight or not creep.length_px > 5 * creep.error_px:
        return None
    if creep.length_px < SHORTEST_WIDTHS * np.nanmedian(series["minor"]):
        return None
    lean, star = _lean(series)
    known = np.isfinite(lean)
    if known.sum() < FEWEST or not star > 0:
        return None
    drawn = read_box(creep.length_px**2 / 12, star) * np.exp(2j * np.radians(creep.angle_deg))
    common = complex(np.median(lean[known].real), np.median(lean[known].imag))
    if abs(common - drawn) > AGREES * abs(drawn):
        return None
    like = np.abs(lean[known] - common) < DIFFERS * abs(drawn) + ROUGH * star
    if np.mean(like) < ALIKE:
        return None
    turn = np.nan_to_num(series["rotation_deg"])
    trails = tuple(
        (i, creep.length_px, float(a))
        for i, a in zip(series.members, (creep.angle_deg - turn) % 180.0, strict=True)
    )
    middle = axial_median(np.array([a for _, _, a in trails]))
    return ExpectedTrail(number, creep.length_px, middle, False, trails)


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
