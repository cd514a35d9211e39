"""How often advice that did nothing seems to have helped, and how often help is found.

``python -m tests.benchmarks.season_advice [SEASONS]``.  Nights of 60 frames; a Poisson number of
events a night, each of 1 + a geometric number of frames in a row (3.5 frames on average).
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace

import numpy as np

from subgrade.season.advice import _events, _helped, loss_rate
from tests.season_over_time import night

REASON = ("dec_drift",)


def drawn(rng, mean: float):
    """A night with events of one reason."""
    reasons = [""] * 60
    for _ in range(rng.poisson(mean)):
        start = rng.integers(60)
        for k in range(start, min(60, start + 1 + rng.geometric(0.4))):
            reasons[k] = REASON[0]
    one = night(0, 60)
    verdicts = tuple("reject" if r else "keep" for r in reasons)
    return replace(one, frames=replace(one.frames, reason=tuple(reasons), verdict=verdicts))


def judged(rng, before: int, since: int, mean: float, mean_since: float) -> str:
    """Whether it seems to have helped."""
    old, new = ([drawn(rng, m) for _ in range(n)] for n, m in ((before, mean), (since, mean_since)))
    sizes = [e for one in old for e in _events(one, REASON)]
    size = float(np.mean(sizes)) if sizes else float("nan")
    return _helped(loss_rate(old, REASON), loss_rate(new, REASON, size))


def main(seasons: int) -> None:
    rng = np.random.default_rng(1)
    for before, since in ((2, 2), (3, 3), (4, 4), (5, 5), (10, 10), (3, 10)):
        for mean, later in ((0.3, 0.3), (1.0, 1.0), (3.0, 3.0), (3.0, 0.2)):
            count = Counter(judged(rng, before, since, mean, later) for _ in range(seasons))
            shares = ", ".join(f"{k} {100 * v / seasons:.1f}%" for k, v in count.most_common())
            print(f"{before} + {since} nights, {mean:g} → {later:g} events | {shares}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
