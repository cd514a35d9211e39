"""How often the kind of motion is read rightly off one frame's star image, by kind and length.

Run from the repository root: ``python -m tests.benchmarks.motion [--frames 400] [--seed 1]
[--keep FILE] [--oval]``; about two thirds of a second a frame.

Every frame is rendered by GalSim: a star field blurred by the air (Kolmogorov or Moffat),
a path in time along one direction, a little shaking and the pixel, with the noise of sky,
star light and camera; `subgrade.stars.measure_stars` measures it as any light.  No guiding
record and no other frame is used.  A length is the whole reach of the motion in units of
the still star's FWHM.  ``--keep`` stores what was measured, for quick repeats.
"""

from __future__ import annotations

import argparse
import pickle
import time
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from subgrade.lights.model import Pixels
from subgrade.stars import measure_stars
from subgrade.stars.model import FrameStars
from subgrade.stars.motion.kinds import MODELS, weigh_motions
from tests.render import Motion, Scene, StarShape, render
from tests.star_template import galsim

KINDS = ("creep", "swing", "step", "gust")
LENGTHS = (0.7, 1.0, 1.5, 2.0, 3.0)
STEPS = 3000
"""Instants in an exposure."""
CELLS = 48
"""Places that a path is gathered into; a cell of 3 FWHM / 48 is invisible."""


@dataclass(frozen=True)
class Path1D(Motion):
    """Time spent at places along one direction, and round shaking of ``jitter_px`` rms."""

    places: tuple[float, ...] = (0.0,)
    shares: tuple[float, ...] = (1.0,)
    jitter_px: float = 0.0

    def apply(self, profile):
        """The GalSim profile convolved with this motion."""
        turn = np.radians(self.angle_deg)
        points = [
            galsim.DeltaFunction(flux=w).shift(p * np.cos(turn), p * np.sin(turn))
            for p, w in zip(self.places, self.shares, strict=True)
        ]
        return galsim.Convolve(profile, galsim.Sum(points), galsim.Gaussian(sigma=self.jitter_px))


@dataclass(frozen=True)
class Case:
    """One measured frame and its truth; ``length`` in still FWHM, ``rms_px`` of the motion."""

    kind: str
    length: float
    shape: StarShape
    rms_px: float
    stars: FrameStars


def creep(rng) -> np.ndarray:
    """Steady, one way."""
    return np.linspace(0.0, 1.0, STEPS)


def swing(rng) -> np.ndarray:
    """1.5 to 6 periods of a sine whose amplitude slowly changes by up to a quarter."""
    turn = np.linspace(0.0, 1.0, STEPS) * 2 * np.pi
    periods, phase, other = rng.uniform(1.5, 6.0), *rng.uniform(0, 2 * np.pi, 2)
    slow = 1 + rng.uniform(0.0, 0.25) * np.sin(turn * rng.uniform(0.3, 0.4) * periods + other)
    return slow * np.sin(periods * turn + phase)


def step(rng) -> np.ndarray:
    """Two places, the second for 15 to 50 % of the time (either side)."""
    return np.where(np.linspace(0.0, 1.0, STEPS) < rng.uniform(0.15, 0.5), 1.0, 0.0)


def gust(rng) -> np.ndarray:
    """Rest, and for 10 to 50 % of the time a damped oscillator pushed one way some times."""
    lasting = rng.uniform(0.1, 0.5)
    knocks = rng.integers(1, 5)
    at = np.arange(STEPS) / STEPS
    force = np.zeros(STEPS)
    each = 0.7 * lasting / knocks
    for k in range(knocks):
        begin = 0.2 + lasting * k / knocks
        part = np.clip((at - begin) / (each * rng.uniform(0.5, 1.0)), 0.0, 1.0)
        force = np.maximum(force, rng.uniform(0.5, 1.0) * np.sin(np.pi * part))
    # Natural period from a third of a push to thrice one; well damped.
    omega = 2 * np.pi / (each * rng.uniform(0.33, 3.0))
    damping = rng.uniform(0.2, 0.7)
    place, speed, path = 0.0, 0.0, np.empty(STEPS)
    for i in range(STEPS):
        speed += (omega**2 * (force[i] - place) - 2 * damping * omega * speed) / STEPS
        place += speed / STEPS
        path[i] = place
    return path


