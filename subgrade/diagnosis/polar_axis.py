"""Findings on the polar axis: misalignment, Dec drift, field rotation."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from subgrade.constants import SIDEREAL_RATE
from subgrade.diagnosis.field_motion import ARCMIN, POLAR_RATE, turn_rate
from subgrade.diagnosis.model import Advised, NightFinding, Quantity
from subgrade.diagnosis.mount_kind import (
    LARGEST_POLE_ARCMIN,
    LOOKS_ALIKE,
    Tracking,
    sky_angle,
    tracking_of,
    unguided,
)
from subgrade.diagnosis.night_view import NightView, finding
from subgrade.diagnosis.polar_axis_fit import Drift, Pole, recorded_drift, solve_pole
from subgrade.diagnosis.polar_axis_unguided import solve_unguided
from subgrade.diagnosis.wording import HEAVY, LIKELY, number
from subgrade.figures import counted

NEAR_THE_POLE = math.radians(88.0)
"""Declination from which no turn is read: 1 / cos(dec) grows without limit; a choice."""
WORTH_ARCMIN = 5.0
"""Misalignment that is worth a night's work by itself: common practice, no source."""
WORTH_DRIFT = 0.4
"""Drift in one exposure, in star widths, that can draw a star out of round: from L = 2/3 FWHM the
axis ratio is 0.91 (published_motion tests); a little less may add to other motion."""
AMBIGUOUS = 0.6
"""Sureness of a misalignment read from a drift that may have another cause: a choice."""
FASTER = 2.0
"""Drift in a frame over the pole's from which it came from something else: a choice."""
WORTH_TURN_PX = 0.5
"""Turn at the corners in one exposure that can show: a choice."""
UNKNOWN_WAY = "in an unknown direction"
SIGNS = (
    "the direction holds if the record counts Dec errors as positive where the guide star lies "
    "north; if not, it is the opposite: do a drift test before you turn a bolt"
)


def polar_axis(view: NightView) -> NightFinding | None:
    """Size and direction of the misalignment; None where nothing shows it."""
    tracking, drift, pole = _measured(view)
    if pole is None or not pole.size > 2.0 * pole.size_error:
        return None
    turn, from_record = tracking.turn, drift is not None
    latitude = view.common("site_lat_deg")
    south = math.isfinite(latitude) and latitude < 0
    lost = _explained(view, pole, tracking)
    directed = math.isfinite(pole.high)
    parts = _parts(pole, south) if directed else _known_part(pole, south, from_record)
    sentence = (
        f"The polar axis is {'at least ' if pole.bound else ''}"
        f"{number(pole.size, pole.size_error, '′')} off the pole"
        + (f", {parts}" if parts == UNKNOWN_WAY else f": {parts}")
    )
    evidence = _evidence(pole, tracking, drift)
    if parts != UNKNOWN_WAY:
        if from_record:
            evidence.append(SIGNS)
        if not math.isfinite(latitude):
            evidence.append("site latitude unknown: the direction is that of a northern site")
    significance = pole.size / max(pole.size_error, 1e-9)
    sureness = float(np.clip(1.0 - math.exp(-significance / 3.0), 0.3, 0.97))
    sureness *= 0.8 if pole.bound else 1.0
    if tracking.kind == "unguided":
        alike = LOOKS_ALIKE in tracking.evidence
        sureness = min(sureness, tracking.sureness, AMBIGUOUS if alike else 1.0)
    return finding(
        view,
        "polar alignment",
        " ".join(filter(None, (f"{sentence}.", _effect(view, pole, turn)))),
        reason="dec_drift",
        lost=lost,
        numbers=_numbers(pole, south),
        evidence=evidence,
        sureness=sureness,
        advice=_advice(pole, parts, latitude, south, bool(lost), sureness),
    )


def pole_numbers(view: NightView) -> tuple[Quantity, ...]:
    """The numbers of the polar axis, however small, so that nights can be compared."""
    pole = _measured(view)[2]
    if pole is None:
        return ()
    latitude = view.common("site_lat_deg")
    known = [
        q
        for q in _numbers(pole, math.isfinite(latitude) and latitude < 0)
        if math.isfinite(q.value)
    ]
    return tuple(
        replace(q, error=q.error if q.error and math.isfinite(q.error) else None) for q in known
    )


def _measured(view: NightView) -> tuple[Tracking, Drift | None, Pole | None]:
    """What the night shows of the pole; None of an alt-azimuth mount."""
    tracking = tracking_of(view)
    if tracking.kind == "altazimuth":
        return tracking, None, None
    drift = recorded_drift(view)
    pole = _pole(tracking, drift)
    if pole is not None and pole.size > LARGEST_POLE_ARCMIN:
        pole = None  # the drive stood still, or the camera turned
    return tracking, drift, pole


