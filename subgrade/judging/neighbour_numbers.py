"""What the frames beside an oval one show of its motion: direction, recurrence, drift, turn."""

from __future__ import annotations

import math

import numpy as np

from subgrade.axes import axial_difference
from subgrade.figures import figure, on_sky
from subgrade.judging.features import (
    DIRECTION_AGREES,
    FIELD_AFTER_DRIFT,
    FIELD_DRIFT,
    FRAME_TO_FRAME_TURN,
    FRAMES_ALIKE,
    MOTION_VARIES,
    TANGENTIAL,
)
from subgrade.judging.likelihoods import Number
from subgrade.judging.star_numbers import motion_length, motion_variance, star_width
from subgrade.night import split_field
from subgrade.night.series import GroupSeries, turn_an_exposure, unbroken
from subgrade.robust import pair_slopes, scatter

ALIKE = 0.7
"""Agreement from which directions are called the same in words."""
ALIKE_DEG = 25.0
"""Long axes nearer than this are stretched alike: twice the error of a weak one; no source."""


def neighbour_numbers(series: GroupSeries, position: int) -> list[Number]:
    """The numbers of the frames before and after that help to name one frame's motion."""
    motion = motion_variance(series)
    return [
        *_direction(series, motion, position),
        *_recurrence(series, motion, position),
        *_drift(series, motion, position),
        *_after(series, motion, position),
        *_turning(series, position),
    ]


def _direction(series: GroupSeries, motion: np.ndarray, position: int) -> list[Number]:
    """Do the frames just before and after, when drawn out as much, point the same way?"""
    near = series.near(position, 1)
    alike = (motion[near] > 0.4 * motion[position]) & (motion[near] < 2.5 * motion[position])
    angles = series["angle"][near[alike]]
    angles = angles[np.isfinite(angles)]
    if len(angles) < 1:
        return []
    off = np.radians(2 * (angles - series["angle"][position]))
    agreement = float(np.mean(np.cos(off)))
    way = "the same way" if agreement > ALIKE else "another way"
    text = f"the neighbour just as elongated points {way}"
    if len(angles) > 1:
        text = f"the {len(angles)} neighbours just as elongated point {way}"
    return [Number(DIRECTION_AGREES, text, agreement)]


def _recurrence(series: GroupSeries, motion: np.ndarray, position: int) -> list[Number]:
    """Is it one frame, a run of frames, or some in turn?"""
    near = series.near(position, 5)
    near = near[np.isfinite(motion[near])]
    if len(near) < 3:
        return []
    off = axial_difference(series["angle"][near], series["angle"][position])
    same = (motion[near] > 0.4 * motion[position]) & (off < ALIKE_DEG)
    alike = near[same]
    first, last = unbroken(np.isin(np.arange(len(motion)), alike), position)
    run = last - first + 1
    manner = "alone" if not len(alike) else "in turn" if len(alike) >= 2 * run else "run"
    if manner == "run":
        manner = "long run" if run >= 5 else "run" if run > 1 else "scattered"
    text = _alike_text(run, len(alike), len(near))
    found = [Number(FRAMES_ALIKE, text, kinds={manner: 1.0}, value=run, named=manner)]
    if len(alike) >= 3:
        lengths = np.sqrt(motion[alike])
        spread = float(np.std(lengths) / np.mean(lengths))
        text = (
            f"the length of the motion varies by {figure(100 * spread, '%')} among the "
            f"{len(alike)} frames nearby that are stretched alike"
        )
        found.append(Number(MOTION_VARIES, text, spread))
    return found


def _alike_text(run: int, alike: int, near: int) -> str:
    if not alike:
        return f"none of the {near} frames nearby is stretched alike"
    nearby = f"{alike} of the {near} frames nearby {'is' if alike == 1 else 'are'}"
    if run == 1:
        return f"no neighbour is stretched alike, though {nearby}"
    return f"one of {run} frames in a row stretched alike; {nearby}"


def _drift(series: GroupSeries, motion: np.ndarray, position: int) -> list[Number]:
    """Does the whole field drift from frame to frame as fast as the star is long?

    A drift of v px/s draws a line of v * exposure.  Dithers between frames add scatter, which the
    robust slope and its error carry.
    """
    exposure = series.group.exposure_s
    window = np.append(series.near(position, 6), position)
    window = window[np.isfinite(series["dx"][window]) & np.isfinite(series["dy"][window])]
    if not exposure or len(window) < 5:
        return []
    rates = [_slope(series["time"][window], series[c][window]) for c in ("dx", "dy")]
    length = exposure * math.hypot(rates[0][0], rates[1][0])
    error = exposure * math.hypot(rates[0][1], rates[1][1])
    seen = motion_length(series, position)
    if not seen > 0:
        return []
    drift, drawn = (figure(*on_sky(px, series.scale_arcsec)) for px in (length, seen))
    if not length > 3 * error:
        # A drift as long as the line would have stood out.
        kind = "none" if 3 * error < 0.5 * seen else "hidden"
        text = f"the field shows no drift from frame to frame ({drift} an exposure, in its error)"
        return [Number(FIELD_DRIFT, text, kinds={kind: 1.0}, value=length, error=error)]
    direction = math.degrees(math.atan2(rates[1][0], rates[0][0]))
    axis = series["angle"][position] + np.nan_to_num(series["rotation_deg"][position])
    off = float(axial_difference(direction, axis))
    times = length / seen
    kind = "aside" if not off <= 20 else "as long" if 0.5 < times < 2.0 else "along"
    text = (
        f"the field drifts {drift} an exposure from frame to frame, {figure(off, '°')} from the "
        f"long axis; the stars are stretched by {drawn}"
    )
    return [Number(FIELD_DRIFT, text, kinds={kind: 1.0}, value=length, usual=seen, error=error)]


