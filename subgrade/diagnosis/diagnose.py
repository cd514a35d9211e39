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
from subgrade.diagnosis.usual import limit_of_sharpness, poor_throughout, typical
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
    usual = typical(view)
    return Diagnosis(
        _summary(view, kept, lost, losses, usual, len(unreadable)),
        kept,
        lost,
        usual,
        losses,
        tuple(findings),
        _ranked(findings),
        _notes(view),
    )


def _worth_saying(view: NightView, found: Finding) -> bool:
    """A remark whose cause is a mere guess, on frames that were kept, is no news."""
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
    """All advice, most time saved first; what two findings say alike is said once."""
    found: dict[str, Advice] = {}
    for item in (a for f in findings for a in f.advice):
        if item.action not in found or found[item.action].saves_s < item.saves_s:
            found[item.action] = item
    return tuple(sorted(found.values(), key=lambda a: (-a.saves_s, -a.sureness)))


def _summary(view: NightView, kept, lost, losses, usual, unreadable: int) -> str:
    if not len(view):
        if not unreadable:
            return "There is no frame to speak of."
        return f"No frame could be read ({counted(unreadable, 'file')})."
    rejected = len(view) - len(view.kept())
    widths = " = ".join(number(q.value, None, q.unit) for q in usual if q.name == "FWHM")
    stars = f" Usual FWHM {widths}." if widths else ""
    if not rejected and not unreadable:
        return f"Nothing went wrong: all {counted(len(view))} kept ({duration(kept)}).{stars}"
    text = (
        f"{len(view.kept())} of {counted(len(view))} kept ({duration(kept)}), {duration(lost)} lost"
    )
    told = [f"{row.text} ({duration(row.lost_s)})" for row in losses[:3] if row.lost_s > 0]
    if told:
        text += ", most to: " + ", ".join(told)
    if unreadable:
        text += f"; {counted(unreadable, 'file')} could not be read"
    return text + "." + stars


def _notes(view: NightView) -> tuple[str, ...]:
    found = []
    if not len(view):
        return ()
    if view.guiding is None:
        found.append(
            "no usable guiding record: what the mount did is read from the images alone, so "
            "motions are at best likely; give the record with --guide"
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
