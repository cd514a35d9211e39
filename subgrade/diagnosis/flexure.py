"""Finding on differential flexure: frames that drift although the guide star was held."""

from __future__ import annotations

import math

import numpy as np

from subgrade.diagnosis.line_length import drawn_length
from subgrade.diagnosis.model import Advised, NightFinding, Quantity
from subgrade.diagnosis.mount_kind import unguided
from subgrade.diagnosis.night_view import NightView, finding
from subgrade.diagnosis.wording import CLAMPS, number
from subgrade.figures import counted
from subgrade.robust import scatter

SHAPE_DOUBT = 0.12
"""Relative doubt in a line's length read off a star: wings and the star's other motion; measured
on practice nights (docs/diagnosis.md)."""


def flexure(view: NightView) -> NightFinding | None:
    """Rate and direction; None without frames that show it."""
    affected, lost = view.affected("flexure"), view.lost_to("flexure")
    if not affected or unguided(view):
        return None  # the drift of an unguided mount
    drifts = [d for k in affected if (d := unseen_drift(view, k)) is not None]
    rms = np.hypot(view.guided(affected, "rms_ra"), view.guided(affected, "rms_dec"))
    held = " although the guide star was held" if len(rms) else ", as with differential flexure"
    sentence = f"Stars drifted in {counted(len(affected))}{held}"
    numbers, evidence = [], []
    if drifts:
        rate, error = _middle(np.array([d[0] for d in drifts]), [d[1] for d in drifts])
        unit = drifts[0][3]
        numbers.append(Quantity("drift", rate, error, unit))
        sentence += f": {number(rate, error, unit)}"
        angle, angle_error = axis_mean([d[2] for d in drifts], [d[1] / d[0] for d in drifts])
        if math.isfinite(angle):
            numbers.append(
                Quantity("direction, east of north or opposite", angle, angle_error, "°")
            )
            sentence += (
                f" along position angle {angle:.0f}° or {(angle + 180) % 360:.0f}° "
                f"(± {angle_error:.0f}°, east of north)"
            )
        evidence.append("the rate is that of a straight drift that would stretch the stars as much")
    if len(rms):
        these = "this frame" if len(affected) == 1 else "these frames (median)"
        evidence.append(
            f"guiding RMS of both axes in {these}: {number(float(np.median(rms)), None, '″')}"
        )
    else:
        evidence.append("no guiding record covers these frames: drift of the mount looks the same")
    return finding(
        view,
        "differential flexure",
        sentence + ".",
        reason="flexure",
        frames=affected,
        lost=lost,
        numbers=numbers,
        evidence=evidence,
        sureness=view.sureness("flexure", affected),
        advice=(
            Advised(
                "Tighten everything between guide scope and main scope: rings, focusers, "
                "adapters; tie the cables so that none pulls; if the drift stays, use an "
                "off-axis guider",
                "the image drifted while the guide star stayed put, which guiding cannot correct"
                if len(rms)
                else "guiding cannot correct what moves between guide scope and main scope",
                CLAMPS,
            ),
        ),
    )


def unseen_drift(view: NightView, frame: int):
    """(rate, one sigma, position angle or NaN, unit) of the motion a frame's guiding missed.

    Returns
    -------
    tuple or None
        Rate in arcsec an hour, or px an hour without a scale; angle in degrees east of
        north, modulo 180.
    """
    stars, facts = view.night.frames[frame].stars, view.night.frames[frame].facts
    seconds = facts.exposure_s
    if not seconds:
        return None
    scale = facts.scale_arcsec
    per_hour = 3600.0 / seconds * (scale or 1.0)
    unit = "″ an hour" if scale else "px an hour"
    if stars.shape_status == "trailed" and math.isfinite(stars.length_px):
        angle = _position_angle(view, frame, stars.angle_deg)
        length = stars.length_px * per_hour
        return length, SHAPE_DOUBT * length, angle, unit
    known = view.guiding.predictions if view.guiding else ()
    left = known[frame] if known else None
    if left is not None and np.isfinite(left.residual).all() and math.isfinite(left.error):
        q, error = (
            complex(left.residual[0] - left.residual[1], 2 * left.residual[2]),
            2 * left.error,
        )
    elif np.isfinite([stars.xx, stars.yy, stars.xy]).all():
        q, error = complex(stars.xx - stars.yy, 2 * stars.xy), 2.0 * _scatter(view, frame)
    else:
        return None
    variance = abs(q)
    if not variance > 0:
        return None
    spread = stars.xx + stars.yy
    minor = 0.5 * (spread - abs(complex(stars.xx - stars.yy, 2 * stars.xy)))
    length = drawn_length(variance, minor)
    doubt = 0.5 * length * error / variance if math.isfinite(error) else 0.0
    angle = math.degrees(0.5 * math.atan2(q.imag, q.real))
    return (
        length * per_hour,
        math.hypot(doubt, SHAPE_DOUBT * length) * per_hour,
        _position_angle(view, frame, angle),
        unit,
    )


def _scatter(view: NightView, frame: int) -> float:
    """Robust scatter of the moment components among the frame's group, px^2."""
    group = view.night.compared[frame].group
    if group < 0:
        return math.nan
    parts = np.array(
        [
            (0.5 * (s.xx - s.yy), s.xy)
            for i in view.night.groups[group].members
            if np.isfinite((s := view.night.frames[i].stars).xx)
        ]
    )
    return scatter(parts, np.median(parts, axis=0)) if len(parts) else math.nan


def _position_angle(view: NightView, frame: int, angle: float) -> float:
    """Degrees east of north, modulo 180, of an axis in the image; NaN unknown."""
    t = math.radians(angle)
    axes = view.night.frames[frame].facts.sky_axes
    if axes is not None:
        east, north = (a[0] * math.cos(t) + a[1] * math.sin(t) for a in axes)
    else:
        guiding = view.guiding
        if guiding is None or not math.isfinite(guiding.camera_angle_deg) or not guiding.handedness:
            return math.nan
        t -= math.radians(guiding.camera_angle_deg)
        east, north = math.cos(t), guiding.handedness * math.sin(t)
    return math.degrees(math.atan2(east, north)) % 180.0


def axis_mean(angles, relative_errors) -> tuple[float, float]:
    """Mean of undirected axes, degrees, by the doubled angle; NaN where they scatter all round."""
    t = 2.0 * np.radians([a for a in angles if math.isfinite(a)])
    if not len(t):
        return math.nan, math.nan
    mean = np.exp(1j * t).mean()
    if abs(mean) < 0.5:
        return math.nan, math.nan
    own = math.degrees(0.5 * float(np.median(relative_errors)))
    spread = math.degrees(0.5 * math.sqrt(max(-2.0 * math.log(min(abs(mean), 1.0)), 0.0)))
    error = max(own, spread) / math.sqrt(len(t))
    return math.degrees(0.5 * float(np.angle(mean))) % 180.0, max(error, 1.0)


def _middle(values: np.ndarray, errors) -> tuple[float, float]:
    spread = scatter(values)
    return float(np.median(values)), max(spread, float(np.median(errors))) / math.sqrt(len(values))
