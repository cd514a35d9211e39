"""What the frames beside an oval one show of its motion: direction, recurrence, drift."""

from __future__ import annotations

import math

import numpy as np

from subgrade.axes import axial_difference
from subgrade.figures import figure, on_sky
from subgrade.judging.causes import MOTION
from subgrade.judging.evidence import clue
from subgrade.judging.features import (
    DIRECTION_AGREES,
    FIELD_AFTER_DRIFT,
    FIELD_DRIFT,
    FRAMES_ALIKE,
    MOTION_VARIES,
)
from subgrade.judging.model import Evidence
from subgrade.night.series import GroupSeries, unbroken
from subgrade.robust import pair_slopes, scatter

ALIKE = 0.7
"""Agreement from which directions are called the same: that of which the points change sign."""
BY_MANNER = {
    "alone": {
        "wind_trail": 0.5,
        "ra_oscillation": -0.3,
        "periodic_error": -0.3,
        "dec_drift": -0.5,
        "flexure": -0.3,
    },
    "in turn": {
        "wind_trail": 0.0,
        "ra_oscillation": 0.0,
        "periodic_error": 0.8,
        "dec_drift": -0.7,
        "flexure": -0.5,
    },
}
"""Points for a frame that is alone, or one of several with round ones between; no source."""


def by_direction(series: GroupSeries, motion: np.ndarray, position: int) -> list[Evidence]:
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
    # Steady causes keep their direction; a random one agrees to 0 +- 0.7 / sqrt(n).  Gusts
    # blow from one side for a while too, so agreement counts little against them.
    steady = float(np.interp(agreement, [0.0, 0.7, 0.95], [-0.7, 0.0, 0.7]))
    words = {"wind_trail": -steady if steady < 0 else -0.3 * steady} | {
        w: steady for w in MOTION if w != "wind_trail"
    }
    return [clue(w, DIRECTION_AGREES, p, text, value=agreement) for w, p in words.items()]


def by_time(series: GroupSeries, motion: np.ndarray, position: int) -> list[Evidence]:
    """Is it one frame, a run of frames, or some in turn?"""
    near = series.near(position, 5)
    near = near[np.isfinite(motion[near])]
    if len(near) < 3:
        return []
    off = axial_difference(series["angle"][near], series["angle"][position])
    same = (motion[near] > 0.4 * motion[position]) & (off < 25)
    alike = near[same]
    lengths = np.sqrt(motion[alike])
    scatter = float(np.std(lengths) / np.mean(lengths)) if len(alike) >= 3 else float("nan")
    first, last = unbroken(np.isin(np.arange(len(motion)), alike), position)
    run = last - first + 1
    text = _alike_text(run, len(alike), len(near))
    manner = "alone" if not len(alike) else "in turn" if len(alike) >= 2 * run else "run"
    if manner == "run":
        steady = float(np.interp(run, [1, 2, 4], [-0.3, 0.3, 0.8]))
        words = {
            "wind_trail": -0.5 * steady,
            "ra_oscillation": 0.5 * steady,
            "periodic_error": -0.3,
        }
        # A misaligned pole drifts all night; a drift that comes and goes is another's.
        words["dec_drift"] = float(np.interp(run, [2, 4, 8], [-0.7, 0.2, 0.9]))
        words["flexure"] = steady
    else:
        words = BY_MANNER[manner]
    found = [clue(w, FRAMES_ALIKE, p, text, value=run) for w, p in words.items()]
    if math.isfinite(scatter):
        text = (
            f"the length of the motion varies by {figure(100 * scatter, '%')} among the "
            f"{len(alike)} frames nearby that are stretched alike"
        )
        words = {
            "periodic_error": np.interp(scatter, [0.1, 0.3], [-0.7, 0.7]),
            "wind_trail": np.interp(scatter, [0.1, 0.3], [-0.5, 0.5]),
            "dec_drift": np.interp(scatter, [0.1, 0.3], [0.7, -0.7]),
            "flexure": np.interp(scatter, [0.1, 0.3], [0.7, -0.7]),
        }
        found += [clue(w, MOTION_VARIES, float(p), text, value=scatter) for w, p in words.items()]
    return found


