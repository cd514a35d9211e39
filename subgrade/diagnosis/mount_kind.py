"""How the mount followed the sky: guided, left to itself, or turning about a vertical axis."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.constants import SIDEREAL_RATE
from subgrade.diagnosis.field_motion import (
    ARCMIN,
    POLAR_RATE,
    Path,
    Speed,
    Turn,
    field_path,
    field_turn,
    largest_group,
    levels,
    speed_of,
    turn_rate,
)
from subgrade.diagnosis.line_length import drawn_length
from subgrade.diagnosis.night_view import NightView
from subgrade.robust import robust_line

LARGEST_POLE_ARCMIN = 300.0
"""No one sets a mount up worse than 5 degrees: common practice, no source."""
ODD_POLE_ARCMIN = 60.0
"""Misalignment above which a field that turns as an alt-azimuth mount's does is one: a choice."""
MATCHES = 0.05
"""How far the turn may lie from the predicted one, relative: a choice."""
SIGMAS, CERTAIN_SIGMAS = 4.0, 5.0
"""When a difference counts, and when a drift is there: choices."""
HELD = 0.25
"""Drift, over the part of the pole that the turn shows, below which the field was held."""
HELD_ARCMIN, HELD_MOST_ARCMIN = 0.5, 2.0
"""The same where nothing turns, and where much does: half an arcsec a minute, as by flexure."""
AS_FLEXURE = 1.0
"""Drift in arcsec a minute up to which flexure of a guided mount looks the same: common
practice, no source."""
DRAWN_FROM = 0.8
"""Drift in one exposure, in star widths, that must show in the star shapes: a choice."""
RESTLESS = 0.5
"""Scatter of the places between dithers, in star widths, that no guided mount shows: a choice."""
ASKED = 40
"""Frames whose shapes are asked, spread over the night: a choice, for time."""
ON_A_LINE = 0.4
"""Scatter across a line over that along it; dithers scatter all round: a choice."""
SMOOTH_ARCSEC = 0.3
"""Scatter below which the field goes by as evenly as that of a guided mount: hardly any mount
without encoders has so little periodic error; common practice, no source."""
PRECISE = 0.1
"""Error of the drift in RA that the turn calls for, relative, up to which a match proves it."""
LOOKS_ALIKE = (
    "flexure of a guided mount, or a moving target that it followed (--expected-motion), would "
    "look the same in the images"
)
CORRECTED = 0.02
"""Share of the samples with a correction from which a record shows guiding: a choice."""


@dataclass(frozen=True, slots=True)
class Tracking:
    """How the mount followed the sky.

    Attributes
    ----------
    kind : str
        ``guided``, ``unguided``, ``altazimuth`` or ``unknown``.
    sureness : float
    turn : Turn or None
        Of the field; guided unless the kind is ``unguided``.
    path : Path or None
    speed : Speed or None
        Steady drift of the field from frame to frame.
    evidence : tuple of str
    predicted : bool
        Whether the turn of an alt-azimuth mount was held against site and target.
    """

    kind: str
    sureness: float = 0.5
    turn: Turn | None = None
    path: Path | None = None
    speed: Speed | None = None
    evidence: tuple[str, ...] = ()
    predicted: bool = False


def tracking_of(view: NightView) -> Tracking:
    """How the mount followed the sky, from the record and from how the field goes by."""
    if "tracking" not in view.shared:
        view.shared["tracking"] = _tracking(view)
    return view.shared["tracking"]


def _tracking(view: NightView) -> Tracking:
    turn, path = field_turn(view), field_path(view)
    speed = speed_of(path) if path is not None else None
    seen = (turn, path, speed)
    fast = turn if turn is not None else field_turn(view, shortest_s=0.0)
    vertical = _altazimuth(view, fast)
    if vertical is not None:
        sureness = 0.95 if vertical else 0.75
        return Tracking("altazimuth", sureness, fast, path, speed, predicted=vertical)
    corrected = corrections(view)
    if corrected or any(trail.asked for trail in view.trails):
        return Tracking("guided", 0.95, *seen)
    kind, sureness, evidence = _from_frames(view, turn, path, speed)
    if corrected is False:
        evidence = ("the guiding record holds no corrections", *evidence)
        sureness = max(sureness, 0.9) if kind == "unguided" else sureness
    if kind == "unguided" and turn is not None:
        seen = (field_turn(view, guided=False), path, speed)
    return Tracking(kind, sureness, *seen, evidence=evidence)


