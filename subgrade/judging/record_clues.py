"""What the guiding record shows of an oval frame: points for and against each motion.

The record never rejects a frame; the image does.  It shows which motion the guide star made,
and a motion that it did not see points at what it cannot see.  Points without a source
are this module's judgement, as in `subgrade.judging.motion_clues`.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from subgrade.figures import beside, figure
from subgrade.guiding.model import ExposureGuiding
from subgrade.judging.evidence import clue
from subgrade.judging.features import (
    DEC_DRIFT,
    EXPLAINED,
    GUST,
    ONE_SIDED,
    OVERSHOOT,
    RA_SHARE,
    REVERSAL,
    SWING_PERIOD,
)
from subgrade.judging.guided_series import GuidedSeries
from subgrade.judging.limits import Limits
from subgrade.judging.model import Evidence
from subgrade.judging.reasons import SEEN_BY_THE_GUIDER
from subgrade.judging.record_events import (
    COVERED,
    cadence,
    interruption_or_none,
    noise_floor,
    quiet_text,
)

NOTHING = 0.0005
"""Share of the elongation below which guiding explains none of it: what would read 0.0%."""


def by_record(series: GuidedSeries, position: int, limits: Limits) -> list[Evidence]:
    """Everything the record shows of which motion made one frame oval.

    Returns
    -------
    list of Evidence
        Empty without samples inside the exposure.
    """
    inside = series.exposure(position)
    if inside is None:
        return []
    found = interruption_or_none(series, position, limits)
    if any(item.points > 2 for item in found):
        # Errors of a dither or a lost star would pass for gusts and swings.
        return found
    motion = [
        *_by_axis(series, inside),
        *_of_whole_exposure(inside, _by_rhythm(series, inside, limits)),
        *_by_gusts(series, inside, limits),
        *_by_declination(series, position, inside, limits),
    ]
    # What guiding recorded counts little for an elongation that it does not explain.
    seen = share_seen(series, position) / limits.guiding.seen_share
    trust = float(np.clip(seen, 0.2, 1.0)) if math.isfinite(seen) else 1.0
    motion = [
        replace(e, points=round(e.points * (trust if e.points > 0 else 1), 3)) for e in motion
    ]
    return [*found, *_by_share_seen(series, position, inside, limits), *motion]


def share_seen(series: GuidedSeries, position: int) -> float:
    """Measured elongation that the recorded motion explains, a ratio of variances.

    The elongation (xx - yy) + 2i xy of the star and of the recorded motion are compared
    along the star's long axis, or by size alone where the camera's angle is unknown.
    NaN where either is missing.
    """
    inside, expected = series.exposure(position), series.prediction(position)
    measured = complex(series["xx"][position] - series["yy"][position], 2 * series["xy"][position])
    if inside is None or not abs(measured) > 0:
        return float("nan")
    if expected is not None and np.isfinite(expected.predicted).all():
        xx, yy, xy = expected.predicted
        return (complex(xx - yy, 2 * xy) * measured.conjugate()).real / abs(measured) ** 2
    scale = series.scale_arcsec
    if not (scale and np.isfinite(inside.moments).all()):
        return float("nan")
    ra, dec, cross = inside.moments
    return abs(complex(ra - dec, 2 * cross)) / scale**2 / abs(measured)


def _by_share_seen(series, position, inside: ExposureGuiding, limits: Limits) -> list[Evidence]:
    seen, limit = share_seen(series, position), limits.guiding.seen_share
    if not (math.isfinite(seen) and inside.coverage >= COVERED):
        return []
    # A throw that was soon over counts more in the record than in the stars' core.
    share = "all" if seen > 1 else "none" if seen < NOTHING else figure(100 * seen, "%")
    text = (
        f"guiding explains {share} of the stars' elongation (RMS RA {figure(inside.rms_ra, '″')}, "
        f"Dec {figure(inside.rms_dec, '″')})"
    )
    places = [0.1 * limit, 0.3 * limit, limit, 2.0 * limit]
    unseen = float(np.interp(seen, places, [4.5, 3.5, 0.5, -3.0]))
    # A main mirror that jumps is as unseen as one that creeps; a kick to the mount is seen.
    words = {"flexure": unseen, "bump": max(0.6 * unseen, 0.0)} | {
        word: float(np.interp(seen, places, [-4.5, -3.5, -0.5, 0.5])) for word in SEEN_BY_THE_GUIDER
    }
    return [
        clue(word, EXPLAINED, points, text, value=min(seen, 1.0), limit=limit)
        for word, points in words.items()
    ]


def _by_axis(series: GuidedSeries, inside: ExposureGuiding) -> list[Evidence]:
    """In which axis is the motion beyond the level of the quiet stretches?"""
    share, floor = _ra_share(series, inside), noise_floor(series)
    if not math.isfinite(share):
        return []
    text = (
        f"{figure(100 * share, '%')} of the guiding error beyond the quiet-stretch RMS of "
        f"{figure(floor, '″')} is in RA (RMS RA {figure(inside.rms_ra, '″')}, Dec "
        f"{figure(inside.rms_dec, '″')})"
    )
    right = float(np.interp(share, [0.2, 0.5, 0.85], [-3.0, -0.7, 0.8]))
    # Wind comes from any side; motion wholly along one axis is rarer.
    wind = float(np.interp(abs(share - 0.5), [0.2, 0.48], [0.5, -0.2]))
    words = {
        "ra_oscillation": right,
        "periodic_error": right,
        "dec_drift": float(np.interp(share, [0.15, 0.5, 0.8], [0.8, -0.7, -3.0])),
        "wind_trail": wind,
    }
    return [clue(word, RA_SHARE, points, text, value=share) for word, points in words.items()]


def _ra_share(series: GuidedSeries, inside: ExposureGuiding) -> float:
    """Share of the recorded variance beyond the floor that is in RA; NaN for a calm record."""
    floor = noise_floor(series)
    beyond = [max(rms**2 - floor**2, 0.0) for rms in (inside.rms_ra, inside.rms_dec)]
    whole = sum(beyond)
    return beyond[0] / whole if whole > 0.6 * floor**2 else float("nan")


def _by_rhythm(series: GuidedSeries, inside: ExposureGuiding, limits: Limits) -> list[Evidence]:
    """Fast to and fro, or one slow swing, where right ascension moved at all."""
    share = _ra_share(series, inside)
    if not share > 0.5:
        return []
    found, lag = [], inside.lag1_ra
    if math.isfinite(lag):
        limit = limits.guiding.reversal
        own, bar = beside(lag, limit)
        text = (
            f"successive RA errors have a correlation of {own} (below {bar} they reverse from "
            "sample to sample, near 1 they change slowly)"
        )
        fast = float(np.interp(lag, [limit - 0.3, limit, 0.2, 0.7], [3.0, 1.0, -1.0, -2.5]))
        slow = float(np.interp(lag, [limit, 0.2, 0.7, 0.9], [-3.0, -0.5, 1.0, 2.0]))
        wind = float(np.interp(lag, [limit - 0.3, 0.0, 0.6, 0.9], [-2.0, 0.5, 0.5, -1.0]))
        words = {"ra_oscillation": fast, "periodic_error": slow, "wind_trail": wind}
        found += [clue(w, REVERSAL, p, text, value=lag, limit=limit) for w, p in words.items()]
    if math.isfinite(inside.overshoot):
        limit = limits.guiding.overshoot
        own, bar = beside(100 * inside.overshoot, 100 * limit, "%")
        text = (
            f"{own} of the RA corrections overshot by more than half the error (over-correction "
            f"from {bar})"
        )
        points = float(np.interp(inside.overshoot, [0.5 * limit, limit, 1.4 * limit], [-1, 0, 1.5]))
        found.append(
            clue("ra_oscillation", OVERSHOOT, points, text, value=inside.overshoot, limit=limit)
        )
    return found + _by_period(series, inside)


def _of_whole_exposure(inside: ExposureGuiding, items: list[Evidence]) -> list[Evidence]:
    """A gust rings to and fro by itself; its rhythm shows little of the mount's habit."""
    # Peak over rms is 1.4 for a pure swing and over 4 where a tenth of the time holds it all.
    peak = inside.peak / math.hypot(inside.rms_ra, inside.rms_dec)
    if not inside.gusts or not math.isfinite(peak):
        return items
    part = float(np.interp(peak, [2.5, 4.0], [1.0, 0.3]))
    return [replace(item, points=round(part * item.points, 3)) for item in items]