def _alike_text(run: int, alike: int, near: int) -> str:
    if not alike:
        return f"none of the {near} frames nearby is stretched alike"
    nearby = f"{alike} of the {near} frames nearby {'is' if alike == 1 else 'are'}"
    if run == 1:
        return f"no neighbour is stretched alike, though {nearby}"
    return f"one of {run} frames in a row stretched alike; {nearby}"


def by_creep(series: GroupSeries, motion: np.ndarray, position: int) -> list[Evidence]:
    """Does the whole field drift from frame to frame as fast as the star is long?

    A drift of v px/s draws a line of v * exposure; a box of length L has variance
    L^2 / 12 [derived].  Dithers between frames add scatter, which the robust slope and
    its error carry.
    """
    exposure = series.group.exposure_s
    window = np.append(series.near(position, 6), position)
    window = window[np.isfinite(series["dx"][window]) & np.isfinite(series["dy"][window])]
    if not exposure or len(window) < 5:
        return []
    rates = [_slope(series["time"][window], series[c][window]) for c in ("dx", "dy")]
    length = exposure * math.hypot(rates[0][0], rates[1][0])
    error = exposure * math.hypot(rates[0][1], rates[1][1])
    if not length > 3 * error:
        return []
    seen = math.sqrt(12 * motion[position])
    direction = math.degrees(math.atan2(rates[1][0], rates[0][0]))
    off = float(axial_difference(direction, series["angle"][position]))
    if off > 20 or not 0.5 < length / max(seen, 1e-9) < 2.0:
        return []
    drift, drawn = (figure(*on_sky(px, series.scale_arcsec)) for px in (length, seen))
    text = (
        f"the field drifts {drift} an exposure from frame to frame, {figure(off, '°')} from the "
        f"long axis; the stars are stretched by {drawn}"
    )
    return [
        clue(w, FIELD_DRIFT, 2.0, text, value=length, usual=seen, error=error)
        for w in ("dec_drift", "flexure")
    ]


def by_staying(series: GroupSeries, motion: np.ndarray, position: int) -> list[Evidence]:
    """Did the field stay where the drift had left it?

    The guider brings back what it sees; a main scope that bent away from the guide scope
    stays bent.  The field's place after the run of like frames is held against its place
    before, the dithers' scatter allowed for.
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
    scatter = 1.2533 * float(np.mean(aside)) / math.sqrt(2)
    crept = float(np.nansum(np.sqrt(12 * motion[first : last + 1])))
    moved = float(np.mean(after) - np.mean(before))
    error = math.hypot(scatter * math.sqrt(1 / len(before) + 1 / len(after)), max(0.2 * crept, 0.5))
    if not crept > 1.5 * error:
        return []
    # Either way along the axis, against having come back.
    stayed = np.logaddexp(*(-0.5 * ((moved + s * crept) / error) ** 2 for s in (1, -1)))
    points = float(np.clip(stayed - math.log(2) + 0.5 * (moved / error) ** 2, -1.5, 2.5))
    shift, drift, dither = (
        figure(*on_sky(px, series.scale_arcsec)) for px in (abs(moved), crept, scatter)
    )
    run = "this frame" if first == last else f"these {last - first + 1} frames"
    text = (
        f"after {run} the field lay {shift} along the trail from its place before (drift in all "
        f"{drift}, scatter of the dithers {dither})"
    )
    # A step stays as well.
    return [
        clue(word, FIELD_AFTER_DRIFT, value, text, value=moved, usual=crept, error=error)
        for word, value in (("flexure", points), ("bump", max(0.8 * points, 0.0)))
    ]


def _known(values: np.ndarray) -> np.ndarray:
    return values[np.isfinite(values)]


def _run_ends(series: GroupSeries, motion: np.ndarray, position: int) -> tuple[int, int]:
    """First and last of the unbroken run of frames drawn out the same way as one."""
    off = axial_difference(series["angle"], series["angle"][position])
    alike = (motion > 0.3 * motion[position]) & (off < 25)
    return unbroken(alike, position)


def _slope(t: np.ndarray, x: np.ndarray) -> tuple[float, float]:
    """Slope of a straight line and its error; the median of slopes between points."""
    slope = float(np.median(pair_slopes(t, x)))
    return slope, float(scatter(x - slope * t) / (np.std(t) * math.sqrt(len(t))))
