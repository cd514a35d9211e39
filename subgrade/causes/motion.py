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
from subgrade.causes.profile import fit_motions
from subgrade.causes.series import GroupSeries, axial_difference
from subgrade.stars.model import FrameStars

CANDIDATES = ("wind_trail", "ra_oscillation", "periodic_error", "dec_drift", "flexure")

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

BY_MANNER = {
    "alone": {
        "wind_trail": 0.5,
        "ra_oscillation": -0.3,
        "periodic_error": -0.3,
        "dec_drift": -0.5,
        "flexure": -0.3,
    },
    "in turn": {
        "wind_trail": 0.0,
        "ra_oscillation": 0.0,
        "periodic_error": 0.8,
        "dec_drift": -0.7,
        "flexure": -0.5,
    },
}
"""Points for a frame that is alone, or one of several with round ones between; no source."""
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
        *_by_mount_axis(series, position, limits),
        *_by_direction(series, motion, position),
        *_by_time(series, motion, position),
        *_by_creep(series, motion, position),
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


def _by_direction(series: GroupSeries, motion: np.ndarray, position: int) -> list[Evidence]:
    """Do the frames just before and after, when drawn out as much, point the same way?"""
    near = series.near(position, 1)
    alike = (motion[near] > 0.4 * motion[position]) & (motion[near] < 2.5 * motion[position])
    angles = series["angle"][near[alike]]
    angles = angles[np.isfinite(angles)]
    if len(angles) < 1:
        return []
    off = np.radians(2 * (angles - series["angle"][position]))
    agreement = float(np.mean(np.cos(off)))
    text = (
        f"{len(angles)} frame{'s' if len(angles) > 1 else ''} next to it, as oval, "
        f"agree{'s' if len(angles) == 1 else ''} with its direction to {said(agreement)} "
        "(1 the same, 0 at random)"
    )
    # Steady causes keep their direction; a random one agrees to 0 +- 0.7 / sqrt(n).
    steady = float(np.interp(agreement, [0.0, 0.7, 0.95], [-0.7, 0.0, 0.7]))
    words = {"wind_trail": -steady} | {w: steady for w in CANDIDATES if w != "wind_trail"}
    return [
        evidence(w, "agreement of direction", p, text, value=agreement) for w, p in words.items()
    ]


def _by_time(series: GroupSeries, motion: np.ndarray, position: int) -> list[Evidence]:
    """Is it one frame, a run of frames, or some in turn?"""
    near = series.near(position, 5)
    near = near[np.isfinite(motion[near])]
    if len(near) < 3:
        return []
    off = axial_difference(series["angle"][near], series["angle"][position])
    same = (motion[near] > 0.4 * motion[position]) & (off < 25)
    alike = near[same]
    lengths = np.sqrt(motion[alike])
    scatter = float(np.std(lengths) / np.mean(lengths)) if len(alike) >= 3 else float("nan")
    run = _run(set(alike.tolist()), position)
    text = (
        f"it is one of {said(run, 'frames')} in a row drawn out likewise, and {len(alike)} of the "
        f"{len(near)} frames nearby are"
        if len(alike)
        else f"none of the {len(near)} frames nearby is drawn out likewise"
    )
    manner = "alone" if not len(alike) else "in turn" if len(alike) >= 2 * run else "run"
    if manner == "run":
        steady = float(np.interp(run, [1, 2, 4], [-0.3, 0.3, 0.8]))
        words = {"wind_trail": -steady, "ra_oscillation": 0.5 * steady, "periodic_error": -0.3}
        words |= {"dec_drift": steady, "flexure": steady}
    else:
        words = BY_MANNER[manner]
    found = [
        evidence(w, "frames in a row alike", p, text, value=run, unit="frames")
        for w, p in words.items()
    ]
    if math.isfinite(scatter):
        text = f"the length of the motion varies by {said(100 * scatter, '%')} among them"
        words = {
            "periodic_error": np.interp(scatter, [0.1, 0.3], [-0.7, 0.7]),
            "wind_trail": np.interp(scatter, [0.1, 0.3], [-0.5, 0.5]),
            "dec_drift": np.interp(scatter, [0.1, 0.3], [0.7, -0.7]),
            "flexure": np.interp(scatter, [0.1, 0.3], [0.7, -0.7]),
        }
        found += [
            evidence(w, "variation of the motion", float(p), text, value=scatter)
            for w, p in words.items()
        ]
    return found


def _run(alike: set[int], position: int) -> int:
    """Length of the unbroken run of like frames round one."""
    first = last = position
    while first - 1 in alike:
        first -= 1
    while last + 1 in alike:
        last += 1
    return last - first + 1


def _by_creep(series: GroupSeries, motion: np.ndarray, position: int) -> list[Evidence]:
    """Does the whole field creep from frame to frame as fast as the star is long?

    A creep of v px/s draws a line of v * exposure; a box of length L has variance
    L^2 / 12 [derived].  Dithers between frames add scatter, which the robust slope and
    its error carry.
    """
    exposure = series.group.exposure_s
    window = np.append(series.near(position, 6), position)
    window = window[np.isfinite(series["dx"][window]) & np.isfinite(series["dy"][window])]
    if not exposure or len(window) < 5:
        return []
    rates = [_slope(series["time"][window], series[c][window]) for c in ("dx", "dy")]
    length = exposure * math.hypot(rates[0][0], rates[1][0])
    error = exposure * math.hypot(rates[0][1], rates[1][1])
    if not length > 3 * error:
        return []
    seen = math.sqrt(12 * motion[position])
    direction = math.degrees(math.atan2(rates[1][0], rates[0][0]))
    off = float(axial_difference(direction, series["angle"][position]))
    if off > 20 or not 0.5 < length / max(seen, 1e-9) < 2.0:
        return []
    text = (
        f"the field creeps {said(length, 'px')} an exposure from frame to frame, {said(off, '°')} "
        f"from the long axis; the stars are drawn out by {said(seen, 'px')}"
    )
    return [
        evidence(w, "creep of the field", 2.0, text, value=length, usual=seen, error=error,
                 unit="px")
        for w in ("dec_drift", "flexure")
    ]  # fmt: skip


def _slope(t: np.ndarray, x: np.ndarray) -> tuple[float, float]:
    """Slope of a straight line and its error; the median of slopes between points."""
    i, j = np.triu_indices(len(t), 1)
    apart = t[j] != t[i]
    slope = float(np.median((x[j] - x[i])[apart] / (t[j] - t[i])[apart]))
    rest = x - slope * t
    scatter = 1.4826 * np.median(np.abs(rest - np.median(rest)))
    return slope, float(scatter / (np.std(t) * math.sqrt(len(t))))
