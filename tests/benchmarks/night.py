"""Time the comparing stage and measure how much a star list may lose and still match.

Run from the repository root: ``python -m tests.benchmarks.night``.
"""

from __future__ import annotations

import time

import numpy as np

from subgrade.night import compare_night
from subgrade.night.matching import Pattern, match_stars
from subgrade.night.widths import fit_width
from tests.night_fields import make_night, make_sky

WIDTH, HEIGHT = 4000, 3000
CENTRE = 2000 + 1500j


def speed(counts=(75, 150, 300, 600), stars=500):
    print(f"compare_night, {stars} stars a frame, dithered; target: 300 frames in under 20 s")
    print("frames  seconds  ms per frame")
    sky = make_sky(np.random.default_rng(1), stars)
    compare_night(make_night(np.random.default_rng(1), sky, 5))  # imports
    for count in counts:
        frames = make_night(np.random.default_rng(2), sky, count)
        start = time.process_time()
        night = compare_night(frames)
        spent = time.process_time() - start
        registered = sum(c.registration.ok for c in night.compared)
        print(f"{count:6d} {spent:8.2f} {1e3 * spent / count:9.1f}   registered {registered}")


def trends(count=100, trials=12):
    """Largest error of the expected width over a night, by share of spoilt frames."""
    print("expected width: airmass, a slope of 0.18 over the night, seeing scatter 3 %")
    print("spoilt  median, 90 % of nights: largest error, %   slope found   ms")
    hours = np.linspace(0, 6, count)
    log_x = -np.log(np.cos(np.radians(12 + 14 * np.abs(hours - 3))))
    true = 1.1 + 0.6 * log_x + 0.03 * hours
    for spoilt in (0.0, 0.2, 0.4, 0.6, 0.7, 0.8):
        worst, slopes = [], []
        start = time.process_time()
        for seed in range(trials):
            rng = np.random.default_rng(seed)
            seen = true + 0.03 * rng.standard_normal(count)
            bad = rng.permutation(count)[: round(spoilt * count)]
            seen[bad] += rng.uniform(0.12, 0.8, len(bad))
            fit = fit_width(seen, np.exp(log_x), hours, np.zeros(count, int))
            worst.append(100 * np.abs(fit.expected - true).max())
            slopes.append(6 * fit.slope)
        spent = 1e3 * (time.process_time() - start) / trials
        found = np.isfinite(slopes)
        text = (
            f"{np.nanmedian(slopes):.3f} in {found.sum()} of {trials}" if found.any() else "never"
        )
        print(
            f"{spoilt:5.1f}   {np.median(worst):6.1f} {np.quantile(worst, 0.9):6.1f}"
            f"                              {text}   {spent:.0f}"
        )


def view_of(rng, stars, keep, turn, false, shift):
    """A pattern, a second view of it, both brightest first."""
    sky = make_sky(rng, stars)
    order = np.argsort(-sky.flux)
    z = sky.z[order]
    seen = (z - CENTRE) * np.exp(1j * np.radians(turn)) + CENTRE + shift
    seen = seen + rng.normal(0, 0.2, len(z)) + 1j * rng.normal(0, 0.2, len(z))
    view = seen[inside(seen)]
    view = view[rng.random(len(view)) < keep]
    count = int(false * len(view))
    extra = rng.uniform(0, WIDTH, count) + 1j * rng.uniform(0, HEIGHT, count)
    return z[inside(z)], np.insert(view, rng.integers(0, len(view) + 1, count), extra)


def inside(z):
    return (z.real > 0) & (z.real < WIDTH) & (z.imag > 0) & (z.imag < HEIGHT)


def own(pattern, view):
    found = match_stars(view, np.linspace(2, 1, len(view)), Pattern(pattern), 3.0)
    return None if found is None else found.transform


def robustness(matcher, trials=20):
    print("stars  left  turn   false  shift       right  wrong  ms")
    cases = [
        (500, 1.0, 0, 0.0, 0j),
        (500, 0.5, 0, 0.0, 300 + 200j),
        (500, 0.3, 0, 0.0, 0j),
        (500, 0.1, 0, 0.0, 0j),
        (500, 0.05, 0, 0.0, 0j),
        (500, 0.02, 0, 0.0, 0j),
        (500, 0.1, 180, 0.0, 500 - 300j),
        (500, 1.0, 37, 0.0, 0j),
        (500, 0.1, 37, 0.0, 0j),
        (500, 1.0, 0, 0.0, 2000 + 0j),
        (500, 0.5, 0, 1.0, 0j),
        (500, 0.5, 0, 3.0, 0j),
        (500, 0.1, 0, 1.0, 800 + 500j),
        (50, 0.5, 0, 0.0, 0j),
        (12, 1.0, 0, 0.0, 100j),
        (12, 1.0, 180, 0.0, 100j),
    ]
    for stars, keep, turn, false, shift in cases:
        right = wrong = 0
        spent = []
        for seed in range(trials):
            rng = np.random.default_rng(seed)
            pattern, view = view_of(rng, stars, keep, turn, false, shift)
            start = time.process_time()
            transform = matcher(pattern, view)
            spent.append(time.process_time() - start)
            if transform is not None:
                good = abs(transform(CENTRE + shift) - CENTRE) < 3
                right, wrong = right + good, wrong + (not good)
        print(
            f"{stars:5d} {keep:5.2f} {turn:5d} {false:6.1f}  {shift!s:>12} "
            f"{right / trials:6.2f} {wrong / trials:6.2f} {1e3 * np.median(spent):6.1f}"
        )


def false_matches(matcher, cases=((5, 500), (12, 500), (40, 200), (150, 40))):
    print("unrelated fields: stars, trials, matched")
    for stars, trials in cases:
        rng = np.random.default_rng(stars)
        matched = 0
        for _ in range(trials):
            one, other = (
                rng.uniform(0, WIDTH, stars) + 1j * rng.uniform(0, HEIGHT, stars) for _ in range(2)
            )
            matched += matcher(other, one) is not None
        print(f"{stars:6d} {trials:6d} {matched:6d}")


if __name__ == "__main__":
    speed()
    trends()
    robustness(own)
    false_matches(own)
