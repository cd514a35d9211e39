"""Which motion drew the stars out: each candidate gathers points from what is seen.

A first pass from the images alone.  Points are log-likelihood-like: positive where an
observation is what the cause would do, negative where it is not.  Weights without a
source are this module's judgement of how often the trade meets the case.
"""

from __future__ import annotations

import math

import numpy as np

from subgrade.causes.evidence import evidence, said
from subgrade.causes.limits import Limits
from subgrade.causes.model import Evidence
from subgrade.causes.motion_series import CANDIDATES, by_creep, by_direction, by_time
from subgrade.causes.profile import fit_motions
from subgrade.causes.series import GroupSeries, axial_difference
from subgrade.stars.model import FrameStars

PRIOR = {
    "wind_trail": 0.0,
    "ra_oscillation": 0.0,
    "periodic_error": -0.5,
    "dec_drift": -0.2,
    "flexure": -0.4,
    "field_rotation": -1.0,
    "tracking_lost": 0.0,
    "bump": 0.0,
    "dither_overlap": 0.0,
}
"""Before looking: how common each is; no source."""

DRAWS = {
    "wind_trail": ("knock", "shake"),
    "ra_oscillation": ("swing", "shake"),
    "periodic_error": ("swing", "creep"),
    "dec_drift": ("creep",),
    "flexure": ("creep",),
}
"""The profile of motion that each cause draws; the better of two counts."""

DRAWN = {
    "creep": "a steady creep of {}",
    "swing": "a swing of {}",
    "shake": "shaking of {} rms",
    "knock": "a knock of {}",
}
KNOWN_AXIS = (0.95, 0.0, 0.05)
PRESUMED_AXIS = (0.65, 0.1, 0.25)
"""Belief that the axis is right ascension, declination, or neither.  Without a known
orientation the direction most frames lean to stands in, for most mounts are rougher in
right ascension; common practice, no source."""
FIT_ERROR = 0.003
"""Residual, of the peak, that a true model leaves on rendered stars."""
MOST_KNOCKED = 0.4
"""A larger displaced share is uneven motion and no knock that settled; no source."""
NO_FIT = 0.03
"""Residual above which none of the motions describes the star; no source."""
FIT_SHARPNESS = 6.0
"""Points for a residual e times larger; no source."""


def attribute_motion(series: GroupSeries, position: int, limits: Limits) -> list[Evidence]:
    """Everything the images say about which motion made one frame oval.

    Returns
    -------
    list of Evidence
        Points for or against each candidate; `ranked` adds them up.
    """
    motion = motion_variance(series)
    return [
        *_by_profile(series.stars[position]),
        *_by_size(series, motion, position),
        *_by_mount_axis(series, position, limits),
        *by_direction(series, motion, position),
        *by_time(series, motion, position),
        *by_creep(series, motion, position),
    ]


def ranked(items: list[Evidence]) -> list[tuple[str, float]]:
    """Candidates with their share of the probability, likeliest first."""
    totals = {word: PRIOR[word] for word in CANDIDATES}
    for item in items:
        totals[item.reason] = totals.get(item.reason, PRIOR.get(item.reason, 0.0)) + item.points
    top = max(totals.values())
    weights = {word: math.exp(value - top) for word, value in totals.items()}
    whole = sum(weights.values())
    return sorted(((w, v / whole) for w, v in weights.items()), key=lambda p: -p[1])


def motion_variance(series: GroupSeries) -> np.ndarray:
    """Variance along the long axis beyond the narrow one, px^2, every frame.

    From the frame's common second moments: the difference of the two principal values.
    """
    return np.hypot(series["xx"] - series["yy"], 2 * series["xy"])


def _by_profile(stars: FrameStars) -> list[Evidence]:
    """Which kind of motion fits the star image, and how much better than the others."""
    fits = {fit.model: fit for fit in fit_motions(stars)}
    if not fits:
        return []
    found = _two_images(fits, stars.fwhm_minor_px)
    if fits["knock"].share > MOST_KNOCKED:
        del fits["knock"]
    best = min(fit.residual for fit in fits.values())
    if best > NO_FIT:
        return found
    for word, models in DRAWS.items():
        fit = min((fits[m] for m in models if m in fits), key=lambda f: f.residual)
        # Two parameters more let the knock follow anything a little better.
        worse = math.hypot(fit.residual, FIT_ERROR) / math.hypot(best, FIT_ERROR)
        points = 1.0 - FIT_SHARPNESS * math.log(worse) - (0.8 if fit.model == "knock" else 0.0)
        size = math.hypot(fit.extent_px, fit.spread_px)
        text = f"{DRAWN[fit.model].format(said(size, 'px'))} leaves " + (
            f"{said(100 * fit.residual, '%')} of the star's peak unexplained, the best kind of "
            f"motion {said(100 * best, '%')}"
        )
        found.append(
            evidence(
                word,
                "fit of the star image",
                max(points, -3.0),
                text,
                value=100 * fit.residual,
                usual=100 * best,
                unit="%",
            )
        )
    return found


