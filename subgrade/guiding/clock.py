"""Which moments of the guiding record belong to which exposure.

A record may count local time of an unstated zone, run some seconds off, or count
from an unknown start.  Whatever must hold is put into one log-likelihood of the
offset: guiding runs during exposures, dithers fall between them, and the restless
stretches of the record meet the oval frames.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.guiding.model import ClockFit, GuideRecord

NAN = float("nan")
ZONE_RANGE_H = 14.0
SKEW_RANGE_S = 60
DAY_S = 86400.0
NO_DATE_BEFORE = 10 * 365 * DAY_S
"""A clock before 1980 is a time of day that somebody's reader hung on an arbitrary day."""
SKEW_USUAL_S = 15.0
"""Width of the (heavy-tailed) prior of a computer clock's error: a choice, no source."""
DITHER_LAG_S, DITHER_LAG_SPREAD_S = 2.2, 1.4
"""From the end of an exposure to the dither's command (0 to 5 s): common practice, no source."""
DECIDED_MARGIN = 4.0
"""Least lead in log-likelihood over the next offset.  Dithers fall into step together, so that
their sum counts one coincidence several times: half of it is believed (7 to 1)."""
MISTIMED = {"dither": 0.06, "settled": 0.25}
"""Share of dithers, and of their settling, that happen inside exposures: a choice."""
UNGUIDED_INSIDE, UNGUIDED_OUTSIDE = 3.0, 2.0
"""Log-likelihood lost for an exposure without guiding within the record, and beyond its ends."""
IN_USE = {
    **{float(h): 0.0 for h in range(-12, 15)},
    **dict.fromkeys((-9.5, -3.5, -2.5, 3.5, 4.5, 5.5, 6.5, 9.5, 10.5), -0.7),
    **dict.fromkeys((5.75, 8.75, 12.75, 13.75), -1.5),
}
"""Log-prior of civil time zones (offsets in use, from memory); others get `ODD_ZONE`."""
ODD_ZONE = -3.0


@dataclass(frozen=True, slots=True)
class _Grid:
    """Log-likelihood at every whole-second lag; ``add[k]`` turns record time into UTC."""

    add: np.ndarray
    score: np.ndarray


def fit_clock(
    record: GuideRecord,
    start_unix,
    end_unix,
    ovalness=None,
    utc_offset: float | None = None,
) -> ClockFit:
    """Find the seconds that turn a record's clock into UTC.

    Parameters
    ----------
    record : GuideRecord
    start_unix, end_unix : array-like, shape (n,)
        When each exposure began and ended, POSIX seconds UTC; NaN entries are left out.
    ovalness : array-like, shape (n,), optional
        Any number that grows with the elongation of each frame's stars; NaN unknown.
    utc_offset : float, optional
        Hours that the record's clock is ahead of UTC, as the user says; only the
        seconds are then fitted.  Without effect on a record that counts from a start.

    Returns
    -------
    ClockFit
        ``add_s`` = -(3600 ``zone_hours`` + ``skew_s``): both are positive for a clock
        ahead of UTC.  ``add_s`` is NaN when no offset brings record and exposures
        together.  For a record that counts from an unknown start ``zone_hours`` is NaN,
        ``skew_s`` 0, and rivals are given as (hours to add, score).
    """
    start, end = np.asarray(start_unix, float), np.asarray(end_unix, float)
    timed = np.isfinite(start) & np.isfinite(end) & (end > start)
    oval = np.full(len(start), np.nan) if ovalness is None else np.asarray(ovalness, float)
    start, end, oval = start[timed], end[timed], oval[timed]
    order = np.argsort(start)
    start, end, oval = start[order], end[order], oval[order]
    if not len(start) or len(record) < 3:
        return _nowhere("no timed exposure" if not len(start) else "no guide sample")
    evidence, dithers = _evidence(record, start, end)
    if record.clock == "relative":
        return _fit_relative(record, evidence, start, end, oval)
    shift = _whole_days(record, start, end)
    zones = _zones(record.clock, utc_offset)
    skew = np.arange(-SKEW_RANGE_S, SKEW_RANGE_S + 1.0)
    add = shift - 3600.0 * zones[:, None] - skew
    score = _at(evidence, add)
    if not np.isfinite(score).any():
        return _nowhere("no zone brings the record and the exposures together")
    score = score + _oval_score(record, start, end, oval, add, score)
    score -= np.log1p((skew / SKEW_USUAL_S) ** 2)
    prior = np.array([IN_USE.get(float(z), ODD_ZONE) for z in zones])
    return _choose(zones, skew, score, prior, shift, dithers, record.clock, utc_offset)


