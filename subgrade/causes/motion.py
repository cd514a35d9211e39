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
from subgrade.causes.series import GroupSeries, axial_difference

CANDIDATES = ("wind_trail", "ra_oscillation", "periodic_error", "dec_drift", "flexure")

PRIOR = {
    "wind_trail": 0.0,
    "ra_oscillation": 0.0,
    "periodic_error": -0.3,
    "dec_drift": -0.2,
    "flexure": -0.4,
    "field_rotation": -1.0,
    "tracking_lost": 0.0,
}
"""Before looking: how common each is; no source."""

KURTOSIS = {
    "wind_trail": (2.0, 2.0),
    "ra_oscillation": (-1.5, 0.4),
    "periodic_error": (-1.3, 0.4),
    "dec_drift": (-1.2, 0.3),
    "flexure": (-1.2, 0.3),
}
"""Expected excess kurtosis of the motion and its spread: box -1.2, arcsine -1.5
(derived), a knock that settles positive."""


def attribute_motion(series: GroupSeries, position: int, limits: Limits) -> list[Evidence]:
    """Everything the images say about which motion made one frame oval.

    Returns
    -------
    list of Evidence
        Points for or against each candidate; `ranked` adds them up.
    """
    motion = motion_variance(series)
    return [
        *_by_profile(series, position),
        *_by_mount_axis(series, position, limits),
        *_by_direction(series, motion, position),
        *_by_time(motion, position),
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


def _by_profile(series: GroupSeries, position: int) -> list[Evidence]:
    profile = series.profiles[position]
    if profile is None or not math.isfinite(profile.motion_kurtosis):
        return []
    value, error = profile.motion_kurtosis, profile.motion_kurtosis_error
    text = (
        f"along the long axis the motion's excess kurtosis is {said(value)} ± {said(error)} "
        "(steady creep −1.2, swing −1.5, a knock that settles above 0)"
    )
    fits = {
        word: -0.5 * (value - mean) ** 2 / (spread**2 + error**2)
        - 0.5 * math.log(spread**2 + error**2)
        for word, (mean, spread) in KURTOSIS.items()
    }
    middle = sum(fits.values()) / len(fits)
    found = [
        evidence(
            word,
            "excess kurtosis of the motion",
            float(np.clip(fit - middle, -3, 3)),
            text,
            value=value,
            error=error,
            limit=KURTOSIS[word][0],
        )
        for word, fit in fits.items()
    ]
    skew_error = max(0.15, 0.5 * error)
    sure = profile.motion_skewness / skew_error
    if sure > 3:
        text = (
            f"the star's tail is one-sided, skewness of the motion {said(profile.motion_skewness)}"
        )
        found.append(
            evidence(
                "wind_trail",
                "skewness of the motion",
                min(2.0, 0.4 * sure),
                text,
                value=profile.motion_skewness,
                error=skew_error,
            )
        )
    return found


def _by_mount_axis(series: GroupSeries, position: int, limits: Limits) -> list[Evidence]:
    axis, angle = series.axis_angle[position], series["angle"][position]
    if not (math.isfinite(axis) and math.isfinite(angle)):
        return []
    off = float(axial_difference(angle, axis))
    tolerance = limits.motion.axis_tolerance_deg
    text = f"the long axis lies {said(off, '°')} from right ascension"
    found = []
    for words, distance in (
        (("ra_oscillation", "periodic_error"), off),
        (("dec_drift",), 90 - off),
    ):
        # +1.5 on the axis, 0 at the tolerance, -3 far from it.
        points = float(np.clip(1.5 * (1 - distance / tolerance), -3.0, 1.5))
        found += [
            evidence(
                word, "angle from right ascension", points, text, value=off, limit=tolerance,
                unit="°",
            )
            for word in words
        ]  # fmt: skip
    return found


def _by_direction(series: GroupSeries, motion: np.ndarray, position: int) -> list[Evidence]:
    """Do the other oval frames nearby point the same way?"""
    near = series.near(position, 6)
    near = near[motion[near] > 0.4 * motion[position]]
    angles = series["angle"][near]
    angles = angles[np.isfinite(angles)]
    if len(angles) < 2:
        return []
    off = np.radians(2 * (angles - series["angle"][position]))
    agreement = float(np.mean(np.cos(off)))
    text = (
        f"{len(angles)} oval frames nearby agree with its direction to {said(agreement)} "
        "(1 the same, 0 at random)"
    )
    # Steady causes keep their direction; a random one agrees to 0 +- 0.7 / sqrt(n).
    steady = float(np.clip((agreement - 0.6) * 3, -2.0, 1.0))
    words = {"wind_trail": -steady} | {w: steady for w in CANDIDATES if w != "wind_trail"}
    return [
        evidence(w, "agreement of direction", p, text, value=agreement) for w, p in words.items()
    ]


def _by_time(motion: np.ndarray, position: int) -> list[Evidence]:
    """Is it one frame, some in turn, or all alike?"""
    low, high = max(0, position - 5), min(len(motion), position + 6)
    near = np.delete(motion[low:high], position - low)
    near = near[np.isfinite(near)]
    if len(near) < 3:
        return []
    share = float(np.mean(near > 0.4 * motion[position]))
    alike = np.sqrt(near[near > 0.4 * motion[position]])
    scatter = float(np.std(alike) / np.mean(alike)) if len(alike) >= 3 else float("nan")
    text = f"{said(100 * share, '%')} of the {len(near)} frames nearby are drawn out likewise"
    words = {
        "wind_trail": np.interp(share, [0.2, 0.5, 0.9], [1.0, 0.0, -1.5]),
        "ra_oscillation": np.interp(share, [0.1, 0.5, 0.9], [-0.5, 0.3, 0.5]),
        "periodic_error": np.interp(share, [0.0, 0.3, 0.7, 1.0], [-1.0, 0.7, 0.7, -0.5]),
        "dec_drift": np.interp(share, [0.2, 0.8], [-2.0, 1.0]),
        "flexure": np.interp(share, [0.2, 0.8], [-2.0, 1.0]),
    }
    found = [
        evidence(w, "share of frames nearby alike", float(p), text, value=share)
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
