"""The mount followed a moving target: the trail that all frames share is left out of judging.

The user states the target's motion, or the frames show it (`subgrade.night.common_trail`).  A
mount that drifts unguided leaves the same trail; then only the record, or else the observer,
knows which it was.  Along declination it is taken for the drift of a misaligned polar axis, which
any mount may have; along other lines frames that differ in nothing are judged on what is left
without the common trail, none of them kept for sure.  A remark on the night states it.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field, replace

import numpy as np

from subgrade.axes import axial_difference, axial_median
from subgrade.figures import figure, length_text, on_sky
from subgrade.guiding.model import GuideNight
from subgrade.judging.evidence import evidence
from subgrade.judging.features import TRAIL_TAKEN_OUT
from subgrade.judging.guided_series import GuidedSeries, guided_series
from subgrade.judging.model import Judgement
from subgrade.night import (
    Creep,
    ExpectedMotion,
    ExpectedTrail,
    creep_of,
    image_axis,
    leaning_axis,
    restated,
    seen_trail,
    star_at_rest,
)
from subgrade.night.model import Night
from subgrade.stars.motion import light_beside, without_trail

WRONG_DEG, WRONG_TIMES = 15.0, 1.5
"""A creep this far from what the user expects contradicts it; no source."""
HELD = 0.3
"""The guider held its star when its record shows less than this share of the trail; no source."""
ALONG_DEG = 15.0
"""How near declination a trail is taken for drift: a target's lies so by chance once in six."""
UNSURE = 0.8
"""Confidence of a keep at most where the trail may be the drift of a mount that followed nothing.
Of seven such nights of one simulation two were drifts; a choice."""
COMET = re.compile(r"(?<![A-Za-z0-9])(?:\d*[CPDI]/|comet|asteroid|minor planet)", re.IGNORECASE)
"""Marks of a moving target's name: the designations of the IAU, and plain words."""
LEFT = "frames are judged without that trail"
ASK = "if the mount followed a moving target, --expected-motion leaves its trail out"


@dataclass(frozen=True, slots=True)
class Followed:
    """The night without its common trails, the trails, and the remarks on them.

    ``beside`` holds, by index into ``Night.frames``, the share of the light beside the trail;
    ``series`` every group's frames side by side, without their common trail; ``unsure`` the groups
    whose trail may also be the drift of a mount that followed nothing.
    """

    night: Night
    trails: tuple[ExpectedTrail, ...]
    remarks: tuple[str, ...]
    beside: dict[int, float] = field(default_factory=dict)
    series: tuple[GuidedSeries, ...] = ()
    unsure: frozenset[int] = frozenset()

    def with_trail(self, frame: int, judgement: Judgement) -> Judgement:
        """A frame's verdict with a word on the trail taken out of its shape, if one was."""
        trail = self.trail_of(frame)
        if trail is None:
            return judgement
        length, angle = trail
        size = length_text(length, self.night.frames[frame].facts.scale_arcsec)
        text = (
            f"the trail that all frames share, {size} at {figure(angle, '°')}, is left out of "
            "shape and width"
        )
        item = evidence("dec_drift", TRAIL_TAKEN_OUT, 0.0, text, value=length)
        more = f" {text[0].upper()}{text[1:]}."
        sure = judgement.confidence
        if judgement.verdict == "keep" and self.night.compared[frame].group in self.unsure:
            sure = min(sure, UNSURE)
        return replace(
            judgement,
            confidence=sure,
            explanation=judgement.explanation + more,
            found=judgement.found + more,
            evidence=(*judgement.evidence, item),
        )

    def series_of(self, number: int, guiding: GuideNight | None) -> GuidedSeries:
        """One group's series to be judged by, see `laid`."""
        if self.series and self.series[number].guiding is guiding:
            return self.laid(self.series[number])
        return self.laid(guided_series(self.night, self.night.groups[number], guiding))

    def laid(self, series: GuidedSeries) -> GuidedSeries:
        """A group's series with light thrown across its trail in place of along the long axis.

        Less the usual share, since every trail has its stars' wings at its side.
        """
        if not any(self.trail_of(i) for i in series.members):
            return series
        beside = np.array([self.beside.get(i, np.nan) for i in series.members])
        usual = np.nanmedian(beside) if np.isfinite(beside).any() else 0.0
        return replace(series, columns={**series.columns, "stray": beside - usual})

    def trail_of(self, frame: int) -> tuple[float, float] | None:
        """Length (px) and axis (deg) taken out of one frame; None if none was."""
        for trail in self.trails:
            for index, length, angle in trail.trails:
                if index == frame:
                    return length, angle
        return None


