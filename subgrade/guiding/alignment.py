"""How well record and exposures fit at any offset: coverage, dithers, unrest beside ovalness."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.guiding.leaps import leaps
from subgrade.record.model import GuideRecord

DITHER_LAG_S, DITHER_LAG_SPREAD_S = 2.5, 1.4
"""From the end of an exposure to the dither's command (0 to 5 s): common practice, no source."""
MISTIMED = {"dither": 0.06, "settled": 0.25, "jump": 0.4}
"""Share of dithers, of their settling and of unexplained jumps inside exposures: a choice."""
FEWEST_DITHERS = {"dither": 1 / 6, "jump": 1 / 4}
"""Fewest dithers (or jumps taken for such) an exposure for a plan to be believed behind them.
A night's only one may well be the one that ruined a frame, a few jumps may be gusts: a choice."""
ANY_PHASE, PHASE_S = 0.003, 6.0
"""Chance that a plan dithers in step with the exposures but at another moment (all night badly
timed), and seconds that count as one moment: a choice.  Dithers in step are one coincidence."""
UNGUIDED = 5.0
"""Log-likelihood lost for an exposure without guiding: a choice."""
STAR_MISSING = 0.7
"""What a second counts in which the guider ran without its star: exposures go on, flips fall
there: a choice."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Log-likelihood at every whole-second lag; ``add[k]`` turns record time into UTC."""

    add: np.ndarray
    score: np.ndarray
    timing: np.ndarray
    """The dithers' part of the score."""


def lag_evidence(record: GuideRecord, start, end) -> tuple[Grid, int]:
    """Log-likelihood of every whole-second lag from coverage and dithers, by FFT."""
    from scipy.fft import irfft, next_fast_len, rfft

    zero_r = np.floor(record.time[0])
    zero_u = np.floor(start[0]) - 60.0
    n_r = int(np.ceil(record.time[-1] - zero_r)) + 2
    n_u = int(np.ceil(end[-1] - zero_u)) + 61
    size = next_fast_len(n_r + n_u, real=True)
    gain = UNGUIDED * _guided_seconds(record, zero_r, n_r)
    covered = np.conj(rfft(gain, size)) * rfft(_exposure_shares(start, end, zero_u, n_u), size)
    timed = np.zeros_like(covered)
    steps, ends, kind_of_step = _dither_times(record)
    if len(steps) < FEWEST_DITHERS[kind_of_step] * len(start):
        steps = ends = np.empty(0)
    cadence = min(record.cadence_s, 10.0)
    for times, kind in ((steps, kind_of_step), (ends, "settled")):
        count = np.zeros(n_r)
        np.add.at(count, np.rint(times - zero_r).astype(int), 1.0)
        ratio = _between_ratio(start, end, zero_u, n_u, kind, cadence)
        timed += np.conj(rfft(count, size)) * rfft(ratio, size)
    covered, timed = irfft(covered, size), irfft(timed, size)
    lag = np.arange(-(n_r - 1), n_u)
    timing = _in_step(timed[lag % size], start, end)
    return Grid(zero_u - zero_r + lag, covered[lag % size] + timing, timing), len(steps)


def _in_step(timing: np.ndarray, start, end) -> np.ndarray:
    """Log-likelihood of the dithers, with the chance that all were commanded at another phase.

    The mean over a cycle is taken from its highest place, which is about as wide as `PHASE_S`.
    """
    from scipy.ndimage import maximum_filter1d

    cycle = float(np.median(np.diff(start))) if len(start) > 1 else float(end[0] - start[0])
    cycle = int(np.clip(cycle, PHASE_S, len(timing)))
    any_phase = maximum_filter1d(timing, cycle, mode="nearest") - np.log(cycle / PHASE_S)
    return np.logaddexp(np.log1p(-ANY_PHASE) + timing, np.log(ANY_PHASE) + any_phase)


def _guided_seconds(record: GuideRecord, zero: float, n: int) -> np.ndarray:
    """1 in every second of the record with guiding, `STAR_MISSING` while it ran without a star."""
    guided = np.zeros(n)
    for use, worth in ((np.ones(len(record), bool), STAR_MISSING), (_seen(record), 1.0)):
        time = record.time[use]
        if len(time) > 1:
            steps = np.zeros(n + 1)
            short = np.diff(time) <= 3.0 * record.cadence_s
            begin = np.rint(time[:-1][short] - zero).astype(int)
            stop = np.rint(time[1:][short] - zero).astype(int)
            np.add.at(steps, begin, 1.0)
            np.add.at(steps, stop, -1.0)
            guided[np.cumsum(steps)[:n] > 0] = worth
    return guided


