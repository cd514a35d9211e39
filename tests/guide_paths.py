"""Guide star paths of known cause, drawn from the priors that the fit states.

Everything is made here from formulas (and `scipy.signal` for loops), on continuous ranges; nothing
is taken from the code that fits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from subgrade.guiding.model import ClockFit
from subgrade.record.model import GuideEvent, GuideRecord

T0 = 1_900_000_000.0
UTC = ClockFit(0.0, 0.0, 0.0, 1.0, True, "made")
KINDS = ("nothing", "ramp", "step", "knock", "swing", "settling", "to_and_fro", "irregular")


@dataclass(frozen=True)
class Drawn:
    """A path and what it was made of; ``size`` is the standard deviation of the motion in units
    of the noise."""

    kind: str
    time: np.ndarray
    error: np.ndarray
    truth: dict
    ratio: float


def noise_of(rng, n: int, memory: float = 0.0) -> np.ndarray:
    """Noise of unit variance on two axes, first-order with a memory from sample to sample."""
    kicks = rng.standard_normal((2, n)) * (1.0 - memory**2) ** 0.5
    kicks[:, 0] /= (1.0 - memory**2) ** 0.5
    return lfilter([1.0], [1.0, -memory], kicks)


def motion_of(kind: str, cycles: np.ndarray, cadence: float, rng) -> tuple[np.ndarray, dict]:
    """Motion (2, n) in units of the noise and its truth; times in cycles, amplitudes any."""
    n, span = len(cycles), cycles[-1]
    scale = rng.choice([2.0, 6.0, 18.0, 54.0])
    vector, other = scale * rng.standard_normal((2, 2))
    truth: dict = {"vector": vector}
    if kind == "nothing":
        return np.zeros((2, n)), truth
    if kind == "ramp":
        return np.outer(vector, cycles / span), truth
    if kind == "step":
        first = rng.uniform(0.0, span)
        stop = span + 1.0
        if rng.random() < 0.5:
            first, stop = np.sort(rng.uniform(0.0, span, 2))
            while stop - first < 3.0:
                first, stop = np.sort(rng.uniform(0.0, span, 2))
        truth |= {"when": first, "stop": stop}
        return np.outer(vector, (cycles >= first) & (cycles < stop)), truth
    if kind == "knock":
        return _knock(cycles, cadence, rng, vector, other, scale, truth)
    if kind == "swing":
        low, high = np.log(6.0), np.log(3.0 * span)
        period = float(np.exp(rng.uniform(low, high)))
        phase = 2.0 * np.pi * cycles / period
        return np.outer(vector, np.cos(phase)) + np.outer(other, np.sin(phase)), {"period": period}
    if kind == "settling":
        return _settling(cycles, cadence, rng, vector, truth)
    axes = np.array([[1, 0], [0, 1], [1, 1]])[rng.integers(3)][:, None]
    if kind == "to_and_fro":
        radius, period = rng.uniform(0.75, 0.99), rng.choice([2.0, 2.5, 3.0, 4.0, 5.0, 6.0])
        a = [1.0, -2.0 * radius * np.cos(2.0 * np.pi / period), radius**2]
        a = [1.0, radius] if period == 2.0 else a
        kicks = rng.standard_normal((2, n + 400)) * rng.choice([1.0, 3.0])
        return axes * lfilter([1.0], a, kicks)[:, 400:], {"period": period, "axes": axes[:, 0]}
    memory, level = rng.choice([0.0, 3.0, 10.0, 40.0]), rng.choice([0.7, 2.0, 6.0, 18.0])
    apart = np.abs(cycles[:, None] - cycles)
    cover = np.exp(-apart / memory) if memory else np.eye(n)
    wander = np.linalg.cholesky(cover) @ rng.standard_normal((n, 2))
    return axes * level * wander.T, {"axes": axes[:, 0]}


def _knock(cycles, cadence, rng, vector, other, scale, truth):
    n, span = len(cycles), cycles[-1]
    if rng.random() < 0.5:  # a burst of pushes
        length = round(np.exp(rng.uniform(np.log(3), np.log(min(34, n // 2)))))
        first = int(rng.integers(0, n - length + 1))
        out = np.zeros((2, n))
        level = rng.choice([3.0, 10.0, 30.0])
        out[:, first : first + length] = level * rng.standard_normal((2, length))
        return out, {"when": cycles[first]}
    onset = rng.uniform(0.0, 0.97 * span)
    decay = np.exp(rng.uniform(np.log(1.2), np.log(12.0))) / cadence
    since = np.maximum(cycles - onset, 0.0)
    # The size is that of the first sample: what rings off before it leaves no trace.
    since = np.maximum(since - since[since > 0].min(initial=span), 0.0)
    fading = np.where(cycles >= onset, np.exp(-since / decay), 0.0)
    truth |= {"when": onset, "lasts": decay}
    if rng.random() < 0.5:
        return np.outer(vector, fading), truth
    phase = 2.0 * np.pi * since / np.exp(rng.uniform(np.log(2.0), np.log(10.0)))
    return np.outer(vector, fading * np.cos(phase)) + np.outer(other, fading * np.sin(phase)), truth


def _settling(cycles, cadence, rng, vector, truth):
    span = cycles[-1]
    soon = np.flatnonzero(cycles <= min(15.0 / cadence, 0.25 * span))
    late = cycles[rng.choice(soon)]
    since, after = np.maximum(cycles - late, 0.0), cycles >= late
    form = rng.choice(3, p=[0.4, 0.2, 0.4])
    if form == 0:
        decay = np.exp(rng.uniform(np.log(0.8), np.log(max(0.3 * span, 1.2))))
        return np.outer(vector, after * np.exp(-since / decay)), truth | {"lasts": decay}
    if form == 1:
        length = np.exp(rng.uniform(np.log(2.5), np.log(min(0.5 * span, 30.0))))
        return np.outer(vector, after * np.maximum(1.0 - since / length, 0.0)), truth
    # A guide loop that overshoots: x[k+1] = x[k] - g x[k-1], or at once x[k+1] = (1 - g) x[k].
    n, last = len(cycles), round(cycles[-1]) + 2
    late_by_one = rng.random() < 0.64
    poles = [1.0, -1.0, rng.uniform(0.27, 0.93)] if late_by_one else [1.0, rng.uniform(0.25, 0.93)]
    kicks = np.zeros(last)
    kicks[0] = 1.0
    answer = lfilter([1.0], poles, kicks)
    place = np.clip(np.rint(since).astype(int), 0, last - 1)
    return np.outer(vector, np.where(after, answer[place], np.zeros(n))), truth


def draw(
    kind: str,
    rng,
    noise: float = 0.3,
    cadence: float | None = None,
    length: float = 120.0,
    lost: float = 0.0,
    jitter: float = 0.0,
) -> Drawn:
    """One exposure of a kind; ``lost`` is the share of samples left out at random."""
    cadence = rng.uniform(1.0, 5.0) if cadence is None else cadence
    n = int(length / cadence)
    time = (np.arange(n) + rng.uniform(0.05, 0.95)) * cadence
    time = time + jitter * cadence * rng.uniform(-0.5, 0.5, n)
    keep = rng.random(n) >= lost
    motion, truth = motion_of(kind, (time - time[0]) / cadence, cadence, rng)
    level = 1.0 / rng.gamma(4.0, 0.25) ** 0.5
    if kind == "to_and_fro":
        still = np.ones((2, 1)) - truth["axes"][:, None]
        seen = motion + still * noise_of(rng, n)
    else:
        seen = motion + noise_of(rng, n)
    ratio = float(motion[:, keep].std(axis=1).max())
    return Drawn(kind, time[keep], (noise * level * seen)[:, keep], truth, ratio)


def night_of(drawn: list[Drawn], noise: float, cadence: float, length: float = 120.0, seed=0):
    """All drawn exposures as one record, with quiet guiding between; and starts, ends."""
    rng = np.random.default_rng(seed)
    times, errors, starts = [], [], []
    begin = T0
    for one in drawn:
        quiet = begin + (np.arange(50) + 0.5) * cadence
        starts.append(begin + 51.0 * cadence)
        times += [quiet, starts[-1] + one.time]
        errors += [noise * rng.standard_normal((2, 50)), one.error]
        begin = starts[-1] + length + cadence
    return record_of(np.concatenate(times), np.concatenate(errors, axis=1)), np.array(starts)


def record_of(time, error, pulse=None, good=None, events=()) -> GuideRecord:
    """A record of these samples on a UTC clock."""
    n = len(time)
    empty = np.full(n, np.nan)
    pulse = (empty, empty) if pulse is None else pulse
    return GuideRecord(
        "made",
        "utc",
        np.asarray(time, float),
        *np.asarray(error, float),
        *pulse,
        empty,
        empty,
        good=np.ones(n, bool) if good is None else good,
        section=np.zeros(n, int),
        sections=((float(time[0]), float(time[-1])),),
        events=tuple(GuideEvent(t, kind, "") for t, kind in events),
        columns=(),
    )