def _pole(tracking: Tracking, drift: Drift | None) -> Pole | None:
    """The misalignment by the formulas of a guided mount, or of one left to itself."""
    turn = tracking.turn
    if tracking.kind != "unguided" or tracking.path is None or tracking.speed is None:
        far = turn is not None and abs(turn.dec) < NEAR_THE_POLE
        return solve_pole(drift, turn if far else None)
    dec = turn.dec if turn is not None else math.nan
    return solve_unguided(tracking.path, tracking.speed, tracking.turn, dec)


def _parts(pole: Pole, south: bool) -> str:
    """Both parts; one within two of its errors is called correct."""
    sign = -1.0 if south else 1.0
    off, correct = [], []
    for name, value, error, plus, minus in (
        ("altitude", sign * pole.high, pole.high_error, "too high", "too low"),
        ("azimuth", sign * pole.east, pole.east_error, "too far east", "too far west"),
    ):
        if abs(value) < 2.0 * error:
            correct.append(f"{name} correct to within {float(f'{error:.2g}'):g}′")
        else:
            sky = " on the sky" if name == "azimuth" else ""
            way = plus if value > 0 else minus
            off.append(f"{number(abs(value), error, '′')} {way}{sky}")
    return ", ".join((" and ".join(off), *correct)) if off else UNKNOWN_WAY


def _known_part(pole: Pole, south: bool, from_record: bool) -> str:
    """The one part that the drift shows, where the other is not fixed."""
    known = math.isfinite(pole.drift_part) and math.isfinite(pole.hour_deg)
    if not known or abs(pole.drift_part) < 2.0 * pole.drift_error:
        return UNKNOWN_WAY
    value, h = (-1.0 if south else 1.0) * pole.drift_part, math.radians(pole.hour_deg)
    size = number(abs(value), pole.drift_error, "′")
    if abs(math.cos(h)) > 0.94:
        return f"{size} of it too far {'east' if value * math.cos(h) > 0 else 'west'} on the sky"
    if abs(math.sin(h)) > 0.94:
        return f"{size} of it too {'high' if value * math.sin(h) > 0 else 'low'}"
    high = "high" if value * math.sin(h) > 0 else "low"
    east = "east" if value * math.cos(h) > 0 else "west"
    turned = math.degrees(math.atan2(abs(math.sin(h)), abs(math.cos(h))))
    return (
        f"{size} of it {high} and {east}, along a line {turned:.0f}° from {east}; the direction "
        "of the rest is not known"
    )


def _evidence(pole: Pole, tracking: Tracking, drift: Drift | None) -> list[str]:
    found = []
    from_record, turn = drift is not None, tracking.turn
    if tracking.kind == "unguided" and tracking.speed is not None:
        speed = tracking.speed
        found.append(
            f"the field drifts {number(speed.size, speed.error, '″ a minute')} from frame to "
            f"frame, unguided; 1′ of misalignment causes at most {POLAR_RATE:.2f}″ a minute"
        )
    elif math.isfinite(pole.drift_part):
        rate = abs(pole.drift_part) * POLAR_RATE
        error = pole.drift_error * POLAR_RATE
        found.append(
            f"Dec drift of {number(rate, error, '″ a minute')} in {len(drift.rate)} stretches of "
            "the guiding record with its corrections undone; 1′ of misalignment causes at most "
            f"{POLAR_RATE:.2f}″ a minute"
        )
        if drift.doubt > 0:
            found.append(
                f"how far a correction moves the mount is known to {100 * drift.doubt:.0f}%"
            )
    if math.isfinite(pole.turn_part) and turn is not None:
        rate, error = (abs(v) for v in turn_rate(turn))
        per_hour = 60.0 * 180.0 / math.pi * sky_angle(3600.0)
        how = ": "
        if tracking.kind == "unguided":
            how = "; with its drift, " if math.isfinite(pole.drift_part) else "; unguided, "
        text = f"the field rotates by {number(rate * per_hour, error * per_hour, '′ an hour')} "
        text += "from frame to frame"
        if pole.turn_part > pole.turn_error:
            text += (
                f"{how}{number(pole.turn_part, pole.turn_error, '′')} of misalignment, at right "
                "angles to the part that shows as Dec drift"
            )
        found.append(text)
    if tracking.kind == "unknown" and not from_record:
        found.append("whether it was guided is not known: the drift of the field is left out")
    if pole.bound:
        missing = "field rotation" if not math.isfinite(pole.turn_part) else "Dec drift"
        found.append(f"a lower bound: {missing}, which shows the other part, is not known")
    elif not math.isfinite(pole.high) and math.isfinite(pole.hour_deg):
        found.append("drift and rotation give the size here, but not the full direction")
    if not math.isfinite(pole.hour_deg):
        alone = tracking.kind == "unguided"
        what, missing = "direction" if alone else "hour angle", "site longitude, time or pointing"
        missing += " or the camera's angle" if alone else ""
        found.append(f"{what} unknown: {missing} is missing")
    return found