def _seen(record: GuideRecord) -> np.ndarray:
    return record.good & np.isfinite(record.ra)


def _exposure_shares(start, end, zero: float, n: int) -> np.ndarray:
    """Per second the share of an exposure's length, so that each exposure weighs one."""
    begin = np.rint(start - zero).astype(int)
    stop = np.maximum(np.rint(end - zero).astype(int), begin + 1)
    steps = np.zeros(n + 1)
    np.add.at(steps, begin, 1.0 / (stop - begin))
    np.add.at(steps, stop, -1.0 / (stop - begin))
    return np.cumsum(steps)[:n]


def _dither_times(record: GuideRecord) -> tuple[np.ndarray, np.ndarray, str]:
    """Times of dithers (remarked, else jumps of the error) and of settling, record clock."""

    def times(kind: str) -> np.ndarray:
        return np.array(
            [e.time for e in record.events if e.kind == kind and _within(record, e.time)]
        )

    ends, steps, kind = times("settle_end"), times("dither"), "dither"
    for other in ("settle_start", "reference_moved"):
        steps = steps if len(steps) else times(other)
    if not len(steps):
        steps, kind = jump_times(record), "jump"
    return _thinned(steps), _thinned(ends), kind


def _within(record: GuideRecord, time: float) -> bool:
    return bool(record.time[0] <= time <= record.time[-1])


def _thinned(times: np.ndarray, apart: float = 6.0) -> np.ndarray:
    """Drop moments that follow another closely: one dither, remarked twice."""
    times = np.sort(times)
    return times[np.r_[True, np.diff(times) > apart]] if len(times) else times


def jump_times(record: GuideRecord) -> np.ndarray:
    """When the error leaps from a quiet stretch as a dither makes it leap, record clock."""
    use = record.measured
    time = record.time[use]
    _, unremarked, _ = leaps(record, time, record.ra[use] + 1j * record.dec[use], plain=True)
    return time[1:][unremarked] if len(time) > 1 else np.empty(0)


def _between_ratio(start, end, zero: float, n: int, kind: str, cadence: float) -> np.ndarray:
    """Log of how much likelier than chance an event falls in each second of UTC.

    Dithers are commanded soon after an exposure ends (`DITHER_LAG_S`) and show up in the
    record about one cadence later; settling ends anywhere in the gap.  A few per cent
    fall inside exposures, where a badly timed dither ruins a frame.
    """
    second = zero + np.arange(n)
    before = np.searchsorted(end, second, side="right") - 1
    after = np.searchsorted(start, second, side="right")
    exposing = after - 1 > before
    gap_end = np.r_[start, end[-1] + 60.0][np.clip(before + 1, 0, len(start))]
    lag = second - np.where(before >= 0, end[np.maximum(before, 0)], start[0] - 60.0)
    length = np.maximum(gap_end - second + lag, 1.0)
    chance = 1.0 / n
    if kind != "settled":
        expected = DITHER_LAG_S + cadence
        width = 2.5 + 0.4 * cadence
        peak = np.exp(-0.5 * ((lag - expected) / width) ** 2) / (2.5 * width)
        shape = 0.75 * peak + 0.25 / length
    else:
        shape = 1.0 / length
    density = (1.0 - MISTIMED[kind]) * shape / len(start)
    density[exposing] = MISTIMED[kind] / float((end - start).sum())
    # Frames may have been left out: in a gap as long as a frame one may be missing,
    # before the first and after the last anything goes.
    missing = ~exposing & (lag > 60.0) & (length > np.median(end - start))
    density[missing] = chance
    beyond = (before < 0) | ((before == len(end) - 1) & (lag > 60.0))
    density[beyond] = 0.3 * chance
    return np.clip(np.log(density / chance), -3.0, 6.0)


def score_at(grid: Grid, add: np.ndarray, part: str = "score") -> np.ndarray:
    """Score (or its ``timing``) at the offsets asked for; -inf without overlap."""
    values = getattr(grid, part)
    k = np.rint(add - grid.add[0]).astype(int)
    inside = (k >= 0) & (k < len(values))
    return np.where(inside, values[np.clip(k, 0, len(values) - 1)], -np.inf)


def oval_score(record, start, end, oval, add, score) -> np.ndarray:
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
    use = record.measured
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
