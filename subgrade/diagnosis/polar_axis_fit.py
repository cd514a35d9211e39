"""Where the polar axis points: from the drift in declination and the turn of the field.

With the axis ``a`` too high and ``e`` too far east on the sky (northern hemisphere), h the
hour angle (west positive) and w the sidereal rate, to first order

    drift in declination               -w (a sin h + e cos h)
    drift in RA on the sky, unguided   -w (a cos h - e sin h) sin(dec),  east positive
    turn of the field, unguided        -w (a cos h - e sin h) cos(dec),  north through east
    turn of the field, guided          -w (a cos h - e sin h) / cos(dec)

(derived, checked against rotation matrices; the same small-angle theory as drift
alignment, e.g. Covington 1999, Astrophotography for the Amateur, app. B).  Left to itself the
sky turns over the sensor as one rigid body; a guided mount brings one star back by turning
about its axis, which turns the field by tan(dec) of the way.  At one hour angle drift and
turn each give one part of the error and the two parts stand at right angles, so together
they give its size; their change with the hour angle gives the rest.

Of several nights the one with most frames counts: a mount set up anew has another axis.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from subgrade.constants import MAD_TO_SIGMA, MEDIAN_ERROR, SIDEREAL_RATE
from subgrade.diagnosis.field_motion import (
    ARCMIN,
    POLAR_RATE,
    Turn,
    about_its_mean,
    hours,
    levels,
    linked,
    of_main_night,
    turn_rate,
)
from subgrade.diagnosis.night_view import NightView
from subgrade.record.model import GuideRecord
from subgrade.robust import robust_line, scatter

PULSE_DOUBT = 0.15
"""Doubt in what a correction moves, which scales a drift with its corrections undone; measured on
practice nights (docs/diagnosis.md)."""
KNOWN_SHARE, KNOWN_ARCMIN = 0.25, 0.7
"""Largest error of a part, of the size or in arcmin, with which both parts are stated: a choice."""


@dataclass(frozen=True, slots=True)
class Drift:
    """Drift in declination of stretches of the night, arcsec a minute, north positive.

    Attributes
    ----------
    hour : ndarray, shape (n,)
        Hour angle, radians; NaN unknown.
    rate, error : ndarray, shape (n,)
    doubt : float
        Relative error that all share.
    """

    hour: np.ndarray
    rate: np.ndarray
    error: np.ndarray
    doubt: float = PULSE_DOUBT


@dataclass(frozen=True, slots=True)
class Pole:
    """Misalignment of the polar axis, arcmin; NaN where unknown.

    ``size`` is a lower bound where ``bound``.  ``high`` and ``east`` are the parts, on the sky;
    ``drift_part`` is the part that the drift alone shows, at the hour angle ``hour_deg``:
    a sin h + e cos h; ``turn_part`` the size of the one that the turn shows.
    """

    size: float
    size_error: float
    bound: bool
    high: float = np.nan
    high_error: float = np.nan
    east: float = np.nan
    east_error: float = np.nan
    drift_part: float = np.nan
    drift_error: float = np.nan
    turn_part: float = np.nan
    turn_error: float = np.nan
    hour_deg: float = np.nan


def solve_pole(drift: Drift | None, turn: Turn | None) -> Pole | None:
    """The misalignment that explains drift and turn; None where neither is known.

    Parameters
    ----------
    drift : Drift or None
    turn : Turn or None

    Returns
    -------
    Pole or None
    """
    part, part_error = drift_part(drift) if drift is not None else (np.nan, np.nan)
    other, other_error = turn_part(turn) if turn is not None else (np.nan, np.nan)
    if not (np.isfinite(part) or np.isfinite(other)):
        return None
    hours = [d.hour for d in (drift, turn) if d is not None and len(d.hour)]
    hour = np.concatenate(hours) if hours else np.empty(0)
    middle = float(np.degrees(np.median(hour))) if np.isfinite(hour).all() and len(hour) else np.nan
    known = {
        "drift_part": part,
        "drift_error": part_error,
        "turn_part": other,
        "turn_error": other_error,
        "hour_deg": middle,
    }
    dec = turn.dec if turn is not None and np.isfinite(other) else 0.0
    if np.isfinite(middle):
        fitted = _fit(drift if np.isfinite(part) else None, turn if np.isfinite(other) else None)
        if fitted is not None:
            return beyond_first_order(Pole(*fitted, **known), dec)
    if np.isfinite(part) and np.isfinite(other):
        size, error = _length(abs(part), other, part_error, other_error)
        return beyond_first_order(Pole(size, error, False, **known), dec)
    size, error = (abs(part), part_error) if np.isfinite(part) else (other, other_error)
    return beyond_first_order(Pole(size, error, True, **known), dec)


PARTS = ("high_error", "east_error")
"""What the second order changes of a mount left to itself: the way, not the size."""


def beyond_first_order(pole: Pole, dec: float, names=("size_error", "turn_error", *PARTS)) -> Pole:
    """The same with errors that allow for what the formulas leave out.

    The declination on the mount is off by up to the misalignment p, and its north by up to
    p / cos(dec): a share p tan(dec), half of which is taken for one sigma (derived).
    """
    doubt = 0.5 * pole.size * pole.size * ARCMIN * abs(math.tan(dec))
    return replace(pole, **{n: math.hypot(getattr(pole, n), doubt) for n in names})


def drift_part(drift: Drift) -> tuple[float, float]:
    """a sin h + e cos h over the night, arcmin, and one sigma; NaN without stretches."""
    if not len(drift.rate):
        return np.nan, np.nan
    each = _each(drift.rate, drift.error)
    middle = _weighted_median(drift.rate, each)
    error = MEDIAN_ERROR / np.sqrt(np.sum(each**-2.0))
    return float(-middle / POLAR_RATE), float(np.hypot(error, drift.doubt * middle) / POLAR_RATE)


def turn_part(turn: Turn) -> tuple[float, float]:
    """Size of a cos h - e sin h from the mean rate of the turn, arcmin, and one sigma."""
    rate, error = turn_rate(turn)
    per_arcmin = ARCMIN * turn.factor
    return abs(rate) / per_arcmin, error / per_arcmin


def _fit(drift: Drift | None, turn: Turn | None):
    """Both parts by least squares over the night; None where the hours do not fix them."""
    hands = (0,) if turn is None else (turn.hand,) if turn.hand else (1, -1)
    tries = []
    for hand in hands:
        once = _least_squares(drift, turn, hand, 1.0)
        if once is None:
            return None
        solution, covariance, badness = once
        if drift is not None:
            off = _least_squares(drift, turn, hand, 1.0 + drift.doubt)[0] - solution
            covariance = covariance + np.outer(off, off)
        tries.append((badness, solution, covariance))
    tries.sort(key=lambda t: t[0])
    if len(tries) > 1 and tries[1][0] - tries[0][0] < 9.0:
        return None  # three sigma between the two hands, or neither is believed
    _, (high, east), covariance = tries[0]
    size, along = float(np.hypot(high, east)), np.array([high, east])
    along = along / max(size, 1e-9)
    error = float(np.sqrt(along @ covariance @ along))
    errors = np.sqrt(np.diag(covariance))
    if errors.max() > max(KNOWN_SHARE * size, KNOWN_ARCMIN):
        return None
    return size, error, False, float(high), float(errors[0]), float(east), float(errors[1])


def _least_squares(drift: Drift | None, turn: Turn | None, hand: int, scale: float):
    """(high, east) in arcmin, their covariance, and the sum of squared residuals."""
    rows, values, weights = [], [], []
    parts = 0 if turn is None else len(np.unique(turn.part))
    if drift is not None:
        sin, cos = np.sin(drift.hour), np.cos(drift.hour)
        rows.append(
            np.column_stack([-POLAR_RATE * sin, -POLAR_RATE * cos, np.zeros((len(sin), parts))])
        )
        values.append(scale * drift.rate)
        weights.append(1.0 / _each(drift.rate, drift.error))
    if turn is not None:
        per = hand * ARCMIN * turn.factor
        zeros = levels(turn.part)
        rows.append(np.column_stack([-per * np.sin(turn.hour), -per * np.cos(turn.hour), zeros]))
        values.append(turn.angle)
        sigma = own_scatter(turn.time, turn.part, turn.angle)
        if not np.isfinite(sigma):
            return None
        weights.append(np.full(len(turn.angle), 1.0 / max(sigma, 1e-7)))
    found = fit_rows(np.vstack(rows), np.concatenate(values), np.concatenate(weights))
    if found is None:
        return None
    solution, covariance, badness = found
    return solution[:2], covariance[:2, :2], badness


def own_scatter(time: np.ndarray, run: np.ndarray, value: np.ndarray) -> float:
    """One sigma of values about a parabola in time with a zero for each run; NaN undetermined.

    Grown by what the likeness of neighbours (`linked`) adds to the error of a slope, and by
    Student's (z^2 + 1) / (4 f) = 3.4 / n for a scatter known from few frames: f = 0.37 n degrees
    of freedom for a median deviation (derived).
    """
    time = time - time.mean()
    time = time / max(float(np.abs(time).max()), 1.0)
    line = np.column_stack([about_its_mean(t, run) for t in (time, time**2)])
    value, zeros = about_its_mean(value, run), len(np.unique(run))
    if len(value) <= zeros + 2:
        line = line[:, :1]
    if len(value) <= zeros + 1:
        return math.nan
    left = value - line @ robust_line(line, value)[0]
    if not np.isfinite(left).all():
        return math.nan
    free = len(left) / (len(left) - zeros - line.shape[1])
    grown = linked(left, run) * math.sqrt(free) * (1.0 + 3.4 / len(left))
    return MAD_TO_SIGMA * float(np.median(np.abs(left))) * grown


def fit_rows(design: np.ndarray, value: np.ndarray, weight: np.ndarray, zeros: int = 0):
    """Solution, covariance and robust sum of squares of weighted rows; None undetermined.

    Huber weights (k = 1.5); the covariance is that of the weights, or of the scatter where
    that is larger.  ``zeros`` unknowns were taken out of the rows before.
    """
    if not np.isfinite(design).all() or len(value) <= design.shape[1] + zeros:
        return None
    huber = np.ones(len(value))
    for _ in range(10):
        w = weight * np.sqrt(huber)
        solution, _, rank, _ = np.linalg.lstsq(
            design * w[:, None] / _norm(design), value * w, rcond=None
        )
        solution = solution / _norm(design)
        if rank < design.shape[1]:
            return None
        left = np.abs(value - design @ solution) * weight
        huber = np.minimum(1.0, 1.5 / np.maximum(left, 1e-9))
    normal = (design * (weight**2 * huber)[:, None]).T @ design
    spread = max(1.0, float(np.sum(huber * left**2)) / (len(value) - design.shape[1] - zeros))
    norm = np.sqrt(np.diag(normal))
    covariance = np.linalg.pinv(normal / np.outer(norm, norm)) / np.outer(norm, norm) * spread
    badness = float(np.sum(np.where(left < 1.5, left**2, 3.0 * left - 2.25)))
    return solution, covariance, badness


def _norm(design: np.ndarray) -> np.ndarray:
    return np.maximum(np.linalg.norm(design, axis=0), 1e-30)


def _each(rate: np.ndarray, error: np.ndarray) -> np.ndarray:
    """One sigma of each stretch: its own and the scatter among them."""
    return np.maximum(np.hypot(error, scatter(rate, _weighted_median(rate, error))), 1e-4)


def _weighted_median(value: np.ndarray, error: np.ndarray) -> float:
    order = np.argsort(value)
    weight = np.cumsum(error[order] ** -2.0)
    return float(value[order][np.searchsorted(weight, 0.5 * weight[-1])])


def _length(a: float, b: float, a_error: float, b_error: float) -> tuple[float, float]:
    size = float(np.hypot(a, b))
    return size, float(np.hypot(a * a_error, b * b_error) / max(size, 1e-9))


COMMON_RATE = 0.5 * SIDEREAL_RATE / 1000.0
"""Arcsec of declination per ms of pulse at half the sidereal rate: common practice, no source."""
RATES = (0.15 * SIDEREAL_RATE / 1000.0, 1.2 * SIDEREAL_RATE / 1000.0)
"""Rates that are believed: mounts are set from 0.25 to 1 times sidereal, common practice."""
ASSUMED_DOUBT = 0.6
"""Doubt in `COMMON_RATE` where the record does not show the rate: it may be twice that or half."""
AGREE = 0.25
"""How far the rates of both axes may lie apart, relative: a choice."""
STRETCH_S = 900.0
"""Longest stretch of the record that gives one rate of drift: a choice."""


def recorded_drift(view: NightView) -> Drift | None:
    """Drift in declination with the corrections undone; None without them."""
    if view.guiding is None or view.guiding.record.axes != "ra_dec":
        return None
    from subgrade.guiding import dec_drift, unguided

    record = view.guiding.record
    rate, doubt = dec_rate(record, view.common("dec_deg"))
    track = unguided(record, "dec", COMMON_RATE, rate)
    if track is None or not math.isfinite(track.rate):
        return None
    doubt = ASSUMED_DOUBT if track.assumed else 0.0 if track.rate == 0.0 else doubt
    piece = ((track.time - track.time[0]) // STRETCH_S).astype(int)
    new = (np.diff(piece) != 0) | (np.diff(track.run) != 0)
    middle, rate, error = dec_drift(replace(track, run=np.r_[0, np.cumsum(new)]))
    mine = of_main_night(view, middle + view.guiding.clock.add_s)
    middle, rate, error = middle[mine], rate[mine], error[mine]
    if len(middle) < 2:
        return None
    hour = hours(view, middle + view.guiding.clock.add_s)
    return Drift(hour, rate, error, doubt)


def dec_rate(record: GuideRecord, dec_deg: float) -> tuple[float, float]:
    """Arcsec that a ms of Dec correction moves the star, signed, and its relative doubt.

    Backlash hides answers in Dec; mounts correct both axes at one rate (common practice, no
    source), so RA shows it too, times cos(dec) on the sky.  NaN where neither shows it.
    """
    from subgrade.guiding import answer_rate

    use = record.measured
    seen = {}
    for axis, on_sky in (("dec", 1.0), ("ra", math.cos(math.radians(dec_deg)))):
        error, pulse = getattr(record, axis)[use], getattr(record, f"{axis}_pulse_ms")[use]
        rate, doubt = answer_rate(error, pulse) if len(error) > 3 else (math.nan, math.nan)
        if on_sky > 0 and RATES[0] < abs(rate) / on_sky < RATES[1]:
            seen[axis] = (rate / on_sky, max(doubt, PULSE_DOUBT))
    if "ra" not in seen:
        return seen.get("dec", (math.nan, math.nan))
    size, doubt = abs(seen["ra"][0]), seen["ra"][1]
    pulse, error = record.dec_pulse_ms[use], record.dec[use]
    sign = -float(np.sign(np.nansum(pulse * (error - np.median(error)))))
    if "dec" in seen:
        own, own_doubt = seen["dec"]
        sign = math.copysign(1.0, own)
        if abs(abs(own) - size) < AGREE * size:
            return own, min(own_doubt, doubt)
    return sign * size, doubt
