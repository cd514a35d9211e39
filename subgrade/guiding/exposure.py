"""What the guider recorded inside each exposure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.constants import MAD_TO_SIGMA
from subgrade.guiding.intervals import lost_intervals, overlap, samples_within, settling_intervals
from subgrade.guiding.model import ClockFit, ExposureGuiding
from subgrade.record import calm_rms
from subgrade.record.model import GuideRecord

NAN = float("nan")
GAP_CADENCES = 3.0
"""Samples further apart than this leave a gap."""
SIGNIFICANT = 1e-3
"""False-alarm probability below which a period is stated: a choice, no source."""
GUST_SIGMAS = 5.0
"""Distance from the exposure's usual place, in calm RMS, that makes a gust: a choice."""
MIN_GUST_ARCSEC = 0.8
DITHER_DELAY_S = 6.0
"""A dither's move shows in the samples by then: a choice."""


@dataclass(frozen=True, slots=True)
class _Samples:
    """Good samples on UTC, the record's quiet level, and the intervals that matter."""

    time: np.ndarray
    ra: np.ndarray
    dec: np.ndarray
    ra_pulse: np.ndarray
    dec_pulse: np.ndarray
    brightness: np.ndarray
    cadence: float
    calm: float
    settling: np.ndarray
    lost: np.ndarray


def exposure_guiding(
    record: GuideRecord, clock: ClockFit, start, end, usual_brightness: float
) -> tuple[ExposureGuiding | None, ...]:
    """Measure the record inside every exposure.

    Parameters
    ----------
    record : GuideRecord
    clock : ClockFit
        Its ``add_s`` turns the record's times into UTC.
    start, end : array-like, shape (n,)
        When each exposure began and ended, POSIX seconds UTC; NaN where unknown.
    usual_brightness : float
        The guide star's usual brightness that night; NaN unknown.

    Returns
    -------
    tuple of ExposureGuiding or None, length n
        None where the record and the exposure do not overlap.  ``gust_time`` counts from
        the exposure's start.

    Notes
    -----
    A sample belongs to the exposure its time stamp falls into; what the record stamps,
    start or end of the guide exposure, is not known and worth less than one cadence.
    """
    start, end = np.atleast_1d(np.asarray(start, float)), np.atleast_1d(np.asarray(end, float))
    nothing = (None,) * len(start)
    if not np.isfinite(clock.add_s) or len(record) < 2:
        return nothing
    first, last = record.time[0] + clock.add_s, record.time[-1] + clock.add_s
    data = _samples(record, clock.add_s)
    settling = overlap(data.settling, start, end)
    lost = overlap(data.lost, start, end)
    out = []
    for k, part in enumerate(samples_within(data.time, start, end)):
        if not (start[k] < last and end[k] > first):
            out.append(None)
            continue
        values = _one(data, part, float(start[k]), float(end[k]), usual_brightness)
        out.append(
            ExposureGuiding(lost_s=float(lost[k]), settle_overlap_s=float(settling[k]), **values)
        )
    return tuple(out)


def _samples(record: GuideRecord, add: float) -> _Samples:
    use = record.measured
    calm = calm_rms(record)
    return _Samples(
        time=record.time[use] + add,
        ra=record.ra[use],
        dec=record.dec[use],
        ra_pulse=record.ra_pulse_ms[use],
        dec_pulse=record.dec_pulse_ms[use],
        brightness=record.brightness[use],
        cadence=record.cadence_s,
        # The quieter axis: one that is disturbed all night would else be its own yardstick.
        calm=float(np.fmin(*calm)),
        settling=settling_intervals(record) + add,
        lost=lost_intervals(record) + add,
    )


def _one(data: _Samples, part: slice, start: float, end: float, usual: float) -> dict:
    """Everything of one exposure but the overlaps."""
    time, ra, dec = data.time[part], data.ra[part], data.dec[part]
    coverage, gap = _coverage(data.time, part, start, end, data.cadence)
    values = {"samples": len(time), "coverage": coverage, "longest_gap_s": gap}
    values["star_drop"] = _star_drop(data.brightness[part], usual)
    if len(time) < 2:
        return values
    x, y = ra - ra.mean(), dec - dec.mean()
    xx, yy, xy = float(x @ x) / len(x), float(y @ y) / len(y), float(x @ y) / len(x)
    near = np.diff(time) < 1.5 * data.cadence
    values |= {
        "rms_ra": xx**0.5,
        "rms_dec": yy**0.5,
        "off_ra": float(np.sqrt(ra @ ra / len(ra))),
        "off_dec": float(np.sqrt(dec @ dec / len(dec))),
        "peak": float(np.sqrt((ra * ra + dec * dec).max())),
        "moments": (xx, yy, xy),
        "one_sided_ra": one_sided(data.ra_pulse[part]),
        "one_sided_dec": one_sided(data.dec_pulse[part]),
        "overshoot": overshoot(ra, data.ra_pulse[part], near),
    }
    if len(time) >= 5:
        values["drift_ra"] = 60.0 * robust_slope(time, ra)
        values["drift_dec"] = 60.0 * robust_slope(time, dec)
        values["lag1_ra"], values["lag1_dec"] = lag1(x, near), lag1(y, near)
        inside = (data.settling[:, 1] > start) & (data.settling[:, 0] < end)
        settling = until_home(time, ra, dec, data.calm, data.settling[inside])
        values |= find_gusts(time, ra, dec, data.calm, start, settling)
        values["unsettled_peak"] = _peak_within(time, ra, dec, settling, data.cadence)
    if len(time) >= 10:
        values |= dominant_period(time, ra, data.cadence)
    return values