def _by_period(series: GuidedSeries, inside: ExposureGuiding) -> list[Evidence]:
    period, exposure = inside.period_s, series.group.exposure_s
    if not (math.isfinite(period) and exposure):
        return []
    worm = series.guiding.worm_period_s
    text = f"RA oscillates with a period of {figure(period, 's')}"
    usual = worm if math.isfinite(worm) else None
    if usual:
        text += f" (worm {figure(worm, 's')})"
    # From a few cadences to a good part of the exposure.
    slow = float(np.interp(period, [8 * cadence(series), 0.4 * exposure], [-1.0, 1.0]))
    if usual and abs(math.log(period / worm)) < 0.2:
        slow = max(slow, 1.5)
    return [
        clue(w, SWING_PERIOD, p, text, value=period, usual=usual)
        for w, p in (("periodic_error", slow), ("ra_oscillation", -slow))
    ]


def _by_gusts(series: GuidedSeries, inside: ExposureGuiding, limits: Limits) -> list[Evidence]:
    floor, size = noise_floor(series), inside.gust_size
    if inside.gusts and math.isfinite(size) and floor > 0:
        largest, level = figure(size, "″"), quiet_text(floor)
        text = (
            f"{inside.gusts} gusts in the guiding record, the largest {largest} from the median "
            f"position{level}"
            if inside.gusts > 1
            else f"a gust of {largest} from the median position in the guiding record{level}"
        )
        if math.isfinite(inside.gust_settle_s):
            text += f", settled in {figure(inside.gust_settle_s, 's')}"
        limit = limits.guiding.gust_floors
        points = float(np.interp(size / floor, [limit, 2 * limit, 4 * limit], [0.5, 2.0, 3.5]))
        return [
            clue("wind_trail", GUST, points, text, value=size, usual=floor, limit=limit * floor)
        ]
    if inside.coverage < COVERED:
        return []
    text = f"no gust in the guiding record, errors up to {figure(inside.peak, '″')}"
    return [clue("wind_trail", GUST, -1.5, text, value=inside.peak)]


