"""A guider in closed loop with the mount: it sees late and noisily, and corrects.

Over-correction, a slow loop that lets the worm through, Dec drift with Dec
guiding off, backlash and the pull-back after a dither are not painted on: they
come out of the loop's gain, delay and limits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .geometry import first_axis_cosine
from .motion import STEP_S, Timeline
from .scenario import SIDEREAL_ARCSEC_PER_S, Scenario


@dataclass(frozen=True, slots=True)
class GuideSample:
    """One row of the record; errors are the star's place less the reference position, arcsec."""

    time: float
    east: float
    north: float
    east_pulse_ms: float
    north_pulse_ms: float
    brightness: float
    snr: float
    remarks: tuple[str, ...] = ()

    @property
    def lost(self) -> bool:
        return not np.isfinite(self.east)


@dataclass(frozen=True, slots=True)
class Guided:
    """Outcome of the loop.

    Attributes
    ----------
    path : ndarray, shape (2, steps)
        Displacement of the star after corrections, arcsec (east, north).
    samples : tuple of GuideSample
    """

    path: np.ndarray
    samples: tuple[GuideSample, ...]


LOST_SNR = 6.0
"""Guide star S/N below which no position is had."""
RELOCK_AFTER = 6
"""Samples without a star after which whatever star stands there is taken."""
SETTLED_ARCSEC = 0.9
"""Error below which a dither counts as settled."""
RECENTRE_ARCSEC = 12.0
"""Distance from the planned pointing at which the run slews back between exposures."""


def run_guider(
    scenario: Scenario,
    line: Timeline,
    mount: np.ndarray,
    light: np.ndarray,
    rng: np.random.Generator,
) -> Guided:
    """Let the guider answer the mount's motion through the night.

    Parameters
    ----------
    scenario : Scenario
    line : Timeline
    mount : ndarray, shape (2, steps)
        Unguided path, arcsec.
    light : ndarray, shape (frames,)
        Share of starlight that gets through during each exposure.
    rng : numpy.random.Generator
        Guide star noise and dither directions.
    """
    if not scenario.guider.on:
        return Guided(mount + _mount_dithers(scenario, line, rng), ())
    loop = _Loop(scenario, line, mount, light, rng)
    count = int((line.steps * STEP_S - scenario.guider.interval_s) / scenario.guider.interval_s)
    samples = tuple(loop.sample(k * scenario.guider.interval_s) for k in range(count))
    loop.hold(line.steps)
    return Guided(mount + loop.given, samples)


