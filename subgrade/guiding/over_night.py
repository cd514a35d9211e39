"""What the record shows of the mount over the whole night.

The guider hides the mount's own errors by correcting them.  They come back when
the corrections are added to the errors: ``unguided = error - rate * sum(pulses)``.
The rate (arcsec of motion per ms of pulse, with its sign) is learnt from the large
errors that dithers leave, where noise cannot pass for an answer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from subgrade.constants import MEDIAN_ERROR, SIDEREAL_RATE
from subgrade.guiding.exposure import robust_slope
from subgrade.guiding.intervals import settling_intervals
from subgrade.night import fullest_night
from subgrade.record import CALM_SAMPLES
from subgrade.record.model import GuideRecord
from subgrade.robust import median_error, scatter

NAN = float("nan")
USUAL_RATE = 0.5 * SIDEREAL_RATE / 1000.0
"""Arcsec per ms of pulse at half the sidereal rate: common practice, no source."""
POLAR_RATE = SIDEREAL_RATE * 60.0 * np.pi / 10800.0
"""Greatest declination drift, arcsec a minute, of a pole 1 arcmin off: w 60 s sin 1'."""
WORM_PERIODS_S = (60.0, 1200.0)
WORM_CYCLES = 3.0
WORM_ALARM = 1e-6
"""False-alarm probability that a worm period must stay below: a choice."""
UNSURE = 0.35
"""Relative error from which a rate of the pulses is not believed: a choice."""
SLOW_LAG1, CHASING_LAG1 = 0.5, -0.25
"""Autocorrelation of calm neighbours that calls the guide exposure too slow or too nervous.

Under white noise and a loop of gain g it is -g/2 (first-order loop, derived): -0.25 is a
gain of a half spent on nothing but noise."""


@dataclass(frozen=True, slots=True)
class Unguided:
    """One axis with its corrections taken out.

    Attributes
    ----------
    time : ndarray, shape (n,)
        Record clock, s.
    path : ndarray, shape (n,)
        Arcsec; jumps (dithers, gaps, new references) are bridged.
    run : ndarray of int, shape (n,)
        Which stretch between jumps.
    rate : float
        Arcsec per ms, signed; NaN when corrections are unknown and ``path`` is the error itself.
    assumed : bool
        Whether the rate is half the sidereal one on trust.
    """

    time: np.ndarray
    path: np.ndarray
    run: np.ndarray
    rate: float
    assumed: bool = False


def unguided(
    record: GuideRecord, axis: str, usual_rate: float = NAN, known_rate: float = NAN
) -> Unguided | None:
    """The path of one axis (``ra`` or ``dec``) as if nobody had guided; None for a short record.

    ``usual_rate`` (arcsec per ms) is taken, with the sign the pulses show, where no dither
    shows the rate; ``known_rate``, the same with a sign of its own, before all.
    """
    error = getattr(record, axis)
    pulse = getattr(record, f"{axis}_pulse_ms")
    use = record.good & np.isfinite(error)
    if use.sum() < 3 * CALM_SAMPLES:
        return None
    time, error, pulse = record.time[use], error[use], pulse[use]
    known = float(np.mean(np.isfinite(pulse))) > 0.8
    rate, _ = answer_rate(error, pulse) if known else (NAN, NAN)
    rate = known_rate if known and np.isfinite(known_rate) else rate
    if known and not pulse[np.isfinite(pulse)].any():
        rate = 0.0
    assumed = known and not np.isfinite(rate) and np.isfinite(usual_rate)
    if assumed:
        # Pulses push against the error they answer.
        rate = -usual_rate * float(np.sign(np.nansum(pulse * error)))
    given = np.cumsum(np.nan_to_num(pulse)) if np.isfinite(rate) else np.zeros(len(error))
    path = error - np.nan_to_num(rate) * np.r_[0.0, given[:-1]]
    broken = _breaks(record, time, error)
    return Unguided(time, _bridged(path, broken), np.r_[0, np.cumsum(broken)], rate, assumed)


def pulse_rate(error: np.ndarray, pulse: np.ndarray, least: int = 8) -> float:
    """Arcsec that one ms of pulse moves the star, signed; NaN when no large error shows it.

    Median answer to pulses that met an error of more than four robust sigmas.  Small errors
    are left out: they are noise, and the next one is smaller whatever the pulse does.
    """
    step, sent, met = np.diff(error), pulse[:-1], error[:-1]
    sigma = scatter(error)
    large = (np.abs(met) > 4.0 * sigma) & np.isfinite(sent) & (sent != 0)
    # The error's growth after a dither's command is no answer to a pulse.
    large &= np.abs(error[1:]) < 1.3 * np.abs(met)
    return float(np.median(step[large] / sent[large])) if large.sum() >= least else NAN


