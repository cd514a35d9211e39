"""Galaxies, globular clusters, nebulae and comets behind the stars; crowded fields; wide stars.

Run from the repository: ``python -m tests.benchmarks.skies`` (``--only WORD`` for the cases
with that word, ``--seed N`` for other stars and textures).  One line a case: width,
eccentricity, sky, noise and count against GalSim's, status, and streaks against those drawn.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from subgrade.lights.model import HeaderFacts, Pixels
from subgrade.stars import measure_stars, warm_up
from tests.render import Motion, Scene, StarShape, render
from tests.skies import Comet, Galaxy, Globular, Nebula, Satellite

LINE = Motion("box", 40.0, 25.0)
SWING = Motion("arcsine", 1.5, 110.0)
ARMS = Galaxy(400, 1, 300, 0.7, arms=0.5, knots=60)
EDGE_ON = Galaxy(500, 1, 500, 0.15, 30, lane=0.5, knots=60)
GLOW = Globular(60_000, 60, faintest=3, brightest=400)


def star(fwhm: float, motion: Motion | None = None, kind: str = "moffat") -> StarShape:
    """A round star, moved or not."""
    return StarShape(kind, fwhm, 3.2, motion=motion or Motion())


def scene(density: float, *beside, size=(1500, 1100), **more) -> Scene:
    """A field of ``density`` stars a megapixel of S/N over 20, were they 3 px wide."""
    width, height = size
    bright = max(round(density * width * height / 1e6), 4)
    return Scene(width, height, bright, beside=beside, **{"depth": 4.0, **more})


EXTENDED = {
    "spiral over the frame": (star(2.8), scene(60, Galaxy(600, 1, 300, 0.7, arms=0.5, knots=150))),
    "spiral, few stars": (star(2.8), scene(25, Galaxy(200, 1, 300, 0.6, arms=0.6, knots=80))),
    "elliptical over the frame": (star(3.0), scene(25, Galaxy(300, 4, 150, 0.8))),
    "elliptical, few stars": (star(3.0), scene(12, Galaxy(60, 4, 400, 0.7))),
    "galaxy from its edge": (star(2.5), scene(60, EDGE_ON)),
    "spiral, stars of 8 px": (star(8.0), scene(60, ARMS)),
    "spiral, stars swung": (star(2.8, SWING), scene(60, ARMS)),
    "spiral, stars trailed": (star(2.8, LINE), scene(60, ARMS)),
    "elliptical, stars trailed": (star(2.8, LINE), scene(30, Galaxy(600, 4, 300, 0.8))),
    "spiral, mosaic": (star(3.2), scene(60, ARMS, mosaic="RGGB")),
    "spiral, satellite": (star(2.8), scene(60, ARMS, Satellite())),
    "globular, 5,000 stars": (star(3.0), scene(60, Globular(5_000, 40))),
    "globular, 50,000 stars": (star(2.5), scene(60, Globular(50_000, 90))),
    "globular, glow only": (star(3.0), scene(12, GLOW)),
    "globular, glow, stars trailed": (star(2.8, LINE), scene(25, GLOW)),
    "globular, stars of 6 px": (star(6.0), scene(60, Globular(20_000, 90))),
    "nebula": (star(2.8), scene(100, Nebula())),
    "nebula, few stars": (star(2.8), scene(12, Nebula())),
    "nebula, filaments": (star(2.8), scene(100, Nebula(50, 0.5, 10, 200, (3, 12)))),
    "nebula, bright": (star(2.2), scene(40, Nebula(500, 1.5, 10, 300))),
    "nebula, stars of 5 px": (star(5.0), scene(40, Nebula(300, 1.0, 8, 200))),
    "nebula, stars trailed": (star(2.8, LINE), scene(60, Nebula(300, 1.0, 8, 200))),
    "nebula, mosaic": (star(3.2), scene(100, Nebula(), mosaic="RGGB")),
    "nebula, satellite": (star(2.8), scene(100, Nebula(200, 1.0, 6, 150), Satellite())),
    "comet": (star(2.8), scene(100, Comet())),
    "comet, stars trailed": (star(2.8, LINE), scene(60, Comet(6000))),
}
SMALL = {"size": (1200, 900)}
TINY = {"size": (720, 720), "depth": 2.0}
CROWDED = {
    "300 a megapixel": (star(3.0), scene(300, **SMALL)),
    "1,000 a megapixel": (star(3.0), scene(1000, **SMALL)),
    "2,000 a megapixel": (star(3.0), scene(2000, **SMALL)),
    "4,000 a megapixel": (star(3.0), scene(4000, **SMALL)),
    "4,000 a megapixel, 2 px": (star(2.0), scene(4000, **SMALL)),
    "4,000 a megapixel, 1.8 px": (star(1.6), scene(4000, depth=2.0, **SMALL)),
    "4,000 a megapixel, mosaic": (star(3.2), scene(4000, depth=2.0, mosaic="RGGB", **SMALL)),
    "2,000 a megapixel, 4.6 px": (star(4.5), scene(2000, depth=3.0, **SMALL)),
    "1,000 a megapixel, 6 px": (star(6.0), scene(1000, depth=3.0, **SMALL)),
    "6,700 a megapixel": (star(3.0), scene(6700, depth=1.0, **SMALL)),
    "6,500 a megapixel, 1.4 px": (star(1.2, kind="gaussian"), scene(6500, floating=True, **TINY)),
    "6,500 a megapixel, 1.25 px": (star(1.0, kind="gaussian"), scene(6500, **TINY)),
    "6,500 a megapixel, 1.13 px": (star(0.8, kind="gaussian"), scene(6500, **TINY)),
}
WIDE = {
    f"wide stars, {width} px": (star(width), scene(910, depth=1.0)) for width in (8.0, 11.0, 14.0)
}
CASES = {**EXTENDED, **CROWDED, **WIDE}


def measured(name: str, seed: int = 0):
    """The rendered frame of a case, its measurement and the seconds that took."""
    shape, field = CASES[name]
    frame = render(shape, replace(field, seed=1 + seed + list(CASES).index(name)))
    facts = HeaderFacts(mosaic=frame.mosaic) if frame.mosaic else None
    begin = time.perf_counter()
    got = measure_stars(Pixels(frame.data, integer=frame.data.dtype.kind == "u"), facts)
    return frame, got, time.perf_counter() - begin


def row(name: str, frame, got, seconds: float) -> str:
    """One case as a line of the table."""
    truth, true = frame.truth, frame.count_above()
    counted = f"{true:5d} {got.stars:5d} {100 * (got.stars / true - 1):+5.0f}%"
    if "globular" in name:  # whose own stars are not in the truth
        counted = f"{'':5} {got.stars:5d} {'':6}"
    drawn = sum(isinstance(thing, Satellite) for thing in CASES[name][1].beside)
    return (
        f"{name:<30} {truth.fwhm_px:6.2f} {got.fwhm_px:6.2f}"
        f" {100 * (got.fwhm_px / truth.fwhm_px - 1):+6.1f}%"
        f"  {truth.eccentricity:5.2f} {got.eccentricity:5.2f}"
        f"  {100 * (got.background_adu / frame.background_adu - 1):+6.2f}%"
        f" {100 * (got.noise_adu / frame.noise_adu - 1):+6.1f}%  {counted}"
        f"  {got.shape_status:<8} {got.length_px:5.1f}  {drawn} {len(got.streaks)}  {seconds:5.2f}"
    )


HEADER = (
    f"{'case':<30} {'fwhm':>6} {'got':>6} {'error':>7}  {'ecc':>5} {'got':>5}  {'sky':>7}"
    f" {'noise':>7}  {'stars':>5} {'got':>5} {'error':>6}  {'status':<8} {'len':>5}  streaks  s"
)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--only", default="")
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    np.seterr(invalid="ignore")
    warm_up()
    print(HEADER)
    for name in CASES:
        if options.only in name:
            print(row(name, *measured(name, options.seed)), flush=True)


if __name__ == "__main__":
    main()
