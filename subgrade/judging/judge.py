"""From the night to a verdict on every frame: gather findings, weigh them, give the reason."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from subgrade.figures import beside, figure
from subgrade.guiding.model import GuideNight
from subgrade.judging.criteria import eccentricity_limit, fwhm_limit, probability
from subgrade.judging.damage import damaged_frames
from subgrade.judging.displaced_light import Displaced, light_displaced
from subgrade.judging.evidence import Finding, evidence
from subgrade.judging.features import (
    FIXED_PATTERN,
    LIGHT_BESIDE,
    NOT_OF_SESSION,
    STREAK,
    UNREAD_FILE,
    Feature,
)
from subgrade.judging.followed_target import Followed, follow
from subgrade.judging.guided_series import GuidedSeries
from subgrade.judging.light import judge_light, judge_star_count
from subgrade.judging.limits import Limits
from subgrade.judging.model import REMARKED, Judgement
from subgrade.judging.reasons import DIMMING, DISPLACING, MOTIONS, WIDENING
from subgrade.judging.roundness import judge_roundness
from subgrade.judging.sharpness import judge_sharpness
from subgrade.judging.weights import stack_weights
from subgrade.night import usual_of_these
from subgrade.night.model import Frame, FrameCompared, Night
from subgrade.night.series import BROKEN
from subgrade.optional_parts import part
from subgrade.stars.motion import star_trails

NOT_JUDGED = 0.5
"""Confidence in a frame that was kept because nothing could be measured."""


ENOUGH = 5
"""Kept frames that make typical values by themselves: a choice."""
TORN = 3.0
"""Points from which stars that a step drew oval are two images, so that light reads as lost."""


def judge_night(
    night: Night,
    limits: Limits,
    guiding: GuideNight | None = None,
    followed: Followed | None = None,
    damaged: Mapping[int, Finding] | None = None,
) -> tuple[Judgement, ...]:
    """A verdict on every frame of the night.

    Parameters
    ----------
    night : Night
    limits : Limits
    guiding : GuideNight, optional
        The guiding record; it sharpens reasons and never decides a verdict.
    followed : Followed, optional
        The trails that all frames share, as `follow` found them; looked for when not given.
    damaged : mapping of int to Finding, optional
        Frames with damaged pixels, as `damaged_frames` found them; looked for when not given.

    Returns
    -------
    tuple of Judgement
        In the order of ``night.frames``.
    """
    followed = follow(night, None, guiding) if followed is None else followed
    night = followed.night
    damaged = damaged_frames(night, limits) if damaged is None else damaged
    verdicts: list[Judgement | None] = [None] * len(night.frames)
    for number, group in enumerate(night.groups):
        with part(f"the verdicts on {group.label}"):
            for i, judgement in _judge_group(followed, number, guiding, limits, damaged).items():
                verdicts[i] = judgement
    judged = {i for group in night.groups for i in group.members}
    for i, verdict in enumerate(verdicts):
        if verdict is None and (i in judged or night.compared[i].failed):
            verdicts[i] = not_judged(night.frames[i].name)
        elif verdict is None:
            note = night.compared[i].stray_note or "it belongs to no group of this session"
            verdicts[i] = left_out(night.frames[i].name, "wrong_frame", note)
    return tuple(verdicts)


def _judge_group(
    followed: Followed,
    number: int,
    guiding: GuideNight | None,
    limits: Limits,
    damaged: Mapping[int, Finding],
) -> dict[int, Judgement]:
    """The verdicts on a group's frames by their place in the night."""
    night = followed.night
    series = followed.series_of(number, guiding)
    tilt = series.fixed.worst_eccentricity if series.fixed else float("nan")

    def judged_by(series: GuidedSeries) -> list[Judgement]:
        return [
            _damaged(night.frames[i], damaged[i])
            if i in damaged
            else _judge_frame(series, place, night.frames[i], night.compared[i], tilt, limits)
            for place, i in enumerate(series.members)
        ]

    judged = judged_by(series)
    better = _without_rejects(night, series, judged, limits)
    if better is not None:
        series = better
        judged = judged_by(series)
    weights = stack_weights(series, np.array([j.verdict == "keep" for j in judged]))
    return {
        i: replace(followed.with_trail(i, judgement), weight=float(weight))
        for i, judgement, weight in zip(series.members, judged, weights, strict=True)
    }


def _without_rejects(
    night: Night, series: GuidedSeries, judged: list[Judgement], limits: Limits
) -> GuidedSeries | None:
    """The series with typical values that leave rejects out; None where it makes no difference.

    Many bad frames move the typical values towards themselves and hide one another.  What they
    move by less than the limits are meant exactly is left as the whole group has it.
    """
    kept = [i for i, j in zip(series.members, judged, strict=True) if j.verdict == "keep"]
    if not ENOUGH <= len(kept) < len(judged):
        return None
    group, scale = usual_of_these(night, series.group, kept), series.scale_arcsec
    better = replace(series, group=group)
    width, oval = (
        [of(s) for s in (series, better)]
        for of in (
            lambda s: fwhm_limit(s.usual("fwhm_px"), scale if scale > 0 else None, limits),
            lambda s: eccentricity_limit(s.usual("eccentricity"), limits),
        )
    )
    moved = abs(width[1] - width[0]) > limits.sharpness.softness * width[0]
    turned = abs(oval[1] - oval[0]) > limits.roundness.softness
    return better if moved or turned else None


