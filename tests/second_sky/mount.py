"""The mount: worm, polar axis, a springy tube, and a guide loop that chases a noisy star.

All positions are shifts of the star on the sky, (east, north) in arcseconds, on one time grid of
`STEP` seconds.  What pushes and what steers is kept by the word of its cause, so that the same
night can be run again without it, with the same random numbers.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numba import njit
from scipy.signal import cont2discrete, lfilter

from .rig import SIDEREAL, Rig

STEP = 0.05
BOTH, OFF, NORTH_ONLY, SOUTH_ONLY = 0, 1, 2, 3
"""Which way guiding may push in declination."""


@dataclass(slots=True)
class Forces:
    """Everything that acts on the mount, on a grid of ``n`` steps.

    Attributes
    ----------
    seen, unseen : dict of str to ndarray, shape (n, 2)
        Shifts by cause word; the guide camera sees the former only.
    gain, delay : ndarray, shape (n,)
        Factor on the RA gain and added latency of the pulses, seconds (over-correction or weak RA).
    weak_ra : ndarray, shape (n,)
        Factor on the RA gain of a night whose worm is left in; part of no cause's own motion.
    north : ndarray of int, shape (n,)
        `BOTH`, `OFF`, `NORTH_ONLY` or `SOUTH_ONLY`.
    lock, late_lock : ndarray, shape (n, 2)
        Where the guide star is wanted; with late dithers.
    followed : ndarray, shape (n, 2)
        Shift of the wanted place that follows a comet.
    blind : dict of str to ndarray of bool, shape (n,)
        When the guide star is not seen, by cause word.
    idle : ndarray of bool, shape (n,)
        No guiding and no rows: slews, flips.
    centred : ndarray of int, shape (n,)
        Steps at which the target is centred anew: 1 always, 2 where it is far off.
    light : ndarray, shape (n,)
        Starlight that passes, 1 = clear.
    """

    n: int
    seen: dict[str, np.ndarray] = field(default_factory=dict)
    unseen: dict[str, np.ndarray] = field(default_factory=dict)
    blind: dict[str, np.ndarray] = field(default_factory=dict)
    gain: np.ndarray | None = None
    delay: np.ndarray | None = None
    weak_ra: np.ndarray | None = None
    north: np.ndarray | None = None
    lock: np.ndarray | None = None
    late_lock: np.ndarray | None = None
    followed: np.ndarray | None = None
    idle: np.ndarray | None = None
    centred: np.ndarray | None = None
    light: np.ndarray | None = None

    def __post_init__(self):
        for name, start in (("gain", 1.0), ("delay", 0.0), ("weak_ra", 1.0), ("light", 1.0)):
            setattr(self, name, np.full(self.n, start))
        for name in ("lock", "late_lock", "followed"):
            setattr(self, name, np.zeros((self.n, 2)))
        self.north = np.zeros(self.n, np.int64)
        self.idle = np.zeros(self.n, bool)
        self.centred = np.zeros(self.n, np.int64)

    def push(self, word: str, shift: np.ndarray, seen: bool = True) -> None:
        """Add a shift of shape (n, 2) under a cause word."""
        book = self.seen if seen else self.unseen
        book[word] = book.get(word, 0.0) + shift

    def hide(self, word: str, when: np.ndarray) -> None:
        """Take the guide star away."""
        self.blind[word] = self.blind.get(word, np.zeros(self.n, bool)) | when


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the loop.

    Attributes
    ----------
    main : ndarray, shape (n, 2)
        Path of the stars on the main camera, arcsec.
    rows : ndarray, shape (m, 6)
        Guide samples: step, error east, error north (arcsec), pulses east and north (seconds,
        signed), 1 where the star was lost.
    wanted : ndarray, shape (n, 2)
        Where the guide star was wanted.
    """

    main: np.ndarray
    rows: np.ndarray
    wanted: np.ndarray


def worm(rig: Rig, time: np.ndarray) -> np.ndarray:
    """Periodic error of the drive: first, second and fourth harmonic; shift east, shape (n, 2)."""
    angle = 2.0 * np.pi * time / rig.worm_period
    terms = zip((1, 2, 4), rig.worm_arcsec, rig.worm_phase, strict=True)
    east = sum(size * np.sin(k * angle + phase) for k, size, phase in terms)
    return np.stack([east * rig.cos_dec, np.zeros_like(time)], axis=1)


