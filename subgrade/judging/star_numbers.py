"""What the star image shows of the motion that drew it: form, length, direction, second image."""

from __future__ import annotations

import math

import numpy as np

from subgrade.axes import axial_difference
from subgrade.figures import figure, likely, on_sky
from subgrade.judging.features import (
    AXIS_ANGLE,
    LAST_POINTING,
    LIGHT_BETWEEN,
    LIGHT_LEFT,
    LINE_IN_WIDTHS,
    MOTION_FIT,
    PARALLEL_TRAILS,
    PRESUMED_AXIS_ANGLE,
    SECOND_IMAGE,
    STAR_FORM,
    SWING_SIZE,
)
from subgrade.judging.likelihoods import Number
from subgrade.judging.limits import Limits
from subgrade.judging.two_images import brightness_at, share_between
from subgrade.night import common_axis
from subgrade.night.series import BROKEN, GroupSeries
from subgrade.stars.model import FrameStars
from subgrade.stars.motion import (
    MotionFit,
    SecondImage,
    second_image,
    star_trails,
    weigh_motions,
    whole_trails,
)

NAMED = {
    "creep": "steady drift",
    "swing": "oscillation",
    "shake": "random shake",
    "step": "step",
    "gust": "brief deflection",
}
SURE_SIDE = 0.4
"""Skewness of a motion from which it has a tail on one side; a choice."""


def star_numbers(series: GroupSeries, position: int, limits: Limits) -> list[Number]:
    """The numbers of one frame's star image that help to name its motion.

    Returns
    -------
    list of Number
        What cannot be measured is left out.
    """
    stars = series.stars[position]
    second = _second(stars)
    fits = _fits(series, position, limits)
    return [
        *_form(stars, second),
        *_profile(fits, series.scale_arcsec),
        *_length(series, position),
        *_light(series, position),
        *_from_axis(series, position, limits),
        *_second_image(stars, second, series["transparency"][position]),
        *_last_pointing(series, position, second, fits),
    ]


def motion_variance(series: GroupSeries) -> np.ndarray:
    """Variance along the long axis beyond the narrow one, px^2, every frame.

    From the frame's common second moments: the difference of the two principal values.
    """
    return np.hypot(series["xx"] - series["yy"], 2 * series["xy"])


def motion_length(series: GroupSeries, position: int) -> float:
    """Length of the line that the stars are drawn into, px.

    Measured on lines; of an oval star that of the box with its variance, L^2 / 12 [derived], or
    that of faint lines beside it, where the star was let go for a moment.
    """
    stars = series.stars[position]
    if stars.shape_status in ("trailed", "doubled") and math.isfinite(stars.length_px):
        return float(stars.length_px)
    lines = [line.length_px for line in whole_trails(stars)]
    oval = math.sqrt(12 * motion_variance(series)[position])
    return max(oval, float(np.median(lines))) if lines else oval


def star_width(series: GroupSeries, stars: FrameStars) -> float:
    """Width of the star that did not move, px."""
    # With every frame trailed the group has no usual width; 3 px is a usual sampling.
    widths = (series.usual("fwhm_px").centre, stars.fwhm_minor_px, 3.0)
    return next(w for w in widths if np.isfinite(w))


def still_star(series: GroupSeries) -> tuple[float, float, float] | None:
    """Usual second moments of the group's frames, px^2: the star that did not move."""
    moments = np.array([series[name] for name in ("xx", "yy", "xy")])
    moments = moments[:, np.isfinite(moments).all(axis=0)]
    if moments.shape[1] < 4:
        return None
    return tuple(float(m) for m in np.median(moments, axis=1))


def _second(stars: FrameStars) -> SecondImage | None:
    """A second image as a vector; of doubled stars towards the fainter one."""
    if stars.shape_status == "measured":
        return second_image(stars)
    known = np.isfinite([stars.length_px, stars.angle_deg]).all()
    if stars.shape_status != "doubled" or not known:
        return None
    angle = math.radians(stars.angle_deg)
    ratio = {side: brightness_at(stars, side * stars.length_px) for side in (1, -1)}
    # Of the two ends of the axis the second image is at the brighter.
    side = max(ratio, key=lambda s: np.nan_to_num(ratio[s], nan=-1.0))
    x, y = (side * stars.length_px * part for part in (math.cos(angle), math.sin(angle)))
    return SecondImage(x, y, ratio[side], 0, 0)