def unguided(view: NightView) -> bool:
    """Whether the frames or the record show that nobody guided."""
    tracking = tracking_of(view)
    if tracking.kind == "altazimuth":
        return not corrections(view)
    return tracking.kind == "unguided" and tracking.speed is not None


def corrections(view: NightView) -> bool | None:
    """Whether the record holds corrections on the first axis; None without record or column."""
    record = view.guiding.record if view.guiding is not None else view.record
    if record is None:
        return None
    pulses = record.ra_pulse_ms[record.good & np.isfinite(record.ra)]
    known = np.isfinite(pulses)
    if not len(pulses) or known.mean() < 0.5:
        return True  # a record is kept by whoever guides
    return bool((pulses[known] != 0).mean() > CORRECTED)


def _altazimuth(view: NightView, turn: Turn | None) -> bool | None:
    """True where the turn follows the prediction, False where only its rate tells; else None."""
    if turn is None:
        return None
    rate, error = turn_rate(turn)
    if not abs(rate) > CERTAIN_SIGMAS * error:
        return None
    cos = math.cos(turn.dec) if math.isfinite(turn.dec) else 1.0
    pole = abs(rate) * cos / ARCMIN
    latitude = view.common("site_lat_deg")
    if not (math.isfinite(latitude) and np.isfinite(turn.hour).all() and math.isfinite(turn.dec)):
        return False if pole > LARGEST_POLE_ARCMIN else None
    predicted = np.unwrap(parallactic(turn.hour, math.radians(latitude), turn.dec))
    design = np.column_stack([-predicted, levels(turn.part)])
    solution, covariance = robust_line(design, turn.angle)
    share, doubt = float(solution[0]), float(np.sqrt(covariance[0, 0]))
    off = abs(abs(share) - 1.0)
    same = off < max(MATCHES, 3.0 * doubt) and doubt < 2.0 * MATCHES
    same = same and (not turn.hand or share * turn.hand > 0)
    if same and pole > ODD_POLE_ARCMIN:
        return True
    return None


def parallactic(hour: np.ndarray, latitude: float, dec: float) -> np.ndarray:
    """Position angle of the zenith, radians (Meeus, Astronomical Algorithms, ch. 14, from memory).

    Its rate is w cos(latitude) cos(azimuth) / cos(altitude).
    """
    across = math.tan(latitude) * math.cos(dec) - math.sin(dec) * np.cos(hour)
    return np.arctan2(np.sin(hour), across)


def _from_frames(view: NightView, turn: Turn | None, path: Path | None, speed: Speed | None):
    """(kind, sureness, evidence) without a record."""
    if speed is None or not speed.error > 0:
        return "unknown", 0.5, ()
    across, across_error = speed.size / POLAR_RATE, speed.error / POLAR_RATE
    along, along_error = turn_rate(turn) if turn is not None else (0.0, math.nan)
    along, along_error = abs(along) / ARCMIN, along_error / ARCMIN
    if across + 2.0 * across_error < min(max(HELD * along, HELD_ARCMIN), HELD_MOST_ARCMIN):
        return "guided", 0.8, ("the field stays where it is between dithers",)
    steady = across > CERTAIN_SIGMAS * across_error and speed.straight
    dec = turn.dec if turn is not None else math.nan
    plausible = across < LARGEST_POLE_ARCMIN and _drawn_out_alike(view, speed)
    if steady and plausible and math.isfinite(dec) and math.isfinite(along_error):
        verdict = _rigid(path, speed, turn, across, across_error, along, along_error)
        if verdict is not None:
            return verdict
    if _restless(view, speed):
        why = f"between dithers the field wanders by {speed.scatter:.2g}″, as no guiding lets it"
        return "unguided", 0.75, (why,)
    if not (steady and plausible):
        return "unknown", 0.5, ()
    on_a_line = speed.beside < ON_A_LINE * speed.scatter
    smooth = not (speed.scatter > SMOOTH_ARCSEC and on_a_line)
    sureness = 0.6 if speed.size < AS_FLEXURE * (3.0 if smooth else 1.0) else 0.75
    return "unguided", sureness, (LOOKS_ALIKE,) if smooth or sureness < 0.7 else ()


