"""Stretches of the record: settling after a dither, the star lost, and those within exposures."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from subgrade.guiding.leaps import MOVES
from subgrade.record import calm_rms
from subgrade.record.model import GuideRecord

DITHER_LASTS_S = 60.0
"""Longest time a dither is taken to settle where the record does not show it: a choice."""


def settling_intervals(record: GuideRecord) -> np.ndarray:
    """(begin, end) of dithers and their settling, record clock, shape (m, 2).

    Without a remark that it settled, a dither lasts until two samples lie within
    three quiet RMS of the reference position, `DITHER_LASTS_S` at most.
    """
    begins = sorted(e.time for e in record.events if e.kind in (*MOVES, "settle_start"))
    ends = np.array(sorted(e.time for e in record.events if e.kind == "settle_end"))
    limit = 3.0 * float(np.hypot(*calm_rms(record)))
    out: list[tuple[float, float]] = []
    for k, begin in enumerate(begins):
        if out and begin < out[-1][1]:
            continue
        until = begins[k + 1] if k + 1 < len(begins) else np.inf
        until = until if until - begin > 10.0 else np.inf
        closing = ends[(ends >= begin) & (ends <= until)]
        if len(closing):
            out.append((begin, float(closing[0])))
        else:
            out.append(
                (begin, _settled_at(record, begin, min(until, begin + DITHER_LASTS_S), limit))
            )
    return np.array(out, float).reshape(-1, 2)


def _settled_at(record: GuideRecord, begin: float, until: float, limit: float) -> float:
    low, high = np.searchsorted(record.time, [begin, until], side="right")
    away = np.hypot(record.ra[low:high], record.dec[low:high])
    near = away < limit if np.isfinite(limit) else np.zeros(len(away), bool)
    two = np.flatnonzero(near[:-1] & near[1:]) if len(near) > 1 else []
    return float(record.time[low + two[0]]) if len(two) else float(until)


def lost_intervals(record: GuideRecord) -> np.ndarray:
    """(begin, end) of times without the guide star, record clock, shape (m, 2).

    Runs of rows marked bad or without an error, and gaps that a remark of a lost star opens.
    """
    good = record.good & np.isfinite(record.ra)
    cadence = record.cadence_s
    if not np.isfinite(cadence):
        return np.empty((0, 2))
    bad = np.r_[False, ~good, False]
    first = np.flatnonzero(~bad[:-1] & bad[1:])
    after = np.flatnonzero(bad[:-1] & ~bad[1:])
    spans = [
        (record.time[i] - cadence, min(record.time[j - 1], record.time[min(j, len(good) - 1)]))
        for i, j in zip(first, after, strict=True)
    ]
    seen = record.time[good]
    for event in record.events:
        if event.kind == "star_missing":
            k = int(np.searchsorted(seen, event.time, side="right"))
            if k < len(seen) and seen[k] - event.time > 1.5 * cadence:
                spans.append((event.time, seen[k] - cadence))
    return merged(spans)


def merged(spans) -> np.ndarray:
    """Intervals in order, overlapping ones joined, shape (m, 2)."""
    out: list[list[float]] = []
    for begin, stop in sorted((float(a), float(b)) for a, b in spans):
        if out and begin <= out[-1][1]:
            out[-1][1] = max(out[-1][1], stop)
        else:
            out.append([begin, stop])
    return np.array(out, float).reshape(-1, 2)


def overlap(spans: np.ndarray, start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Seconds of each exposure inside disjoint intervals in order."""
    if not len(spans):
        return np.zeros(len(start))
    corners = spans.ravel()
    length = np.diff(spans, axis=1)[:, 0]
    filled = np.repeat(np.cumsum(length), 2)
    filled[::2] -= length
    covered = [np.interp(np.nan_to_num(t), corners, filled) for t in (start, end)]
    return covered[1] - covered[0]


def samples_within(time: np.ndarray, start: ArrayLike, end: ArrayLike) -> list[slice]:
    """Which samples fall into each exposure, its ends among them.

    Parameters
    ----------
    time : ndarray, shape (m,)
        Of the samples, rising, on the clock of the exposures.
    start, end : array-like, shape (n,)

    Returns
    -------
    list of slice, length n
    """
    low, high = np.searchsorted(time, start), np.searchsorted(time, end, side="right")
    return [slice(int(a), int(b)) for a, b in zip(low, high, strict=True)]