def pulse_rate_or_usual(error: np.ndarray, pulse: np.ndarray) -> float:
    """`pulse_rate`; where no large error shows it, half the sidereal rate against the error."""
    rate = pulse_rate(error, pulse)
    if np.isfinite(rate):
        return rate
    return -USUAL_RATE * float(np.sign((np.nan_to_num(pulse) * error).sum()) or 1.0)


def answer_rate(error: np.ndarray, pulse: np.ndarray, least: int = 5) -> tuple[float, float]:
    """`pulse_rate` of a star that drifts as well, and its relative error; NaN where not shown.

    A loop that holds a drift sends pulses that move nothing on the whole: error and pulse are
    counted from their medians.
    """
    if not np.isfinite(pulse).any():
        return NAN, NAN
    met, sent = error - np.median(error), pulse - np.nanmedian(pulse)
    step, met, after, sent = np.diff(met), met[:-1], np.abs(met[1:]), sent[:-1]
    large = (np.abs(met) > 4.0 * scatter(error)) & np.isfinite(sent) & (sent != 0)
    large &= after < 1.3 * np.abs(met)
    if large.sum() < least:
        return NAN, NAN
    each = step[large] / sent[large]
    rate = float(np.median(each))
    doubt = median_error(each) / max(abs(rate), 1e-12)
    return (rate, float(doubt)) if doubt < UNSURE else (NAN, NAN)


def _breaks(record: GuideRecord, time, error) -> np.ndarray:
    """True between samples that a jump of the reference, a gap or a new section parts."""
    gap = np.diff(time) > 3.0 * record.cadence_s
    moved = np.zeros(len(time) - 1, bool)
    for event in record.events:
        if event.kind in ("dither", "reference_moved", "star_missing", "resume"):
            k = int(np.searchsorted(time, event.time - 1e-6))
            for j in (k - 1, k):
                if 0 <= j < len(moved):
                    moved[j] = True
    step = np.abs(np.diff(error))
    usual = float(np.median(step))
    leap = (step > max(8.0 * usual, 1.0)) & (np.abs(error[1:]) > np.abs(error[:-1]))
    return gap | leap | moved


def _bridged(path: np.ndarray, broken: np.ndarray) -> np.ndarray:
    """Close the jumps: medians of three samples before and after are made to meet."""
    shift = np.zeros(len(path))
    edges = [0, *(np.flatnonzero(broken) + 1), len(path)]
    for before, k, after in zip(edges[:-2], edges[1:-1], edges[2:], strict=True):
        left, right = path[max(k - 3, before) : k], path[k : min(k + 3, after)]
        shift[k] = np.median(left) - np.median(right)
    return path + np.cumsum(shift)


def worm(track: Unguided | None) -> tuple[float, float]:
    """Period, s, and amplitude, arcsec, of the worm in RA; NaN where none is significant.

    Lomb-Scargle over `WORM_PERIODS_S` of the path in bins of a few seconds, freed of what is
    slower; three cycles at least.
    """
    if track is None:
        return NAN, NAN
    main = fullest_night(track.time)  # the phase is lost from one night to another
    track = replace(track, time=track.time[main], path=track.path[main], run=track.run[main])
    span = float(track.time[-1] - track.time[0])
    longest = min(WORM_PERIODS_S[1], span / WORM_CYCLES)
    if longest < 1.5 * WORM_PERIODS_S[0]:
        return NAN, NAN
    from astropy.timeseries import LombScargle

    time, value = _binned(track.time - track.time[0], track.path, WORM_PERIODS_S[0] / 8.0)
    value = value - _slow(time, value, 1.5 * longest)
    low, high = 1.0 / longest, 1.0 / WORM_PERIODS_S[0]
    frequency = np.linspace(low, high, int(np.ceil((high - low) * span * 10.0)) + 2)
    search = LombScargle(time, value)
    power = search.power(frequency, method="fast", assume_regular_frequency=True)
    k = int(np.argmax(power))
    best = min(float(power[k]), 1.0 - 1e-12)
    # Baluev 2008 through the library takes the rest for white; a worm stands far above it.
    alarm = float(search.false_alarm_probability(best, maximum_frequency=high))
    # A peak at the longest period is a trend, and one of small power is red noise.
    if alarm > WORM_ALARM or best < 0.15 or k < 3:
        return NAN, NAN
    return float(1.0 / frequency[k]), float(np.sqrt(2.0 * best) * value.std())