def _form(stars: FrameStars, second: SecondImage | None) -> list[Number]:
    status = stars.shape_status
    kind = status if status in BROKEN else "oval"
    kind = "second image" if kind == "oval" and second is not None else kind
    kind = "none" if status in ("few", "none") else kind
    trails = star_trails(stars)
    found = [Number(STAR_FORM, f"stars are {_FORMS[kind]}", kinds={kind: 1.0}, named=_FORMS[kind])]
    if not trails:
        return [*found, Number(PARALLEL_TRAILS, "no parallel streaks", kinds={"not seen": 1.0})]
    length = float(np.median([s.length_px for s in trails]))
    seen = Number(PARALLEL_TRAILS, trails_text(trails), kinds={"seen": 1.0}, value=length)
    return [*found, seen]


def trails_text(trails) -> str:
    """Lines of `star_trails` in words."""
    lengths = sorted(s.length_px for s in trails)
    return (
        f"{len(trails)} parallel streaks, {figure(lengths[0], 'px')} to "
        f"{figure(lengths[-1], 'px')} long, are trails of the stars themselves"
    )


_FORMS = {
    "oval": "whole",
    "second image": "followed by a fainter second image",
    "doubled": "doubled",
    "trailed": "drawn into lines",
    "hollow": "rings",
    "none": "hardly found",
}


def _fits(series: GroupSeries, position: int, limits: Limits) -> list[MotionFit]:
    """Kinds of motion fitted to the star image, likeliest first."""
    # Where the typical frame is itself drawn out it shows nothing of the still star.
    drawn = series.usual("eccentricity").centre > limits.roundness.remark
    still = None if drawn else still_star(series)
    return sorted(weigh_motions(series.stars[position], still), key=lambda fit: -fit.points)


def _profile(fits: list[MotionFit], scale: float) -> list[Number]:
    """Which kind of motion fits the star image."""
    if not fits:
        return []
    likeliest, second = fits[:2]
    size = likeliest.rms_px if likeliest.model == "shake" else likeliest.extent_px
    length = figure(*on_sky(size, scale)) + (" RMS" if likeliest.model == "shake" else "")
    text = (
        f"{_a(likeliest)} of {length} fits the star image best "
        f"({likely(likeliest.probability)}; {_a(second)}: {likely(second.probability)})"
    )
    return [
        Number(
            MOTION_FIT,
            text,
            kinds={fit.model: math.exp(fit.points) for fit in fits},
            value=100 * likeliest.probability,
            named=NAMED[likeliest.model],
        )
    ]


def _a(fit: MotionFit) -> str:
    name = NAMED[fit.model]
    return f"an {name}" if name[0] == "o" else f"a {name}"


def _length(series: GroupSeries, position: int) -> list[Number]:
    length, width = motion_length(series, position), star_width(series, series.stars[position])
    if not length > 0:
        return []
    text = f"the line is {figure(length / width, digits=2)} star widths long"
    found = [Number(LINE_IN_WIDTHS, text, math.log2(length / width), value=length / width)]
    size = length * series.scale_arcsec
    if size > 0:
        text = f"the motion spans {figure(size, '″')}"
        found.append(Number(SWING_SIZE, text, math.log2(size), value=size))
    return found


def _light(series: GroupSeries, position: int) -> list[Number]:
    """What is left of the light at the stars' places."""
    left = series["transparency"][position]
    if not math.isfinite(left):
        return []
    text = f"{figure(100 * left, '%')} of the starlight is in its place"
    return [Number(LIGHT_LEFT, text, left)]


def _from_axis(series: GroupSeries, position: int, limits: Limits) -> list[Number]:
    """How near the long axis lies to an axis of the mount."""
    angle, axis = series["angle"][position], series.axis_angle[position]
    feature, name = AXIS_ANGLE, "RA"
    if not math.isfinite(axis):
        # Where the typical frame is itself drawn out, its lean is the cause asked for.
        if series.usual("eccentricity").centre > limits.roundness.remark:
            return []
        axis, feature = common_axis(series), PRESUMED_AXIS_ANGLE
        name = "the direction most frames are stretched in, taken as RA"
    if not (math.isfinite(axis) and math.isfinite(angle)):
        return []
    off = float(axial_difference(angle, axis))
    error = series["angle_error"][position]
    text = f"the long axis is {figure(off, '°')} from {name}"
    return [Number(feature, text, off, error=error if math.isfinite(error) else None)]


