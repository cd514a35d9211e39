"""How near teaching comes to a made-up person's limit: python -m tests.benchmarks.teaching"""

from __future__ import annotations

import argparse

import numpy as np

from subgrade.judging import judge_night, load_limits
from subgrade.teaching.marks import Mark
from subgrade.teaching.teach import Taught, teach
from tests.judged_nights import night_of, steady

SLIPS = 0.05
PERSONAL_SCATTER = 0.01
"""How exactly the made-up person sees an eccentricity."""
FIVE = 5
THREE = 3
IN_ALL = 60
"""Frames of a night of which five are marked."""


def night_and_wishes(count: int, limit: float, rng):
    """A night with two oval frames in five, and the frames a person would keep."""
    shots = steady(count, seed=int(rng.integers(1e6)))
    for shot in shots:
        if rng.random() < 0.4:
            shot.eccentricity = float(rng.uniform(0.3, 0.9))
    night = night_of(shots)
    keep = [f.stars.eccentricity < limit + rng.normal(0, PERSONAL_SCATTER) for f in night.frames]
    return night, keep


def marks_on(night, keep, which, rng=None) -> dict[str, Mark]:
    """The person's marks on some frames, with a slip now and then."""
    found = {}
    for k in which:
        slip = rng is not None and rng.random() < SLIPS
        name = night.frames[k].name
        found[name] = Mark(name, bool(keep[k] != slip))
    return found


def night_and_marks(count: int, limit: float, rng):
    """A night and a person's marks on all of it."""
    night, keep = night_and_wishes(count, limit, rng)
    return night, marks_on(night, keep, range(count), rng)


def doubtful(night, keep, verdicts, rng) -> list[int]:
    """The five frames whose verdicts are least certain."""
    return sorted(range(len(keep)), key=lambda k: verdicts[k].confidence)[:FIVE]


def wrong(night, keep, verdicts, rng) -> list[int]:
    """Five frames that the person would have decided otherwise; none where there are fewer."""
    against = [k for k, v in enumerate(verdicts) if (v.verdict == "keep") != keep[k]]
    rng.shuffle(against)
    return against[:FIVE] if len(against) >= FIVE else []


def contrary(night, keep, verdicts, rng) -> dict[str, Mark]:
    """Marks that contradict each other: six like frames on one side of the limit, half kept."""
    side = rng.choice([-1, 1])
    past = side * (np.array([f.stars.eccentricity for f in night.frames]) - 0.55)
    like = [k for k in np.argsort(past) if past[k] > 0][: 2 * THREE]
    words = rng.permutation([True, False] * THREE)
    return {
        (name := night.frames[k].name): Mark(name, bool(w))
        for k, w in zip(like, words, strict=False)
    }


def again(night, found: Taught, marks) -> Taught:
    """The same marks given with the taught limits."""
    base = found.learnt.base(found.limits)
    return teach(night, judge_night(night, base), base, marks, found.learnt, found.limits)


def line(text: str, limit: float, taught: list[float], moved: list[float]) -> None:
    low, middle, high = np.quantile(taught, [0.1, 0.5, 0.9])
    rms = np.sqrt(np.mean((np.array(taught) - limit) ** 2))
    still = np.mean(np.abs(np.array(taught) - load_limits().roundness.floor) < 0.005)
    print(
        f"person {limit:.2f}, {text}: median {middle:.3f}, middle 80 % {low:.3f} to {high:.3f}, "
        f"rms distance {rms:.3f}, unmoved {still:.0%}; the same marks again move it by "
        f"{np.max(np.abs(moved)):.4f} at most",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=100)
    nights = parser.parse_args().nights
    limits = load_limits()

    def run(limit: float, text: str, count: int, marks_of) -> None:
        taught, moved = [], []
        for seed in range(nights):
            rng = np.random.default_rng(seed)
            night, keep = night_and_wishes(count, limit, rng)
            verdicts = judge_night(night, limits)
            marks = marks_of(night, keep, verdicts, rng)
            if not marks:
                continue
            found = teach(night, verdicts, limits, marks)
            taught.append(found.limits.roundness.floor)
            twice = again(night, found, marks).limits.roundness.floor
            moved.append(twice - taught[-1])
        line(text, limit, taught, moved)

    def every(night, keep, verdicts, rng):
        return marks_on(night, keep, range(len(keep)), rng)

    def chosen(which):
        return lambda n, k, v, rng: marks_on(n, k, which(n, k, v, rng))

    for limit in (0.45, 0.68, 0.55):
        run(limit, f"{FIVE} most doubtful frames", IN_ALL, chosen(doubtful))
        if limit != limits.roundness.floor:
            run(limit, f"{FIVE} wrong verdicts", IN_ALL, chosen(wrong))
        for count in (5, 20, 60):
            run(limit, f"{count:2d} marks at random", count, every)
    run(0.55, "6 that contradict each other", IN_ALL, contrary)


if __name__ == "__main__":
    main()
