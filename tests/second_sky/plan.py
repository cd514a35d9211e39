"""The plan of a night: its troubles, when frames start, the mount's runs without each cause."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from . import mount
from .mount import STEP, Forces
from .rig import SIDEREAL, Rig, draw_rig
from .troubles import KINDS, Plan, Scene

LEAD = 90.0
"""Seconds of guiding before the first frame."""
WORDS = {
    "wind_trail",
    "ra_oscillation",
    "periodic_error",
    "dec_drift",
    "flexure",
    "bump",
    "dither_overlap",
    "tracking_lost",
}
"""Causes that move the star alike over the field."""


@dataclass(slots=True)
class Night:
    """A night before it is exposed.

    ``paths`` holds the main camera's path with everything and, by cause word, without it.
    """

    seed: int
    rig: Rig
    scene: Scene
    run: mount.Run
    paths: dict[str, np.ndarray]
    start: datetime
    kinds: dict[str, list[int]]

    def steps(self, k: int) -> slice:
        """Steps of the grid within an exposure."""
        first = round(float(self.scene.plan.starts[k]) / STEP)
        return slice(first, first + round(self.rig.exposure / STEP))


def choose(rng: np.random.Generator) -> list[str]:
    """Two to four kinds of trouble; at most one of those that last all night."""
    names = sorted(KINDS)
    odds = np.array([KINDS[n].odds for n in names])
    count = int(rng.integers(2, 5))
    chosen: list[str] = []
    for name in rng.choice(names, len(names), replace=False, p=odds / odds.sum()):
        whole = KINDS[name].shape == "all"
        if whole and chosen and any(KINDS[c].shape == "all" for c in chosen):
            continue
        chosen.append(str(name))
        if len(chosen) == count:
            break
    if "unguided" in chosen:
        guided = {"swing", "worm", "polar", "lost", "late", "unguided"}
        chosen = [c for c in chosen if c not in guided] + ["unguided"]
    return chosen


def plan_night(seed: int) -> Night:
    """Everything of a night but the pixels."""
    rng = np.random.default_rng([20311, seed])
    chosen = choose(rng)
    rig = draw_rig(rng, set(chosen))
    plan, forces, time = _schedule(rig, rng)
    scene = Scene(rig, rng, time, forces, plan)
    forces.push("periodic_error", mount.worm(rig, time))
    drift, turning = mount.polar(rig, time)
    forces.push("dec_drift", drift)
    plan.turning += turning
    kinds = _frames_of(chosen, rig, rng)
    for name in sorted(kinds, key=lambda n: n != "late"):
        KINDS[name].apply(scene, kinds[name])
    middle = plan.starts + 0.5 * rig.exposure
    forces.light = np.interp(time, middle, plan.passing())
    noise = mount.guide_noise(rig, len(time), rng)
    run = mount.run(rig, forces, noise)
    acting = set(forces.seen) | set(forces.unseen) | set(forces.blind)
    acting |= {"ra_oscillation"} & {"ra_oscillation" if "swing" in kinds else ""}
    acting |= {"dither_overlap"} if "late" in kinds else set()
    acting |= {"comet"} if plan.comet else set()
    paths = {w: mount.run(rig, forces, noise, w).main for w in sorted(acting)}
    hours = rng.uniform(-2.0, 4.0)
    start = datetime(2033, 1, 1, 22, tzinfo=UTC) + timedelta(
        days=int(rng.integers(0, 700)), hours=float(hours)
    )
    return Night(seed, rig, scene, run, paths, start, kinds)


def _schedule(rig: Rig, rng: np.random.Generator) -> tuple[Plan, Forces, np.ndarray]:
    """When frames start, dithers between them, a pier flip."""
    starts, dithers, flip_time, now = [], {}, None, LEAD
    readout = rng.uniform(2.5, 9.0)
    for k in range(rig.frames):
        if k:
            now += rig.exposure + readout
            if k == rig.flip_at:
                flip_time = now
                now += 170.0
            elif rig.dither_every and k % rig.dither_every == 0 and rig.guided:
                dithers[k] = now
                now += rng.uniform(40.0, 60.0)
        now = round(now / STEP) * STEP
        starts.append(now)
    n = int((now + rig.exposure + 30.0) / STEP)
    time = np.arange(n) * STEP
    forces = Forces(n)
    most = 0.55 * rig.window
    for at in dithers.values():
        size = min(rng.uniform(2.0, 10.0) * rig.scale, most) * rng.choice([0.5, 1.0])
        size = most * rng.uniform(0.5, 1.0) if rig.longest_pulse <= 0.5 else size
        angle = rng.uniform(0.0, 2 * np.pi)
        forces.lock[time >= at] += size * np.array([np.cos(angle), np.sin(angle)])
    forces.late_lock = forces.lock.copy()
    for at in starts[1:]:
        forces.centred[int((at - 1.5 - (40.0 if dithers else 0.0)) / STEP)] = 2
    flipped = np.zeros(rig.frames, bool)
    if flip_time is not None:
        flipped[rig.flip_at :] = True
        forces.idle |= (time >= flip_time) & (time < flip_time + 120.0)
        forces.centred[int((flip_time + 119.0) / STEP)] = 1
    ones = np.ones(rig.frames)
    wander = np.exp(np.cumsum(rng.normal(0.0, 0.02, rig.frames)))
    swell = wander / wander.mean() * (_airmass(rig, np.array(starts)) / 1.2) ** 0.6
    blur = rng.normal(0.0, 0.06, rig.frames) * rig.seeing / 206265.0 * rig.focal_mm * 1e3
    plan = Plan(
        np.array(starts),
        dithers,
        flipped,
        swell,
        blur * rig.f_ratio,
        0.0 * ones,
        0.0 * ones,
        ones.copy(),
        np.zeros(n),
    )
    return plan, forces, time


def _airmass(rig: Rig, time: np.ndarray) -> np.ndarray:
    hour = np.radians(rig.hour_start + SIDEREAL * time / 3600.0)
    lat, dec = np.radians(rig.latitude), np.radians(rig.declination)
    high = np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour)
    return 1.0 / np.clip(high, 0.3, 1.0)


def _frames_of(chosen: list[str], rig: Rig, rng: np.random.Generator) -> dict[str, list[int]]:
    """Which frames each kind strikes; about half of the night stays clean."""
    n = rig.frames
    left, found = set(range(1, n)), {}
    ends = [c for c in chosen if KINDS[c].shape == "end"]
    edge = n
    for name in rng.permutation(ends):
        length = int(rng.integers(4, 8))
        begin = max(edge - length, 3)
        found[str(name)] = list(range(begin, edge))
        edge = begin - int(rng.integers(0, 3))
        left -= set(found[str(name)])
    for name in chosen:
        shape = KINDS[name].shape
        if shape == "all":
            found[name] = list(range(n))
        elif shape == "run":
            length = int(rng.integers(3, 6))
            places = [a for a in range(1, n - length) if set(range(a, a + length)) <= left]
            if places:
                begin = int(rng.choice(places))
                found[name] = list(range(begin, begin + length))
                left -= set(found[name])
        elif shape == "single" and len(left) > 6:
            count = int(rng.integers(2, 6))
            found[name] = sorted(int(k) for k in rng.choice(sorted(left), count, replace=False))
            left -= set(found[name])
    return found
