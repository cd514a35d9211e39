"""What is true of each frame, and which verdict that truth intends."""

from __future__ import annotations

import csv
import dataclasses
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from .shares import leading_causes

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class FrameTruth:
    """One row of ``truth.csv``; docs/practice.md describes every column."""

    frame: str
    verdict: str
    reason: str
    sure: str
    causes: str
    start_utc: str
    exposure_s: float
    fwhm_px: float
    fwhm_major_px: float
    fwhm_minor_px: float
    eccentricity: float
    angle_deg: float
    xx: float
    yy: float
    xy: float
    motion_xx: float
    motion_yy: float
    motion_xy: float
    motion_extent_px: float
    motion_east_rms_arcsec: float
    motion_north_rms_arcsec: float
    seeing_px: float
    defocus_um: float
    dew: float
    stars_snr20: float
    star_area_px: float
    sky_adu: float
    noise_adu: float
    transparency: float
    light: float
    airmass: float
    x_shift_px: float
    y_shift_px: float
    rotation_deg: float
    turn_arcsec: float
    cosmic_rays: int
    streaks: int
    depth: float


REMARKS_ONLY = {"satellite_trail"}
"""Causes that do not ruin a frame by themselves."""

# A choice, no source: the size at which a frame is plainly not worth stacking, and
# below which it plainly is.  Between the two the truth is marked not sure.
LIMITS = {
    "eccentricity": (0.55, 0.68),
    "fwhm ratio": (1.20, 1.38),
    "light lost": (0.25, 0.42),
    "depth lost": (0.45, 0.60),
    "stray light share": (0.05, 0.10),
}


@dataclass(frozen=True, slots=True)
class Harm:
    """How far one frame is from the night's clean ones, each 0 harmless to 1 plainly ruined."""

    worst: float
    what: str
    scores: Mapping[str, float]


def harm(truth: FrameTruth, stray: float, best_fwhm: float, clear_depth: float) -> Harm:
    """Weigh a frame's truth against the limits."""
    if not np.isfinite(truth.fwhm_px):
        return Harm(9.0, "trailed", {})
    measures = {
        "eccentricity": truth.eccentricity,
        "fwhm ratio": truth.fwhm_px / best_fwhm,
        "light lost": 1.0 - truth.transparency,
        "depth lost": 1.0 - truth.depth / clear_depth,
        "stray light share": stray,
    }
    scores = {k: (v - LIMITS[k][0]) / (LIMITS[k][1] - LIMITS[k][0]) for k, v in measures.items()}
    what = max(scores, key=scores.get)
    return Harm(float(scores[what]), what, scores)


def judge(
    truths: list[FrameTruth],
    strays: list[float],
    expected_fwhm_px: float,
    shares: Sequence[Mapping[str, float]] = (),
) -> list[FrameTruth]:
    """Fill in verdict, reason, transparency and certainty once the whole night is known.

    Parameters
    ----------
    truths : list of FrameTruth
        With ``causes`` filled; ``transparency`` absolute (extinction included).
    strays : list of float
        Share of each frame's light moved outside the star's core by a one-sided gust.
    expected_fwhm_px : float
        Star width the setup and its typical seeing would give; keeps a night that was
        bad throughout from being its own yardstick.
    shares : sequence of mapping, optional
        Of each frame's motion by cause, as `motion_shares` gives it: where several causes harm
        one frame its reason names those that lead, the strongest first.
    """
    ruined = {"wrong_frame", "unreadable"}
    usable = [t for t in truths if not ruined & set(t.causes.split(";"))] or truths
    clear = max(t.transparency for t in usable)
    truths = [replace(t, transparency=t.transparency / clear) for t in truths]
    widths = [t.fwhm_px for t in usable if np.isfinite(t.fwhm_px)]
    own = float(np.percentile(widths, 25)) if widths else NAN
    best = min(own, 1.15 * expected_fwhm_px) if widths else NAN
    depths = [t.depth for t in usable if np.isfinite(t.depth)]
    usual_depth = float(np.percentile(depths, 75)) if depths else NAN
    out = []
    for truth, stray, parts in zip(truths, strays, shares or [{}] * len(truths), strict=True):
        causes = [c for c in truth.causes.split(";") if c]
        harmful = [c for c in causes if c not in REMARKS_ONLY]
        found = harm(truth, stray, best, usual_depth)
        if shares and len(harmful) > 1:
            harmful = leading_causes(harmful, parts, found.scores)
        if "unreadable" in causes:
            verdict, reason, sure = "unreadable", "unreadable", True
        elif "wrong_frame" in causes:
            verdict, reason, sure = "reject", "wrong_frame", True
        else:
            verdict = "reject" if found.worst >= 0.5 else "keep"
            sure = not 0.0 < found.worst < 1.0
            # Wide and round all night: no frame is better, so whether to keep any is the
            # person's to say.
            sure &= found.worst < 1.0 or harm(truth, stray, own, usual_depth).worst >= 1.0
            reason = ";".join(harmful if verdict == "reject" else causes)
            if verdict == "reject" and not harmful:
                sure = False
        out.append(replace(truth, verdict=verdict, reason=reason, sure="yes" if sure else "no"))
    return out


def truth_csv(truths: list[FrameTruth]) -> str:
    """The table as text; NaN becomes an empty cell."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    names = [f.name for f in dataclasses.fields(FrameTruth)]
    writer.writerow(names)
    for truth in truths:
        writer.writerow([_cell(getattr(truth, name)) for name in names])
    return out.getvalue()


def _cell(value) -> str:
    if isinstance(value, float):
        return f"{value:.6g}" if np.isfinite(value) else ""
    return str(value)
