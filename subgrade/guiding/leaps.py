"""Where a record's error leaps because the place that the guide star is held at was moved."""

from __future__ import annotations

import numpy as np

from subgrade.record.model import GuideRecord

LEAP = 4.5
"""A leap of the error is so many times the usual step; white noise makes one of 1e6 so long
(exp(-r^2 / 4 s^2) with a median step of 1.67 s, derived)."""
LEAST_LEAP_ARCSEC = 0.8
CALM_BEFORE = 4
"""Quiet samples that must come before a leap without a remark: a choice."""
PLAIN = (6.0, 1.5, 8)
"""The same three for leaps that are to pass for dithers by themselves."""
MOVES = ("dither", "reference_moved")
"""Remarks of a new place."""


def leaps(record: GuideRecord, time: np.ndarray, error: np.ndarray, plain: bool = False) -> tuple:
    """Steps between samples in which the star's place was moved, as remarked and otherwise.

    Parameters
    ----------
    record : GuideRecord
        For its remarks.
    time : ndarray, shape (n,)
        Of the good samples, record clock.
    error : ndarray of complex, shape (n,)
        RA + i Dec, arcsec.
    plain : bool
        Whether only leaps count that no gust is likely to make (`PLAIN`).

    Returns
    -------
    remarked, unremarked : ndarray of bool, shape (n - 1,)
        At a remark the plain leap within two guide intervals, else the step into the next
        sample; elsewhere leaps that leave a quiet stretch.
    usual : float
        Median step, arcsec; NaN of a record too short.
    """
    n = len(time)
    remarked, unremarked = np.zeros(max(n - 1, 0), bool), np.zeros(max(n - 1, 0), bool)
    if n < 3 * CALM_BEFORE:
        return remarked, unremarked, float("nan")
    step = np.abs(np.diff(error))
    usual = float(np.median(step))
    times, least, calm_before = PLAIN if plain else (LEAP, LEAST_LEAP_ARCSEC, CALM_BEFORE)
    limit = max(times * usual, least)
    cadence = record.cadence_s
    marked = [e for e in record.events if e.kind in MOVES]
    # A guider that calls itself settling has been moved, where nothing else says so.
    marked = marked or [e for e in record.events if e.kind == "settle_start"]
    for event in marked:
        low, high = np.searchsorted(time, event.time + cadence * np.array([-1.5, 2.5]))
        low, high = max(low - 1, 0), min(high, n - 1)
        near = low + int(np.argmax(step[low:high])) if high > low else 0
        if high > low and step[near] > limit:
            remarked[near] = True
        else:
            remarked[np.clip(np.searchsorted(time, event.time - 1e-3) - 1, 0, n - 2)] = True
    far = np.abs(error)
    restless = np.r_[0, np.cumsum(far > 0.5 * limit)]
    place = np.flatnonzero(step > limit) + 1
    place = place[place >= calm_before]
    calm = restless[place] == restless[place - calm_before]
    unremarked[place[calm & (far[place] > 0.5 * limit)] - 1] = True
    near = np.convolve(remarked, np.ones(5), "same") > 0
    return remarked, unremarked & ~near, usual
