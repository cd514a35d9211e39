"""Rings, pairs and few stars: what the stars must agree on, against GalSim and against chance."""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.judging import judge_night, load_limits
from subgrade.lights.model import Pixels
from subgrade.stars import measure_stars
from subgrade.stars.common_shape import common_shape
from subgrade.stars.pairs_and_rings import FALSE_ALARM, pair, ring
from subgrade.stars.stacked_image import Samples, fit_spline
from tests.judged_nights import night_of, steady
from tests.render import Motion, Scene, StarShape, render

pytestmark = pytest.mark.slow


def flat_star(rng, count: int, noise: float) -> Samples:
    """Pixels of stars that are level out to 3 px, each star with an offset of its own."""
    grid = np.arange(-7.0, 8.0)
    u, v = (a.ravel() for a in np.meshgrid(grid, grid))
    at = rng.uniform(-0.5, 0.5, (count, 2))
    u, v = (a + at[:, k, None] for k, a in enumerate((u, v)))
    level = 1.0 / (1.0 + np.exp(2.0 * (np.hypot(u, v) - 3.0)))
    level = level * (1 + 0.05 * rng.standard_normal((count, 1)))
    d = level + noise * rng.standard_normal(level.shape)
    star = np.repeat(np.arange(count, dtype=np.int32), len(grid) ** 2)
    return Samples(u.ravel(), v.ravel(), d.ravel(), np.full(d.size, noise**2), star)


@pytest.mark.parametrize("count", [4, 8, 40])
def test_flat_stars_are_rings_no_oftener_than_stated(count):
    """Monte Carlo: no dip is there, and of 300 frames the stated chance passes for hollow."""
    rng = np.random.default_rng(count)
    shown = []
    for _ in range(300):
        samples = flat_star(rng, count, 0.15)
        spline = fit_spline(samples, 0.8, 0.8, 6.0, 6.0, 0.0, count)
        found = ring(samples, spline, (2.0, 2.0), 1.0) if spline is not None else None
        two = pair(samples, -1.5, 1.5, 4.0)
        shown += [dip.chance < 0.05 for dip in (found, two) if dip is not None]
    assert len(shown) >= 300
    assert np.mean(shown) < 0.05
    assert FALSE_ALARM <= 0.002


@pytest.mark.parametrize(("ring_px", "bright"), [(4.0, 12), (6.0, 30), (14.0, 100)])
def test_rings_are_found_also_on_few_stars(ring_px, bright):
    """The radius lies between the hole and the edge (a third of the width is hole; GalSim)."""
    seeing = 2.0 if ring_px < 10 else 3.0
    frame = render(
        StarShape("donut", seeing, ring_px=ring_px), Scene(bright=bright, seed=73, width=1400)
    )
    got = measure_stars(Pixels(frame.data, integer=True))
    assert got.shape_status == "hollow"
    assert 0.4 * ring_px < got.ring_px < ring_px
    assert 0 < got.hollow_error < 0.1
    assert abs(got.fwhm_px - frame.truth.fwhm_px) < max(2 * got.fwhm_error_px, 0.02 * got.fwhm_px)


@pytest.mark.parametrize("mosaic", [None, "RGGB"])
@pytest.mark.parametrize("kind", ["moffat", "gaussian"])
@pytest.mark.parametrize("before_px", [1.2, 1.6, 2.2])
def test_sharp_stars_on_coarse_pixels_are_no_rings(before_px, kind, mosaic):
    from subgrade.lights.model import HeaderFacts

    found = []
    for seed in range(3):
        shape = StarShape(kind, before_px, 2.6, q=0.8, angle_deg=40.0 * seed)
        scene = Scene(bright=[8, 60, 400][seed], mosaic=mosaic, seed=seed, width=900, height=700)
        frame = render(shape, scene)
        facts = HeaderFacts(mosaic=mosaic) if mosaic else None
        got = measure_stars(Pixels(frame.data, integer=True), facts)
        found.append(got.shape_status)
    # One mono case of a handful (Gaussian, 1.2 px) is taken for hot pixels, and so for no star.
    assert found[0] in ("measured", "none"), found
    assert found[1:] == ["measured"] * 2


def with_trail(data: np.ndarray, rng, period: float, level: float) -> np.ndarray:
    """A satellite that flashes every so many pixels (0: a steady one)."""
    v, u = np.mgrid[0 : data.shape[0], 0 : data.shape[1]]
    t = rng.uniform(0, np.pi)
    x, y = u - data.shape[1] * rng.uniform(0.3, 0.7), v - data.shape[0] * rng.uniform(0.3, 0.7)
    along, across = x * np.cos(t) + y * np.sin(t), y * np.cos(t) - x * np.sin(t)
    light = np.exp(-0.5 * (across / 1.3) ** 2) * (np.abs(along) < rng.uniform(60, 400))
    if period:
        light *= np.exp(-0.5 * ((along % period - period / 2) / 1.3) ** 2)
    return np.clip(data + level * light, 0, 65535).astype(np.uint16)


