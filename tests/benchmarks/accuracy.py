"""The wide accuracy sweep: every star profile, width, shape and a set of hard frames.

Run from the repository: ``python tests/benchmarks/accuracy.py``.  Prints one line a case
(true, measured, error) and a summary; ``--every N`` runs each N-th case only.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from subgrade.lights.model import HeaderFacts, Pixels
from subgrade.stars import measure_stars, warm_up
from tests.accuracy_cases import Errors, describe, errors, median, wide_sweep, worst
from tests.render import Frame, Motion, Scene, StarShape, render

STAR = StarShape("moffat", 3.2, 3.2)
OVAL = StarShape("moffat", 3.2, 3.2, q=0.8, angle_deg=120.0)


def moved(kind: str, size: float, angle: float, share: float = 0.5) -> StarShape:
    """The usual star with a motion."""
    return StarShape("moffat", 3.2, 3.2, motion=Motion(kind, size, angle, share))


HARD = {
    "five stars": (STAR, Scene(bright=10, depth=0.4, seed=71)),
    "20,000 stars": (STAR, Scene(bright=20_000, depth=1.0, brightest_snr=3000, seed=73)),
    "very sharp": (StarShape("moffat", 1.3, 3.2), Scene(seed=74)),
    "20 px": (StarShape("moffat", 20.0, 3.2), Scene(seed=74)),
    "gradient": (OVAL, Scene(gradient=0.3, seed=11)),
    "nebula": (OVAL, Scene(nebula_adu=400.0, seed=12)),
    "vignetting": (OVAL, Scene(vignetting=0.35, seed=13)),
    "coarse steps": (OVAL, Scene(sky_adu=300.0, electrons_per_adu=500.0, seed=16)),
    "floats": (OVAL, Scene(floating=True, seed=17)),
    "mosaic": (OVAL, Scene(mosaic="RGGB", seed=21)),
    "3000 hot pixels, 60 stars": (
        STAR,
        Scene(bright=60, depth=2.0, hot_pixels=3000, cosmic_rays=300, seed=81),
    ),
    "streak": (STAR, Scene(streak_adu=1000.0, seed=83)),
    "low full well": (STAR, Scene(full_well_adu=6000, seed=85)),
    "swing": (moved("arcsine", 1.5, 110), Scene(seed=44)),
    "gust": (moved("tail", 6.0, 110, 0.25), Scene(seed=44)),
    "line of 15 px": (moved("box", 15, 62), Scene(seed=55)),
    "line of 60 px": (moved("box", 60, 37), Scene(seed=68)),
    "two images, 8 px": (moved("step", 8, 20), Scene(seed=51)),
    "two images, 12 px, 35:65": (moved("step", 12, 100, 0.35), Scene(seed=51)),
    "ring of 14 px": (StarShape("donut", 3.0, ring_px=14.0), Scene(seed=61)),
    "noise alone": (STAR, Scene(bright=0, seed=91)),
}


def measure(shape: StarShape, scene: Scene) -> tuple[Frame, object, float]:
    """The rendered frame, its measurement and the seconds that took."""
    frame = render(shape, scene)
    facts = HeaderFacts(mosaic=frame.mosaic) if frame.mosaic else None
    begin = time.perf_counter()
    got = measure_stars(Pixels(frame.data, integer=not scene.floating), facts)
    return frame, got, time.perf_counter() - begin


def row(name: str, frame: Frame, got, error: Errors) -> str:
    """One case as a line of the table."""
    truth = frame.truth
    return (
        f"{name:<44} {truth.fwhm_px:6.3f} {got.fwhm_px:6.3f} {100 * error.fwhm:+7.2f}%"
        f"  {truth.eccentricity:5.3f} {got.eccentricity:5.3f} {error.eccentricity:+.3f}"
        f"  {truth.angle_deg:5.1f} {error.angle_deg:5.2f}"
        f"  {100 * error.background:+6.3f}% {100 * error.noise:+6.2f}%"
        f"  {frame.count_above():5d} {got.stars:5d} {got.shape_status:<8} {got.length_px:6.1f}"
    )


HEADER = (
    f"{'case':<44} {'fwhm':>6} {'got':>6} {'error':>8}  {'ecc':>5} {'got':>5} {'error':>6}"
    f"  {'angle':>5} {'off':>5}  {'sky':>7} {'noise':>7}  {'stars':>5} {'got':>5} {'status':<8}"
    f" length"
)


def main() -> None:
    """Print the two tables and the summary."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--only", choices=["usual", "hard"], default=None)
    options = parser.parse_args()
    np.seterr(invalid="ignore")
    warm_up()
    print(HEADER)
    if options.only != "usual":
        for name, (shape, scene) in HARD.items():
            frame, got, _ = measure(shape, scene)
            print(row(name, frame, got, errors(frame, got)), flush=True)
    if options.only == "hard":
        return
    done = []
    for shape, scene in wide_sweep()[:: options.every]:
        frame, got, seconds = measure(shape, scene)
        done.append((frame, got, errors(frame, got), seconds))
        print(row(describe(shape), frame, got, done[-1][2]), flush=True)
    print(summary(done))


def summary(done) -> str:
    """Medians and worst cases against the targets."""
    every = [error for _, _, error, _ in done]
    oval = [error for frame, _, error, _ in done if frame.truth.eccentricity >= 0.3]
    round_ = [got.eccentricity for frame, got, _, _ in done if frame.truth.eccentricity < 0.05]
    lines = [
        f"{len(done)} cases, {np.median([s for *_, s in done]):.3f} s a frame in the median",
        f"fwhm         median {100 * median(e.fwhm for e in every):.2f} % (target 0.5), "
        f"worst {100 * worst(e.fwhm for e in every):.2f} % (2)",
        f"eccentricity median off {median(e.eccentricity for e in oval):.4f} (0.01), worst "
        f"{worst(e.eccentricity for e in oval):.4f}; round stars up to {worst(round_):.3f} (0.12)",
        f"angle        median off {median(e.angle_deg for e in oval):.2f} deg, "
        f"worst {worst(e.angle_deg for e in oval):.2f} (1)",
        f"background   worst {100 * worst(e.background for e in every):.3f} % (0.1)",
        f"noise        worst {100 * worst(e.noise for e in every):.2f} % (2)",
        f"star count   worst {100 * worst(e.count for e in every):.1f} % (5)",
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    main()