def _after(series: GroupSeries, motion: np.ndarray, position: int) -> list[Number]:
    """Did the field stay where the drift had left it?

    The guider brings back what it sees; a main scope that bent away from the guide scope
    stays bent.  The field's place after the run of like frames is held against its place
    before, the dithers' scatter allowed for: log odds of having stayed, either way along the
    axis, against having come back.
    """
    first, last = _run_ends(series, motion, position)
    angle = math.radians(series["angle"][position] + series["rotation_deg"][position])
    along = series["dx"] * math.cos(angle) + series["dy"] * math.sin(angle)
    before, after = (
        _known(along[k]) for k in (slice(max(first - 3, 0), first), slice(last + 1, last + 4))
    )
    if not (len(before) and len(after)):
        return []
    aside = np.concatenate([np.diff(along[:first]), np.diff(along[last + 1 :])])
    aside = np.abs(aside[np.isfinite(aside)])
    if len(aside) < 4:
        return []
    # Differences scatter by sqrt(2) sigma; the mean holds where half of them are no dither.
    dithers = 1.2533 * float(np.mean(aside)) / math.sqrt(2)
    crept = float(np.nansum(np.sqrt(12 * motion[first : last + 1])))
    moved = float(np.mean(after) - np.mean(before))
    # Neither is a line read, nor a field registered, more nearly than this.
    least = max(0.2 * crept, 0.15 * star_width(series, series.stars[position]))
    error = math.hypot(dithers * math.sqrt(1 / len(before) + 1 / len(after)), least)
    if not crept > 1.5 * error:
        return []
    stayed = np.logaddexp(*(-0.5 * ((moved + s * crept) / error) ** 2 for s in (1, -1)))
    odds = float(stayed - math.log(2) + 0.5 * (moved / error) ** 2)
    shift, drift, dither = (
        figure(*on_sky(px, series.scale_arcsec)) for px in (abs(moved), crept, dithers)
    )
    run = "this frame" if first == last else f"these {last - first + 1} frames"
    text = (
        f"after {run} the field lay {shift} along the trail from its place before (drift in all "
        f"{drift}, scatter of the dithers {dither})"
    )
    return [Number(FIELD_AFTER_DRIFT, text, odds, value=moved, usual=crept, error=error)]


def _turning(series: GroupSeries, position: int) -> list[Number]:
    """Are stars stretched in arcs about a point, and does the field turn as much between frames?"""
    split = split_field(series.stars[position].shape_field, series.fixed)
    seen = split.turning if split else None
    if seen is None:
        # A field without the pattern counts as one that did not turn.
        return [Number(TANGENTIAL, "no pattern of arcs about a point is seen", 0.0)]
    sure = seen.significance if seen.explained >= 0.6 else 0.0
    text = f"the pattern of arcs about a point stands out by {figure(seen.significance)} sigma"
    found = [Number(TANGENTIAL, text, math.log2(1.0 + max(sure, 0.0)), value=seen.significance)]
    turn = turn_between_frames(series, position)
    if math.isfinite(turn) and math.isfinite(seen.angle_deg) and sure > 0:
        text = f"from frame to frame the field rotates {figure(60 * turn, '′')} an exposure"
        ratio = turn / max(seen.angle_deg, 1e-9)
        found.append(Number(FRAME_TO_FRAME_TURN, text, ratio, value=turn, usual=seen.angle_deg))
    return found


def turn_between_frames(series: GroupSeries, position: int) -> float:
    """How far the field turns in one exposure by the registration of the frames nearby, deg."""
    window = np.sort(np.append(series.near(position, 6), position))
    return turn_an_exposure(
        series["rotation_deg"][window], series["time"][window], series.group.exposure_s
    )


def _known(values: np.ndarray) -> np.ndarray:
    return values[np.isfinite(values)]


def _run_ends(series: GroupSeries, motion: np.ndarray, position: int) -> tuple[int, int]:
    """First and last of the unbroken run of frames drawn out the same way as one."""
    off = axial_difference(series["angle"], series["angle"][position])
    alike = (motion > 0.3 * motion[position]) & (off < ALIKE_DEG)
    return unbroken(alike, position)


def _slope(t: np.ndarray, x: np.ndarray) -> tuple[float, float]:
    """Slope of a straight line and its error; the median of slopes between points."""
    slope = float(np.median(pair_slopes(t, x)))
    return slope, float(scatter(x - slope * t) / (np.std(t) * math.sqrt(len(t))))