@pytest.mark.parametrize("period", [0.0, 14.0, 25.0, 40.0])
def test_a_satellite_does_not_double_a_handful_of_stars(period):
    for seed in (1, 4, 11):
        frame = render(
            StarShape("moffat", 3.0, 3.2), Scene(bright=8, depth=1.5, seed=seed, width=900)
        )
        data = with_trail(frame.data, np.random.default_rng(seed), period, 150)
        got = measure_stars(Pixels(data, integer=True))
        assert got.shape_status in ("measured", "few"), (seed, got.shape_note)


@pytest.mark.parametrize(("apart", "share"), [(8.0, 0.5), (12.0, 0.35)])
@pytest.mark.parametrize("bright", [10, 60])
def test_a_real_step_still_doubles_them(apart, share, bright):
    shape = StarShape("moffat", 3.2, 3.2, motion=Motion("step", apart, 20.0, share))
    frame = render(shape, Scene(bright=bright, seed=57, width=1400, height=1000))
    got = measure_stars(Pixels(frame.data, integer=True))
    assert got.shape_status == "doubled"
    assert got.length_px == pytest.approx(apart, abs=0.6)


@pytest.mark.parametrize("share", [0.28, 0.45])
@pytest.mark.parametrize("apart", [7.0, 9.0])
def test_images_whose_light_meets_on_many_bright_stars_are_two(apart, share):
    """In a rich field the bright stars' wings bridge the gap; the count is that of the stars."""
    shape = StarShape("moffat", 2.0, 3.2, motion=Motion("step", apart, 127.0, share))
    frame = render(shape, Scene(bright=900, seed=5, width=1400, height=1000))
    got = measure_stars(Pixels(frame.data, integer=True))
    assert got.shape_status == "doubled"
    assert got.length_px == pytest.approx(apart, abs=0.3)
    assert got.stars == pytest.approx(frame.count_above(), rel=0.07)


@pytest.mark.parametrize("kind", ["box", "arcsine"])
def test_lines_of_many_bright_stars_are_not_two_images(kind):
    """A swing dwells at its ends, but its middle is never dark."""
    shape = StarShape("moffat", 2.0, 3.2, motion=Motion(kind, 9.0, 27.0))
    frame = render(shape, Scene(bright=900, seed=5, width=1400, height=1000))
    assert measure_stars(Pixels(frame.data, integer=True)).shape_status == "trailed"


@pytest.mark.parametrize("count", [1, 2, 3, 6, 30])
def test_the_error_of_a_shape_holds_however_few_the_stars(count):
    """Stars with known noise: within one stated sigma at least as often as a Gaussian's 68 %."""
    rng = np.random.default_rng(count)
    off = []
    for _ in range(400):
        snr = rng.uniform(30, 100, count)
        noise = np.hypot(2 / snr, 0.01)
        xx, yy = 4 * (1 + noise * rng.standard_normal((2, count)))
        xy = 4 * noise / np.sqrt(2) * rng.standard_normal(count)
        shape = common_shape(xx, yy, xy, snr)
        off.append(
            (shape.xy / shape.error, ((shape.xx * shape.yy) ** 0.25 / 2 - 1) / shape.size_error)
        )
    within = np.mean(np.abs(off) < 1, axis=0)
    assert (within > 0.64).all()
    assert (within < 0.93).all()


def _night_with_ring(width: float):
    """Twelve good frames of 3 px, the sixth called hollow with a width of its own."""
    from dataclasses import replace

    night = night_of(steady(12))
    frames = list(night.frames)
    stars = replace(
        frames[5].stars, shape_status="hollow", hollow=0.6, fwhm_px=width, fwhm_error_px=0.05
    )
    frames[5] = replace(frames[5], stars=stars)
    return judge_night(replace(night, frames=tuple(frames)), load_limits())[5]


def test_rings_narrower_than_the_nights_stars_are_not_blamed_on_focus():
    narrow, wide = _night_with_ring(2.4), _night_with_ring(6.0)
    assert "focus" not in narrow.reasons
    assert narrow.verdict == "keep"
    assert (wide.verdict, wide.reasons[0]) == ("reject", "focus")


def test_a_keep_without_measured_starlight_is_less_sure():
    """Of 9 stars 2 are left and the light is not measured: kept, but hardly with confidence."""
    shots = steady(12)
    from dataclasses import replace

    shots = [replace(s, stars=9) for s in shots]
    known = judge_night(night_of(shots), load_limits())[5]
    shots[5] = replace(shots[5], stars=2, transparency=np.nan)
    few = judge_night(night_of(shots), load_limits())[5]
    shots[5] = replace(shots[5], stars=9)
    unknown = judge_night(night_of(shots), load_limits())[5]
    assert few.confidence < 0.7
    assert few.confidence < unknown.confidence < known.confidence
