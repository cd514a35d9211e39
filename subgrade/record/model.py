"""What reading a guiding record hands on: its columns as understood, its samples, its remarks.

Times are seconds.  A record's own clock counts POSIX seconds as if it were UTC;
`guiding.model.ClockFit` says what to add to get true UTC.
"""

from __future__ import annotations

from dataclasses import dataclass

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
        (errors or places), ``x_wanted``, ``y_wanted`` (where the star is held), ``ra_pulse``,
        ``dec_pulse``, ``ra_side``, ``dec_side`` (direction words of pulses), ``brightness``,
        ``snr``, ``state``, ``frame``, ``remark``, or ``other``.
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
    unscaled : bool
        Whether ``ra`` and ``dec`` are in guide camera pixels of unknown size and not in arcsec.
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
    unscaled: bool = False

    def __len__(self) -> int:
        return len(self.time)

    @property
    def measured(self) -> np.ndarray:
        """Samples with the star's place on both axes, bool, shape (n,)."""
        return self.good & np.isfinite(self.ra) & np.isfinite(self.dec)

    @property
    def cadence_s(self) -> float:
        """Median time between samples, s."""
        return float(np.median(np.diff(self.time))) if len(self.time) > 1 else NAN
