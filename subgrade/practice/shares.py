"""How much of each exposure's motion each cause made: the night again without it.

Where several causes move one frame, a scorer may accept any with a fair share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from .guider import run_guider
from .motion import field_turn, main_only_path, mount_path
from .scenario import STANDING, Event, Scenario

if TYPE_CHECKING:
    from .night import NightPlan

MOTIONS = (
    "wind_trail",
    "ra_oscillation",
    "periodic_error",
    "dec_drift",
    "field_rotation",
    "flexure",
    "tracking_lost",
    "bump",
    "dither_overlap",
)
"""Causes that move the stars during the exposure."""
FAIR_SHARE = 0.2
"""Share of the motion from which a cause counts among the leading ones (a choice, no source)."""
SWELLING = {"focus", "seeing", "dew"}
ACTS_ON = {
    "focus": ("fwhm ratio", "depth lost"),
    "seeing": ("fwhm ratio", "depth lost"),
    "dew": ("fwhm ratio", "depth lost", "light lost"),
    "cloud": ("light lost", "depth lost"),
    "sky_glow": ("depth lost",),
}
"""Which measures of harm a cause that is no motion can raise."""


def motion_shares(plan: NightPlan) -> list[dict[str, float]]:
    """Share of each frame's motion that every motion cause at work in it made.

    The night's motion is made again with the same random numbers and without the cause; what
    the variance of the stars' path at the field's centre falls by is the cause's part.  Parts
    that together exceed the whole are scaled down to it; what is missing to one is jitter,
    seeing at the guide star, and faults of the mount that no cause states.

    Parameters
    ----------
    plan : NightPlan
        As `build_night` makes it.

    Returns
    -------
    list of dict
        One for each frame, cause to share, largest first; empty where no motion cause is at work.
    """
    scenario = plan.scenario
    active = [
        {e.cause for e in scenario.active(i + 1) if e.cause in MOTIONS}
        for i in range(plan.line.frames)
    ]
    whole = _variances(plan)
    rest = {c: _variances(_without(plan, c)) for c in MOTIONS if any(c in a for a in active)}
    shares = []
    for index, causes in enumerate(active):
        parts = {c: max(1.0 - rest[c][index] / max(whole[index], 1e-12), 0.0) for c in causes}
        scale = max(1.0, sum(parts.values()))
        ordered = sorted(parts, key=lambda c: (-parts[c], c))
        shares.append({c: float(parts[c] / scale) for c in ordered})
    return shares


def _variances(plan: NightPlan) -> np.ndarray:
    """Variance of the path at the field's centre in each exposure, px^2, both axes together."""
    from .exposure import zone_path
    from .night import exposure_of

    plan = replace(plan, path=plan.path - plan.followed)
    found = []
    for index in range(plan.line.frames):
        exposure = exposure_of(plan, index)
        found.append(float(zone_path(exposure, exposure.centre).var(axis=0).sum()))
    return np.array(found)


def _without(plan: NightPlan, cause: str) -> NightPlan:
    """The night's motion without one cause, weather and random numbers as they were."""
    from .night import stream

    scenario, line = without_cause(plan.scenario, cause), plan.line
    if cause == "field_rotation":
        return replace(plan, turn=field_turn(scenario, line))
    mount = mount_path(scenario, line, stream(scenario, "mount"))
    light = np.array([c.light for c in plan.weather])
    guided = run_guider(scenario, line, mount, light, stream(scenario, "guider"))
    return replace(plan, path=guided.path + main_only_path(scenario, line) + plan.followed)


def without_cause(scenario: Scenario, cause: str) -> Scenario:
    """The scenario with one motion cause taken out of its events and of the mount's settings.

    Events stay, with no size: what is drawn at random for them must not shift.
    """
    mount = scenario.mount
    if any(e.cause == cause and e.kind == STANDING for e in scenario.events):
        if cause == "periodic_error":
            mount = replace(mount, worm_arcsec=0.0)
        elif cause == "dec_drift":
            mount = replace(mount, pole_high_arcmin=0.0, pole_east_arcmin=0.0)
        elif cause == "field_rotation":
            mount = replace(mount, altazimuth=False, pole_high_arcmin=0.0, pole_east_arcmin=0.0)
    events = [_powerless(e, scenario) if e.cause == cause else e for e in scenario.events]
    return replace(scenario, mount=mount, events=tuple(e for e in events if e is not None))


def _powerless(event: Event, scenario: Scenario) -> Event | None:
    if event.cause == "dec_drift":
        return None  # draws nothing at random
    loop = event.cause in ("ra_oscillation", "periodic_error") and not event.kind
    size = scenario.guider.ra_gain if loop else 0.0
    # The time that the guide star is hidden counts, not a size.
    lasting = 0.0 if event.cause == "tracking_lost" else event.duration_s
    return replace(event, size=size, duration_s=lasting)


def leading_causes(
    causes: Sequence[str], shares: Mapping[str, float], scores: Mapping[str, float]
) -> list[str]:
    """The causes that ruin a frame, the strongest first.

    Parameters
    ----------
    causes : sequence of str
        At work in the frame.
    shares : mapping
        Of the motion, as `motion_shares` gives it.
    scores : mapping
        How far each measure of harm goes, 0 harmless to 1 plainly ruined; empty where stars
        are drawn into lines.

    Returns
    -------
    list of str
        Motions with a fair share of a motion that does harm, and others whose measures do;
        all that were given where none stands out.
    """
    moving = [c for c in causes if c in MOTIONS]
    others = [c for c in causes if c not in MOTIONS]
    swollen = bool(SWELLING & set(others))
    measures = ["eccentricity", "stray light share"]
    if not swollen:
        measures.append("fwhm ratio")
        if not others:
            measures.append("depth lost")
    moved = max(scores[m] for m in measures) if scores else np.inf
    strength = {}
    for cause in others:
        strength[cause] = max((scores.get(m, 0.0) for m in ACTS_ON.get(cause, ())), default=0.0)
    most = max((shares.get(c, 0.0) for c in moving), default=0.0)
    for cause in moving:
        share = shares.get(cause, 0.0)
        fair = share >= FAIR_SHARE or share == most
        strength[cause] = moved if fair else 0.0
    lead = [c for c in strength if strength[c] >= 0.5]
    lead.sort(key=lambda c: (-strength[c], -shares.get(c, 0.0)))
    return lead or list(causes)