def _by_declination(series, position, inside: ExposureGuiding, limits: Limits) -> list[Evidence]:
    """A drift in declination that was left uncorrected, or corrected one way only."""
    exposure, found = series.group.exposure_s, []
    if exposure and math.isfinite(inside.drift_dec) and inside.rms_dec > 0:
        length = abs(inside.drift_dec) * exposure / 60.0
        # A box of length L has variance L^2 / 12 [derived].
        share = length**2 / 12 / inside.rms_dec**2
        limit = limits.guiding.drift_share
        text = (
            f"Dec drifted by {figure(length, '″')} during the exposure, "
            f"{figure(100 * min(share, 1.0), '%')} of its recorded variance"
        )
        if length > 2 * noise_floor(series):
            points = float(np.interp(share, [0.3 * limit, limit, 1.6 * limit], [-1.0, 1.0, 2.5]))
            points += _steady_drift(series, position, inside)
        else:
            # Declination that moved, and far, without a drift moved for another reason.
            moved = inside.rms_dec / noise_floor(series)
            points = float(np.interp(moved, [1.5, 3.0], [-1.5, -4.0])) if moved > 0 else -1.5
        found.append(clue("dec_drift", DEC_DRIFT, points, text, value=length))
    if math.isfinite(inside.one_sided_dec):
        limit = limits.guiding.one_sided
        text = f"{figure(100 * inside.one_sided_dec, '%')} of the Dec corrections go the same way"
        points = float(np.interp(inside.one_sided_dec, [0.6, limit, 0.97], [-0.3, 0.3, 1.2]))
        found.append(
            clue("dec_drift", ONE_SIDED, points, text, value=inside.one_sided_dec, limit=limit)
        )
    return found


def _steady_drift(series: GuidedSeries, position: int, inside: ExposureGuiding) -> float:
    """Does declination drift the same way in the frames nearby that drift as much?"""
    near = [series.exposure(k) for k in series.near(position, 3)]
    rates = np.array([e.drift_dec for e in near if e is not None])
    rates = rates[np.abs(rates) > 0.4 * abs(inside.drift_dec)]
    if len(rates) == 0:
        return 0.0
    return 0.7 * float(np.mean(np.sign(rates) == np.sign(inside.drift_dec)) * 2 - 1)
