"""The night's typical numbers, what limits the sharpness, and what was poor throughout."""

from __future__ import annotations

import math

import numpy as np

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.diagnosis.model import Advised, NightFinding, Quantity
from subgrade.diagnosis.night_view import NightView, finding
from subgrade.diagnosis.wording import BALANCE, COLLIMATION, number
from subgrade.judging.features import ECCENTRICITY, FWHM
from subgrade.judging.model import rejected_otherwise
from subgrade.judging.reasons import WIDENING

LIMIT_OF_SHARPNESS = "what limits the sharpness"
ELONGATED = "elongated stars"
POOR_THROUGHOUT = {"wide stars": "wide", ELONGATED: "elongated"}
"""Topics, and what they call the stars."""
ALL_NIGHT = 3
"""Frames of a group from which "all night" is a fair word: a choice."""
MUCH, MOST = 0.25, 0.5
"""Guiding's share of the stars' area that is worth work, and that sets the limit: choices."""


def typical(view: NightView) -> tuple[Quantity, ...]:
    """Medians of the kept frames, of all frames where none was kept.

    Widths and shapes are those of the largest group; the guiding is the night's.
    """
    members = _members(view)
    if not members:
        return ()
    scale = _scale(view, members)
    width, oval = (
        _median(view.stars("fwhm_px")[members]),
        _median(view.stars("eccentricity")[members]),
    )
    found = [
        Quantity(FWHM.label, width, None, "px"),
        Quantity(FWHM.label, width * scale, None, "″"),
        Quantity(ECCENTRICITY.label, oval),
    ]
    found += [
        Quantity(f"guiding RMS in {axis}", value, None, "″")
        for axis, value in zip(view.axes(), guiding_rms(view), strict=True)
    ]
    return tuple(q for q in found if math.isfinite(q.value))


def guiding_rms(view: NightView) -> tuple[float, float]:
    """Median over the kept frames of the guiding RMS inside each exposure, arcsec; RA and Dec.

    Over all frames where none was kept; NaN without a record.
    """
    frames = view.kept() or range(len(view))
    return tuple(_median(view.guided(frames, name)) for name in ("rms_ra", "rms_dec"))


def limit_of_sharpness(view: NightView) -> NightFinding | None:
    """How much of the star's width the guiding makes, in quadrature.

    ``FWHM^2 = rest^2 + (2.3548 rms)^2`` for Gaussian jitter (published_motion tests); the
    recorded rms holds noise of the guide star, so guiding's share is an upper bound.
    """
    members = _members(view)
    if not members or view.verdicts[members[0]].verdict != "keep":
        return None
    width = _median(view.stars("fwhm_px")[members]) * _scale(view, members)
    ra, dec = (view.guided(members, n) for n in ("rms_ra", "rms_dec"))
    if not (math.isfinite(width) and width > 0 and len(ra) and len(dec)):
        return None
    # The geometric mean width answers to the mean variance of the two axes.
    guided = FWHM_PER_SIGMA * math.sqrt(0.5 * (np.median(ra) ** 2 + np.median(dec) ** 2))
    share = guided**2 / width**2
    rest = math.sqrt(max(width**2 - guided**2, 0.0))
    if share > MOST:
        limit = "better guiding would sharpen the stars most"
    elif share > MUCH:
        limit = "better guiding would sharpen the stars, but seeing, focus and optics matter more"
    else:
        limit = "seeing, focus and optics set the limit"
    whose = "the frame's " if len(members) == 1 else "the kept frames' median "
    several = len(view.night.groups) > 1
    of = f" in {_largest(view).label}" if several else ""
    text = (
        f"Guiding accounts for at most {number(guided, None, '″')} of {whose}FWHM of "
        f"{number(width, None, '″')}{of} ({100 * share:.0f}% in quadrature): {limit}."
    )
    if share >= 1.0:
        text = (
            f"The recorded guiding errors alone could cause {whose}FWHM of "
            f"{number(width, None, '″')}{of}: {limit}."
        )
    advice = ()
    if share > MUCH:
        advice = (
            Advised(
                "Improve the guiding before anything else"
                if share > MOST
                else "Improve the guiding",
                f"without guiding errors the FWHM of {number(width, None, '″')} could fall to "
                f"{number(rest, None, '″')}"
                if rest > 0
                else "it can explain the stars' whole width",
            ),
        )
    return finding(
        view,
        LIMIT_OF_SHARPNESS,
        text,
        numbers=(
            Quantity("median FWHM", width, None, "″"),
            Quantity("guiding's part, at most", guided, None, "″"),
            Quantity("the rest", rest, None, "″"),
        ),
        evidence=(
            "recorded errors include the guide star's own noise, so guiding's part is an upper "
            "bound",
        ),
        sureness=0.7,
        advice=advice,
    )


def poor_throughout(view: NightView) -> list[NightFinding]:
    """What no comparison within the night can show: wide or oval all night."""
    out = []
    for group in view.night.groups:
        members = list(group.members)
        stars = f"{group.label}: stars" if len(view.night.groups) > 1 else "Stars"
        time = all_night(len(members))
        typically = "typical " if len(members) > 1 else ""
        alone = "there is no other frame to compare it with"
        scale = _scale(view, members)
        width, oval = group.usual.get("fwhm_px"), group.usual.get("eccentricity")
        judgements = [view.verdicts[k] for k in members]
        width = None if rejected_otherwise(judgements, WIDENING) else width
        oval = None if rejected_otherwise(judgements) else oval
        limit = view.limits.sharpness.night_poor_arcsec
        if width and width.centre * scale > limit:
            out.append(
                finding(
                    view,
                    "wide stars",
                    f"{stars} were wide{time}, {typically}FWHM "
                    f"{number(width.centre * scale, None, '″')} "
                    f"(poor from {number(limit, None, '″')}).",
                    frames=members,
                    sureness=0.7,
                    numbers=(Quantity("typical FWHM", width.centre * scale, None, "″"),),
                    advice=(
                        Advised(
                            "Check focus on a bright star before the first exposure, then "
                            "collimation",
                            "stars are about as wide in every frame, so none stands out"
                            if len(members) > 1
                            else alone,
                            COLLIMATION,
                        ),
                    ),
                )
            )
        if oval and oval.centre > view.limits.roundness.night_poor:
            out.append(
                finding(
                    view,
                    ELONGATED,
                    f"{stars} were elongated{time}, {typically}eccentricity {number(oval.centre)} "
                    f"(poor from {number(view.limits.roundness.night_poor)}).",
                    frames=members,
                    numbers=(Quantity("typical eccentricity", oval.centre),),
                    sureness=0.7,
                    advice=(
                        Advised(
                            "Check guiding, balance and polar alignment before the next run; a "
                            "frame of half the exposure shows whether motion is the cause",
                            "a steady fault elongates the stars alike in all frames, so none "
                            "stands out"
                            if len(members) > 1
                            else alone,
                            BALANCE,
                        ),
                    ),
                )
            )
    return out


def all_night(frames: int) -> str:
    """`` all night`` where there are frames enough to call it so."""
    return " all night" if frames >= ALL_NIGHT else ""


def _largest(view: NightView):
    return max(view.night.groups, key=lambda g: len(g.members))


def _members(view: NightView) -> list[int]:
    if not view.night.groups:
        return []
    members = list(_largest(view).members)
    kept = [k for k in members if view.verdicts[k].verdict == "keep"]
    return kept or members


def _scale(view: NightView, members) -> float:
    return _median(view.facts("scale_arcsec")[members])


def _median(values) -> float:
    values = np.asarray(values, float)
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else math.nan