def _second_image(stars: FrameStars, second: SecondImage | None, light: float) -> list[Number]:
    """How the light is shared between two images, and what of it is in neither."""
    if second is None:
        return []
    found = []
    if math.isfinite(second.ratio):
        share = second.ratio / (1 + second.ratio)
        text = f"the second image holds {figure(100 * share, '%')} of the light of both"
        found.append(Number(SECOND_IMAGE, text, share))
    if stars.shape_status == "doubled":
        between = share_between(
            stars.star_image, stars.angle_deg, stars.length_px, stars.fwhm_minor_px
        )
        text = f"{figure(100 * max(between, 0.0), '%')} of the light lies between the two images"
    else:
        between = 1.0 - light * (1.0 + second.ratio)
        text = f"{figure(100 * max(between, 0.0), '%')} of the light is in neither image"
    if math.isfinite(between):
        found.append(Number(LIGHT_BETWEEN, text, between))
    return found


def _last_pointing(
    series: GroupSeries, position: int, second: SecondImage | None, fits: list[MotionFit]
) -> list[Number]:
    """Does the light that left the star lie where a frame beside this one had its stars?

    A dither that ran late leaves some at the last frame's place; a bump may leave it at the next
    one's.  The second image, the tail or the long axis is held against the steps to both.
    """
    step, after = step_from(series, position, -1), step_from(series, position, 1)
    width, scale = star_width(series, series.stars[position]), series.scale_arcsec
    if step is None:
        return []
    far = figure(*on_sky(abs(step), scale))
    if second is not None:
        image = complex(second.dx, second.dy)
        near = max(width, 0.15 * second.length)
        off = abs(image - step)
        there, next_ = off < near, after is not None and abs(image - after) < near
        text = (
            f"the second image lies {figure(*on_sky(off, scale))} from where the previous frame "
            f"had its stars ({far} away)"
        )
        if next_ and not there:
            text = "the second image lies where the next frame has its stars"
        kind = "image there" if there else "image next" if next_ else "image elsewhere"
        return [Number(LAST_POINTING, text, kinds={kind: 1.0}, value=off)]
    angle = series["angle"][position]
    if not math.isfinite(angle):
        return []
    least = max(0.7 * width, 0.3 * motion_length(series, position))
    skewness = fits[0].skewness if fits else 0.0
    tail = complex(math.cos(math.radians(angle)), math.sin(math.radians(angle)))
    tail *= math.copysign(1.0, skewness) if abs(skewness) > SURE_SIDE else 1.0
    if abs(step) < least:
        text = f"the stars lie {far} from where the previous frame had them, too near for its light"
        kind = "no step"
        if abs(skewness) > SURE_SIDE and after is not None and abs(after) > least:
            towards = (after / abs(after) / tail).real
            kind = "tail next" if towards > math.cos(math.radians(12)) else kind
        if kind == "tail next":
            text = "the tail lies towards where the next frame has its stars"
        return [Number(LAST_POINTING, text, kinds={kind: 1.0}, value=abs(step))]
    off = float(axial_difference(math.degrees(math.atan2(step.imag, step.real)), angle))
    text = f"the long axis is {figure(off, '°')} from the step of {far} since the previous frame"
    kind = "along" if off < 12 else "near" if off < 30 else "across"
    if kind == "along" and abs(skewness) > SURE_SIDE:
        ahead = (tail / step).real > 0
        kind = "tail there" if ahead else "tail away"
        text += f", the tail on the {'near' if ahead else 'far'} side"
    return [Number(LAST_POINTING, text, kinds={kind: 1.0}, value=abs(step))]


def step_from(series: GroupSeries, position: int, beside: int) -> complex | None:
    """From a star to where a frame beside has it, px in this frame; None where unknown.

    A frame position p lies at R p + d on the reference; offsets turn with R.  Where this frame
    could not be registered, its stars lie where the frame on the other side has them.
    """
    places = [position - 1, position, position + 1]
    if not 0 <= position + beside < len(series):
        return None
    known = [
        complex(series["dx"][k], series["dy"][k]) if 0 <= k < len(series) else complex(math.nan)
        for k in places
    ]
    turns = [series["rotation_deg"][k] if 0 <= k < len(series) else math.nan for k in places]
    own = 1 if np.isfinite(known[1]) else 1 - beside
    step, turn = known[own] - known[1 + beside], turns[own] - turns[1 + beside]
    if not np.isfinite(step) or not abs(turn) < 1:
        return None
    return step / complex(math.cos(math.radians(turns[own])), math.sin(math.radians(turns[own])))