def _zones(clock: str, utc_offset: float | None) -> np.ndarray:
    if utc_offset is not None:
        return np.array([float(utc_offset)])
    if clock == "utc":
        return np.array([0.0])
    return np.arange(-ZONE_RANGE_H, ZONE_RANGE_H + 0.1, 0.25)


def _whole_days(record: GuideRecord, start, end) -> float:
    """Days to add to a clock that has no date."""
    if record.clock != "unknown" or record.time[0] > NO_DATE_BEFORE:
        return 0.0
    apart = 0.5 * (start[0] + end[-1]) - 0.5 * (record.time[0] + record.time[-1])
    return DAY_S * round(apart / DAY_S)


def _nowhere(why: str) -> ClockFit:
    return ClockFit(NAN, NAN, NAN, 0.0, False, why)


def _choose(zones, skew, score, prior, shift, dithers, clock, utc_offset) -> ClockFit:
    """Pick the likeliest zone, then the seconds within it."""
    top = score.max(axis=1)
    chance = prior + _log_sum(score)
    best = int(np.argmax(chance))
    value, error = _location(skew, score[best])
    second = _second_skew(skew, score[best], value)
    if dithers:
        error = float(np.hypot(error, DITHER_LAG_SPREAD_S))
    # Evidence is taken twice where neighbours are alike (frames follow one another): halved.
    share = np.exp(0.5 * (chance - chance[best]))
    confidence = float(1.0 / share[np.isfinite(share)].sum())
    lead = chance[best] - chance
    near = [k for k in np.argsort(lead) if k != best and lead[k] < 2 * DECIDED_MARGIN]
    rivals = tuple((float(zones[k]), float(top[k])) for k in near[:4])
    decided = bool(len(zones) == 1 or np.delete(lead, best).min() >= DECIDED_MARGIN)
    how = {True: "the user's zone", False: "the file's own UTC"}[utc_offset is not None]
    if len(zones) > 1:
        how = "guiding during exposures"
        how += f", {dithers} dithers between them" if dithers else ""
        if not decided:
            how += f"; UTC{zones[near[0]]:+.2f} fits nearly as well as UTC{zones[best]:+.2f}"
    how += f"; seconds off {value:+.1f} +- {error:.1f}"
    if second is not None:
        decided = False
        rivals = ((float(zones[best] + second[0] / 3600.0), second[1]), *rivals)
        how += f", or {second[0]:+.0f}"
    if not dithers:
        how += " (no dither to tell)"
    zone = float(zones[best])
    return ClockFit(
        add_s=shift - 3600.0 * zone - value,
        zone_hours=zone,
        skew_s=value,
        confidence=confidence,
        decided=decided,
        how=how,
        rivals=rivals,
        skew_error_s=error,
    )


def _location(grid: np.ndarray, score: np.ndarray, reach: float = 12.0) -> tuple[float, float]:
    """Mean and spread of the likelihood about its highest point."""
    near = np.abs(grid - grid[int(np.argmax(score))]) <= reach
    weight = np.exp(score - score.max())
    if weight[~near].sum() > weight[near].sum():
        near[:] = True  # flat: the peak means nothing
    mean = float(np.average(grid[near], weights=weight[near]))
    spread = float(np.sqrt(np.average((grid - mean) ** 2, weights=weight)))
    return mean, max(spread, 0.5)


def _second_skew(skew, score, value: float) -> tuple[float, float] | None:
    """Another place that fits nearly as well: exposures short enough to slip by one."""
    away = np.abs(skew - value) > 25.0
    inner = np.r_[False, (score[1:-1] >= score[:-2]) & (score[1:-1] >= score[2:]), False]
    inner[[0, -1]] = score[[0, -1]] > score[[1, -2]]
    peaks = np.flatnonzero(away & inner)
    if not len(peaks) or np.ptp(score) < DECIDED_MARGIN:
        return None
    k = peaks[int(np.argmax(score[peaks]))]
    if score.max() - score[k] >= DECIDED_MARGIN:
        return None
    return float(skew[k]), float(score[k])


def _log_sum(score: np.ndarray) -> np.ndarray:
    top = score.max(axis=1)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return safe + np.log(np.exp(score - safe[:, None]).sum(axis=1))