def follow(
    night: Night, asked: ExpectedMotion | None = None, guiding: GuideNight | None = None
) -> Followed:
    """Take the trail that every frame shares out of the night.

    Parameters
    ----------
    night : Night
    asked : ExpectedMotion, optional
        Used for every group; without it each group is asked whether it shows one.
    guiding : GuideNight, optional

    Returns
    -------
    Followed
        The night itself where no group has such a trail.
    """
    trails, remarks, sides, unsure = [], [], [], set()
    for number, group in enumerate(night.groups):
        series = guided_series(night, group, guiding)
        sides.append(series)
        creep = creep_of(series)
        if asked is not None:
            found, remark = _asked(night, number, series, creep, asked)
        else:
            found, remark, sure = _seen(number, series, creep)
            unsure |= set() if sure else {number}
        trails += [found] if found else []
        remarks += [f"{group.label}: {remark}"] if remark else []
    stars, beside = {}, {}
    for trail in trails:
        rest = star_at_rest(night, trail)
        for index, length, angle in trail.trails:
            seen = night.frames[index].stars
            stars[index] = without_trail(seen, length, angle, rest)
            beside[index] = light_beside(seen, angle)
    held = restated(night, stars) if stars else night
    for number in {trail.group for trail in trails}:
        sides[number] = guided_series(held, held.groups[number], guiding)
    return Followed(held, tuple(trails), tuple(remarks), beside, tuple(sides), frozenset(unsure))


def _asked(night: Night, number: int, series: GuidedSeries, creep, asked: ExpectedMotion):
    """The trail the user expects, unless the frames plainly contradict it."""
    scale, exposure = series.scale_arcsec, series.group.exposure_s
    if not (scale > 0 and exposure):
        return None, (
            "the expected motion is not taken out: the image scale or the exposure time is "
            "unknown (--scale gives the scale)"
        )
    length = asked.rate_arcsec_per_h / 3600 * exposure / scale
    sure = creep is not None and creep.error_px < 0.2 * creep.length_px
    angles = np.array(
        [image_axis(night.frames[i].facts.sky_axes, asked.pa_deg) for i in series.members]
    )
    rate = f"{figure(*on_sky(length, scale))} an exposure ({figure(asked.rate_arcsec_per_h, '″')}/h"
    if np.isfinite(angles).any():
        angles = np.where(np.isfinite(angles), angles, axial_median(angles))
        how = f"{rate} towards position angle {figure(asked.pa_deg, '°')})"
    else:
        axis = creep.angle_deg if sure else leaning_axis(series)
        angles = (axis - series["rotation_deg"]) % 180.0
        angles = np.where(np.isfinite(angles), angles, axis % 180.0)
        how = (
            f"{rate}); the headers do not give the camera's angle, so the position angle is not "
            "used and the direction is taken from "
            + ("the drift of the field" if sure else "the stars of all frames")
        )
    if not np.isfinite(angles).all():
        return None, "the expected motion is not taken out: no direction for it is known"
    middle = axial_median(angles)
    if sure and not np.isclose(length, 0):
        off = float(
            np.median(
                axial_difference(angles + series["rotation_deg"], creep.angle_deg)[
                    np.isfinite(series["rotation_deg"])
                ]
            )
        )
        times = creep.length_px / length
        if off > WRONG_DEG or not 1 / WRONG_TIMES < times < WRONG_TIMES:
            return None, (
                f"the expected motion is not taken out: it would trail the stars by {how}, but the "
                f"field drifts by {figure(*on_sky(creep.length_px, scale))} an exposure, "
                f"{figure(off, '°')} from that direction"
            )
    trails = tuple((i, length, float(a)) for i, a in zip(series.members, angles, strict=True))
    remark = (
        f"stars trail by {length_text(length, scale)} at {figure(middle, '°')} in every frame, "
        f"because the mount follows a moving target: --expected-motion gives {how}; {LEFT}"
    )
    return ExpectedTrail(number, length, middle, True, trails), remark


