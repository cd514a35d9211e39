"""Findings on how the mount followed the sky: nobody guided it, or it turns the field."""

from __future__ import annotations

import math

import numpy as np

from subgrade.diagnosis.field_motion import Turn, turn_rate
from subgrade.diagnosis.model import Advised, NightFinding, Quantity
from subgrade.diagnosis.mount_kind import Tracking, corrections, sky_angle, star_width, tracking_of
from subgrade.diagnosis.night_view import NightView, finding
from subgrade.diagnosis.wording import HEAVY, LIKELY, number

UNGUIDED, ALTAZIMUTH = "unguided mount", "alt-azimuth mount"
"""Topics that stand first in the diagnosis: they explain the others."""
SMEAR = 0.4
"""Drift in one exposure, in star widths, that does not show: `polar_axis.WORTH_DRIFT`."""
PAYS = 0.8
"""A shorter exposure is advised below this share of the night's: a choice."""
SHORTEST_S = 1.0
"""No exposure below this is advised: a choice."""
OF_DRIFT = ("flexure", "dec_drift", "periodic_error", "ra_oscillation")
"""Reasons of frames that guiding would have saved on an unguided mount."""


def following_the_sky(view: NightView) -> NightFinding | None:
    """An unguided mount, or an alt-azimuth one without derotator; None for any other."""
    tracking = tracking_of(view)
    if tracking.kind == "altazimuth" and tracking.turn is not None:
        return _altazimuth(view, tracking, tracking.turn)
    if tracking.kind == "unguided" and tracking.speed is not None:
        return _unguided(view, tracking)
    return None


def _unguided(view: NightView, tracking: Tracking) -> NightFinding:
    speed, exposure, width = tracking.speed, _median_exposure(view), _width(view)
    drift, error = speed.size * exposure / 60.0, speed.error * exposure / 60.0
    steady = speed.size > 2.0 * speed.error
    rate = number(speed.size, speed.error, "″ a minute")
    sure = tracking.sureness >= LIKELY
    sentence = "The mount was not guided" if sure else "The mount may not have been guided"
    if steady:
        sentence += f": the field drifted {rate} from frame to frame"
        if drift > 0:
            sentence += f", {number(drift, error, '″')} in each exposure of {exposure:.3g} s"
    evidence = list(tracking.evidence)
    if corrections(view) is None:
        evidence.append("no guiding record covers the night; give it (--guide) if you did guide")
    lost = sorted({k for word in OF_DRIFT for k in view.lost_to(word)})
    words = [word for word in OF_DRIFT if view.lost_to(word)]
    return finding(
        view,
        UNGUIDED,
        sentence + ".",
        reason=max(words, key=lambda w: len(view.lost_to(w)), default=""),
        lost=lost,
        numbers=(
            Quantity("drift of the field", speed.size, speed.error, "″ a minute"),
            Quantity("drift in an exposure", drift, error, "″"),
        ),
        evidence=evidence,
        sureness=tracking.sureness,
        hedged=True,
        advice=_guide(view, tracking, lost, drift if steady else 0.0, width, exposure),
    )


def _guide(view: NightView, tracking: Tracking, lost, drift: float, width: float, exposure: float):
    """Guiding, and an exposure in which the drift does not show, where either would help."""
    shows = drift > SMEAR * width
    wanders = tracking.speed.scatter > SMEAR * width
    if not (lost or shows or wanders):
        return ()
    action = "Guide the mount"
    because = "nothing corrected its drift and its periodic error"
    limit = _round_down(exposure * SMEAR * width / drift) if shows else math.inf
    if shows:
        because = f"unguided, the stars drift {number(drift, None, '″')} in {exposure:.3g} s"
        action += ", or align the polar axis better"
    if SHORTEST_S <= limit < PAYS * exposure:
        action += f"; until then expose no longer than {limit:g} s"
        because += f"; up to {limit:g} s they stay within {100 * SMEAR:.0f}% of their width"
    return (Advised(action, because),)


def _altazimuth(view: NightView, tracking: Tracking, turn: Turn) -> NightFinding:
    exposure, width = _median_exposure(view), star_width(view)
    rate, error = turn_rate(turn)
    hourly, hourly_error = (abs(v) * math.degrees(sky_angle(3600.0)) for v in (rate, error))
    fastest = _fastest(turn) * math.degrees(sky_angle(3600.0))
    stars = view.night.frames[view.night.groups[0].reference].stars
    arm = 0.5 * math.hypot(stars.width, stars.height)
    smear = arm * math.radians(fastest) * exposure / 3600.0
    lost, affected = view.lost_to("field_rotation"), view.affected("field_rotation")
    sentence = (
        "The mount is an alt-azimuth one without a derotator: the field rotated by "
        f"{number(hourly, None, '°')} an hour"
    )
    if exposure > 0:
        sentence += f", which moves a star in the corner by {number(smear, None, 'px')} in an "
        sentence += f"exposure of {exposure:.3g} s at the fastest"
    seen = (
        "the rotation follows the prediction for site and target, 15.04° an hour times "
        "cos(latitude) cos(azimuth) / cos(altitude)"
        if tracking.predicted
        else "no polar misalignment that a person could overlook rotates the field so fast; site "
        "or target is unknown, so a rotating camera cannot be ruled out"
    )
    action = "Use a derotator or an equatorial wedge"
    limit = _round_down(exposure * SMEAR * width / smear) if smear > 0 else math.inf
    because = (
        f"the field rotates by {number(hourly, None, '°')} an hour, and guiding cannot hold it"
    )
    if SHORTEST_S <= limit < PAYS * exposure:
        action += f", or expose no longer than {limit:g} s"
        because += f"; up to {limit:g} s the corners move by {100 * SMEAR:.0f}% of a star's width"
    needed = lost or smear > SMEAR * width
    return finding(
        view,
        ALTAZIMUTH,
        sentence + ".",
        reason="field_rotation",
        frames=affected,
        lost=lost,
        numbers=(
            Quantity("field rotation", hourly, hourly_error, "° an hour"),
            Quantity("fastest field rotation", fastest, None, "° an hour"),
            Quantity("way of a corner in an exposure", smear, None, "px"),
        ),
        evidence=(seen,),
        sureness=tracking.sureness,
        advice=(Advised(action, because, HEAVY),) if needed else (),
    )


def _fastest(turn: Turn) -> float:
    """Largest rate of the turn, radians a radian of sky, from a parabola over the night."""
    sky = sky_angle(1.0) * (turn.time - turn.time.mean())
    same = turn.part == np.bincount(turn.part - turn.part.min()).argmax() + turn.part.min()
    if same.sum() < 4:
        return abs(turn_rate(turn)[0])
    two, one, _ = np.polyfit(sky[same], turn.angle[same], 2)
    return float(np.abs(one + 2.0 * two * sky[same]).max())


def _median_exposure(view: NightView) -> float:
    known = view.exposure_s[view.exposure_s > 0]
    return float(np.median(known)) if len(known) else 0.0


def _width(view: NightView) -> float:
    return star_width(view) * view.common("scale_arcsec")


def _round_down(seconds: float) -> float:
    """To two figures, downwards.

    >>> _round_down(37.8), _round_down(4.29)
    (37.0, 4.2)
    """
    if not (math.isfinite(seconds) and seconds > 0):
        return math.inf
    unit = 10.0 ** (math.floor(math.log10(seconds)) - 1)
    return round(math.floor(seconds / unit + 1e-9) * unit, 6)