def _fit_relative(record, evidence: _Grid, start, end, oval) -> ClockFit:
    """Any offset at which record and exposures overlap."""
    add = evidence.add[None, :]
    score = evidence.score[None, :].copy()
    score = (score + _oval_score(record, start, end, oval, add, score))[0]
    add = add[0]
    peaks = []
    left = score.copy()
    for _ in range(4):
        k = int(np.argmax(left))
        peaks.append(k)
        left[np.abs(add - add[k]) <= 20.0] = -np.inf
    best = peaks[0]
    near = np.abs(add - add[best]) <= 20.0
    value, error = _location(add[near], score[near])
    lead = score[best] - score[peaks[1:]]
    rivals = tuple(
        (float(add[k]) / 3600.0, float(score[k]))
        for k, gap in zip(peaks[1:], lead, strict=True)
        if gap < 2 * DECIDED_MARGIN
    )
    decided = bool(lead[0] >= DECIDED_MARGIN)
    how = f"record laid where it covers the exposures; +- {error:.1f} s"
    if not decided:
        how += f"; {add[peaks[1]] - add[best]:+.0f} s later fits as well"
    confidence = float(1.0 / np.exp(-0.5 * np.r_[0.0, lead]).sum())
    return ClockFit(value, NAN, 0.0, confidence, decided, how, rivals, error)


def _evidence(record: GuideRecord, start, end) -> tuple[_Grid, int]:
    """Log-likelihood of every whole-second lag from coverage and dithers, by FFT."""
    from scipy.fft import irfft, next_fast_len, rfft

    zero_r = np.floor(record.time[0])
    zero_u = np.floor(start[0]) - 60.0
    n_r = int(np.ceil(record.time[-1] - zero_r)) + 2
    n_u = int(np.ceil(end[-1] - zero_u)) + 61
    size = next_fast_len(n_r + n_u, real=True)
    inside, guided = _guided_seconds(record, zero_r, n_r)
    gain = UNGUIDED_INSIDE * guided - (UNGUIDED_INSIDE - UNGUIDED_OUTSIDE) * inside
    total = np.conj(rfft(gain, size)) * rfft(_exposure_shares(start, end, zero_u, n_u), size)
    steps, ends = _dither_times(record)
    cadence = min(record.cadence_s, 10.0)
    for times, kind in ((steps, "dither"), (ends, "settled")):
        count = np.zeros(n_r)
        np.add.at(count, np.rint(times - zero_r).astype(int), 1.0)
        ratio = _between_ratio(start, end, zero_u, n_u, kind, cadence)
        total += np.conj(rfft(count, size)) * rfft(ratio, size)
    both = irfft(total, size)
    lag = np.arange(-(n_r - 1), n_u)
    return _Grid(zero_u - zero_r + lag, both[lag % size]), len(steps)


def _guided_seconds(record: GuideRecord, zero: float, n: int) -> tuple[np.ndarray, np.ndarray]:
    """One-second masks: within the record's ends; guided."""
    use = record.good & np.isfinite(record.ra)
    time = record.time[use]
    inside = np.ones(n)
    guided = np.zeros(n + 1)
    if len(time) > 1:
        short = np.diff(time) <= 3.0 * record.cadence_s
        begin = np.rint(time[:-1][short] - zero).astype(int)
        stop = np.rint(time[1:][short] - zero).astype(int)
        np.add.at(guided, begin, 1.0)
        np.add.at(guided, stop, -1.0)
    return inside, (np.cumsum(guided)[:n] > 0).astype(float)


def _exposure_shares(start, end, zero: float, n: int) -> np.ndarray:
    """Per second the share of an exposure's length, so that each exposure weighs one."""
    begin = np.rint(start - zero).astype(int)
    stop = np.maximum(np.rint(end - zero).astype(int), begin + 1)
    steps = np.zeros(n + 1)
    np.add.at(steps, begin, 1.0 / (stop - begin))
    np.add.at(steps, stop, -1.0 / (stop - begin))
    return np.cumsum(steps)[:n]


def _dither_times(record: GuideRecord) -> tuple[np.ndarray, np.ndarray]:
    """Times of dithers (remarked, else jumps of the error) and of settling, record clock."""
    kinds = ("dither",), ("settle_end",)
    times = [
        np.array([e.time for e in record.events if e.kind in kind and _within(record, e.time)])
        for kind in kinds
    ]
    begun = [e.time for e in record.events if e.kind == "settle_begin" and _within(record, e.time)]
    if not len(times[0]):
        times[0] = np.array(begun) if begun else jump_times(record)
    return _thinned(times[0]), _thinned(times[1])


def _within(record: GuideRecord, time: float) -> bool:
    return bool(record.time[0] <= time <= record.time[-1])


def _thinned(times: np.ndarray, apart: float = 6.0) -> np.ndarray:
    """Drop moments that follow another closely: one dither, remarked twice."""
    times = np.sort(times)
    return times[np.r_[True, np.diff(times) > apart]] if len(times) else times


