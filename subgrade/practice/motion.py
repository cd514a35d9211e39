"""Everything that moves a star on the sensor before the guider answers.

All paths are displacements of the star in the mount's frame, arcsec (east,
north) on the sky, on one even time grid for the whole night.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .geometry import first_axis_cosine, hour_angle_deg, parallactic_deg, polar_rates, unix_seconds
from .scenario import SIDEREAL_ARCSEC_PER_S, STANDING, Event, Scenario
from .wind import gust_force, knock, lean, red_noise, ringing, spell

STEP_S = 0.05
"""Time step of every path: 15 points to a cycle at the mount's ringing frequency."""
FADE_S = 8.0
"""Within this time a passing periodic error comes and goes."""


@dataclass(frozen=True, slots=True)
class Timeline:
    """When each exposure runs, seconds from the night's start.

    Attributes
    ----------
    begin, end : ndarray, shape (frames,)
    dither : ndarray, shape (frames,)
        When the dither before (or, badly timed, during) each exposure is commanded; NaN for none.
    origin_unix : float
        POSIX seconds of time zero.
    steps : int
        Length of the time grid.
    """

    begin: np.ndarray
    end: np.ndarray
    dither: np.ndarray
    origin_unix: float
    steps: int

    @property
    def frames(self) -> int:
        return len(self.begin)

    def middle(self, index: int) -> float:
        return float(0.5 * (self.begin[index] + self.end[index]))

    def span(self, index: int) -> slice:
        """Grid steps inside exposure ``index``."""
        return slice(round(self.begin[index] / STEP_S), round(self.end[index] / STEP_S))

    def frame_at(self, time: float) -> int:
        """Index of the exposure running at ``time``, or of the next one."""
        return int(min(np.searchsorted(self.end, time), self.frames - 1))


def timeline(scenario: Scenario) -> Timeline:
    """Lay the exposures and dithers out in time."""
    plan, lead = scenario.plan, 40.0
    begin = lead + np.arange(plan.frames) * (plan.exposure_s + plan.gap_s)
    if plan.flip_before:
        begin[plan.flip_before - 1 :] += plan.flip_pause_s
    length = np.full(plan.frames, plan.exposure_s)
    dither = np.full(plan.frames, np.nan)
    for i in range(plan.frames):
        for event in scenario.active(i + 1):
            if event.cause == "wrong_frame":
                length[i] *= min(event.size, 1.0)
        # A guider slow enough to let the worm through could not settle a dither either.
        slow = any(e.cause == "periodic_error" and not e.kind for e in scenario.active(i + 1))
        if plan.dither_every and i and i % plan.dither_every == 0 and not slow:
            dither[i] = begin[i] - plan.gap_s + 2.0
        late = [e for e in scenario.active(i + 1) if e.cause == "dither_overlap"]
        if late:
            dither[i] = begin[i] + late[0].at * plan.exposure_s
    end = begin + length
    return Timeline(
        begin=begin,
        end=end,
        dither=dither,
        origin_unix=unix_seconds(plan.start_utc) - lead,
        steps=int(np.ceil((end[-1] + 20.0) / STEP_S)),
    )


def direction(angle_deg: float) -> np.ndarray:
    """Unit vector (east, north) at an angle east of north."""
    t = np.deg2rad(angle_deg)
    return np.array([np.sin(t), np.cos(t)])


def mount_path(scenario: Scenario, line: Timeline, rng: np.random.Generator) -> np.ndarray:
    """Displacement of every star by the mount alone, shape (2, steps), unguided."""
    mount, dec = scenario.mount, scenario.target.dec_deg
    time = np.arange(line.steps) * STEP_S
    path = np.empty((2, line.steps))
    for axis in (0, 1):
        path[axis] = red_noise(rng, line.steps, STEP_S, mount.jitter_memory_s)
        path[axis] *= mount.jitter_arcsec
    phase, second = rng.uniform(0, 2 * np.pi, 2)
    turn = 2 * np.pi * time / mount.worm_period_s
    worm = np.sin(turn + phase) + mount.worm_second * np.sin(2 * turn + second)
    cosine = first_axis_cosine(scenario, line.origin_unix + time[-1] / 2)
    path[0] += mount.worm_arcsec * cosine * worm
    hour = hour_angle_deg(line.origin_unix + time[::200], scenario.site, scenario.target)
    hour = np.rad2deg(np.unwrap(np.deg2rad(hour)))
    east, north, _ = polar_rates(mount.pole_high_arcmin, mount.pole_east_arcmin, hour, dec)
    for axis, rate in ((0, east), (1, north)):
        path[axis] += np.cumsum(np.interp(time, time[::200], rate)) * STEP_S
    for index in range(line.frames):
        for event in scenario.active(index + 1):
            _add_mount_event(path, event, line, index, scenario, rng)
    for event in scenario.events:
        if event.cause == "periodic_error" and event.kind == "worm":
            path[0] += cosine * worm_spell(event, line, mount.worm_second)
    return path


def worm_spell(event: Event, line: Timeline, second: float) -> np.ndarray:
    """A periodic error that comes and goes: a dirty stretch of the worm, or a rough gear.

    Its size is the amplitude in arcsec of hour angle, ``angle_deg`` the phase at the night's
    start, ``second`` the second harmonic over the first; it fades in and out within
    `FADE_S`, before its first frame begins and after its last has ended.

    Returns
    -------
    ndarray, shape (steps,)
    """
    time = np.arange(line.steps) * STEP_S
    phase = 2 * np.pi * time / event.period_s + np.deg2rad(event.angle_deg)
    last = min(event.last, line.frames)
    into, out = time - (line.begin[event.first - 1] - FADE_S), line.end[last - 1] + FADE_S - time
    there = np.clip(np.minimum(into, out) / FADE_S, 0.0, 1.0)
    return event.size * there * (np.sin(phase) + second * np.sin(2 * phase + 1.0))


