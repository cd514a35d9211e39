"""Shapes that vary over the field: a rotating field, and the optics' own pattern."""

from __future__ import annotations

import numpy as np

from subgrade.figures import beside, figure, with_error
from subgrade.judging.criteria import points_beyond
from subgrade.judging.evidence import Finding, evidence
from subgrade.judging.features import WORST_CORNER
from subgrade.judging.limits import Limits
from subgrade.judging.neighbour_numbers import turn_between_frames
from subgrade.night import Turning, split_field
from subgrade.night.series import GroupSeries
from subgrade.stars.model import FrameStars

WORSE = 0.1
"""How much more oval than the whole frame may be its worst corner may be: a choice."""


def judge_turning(
    series: GroupSeries, position: int, stars: FrameStars, limits: Limits
) -> list[Finding]:
    """Whether the field turned during the exposure, enough to ruin its corners."""
    split = split_field(stars.shape_field, series.fixed)
    seen = split.turning if split else None
    if seen is None:
        return []
    if seen.significance < limits.field.rotation_sigma or seen.explained < 0.6:
        return []
    from_registration = turn_between_frames(series, position)
    full = stars.shape_field.coefficients.shape[1] == 6
    if full and not (np.isfinite(seen.x) or from_registration > 0.4 * seen.angle_deg):
        # Growing one way only, as a tilt does that focus has changed.
        return []
    limit = corner_limit(series, limits)
    if np.isfinite(stars.eccentricity):
        # Stars oval all over are so in the corners too; a turn makes corners worse than the rest.
        limit = max(limit, stars.eccentricity + WORSE)
    points = points_beyond(
        seen.worst_eccentricity,
        limit,
        0.03,
        limits.roundness.softness,
        limits.verdict.points_cap,
    )
    worst, bar = beside(seen.worst_eccentricity, limit)
    text = (
        f"stars are stretched in arcs about a point, as by {_turn(seen)} "
        f"({figure(seen.significance)} sigma); eccentricity {worst} in the worst corner "
        f"(limit {bar})"
    )
    items = [
        evidence(
            "field_rotation",
            WORST_CORNER,
            points,
            text,
            value=seen.worst_eccentricity,
            usual=series.usual_corner,
            limit=limit,
        ),
    ]
    if np.isfinite(from_registration) and from_registration > 0.25 * seen.angle_deg:
        size = figure(60 * from_registration, "′")
        text += f"; from frame to frame the field rotates {size} an exposure"
    remark = seen.worst_eccentricity > limits.roundness.remark
    return [Finding("field_rotation", points, remark, text, tuple(items))]


def _turn(seen: Turning) -> str:
    """The turn and where it has its centre, with their errors."""
    if not np.isfinite(seen.angle_deg):
        return "a rotation"
    text = f"a rotation of {figure(60 * seen.angle_deg)}′"
    if np.isfinite(seen.angle_error_deg):
        text = f"a rotation of {with_error(60 * seen.angle_deg, 60 * seen.angle_error_deg, '′')}"
    if np.isfinite(seen.x):
        x, y = with_error(seen.x, seen.x_error), with_error(seen.y, seen.y_error, "px")
        text += f" about x {x}, y {y}"
    return text


def corner_limit(series: GroupSeries, limits: Limits) -> float:
    """Eccentricity of the worst corner that rejects a turning field.

    Where all frames turn alike, rejecting them for it helps nobody: the usual corner and a
    margin, but never more than `WORSE` beyond what is the most for a whole frame.
    """
    least, margin = limits.field.corner_eccentricity, limits.roundness.usual_margin
    shared = series.fixed is not None and series.fixed.turn_deg > 0
    if not (shared and np.isfinite(series.usual_corner)):
        return least
    most = max(least, limits.roundness.ceiling + WORSE)
    return float(min(max(least, series.usual_corner + margin), most))
