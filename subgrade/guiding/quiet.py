"""The record's quiet level: the scatter of its errors when nothing happens."""

from __future__ import annotations

import numpy as np

from subgrade.guiding.model import GuideRecord

NAN = float("nan")
WINDOW = 24
"""Samples to a stretch."""


def calm_rms(record: GuideRecord) -> tuple[float, float]:
    """RMS of a record's quiet stretches in RA and Dec, arcsec.

    The lower quartile of the scatter within stretches of `WINDOW` samples, freed of
    what the lower quartile of equal stretches of white noise would read too low
    (quantile of chi-squared after Wilson & Hilferty 1931, from memory).

    Returns
    -------
    float, float
        NaN with under three stretches.
    """
    use = record.good & np.isfinite(record.ra) & np.isfinite(record.dec)
    n = int(use.sum()) // WINDOW
    if n < 3:
        return NAN, NAN
    freedom = WINDOW - 1
    low = (1.0 - 2.0 / (9.0 * freedom) - 0.67449 * np.sqrt(2.0 / (9.0 * freedom))) ** 3
    out = []
    for axis in (record.ra, record.dec):
        stretch = axis[use][: n * WINDOW].reshape(n, WINDOW)
        variance = stretch.var(axis=1, ddof=1)
        out.append(float(np.sqrt(np.quantile(variance, 0.25) / low)))
    return out[0], out[1]
