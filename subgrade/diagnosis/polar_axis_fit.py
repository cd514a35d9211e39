"""Where the polar axis points: from the drift in declination and the turn of the field.

With the axis ``a`` too high and ``e`` too far east on the sky (northern hemisphere), h the
hour angle (west positive) and w the sidereal rate, to first order

    drift in declination      -w (a sin h + e cos h)
    turn of a guided field    -w (a cos h - e sin h) / cos(dec),  north through east

(derived, checked against rotation matrices; the same small-angle theory as drift
alignment, e.g. Covington 1999, Astrophotography for the Amateur, app. B).  At one hour
angle each gives one part of the error and the two parts stand at right angles, so together
they give its size; their change with the hour angle gives the rest.

What drift and turn of the night go into the polar axis.

Of several nights the one with most frames counts: a mount set up anew has another axis.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.constants import MAD_TO_SIGMA, SIDEREAL_RATE
from subgrade.diagnosis.night_view import NightView
from subgrade.night import NIGHT_GAP_S, fullest_night
from subgrade.robust import robust_line, scatter

ARCMIN = np.pi / 10800.0
POLAR_RATE = SIDEREAL_RATE * 60.0 * ARCMIN
"""Greatest drift, arcsec a minute, of a pole 1 arcmin off: 0.2625."""
PULSE_DOUBT = 0.15
"""Doubt in what a correction moves, which scales a drift with its corrections undone; measured on
practice nights (docs/diagnosis.md)."""
KNOWN_SHARE, KNOWN_ARCMIN = 0.25, 0.7
"""Largest error of a part, of the size or in arcmin, with which both parts are stated: a choice."""
JUMP_SIGMAS = 6.0
"""A step of the turn this far from the others is no matter of the pole: a choice."""


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
class Turn:
    """Turn of the field of some frames, radians, counter-clockwise on the sensor.

    Attributes
    ----------
    hour : ndarray, shape (n,)
        Hour angle, radians; NaN unknown.
    time : ndarray, shape (n,)
        Seconds.
    angle : ndarray, shape (n,)
    part : ndarray of int, shape (n,)
        Frames of one part share a zero.
    dec : float
        Declination, radians.
    hand : int
        +1 where north through east is counter-clockwise on the sensor, -1 mirrored, 0 unknown.
    """

    hour: np.ndarray
    time: np.ndarray
    angle: np.ndarray
    part: np.ndarray
    dec: float
    hand: int


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
    if np.isfinite(middle):
        fitted = _fit(drift if np.isfinite(part) else None, turn if np.isfinite(other) else None)
        if fitted is not None:
            return Pole(*fitted, **known)
    if np.isfinite(part) and np.isfinite(other):
        size, error = _length(abs(part), other, part_error, other_error)
        return Pole(size, error, False, **known)
    size, error = (abs(part), part_error) if np.isfinite(part) else (other, other_error)
    return Pole(size, error, True, **known)


def drift_part(drift: Drift) -> tuple[float, float]:
    """a sin h + e cos h over the night, arcmin, and one sigma; NaN without stretches."""
    if not len(drift.rate):
        return np.nan, np.nan
    each = _each(drift.rate, drift.error)
    middle = _weighted_median(drift.rate, each)
    error = 1.2533 / np.sqrt(np.sum(each**-2.0))
    return float(-middle / POLAR_RATE), float(np.hypot(error, drift.doubt * middle) / POLAR_RATE)


def turn_part(turn: Turn) -> tuple[float, float]:
    """Size of a cos h - e sin h from the mean rate of the turn, arcmin, and one sigma."""
    levels = _levels(turn.part)
    hours = (turn.time - turn.time[0]) * SIDEREAL_RATE / 3600.0 * np.pi / 180.0
    solution, covariance = robust_line(np.column_stack([hours, levels]), turn.angle)
    if not np.isfinite(solution[0]):
        return np.nan, np.nan
    per_arcmin = ARCMIN / np.cos(turn.dec)
    rate, error = abs(solution[0]) / per_arcmin, np.sqrt(covariance[0, 0]) / per_arcmin
    return float(rate), float(error)


def unbroken(angle: np.ndarray, part: np.ndarray) -> np.ndarray:
    """Parts with a new one after every step of the turn that stands out from the others."""
    if len(angle) < 4:
        return part
    step = np.diff(angle)
    inside = np.diff(part) == 0
    if inside.sum() < 3:
        return part
    middle = np.median(step[inside])
    sigma = scatter(step[inside], middle)
    out = inside & (np.abs(step - middle) > JUMP_SIGMAS * max(sigma, 1e-7))
    return part + np.r_[0, np.cumsum(out)]


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
        per = hand * ARCMIN / np.cos(turn.dec)
        levels = _levels(turn.part)
        rows.append(np.column_stack([-per * np.sin(turn.hour), -per * np.cos(turn.hour), levels]))
        values.append(turn.angle)
        time = turn.time - turn.time.mean()
        time = time / max(float(np.abs(time).max()), 1.0)
        line = np.column_stack([time, time**2, levels])
        if len(turn.angle) <= line.shape[1]:
            line = line[:, [0, *range(2, line.shape[1])]]
        left = turn.angle - line @ robust_line(line, turn.angle)[0]
        if not np.isfinite(left).all():
            return None
        sigma = (
            MAD_TO_SIGMA
            * float(np.median(np.abs(left)))
            * np.sqrt(len(left) / max(len(left) - line.shape[1], 1))
        )
        weights.append(np.full(len(left), 1.0 / max(sigma, 1e-7)))
    design, value, weight = np.vstack(rows), np.concatenate(values), np.concatenate(weights)
    if not np.isfinite(design).all() or len(value) <= design.shape[1]:
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
    spread = max(1.0, float(np.sum(huber * left**2)) / (len(value) - design.shape[1]))
    covariance = np.linalg.pinv(normal)[:2, :2] * spread
    badness = float(np.sum(np.where(left < 1.5, left**2, 3.0 * left - 2.25)))
    return solution[:2], covariance, badness


def _norm(design: np.ndarray) -> np.ndarray:
    return np.maximum(np.linalg.norm(design, axis=0), 1e-30)


def _levels(part: np.ndarray) -> np.ndarray:
    return (part[:, None] == np.unique(part)[None, :]).astype(float)


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
ASSUMED_DOUBT = 0.5
"""Doubt in that rate where the record does not show it: mounts are set from 0.25 to 1 times."""


def recorded_drift(view: NightView) -> Drift | None:
    """Drift in declination with the corrections undone; None without them."""
    if view.guiding is None or view.guiding.record.axes != "ra_dec":
        return None
    from subgrade.guiding import dec_drift, unguided

    record = view.guiding.record
    track = unguided(record, "dec", COMMON_RATE)
    if track is None or not math.isfinite(track.rate):
        return None
    middle, rate, error = dec_drift(track)
    mine = of_main_night(view, middle + view.guiding.clock.add_s)
    middle, rate, error = middle[mine], rate[mine], error[mine]
    if len(middle) < 3:
        return None
    doubt = ASSUMED_DOUBT if track.assumed else 0.0 if track.rate == 0.0 else PULSE_DOUBT
    hour = hours(view, middle + view.guiding.clock.add_s)
    return Drift(hour, rate, error, doubt)


def seen_drift(view: NightView) -> Drift | None:
    """Drift in declination of the stars from frame to frame, where north is known."""
    from_groups = []
    for k, group in enumerate(view.night.geometry.groups if view.night.geometry else ()):
        for run in group.segments:
            axes = view.night.frames[run.frames[0]].facts.sky_axes
            if axes is None or not math.isfinite(run.north):
                continue
            error = math.hypot(axes[1][0] * run.error_x, axes[1][1] * run.error_y)
            middle = float(np.mean([_middle(view)[f] for f in run.frames]))
            from_groups.append((middle, run.north, error, k))
    if not from_groups:
        return None
    middle, rate, error, _ = np.array(from_groups, float).T
    known = np.isfinite(error) & (error > 0) & of_main_night(view, middle)
    if not known.any():
        return None
    return Drift(hours(view, middle[known]), rate[known], error[known], 0.0)


def field_turn(view: NightView) -> Turn | None:
    """Turn of the largest group's field on the sensor; None where it cannot be known."""
    if not view.night.groups:
        return None
    largest = max(range(len(view.night.groups)), key=lambda g: len(view.night.groups[g].members))
    group, time = view.night.groups[largest], _middle(view)
    main = main_night(view)
    members = [
        i
        for i in sorted(group.members, key=lambda i: time[i])
        if (r := view.night.compared[i].registration) is not None
        and r.ok
        and main[i]
        and view.night.frames[i].stars.shape_status == "measured"
    ]
    facts = view.night.frames[group.reference].facts
    if len(members) < 5 or facts.dec_deg is None or abs(facts.dec_deg) > 88.0:
        return None
    rotation = np.radians([view.night.compared[i].registration.rotation_deg for i in members])
    flipped = np.cos(rotation) < 0
    # The transform turns frame onto reference; the stars turned the other way.
    angle = -np.unwrap(rotation, period=np.pi)
    part = np.r_[0, np.cumsum(flipped[1:] != flipped[:-1])]
    part = unbroken(angle, part)
    # A part of one frame says nothing.
    many = np.isin(part, [p for p in np.unique(part) if (part == p).sum() > 1])
    if many.sum() < 5 or np.ptp(time[members][many]) < 600.0:
        return None
    when = time[members][many]
    return Turn(
        hours(view, when),
        when,
        angle[many],
        part[many],
        math.radians(facts.dec_deg),
        hand_of(view, largest),
    )