def _coverage(all_time, part: slice, start, end, cadence) -> tuple[float, float]:
    """Share of the exposure between samples near enough, and the longest wait, s."""
    low, high = max(part.start - 1, 0), min(part.stop + 1, len(all_time))
    edges = all_time[low:high]
    if not len(edges):
        return 0.0, end - start
    allowed = GAP_CADENCES * cadence
    begin, stop = edges[:-1], edges[1:]
    clipped = np.maximum(np.minimum(stop, end) - np.maximum(begin, start), 0.0)
    waits = np.r_[clipped, max(edges[0] - start, 0.0), max(end - edges[-1], 0.0)]
    covered = float(clipped[stop - begin <= allowed].sum())
    # The record's very first and last sample stand for their own cadence.
    covered += sum(min(float(w), cadence) for w in waits[-2:])
    return min(covered / (end - start), 1.0), float(waits.max())


def _star_drop(brightness: np.ndarray, usual: float) -> float:
    """Least brightness over the usual, of medians of three samples."""
    seen = brightness[np.isfinite(brightness)]
    if len(seen) < 3 or not usual > 0:
        return NAN
    of_three = np.median([seen[:-2], seen[1:-1], seen[2:]], axis=0)
    return float(of_three.min() / usual)


def one_sided(pulses: np.ndarray, least: int = 4) -> float:
    """Share of the corrections in their commoner direction; NaN for under ``least``."""
    plus, minus = int((pulses > 0).sum()), int((pulses < 0).sum())
    return max(plus, minus) / (plus + minus) if plus + minus >= least else NAN


def overshoot(error: np.ndarray, pulses: np.ndarray, near: np.ndarray) -> float:
    """Share of corrections after which the error lies beyond zero by over half its size.

    Chance alone gives 0.35 for white noise of any size: half change sign, and of two
    normal numbers the second exceeds half the first with probability 1 - (2/pi) atan(1/2).
    """
    sent = np.isfinite(pulses[:-1]) & (pulses[:-1] != 0) & near
    if sent.sum() < 4:
        return NAN
    before, after = error[:-1][sent], error[1:][sent]
    return float(np.mean((before * after < 0) & (np.abs(after) > 0.5 * np.abs(before))))


def lag1(centred: np.ndarray, near: np.ndarray) -> float:
    """Autocorrelation between neighbours of a series without its mean; gaps left out.

    Low by about (1 + 3 r)/n in n samples (Kendall's bias, from memory).
    """
    power = float(centred @ centred) / len(centred)
    if near.sum() < 4 or power <= 0:
        return NAN
    return float(np.mean((centred[:-1] * centred[1:])[near])) / power


