"""From the judged night to its story and the advice for the next: gather, rank, sum up."""

from __future__ import annotations

from collections.abc import Sequence

from subgrade.causes.limits import Limits
from subgrade.causes.model import Judgement
from subgrade.causes.reasons import REASONS
from subgrade.diagnosis.flexure import flexure
from subgrade.diagnosis.focus import focus, seeing
from subgrade.diagnosis.handling import bump, late_dither, optics, tracking, trails, unusable
from subgrade.diagnosis.model import Advice, Diagnosis, Finding, Loss
from subgrade.diagnosis.polar import polar_axis, turning_field, uncorrected_creep
from subgrade.diagnosis.right_ascension import backlash, guide_exposure, swing, worm
from subgrade.diagnosis.sky import cloud, dew, sky_glow
from subgrade.diagnosis.usual import (
    LIMIT_OF_SHARPNESS,
    POOR_THROUGHOUT,
    limit_of_sharpness,
    poor_throughout,
    typical,
)
from subgrade.diagnosis.view import NightView, view_of
from subgrade.diagnosis.wind import wind
from subgrade.diagnosis.words import counted, duration, number
from subgrade.guiding.model import GuideNight
from subgrade.night.model import Night

CHECKS = (
    polar_axis, uncorrected_creep, turning_field, swing, worm, guide_exposure, backlash, flexure,
    wind, focus, seeing, cloud, dew, sky_glow, late_dither, bump, tracking, optics, trails,
    limit_of_sharpness,
)  # fmt: skip

GUESS = 0.3
"""Sureness below which a cause that cost no frame is left unsaid: a choice."""
OF_THE_SKY = ("cloud", "seeing")
"""Findings whose advice only plans round what no set-up cures."""
ON_GUIDING = ("swing in right ascension", "periodic error", "guide exposure", "wind")
"""Findings whose advice says how to guide better."""
MOST_LOSSES = 3
"""Losses named in the first sentence."""


def diagnose_night(
    night: Night,
    verdicts: Sequence[Judgement],
    guiding: GuideNight | None,
    limits: Limits,
    unreadable: Sequence[tuple[str, str]] = (),
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

    Returns
    -------
    Diagnosis
    """
    view = view_of(night, verdicts, guiding, limits)
    findings = [f for check in CHECKS if len(view) and (f := check(view)) is not None]
    findings = [f for f in findings if _worth_saying(view, f)]
    findings += poor_throughout(view) + unusable(view, tuple(unreadable))
    findings.sort(key=lambda f: (-f.cost_s, -f.sureness))
    kept = view.cost(view.kept())
    lost = view.cost(range(len(view))) - kept
    losses = _losses(view, len(unreadable))
    return Diagnosis(
        _summary(view, kept, lost, losses, findings, len(unreadable)),
        kept,
        lost,
        typical(view),
        losses,
        tuple(findings),
        _ranked(findings),
        _notes(view),
    )


def _worth_saying(view: NightView, found: Finding) -> bool:
    """What is a mere guess and cost no frame is no news."""
    return not found.reason or found.sureness >= GUESS or bool(view.lost_to(found.reason))


def _losses(view: NightView, unreadable: int) -> tuple[Loss, ...]:
    words = dict.fromkeys(
        v.reasons[0] for v in view.verdicts if v.verdict == "reject" and v.reasons
    )
    rows = [
        Loss(w, REASONS[w].short, len(k := view.lost_to(w)), view.cost(k), view.spans(k))
        for w in words
    ]
    if unreadable:
        rows.append(Loss("unreadable", REASONS["unreadable"].short, unreadable, 0.0, ()))
    return tuple(sorted(rows, key=lambda r: (-r.lost_s, -r.frames, r.reason)))


def _ranked(findings: Sequence[Finding]) -> tuple[Advice, ...]:
    """All advice, most time saved first; what two findings say alike is said once.

    Of equal savings those come first that a person can have: no set-up cures the sky.
    """
    found: dict[str, Advice] = {}
    all_advice = [a for f in findings for a in f.advice]
    special = any(a.topic in ON_GUIDING for a in all_advice)
    for item in all_advice:
        if special and item.topic == LIMIT_OF_SHARPNESS:
            continue  # it asks for better guiding, and the others say how
        if item.action not in found or found[item.action].saves_s < item.saves_s:
            found[item.action] = item
    return tuple(
        sorted(found.values(), key=lambda a: (-a.saves_s, a.topic in OF_THE_SKY, -a.sureness))
    )


def _summary(view: NightView, kept, lost, losses, findings, unreadable: int) -> str:
    """What was kept, what was lost to what, and how sharp the kept frames are."""
    if not len(view):
        if not unreadable:
            return "There is no frame to speak of."
        return f"No frame could be read ({counted(unreadable, 'file')})."
    stars = _usual_stars(view)
    if len(view.kept()) == len(view) and not unreadable:
        text = f"{'all ' if len(view) > 1 else ''}{counted(len(view))} kept{_in(kept)}"
        poor = dict.fromkeys(
            POOR_THROUGHOUT[f.topic] for f in findings if f.topic in POOR_THROUGHOUT
        )
        if poor:
            return f"{text.capitalize()}, but stars were {' and '.join(poor)} all night.{stars}"
        if any(f.advice for f in findings):
            return f"{text.capitalize()}.{stars}"
        return f"Nothing went wrong: {text}.{stars}"
    count = len(view.kept())
    text = f"{count or 'None'} of {counted(len(view))} kept{_in(kept)}"
    if lost:
        text += f", {duration(lost)} lost"
    told = [
        f"{row.text} ({duration(row.lost_s) if row.lost_s else counted(row.frames)})"
        for row in losses
        if row.reason != "unreadable"
    ]
    if told:
        text += "; the largest losses: " if len(told) > MOST_LOSSES else ": "
        text += ", ".join(told[:MOST_LOSSES])
    if unreadable:
        text += f"; {counted(unreadable, 'file')} could not be read"
    return text + "." + stars


def _in(seconds: float) -> str:
    """Integration time in brackets; empty where no header tells it."""
    return f" ({duration(seconds)})" if seconds else ""


def _usual_stars(view: NightView) -> str:
    """The usual width of the kept frames, the group named where there are several."""
    usual = typical(view)
    widths = " = ".join(number(q.value, None, q.unit) for q in usual if q.name == "FWHM")
    if not widths:
        return ""
    group = max(view.night.groups, key=lambda g: len(g.members))
    of = f" of {group.label}" if len(view.night.groups) > 1 else ""
    some = any(view.verdicts[k].verdict == "keep" for k in group.members)
    return f" Usual FWHM of the {'kept ' if some else ''}frames{of} {widths}."


def _notes(view: NightView) -> tuple[str, ...]:
    found = []
    if not len(view):
        return ()
    if view.guiding is None:
        found.append(
            "without a usable guiding record (--guide) motions are read from the images alone and "
            "are at best likely"
        )
    elif view.guiding.record.axes != "ra_dec":
        found.append("the record counts camera axes, not RA and Dec: nothing is said of the mount")
    if not (view.start == view.start).any():
        found.append("the headers give no times: no spans and no drift can be told")
    scale = view.common("scale_arcsec")
    if scale != scale:
        found.append("the image scale is unknown: sizes in the images are in pixels; give --scale")
    if len(view) < 8:
        found.append(f"only {counted(len(view))}: trends need more")
    return tuple(found)
