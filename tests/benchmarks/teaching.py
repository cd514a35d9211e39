"""How near teaching comes to a made-up person's limit: python -m tests.benchmarks.teaching"""

from __future__ import annotations

import numpy as np

from subgrade.judging import judge_night, load_limits
from subgrade.teaching.marks import Mark
from subgrade.teaching.teach import teach
from tests.judged_nights import night_of, steady

NIGHTS = 100
SLIPS = 0.05
PERSONAL_SCATTER = 0.01
"""How exactly the made-up person sees an eccentricity."""


def night_and_marks(count: int, limit: float, rng):
    """A night with two oval frames in five, and a person's marks on all of it."""
    shots = steady(count, seed=int(rng.integers(1e6)))
    for shot in shots:
        if rng.random() < 0.4:
            shot.eccentricity = float(rng.uniform(0.3, 0.9))
    night = night_of(shots)
    marks = {}
    for frame in night.frames:
        keep = frame.stars.eccentricity < limit + rng.normal(0, PERSONAL_SCATTER)
        marks[frame.name] = Mark(frame.name, bool(keep != (rng.random() < SLIPS)))
    return night, marks


def main() -> None:
    limits = load_limits()
    for limit in (0.45, 0.68, 0.55):
        for count in (5, 20, 60):
            taught, again = [], []
            for seed in range(NIGHTS):
                night, marks = night_and_marks(count, limit, np.random.default_rng(seed))
                found = teach(night, judge_night(night, limits), limits, marks)
                taught.append(found.limits.roundness.floor)
                verdicts = judge_night(night, found.limits)
                twice = teach(night, verdicts, found.limits, marks, found.learnt)
                again.append(twice.limits.roundness.floor - taught[-1])
            low, middle, high = np.quantile(taught, [0.1, 0.5, 0.9])
            rms = np.sqrt(np.mean((np.array(taught) - limit) ** 2))
            print(
                f"person {limit:.2f}, {count:2d} marks: median {middle:.3f}, middle 80 % "
                f"{low:.3f} to {high:.3f}, rms distance {rms:.3f}; the same marks again "
                f"move it by {np.mean(np.abs(again)):.4f}"
            )


if __name__ == "__main__":
    main()
