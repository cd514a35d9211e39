"""Starlight of frames whose stars have another shape than the others': GalSim fields."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from subgrade.judging import judge_night, load_limits
from subgrade.lights.model import HeaderFacts, Pixels
from subgrade.night import compare_night
from subgrade.night.model import Frame
from subgrade.stars import measure_stars
from tests.render import Motion, StarShape, template

pytestmark = pytest.mark.slow

WIDTH, HEIGHT, SKY_ADU, READ_NOISE_ADU = 1000, 800, 1000.0, 5.0
ROUND = StarShape("moffat", 3.0)


def field(seed: int, bright: int = 130):
    """Places and fluxes; numbers go as in `tests.render`."""
    rng = np.random.default_rng(seed)
    total = round(bright * 6**0.75)
    snr = 20 / 6 * (1 - (np.arange(total) + rng.random(total)) / total) ** (-1 / 0.75)
    unit = np.sqrt((SKY_ADU + READ_NOISE_ADU**2) * 34.0)
    x, y = rng.uniform(15, WIDTH - 15, total), rng.uniform(15, HEIGHT - 15, total)
    return x, y, np.minimum(snr, 2000.0) * unit


@cache
def measured(shape: StarShape, sky_seed: int, number: int, light: float = 1.0) -> Frame:
    """One frame of a dithered field, with a share of its starlight."""
    x, y, flux = field(sky_seed)
    rng = np.random.default_rng(1000 * sky_seed + number)
    star, signal = template(shape), np.zeros((HEIGHT, WIDTH), np.float32)
    half, n = star.half_px, star.oversample
    dx, dy = rng.uniform(-4, 4, 2)
    for at_x, at_y, f in zip(x + dx, y + dy, light * flux, strict=True):
        column, row = int(np.floor(at_x)), int(np.floor(at_y))
        stamp = star.stamp(int((at_x - column) * n), int((at_y - row) * n)) * f
        x0, x1 = max(column - half, 0), min(column + half + 1, WIDTH)
        y0, y1 = max(row - half, 0), min(row + half + 1, HEIGHT)
        signal[y0:y1, x0:x1] += stamp[
            y0 - row + half : y1 - row + half, x0 - column + half : x1 - column + half
        ]
    data = rng.poisson(SKY_ADU + signal.astype(float)) + rng.normal(0, READ_NOISE_ADU, signal.shape)
    pixels = Pixels(np.clip(np.rint(data), 0, 65535).astype(np.uint16))
    start = 1.7e9 + 70.0 * number
    facts = HeaderFacts(
        target="F", exposure_s=60.0, start_unix=start, mid_unix=start + 30, scale_arcsec=1.5
    )
    name = f"f{number}.fits"
    return Frame(name, f"/x/{name}", facts, measure_stars(pixels, facts, stored=pixels))


def night_of(usual: StarShape, odd: StarShape, seed: int, light: float = 1.0):
    """Five usual frames and one odd one with a share of the light."""
    frames = [measured(usual, seed, k) for k in range(5)]
    return compare_night([*frames, measured(odd, seed, 5, light)])


DRAWN = {
    "sheared to 0.6": replace(ROUND, q=0.6, angle_deg=100.0),
    "sheared to 0.5": replace(ROUND, q=0.5, angle_deg=33.0),
    "sheared to 0.4": replace(ROUND, q=0.4, angle_deg=70.0),
    "steady motion": replace(ROUND, motion=Motion("box", 6.0, 20.0)),
    "oscillation": replace(ROUND, motion=Motion("arcsine", 2.2, 45.0)),
    "tail on one side": replace(ROUND, motion=Motion("tail", 4.0, 10.0, 0.4)),
    "out of focus": replace(ROUND, fwhm_px=5.0),
}


@pytest.mark.parametrize("light", [1.0, 0.6])
@pytest.mark.parametrize("kind", DRAWN)
def test_transparency_does_not_depend_on_what_drew_the_stars_out(kind, light):
    """1.2 %, 2 % with a tail; a circle of the narrow width lost 10 % of stars sheared to 0.5."""
    night = night_of(ROUND, DRAWN[kind], 3, light)
    found = [c.transparency for c in night.compared]
    assert found[:-1] == pytest.approx([1.0] * 5, abs=0.01)
    assert found[-1] == pytest.approx(light, rel=0.02 if "tail" in kind else 0.012)


@pytest.mark.parametrize(("usual", "sharp"), [(4.5, 3.0), (3.5, 2.4)])
@pytest.mark.parametrize("light", [0.5, 0.25, 0.1])
def test_cloud_on_a_sharper_frame_is_cloud(usual, sharp, light):
    """More stars are left than on a frame as wide as the clear ones: not light that moved away."""
    night = night_of(StarShape("moffat", usual), StarShape("moffat", sharp), 4, light)
    judged = judge_night(night, load_limits())[-1]
    assert (judged.verdict, judged.reasons[0]) == ("reject", "cloud")
    assert night.compared[-1].transparency == pytest.approx(light, rel=0.04)