def _numbers(pole: Pole, south: bool) -> list[Quantity]:
    sign = -1.0 if south else 1.0
    drift = abs(pole.drift_part) * POLAR_RATE
    return [
        Quantity("misalignment", pole.size, pole.size_error, "′"),
        Quantity("too high", sign * pole.high, pole.high_error, "′"),
        Quantity("too far east on the sky", sign * pole.east, pole.east_error, "′"),
        Quantity("part from Dec drift", pole.drift_part, pole.drift_error, "′"),
        Quantity("part from field rotation", pole.turn_part, pole.turn_error, "′"),
        Quantity("hour angle", pole.hour_deg, None, "°"),
        Quantity("Dec drift", drift, pole.drift_error * POLAR_RATE, "″ a minute"),
    ]


def _effect(view: NightView, pole: Pole, turn) -> str:
    """What it does to a frame."""
    exposure = _median_exposure(view)
    if not exposure > 0:
        return "It causes steady Dec drift and field rotation."
    parts = []
    if math.isfinite(pole.drift_part):
        drift = abs(pole.drift_part) * POLAR_RATE * exposure / 60.0
        error = pole.drift_error * POLAR_RATE * exposure / 60.0
        parts.append(
            f"{number(drift, error, '″')} of Dec drift in {exposure:.3g} s without Dec guiding"
        )
    if turn is not None and view.night.frames and math.isfinite(pole.turn_part):
        corner = corner_turn(view, pole, turn, exposure)
        if corner >= 0.1:
            parts.append(f"{corner:.1f} px of field rotation in the corners")
    return "That causes " + " and ".join(parts) + "." if parts else ""


def corner_turn(view: NightView, pole: Pole, turn, exposure: float) -> float:
    """Way of a star in the corner round the middle in one exposure, px."""
    stars = view.night.frames[0].stars
    angle = pole.turn_part * ARCMIN * turn.factor
    angle *= SIDEREAL_RATE * math.pi / 648000.0 * exposure
    return 0.5 * math.hypot(stars.width, stars.height) * angle


def _explained(view: NightView, pole: Pole, tracking: Tracking) -> list[int]:
    """Frames lost to drift or rotation that this pole is large enough to have made."""
    exposure, lost, turn = _median_exposure(view), [], tracking.turn
    alone = tracking.kind == "unguided" and tracking.speed is not None
    rate = abs(pole.drift_part) * POLAR_RATE, pole.drift_error * POLAR_RATE
    rate = (tracking.speed.size, tracking.speed.error) if alone else rate
    if math.isfinite(sum(rate)) and math.isfinite(exposure):
        drift = sum(rate) * exposure / 60.0
        scale = view.common("scale_arcsec")
        widths = [u.centre for g in view.night.groups if (u := g.usual.get("fwhm_px"))]
        enough = not (math.isfinite(scale) and widths) or drift > WORTH_DRIFT * scale * float(
            np.median(widths)
        )
        for word in ("dec_drift", *(("flexure",) if alone else ())):
            frames = view.lost_to(word) if enough else []
            left = np.abs(view.guided(frames, "drift_dec"))
            # A frame that drifted faster than the pole can drive it drifted from something else.
            if not len(left) or np.median(left) < FASTER * sum(rate):
                lost += frames
    turned = turn is not None and math.isfinite(pole.turn_part) and math.isfinite(exposure)
    if turned and corner_turn(view, pole, turn, exposure) > WORTH_TURN_PX:
        lost += view.lost_to("field_rotation")
    return lost


def _median_exposure(view: NightView) -> float:
    known = view.exposure_s[view.exposure_s > 0]
    return float(np.median(known)) if len(known) else math.nan


