"""Everything that moves a star on the sensor before the guider answers.

All paths are displacements of the star in the mount's frame, arcsec (east,
north) on the sky, on one even time grid for the whole night.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .geometry import hour_angle_deg, polar_rates, unix_seconds
from .scenario import SIDEREAL_ARCSEC_PER_S, Event, Mount, Scenario

STEP_S = 0.05
"""Time step of every path: 15 points to a cycle at the mount's ringing frequency."""


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
    length = np.full(plan.frames, plan.exposure_s)
    dither = np.full(plan.frames, np.nan)
    for i in range(plan.frames):
        for event in scenario.active(i + 1):
            if event.cause == "wrong_frame":
                length[i] *= min(event.size, 1.0)
        # A guider slow enough to let the worm through could not settle a dither either.
        slow = any(e.cause == "periodic_error" for e in scenario.active(i + 1))
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


def red_noise(rng: np.random.Generator, steps: int, step_s: float, memory_s: float) -> np.ndarray:
    """First-order red noise of unit rms with a given memory (Ornstein-Uhlenbeck)."""
    from scipy.signal import lfilter

    keep = np.exp(-step_s / memory_s)
    kicks = rng.standard_normal(steps) * np.sqrt(1.0 - keep**2)
    kicks[0] /= np.sqrt(1.0 - keep**2)
    return lfilter([1.0], [1.0, -keep], kicks)


def ringing(force: np.ndarray, step_s: float, hz: float, damping: float) -> np.ndarray:
    """Answer of a damped oscillator to a force given as the deflection it would hold.

    Parameters
    ----------
    force : ndarray, shape (n,)
        Static deflection, arcsec.
    step_s, hz : float
        Time step and natural frequency.
    damping : float
        Damping ratio, below 1.

    Notes
    -----
    Exact for a force that is constant within a step (zero-order hold).
    """
    from scipy.signal import cont2discrete, lfilter

    w = 2 * np.pi * hz
    top, bottom, _ = cont2discrete(([w**2], [1.0, 2 * damping * w, w**2]), step_s, method="zoh")
    return lfilter(top[0], bottom, force)


def gust_force(
    rng: np.random.Generator, steps: int, step_s: float, begin_s: float, length_s: float
) -> np.ndarray:
    """Push of a burst of gusts: a few gusts of a second or more, rough within, all downwind."""
    force = np.zeros(steps)
    time = np.arange(steps) * step_s
    knocks = max(2, round(length_s / 6.0))
    starts = begin_s + np.sort(rng.uniform(0, max(length_s - 3.0, 0.1), knocks))
    for number, start in enumerate(starts):
        rise, hold = rng.uniform(0.15, 0.5), rng.uniform(1.5, 4.0)
        strength = 1.0 if number == knocks // 2 else rng.uniform(0.45, 1.0)
        up = 1.0 / (1.0 + np.exp(-np.clip((time - start) / (rise / 4), -60, 60)))
        down = 1.0 / (1.0 + np.exp(-np.clip((start + hold - time) / 0.25, -60, 60)))
        force = np.maximum(force, strength * up * down)
    return force * (1.0 + 0.3 * red_noise(rng, steps, step_s, 0.4))


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
    path[0] += mount.worm_arcsec * np.cos(np.deg2rad(dec)) * worm
    hour = hour_angle_deg(line.origin_unix + time[::200], scenario.site, scenario.target)
    hour = np.rad2deg(np.unwrap(np.deg2rad(hour)))
    east, north, _ = polar_rates(mount.pole_high_arcmin, mount.pole_east_arcmin, hour, dec)
    for axis, rate in ((0, east), (1, north)):
        path[axis] += np.cumsum(np.interp(time, time[::200], rate)) * STEP_S
    for index in range(line.frames):
        for event in scenario.active(index + 1):
            _add_mount_event(path, event, line, index, mount, dec, rng)
    return path


def _add_mount_event(path, event: Event, line, index, mount: Mount, dec, rng) -> None:
    """Add one frame's gust, step or stall to ``path`` in place."""
    share = event.share(index + 1)
    start = line.begin[index] + event.at * (line.end[index] - line.begin[index])
    first = round(start / STEP_S)
    if event.cause == "wind_trail":
        tail = round(10.0 / STEP_S)
        steps = min(round(event.duration_s / STEP_S) + tail, path.shape[1] - first)
        force = gust_force(rng, steps, STEP_S, 0.0, event.duration_s)
        moved = ringing(force, STEP_S, mount.ring_hz, mount.damping)
        moved *= share * event.size / max(np.abs(moved).max(), 1e-9)
        path[:, first : first + steps] += direction(event.angle_deg)[:, None] * moved
    elif event.cause == "bump" and event.kind == "mount":
        path[:, first:] += (share * event.size * direction(event.angle_deg))[:, None]
    elif event.cause == "tracking_lost" and event.kind != "guide_star":
        steps = min(round(event.duration_s / STEP_S), path.shape[1] - first)
        rate = event.size * SIDEREAL_ARCSEC_PER_S * np.cos(np.deg2rad(dec))
        # A mount that stands still sees the sky go west.
        path[0, first : first + steps] -= rate * STEP_S * np.arange(1, steps + 1)
        path[0, first + steps :] -= rate * STEP_S * steps


def main_only_path(scenario: Scenario, line: Timeline) -> np.ndarray:
    """What the guider cannot see, shape (2, steps): flexure, and a mirror that slips."""
    path = np.zeros((2, line.steps))
    time = np.arange(line.steps) * STEP_S
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
    """Turn of the field about the guide star, radians north through east, shape (steps,)."""
    time = np.arange(line.steps) * STEP_S
    coarse = time[:: round(1.0 / STEP_S)]
    hour = hour_angle_deg(line.origin_unix + coarse, scenario.site, scenario.target)
    mount = scenario.mount
    rate = (
        polar_rates(mount.pole_high_arcmin, mount.pole_east_arcmin, hour, scenario.target.dec_deg)[
            2
        ]
        / 206264.806
    )
    for index in range(line.frames):
        for event in scenario.active(index + 1):
            if event.cause == "field_rotation":
                inside = (coarse >= line.begin[index]) & (coarse < line.end[index])
                rate[inside] += event.share(index + 1) * np.deg2rad(event.size) / 3600.0
    turned = np.concatenate([[0.0], np.cumsum(rate[:-1] * np.diff(coarse))])
    return np.interp(time, coarse, turned)
