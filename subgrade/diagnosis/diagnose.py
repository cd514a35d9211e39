"""From the judged night to its story and the advice for the next: gather, rank, sum up."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from subgrade.diagnosis.flexure import flexure
from subgrade.diagnosis.focus import focus, seeing
from subgrade.diagnosis.following_the_sky import ALTAZIMUTH, UNGUIDED, following_the_sky
from subgrade.diagnosis.model import Advice, Diagnosis, Loss, NightFinding
from subgrade.diagnosis.night_view import NightView, view_of
from subgrade.diagnosis.polar_axis import dec_drift, polar_axis, pole_numbers, turning_field
from subgrade.diagnosis.right_ascension import backlash, guide_exposure, oscillation, periodic_error
from subgrade.diagnosis.sky import cloud, dew, sky_glow
from subgrade.diagnosis.tracking_and_files import (
    bump,
    late_dither,
    optics,
    tracking,
    trails,
    unusable,
)
from subgrade.diagnosis.typical_numbers import (
    ELONGATED,
    LIMIT_OF_SHARPNESS,
    POOR_THROUGHOUT,
    all_night,
    guiding_rms,
    limit_of_sharpness,
    poor_throughout,
    typical,
)
from subgrade.diagnosis.wind import wind
from subgrade.diagnosis.wording import LIKELY, duration, number
from subgrade.figures import counted
from subgrade.guiding.model import GuideNight
from subgrade.judging.features import FWHM
from subgrade.judging.limits import Limits
from subgrade.judging.model import Judgement
from subgrade.judging.reasons import REASONS, SURPLUS, unreadable_text
from subgrade.night import ExpectedTrail
from subgrade.night.model import Night
from subgrade.optional_parts import attempt, part
from subgrade.record.model import GuideRecord

CHECKS = (
    following_the_sky,
    polar_axis,
    dec_drift,
    turning_field,
    oscillation,
    periodic_error,
    guide_exposure,
    backlash,
    flexure,
    wind,
    focus,
    seeing,
    cloud,
    dew,
    sky_glow,
    late_dither,
    bump,
    tracking,
    optics,
    trails,
)

GUESS = 0.3
"""Sureness below which a cause that cost no frame is left out: a choice."""
FIRST = (UNGUIDED, ALTAZIMUTH)
"""Findings that stand before those that cost more: they explain them."""
IN_SHORT = {
    UNGUIDED: "The mount was not guided.",
    ALTAZIMUTH: "The mount is an alt-azimuth one, and the field rotates.",
}
"""What the first sentences say of them."""
OF_THE_SKY = ("cloud", "poor seeing")
"""Findings whose advice only plans around the sky."""
ON_GUIDING = (UNGUIDED, "RA oscillation", "periodic error", "guide exposure", "wind")
"""Findings whose advice is on how to guide better."""
FEW = 3
"""Frames from which a night is called good: a choice."""
MOST_LOSSES = 3
"""Losses named in the first sentence."""


def diagnose_night(
    night: Night,
    verdicts: Sequence[Judgement],
    guiding: GuideNight | None,
    limits: Limits,
    unreadable: Sequence[tuple[str, str]] = (),
    *,
    decided: Sequence[Judgement] | None = None,
    other_kind: Sequence[tuple[Judgement, float]] = (),
    unmeasured: Sequence[tuple[Judgement, float]] = (),
    trails: Sequence[ExpectedTrail] = (),
    record: GuideRecord | None = None,
) -> Diagnosis:
    """What happened in a night and what to change in the next.

    Parameters
    ----------
    night : Night
    verdicts : sequence of Judgement
        One a frame, in the order of ``night.frames``.
    guiding : GuideNight or None
        The record, only where its clock is settled.
    limits : Limits
        Those of the verdicts.
    unreadable : sequence of (str, str)
        Files that could not be read, and why.
    decided : sequence of Judgement, optional
        The verdicts as a person's marks left them: what was kept and lost is counted by
        these, causes are read from ``verdicts``.
    other_kind : sequence of (Judgement, float)
        Files rejected by their header, and their integration time, s.
    unmeasured : sequence of (Judgement, float)
        Files that the program itself failed on, and their integration time, s.
    trails : sequence of ExpectedTrail
        Trails common to all frames of a group that were taken out of ``night``.
    record : GuideRecord, optional
        The guiding record whose clock could not be settled: it shows that somebody guided.

    Returns
    -------
    Diagnosis
    """
    record = guiding.record if guiding is not None else record
    view = view_of(night, verdicts, guiding, limits, trails, record)
    graded = view
    if decided is not None:
        graded = view_of(night, decided, guiding, limits, trails, record)
    findings = _findings(view, graded) + attempt(
        "the findings on unusable files",
        lambda: unusable(view, tuple(unreadable), other_kind, unmeasured),
        [],
    )
    findings.sort(key=lambda f: (f.topic not in FIRST, -f.cost_s, -f.sureness))
    losses = attempt(
        "the table of losses",
        lambda: _losses(graded, len(unreadable), other_kind, unmeasured),
        (),
    )
    kept = graded.cost(graded.kept())
    lost = round(sum(row.lost_s for row in losses if row.reason != SURPLUS), 1)
    return Diagnosis(
        attempt(
            "the diagnosis in a sentence",
            lambda: _summary(graded, kept, lost, losses, findings, len(unmeasured)),
            f"{len(graded.kept())} of {counted(len(graded))} kept.",
        ),
        kept,
        lost,
        attempt("the typical values", lambda: typical(graded), ()),
        losses,
        tuple(findings),
        attempt("the advice", lambda: _ranked_advice(findings, _seconds(graded, other_kind)), ()),
        attempt("the notes on the diagnosis", lambda: _notes(view), ()),
        attempt("the numbers on the polar axis", lambda: pole_numbers(view), ()),
    )


def _findings(view: NightView, graded: NightView) -> list[NightFinding]:
    """What each check finds; one that fails takes no other along."""
    found = []
    for check in CHECKS if len(view) else ():
        with part(f"the finding on {check.__name__.replace('_', ' ')}"):
            item = check(view)
            found += [item] if item is not None and _is_news(view, item) else []
    with part("the finding on sharpness"):
        sharpness = limit_of_sharpness(graded)
        found += [sharpness] if sharpness else []
    with part("the finding on stars that were poor all night"):
        found += poor_throughout(view)
    return found


def _is_news(view: NightView, found: NightFinding) -> bool:
    """What is a mere guess and cost no frame is no news."""
    return not found.reason or found.sureness >= GUESS or bool(view.lost_to(found.reason))


def _losses(view: NightView, unreadable: int, other_kind, unmeasured) -> tuple[Loss, ...]:
    judgements = (*view.verdicts, *(judgement for judgement, _ in other_kind))
    words = dict.fromkeys(v.reasons[0] for v in judgements if v.verdict == "reject" and v.reasons)
    rows = []
    for word in words:
        frames = view.lost_to(word)
        others = [seconds for judgement, seconds in other_kind if judgement.reasons[0] == word]
        cost = round(view.cost(frames) + sum(others), 1)
        count = len(frames) + len(others)
        rows.append(Loss(word, REASONS[word].short, count, cost, view.spans(frames)))
    if unreadable or unmeasured:
        text = unreadable_text(unreadable, len(unmeasured))
        cost = round(sum(seconds for _, seconds in unmeasured), 1)
        rows.append(Loss("unreadable", text, unreadable + len(unmeasured), cost, ()))
    # a choice is no loss of the night
    return tuple(sorted(rows, key=lambda r: (r.reason == SURPLUS, -r.lost_s, -r.frames, r.reason)))


def _ranked_advice(
    findings: Sequence[NightFinding], seconds: Mapping[str, float]
) -> tuple[Advice, ...]:
    """All advice, most time saved first; what two findings ask alike stands once.

    Of equal savings those come first that are in a person's hands: the sky is not.
    ``seconds`` is the integration time of each frame.
    """
    found: dict[str, Advice] = {}
    all_advice = [a for f in findings for a in f.advice]
    special = any(a.topic in ON_GUIDING for a in all_advice)
    known = any(f.topic == ALTAZIMUTH or (f.topic in FIRST and f.advice) for f in findings)
    for item in all_advice:
        if known and item.topic == ELONGATED:
            continue  # it asks what moved the mount, and that is known
        if special and item.topic == LIMIT_OF_SHARPNESS:
            continue  # it asks for better guiding, and the others state how
        if item.action not in found or found[item.action].saves_s < item.saves_s:
            found[item.action] = item
    return _counted_once(
        sorted(found.values(), key=lambda a: (-a.saves_s, a.topic in OF_THE_SKY, -a.sureness)),
        seconds,
    )


def _counted_once(advice: Sequence[Advice], seconds: Mapping[str, float]) -> tuple[Advice, ...]:
    """The same advice, each with what it saves in words and how much of it counts before.

    Two changes may cure the same frames, whose time can be saved only once.
    """
    out: list[Advice] = []
    for item in advice:
        mine = set(item.frames)
        same = next((k for k, a in enumerate(out, 1) if mine and mine <= set(a.frames)), None)
        before = mine & {name for a in out for name in a.frames}
        shared = sum(seconds.get(name, 0.0) for name in before)
        saves = f"could save up to {duration(item.saves_s)}" if item.saves_s else ""
        if saves and same is not None:
            saves += f", the same as {same}"
        elif saves and shared:
            saves += f", of which {duration(shared)} count above"
        out.append(replace(item, saves=saves))
    return tuple(out)


def _seconds(view: NightView, other_kind) -> dict[str, float]:
    """Integration time of each frame of the night and of each calibration frame, s."""
    frames = {v.frame: float(s) for v, s in zip(view.verdicts, view.exposure_s, strict=True)}
    return frames | {judgement.frame: seconds for judgement, seconds in other_kind}


def _summary(view: NightView, kept, lost, losses, findings, unmeasured: int = 0) -> str:
    """What was kept and lost to what, and how sharp and well guided the kept frames are."""
    unreadable = sum(row.frames for row in losses if row.reason == "unreadable")
    graded = {0: "read", unreadable: "measured"}.get(unmeasured, "read or measured")
    total = len(view.kept()) + sum(row.frames for row in losses) - unreadable
    if not total:
        if not unreadable:
            return "There are no frames to diagnose."
        return f"No frame could be {graded} ({counted(unreadable, 'file')})."
    stars = _stars(view) + _guiding(view)
    stars += "".join(
        f" {IN_SHORT[f.topic]}" for f in findings if f.topic in FIRST and f.sureness >= LIKELY
    )
    if len(view.kept()) == total and not unreadable:
        every = {1: "1 frame", 2: "both frames"}.get(total, f"all {counted(total)}")
        text = f"{every} kept{_in(kept)}"
        poor = dict.fromkeys(
            POOR_THROUGHOUT[f.topic] for f in findings if f.topic in POOR_THROUGHOUT
        )
        if poor:
            how = " and ".join(poor)
            return f"{text.capitalize()}, but stars were {how}{all_night(total)}.{stars}"
        # One or two frames have little to be compared with.
        if total < FEW or any(f.advice or f.topic in FIRST for f in findings):
            return f"{text.capitalize()}.{stars}"
        return f"Nothing went wrong: {text}.{stars}"
    text = f"{len(view.kept()) or 'None'} of {counted(total)} kept{_in(kept)}"
    parts = [
        f"{row.text} {duration(row.lost_s) if row.lost_s else counted(row.frames)}"
        for row in losses
        if row.reason not in ("unreadable", SURPLUS)
    ]
    if lost:
        text += f", {duration(lost)} lost"
    if parts:
        largest = len(parts) > MOST_LOSSES
        text += "; largest losses: " if largest else ": " if lost else "; lost to "
        text += ", ".join(parts[:MOST_LOSSES])
    for row in losses:
        if row.reason == SURPLUS:
            text += f"; {counted(row.frames)} left out by choice{_in(row.lost_s)}"
    if unreadable:
        text += f"; {counted(unreadable, 'file')} could not be {graded}"
    return text + "." + stars


def _in(seconds: float) -> str:
    """Integration time in brackets; empty where no header gives it."""
    return f" ({duration(seconds)})" if seconds else ""


def _stars(view: NightView) -> str:
    """The median width of the kept frames, the group named where there are several."""
    widths = [number(q.value, None, q.unit) for q in typical(view) if q.name == FWHM.label]
    if not widths:
        return ""
    pixels, arcsec = widths[0], widths[1:]
    group = max(view.night.groups, key=lambda g: len(g.members))
    of = f" of {group.label}" if len(view.night.groups) > 1 else ""
    kept = [k for k in group.members if view.verdicts[k].verdict == "keep"]
    text = f"{arcsec[0]} ({pixels})" if arcsec else pixels
    if len(kept or group.members) == 1:
        return f" FWHM of the {'kept ' if kept else ''}frame{of}: {text}."
    return f" Median FWHM of the {'kept ' if kept else ''}frames{of}: {text}."


def _guiding(view: NightView) -> str:
    """The night's guiding RMS; empty without a record."""
    parts = [
        f"{axis} {number(value, None, '″')}"
        for axis, value in zip(view.axes(), guiding_rms(view), strict=True)
        if math.isfinite(value)
    ]
    if not parts:
        return ""
    if len(view.kept() or view.verdicts) == 1:
        return f" Guiding RMS {', '.join(parts)}."
    whose = "the kept" if view.kept() else "all"
    return f" Guiding RMS {', '.join(parts)}, median of {whose} frames."


def _notes(view: NightView) -> tuple[str, ...]:
    found = []
    if not len(view):
        return ()
    if view.guiding is None:
        found.append(
            "without a usable guiding record (--guide), motion is judged from the images alone, "
            "with fair confidence at best"
        )
    elif view.guiding.record.axes != "ra_dec":
        found.append(
            "the guiding record gives camera axes, not RA and Dec: no findings on the mount"
        )
    if not (view.start == view.start).any():
        found.append("the headers give no times, so spans and drift rates are unknown")
    scale = view.common("scale_arcsec")
    if scale != scale:
        found.append("the image scale is unknown, so star sizes are in pixels; give --scale")
    if len(view) < 8:
        found.append(f"only {counted(len(view))}: too few for trends")
    return tuple(found)
