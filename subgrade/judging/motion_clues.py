"""Which motion drew the stars out: each candidate gathers points from what is seen.

A first pass from the images alone.  Points are log-likelihood-like: positive where an
observation is what the cause would do, negative where it is not.  Weights without a
source are this module's judgement of how common each case is.
"""

from __future__ import annotations

import math

import numpy as np

from subgrade.axes import axial_difference
from subgrade.figures import figure, likely, on_sky
from subgrade.judging.evidence import clue
from subgrade.judging.features import AXIS_ANGLE, MOTION_FIT, SWING_SIZE
from subgrade.judging.limits import Limits
from subgrade.judging.model import Evidence
from subgrade.judging.neighbour_clues import (
    by_creep,
    by_direction,
    by_staying,
    by_time,
)
from subgrade.night import common_axis
from subgrade.night.series import GroupSeries
from subgrade.stars.motion import MotionFit, weigh_motions

DRAWS = {
    "wind_trail": {"gust": 0.65, "shake": 0.2, "step": 0.08, "swing": 0.05, "creep": 0.02},
    # A loop that overshoots at every turn throws the star from side to side: two places.
    "ra_oscillation": {"swing": 0.4, "shake": 0.3, "step": 0.15, "creep": 0.1, "gust": 0.05},
    # Less than a whole turn of the worm leaves any part of its swing.
    "periodic_error": {"creep": 0.35, "swing": 0.3, "gust": 0.3, "shake": 0.03, "step": 0.02},
    "dec_drift": {"creep": 0.9, "swing": 0.06, "shake": 0.015, "gust": 0.015, "step": 0.01},
    "flexure": {"creep": 0.88, "swing": 0.06, "gust": 0.03, "shake": 0.02, "step": 0.01},
    "bump": {"step": 0.93, "gust": 0.05, "swing": 0.02},
    "dither_overlap": {"step": 0.5, "gust": 0.5},
    "tracking_lost": {"gust": 0.4, "creep": 0.3, "step": 0.15, "swing": 0.15},
}
"""How often each cause draws which profile of motion; no source."""

NAMED = {
    "creep": "steady drift",
    "swing": "oscillation",
    "shake": "random shake",
    "step": "step",
    "gust": "brief deflection",
}
LEAST_FIT = -5.0
"""No image counts more strongly against a cause: paths differ from every family; no source."""
KNOWN_AXIS = (0.95, 0.0, 0.05)
PRESUMED_AXIS = (0.65, 0.1, 0.25)
"""Belief that the axis is right ascension, declination, or neither.  Without a known
orientation the direction most frames lean to stands in, for most mounts are rougher in
right ascension; common practice, no source."""


def attribute_motion(series: GroupSeries, position: int, limits: Limits) -> list[Evidence]:
    """Everything the images show of which motion made one frame oval.

    Returns
    -------
    list of Evidence
        Points for or against each candidate; `subgrade.judging.causes` adds them up.
    """
    motion = motion_variance(series)
    return [
        *_by_profile(series, position, limits),
        *_by_size(series, motion, position),
        *_by_mount_axis(series, position, limits),
        *by_direction(series, motion, position),
        *by_time(series, motion, position),
        *by_creep(series, motion, position),
        *by_staying(series, motion, position),
    ]


def motion_variance(series: GroupSeries) -> np.ndarray:
    """Variance along the long axis beyond the narrow one, px^2, every frame.

    From the frame's common second moments: the difference of the two principal values.
    """
    return np.hypot(series["xx"] - series["yy"], 2 * series["xy"])


def _by_profile(series: GroupSeries, position: int, limits: Limits) -> list[Evidence]:
    """Which kind of motion fits the star image, weighed by how often each cause draws it."""
    # Where the usual frame is itself drawn out it shows nothing of the still star.
    drawn = series.usual("eccentricity").centre > limits.roundness.remark
    still = None if drawn else still_star(series)
    fits = {fit.model: fit for fit in weigh_motions(series.stars[position], still)}
    if not fits:
        return []
    seen = {model: math.exp(fit.points) for model, fit in fits.items()}
    whole = sum(seen.values()) / len(seen)
    likeliest = max(fits.values(), key=lambda f: f.points)
    size = likeliest.rms_px if likeliest.model == "shake" else likeliest.extent_px
    length = figure(*on_sky(size, series.scale_arcsec))
    length += " RMS" if likeliest.model == "shake" else ""
    second = sorted(fits.values(), key=lambda f: -f.points)[1]
    text = (
        f"{_a(likeliest)} of {length} fits the star image best "
        f"({likely(likeliest.probability)}; {_a(second)}: {likely(second.probability)})"
    )
    found = []
    for word, often in DRAWS.items():
        given = sum(share * seen[model] for model, share in often.items()) / whole
        points = max(math.log(max(given, 1e-9)), LEAST_FIT)
        found.append(
            clue(
                word,
                MOTION_FIT,
                points,
                text,
                value=100 * likeliest.probability,
                named=NAMED[likeliest.model],
            )
        )
    return found