def polar(rig: Rig, time: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Drift in declination (n, 2) and turn of the field (n,), radians, of a polar axis that is off.

    The axis is off by an angle e: stars drift north at the sidereal rate times e times the sine of
    the hour angle from the error's own meridian, and the field turns with the cosine over cos Dec.
    """
    error = np.radians(rig.polar_arcmin / 60.0)
    hour = np.radians(rig.hour_start + SIDEREAL * time / 3600.0)
    phase = np.radians(rig.polar_phase)
    drift = -error * 206264.8 * (np.cos(hour + phase) - np.cos(hour[0] + phase))
    turn = error * (np.sin(hour + phase) - np.sin(hour[0] + phase)) / max(rig.cos_dec, 0.2)
    return np.stack([np.zeros_like(time), drift], axis=1), turn


def spring(push: np.ndarray, hertz: float, damping: float, step: float = STEP) -> np.ndarray:
    """How a springy tube answers: y'' + 2 z w y' + w2 y = w2 push, held between the steps."""
    w = 2.0 * np.pi * hertz
    upper, lower, _ = cont2discrete(([w * w], [1.0, 2.0 * damping * w, w * w]), step)[:3]
    return lfilter(upper.ravel(), lower, push, axis=0)


def guide_noise(rig: Rig, n: int, rng: np.random.Generator) -> np.ndarray:
    """Error of each guide sample for a clear sky, arcsec, shape (cycles, 2).

    Image motion over an aperture D: variance 0.18 lambda^2 r0^(-5/3) D^(-1/3) an axis (Tyler's and
    Martin's law as commonly given, from memory), averaged over the exposure with a third of a
    second of memory; and a twentieth of a guide pixel of centring noise.
    """
    wave = 5.5e-7
    r0 = 0.98 * wave / np.radians(rig.seeing / 3600.0)
    motion = 0.18 * wave**2 * r0 ** (-5.0 / 3.0) * rig.guide_aperture_m ** (-1.0 / 3.0)
    motion *= 0.33 / (0.33 + rig.guide_exposure)
    sigma = np.hypot(np.degrees(np.sqrt(motion)) * 3600.0, 0.05 * rig.guide_scale)
    return rng.normal(0.0, sigma, (int(n * STEP / rig.cadence) + 2, 2))


def run(rig: Rig, forces: Forces, noise: np.ndarray, without: str = "") -> Run:
    """Run the loop over the night, without the cause that a word names."""
    n = forces.n
    total = sum((s for w, s in forces.seen.items() if w != without), np.zeros((n, 2)))
    alone = sum((s for w, s in forces.unseen.items() if w != without), np.zeros((n, 2)))
    lost = sum((b for w, b in forces.blind.items() if w != without), np.zeros(n, bool))
    steady = without == "ra_oscillation"
    lock = forces.lock if without == "dither_overlap" else forces.late_lock
    wanted = lock + (forces.followed if without != "comet" else 0.0)
    place, rows = steer(
        total,
        wanted,
        lost | (forces.light < 0.12),
        forces.weak_ra * (1.0 if steady else forces.gain),
        np.zeros(n) if steady else forces.delay,
        forces.north,
        forces.idle,
        forces.centred,
        noise / np.sqrt(np.clip(_at_cycles(forces.light, rig, len(noise)), 0.1, 1.0)),
        np.array([rig.cadence, rig.guide_exposure, rig.latency, rig.gain_ra, rig.gain_dec]),
        np.array([rig.least_move, rig.speed, rig.longest_pulse, rig.backlash, rig.window]),
        rig.cos_dec,
        rig.guided,
    )
    return Run(place + alone, rows, wanted)


def _at_cycles(light: np.ndarray, rig: Rig, cycles: int) -> np.ndarray:
    steps = (np.arange(cycles) * rig.cadence / STEP).astype(int)
    return light[np.minimum(steps, len(light) - 1), None]


@njit(cache=True)
def steer(
    pushed, wanted, lost, gain, delay, north, idle, centred, noise, beat, limits, cos_dec, guided
):
    """The loop step by step: expose, measure, wait, pulse; backlash in declination.

    Returns the star's path (n, 2) and the rows of `Run`.
    """
    cadence, exposing, latency, gain_ra, gain_dec = beat
    least, speed, longest, backlash, window = limits
    n = len(pushed)
    rate = np.zeros((n, 2))
    path = np.zeros((n, 2))
    rows = np.zeros((len(noise), 6))
    motor = np.zeros(2)
    moved = np.zeros(2)
    mean = np.zeros(2)
    count, taken, cycle, last_cycle = 0, 0, 0, -1
    step = 0.05
    speeds = np.array([speed * cos_dec, speed])
    for i in range(n):
        for a in range(2):
            motor[a] += rate[i, a] * step
        moved[0] = motor[0]
        moved[1] = min(max(moved[1], motor[1] - backlash), motor[1] + backlash)
        off = max(
            abs(pushed[i, 0] + moved[0] - wanted[i, 0]), abs(pushed[i, 1] + moved[1] - wanted[i, 1])
        )
        if centred[i] == 1 or (centred[i] == 2 and off > 0.5 * window):
            for a in range(2):
                moved[a] = wanted[i, a] - pushed[i, a] + 0.5
                motor[a] = moved[a]
            rate[i:] = 0.0
        for a in range(2):
            path[i, a] = pushed[i, a] + moved[a]
        now = i * step
        cycle = int(now / cadence)
        if cycle >= len(noise):
            continue
        within = now - cycle * cadence
        if within < exposing:
            for a in range(2):
                mean[a] += path[i, a] - wanted[i, a]
            count += 1
            continue
        if count == 0 or cycle == last_cycle:
            continue
        last_cycle = cycle
        mean /= count
        count = 0
        if idle[i]:
            mean[:] = 0.0
            continue
        gone = lost[i] or abs(mean[0]) > window or abs(mean[1]) > window
        rows[taken, 0] = i
        rows[taken, 5] = 1.0 if gone else 0.0
        if not gone:
            for a in range(2):
                rows[taken, 1 + a] = mean[a] + noise[cycle, a]
        if guided and not gone:
            for a in range(2):
                error = rows[taken, 1 + a]
                factor = gain_ra * gain[i] if a == 0 else gain_dec
                if abs(error) < least:
                    continue
                if a == 1:
                    way = -error
                    if north[i] == 1 or (north[i] == 2 and way < 0) or (north[i] == 3 and way > 0):
                        continue
                length = min(abs(error) * factor / speeds[a], longest)
                sign = -1.0 if error > 0 else 1.0
                rows[taken, 3 + a] = sign * length
                begin = i + int((latency + (delay[i] if a == 0 else 0.0)) / step)
                end = begin + max(int(np.ceil(length / step)), 1)
                value = sign * speeds[a] * length / ((end - begin) * step)
                for j in range(begin, min(end, n)):
                    rate[j, a] = value
        mean[:] = 0.0
        taken += 1
    return path, rows[:taken]