class _Loop:
    """State of the loop: reference position, corrections so far, the play in the Dec gears."""

    def __init__(self, scenario, line, mount, light, rng):
        g = scenario.guider
        self.scenario, self.line, self.light, self.rng = scenario, line, light, rng
        self.speed = g.rate * SIDEREAL_ARCSEC_PER_S / 1000.0
        middle = line.origin_unix + 0.5 * line.steps * STEP_S
        self.speed *= np.array([first_axis_cosine(scenario, middle), 1.0])
        self.total = np.concatenate([np.zeros((2, 1)), np.cumsum(mount, axis=1)], axis=1)
        self.given = np.zeros((2, line.steps))
        self.filled, self.value = 0, np.zeros(2)
        self.reference, self.planned = np.zeros(2), np.zeros(2)
        self.commands = _dithers(scenario, line, rng)
        self.slack, self.lost, self.settling, self.quiet = 0.0, 0, False, 0

    def hold(self, until: int) -> None:
        """Keep the correction as it is up to grid step ``until``."""
        if until > self.filled:
            self.given[:, self.filled : until] = self.value[:, None]
            self.filled = until

    def sample(self, start: float) -> GuideSample:
        """Expose, look, decide and correct; one turn of the loop."""
        g, line = self.scenario.guider, self.line
        opened, shut = round(start / STEP_S), round((start + g.exposure_s) / STEP_S)
        self.hold(shut)
        seen = (self.total[:, shut] - self.total[:, opened]) / (shut - opened)
        seen = seen + self.given[:, opened:shut].mean(axis=1)
        index = line.frame_at(start)
        remarks: list[str] = []
        self._dither(start, remarks)
        gains, forced = _settings(self.scenario, line, index, start)
        light = self.light[index] * (1.0 - g.fade * start / (line.steps * STEP_S))
        snr = g.star_snr * light * (1.0 + 0.05 * self.rng.standard_normal())
        # Photon noise takes over from seeing once the star has grown faint.
        scatter = g.seeing_noise_arcsec * np.hypot(1.0, 15.0 / max(snr, 1.0))
        error = seen + scatter * self.rng.standard_normal(2) - self.reference
        brightness = 18000.0 * light * (1.0 + 0.03 * self.rng.standard_normal())
        # A dither moves the area searched for the guide star along with the reference.
        away = bool(np.hypot(*error) > g.search_area_arcsec) and not self.settling
        if self._recentre(start, index, seen, remarks) or forced or away or snr < LOST_SNR:
            self._without_star(seen, away and not forced and snr >= LOST_SNR, remarks)
            blind = (np.nan, np.nan, 0.0, 0.0, np.nan, np.nan)
            return GuideSample(start + g.exposure_s, *blind, tuple(remarks))
        if self.lost:
            self.lost = 0
            remarks.append("Guide star found again")
        self._settle(error, remarks)
        pulse = self._pulse(error, gains)
        late = g.delay_s + g.lag_samples * g.interval_s
        self._move(pulse, shut + round(late / STEP_S))
        numbers = (*error, *pulse, brightness, snr)
        return GuideSample(start + g.exposure_s, *map(float, numbers), tuple(remarks))

    def _without_star(self, seen, can_relock: bool, remarks: list[str]) -> None:
        self.lost += 1
        if self.lost == 1:
            remarks.append("Guide star missing")
        if can_relock and self.lost >= RELOCK_AFTER:
            self.reference = np.array(seen)
            remarks.append("Reference position set to the star found")

    def _dither(self, now: float, remarks: list[str]) -> None:
        """Move the reference position when a dither is due."""
        while self.commands and self.commands[0][0] <= now:
            _, place = self.commands.pop(0)
            step = place - self.planned
            self.reference, self.planned = self.reference + step, place
            self.settling, self.quiet = True, 0
            remarks += _dither_remark(self.scenario.record.dither_words, step)

    def _recentre(self, now: float, index: int, seen, remarks: list[str]) -> bool:
        """Slew back to the planned place between exposures when the field is far off it."""
        exposing = self.line.begin[index] - 3.0 <= now <= self.line.end[index]
        far = np.hypot(*(seen - self.planned)) > RECENTRE_ARCSEC
        # A dither under way is far off by design, unless the star is lost as well.
        if exposing or not far or (self.settling and not self.lost):
            return False
        self.value = self.value + self.planned - seen
        self.reference = self.planned.copy()
        self.settling, self.quiet = False, 0
        remarks.append("Target recentred, guiding resumed")
        return True

    def _settle(self, error, remarks: list[str]) -> None:
        """Call the dither settled after three quiet samples."""
        if not self.settling:
            return
        self.quiet = self.quiet + 1 if np.hypot(*error) < SETTLED_ARCSEC else 0
        if self.quiet >= 3:
            self.settling = False
            if self.scenario.record.dither_words == "dither":
                remarks.append("Settled after the dither")

    def _pulse(self, error, gains) -> np.ndarray:
        """Pulse lengths, signed ms along (east, north), that pull the star back."""
        g = self.scenario.guider
        wanted = -np.asarray(gains) * error / self.speed
        wanted[np.abs(error) < g.smallest_correction_arcsec] = 0.0
        return np.rint(np.clip(wanted, -g.longest_correction_ms, g.longest_correction_ms))

    def _move(self, pulse: np.ndarray, start: int) -> None:
        """Let the mount run through a correction of each axis from grid step ``start``."""
        self.hold(start)
        if not pulse.any():
            return
        move = pulse * self.speed
        backlash = self.scenario.mount.dec_backlash_arcsec
        # Dec gears must first take up their play when the direction turns.
        position = self.slack + move[1]
        self.slack = min(max(position, 0.0), backlash)
        move[1] = position - self.slack
        length = np.maximum(np.abs(pulse) / 1000.0 / STEP_S, 1.0)
        stop = min(start + int(np.ceil(length.max())), self.given.shape[1])
        ramp = np.minimum(np.arange(1, stop - start + 1) / length[:, None], 1.0)
        self.given[:, start:stop] = self.value[:, None] + move[:, None] * ramp
        self.value, self.filled = self.value + move, stop


def _settings(scenario: Scenario, line: Timeline, index: int, time: float):
    """Gains in force at ``time`` near frame ``index``, and whether the star is hidden."""
    ra, dec, hidden = scenario.guider.ra_gain, scenario.guider.dec_gain, False
    for event in scenario.active(index + 1):
        if event.cause in ("ra_oscillation", "periodic_error") and not event.kind:
            ra = event.size
        elif event.cause == "dec_drift" and not event.kind and time >= line.begin[index] - 1.0:
            dec = 0.0
        elif event.cause == "tracking_lost" and event.kind in ("guide_star", "slipping"):
            start = line.begin[index] + event.at * (line.end[index] - line.begin[index])
            hidden = hidden or start <= time < start + event.duration_s
    plan = scenario.plan
    if plan.flip_before and plan.flip_pause_s and index + 1 == plan.flip_before:
        over = line.begin[index] - 0.5 * plan.gap_s
        hidden = hidden or over - plan.flip_pause_s <= time < over
    return (ra, dec), hidden