def not_judged(frame: str) -> Judgement:
    """The verdict on a measured frame where comparing or judging itself failed: it stays."""
    found = "not judged, as subgrade failed while comparing it with the others."
    return Judgement(frame, "keep", (), f"Kept: {found}", NOT_JUDGED, 1.0, found=found)


def left_out(frame: str, reason: str, note: str, feature: Feature | None = None) -> Judgement:
    """The verdict on a frame that was never measured against others.

    Parameters
    ----------
    frame : str
        Its name.
    reason : str
        ``wrong_frame`` or ``unreadable``.
    note : str
        What is wrong with it, no full stop.
    feature : Feature, optional
        What the evidence is of, where that is not the file or the session;
        `subgrade.judging.features.NOT_MEASURED` for a file that may be sound.
    """
    unreadable = reason == "unreadable"
    item = evidence(reason, feature or (UNREAD_FILE if unreadable else NOT_OF_SESSION), 6.0, note)
    return Judgement(
        frame,
        "unreadable" if unreadable else "reject",
        (reason,),
        f"{'Not graded' if unreadable else 'Rejected'}: {note}.",
        1.0 if unreadable else round(probability(6.0), 3),
        0.0,
        (item,),
        1.0 if unreadable else round(probability(6.0), 3),
        found=f"{note}.",
    )


def _damaged(frame: Frame, finding: Finding) -> Judgement:
    """A frame with damaged pixels: what else was measured on it shows the damage, not the sky."""
    opening, found = _explanation("reject", [finding], [], [finding])
    return Judgement(
        frame.name,
        "reject",
        (finding.reason,),
        f"{opening}: {found}",
        round(_confidence("reject", [finding], [finding]), 3),
        0.0,
        finding.evidence,
        _cause_confidence([finding], "reject"),
        found=found,
    )


def _judge_frame(
    series: GuidedSeries,
    place: int,
    frame: Frame,
    compared: FrameCompared,
    tilt: float,
    limits: Limits,
) -> Judgement:
    stars = frame.stars
    findings = [
        *_found(series, place, frame, compared, limits),
        *_remarks(frame, tilt, limits),
    ]
    barely = stars.stars < limits.stars.few_share * series.usual("stars").centre
    # So few stars judge their shape badly; what took the others comes first.
    findings.sort(key=lambda f: (not (barely and f.rejects and f.reason in DIMMING), -f.points))
    rejecting = [f for f in findings if f.rejects]
    remarks = [f for f in findings if f.remark and not f.rejects]
    verdict = "reject" if rejecting else "keep"
    given = [*rejecting, *remarks]
    first = {f.reason: f for f in reversed(given)}
    reasons = tuple(dict.fromkeys(f.reason for f in given))
    opening, found = _explanation(verdict, rejecting, remarks, findings)
    return Judgement(
        frame.name,
        verdict,
        reasons,
        f"{opening}: {found}",
        round(min(_confidence(verdict, rejecting, findings), _by_night(verdict, stars, limits)), 3),
        0.0,
        tuple(dict.fromkeys(item for f in findings for item in f.evidence)),
        _cause_confidence(given, verdict),
        tuple(first[word].shares for word in reasons if first[word].shares),
        found,
    )


def _found(
    series: GuidedSeries, place: int, frame: Frame, compared: FrameCompared, limits: Limits
) -> list[Finding]:
    """What shape, light, star count and width show, each cause named once."""
    stars, facts = frame.stars, frame.facts
    shape = judge_roundness(series, place, stars, facts, limits)
    light = judge_light(series, place, compared, limits)
    if stars.shape_status in BROKEN or any(f.reason == "bump" and f.points > TORN for f in shape):
        # lines and pairs are no stars to match or to measure a width of
        return _one_story([*shape, *_undimmed(light)])
    moved = light_displaced(series, place, stars, compared, limits)
    if moved is not None:
        light = _moved(light, moved)
    gone = judge_star_count(series, place, stars, compared, limits)
    if any(f.rejects and f.reason in DISPLACING for f in gone):
        light = _undimmed(light)
    if moved is not None and any(f.rejects and f.reason == moved.reason for f in light):
        shape = _drawn_by(moved, shape)
    width = judge_sharpness(series, place, facts.scale_arcsec, limits)
    light = [_of_width(f, width) for f in light]
    return _one_story([*shape, *light, *gone, *width])


def _of_width(finding: Finding, width: list[Finding]) -> Finding:
    """Depth that wide stars cost, named by what widened them."""
    if width and finding.reason in WIDENING and finding.reason not in DIMMING:
        return finding.named(width[0].reason, width[0].shares)
    return finding


def _undimmed(light: list[Finding]) -> list[Finding]:
    """Light findings without what reads as lost because the stars could not be matched."""
    return [f for f in light if f.reason not in DIMMING]