def _two_images(fits: dict, fwhm: float) -> list[Evidence]:
    """A displaced part as narrow as the star itself is a second image, not a tail."""
    knock = fits["knock"]
    rival = min(fit.residual for model, fit in fits.items() if model != "knock")
    apart = knock.extent_px > 1.3 * fwhm and knock.spread_px < 0.4 * fwhm
    if not (apart and knock.share > 0.08 and knock.residual < 0.6 * rival):
        return []
    text = (
        f"two images {said(knock.extent_px, 'px')} apart, the fainter with "
        f"{said(100 * knock.share, '%')} of the light, fit the star image to "
        f"{said(100 * knock.residual, '%')} of its peak, any other motion to "
        f"{said(100 * rival, '%')}"
    )
    return [
        evidence("bump", "two images", 6.0, text, value=knock.extent_px, limit=1.3 * fwhm,
                 unit="px")
    ]  # fmt: skip


def _by_size(series: GroupSeries, motion: np.ndarray, position: int) -> list[Evidence]:
    """A guider over-corrects by a few arcseconds; a worm may swing far.  Common practice."""
    # A swing of full length L has variance L^2 / 8 [derived].
    length = math.sqrt(8 * motion[position]) * series.scale_arcsec
    if not math.isfinite(length):
        return []
    text = f"as a swing it would be {said(length, '″')} long"
    slow = float(np.interp(length, [2.0, 4.0, 8.0], [-0.3, 0.0, 0.6]))
    return [
        evidence(w, "size of the swing", p, text, value=length, unit="″")
        for w, p in (("periodic_error", slow), ("ra_oscillation", -slow))
    ]


def _by_mount_axis(series: GroupSeries, position: int, limits: Limits) -> list[Evidence]:
    """How near the long axis lies to an axis of the mount, against any direction at all.

    Log ratio of a normal distribution about the axis to a flat one over 180 degrees,
    averaged over what the presumed axis may be in truth.
    """
    angle, axis, presumed = series["angle"][position], series.axis_angle[position], False
    if not math.isfinite(axis):
        axis, presumed = common_axis(series), True
    if not (math.isfinite(axis) and math.isfinite(angle)):
        return []
    error = series["angle_error"][position]
    sigma = math.hypot(
        limits.motion.axis_tolerance_deg / 2.5, error if math.isfinite(error) else 0.0
    )
    off = float(axial_difference(angle, axis))
    near, far = (_over_flat(distance, sigma) for distance in (off, 90 - off))
    right, crossed, neither = PRESUMED_AXIS if presumed else KNOWN_AXIS
    name = (
        "the direction most frames lean to, taken for right ascension"
        if presumed
        else ("right ascension")
    )
    text = f"the long axis lies {said(off, '°')} from {name}"
    odds = {
        "ra_oscillation": right * near + crossed * far + neither,
        "dec_drift": right * far + crossed * near + neither,
    }
    odds["periodic_error"] = odds["ra_oscillation"]
    return [
        evidence(word, "angle from right ascension", math.log(value), text, value=off,
                 limit=limits.motion.axis_tolerance_deg, error=sigma, unit="°")
        for word, value in odds.items()
    ]  # fmt: skip


def common_axis(series: GroupSeries) -> float:
    """Direction that the group's frames lean to, deg in [0, 180); NaN where they do not.

    From the medians of the moment components, so single bad frames do not turn it.
    """
    parts = np.array([series["xx"] - series["yy"], 2 * series["xy"]])
    parts = parts[:, np.isfinite(parts).all(axis=0)]
    if parts.shape[1] < 8:
        return float("nan")
    lean = np.median(parts, axis=1)
    scatter = 1.4826 * np.median(np.abs(parts - lean[:, None]), axis=1)
    if np.hypot(*lean) < 4 * 1.2533 * np.max(scatter) / math.sqrt(parts.shape[1]):
        return float("nan")
    return float(np.degrees(0.5 * np.arctan2(lean[1], lean[0])) % 180.0)


def _over_flat(distance: float, sigma: float) -> float:
    height = 180.0 / (sigma * math.sqrt(2 * math.pi))
    return height * math.exp(-0.5 * (distance / sigma) ** 2)