def hand_of(view: NightView, group: int) -> int:
    """+1 where north through east is counter-clockwise on the sensor, -1 mirrored, 0 unknown.

    From the header's orientation, else from the record's, which holds if it counts the
    star's place east and north.
    """
    geometry = view.night.geometry
    if geometry is not None and geometry.groups[group].handedness:
        return geometry.groups[group].handedness
    # The record's hand is +1 where north lies counter-clockwise of east: a mirrored view.
    return -view.guiding.handedness if view.guiding is not None else 0


def hours(view: NightView, unix: np.ndarray) -> np.ndarray:
    """Hour angles, radians, of the pointing nearest in time; NaN unknown."""
    time, site, ra = _middle(view), view.facts("site_lon_deg"), view.facts("ra_deg")
    known = np.isfinite(time) & np.isfinite(site) & np.isfinite(ra)
    if not known.any() or not len(unix) or not np.isfinite(unix).all():
        return np.full(len(unix), np.nan)
    from subgrade.guiding import hour_angles

    near = np.abs(unix[:, None] - time[known]).argmin(axis=1)
    return np.radians(hour_angles(unix, site[known][near], ra[known][near]))


def main_night(view: NightView) -> np.ndarray:
    """True at the frames of the night that holds most frames."""
    return fullest_night(_middle(view))


def of_main_night(view: NightView, unix: np.ndarray) -> np.ndarray:
    """Which moments fall into the night with most frames; all where the headers are silent."""
    main = main_night(view)
    if not main.any():
        return np.ones(len(unix), bool)
    around = 0.5 * NIGHT_GAP_S
    return (unix > view.start[main].min() - around) & (unix < view.end[main].max() + around)


def _middle(view: NightView) -> np.ndarray:
    return 0.5 * (view.start + view.end)
