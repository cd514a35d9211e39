"""How often a season in which nothing changed shows a change, and how large a step is found.

``python -m tests.benchmarks.season_changes [SEASONS]``.  Nights' errors differ by half; values
scatter by them and by a night-to-night scatter, both Gaussian or with the tails of Student's law
of four degrees of freedom (unit variance).
"""

from __future__ import annotations

import sys

import numpy as np

from subgrade.season.changes import levels_of

TAILS = ("Gaussian", "heavy tails")


def draw(rng, tails: str, shape) -> np.ndarray:
    """Deviates of unit variance."""
    if tails == "Gaussian":
        return rng.normal(size=shape)
    return rng.standard_t(4.0, shape) / np.sqrt(2.0)


def season(rng, n: int, d: int, extra: float, tails: str, step: float = 0.0, at: int = 0):
    """Values and errors of n nights; ``step`` in units of one night's whole sigma."""
    error = np.exp(rng.normal(0.0, 0.4, (n, d)))
    value = error * draw(rng, tails, (n, d)) + extra * draw(rng, tails, (n, d))
    if step:
        value[at:, 0] += step * np.hypot(1.0, extra)
    return value, error


def judged(rng, steady: bool, *given, **more):
    """Number of steps, whether a trend, and where the first step is."""
    value, error = season(rng, *given, **more)
    x = np.arange(len(value)) if value.shape[1] == 1 else None
    found = levels_of(value, error, x, steady)
    return len(found.first) - 1, np.isfinite(found.slope), found.first[1:2]


def false_alarms(seasons: int, seed: int = 1) -> None:
    """Seasons with a step or a trend, per cent, where nothing changed."""
    rng = np.random.default_rng(seed)
    for what, d, steady in (("mount", 1, True), ("sky", 1, False), ("polar axis", 2, True)):
        for tails in TAILS:
            for extra in (0.0, 1.0, 5.0):
                line = []
                for n in (2, 3, 5, 10, 20, 40):
                    some = [judged(rng, steady, n, d, extra, tails) for _ in range(seasons)]
                    step = 100.0 * np.mean([s > 0 for s, *_ in some])
                    trend = 100.0 * np.mean([t for _, t, _ in some])
                    line.append(f"{n}: {step:.1f} + {trend:.1f}")
                print(f"{what}, {tails}, scatter {extra:g} errors |", ", ".join(line), flush=True)


def power(seasons: int, seed: int = 2) -> None:
    """Seasons in which a step is found, per cent, by its size; and found on its very night."""
    rng = np.random.default_rng(seed)
    for what, d, steady in (("mount", 1, True), ("sky", 1, False), ("polar axis", 2, True)):
        for n, at in ((2, 1), (3, 2), (6, 3), (20, 10), (20, 17)):
            line = []
            for step in (2.0, 3.0, 5.0, 10.0):
                some = [
                    judged(rng, steady, n, d, 0.0, TAILS[1], step=step, at=at)
                    for _ in range(seasons)
                ]
                found = 100.0 * np.mean([s > 0 or t for s, t, _ in some])
                there = 100.0 * np.mean([s == 1 and first[0] == at for s, _, first in some])
                line.append(f"{step:g}: {found:.0f} ({there:.0f})")
            print(f"{what}, {n} nights, step before night {at + 1} |", ", ".join(line), flush=True)


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    false_alarms(count)
    power(count // 4)
