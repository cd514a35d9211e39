"""How a night was corrected: what the guider sent, in numbers that another night can be held to.

They are the record's own: no rate of the mount has to be known.
"""

from __future__ import annotations

import math

import numpy as np

from subgrade.guiding.intervals import settling_intervals
from subgrade.record.model import GuideRecord
from subgrade.robust import median_error

FEWEST = 30
"""Corrections from which their strength is stated: a choice."""


def corrections_sent(record: GuideRecord) -> dict[str, float]:
    """Numbers of the corrections of a whole record; NaN where it does not hold them.

    Parameters
    ----------
    record : GuideRecord

    Returns
    -------
    dict
        ``ra_ms_per_arcsec``, ``ra_ms_per_arcsec_error`` : length of an RA correction over the
        error that it answered, median of the errors above the median one, and its error;
        ``dec_ms_per_arcsec``, ``dec_ms_per_arcsec_error`` : the same in Dec;
        ``ra_share``, ``dec_share`` : share of the samples with a correction;
        ``dec_rarer_share`` : share of the Dec corrections in the rarer direction;
        ``settling_s`` : median time that a dither took to settle.
    """
    settling = settling_intervals(record)
    quiet = record.measured.copy()
    for begin, end in settling:
        inside = slice(*np.searchsorted(record.time, (begin, np.nextafter(end, np.inf))))
        quiet[inside] = False
    strength, error = _strength(record.ra[quiet], record.ra_pulse_ms[quiet])
    in_dec, dec_error = _strength(record.dec[quiet], record.dec_pulse_ms[quiet])
    dec = record.dec_pulse_ms[quiet]
    up, down = np.count_nonzero(dec > 0), np.count_nonzero(dec < 0)
    return {
        "ra_ms_per_arcsec": strength,
        "ra_ms_per_arcsec_error": error,
        "dec_ms_per_arcsec": in_dec,
        "dec_ms_per_arcsec_error": dec_error,
        "ra_share": _share(record.ra_pulse_ms[quiet]),
        "dec_share": _share(dec),
        "dec_rarer_share": min(up, down) / (up + down) if up + down else math.nan,
        "settling_s": float(np.median(np.diff(settling, axis=1))) if len(settling) else math.nan,
    }


def _share(pulse: np.ndarray) -> float:
    """Share of the samples that a correction was sent at; NaN where mostly unknown."""
    known = np.isfinite(pulse)
    return float(np.mean(pulse[known] != 0)) if len(known) and known.mean() > 0.8 else math.nan


def _strength(error: np.ndarray, pulse: np.ndarray) -> tuple[float, float]:
    """Median length of the corrections over the errors that they answered."""
    sent = np.isfinite(pulse) & (pulse != 0) & (error != 0)
    if sent.sum() < FEWEST:
        return math.nan, math.nan
    size = np.abs(error)
    # a small error's ratio is that of its rounding
    large = sent & (size >= np.median(size[sent]))
    each = np.abs(pulse[large]) / size[large]
    return float(np.median(each)), median_error(each)