def _restless(view: NightView, speed: Speed) -> bool:
    """Whether the places scatter about their drift as periodic error makes them: along a line."""
    if not speed.beside < ON_A_LINE * speed.scatter:
        return False
    return bool(speed.scatter > RESTLESS * star_width(view) * view.common("scale_arcsec"))


def star_width(view: NightView) -> float:
    """Median width of the stars across their motion, px; infinite where unknown."""
    width = view.stars("fwhm_minor_px")
    width = width[np.isfinite(width)]
    return float(np.median(width)) if len(width) else math.inf


def _rigid(path: Path, speed: Speed, turn: Turn, across, across_error, along, along_error):
    """Whether drift and turn are those of one rigid turn about a misaligned pole.

    The drift in right ascension is then tan(dec) of the turn; in a drift of unknown direction
    it is at most all of it.
    """
    tan = math.tan(turn.dec)
    if path.axes is None or not turn.hand:
        if across + SIGMAS * across_error < abs(tan) * (along - SIGMAS * along_error):
            return "guided", 0.8, ("the field turns more than its drift allows without guiding",)
        return None
    east = (path.axes[0][0] * speed.x + path.axes[0][1] * speed.y) / POLAR_RATE
    rate, _ = turn_rate(turn)
    expected, doubt = turn.hand * rate / ARCMIN * tan, along_error * abs(tan)
    off = abs(east - expected)
    error = math.hypot(across_error, doubt)
    if off > SIGMAS * error and off > HELD * across:
        return "unknown", 0.5, ("drift and turn of the field are not those of one misaligned pole",)
    precise = abs(expected) > SIGMAS * error and error < PRECISE * across
    if precise and off < 0.5 * SIGMAS * error:
        why = "the drift in RA is that which the turn of the field calls for without guiding"
        return "unguided", 0.93, (why,)
    return None


def _drawn_out_alike(view: NightView, speed: Speed) -> bool:
    """Whether the stars are drawn out by at least half of what the field drifts in an exposure.

    A field that only moves between the exposures, by dithers that wander, draws out nothing.  A
    trail that was taken out of the stars agreed with the drift.
    """
    if any(trail.group == largest_group(view) for trail in view.trails):
        return True
    scale, shares = view.common("scale_arcsec"), []
    for k in range(0, len(view), max(len(view) // ASKED, 1)):
        stars, exposure = view.night.frames[k].stars, view.exposure_s[k]
        if not (exposure > 0 and np.isfinite([stars.xx, stars.yy, stars.xy]).all()):
            continue
        if stars.shape_status == "trailed" and math.isfinite(stars.length_px):
            length, width = stars.length_px, stars.fwhm_minor_px
        else:
            lean = math.hypot(stars.xx - stars.yy, 2.0 * stars.xy)
            minor = 0.5 * (stars.xx + stars.yy - lean)
            if not minor > 0:
                continue
            length, width = drawn_length(lean, minor) if lean > 0 else 0.0, 2.3548 * minor**0.5
        drifted = speed.size * exposure / 60.0 / scale
        if drifted > DRAWN_FROM * width:
            shares.append(length / drifted)
    return not shares or float(np.median(shares)) > 0.5


def sky_angle(seconds: float) -> float:
    """Angle the sky turns by in some time, radians."""
    return seconds * SIDEREAL_RATE * math.pi / 648000.0