def _drawn_by(moved: Displaced, shape: list[Finding]) -> list[Finding]:
    """Stars drawn towards their own second image were drawn by what made it."""
    return [
        replace(f.named(moved.reason, moved.shares), points=min(f.points, 0.1), sentence=f.brief)
        if f.reason in MOTIONS
        else f
        for f in shape
    ]


def _cause_confidence(given: list[Finding], verdict: str) -> float:
    """Confidence of the first reason word, NaN where there is none.

    Where it was weighed against other causes, its probability among them; otherwise what is
    seen is as certain as that it rejects, or half as a remark.
    """
    if not given:
        return math.nan
    first = given[0]
    if first.shares:
        return round(first.shares[0][1], 3)
    return round(_held(first.points), 3) if verdict == "reject" else REMARKED


def _moved(light: list[Finding], moved: Displaced) -> list[Finding]:
    """Light findings with what reads as loss given to the cause that moved the light."""
    lost = [f for f in light if f.reason in DIMMING]
    rest = [f for f in light if f.reason not in DIMMING]
    points = max(
        [f.points for f in lost] + ([moved.points] if np.isfinite(moved.points) else []),
        default=0.0,
    )
    numbers = tuple(e for f in lost for e in f.evidence)
    main = evidence(moved.reason, LIGHT_BESIDE, points, moved.text, value=moved.share)
    return [
        *rest,
        Finding(
            moved.reason,
            points,
            True,
            moved.text,
            (main, *moved.evidence, *numbers),
            shares=moved.shares,
        ),
    ]


def _one_story(findings: list[Finding]) -> list[Finding]:
    """Give the increase in FWHM that dew explains to dew, so one cause is not named twice."""
    both = [
        f.reason for f in findings if f.reason in DIMMING and f.reason in WIDENING and f.points > 0
    ]
    return [
        replace(f.named(both[0]), sentence=f"stars are bloated with it: {f.brief}")
        if both and f.reason in WIDENING and f.reason not in DIMMING
        else f
        for f in findings
    ]


def _remarks(frame: Frame, tilt: float, limits: Limits) -> list[Finding]:
    """What a person should know that rejects nothing by itself."""
    found = []
    trails = star_trails(frame.stars)
    for streak in frame.stars.streaks:
        if streak in trails:
            continue
        text = (
            f"a streak {figure(streak.length_px, 'px')} long crosses the frame from "
            f"({streak.x1:.0f}, {streak.y1:.0f}) to ({streak.x2:.0f}, {streak.y2:.0f})"
        )
        item = evidence("satellite_trail", STREAK, 0.0, text, value=streak.length_px)
        found.append(Finding("satellite_trail", 0.0, True, text, (item,)))
    if tilt > limits.field.tilt_eccentricity and frame.stars.shape_field is not None:
        worst, bar = beside(tilt, limits.field.tilt_eccentricity)
        text = (
            f"star shapes follow the same pattern across the field in every frame, with "
            f"eccentricity {worst} in the worst corner (remark from {bar})"
        )
        item = evidence(
            "tilt_or_coma",
            FIXED_PATTERN,
            0.0,
            text,
            value=tilt,
            limit=limits.field.tilt_eccentricity,
        )
        found.append(Finding("tilt_or_coma", 0.0, True, text, (item,)))
    return found


def _confidence(verdict: str, rejecting: list[Finding], findings: list[Finding]) -> float:
    if verdict == "reject":
        return _held(rejecting[0].points)
    deciding = [f.points for f in findings if f.points != 0]
    return _held(-max(deciding)) if deciding else NOT_JUDGED


def _by_night(verdict: str, stars, limits: Limits) -> float:
    """Highest confidence of a keep that rests on a night as oval throughout.

    1 for others.  Between the ordinary limit and the ceiling the verdict turns from a
    matter of the night to one of taste; counted on practice nights.
    """
    r = limits.roundness
    if verdict != "keep" or not stars.eccentricity > r.floor or r.ceiling <= r.floor:
        return 1.0
    beyond = (stars.eccentricity - r.floor) / (r.ceiling - r.floor)
    return float(np.interp(beyond, [0.2, 0.5, 1.0], [0.95, 0.6, NOT_JUDGED]))


def _held(points: float) -> float:
    """Probability that holds: points near a limit are twice too sure, those at the cap are not.

    Limits are a matter of taste within their softness.  Fitted to practice nights
    (docs/confusion.md counts how well it holds): p / 2 near 0, p again at 7.
    """
    return probability(points / 2 + 3.5 * (points / 7.0) ** 3)


def _explanation(verdict: str, rejecting, remarks, findings) -> tuple[str, str]:
    """The verdict in words, and what was found."""
    if verdict == "reject":
        return "Rejected", f"{_joined(rejecting)}."
    if remarks:
        return "Kept, with a remark", f"{_joined(remarks)}."
    measured = [f.brief for f in findings if f.brief]
    if not measured:
        return "Kept", "it could not be measured, so nothing counts against it."
    return "Kept", "; ".join(measured) + "."


def _joined(findings: list[Finding]) -> str:
    return ". Also ".join(dict.fromkeys(f.sentence for f in findings))
