"""What the guiding stage hands on: the record as understood, its clock, and each exposure's share.

Times are seconds.  A record's own clock counts POSIX seconds as if it were UTC;
`ClockFit` says what to add to get true UTC.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Column:
    """What one column of the file was taken for.

    Attributes
    ----------
    title : str
        As it stands in the file.
    role : str
        ``time``, ``date`` (of a time of day beside it), ``ra``, ``dec``, ``x``, ``y``
        (errors), ``ra_pulse``, ``dec_pulse``, ``ra_side``, ``dec_side`` (direction words of
        pulses), ``brightness``, ``snr``, ``state``, ``frame``, ``remark``, or ``other``.
    unit : str
        ``arcsec``, ``px``, ``ms``, ``s``, ``iso``, ``clock``, ``unix``, ``jd``, ``mjd``, or ''.
    sure : float
        0..1.
    why : str
        One phrase: the tokens and the data that decided.
    """

    title: str
    role: str
    unit: str
    sure: float
    why: str


@dataclass(frozen=True, slots=True)
class GuideEvent:
    """A remark of the record: ``dither``, ``settle_start``, ``settle_end``, ``star_missing``,
    ``pause``, ``resume``, ``reference_moved`` or ``other``."""

    time: float
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class GuideRecord:
    """One guiding record, all sections joined; arrays of one length n, in time order.

    Attributes
    ----------
    path : str
    clock : str
        ``utc`` (the file says so or gives a zone), ``unknown`` (a date and time of no stated
        zone), or ``relative`` (seconds since an unknown start).
    time : ndarray of float64
        POSIX seconds on the record's own clock.
    ra, dec : ndarray of float64
        Error of the guide star along right ascension and declination, arcsec; NaN where the
        star was not measured.
    ra_pulse_ms, dec_pulse_ms : ndarray of float64
        Correction sent, ms, signed (sign of the direction word or of the column); NaN unknown,
        0 for none.
    brightness, snr : ndarray of float64
        NaN where the record has none.
    good : ndarray of bool
        False for rows that the record marks as lost or in error.
    section : ndarray of int
        Section of each sample.
    sections : tuple of (float, float)
        First and last time of each section.
    events : tuple of GuideEvent
    columns : tuple of Column
    scale_arcsec_px : float
        Used to turn pixels into arcsec; NaN when the errors were in arcsec.
    axes : str
        ``ra_dec`` or ``xy`` (camera axes only: ``ra`` holds x and ``dec`` holds y).
    notes : tuple of str
        What a person should know: rows left out and why, clock jumps, guesses.
    dated : bool
        False for times of day of an unknown date: they count from midnight of 1970-01-01.
    """

    path: str
    clock: str
    time: np.ndarray
    ra: np.ndarray
    dec: np.ndarray
    ra_pulse_ms: np.ndarray
    dec_pulse_ms: np.ndarray
    brightness: np.ndarray
    snr: np.ndarray
    good: np.ndarray
    section: np.ndarray
    sections: tuple[tuple[float, float], ...]
    events: tuple[GuideEvent, ...]
    columns: tuple[Column, ...]
    scale_arcsec_px: float = NAN
    axes: str = "ra_dec"
    notes: tuple[str, ...] = ()
    dated: bool = True

    def __len__(self) -> int:
        return len(self.time)

    @property
    def cadence_s(self) -> float:
        """Median time between samples, s."""
        return float(np.median(np.diff(self.time))) if len(self.time) > 1 else NAN


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
