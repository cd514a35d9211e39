"""The guiding record for drawing: thinned over the night, whole inside each exposure."""

from __future__ import annotations

import numpy as np

from subgrade.guiding.model import GuideNight
from subgrade.lights.model import HeaderFacts

BINS = 1200
"""Bins of the night's trace, each drawn by its least and largest error; about one a pixel."""
MOST_STEPS = 160
"""Points of one exposure's path; more cannot be distinguished in some 200 pixels."""
GAP = 5.0
"""A pause of so many sample times breaks the line."""
DIGITS = 2
"""Decimals of an arcsecond that are drawn."""


def night_trace(guiding: GuideNight) -> dict:
    """Errors over the night, least and largest of each bin, so that no spike is lost.

    Parameters
    ----------
    guiding : GuideNight
        With a settled clock.

    Returns
    -------
    dict
        ``ra`` and ``dec``: lists ``t`` (POSIX seconds UTC) and ``e`` (arcsec, None where the
        line breaks); ``axes``: the record's, ``ra_dec`` or ``xy``.
    """
    record = guiding.record
    time = record.time + guiding.clock.add_s
    good = np.asarray(record.good, bool)
    gap = GAP * record.cadence_s if len(time) > 1 else np.inf
    return {
        "ra": _thinned(time, np.where(good, record.ra, np.nan), gap),
        "dec": _thinned(time, np.where(good, record.dec, np.nan), gap),
        "axes": record.axes,
    }


def _thinned(time: np.ndarray, error: np.ndarray, gap: float) -> dict:
    known = np.isfinite(error) & np.isfinite(time)
    t, e = time[known], error[known]
    if not len(t):
        return {"t": [], "e": []}
    keep = np.arange(len(t))
    if len(t) > 2 * BINS:
        edges = np.linspace(t[0], t[-1], BINS + 1)
        first = np.unique(np.searchsorted(t, edges[:-1], side="left"))
        parts = np.split(keep, first[1:])
        ends = [(p[np.argmin(e[p])], p[np.argmax(e[p])]) for p in parts if len(p)]
        keep = np.unique(np.array(ends).ravel())
    # A break is where the record itself pauses, not where thinning left samples out.
    paused = np.concatenate([[0], np.cumsum(np.diff(t) > gap)])[keep]
    seconds, errors, previous = [], [], None
    for k, part in zip(keep, paused, strict=True):
        if seconds and part != previous:
            seconds.append(round(float(t[k]) - 0.1, 1))
            errors.append(None)
        seconds.append(round(float(t[k]), 1))
        errors.append(round(float(e[k]), DIGITS))
        previous = part
    return {"t": seconds, "e": errors}


def exposure_path(guiding: GuideNight, facts: HeaderFacts | None) -> dict | None:
    """The guide star's recorded path inside one exposure.

    Parameters
    ----------
    guiding : GuideNight
        With a settled clock.
    facts : HeaderFacts or None

    Returns
    -------
    dict or None
        Lists ``t`` (seconds since the exposure's start), ``ra`` and ``dec`` (arcsec); None
        without samples inside.
    """
    if facts is None or facts.start_unix is None or not facts.exposure_s:
        return None
    record = guiding.record
    since = record.time + guiding.clock.add_s - facts.start_unix
    inside = (since >= 0) & (since <= (facts.elapsed_s or facts.exposure_s))
    inside &= np.isfinite(record.ra) & np.isfinite(record.dec) & np.asarray(record.good, bool)
    which = np.flatnonzero(inside)
    if not len(which):
        return None
    if len(which) > MOST_STEPS:
        which = which[np.unique(np.linspace(0, len(which) - 1, MOST_STEPS).astype(int))]
    return {
        "t": [round(float(v), 1) for v in since[which]],
        "ra": [round(float(v), DIGITS) for v in record.ra[which]],
        "dec": [round(float(v), DIGITS) for v in record.dec[which]],
    }