def _dithers(scenario: Scenario, line: Timeline, rng: np.random.Generator):
    """Dither commands (time, new planned place) in order of time."""
    commands, place = [], np.zeros(2)
    for number, index in enumerate(np.flatnonzero(np.isfinite(line.dither)), 1):
        new = _next_place(scenario, place, number, rng)
        late = [e for e in scenario.active(index + 1) if e.cause == "dither_overlap"]
        if late:
            angle = rng.uniform(0, 2 * np.pi)
            new = place + late[0].size * np.array([np.cos(angle), np.sin(angle)])
        commands.append((float(line.dither[index]), new))
        place = new
    return commands


def _next_place(scenario: Scenario, place, number: int, rng: np.random.Generator) -> np.ndarray:
    """Where the ``number``-th dither (from 1) goes, arcsec (east, north)."""
    size, order = scenario.plan.dither_arcsec, scenario.plan.dither_order
    if order == "spiral":
        turn = number * np.pi * (3.0 - np.sqrt(5.0))
        reach = size * np.sqrt(number / max(scenario.plan.frames - 1, 1))
        return reach * np.array([np.cos(turn), np.sin(turn)])
    if order == "line":
        # Seven places along a line and back again.
        along = np.abs((number + 3) % 12 - 6) / 3.0 - 1.0
        return size * along * np.array([np.cos(scenario.seed), np.sin(scenario.seed)])
    if order == "wander":
        return place + 0.5 * size * rng.standard_normal(2)
    return rng.uniform(-size, size, 2)


def _dither_remark(words: str, step) -> list[str]:
    """What the record has at a dither: not every program calls it one, or writes at all."""
    east, north = (f"{v:+.2f}" for v in step)
    known = {
        "dither": [f"Dither of {east} arcsec in RA and {north} in Dec"],
        "reference": [f"Reference position moved by {east} arcsec in RA and {north} in Dec"],
        "star": ["New place for the guide star"],
        "none": [],
    }
    return known[words]


def _mount_dithers(scenario: Scenario, line: Timeline, rng: np.random.Generator) -> np.ndarray:
    """Dithers of an unguided mount, which it makes itself at guide speed, shape (2, steps)."""
    moved, place = np.zeros((2, line.steps)), np.zeros(2)
    time = np.arange(line.steps) * STEP_S
    speed = scenario.guider.rate * SIDEREAL_ARCSEC_PER_S
    for start, new in _dithers(scenario, line, rng):
        lasting = max(np.hypot(*(new - place)) / speed, STEP_S)
        moved += (new - place)[:, None] * np.clip((time - start) / lasting, 0.0, 1.0)
        place = new
    return moved


def stability_limit(lag_samples: int) -> float:
    """Gain above which a loop that corrects so many samples late runs away.

    x(k+1) = x(k) - g x(k-d) is stable for 0 < g < 2 cos(d pi / (2 d + 1)) (Levin & May 1976,
    J. Math. Biol. 3, 179, from memory), where it runs to and fro with a period of 2 (2 d + 1)
    samples: 2 for d = 0, g < 2; 6 for d = 1, g < 1; 10 for d = 2, g < 0.618.

    Parameters
    ----------
    lag_samples : int
        Whole samples d between an error and its correction, beyond the next one.
    """
    return float(2.0 * np.cos(lag_samples * np.pi / (2 * lag_samples + 1)))


def left_over(period_s: float, gain: float, interval_s: float, lag_samples: int = 0) -> float:
    """Share of a sine's amplitude that a loop of that gain leaves, at its samples.

    From x(k) = x(k-1) + w(k) - w(k-1) - g x(k-1-d) by z-transform, derived:
    |1 - 1/z| / |1 - 1/z + g z^-(1+d)| with z = exp(2 pi i interval / period).

    Parameters
    ----------
    period_s, interval_s : float
        Of the sine, and from one guide sample to the next.
    gain : float
        Share of the error that a correction removes.
    lag_samples : int
        Samples d by which it comes later.
    """
    back = np.exp(-2j * np.pi * interval_s / period_s)
    return float(abs((1 - back) / (1 - back + gain * back ** (1 + lag_samples))))