def jump_times(record: GuideRecord) -> np.ndarray:
    """When the error jumps as a dither makes it jump, record clock.

    A step of more than eight robust sigmas (and 1.5 arcsec) from a quiet place.
    """
    use = record.good & np.isfinite(record.ra) & np.isfinite(record.dec)
    time, ra, dec = record.time[use], record.ra[use], record.dec[use]
    if len(time) < 10:
        return np.empty(0)
    step = np.hypot(np.diff(ra), np.diff(dec))
    usual = float(np.median(step))
    far = np.hypot(ra, dec)
    jump = (step > max(6.0 * usual, 1.5)) & (far[1:] > far[:-1]) & (far[:-1] < 4.0 * usual)
    return time[1:][jump]


def _between_ratio(start, end, zero: float, n: int, kind: str, cadence: float) -> np.ndarray:
    """Log of how much likelier than chance an event falls in each second of UTC.

    Dithers are commanded soon after an exposure ends (`DITHER_LAG_S`) and show up in the
    record about one cadence later; settling ends anywhere in the gap.  A few per cent
    fall inside exposures, where a badly timed dither spoils a frame.
    """
    second = zero + np.arange(n)
    before = np.searchsorted(end, second, side="right") - 1
    after = np.searchsorted(start, second, side="right")
    exposing = after - 1 > before
    gap_end = np.r_[start, end[-1] + 60.0][np.clip(before + 1, 0, len(start))]
    lag = second - np.where(before >= 0, end[np.maximum(before, 0)], start[0] - 60.0)
    length = np.maximum(gap_end - second + lag, 1.0)
    chance = 1.0 / n
    if kind == "dither":
        expected = DITHER_LAG_S + cadence
        width = 2.5 + 0.4 * cadence
        peak = np.exp(-0.5 * ((lag - expected) / width) ** 2) / (2.5 * width)
        shape = 0.75 * peak + 0.25 / length
    else:
        shape = 1.0 / length
    density = (1.0 - MISTIMED[kind]) * shape / len(start)
    density[exposing] = MISTIMED[kind] / float((end - start).sum())
    # Frames may have been left out: before the first and after the last anything goes.
    beyond = (before < 0) | ((before == len(end) - 1) & (lag > 60.0))
    density[beyond] = 0.3 * chance
    return np.clip(np.log(density / chance), -3.0, 6.0)


def _at(grid: _Grid, add: np.ndarray) -> np.ndarray:
    """Score at the offsets asked for; -inf without overlap."""
    k = np.rint(add - grid.add[0]).astype(int)
    inside = (k >= 0) & (k < len(grid.score))
    return np.where(inside, grid.score[np.clip(k, 0, len(grid.score) - 1)], -np.inf)


def _oval_score(record, start, end, oval, add, score) -> np.ndarray:
    """Gain in log-likelihood where restless record and oval frames go together.

    -n/2 log(1 - r^2) of the rank correlation r over n exposures (Gaussian copula),
    nothing for a negative one; every fifth second, for offsets worth a look.
    """
    gain = np.zeros_like(score)
    known = np.isfinite(oval)
    if known.sum() < 6:
        return gain
    row, column = np.nonzero(score > score.max() - 12.0)
    if score.shape[0] == 1 and score.shape[1] > 2000:
        keep = np.argsort(score[row, column])[-2000:]
        row, column = row[keep], column[keep]
    coarse = np.unique(np.rint(add[row, column] / 5.0) * 5.0)
    value = np.array([_copula(*pair) for pair in _pairs(record, start, end, oval, coarse)])
    gain[row, column] = np.interp(add[row, column], coarse, value)
    return gain


def _pairs(record, start, end, oval, offsets):
    """(recorded variance, ovalness) of the exposures that an offset covers."""
    use = record.good & np.isfinite(record.ra) & np.isfinite(record.dec)
    time = record.time[use]
    sums = [np.r_[0.0, np.cumsum(v)] for x in (record.ra[use], record.dec[use]) for v in (x, x * x)]
    for offset in offsets:
        lo = np.searchsorted(time, start - offset)
        hi = np.searchsorted(time, end - offset)
        count = hi - lo
        full = np.isfinite(oval) & (count >= 5)
        lo, hi, count = lo[full], hi[full], count[full]
        first = [(s[hi] - s[lo]) / count for s in sums]
        yield (first[1] - first[0] ** 2) + (first[3] - first[2] ** 2), oval[full]


def _copula(restless: np.ndarray, oval: np.ndarray) -> float:
    n = len(oval)
    if n < 6:
        return 0.0
    a, b = (np.argsort(np.argsort(v)) - 0.5 * (n - 1) for v in (restless, oval))
    r = float(np.sum(a * b) / np.sum(a * a))
    return -0.5 * n * float(np.log1p(-(min(r, 0.99) ** 2))) if r > 0 else 0.0
