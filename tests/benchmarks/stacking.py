"""Stack a mixed night and hold what the comparing stage predicts against what the stack shows.

Run from the repository root: ``python -m tests.benchmarks.stacking``; with ``curve`` behind it
for stacks of the n best frames, as the page's curve predicts them.

The frames of a night are rendered by GalSim on one star field, with every star at the same
place in all of them (registered exactly, so no resampling blurs or smooths).  They are
measured, compared and judged as any night; stacks are then made as a person would: each
frame's sky taken off, scaled to equal starlight by its measured transparency, averaged.
The stacks' point-source S/N is measured by matched filtering with the stacked star: mean
response at the stars over scatter at empty places.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.choosing import stack_curve
from subgrade.judging import judge_night, load_limits
from subgrade.lights.model import HeaderFacts, Pixels
from subgrade.night import compare_night
from subgrade.night.model import Frame
from subgrade.night.stack_forecast import StackForecast, forecast
from subgrade.night.weights import sky_limited_weights
from subgrade.stars import measure_stars
from tests.star_template import Motion, StarShape, Template, template

READ_NOISE = 5.0
SKY_ADU = 1000.0
MARGIN = 20


@dataclass(frozen=True)
class Exposure:
    """What one frame saw."""

    shape: StarShape
    light: float = 1.0
    sky: float = SKY_ADU


@dataclass(frozen=True)
class Field:
    """Stars at rest on the sensor; positions fall on sixteenths of a pixel."""

    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray
    width: int
    height: int


@dataclass(frozen=True)
class Stacked:
    """Predicted and measured of one stack; ``snr`` is of a star of unit flux."""

    name: str
    frames: int
    predicted: StackForecast
    fwhm_px: float
    eccentricity: float
    snr: float


def mixed_night(rng, count: int, broken: bool = False) -> list[Exposure]:
    """Good frames, thin cloud, bad seeing, drawn stars and a bright sky, in a random order.

    ``broken`` makes the cloudy frames lines and pairs instead.
    """
    out = []
    for k in range(count):
        kind = k % 10
        fwhm = float(np.round(rng.uniform(2.8, 3.3), 2))
        light, sky, motion = 1.0, SKY_ADU, Motion()
        if kind in (5, 6) and broken:
            angle = round(rng.uniform(0, 180))
            kinds = (Motion("box", 18.0, angle), Motion("step", 7.0, angle, 0.4))
            motion = kinds[kind - 5]
        elif kind in (5, 6):
            light = rng.uniform(0.3, 0.8)
        elif kind == 7:
            fwhm = float(np.round(rng.uniform(4.2, 5.5), 2))
        elif kind == 8:
            motion = Motion("box", round(rng.uniform(4.0, 6.0), 1), round(rng.uniform(20, 50)))
        elif kind == 9:
            sky = SKY_ADU * rng.uniform(2, 4)
        out.append(Exposure(StarShape("moffat", fwhm, 3.0, motion=motion), light, sky))
    return [out[i] for i in rng.permutation(count)]


def star_field(rng, count: int, width: int, height: int) -> Field:
    """Stars bright enough to compare and faint enough to leave the sky empty between them."""
    x, y = rng.uniform(MARGIN, width - MARGIN, count), rng.uniform(MARGIN, height - MARGIN, count)
    flux = 190.0 * np.minimum(15 * rng.random(count) ** -0.9, 600)
    return Field(np.round(8 * x) / 8, np.round(8 * y) / 8, flux, width, height)


def add_stars(image: np.ndarray, star: Template, field: Field, light: float) -> None:
    """Draw the field's stars, exactly."""
    half, n = star.half_px, star.oversample
    for x, y, flux in zip(field.x, field.y, light * field.flux, strict=True):
        column, row = int(np.floor(x)), int(np.floor(y))
        stamp = flux * star.stamp(round((x - column) * n), round((y - row) * n))
        x0, x1 = max(column - half, 0), min(column + half + 1, field.width)
        y0, y1 = max(row - half, 0), min(row + half + 1, field.height)
        image[y0:y1, x0:x1] += stamp[
            y0 - row + half : y1 - row + half, x0 - column + half : x1 - column + half
        ]


def expose(rng, exposure: Exposure, field: Field) -> np.ndarray:
    """One frame, ADU, electrons at unit gain."""
    image = np.full((field.height, field.width), exposure.sky)
    add_stars(image, template(exposure.shape), field, exposure.light)
    return np.rint(rng.poisson(image) + rng.normal(0, READ_NOISE, image.shape)).astype(np.uint16)