def _seen(number: int, series: GuidedSeries, creep: Creep | None):
    """The trail that the frames show, unless it is drift, and whether that is sure."""
    trail = seen_trail(number, series, creep)
    held = None if trail is None else _guider_held(series, trail.length_px)
    if trail is None or held is False:
        return None, "", True
    sure = bool(held or _named(series))
    drift = not sure and 90.0 - _off_ra(series, trail) < ALONG_DEG
    if not drift and (trail.crept is not False or _named(series)):
        return trail, _remark(series, trail, held), sure
    why = "though the field does not drift along with it from frame to frame"
    if trail.crept is not False:
        why = "in Dec, as a misaligned polar axis makes them drift unless guiding corrects it"
    return None, f"most frames are drawn alike, by {_drawn(series, trail)}, {why}; {ASK}", True


def _named(series: GuidedSeries) -> bool:
    """Whether the target is a moving one by its name."""
    return bool(series.group.target and COMET.search(series.group.target))


def _drawn(series: GuidedSeries, trail: ExpectedTrail) -> str:
    """The trail's length and direction in words."""
    return f"{length_text(trail.length_px, series.scale_arcsec)} at {figure(trail.angle_deg, '°')}"


def _off_ra(series: GuidedSeries, trail: ExpectedTrail) -> float:
    """Angle between the trail and right ascension, deg; NaN unknown."""
    if not np.isfinite(series.axis_angle).any():
        return float("nan")
    angles = {index: angle for index, _, angle in trail.trails}
    mine = np.array([angles[i] for i in series.members])
    return float(np.nanmedian(axial_difference(mine, series.axis_angle)))


def _remark(series: GuidedSeries, trail: ExpectedTrail, held: bool | None) -> str:
    scale, exposure = series.scale_arcsec, series.group.exposure_s
    text = f"stars trail by {_drawn(series, trail)} in every frame"
    if trail.crept:
        text += ", and the field drifts from frame to frame by as much along the same line"
    if scale > 0 and exposure:
        text += f" ({figure(trail.length_px * scale / exposure * 3600, '″')}/h)"
    if trail.crept is False:
        text += ", though the field seems to drift otherwise from frame to frame"
    elif not trail.crept:
        text += (
            "; how the field drifts from frame to frame is unknown"
            if exposure
            else "; without an exposure time the drift of the field cannot be compared with it"
        )
    if _named(series):
        text += f": the mount follows a moving target, by its name {series.group.target}"
    elif held:
        text += (
            ": the mount follows a moving target, since the guider held its star; if it followed "
            "none, this is differential flexure all night"
        )
    else:
        text += ": the mount follows a moving target, or it was not guided and drifts steadily"
        if _off_ra(series, trail) < ALONG_DEG:
            text += " in RA, as with a wrong tracking rate"
        text += "; the frames cannot show which (--expected-motion gives the target's motion)"
    return f"{text}; {LEFT}"


def _guider_held(series: GuidedSeries, length_px: float) -> bool | None:
    """Whether the record shows far less than the trail; None without a record."""
    exposure, scale = series.group.exposure_s, series.scale_arcsec
    if not exposure:
        return None
    crept = [
        math.hypot(e.drift_ra, e.drift_dec) * exposure / 60
        for e in (series.exposure(k) for k in range(len(series)))
        if e is not None
    ]
    crept = [c for c in crept if math.isfinite(c)]
    if len(crept) < 0.5 * len(series) or not scale > 0:
        return None
    return float(np.median(crept)) < HELD * length_px * scale
