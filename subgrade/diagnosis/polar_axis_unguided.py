"""Where the polar axis of a mount left to itself points: from the field's way and its turn.

Left to itself the sky turns over the sensor as one rigid body about the difference of two axes,
the mount's and the pole's.  The drift of the field's middle shows the part of that turn
across the line of sight, the field's turn the part along it: together its size, wherever the
camera looks and however it is turned (derived; `polar_axis_fit` has the formulas).
"""

from __future__ import annotations

import math

import numpy as np

from subgrade.constants import SIDEREAL_RATE
from subgrade.diagnosis.field_motion import (
    ARCMIN,
    POLAR_RATE,
    Path,
    Speed,
    Turn,
    about_its_mean,
    turn_rate,
)
from subgrade.diagnosis.polar_axis_fit import (
    KNOWN_ARCMIN,
    KNOWN_SHARE,
    PARTS,
    Pole,
    beyond_first_order,
    fit_rows,
    own_scatter,
)

ARCSEC = math.pi / 648000.0
WELL_KNOWN = 0.5
"""Largest error of the size, relative, with which it is stated and no lower bound: a choice."""


def solve_unguided(path: Path, speed: Speed, turn: Turn | None, dec: float) -> Pole:
    """The misalignment that lets the field go by and turn as it did.

    Parameters
    ----------
    path : Path
    speed : Speed
        Its steady drift.
    turn : Turn or None
    dec : float
        Declination, radians; NaN unknown.
    """
    known = path.axes is not None and math.isfinite(dec) and (turn is None or turn.hand)
    fitted = _fit(path, turn, dec) if known else None
    if fitted is not None:
        return fitted
    across, across_error = speed.size / POLAR_RATE, speed.error / POLAR_RATE
    along, along_error = turn_rate(turn) if turn is not None else (math.nan, math.nan)
    along, along_error = abs(along) / ARCMIN, along_error / ARCMIN
    bent = _straightened(float(np.ptp(path.time)))
    across, along = across / bent, along / bent
    if not math.isfinite(along_error):
        return Pole(across, across_error, True)
    size = math.hypot(across, math.sqrt(max(along**2 - along_error**2, 0.0)))
    error = math.hypot(across * across_error, max(along, along_error) * along_error) / size
    cos = math.cos(dec) if math.isfinite(dec) else math.nan
    return Pole(size, error, False, turn_part=along / cos, turn_error=along_error / cos)


def _straightened(seconds: float) -> float:
    """Slope of a line through a sine over its steepness in the middle: both parts are sines of
    the hour angle.  3 (sin u - u cos u) / u^3 with u half the span (least squares, derived)."""
    u = 0.5 * seconds * SIDEREAL_RATE * ARCSEC
    return 3.0 * (math.sin(u) - u * math.cos(u)) / u**3 if u > 0.01 else 1.0


def _fit(path: Path, turn: Turn | None, dec: float) -> Pole | None:
    """Both parts by least squares over the frames; None where they do not fix the size.

    Without a site the hour angle counts from the middle of the night: the size is the same,
    the direction unknown.  A rate of the drive that is not quite the sky's goes with the
    turn it makes, and is taken out where the turn is known.
    """
    known = bool(np.isfinite(path.hour).all()) and (turn is None or np.isfinite(turn.hour).all())
    middle = float(np.median(path.time))
    rows, values, weights, zeros = _rows(path, turn, dec, middle, known)
    columns = 3 if turn is not None else 2
    found = fit_rows(rows[:, :columns], values, weights, zeros)
    if found is None:
        return None
    (high, east), covariance = found[0][:2], found[1][:2, :2]
    hour = float(np.median(path.hour)) if known else 0.0
    parts = np.array([[math.sin(hour), math.cos(hour)], [math.cos(hour), -math.sin(hour)]])
    drift, cross = parts @ (high, east)
    drift_error, cross_error = np.sqrt(np.diag(parts @ covariance @ parts.T))
    numbers = {
        "drift_part": float(drift),
        "drift_error": float(drift_error),
        "hour_deg": math.degrees(hour) if known else math.nan,
    }
    size = float(math.hypot(drift, math.sqrt(max(cross**2 - cross_error**2, 0.0))))
    error = math.hypot(drift * drift_error, max(abs(cross), cross_error) * cross_error)
    error /= max(size, 1e-9)
    if not error < WELL_KNOWN * size or cross_error > 3.0 * size:
        return Pole(abs(float(drift)), float(drift_error), True, **numbers)
    numbers |= {"turn_part": abs(float(cross)), "turn_error": float(cross_error)}
    errors = np.sqrt(np.diag(covariance))
    if known and errors.max() <= max(KNOWN_SHARE * size, KNOWN_ARCMIN):
        numbers |= {"high": float(high), "high_error": float(errors[0])}
        numbers |= {"east": float(east), "east_error": float(errors[1])}
    return beyond_first_order(Pole(size, float(error), False, **numbers), dec, PARTS)


def _rows(path: Path, turn: Turn | None, dec: float, middle: float, known: bool):
    """Design (high, east, rate of the drive), values and weights of all frames; count of zeros.

    The zeros of runs are taken out of the rows: each stands for its run's mean.
    """
    sky = SIDEREAL_RATE * ARCSEC
    hour = path.hour if known else (path.time - middle) * sky
    sin, cos, late = np.sin(hour), np.cos(hour), (path.time - middle) * sky
    east, north = path.on_sky()
    # Integrated over the time: arcsec of the field's way from arcmin of the pole.
    tilt = -60.0 * math.sin(dec)
    blocks = [
        ((60.0 * cos, -60.0 * sin, np.zeros_like(sin)), path.run, north, path.time),
        ((tilt * sin, tilt * cos, 60.0 * late), path.run, east, path.time),
    ]
    if turn is not None:
        hour = turn.hour if known else (turn.time - middle) * sky
        per = ARCMIN * math.cos(dec)
        late = -ARCMIN * math.tan(dec) * (turn.time - middle) * sky
        columns = (-per * np.sin(hour), -per * np.cos(hour), late)
        blocks.append((columns, turn.part, turn.hand * turn.angle, turn.time))
    rows, values, weights, zeros = [], [], [], 0
    for columns, run, value, time in blocks:
        rows.append(np.column_stack([about_its_mean(c, run) for c in columns]))
        values.append(about_its_mean(value, run))
        sigma = own_scatter(time, run, value)
        weights.append(np.full(len(value), 1.0 / max(sigma, 1e-9)))
        zeros += len(np.unique(run))
    return np.vstack(rows), np.concatenate(values), np.concatenate(weights), zeros