@dataclass(frozen=True)
class Measured:
    """A graded night with its pixels; arrays have one entry a frame."""

    exposures: list[Exposure]
    images: list[np.ndarray]
    field: Field
    kept: np.ndarray
    weights: np.ndarray
    numbers: dict[str, np.ndarray]
    stars: list
    compared: list


def measure_night(rng, exposures: list[Exposure], field: Field) -> Measured:
    """Render, measure, compare and judge."""
    images, frames = [], []
    for k, exposure in enumerate(exposures):
        image = expose(rng, exposure, field)
        at = 1.9e9 + 130 * k
        facts = HeaderFacts(exposure_s=120.0, start_unix=at, mid_unix=at + 60)
        images.append(image)
        frames.append(Frame(f"f{k:03d}", "", facts, measure_stars(Pixels(image), facts)))
    night = compare_night(frames)
    verdicts = judge_night(night, load_limits())
    names = ("noise_adu", "fwhm_px", "xx", "yy", "xy", "background_adu")
    numbers = {n: np.array([getattr(f.stars, n) for f in night.frames]) for n in names}
    numbers["transparency"] = np.array([c.transparency for c in night.compared])
    weights = sky_limited_weights(numbers["transparency"], numbers["noise_adu"], numbers["fwhm_px"])
    kept = np.array([v.verdict == "keep" for v in verdicts])
    stars = [f.stars for f in night.frames]
    return Measured(exposures, images, field, kept, weights, numbers, stars, list(night.compared))


def stack(night: Measured, weights: np.ndarray, name: str) -> Stacked:
    """Predict one stack, make it, and measure it."""
    n = night.numbers
    predicted = forecast(
        weights, n["transparency"], n["noise_adu"], n["xx"], n["yy"], n["xy"], 0.0, n["fwhm_px"]
    )
    share = weights / weights.sum()
    image = sum(
        w / t * (data - sky)
        for w, t, data, sky in zip(
            share, n["transparency"], night.images, n["background_adu"], strict=True
        )
        if w > 0
    )
    # Offset so that the sky is not mistaken for a frame without one.
    seen = measure_stars(Pixels((image + SKY_ADU).astype(np.float32), integer=False), HeaderFacts())
    star = _mean_star([e.shape for e in night.exposures], share)
    snr = point_source_snr(image, star, night.field)
    return Stacked(
        name,
        int((weights > 0).sum()),
        predicted,
        seen.fwhm_px,
        seen.eccentricity,
        snr,
    )