def _binned(time: np.ndarray, value: np.ndarray, width: float) -> tuple[np.ndarray, np.ndarray]:
    """Means of time and value in bins that hold a sample."""
    index = (time / width).astype(int)
    count = np.bincount(index)
    held = count > 0
    return (
        np.bincount(index, time)[held] / count[held],
        np.bincount(index, value)[held] / count[held],
    )


def _slow(time: np.ndarray, value: np.ndarray, memory_s: float) -> np.ndarray:
    """Least-squares polynomial that follows what is slower than ``memory_s``."""
    from numpy.polynomial import Polynomial

    degree = int(np.clip((time[-1] - time[0]) / memory_s, 1, 15))
    return Polynomial.fit(time, value, degree)(time)


def dec_drift(track: Unguided | None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Uncorrected drift, arcsec a minute, of every stretch between jumps.

    Returns
    -------
    middle, drift, error : ndarray
        Time of each stretch's middle (record clock), robust slope, and one sigma from the
        scatter about it (white noise).
    """
    if track is None:
        return (np.empty(0),) * 3
    edges = np.flatnonzero(np.diff(track.run)) + 1
    out = []
    for begin, stop in zip(np.r_[0, edges], np.r_[edges, len(track.run)], strict=True):
        # The start of a stretch is the mount's answer to a dither, with its backlash.
        begin = begin + min(10, (stop - begin) // 4)
        time, path = track.time[begin:stop], track.path[begin:stop]
        if len(time) < 15 or time[-1] - time[0] < 45.0:
            continue
        slope = robust_slope(time, path)
        left = path - slope * (time - time.mean())
        sigma = scatter(left)
        spread = float(np.sqrt(np.sum((time - time.mean()) ** 2)))
        out.append((0.5 * (time[0] + time[-1]), 60.0 * slope, 60.0 * max(sigma, 0.02) / spread))
    return tuple(np.array(out).reshape(-1, 3).T)


def usual_drift(drift: np.ndarray, error: np.ndarray) -> float:
    """Median of the stretches' drifts, each with the weight of its precision."""
    if not len(drift):
        return NAN
    order = np.argsort(drift)
    weight = np.cumsum(1.0 / error[order] ** 2)
    return float(drift[order][np.searchsorted(weight, 0.5 * weight[-1])])


@dataclass(frozen=True, slots=True)
class Polar:
    """Polar misalignment, arcmin, one sigma, and whether it is only a lower bound."""

    arcmin: float = NAN
    error: float = NAN
    bound: bool = True


def polar_misalignment(drift, error, hour_deg=None) -> Polar:
    """Misalignment of the polar axis from declination drift.

    ``drift = -w (a sin h + e cos h)`` with the axis a too high and e too far east on the sky, h
    the hour angle and w the sidereal rate (first order; docs/guiding.md).  The two
    unknowns need a spread of hour angles; without it the drift gives the least
    misalignment, |drift| / 0.2625 arcsec a minute per arcmin.

    Parameters
    ----------
    drift, error : ndarray, shape (n,)
        Arcsec a minute, one sigma.
    hour_deg : ndarray, shape (n,), optional
        Hour angles, west positive, degrees.
    """
    if not len(drift):
        return Polar()
    middle = usual_drift(drift, error)
    each = np.hypot(error, scatter(drift, middle))
    mean_error = float(np.sqrt(1.0 / np.sum(each**-2.0)) * MEDIAN_ERROR)
    least = Polar(abs(middle) / POLAR_RATE, mean_error / POLAR_RATE, True)
    if hour_deg is None or len(drift) < 6 or np.ptp(hour_deg) < 20.0:
        return least
    h = np.radians(hour_deg)
    design = -POLAR_RATE * np.column_stack([np.sin(h), np.cos(h)])
    weight = each**-2.0
    for _ in range(5):
        normal = design.T @ (design * weight[:, None])
        if not np.linalg.cond(normal) < 1e12:
            return least
        solution = np.linalg.solve(normal, design.T @ (weight * drift))
        left = np.abs(drift - design @ solution) / each
        weight = each**-2.0 * np.minimum(1.0, 1.5 / np.maximum(left, 1e-9))
    size = float(np.hypot(*solution))
    covariance = np.linalg.inv(normal) * max(1.0, float(np.mean(np.minimum(left, 3.0) ** 2)))
    along = solution / max(size, 1e-12)
    sigma = float(np.sqrt(along @ covariance @ along))
    if sigma > max(0.3 * size, 0.5):
        return least
    return Polar(size, sigma, False)


def hour_angles(unix, longitude_deg: float, ra_deg: float) -> np.ndarray:
    """Hour angle, degrees, west positive, -180..180, of UTC (taken for UT1) POSIX seconds."""
    import erfa

    day = np.asarray(unix, float) / 86400.0
    sidereal = np.degrees(erfa.gmst82(2440587.5, day))
    return (sidereal + longitude_deg - ra_deg + 180.0) % 360.0 - 180.0


def backlash(record: GuideRecord, rate: float, least: int = 5) -> float:
    """Seconds between a reversal of the Dec pulses and the star's answer.

    From errors of more than three robust sigmas that called for a move against the last one of
    that size, which left the gears on their other flank: time until half of the error
    is made good, less one cadence (what a tight mount takes) and not below zero;
    median, NaN for under ``least``.
    """
    use = record.good & np.isfinite(record.dec) & np.isfinite(record.dec_pulse_ms)
    if use.sum() < 3 * CALM_SAMPLES or not np.isfinite(rate) or rate == 0.0:
        return NAN
    time, error, pulse = record.time[use], record.dec[use], record.dec_pulse_ms[use]
    sigma = scatter(error)
    flank = _flank(np.cumsum(rate * pulse), 3.0 * sigma)
    waits, free_from = [], 0
    for k in np.flatnonzero(np.abs(error) > 3.0 * sigma):
        move = np.sign(rate * pulse[k])
        reversed_ = move != 0 and k > 0 and flank[k - 1] == -move and error[k] * move < 0
        if k < free_from or not reversed_:
            continue
        home = np.flatnonzero(np.abs(error[k + 1 : k + 31]) < 0.5 * abs(error[k]))
        free_from = k + 1 + (int(home[0]) if len(home) else 30)
        if len(home):
            waits.append(time[free_from] - time[k])
    if len(waits) < least:
        return NAN
    return max(float(np.median(waits)) - record.cadence_s, 0.0)


def _flank(asked: np.ndarray, least: float) -> np.ndarray:
    """Direction (+1, -1, 0 unknown) of the last move of at least ``least`` that was asked for."""
    out = np.zeros(len(asked), int)
    now, extreme = 0, asked[0]
    for k, place in enumerate(asked):
        # The farthest place reached in the present direction; a retreat from it turns.
        if now * (place - extreme) > 0:
            extreme = place
        elif abs(place - extreme) >= least:
            now, extreme = (1 if place > extreme else -1), place
        out[k] = now
    return out


def guide_exposure(record: GuideRecord, calm: tuple[float, float], rate: float) -> str:
    """Whether the guide exposure fits: ``too slow``, ``chases seeing``, ``fits`` or ''.

    Too slow: neighbouring errors outside dithers are alike (lag-1 over `SLOW_LAG1`) and what
    is slower than ten samples holds over half of the variance.  Chases seeing: neighbours
    alternate (lag-1 under `CHASING_LAG1`) and corrections are as large as the errors they
    answer.  Both judged on RA, where the mount's own motion is.
    """
    use = record.good & np.isfinite(record.ra)
    time, error, pulse = record.time[use], record.ra[use], record.ra_pulse_ms[use]
    quiet = np.ones(len(time), bool)
    for begin, stop in settling_intervals(record):
        quiet[np.searchsorted(time, begin) : np.searchsorted(time, stop, side="right")] = False
    time, error, pulse = time[quiet], error[quiet], pulse[quiet]
    n = len(time) // CALM_SAMPLES
    if n < 3:
        return ""
    part = error[: n * CALM_SAMPLES].reshape(n, CALM_SAMPLES)
    part = part - part.mean(axis=1, keepdims=True)
    power = np.sum(part**2, axis=1)
    # The mean of a short stretch is taken out of it: low by about (1 + 3 r) / n.
    alike = float(np.median(np.sum(part[:, :-1] * part[:, 1:], axis=1) / power))
    alike += (1.0 + 3.0 * alike) / CALM_SAMPLES
    slow = (
        error[: n * CALM_SAMPLES].reshape(-1, 8).mean(axis=1).var()
        / error[: n * CALM_SAMPLES].var()
    )
    if alike > SLOW_LAG1 and slow > 0.5:
        return "too slow"
    sent = np.isfinite(pulse) & (pulse != 0) & (error != 0)
    if alike < CHASING_LAG1 and np.isfinite(rate) and sent.sum() > 20:
        share = float(np.median(np.abs(rate * pulse[sent]) / np.abs(error[sent])))
        if share >= 0.9:
            return "chases seeing"
    return "fits"