def _gust(event: Event, steps: int, mount, rng) -> np.ndarray:
    """One gust as the springy mount takes it, arcsec along and across the wind, shape (2, n)."""
    force = np.zeros((2, steps))
    if event.kind == "knock":
        force[0] = knock(steps)
    elif event.kind == "lean":
        force[0] = lean(steps, STEP_S, event.duration_s)
    elif event.kind == "spell":
        force[:] = spell(rng, steps, STEP_S, event.duration_s)
    else:
        force[0] = gust_force(rng, steps, STEP_S, 0.0, event.duration_s)
    return np.array([ringing(f, STEP_S, mount.ring_hz, mount.damping) for f in force])


def _add_mount_event(path, event: Event, line, index, scenario: Scenario, rng) -> None:
    """Add one frame's gust, step or stall to ``path`` in place."""
    share = event.share(index + 1)
    start = line.begin[index] + event.at * (line.end[index] - line.begin[index])
    first = round(start / STEP_S)
    if event.cause == "wind_trail":
        tail = round(10.0 / STEP_S)
        steps = min(round(event.duration_s / STEP_S) + tail, path.shape[1] - first)
        along, across = _gust(event, steps, scenario.mount, rng)
        strength = share * event.size / max(np.abs(along).max(), 1e-9)
        along *= strength
        path[:, first : first + steps] += direction(event.angle_deg)[:, None] * along
        if event.kind == "spell":
            side = direction(event.angle_deg + 90.0)[:, None]
            path[:, first : first + steps] += side * across * strength
    elif event.cause == "bump" and event.kind == "mount":
        path[:, first:] += (share * event.size * direction(event.angle_deg))[:, None]
    elif event.cause == "tracking_lost" and event.kind != "guide_star":
        steps = min(round(event.duration_s / STEP_S), path.shape[1] - first)
        cosine = first_axis_cosine(scenario, line.origin_unix + start)
        rate = event.size * SIDEREAL_ARCSEC_PER_S * cosine
        # A mount that stands still sees the sky go west.
        path[0, first : first + steps] -= rate * STEP_S * np.arange(1, steps + 1)
        path[0, first + steps :] -= rate * STEP_S * steps


def main_only_path(scenario: Scenario, line: Timeline) -> np.ndarray:
    """What the guider cannot see, shape (2, steps): flexure, a mirror that slips, and how far
    off the field comes to lie after a meridian flip."""
    path = np.zeros((2, line.steps))
    time = np.arange(line.steps) * STEP_S
    plan = scenario.plan
    if plan.flip_before and plan.flip_shift_arcsec:
        path[1, time >= line.begin[plan.flip_before - 1] - 0.5 * plan.gap_s] = (
            plan.flip_shift_arcsec
        )
    for index in range(line.frames):
        for event in scenario.active(index + 1):
            pull = event.share(index + 1) * event.size * direction(event.angle_deg)[:, None]
            length = line.end[index] - line.begin[index]
            if event.cause == "flexure":
                path += pull * np.clip((time - line.begin[index]) / length, 0.0, 1.0)
            elif event.cause == "bump" and event.kind != "mount":
                path[:, round((line.begin[index] + event.at * length) / STEP_S) :] += pull
    return path


def followed_path(scenario: Scenario, line: Timeline) -> np.ndarray:
    """How the stars go by while mount and guider follow a moving target, shape (2, steps).

    The guider moves its reference position along, so its record holds none of it.  The
    field is centred in the middle of the night.
    """
    plan = scenario.plan
    middle = 0.5 * (line.begin[0] + line.end[-1])
    time = np.arange(line.steps) * STEP_S - middle
    gone = plan.follow_arcsec_per_h / 3600.0 * time
    return -gone * direction(plan.follow_pa_deg)[:, None]


def field_turn(scenario: Scenario, line: Timeline) -> np.ndarray:
    """Turn of the field, radians north through east, shape (steps,): about the guide star, or with
    the mount where nobody guides."""
    time = np.arange(line.steps) * STEP_S
    coarse = time[:: round(1.0 / STEP_S)]
    hour = hour_angle_deg(line.origin_unix + coarse, scenario.site, scenario.target)
    mount = scenario.mount
    pole = (mount.pole_high_arcmin, mount.pole_east_arcmin)
    guided = scenario.guider.on and scenario.guider.ra_gain > 0
    rate = polar_rates(*pole, hour, scenario.target.dec_deg, guided)[2] / 206264.806
    for index in range(line.frames):
        for event in scenario.active(index + 1):
            if event.cause == "field_rotation" and event.kind != STANDING:
                inside = (coarse >= line.begin[index]) & (coarse < line.end[index])
                rate[inside] += event.share(index + 1) * np.deg2rad(event.size) / 3600.0
    turned = np.concatenate([[0.0], np.cumsum(rate[:-1] * np.diff(coarse))])
    if mount.altazimuth:
        angle = parallactic_deg(hour, scenario.site.latitude_deg, scenario.target.dec_deg)
        # As the zenith's position angle grows, north turns the other way in the mount's frame.
        turned = turned - np.unwrap(np.deg2rad(angle))
        turned -= turned[0]
    return np.interp(time, coarse, turned)
