"""The night's usual numbers, what limits the sharpness, and what was poor throughout."""

from __future__ import annotations

import math

import numpy as np

from subgrade.diagnosis.model import Finding, Quantity
from subgrade.diagnosis.view import NightView, finding
from subgrade.diagnosis.words import BALANCE, COLLIMATION, number

FWHM_PER_SIGMA = 2.3548200450
"""2 sqrt(2 ln 2)."""


LIMIT_OF_SHARPNESS = "what limits the sharpness"
POOR_THROUGHOUT = {"wide stars all night": "wide", "oval stars all night": "oval"}
"""Topics, and what they say of the stars."""
MUCH, MOST = 0.25, 0.5
"""Guiding's share of the stars' area that is worth work, and that sets the limit: choices."""


def typical(view: NightView) -> tuple[Quantity, ...]:
    """Usual numbers of the largest group's kept frames."""
    members = _members(view)
    if not members:
        return ()
    scale = _scale(view, members)
    width, oval = (
        _median(view.stars("fwhm_px")[members]),
        _median(view.stars("eccentricity")[members]),
    )
    found = [
        Quantity("FWHM", width, None, "px"),
        Quantity("FWHM", width * scale, None, "″"),
        Quantity("eccentricity", oval),
    ]
    for name, title in (("rms_ra", "guiding rms in RA"), ("rms_dec", "guiding rms in Dec")):
        values = view.guided(members, name)
        found.append(
            Quantity(title, float(np.median(values)) if len(values) else math.nan, None, "″")
        )
    return tuple(q for q in found if math.isfinite(q.value))


def limit_of_sharpness(view: NightView) -> Finding | None:
    """How much of the star's width the guiding makes, in quadrature.

    ``FWHM^2 = rest^2 + (2.3548 rms)^2`` for Gaussian jitter (published_motion tests); the
    recorded rms holds noise of the guide star, so guiding's share is an upper bound.
    """
    members = _members(view)
    if not members:
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
        said = "better guiding would sharpen the stars most"
    elif share > MUCH:
        said = "better guiding would sharpen them, though seeing, focus and optics make more"
    else:
        said = "seeing, focus and optics set the limit"
    whose = "kept frames' " if view.verdicts[members[0]].verdict == "keep" else ""
    advice = ()
    if share > MUCH:
        advice = ((
            "Improve the guiding before anything else" if share > MOST else "Improve the guiding",
            f"without its part the FWHM of {number(width, None, '″')} could fall to "
            f"{number(rest, None, '″')}" if rest > 0 else "it can explain the stars' whole width",
            "",
        ),)  # fmt: skip
    return finding(
        view, LIMIT_OF_SHARPNESS,
        f"Of the {whose}usual FWHM of {number(width, None, '″')} guiding makes at most "
        f"{number(guided, None, '″')} ({100 * min(share, 1.0):.0f}% in quadrature): {said}.",
        numbers=(
            Quantity("usual FWHM", width, None, "″"),
            Quantity("guiding's part, at most", guided, None, "″"),
            Quantity("the rest", rest, None, "″"),
        ),
        evidence=(
            "recorded errors hold the guide star's own noise, so guiding's part is an upper bound",
        ),
        sureness=0.7, advice=advice,
    )  # fmt: skip


def poor_throughout(view: NightView) -> list[Finding]:
    """What no comparison within the night can show: wide or oval all night."""
    out = []
    for group in view.night.groups:
        members = list(group.members)
        where = f"{group.label}: " if len(view.night.groups) > 1 else ""
        scale = _scale(view, members)
        width, oval = group.usual.get("fwhm_px"), group.usual.get("eccentricity")
        limit = view.limits.sharpness.night_poor_arcsec
        if width and width.centre * scale > limit:
            out.append(finding(
                view, "wide stars all night",
                f"{where}Stars were wide all night, usual FWHM "
                f"{number(width.centre * scale, None, '″')} "
                f"(poor from {number(limit, None, '″')}).",
                frames=members, numbers=(Quantity("usual FWHM", width.centre * scale, None, "″"),),
                sureness=0.7,
                advice=((
                    "Check focus on a bright star before the first exposure, then collimation",
                    "all frames are wide alike, so none stands out", COLLIMATION,
                ),),
            ))  # fmt: skip
        if oval and oval.centre > view.limits.roundness.night_poor:
            out.append(finding(
                view, "oval stars all night",
                f"{where}Stars were oval all night, usual eccentricity {number(oval.centre)} "
                f"(poor from {number(view.limits.roundness.night_poor)}).",
                frames=members, numbers=(Quantity("usual eccentricity", oval.centre),),
                sureness=0.7,
                advice=((
                    "See to guiding, balance and polar alignment before the next run; a frame of "
                    "half the exposure shows whether motion is the cause",
                    "a steady fault draws all frames out alike, so none stands out", BALANCE,
                ),),
            ))  # fmt: skip
    return out


def _members(view: NightView) -> list[int]:
    if not view.night.groups:
        return []
    members = list(max(view.night.groups, key=lambda g: len(g.members)).members)
    kept = [k for k in members if view.verdicts[k].verdict == "keep"]
    return kept or members


def _scale(view: NightView, members) -> float:
    return _median(view.facts("scale_arcsec")[members])


def _median(values) -> float:
    values = np.asarray(values, float)
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else math.nan
