"""What the guiding record shows of any frame: its floor, interruptions, the guide star's light."""

from __future__ import annotations

import math

import numpy as np

from subgrade.figures import figure
from subgrade.guiding.model import ExposureGuiding
from subgrade.judging.evidence import clue, evidence
from subgrade.judging.features import (
    GUIDE_STAR_LIGHT,
    GUIDING_ERROR,
    GUIDING_PEAK,
    GUIDING_RMS,
    RECORD_GAP,
    STAR_MISSING,
    UNSETTLED,
)
from subgrade.judging.guided_series import GuidedSeries
from subgrade.judging.limits import Limits
from subgrade.judging.model import Evidence

COVERED = 0.7
"""Share of the exposure with samples from which the record may show that nothing happened."""


def by_interruption(series: GuidedSeries, position: int, limits: Limits) -> list[Evidence]:
    """A guide star lost, or a dither not settled, during the exposure."""
    inside, exposure = series.exposure(position), series.group.exposure_s
    if inside is None or not exposure:
        return []
    found, g = [], limits.guiding
    lost = inside.lost_s
    gap = inside.longest_gap_s if math.isfinite(inside.longest_gap_s) else 0.0
    if lost > g.lost_share * exposure:
        text = f"guide star missing for {figure(lost, 's')} of the {figure(exposure, 's')} exposure"
        points = float(np.interp(lost / exposure, [g.lost_share, 0.15, 0.4], [1.0, 2.5, 4.0]))
        found.append(
            clue(
                "tracking_lost",
                STAR_MISSING,
                points,
                text,
                value=lost,
                limit=g.lost_share * exposure,
            )
        )
    elif gap > 3 * cadence(series) and gap > 2 * g.lost_share * exposure:
        text = f"the guiding record has a gap of {figure(gap, 's')}"
        found.append(clue("tracking_lost", RECORD_GAP, 0.7, text, value=gap))
    if inside.peak > g.lost_arcsec:
        text = f"guiding errors up to {figure(inside.peak, '″')}, larger than any dither"
        found.append(
            clue("tracking_lost", GUIDING_ERROR, 4.0, text, value=inside.peak, limit=g.lost_arcsec)
        )
    if inside.settle_overlap_s > g.settle_s and not any(e.points > 1 for e in found):
        found.append(_unsettled(series, inside, exposure, limits))
    return found


def _unsettled(series, inside: ExposureGuiding, exposure: float, limits: Limits) -> Evidence:
    overlap, floor = inside.settle_overlap_s, noise_floor(series)
    # What threw the star out after it had come home was not the dither.
    own = inside.unsettled_peak if math.isfinite(inside.unsettled_peak) else inside.peak
    text = (
        f"a dither or its settling took {figure(overlap, 's')} of the exposure, with errors up "
        f"to {figure(own, '″')}{quiet_text(floor)}"
    )
    # Settling that nobody sees in the errors, or that was over at once, harmed nothing.
    # A steady drift, which may itself keep the guider from settling, is not the dither's.
    creep = 0.5 * math.hypot(inside.drift_ra, inside.drift_dec) * exposure / 60.0
    beyond = own - (creep if math.isfinite(creep) else 0.0)
    peak = beyond / floor if floor > 0 else float("nan")
    points = float(np.interp(peak, [4.0, 8.0, 16.0], [-0.5, 2.5, 5.0])) if peak == peak else 1.0
    points *= min(1.0, overlap / (0.05 * exposure))
    return clue(
        "dither_overlap", UNSETTLED, points, text, value=overlap, limit=limits.guiding.settle_s
    )


def record_context(series: GuidedSeries, position: int, reason: str) -> list[Evidence]:
    """The recorded RMS and peak against the quiet stretches, for `explain`; no points."""
    inside, floor = series.exposure(position), noise_floor(series)
    if inside is None or not math.isfinite(inside.rms_ra + inside.rms_dec):
        return []
    calm = [series.guiding.calm_rms_ra, series.guiding.calm_rms_dec]
    text = f"guiding RMS RA {figure(inside.rms_ra, '″')}, Dec {figure(inside.rms_dec, '″')}"
    if all(map(math.isfinite, calm)):
        text += f" (quiet-stretch RMS RA {figure(calm[0], '″')}, Dec {figure(calm[1], '″')})"
    peak = f"largest guiding error {figure(inside.peak, '″')}"
    return [
        evidence(
            reason,
            GUIDING_RMS,
            0.0,
            text,
            value=math.hypot(inside.rms_ra, inside.rms_dec),
            usual=math.hypot(*calm),
        ),
        evidence(reason, GUIDING_PEAK, 0.0, peak, value=inside.peak, usual=floor),
    ]


def noise_floor(series: GuidedSeries) -> float:
    """Quiet-stretch RMS, arcsec: that of the quieter axis; NaN unknown.

    A night that swings throughout in one axis would else be its own yardstick.
    """
    night = series.guiding
    calm = [v for v in (night.calm_rms_ra, night.calm_rms_dec) if v > 0] if night else []
    return min(calm, default=float("nan"))


def quiet_text(floor: float) -> str:
    """The level beside a recorded error, in brackets; empty where it is unknown."""
    return f" (quiet-stretch RMS {figure(floor, '″')})" if math.isfinite(floor) else ""


def guide_star_dimmed(
    series: GuidedSeries, position: int, share: float, limits: Limits
) -> list[Evidence]:
    """Did the guide star fade as the stars did?  Cloud dims both, dew or a fault only one."""
    inside = series.exposure(position)
    drop = inside.star_drop if inside is not None else float("nan")
    if not (math.isfinite(drop) and share < 1 - limits.guiding.star_loss):
        return []
    loss, guide_loss = 1 - share, 1 - drop
    text = (
        f"the guide star was at {figure(drop)} of its typical brightness, starlight at "
        f"{figure(share)} of the clear level"
    )
    # The least of many samples reads low by its noise, about a tenth.  That it dimmed
    # counts for less: a guide scope may dew over too.
    dimmed = max(guide_loss - 0.1, 0.0) / loss
    points = float(np.interp(dimmed, [0.0, 0.25, 0.6], [-2.0, 0.0, 1.0]))
    return [clue("cloud", GUIDE_STAR_LIGHT, points, text, value=drop, usual=1.0)]


def cadence(series: GuidedSeries) -> float:
    """Median time between samples, s; 0 unknown."""
    step = series.guiding.record.cadence_s
    return step if math.isfinite(step) else 0.0