def _a(fit: MotionFit) -> str:
    name = NAMED[fit.model]
    return f"an {name}" if name[0] == "o" else f"a {name}"


def still_star(series: GroupSeries) -> tuple[float, float, float] | None:
    """Usual second moments of the group's frames, px^2: the star that did not move."""
    moments = np.array([series[name] for name in ("xx", "yy", "xy")])
    moments = moments[:, np.isfinite(moments).all(axis=0)]
    if moments.shape[1] < 4:
        return None
    return tuple(float(m) for m in np.median(moments, axis=1))


def _by_size(series: GroupSeries, motion: np.ndarray, position: int) -> list[Evidence]:
    """A guider over-corrects by a few arcseconds; a worm may swing far.  Common practice."""
    # A swing of full length L has variance L^2 / 8 [derived].
    length = math.sqrt(8 * motion[position]) * series.scale_arcsec
    if not math.isfinite(length):
        return []
    text = f"as an oscillation it would span {figure(length, '″')}"
    # A worm's whole swing is seldom over half a minute of arc, and guided at that.
    places = [2.0, 4.0, 8.0, 15.0, 30.0, 60.0]
    slow = float(np.interp(length, places, [-0.3, 0.0, 0.6, 0.6, -1.5, -3.0]))
    fast = float(np.interp(length, places, [0.3, 0.0, -0.6, -1.5, -3.0, -4.0]))
    return [
        clue(w, SWING_SIZE, p, text, value=length)
        for w, p in (("periodic_error", slow), ("ra_oscillation", fast))
    ]


def _by_mount_axis(series: GroupSeries, position: int, limits: Limits) -> list[Evidence]:
    """How near the long axis lies to an axis of the mount, against any direction at all.

    Log ratio of a normal distribution about the axis to a flat one over 180 degrees,
    averaged over what the presumed axis may be in truth.
    """
    angle, axis, presumed = series["angle"][position], series.axis_angle[position], False
    if not math.isfinite(axis):
        # Where the usual frame is itself drawn out, its lean is the cause asked for.
        if series.usual("eccentricity").centre > limits.roundness.remark:
            return []
        axis, presumed = common_axis(series), True
    if not (math.isfinite(axis) and math.isfinite(angle)):
        return []
    error = series["angle_error"][position]
    sigma = math.hypot(
        limits.motion.axis_tolerance_deg / 2.5, error if math.isfinite(error) else 0.0
    )
    off = float(axial_difference(angle, axis))
    near, far = (_over_flat(distance, sigma) for distance in (off, 90 - off))
    right, crossed, neither = PRESUMED_AXIS if presumed else KNOWN_AXIS
    name = "the direction most frames are stretched in, taken as RA" if presumed else "RA"
    text = f"the long axis is {figure(off, '°')} from {name}"
    odds = {
        "ra_oscillation": right * near + crossed * far + neither,
        "dec_drift": right * far + crossed * near + neither,
    }
    odds["periodic_error"] = odds["ra_oscillation"]
    # A stalled drive lets go in right ascension, a slipping tube anywhere.
    odds["tracking_lost"] = 0.5 * odds["ra_oscillation"] + 0.5
    return [
        clue(
            word,
            AXIS_ANGLE,
            math.log(value),
            text,
            value=off,
            limit=limits.motion.axis_tolerance_deg,
            error=sigma,
        )
        for word, value in odds.items()
    ]


def _over_flat(distance: float, sigma: float) -> float:
    height = 180.0 / (sigma * math.sqrt(2 * math.pi))
    return height * math.exp(-0.5 * (distance / sigma) ** 2)