def _advice(
    pole: Pole, parts: str, latitude: float, south: bool, lost: bool, sureness: float
) -> tuple[Advised, ...]:
    if not lost and (pole.size < WORTH_ARCMIN or pole.size < 3.0 * pole.size_error):
        return ()
    action = "Align the polar axis again"
    least = "at least " if pole.bound else ""
    verb = "is" if sureness >= LIKELY else "may be"
    because = f"the axis {verb} {least}{number(pole.size, pole.size_error, '′')} off"
    if math.isfinite(pole.high):
        sign = -1.0 if south else 1.0
        moves = []
        if abs(pole.high) > 2.0 * pole.high_error:
            way = "Lower" if sign * pole.high > 0 else "Raise"
            moves.append(f"{way} it by {number(abs(pole.high), pole.high_error, '′')}")
        if abs(pole.east) > 2.0 * pole.east_error:
            way = "west" if sign * pole.east > 0 else "east"
            text = f"{number(abs(pole.east), pole.east_error, '′')} on the sky"
            if math.isfinite(latitude) and abs(latitude) < 80.0:
                cos = math.cos(math.radians(latitude))
                bolt = number(abs(pole.east) / cos, pole.east_error / cos, "′")
                text += f" ({bolt} of azimuth at this latitude)"
            moves.append(f"{'turn' if moves else 'Turn'} it {way} by {text}")
        if moves:
            action = f"{action}. {' and '.join(moves)}, then repeat the check"
            because = f"the axis {verb} {parts}"
    return (Advised(action, because, HEAVY),)


def dec_drift(view: NightView) -> NightFinding | None:
    """Frames stretched along declination: what was left uncorrected and why."""
    lost = view.lost_to("dec_drift")
    affected = view.affected("dec_drift")
    if not affected or unguided(view):
        return None
    rates = np.abs(view.guided(affected, "drift_dec"))
    one_way = view.guided(affected, "one_sided_dec")
    pulses = _dec_pulses(view, affected)
    numbers, evidence = [], []
    sentence = f"Stars drifted in Dec during {counted(len(affected))}"
    these = "this frame" if len(affected) == 1 else "these frames"
    if len(rates):
        spread = float(np.std(rates)) if len(rates) > 1 else None
        numbers.append(Quantity("Dec drift left", float(np.median(rates)), spread, "″ a minute"))
        sentence += f": {number(float(np.median(rates)), None, '″ a minute')} went uncorrected"
    # The exposure's ends are known to seconds, so that a correction beside it may count in.
    if pulses is not None and pulses < 0.1:
        evidence.append(
            f"{100 * pulses:.0f}% of the guide samples in {these} hold a Dec correction"
        )
        action, because = (
            "Switch Dec guiding on, in both directions",
            "the record holds almost no corrections against the drift",
        )
    elif len(one_way) and np.median(one_way) > view.limits.guiding.one_sided:
        evidence.append(f"{100 * np.median(one_way):.0f}% of the Dec corrections went one way")
        action, because = (
            "Allow longer Dec corrections, or correct a larger share of each Dec error",
            "nearly all corrections went one way, and they did not keep up",
        )
    else:
        action, because = (
            "Check that Dec guiding is on, works in both directions and is strong enough",
            f"Dec drift was left in {counted(len(affected))}",
        )
    return finding(
        view,
        "Dec drift",
        sentence + ".",
        reason="dec_drift",
        frames=affected,
        lost=lost,
        numbers=numbers,
        evidence=evidence,
        sureness=view.sureness("dec_drift", affected),
        advice=(Advised(action, because),),
    )


def _dec_pulses(view: NightView, frames) -> float | None:
    """Share of the samples in some frames that hold a correction; None unknown."""
    if view.guiding is None:
        return None
    pulses = view.guiding.record.dec_pulse_ms[view.samples(frames)]
    known = np.isfinite(pulses)
    return float((pulses[known] != 0).mean()) if known.any() else None


def turning_field(view: NightView) -> NightFinding | None:
    """Frames whose stars turn about a point."""
    affected, tracking = view.affected("field_rotation"), tracking_of(view)
    if not affected or tracking.kind == "altazimuth":
        return None
    action, because = _against_turning(view, tracking)
    return finding(
        view,
        "field rotation",
        f"The field rotated during {counted(len(affected))}.",
        reason="field_rotation",
        frames=affected,
        lost=view.lost_to("field_rotation"),
        evidence=("stars are stretched around a point, the more the farther they are from it",),
        sureness=view.sureness("field_rotation", affected),
        advice=(Advised(action, because, HEAVY),),
    )


def _against_turning(view: NightView, tracking: Tracking) -> tuple[str, str]:
    """What to check: the polar axis only where the field's steady turn is enough to show."""
    clamps = "Check that camera rotator and focuser are clamped"
    exposure, turn = _median_exposure(view), tracking.turn
    if turn is not None and exposure > 0:
        rate, error = (abs(v) for v in turn_rate(turn))
        stars = view.night.frames[0].stars
        arm = 0.5 * math.hypot(stars.width, stars.height)
        if arm * (rate + 2.0 * error) * sky_angle(exposure) < WORTH_TURN_PX:
            return clamps, (
                "from frame to frame the field turns too little for the polar axis to be the cause"
            )
    held = "" if tracking.kind == "unguided" else "guiding holds one star; "
    because = f"{held}polar misalignment or a turning camera rotates the field"
    return f"{clamps}, then the polar alignment", because