def robust_slope(time: np.ndarray, value: np.ndarray) -> float:
    """Slope by least squares with Huber weights (k = 1.5 robust sigmas), per second."""
    t = time - time.mean()
    weight = np.ones(len(t))
    slope = 0.0
    for _ in range(3):
        total = weight.sum()
        tc = t - (weight @ t) / total
        vc = value - (weight @ value) / total
        spread = float(weight @ (tc * tc))
        if spread <= 0:
            return NAN
        slope = float(weight @ (tc * vc)) / spread
        left = np.abs(vc - slope * tc)
        sigma = MAD_TO_SIGMA * float(np.partition(left, len(left) // 2)[len(left) // 2])
        if sigma <= 0:
            break
        weight = np.minimum(1.0, 1.5 * sigma / np.maximum(left, 1e-12))
    return slope


def dominant_period(time: np.ndarray, value: np.ndarray, cadence: float) -> dict:
    """Strongest sine of a series (Lomb-Scargle with floating mean) if significant.

    The peak is sought by a padded Fourier transform of the samples put on an even grid, its
    power and place are those of the exact periodogram there.  Amplitude = sqrt(2 P) times the
    RMS, P the standard normalised power; false-alarm probability after Baluev 2008 MNRAS
    385, 1279, which takes the rest for white noise.  Periods from two cadences to the
    series' length.
    """
    t, length = time - time[0], float(time[-1] - time[0])
    rms = float(value.std())
    if length < 6.0 * cadence or rms <= 0:
        return {}
    from astropy.timeseries import LombScargle

    place = np.rint(t / cadence).astype(int)
    size = 1 << int(np.ceil(np.log2(6 * (place[-1] + 1))))
    even = np.bincount(place, value - value.mean(), minlength=size)
    low = int(np.ceil(size * cadence / length))
    rough = low + int(np.argmax(np.abs(np.fft.rfft(even)[low:])))
    top = 0.5 / cadence
    near = (rough + np.linspace(-1.0, 1.0, 11)) / (size * cadence)
    near = near[(near >= 0.999 / length) & (near <= 1.001 * top)]
    search = LombScargle(t, value)
    power = search.power(near, method="cython", assume_regular_frequency=True)
    k = int(np.argmax(power))
    highest = min(float(power[k]), 1.0)
    alarm = float(search.false_alarm_probability(highest, maximum_frequency=top))
    out = {"false_alarm": min(max(alarm, 0.0), 1.0)}
    if alarm < SIGNIFICANT:
        out |= {"period_s": 1.0 / float(near[k]), "amplitude": float(np.sqrt(2.0 * highest)) * rms}
    return out


def until_home(time, ra, dec, calm: float, settling: np.ndarray) -> np.ndarray:
    """Settling as long as the star was on its way.

    A guider may call itself unsettled for long after the star has come home; what throws
    it out again then is not the dither.

    Parameters
    ----------
    time, ra, dec : ndarray, shape (n,)
        Samples, s and arcsec.
    calm : float
        Rms of one axis on a calm night, arcsec.
    settling : ndarray, shape (m, 2)
        Begin and end, s.

    Returns
    -------
    ndarray, shape (m, 2)
        Ended where two samples running lie near the usual place, `DITHER_DELAY_S` after
        its start or later.
    """
    away, limit = _away(ra, dec, calm)
    quiet = away < 0.5 * limit
    home = time[1:][quiet[:-1] & quiet[1:]]
    ends = [
        min([stop, *home[(home >= begin + DITHER_DELAY_S) & (home < stop)][:1]])
        for begin, stop in settling
    ]
    return np.column_stack([settling[:, 0], ends]) if len(ends) else settling


def _away(ra, dec, calm: float) -> tuple[np.ndarray, float]:
    """Distance from the usual place, and from where on it is a gust."""
    away = np.hypot(ra - np.median(ra), dec - np.median(dec))
    return away, max(GUST_SIGMAS * calm, MIN_GUST_ARCSEC) if calm > 0 else MIN_GUST_ARCSEC


def _peak_within(time, ra, dec, intervals, cadence: float) -> float:
    """Greatest error during intervals or a cadence beside them, arcsec; NaN without a sample."""
    inside = np.zeros(len(time), dtype=bool)
    for begin, stop in intervals:
        inside |= (time >= begin - cadence) & (time <= stop + cadence)
    return float(np.hypot(ra, dec)[inside].max()) if inside.any() else NAN


def find_gusts(time, ra, dec, calm: float, start: float, settling: np.ndarray) -> dict:
    """Gusts that leap from the usual place by several sigma and ring back.

    Samples during a dither's settling do not count.  A slow drift is no gust: the
    distance must grow from under half to over the limit within three samples.

    Returns
    -------
    dict
        ``gusts``; of the largest: ``gust_time`` (s after ``start``), ``gust_size`` (greatest
        distance, arcsec), ``gust_settle_s`` (until two samples running lie within
        half the distance that makes a gust, NaN if the exposure ends first).
    """
    away, limit = _away(ra, dec, calm)
    for begin, stop in settling:
        away = np.where((time >= begin) & (time <= stop), 0.0, away)
    over = np.flatnonzero(away > limit)
    if not len(over):
        return {"gusts": 0}
    quiet = away < 0.5 * limit
    gusts, free_from = [], 0
    for k in over:
        if k < free_from or k == 0:
            continue
        if not quiet[max(k - 3, 0) : k].any():
            continue
        home = np.flatnonzero(quiet[k:-1] & quiet[k + 1 :])
        stop = k + int(home[0]) if len(home) else len(away)
        size = float(away[k:stop].max())
        settle = float(time[stop] - time[k]) if stop < len(away) else NAN
        gusts.append((size, float(time[k] - start), settle))
        free_from = stop
    if not gusts:
        return {"gusts": 0}
    size, when, settle = max(gusts)
    return {"gusts": len(gusts), "gust_time": when, "gust_size": size, "gust_settle_s": settle}