PATHS = {"creep": creep, "swing": swing, "step": step, "gust": gust}


def gathered(path: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places and shares of a path, scaled to a reach of 1 and centred on its mean."""
    path = (path - path.min()) / np.ptp(path)
    cell = np.minimum((path * CELLS).astype(int), CELLS - 1)
    count = np.bincount(cell, minlength=CELLS)
    mean = np.bincount(cell, path, minlength=CELLS)[count > 0] / count[count > 0]
    share = count[count > 0] / STEPS
    return mean - share @ mean, share


def draw(kind: str, seed: int, oval: bool = False) -> Case:
    """Render and measure one frame."""
    rng = np.random.default_rng([seed, KINDS.index(kind)])
    fwhm, length = rng.uniform(2.2, 5.0), rng.uniform(LENGTHS[0], LENGTHS[-1])
    places, shares = gathered(PATHS[kind](rng))
    places = rng.choice([-1.0, 1.0]) * places * length * fwhm
    air = "kolmogorov" if rng.random() < 0.5 else "moffat"
    motion = Path1D(
        "path",
        length * fwhm,
        rng.uniform(0, 180),
        places=tuple(places),
        shares=tuple(shares),
        jitter_px=rng.uniform(0.03, 0.08) * fwhm,
    )
    shape = StarShape(
        air,
        fwhm,
        rng.uniform(2.5, 4.0),
        rng.uniform(0.96, 1.0) if oval else 1.0,
        rng.uniform(0, 180),
        motion,
    )
    scene = Scene(
        width=900,
        height=700,
        bright=int(np.exp(rng.uniform(np.log(60), np.log(300)))),
        depth=2.0,
        sky_adu=rng.uniform(300, 3000),
        seed=seed,
    )
    stars = measure_stars(Pixels(render(shape, scene).data))
    return Case(kind, length, shape, float(np.sqrt(shares @ places**2)), stars)


def cases(frames: int, seed: int, keep: Path | None, oval: bool) -> list[Case]:
    """All kinds in turn; read from ``keep`` where it exists."""
    if keep is not None and keep.exists():
        return pickle.loads(keep.read_bytes())
    drawn = [draw(KINDS[i % 4], 10_000 * seed + i // 4, oval) for i in range(frames)]
    if keep is not None:
        keep.write_bytes(pickle.dumps(drawn))
    return drawn


def table(seen: list[tuple[Case, str, float]]) -> str:
    """Kinds against what was read, and the share right by length."""
    lines = [f"{'':8}" + "".join(f"{m:>8}" for m in MODELS) + "   right, by length in FWHM"]
    for kind in KINDS:
        mine = [(c, m) for c, m, _ in seen if c.kind == kind]
        count = Counter(m for _, m in mine)
        bins = []
        for low, high in pairwise(LENGTHS):
            part = [m == kind for c, m in mine if low <= c.length < high]
            bins.append(f"{low}-{high}: {np.mean(part):4.0%} of {len(part)}" if part else "-")
        row = "".join(f"{count[m]:8d}" for m in MODELS)
        lines.append(f"{kind:8}{row}   " + ", ".join(bins))
    right = [c.kind == m for c, m, _ in seen]
    lines.append(f"all: {np.mean(right):.1%} of {len(right)}")
    for low, high in ((0.0, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 0.97), (0.97, 1.01)):
        part = [(c.kind == m, p) for c, m, p in seen if low <= p < high]
        if part:
            hit, said = np.mean(part, axis=0)
            lines.append(f"given {said:.2f} ({len(part)} frames): {hit:.0%} right")
    return "\n".join(lines)


def main() -> None:
    """Print the confusion table and how far the probabilities hold."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--oval", action="store_true", help="still stars of axis ratio 0.96 to 1")
    asked = parser.parse_args()
    drawn = cases(asked.frames, asked.seed, asked.keep, asked.oval)
    seen, begin, unread = [], time.perf_counter(), 0
    for case in drawn:
        fits = weigh_motions(case.stars)
        if fits:
            seen.append((case, fits[0].model, fits[0].probability))
        else:
            unread += 1
    spent = time.perf_counter() - begin
    print(table(seen))
    print(f"{unread} without a star image to read; {1000 * spent / len(drawn):.0f} ms a frame")


if __name__ == "__main__":
    main()
