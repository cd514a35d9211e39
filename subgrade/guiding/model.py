"""What joining a guiding record with the night hands on: clock, and each exposure's share.

Times are seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from subgrade.record.model import GuideRecord

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class ClockFit:
    """Seconds to add to a record's clock to get UTC, and with what confidence.

    ``rivals`` are other whole-zone offsets (hours, score) that fit nearly as well;
    ``decided`` is False when one of them fits equally and the user must state it.
    """

    add_s: float
    zone_hours: float
    skew_s: float
    confidence: float
    decided: bool
    how: str
    rivals: tuple[tuple[float, float], ...] = ()
    skew_error_s: float = NAN
    """One sigma of the seconds; large where no dither shows them."""


@dataclass(frozen=True, slots=True)
class ExposureGuiding:
    """The guiding inside one exposure; NaN where the record does not show it.

    Errors in arcsec.  ``rms_*`` are about the mean over the exposure, ``off_*`` about the
    reference position.  ``moments`` is the (ra-ra, dec-dec, ra-dec) covariance of the
    recorded motion, arcsec^2.
    """

    samples: int = 0
    coverage: float = 0.0
    """Share of the exposure with samples (gaps of over three cadences left out)."""
    rms_ra: float = NAN
    rms_dec: float = NAN
    off_ra: float = NAN
    off_dec: float = NAN
    peak: float = NAN
    drift_ra: float = NAN
    """arcsec per minute, robust slope."""
    drift_dec: float = NAN
    lag1_ra: float = NAN
    lag1_dec: float = NAN
    period_s: float = NAN
    """Dominant period in RA (Lomb-Scargle) when significant."""
    amplitude: float = NAN
    false_alarm: float = NAN
    one_sided_ra: float = NAN
    """Share of RA corrections in their commoner direction, 0.5..1."""
    one_sided_dec: float = NAN
    overshoot: float = NAN
    """Share of corrections after which the error changed sign and grew past half its size."""
    gusts: int = 0
    gust_time: float = NAN
    gust_size: float = NAN
    gust_settle_s: float = NAN
    star_drop: float = NAN
    """Least guide-star brightness over the night's usual."""
    lost_s: float = 0.0
    settle_overlap_s: float = 0.0
    """Seconds of the exposure during a dither or its settling."""
    longest_gap_s: float = NAN
    moments: tuple[float, float, float] = (NAN, NAN, NAN)
    unsettled_peak: float = NAN
    """Greatest error during a dither or its settling, until the star was home."""


@dataclass(frozen=True, slots=True)
class Prediction:
    """What the recorded motion adds to the star image, beside what was measured (px^2)."""

    predicted: tuple[float, float, float] = (NAN, NAN, NAN)
    residual: tuple[float, float, float] = (NAN, NAN, NAN)
    error: float = NAN


@dataclass(frozen=True, slots=True)
class GuideNight:
    """The record over the night; NaN where it does not show it.

    ``camera_angle_deg`` is the direction of RA (east) in the main image, counter-clockwise from
    +x; ``handedness`` +1 when north is 90 degrees counter-clockwise from east.
    """

    record: GuideRecord
    clock: ClockFit
    exposures: tuple[ExposureGuiding | None, ...]
    """One entry a frame of the night, in ``Night.frames`` order; None without overlap."""
    predictions: tuple[Prediction | None, ...] = ()
    camera_angle_deg: float = NAN
    camera_angle_error_deg: float = NAN
    handedness: int = 0
    angle_source: str = "none"
    """``wcs``, ``night`` or ``none``."""
    worm_period_s: float = NAN
    worm_amplitude: float = NAN
    dec_drift: float = NAN
    """Uncorrected declination drift, arcsec per minute, corrections added back."""
    polar_arcmin: float = NAN
    polar_arcmin_error: float = NAN
    backlash_s: float = NAN
    calm_rms_ra: float = NAN
    calm_rms_dec: float = NAN
    guide_exposure: str = ""
    """``too slow``, ``chases seeing``, ``fits`` or '' unknown."""
    usual_brightness: float = NAN
    notes: tuple[str, ...] = field(default=())
