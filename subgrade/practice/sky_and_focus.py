"""Sky, air and telescope during each exposure: what is not motion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .geometry import airmass, altitude_deg
from .motion import Timeline, red_noise
from .scenario import Scenario

FOCUSER_STEP_UM = 4.0
STEADY_AIR = 0.8
"""Seeing below the haze of a still night, relative (from memory: fog often goes with it)."""


@dataclass(frozen=True, slots=True)
class Streak:
    """A satellite's trail: ends in px, electrons per px on the ridge, flash length in px."""

    ends: tuple[float, float, float, float]
    level: float
    pulse_px: float


@dataclass(frozen=True, slots=True)
class Conditions:
    """One exposure's circumstances.

    ``light`` is the share of starlight that clouds and dew let through, ``patch``
    the cloud's pattern (coefficients of u, v, u^2 - v^2, u v in the logarithm),
    ``sky_e`` sky electrons per px in the whole exposure at field centre.
    """

    airmass: float
    altitude_deg: float
    seeing_px: float
    defocus_um: float
    dew: float
    light: float
    extinction: float
    patch: tuple[float, float, float, float]
    sky_e: float
    ambient_c: float
    focuser: int
    streaks: tuple[Streak, ...]


def cloud_map(c: Conditions, u, v):
    """Share of starlight let through at field position (u, v), half-diagonals from the centre."""
    a, b, d, e = c.patch
    return c.light * np.exp(a * u + b * v + d * (u * u - v * v) + e * u * v)


def conditions(scenario: Scenario, line: Timeline, rng: np.random.Generator) -> list[Conditions]:
    """Draw every exposure's conditions in order."""
    plan = scenario.plan
    unix = line.origin_unix + 0.5 * (line.begin + line.end)
    altitude = altitude_deg(unix, scenario.site, scenario.target)
    x = airmass(altitude)
    wander = red_noise(rng, plan.frames, plan.exposure_s + plan.gap_s, scenario.air.memory_s)
    flicker = rng.standard_normal(plan.frames)
    found = []
    for i in range(plan.frames):
        found.append(
            _one(scenario, line, i, float(x[i]), float(altitude[i]), wander[i], flicker[i], rng)
        )
    return found


def _one(scenario: Scenario, line, i, x, altitude, wander, flicker, rng) -> Conditions:
    air, events = scenario.air, scenario.active(i + 1)
    seeing = air.seeing_arcsec * x**0.6 * np.exp(air.swing * (wander + 0.3 * flicker))
    light, dew, defocus, glow = 1.0, 0.0, rng.normal(0.0, scenario.optics.focus_scatter_um), 1.0
    patch = np.zeros(4)
    streaks = []
    for event in events:
        amount = event.share(i + 1) * event.size
        if event.cause == "seeing":
            seeing *= 1.0 + (event.size - 1.0) * event.share(i + 1) * rng.uniform(0.85, 1.1)
        elif event.cause == "focus":
            defocus += amount
        elif event.cause == "cloud":
            lost = float(np.clip(amount * rng.uniform(0.9, 1.08), 0.0, 0.98))
            light *= 1.0 - lost
            if event.kind == "steady_air":
                seeing *= STEADY_AIR
            patch += 0.5 * lost * rng.standard_normal(4) * np.array([1.0, 1.0, 0.5, 0.5])
            # Ground light on the cloud's underside more than makes up for the sky it hides.
            glow *= 1.0 + 0.7 * lost
        elif event.cause == "dew":
            light *= 1.0 - amount
            dew = min(0.9, dew + 1.1 * amount)
        elif event.cause == "sky_glow":
            glow *= event.size ** event.share(i + 1)
        elif event.cause == "satellite_trail":
            streaks.append(_streak(scenario, event, rng))
    length = line.end[i] - line.begin[i]
    sky = 10 ** (-0.4 * (scenario.sky.mag_arcsec2 - scenario.optics.zero_point))
    hours = line.begin[i] / 3600.0
    return Conditions(
        airmass=x,
        altitude_deg=altitude,
        seeing_px=float(seeing / scenario.scale_arcsec),
        defocus_um=float(defocus),
        dew=float(dew),
        light=float(light),
        extinction=float(10 ** (-0.4 * air.extinction_mag * (x - 1.0))),
        patch=tuple(float(p) for p in patch),
        sky_e=float(sky * scenario.scale_arcsec**2 * glow * x**0.3 * length),
        ambient_c=float(4.0 - 0.9 * hours + 0.1 * flicker),
        focuser=_focuser(scenario, i),
        streaks=tuple(streaks),
    )


def _focuser(scenario: Scenario, index: int) -> int:
    """Focuser position: it steps once a spell of bad focus has been put right."""
    done = [e for e in scenario.events if e.cause == "focus" and e.last < index + 1]
    return 12500 - sum(round(e.size / FOCUSER_STEP_UM) for e in done)


def _streak(scenario: Scenario, event, rng) -> Streak:
    """A trail from border to border through a random place near the middle."""
    width, height = scenario.camera.width, scenario.camera.height
    x, y = rng.uniform(0.25, 0.75) * width, rng.uniform(0.25, 0.75) * height
    angle, reach = rng.uniform(0, 2 * np.pi), 1.5 * np.hypot(width, height)
    dx, dy = reach * np.cos(angle), reach * np.sin(angle)
    pulse = 90.0 if event.kind == "tumbling" else 0.0
    return Streak((x - dx, y - dy, x + dx, y + dy), float(event.size), pulse)