def _mean_star(shapes: list[StarShape], share: np.ndarray) -> Template:
    """The stacked star itself: the frames' stars, each of equal flux, averaged."""
    stars = [(w, template(s)) for s, w in zip(shapes, share, strict=True) if w > 0]
    half = max(t.half_px for _, t in stars)
    n = min(t.oversample for _, t in stars)
    size = 2 * (half + 1) * n + 1
    image = np.zeros((size, size))
    for w, t in stars:
        coarse = t.image[:: t.oversample // n, :: t.oversample // n]
        pad = (size - len(coarse)) // 2
        image[pad : size - pad, pad : size - pad] += w * coarse
    return Template(stars[0][1].shape, image, n, half, stars[0][1].truth)


def point_source_snr(image: np.ndarray, star: Template, field: Field) -> float:
    """S/N of a star of unit flux: mean response to the stars over the scatter at empty places."""
    reach = 12
    rows = slice(star.half_px - reach, star.half_px + reach + 1)

    def response(x, y):
        column, row = int(np.floor(x)), int(np.floor(y))
        n = star.oversample
        p = star.stamp(round((x - column) * n), round((y - row) * n))[rows, rows]
        cut = image[row - reach : row + reach + 1, column - reach : column + reach + 1]
        return float((p * cut).sum() / (p * p).sum())

    lonely = [i for i in range(len(field.x)) if _room(field, field.x[i], field.y[i], i) > 2 * reach]
    gain = np.array([response(field.x[i], field.y[i]) for i in lonely]) / field.flux[lonely]
    across, down = np.meshgrid(
        np.arange(MARGIN, field.width - MARGIN, 6.0), np.arange(MARGIN, field.height - MARGIN, 6.0)
    )
    empty = np.array(
        [
            response(x, y)
            for x, y in zip(across.ravel(), down.ravel(), strict=True)
            if _room(field, x, y) > 2.2 * reach
        ]
    )
    for _ in range(3):
        empty = empty[np.abs(empty - empty.mean()) < 4 * empty.std()]
    spread = empty.std()
    weight = field.flux[lonely] ** 2
    return float((gain * weight).sum() / weight.sum() / spread)


def _room(field: Field, x: float, y: float, but: int | None = None) -> float:
    gap = np.hypot(field.x - x, field.y - y)
    if but is not None:
        gap = np.delete(gap, but)
    return float(gap.min())


def four_stacks(night: Measured) -> list[Stacked]:
    """All and kept frames, plain and weighted."""
    kept = night.kept.astype(float)
    return [
        stack(night, np.ones(len(kept)), "all, plain mean"),
        stack(night, night.weights, "all, weighted"),
        stack(night, kept, "kept, plain mean"),
        stack(night, kept * night.weights, "kept, weighted"),
    ]


def report(seeds=(1, 2, 3, 4), count=30, stars=220, width=1200, height=900) -> None:
    """Print predicted and measured for several nights, the last with lines and pairs."""
    for seed in seeds:
        rng = np.random.default_rng(seed)
        start = time.perf_counter()
        broken = seed == seeds[-1]
        exposures = mixed_night(rng, count, broken)
        night = measure_night(rng, exposures, star_field(rng, stars, width, height))
        stacks = four_stacks(night)
        kept = int(night.kept.sum())
        print(f"night {seed}: {count} frames, {kept} kept{', with lines and pairs' * broken}")
        print(
            "                                FWHM, px    eccentricity   S/N over plain mean of all"
        )
        print("stack             frames    pred.   meas.   pred.  meas.    pred.   meas.  off by")
        base = stacks[0]
        for s in stacks:
            gain = s.predicted.star_snr / base.predicted.star_snr
            true = s.snr / base.snr
            shape = f"{s.predicted.fwhm_px:7.3f} {s.fwhm_px:7.3f}   "
            shape += f"{s.predicted.eccentricity:5.3f}  {s.eccentricity:5.3f}"
            off = f"{100 * (gain / true - 1):+6.2f} %"
            print(f"{s.name:18s} {s.frames:4d}  {shape}    {gain:6.4f}  {true:6.4f} {off}")
        print(f"({time.perf_counter() - start:.0f} s)\n")


def prefixes(night: Measured, prefer: str, counts: Sequence[int]) -> list[tuple[Stacked, Stacked]]:
    """The plain and the weighted stack of the n best frames, for each n."""
    curve = stack_curve(night.stars, night.compared, night.kept, prefer, counts)
    found = []
    for count in counts:
        held = np.isin(np.arange(len(night.kept)), curve.order[:count])
        stacks = [
            stack(night, held * weights, name)
            for name, weights in (("mean", np.ones(len(held))), ("weighted", night.weights))
        ]
        # what the page shows, not what this module works out for itself
        at = curve.counts.index(count)
        for one, shown in zip(stacks, (curve.mean[at], curve.weighted[at]), strict=True):
            assert abs(one.predicted.star_snr / shown.snr - 1) < 1e-6
        found.append(tuple(stacks))
    return found


def report_curve(seeds=(11, 12, 13), count=30, stars=220, width=1200, height=900) -> None:
    """Print predicted and measured stacks along the curve, S/N over a plain mean of all."""
    for seed in seeds:
        rng = np.random.default_rng(seed)
        night = measure_night(rng, mixed_night(rng, count), star_field(rng, stars, width, height))
        kept = int(night.kept.sum())
        for prefer in ("depth", "sharpness"):
            counts = sorted({4, 8, 12, kept, 24, count})
            pairs = prefixes(night, prefer, counts)
            base = pairs[-1][0]
            print(f"night {seed}, best first by {prefer}; {kept} of {count} pass")
            print(" n  stack      FWHM, px        ecc.          S/N             off by")
            for n, pair in zip(counts, pairs, strict=True):
                for s in pair:
                    gain = s.predicted.star_snr / base.predicted.star_snr
                    true = s.snr / base.snr
                    print(
                        f"{n:2d}  {s.name:9s} {s.predicted.fwhm_px:6.3f} {s.fwhm_px:6.3f}   "
                        f"{s.predicted.eccentricity:4.2f} {s.eccentricity:4.2f}   "
                        f"{gain:6.3f} {true:6.3f}  {100 * (gain / true - 1):+5.1f} %"
                    )


if __name__ == "__main__":
    report_curve() if "curve" in sys.argv[1:] else report()
