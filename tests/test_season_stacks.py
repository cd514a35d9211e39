"""Weights over nights and forecasts of their stacks."""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.night.stack_forecast import forecast
from subgrade.season.gather import read_nights
from subgrade.season.stack_parts import STEP, StackFrames, predicted
from subgrade.season.stacks import is_better, stacks_of
from subgrade.season.ties import tie_nights
from tests.season_nights import Plan, Sky, write_night

SKY = Sky.random(3, stars=500)


def day(n: int) -> str:
    return f"2030-03-{10 + n}T20:00:00Z"


def stacked(tmp_path, plans, **given):
    folders = [
        write_night(tmp_path / str(n), [plan], SKY, 50 + n, **given) for n, plan in enumerate(plans)
    ]
    nights, _ = read_nights(folders)
    return nights, *stacks_of(nights, tie_nights(nights))


def frames_at_random(count: int, nights: int, seed: int = 1) -> StackFrames:
    rng = np.random.default_rng(seed)
    width, angle = rng.uniform(2, 4, count), rng.uniform(0, np.pi, count)
    ratio = np.sqrt(1 - rng.uniform(0.05, 0.6, count) ** 2)
    a, b = (width / 2.3548) ** 2 / ratio, (width / 2.3548) ** 2 * ratio
    c, s = np.cos(angle), np.sin(angle)
    light, noise = rng.uniform(0.4, 1, count), rng.uniform(5, 9, count)
    return StackFrames(
        np.arange(count) % nights,
        np.arange(count),
        (light / noise / width) ** 2,
        light,
        noise,
        width,
        a * c**2 + b * s**2,
        a * s**2 + b * c**2,
        (a - b) * s * c,
    )


def test_kinds_of_stars_change_a_forecast_by_less_than_a_thousandth():
    frames = frames_at_random(1000, 5)
    masks = np.array([frames.night != n for n in range(5)] + [frames.night == n for n in range(5)])
    for weight in (np.ones(1000), frames.depth):
        exact = predicted(frames, masks, weight, 0.0)
        for one, other in zip(exact, predicted(frames, masks, weight, STEP), strict=True):
            assert other.fwhm == pytest.approx(one.fwhm, rel=1e-3)
            assert other.snr == pytest.approx(one.snr, rel=1e-3)
            assert other.eccentricity == pytest.approx(one.eccentricity, abs=1e-3)


def test_a_forecast_without_kinds_is_that_of_one_night():
    frames = frames_at_random(40, 2)
    mask = np.ones((1, 40), bool)
    (found,) = predicted(frames, mask, frames.depth)
    moments = frames.xx, frames.yy, frames.xy
    truth = forecast(frames.depth, frames.light, frames.noise, *moments, 0.0, frames.fwhm)
    assert found.fwhm == pytest.approx(truth.fwhm_px, rel=1e-6)
    assert found.snr == pytest.approx(truth.star_snr, rel=1e-6)


def test_weights_are_on_one_scale(tmp_path):
    # counts, noise and width in arcsec that give S/N² in the ratios 1 : 4 : 0.25
    common = {"fwhm_scatter": 0.0, "transparency_error": 0.0}
    plans = [
        Plan(day(0), 6, **common),
        Plan(day(1), 6, ratio=2.0, **common),
        Plan(day(2), 6, scale=3.0, shape=(500, 600), noise_adu=48.0, **common),
    ]
    _, (stack,), weights = stacked(tmp_path, plans)
    assert stack.reference_night == 1
    assert len(weights) == 18
    assert max(w.weight for w in weights) == 1
    mean = [np.mean([w.weight for w in weights if w.night == n]) for n in range(3)]
    # a pixel of twice the side holds four of the others: noise 2 of theirs for the same sky
    assert mean == pytest.approx([0.25, 1.0, 0.0625], rel=0.03)
    assert all(w.path.endswith(w.frame) and w.path.startswith("/") for w in weights)


def test_depths_add_up_and_more_nights_are_deeper(tmp_path):
    plans = [Plan(day(k), 6 + k, ratio=1 - 0.1 * k) for k in range(3)]
    _, (stack,), _ = stacked(tmp_path, plans)
    assert sum(part.depth for part in stack.parts) == pytest.approx(1)
    assert [part.frames for part in stack.parts] == [6, 7, 8]
    assert stack.frames == 21
    assert stack.poorest == -1
    assert "no night is better left out" in stack.verdict
    # equal frames: S/N as the root of their number, weighted by what they differ
    light2 = np.repeat([1.0, 0.9, 0.8], [6, 7, 8]) ** 2
    assert stack.snr == pytest.approx(np.sqrt(light2.sum()), rel=0.05)
    assert stack.snr >= stack.plain_snr * 0.999


def test_a_poor_night_is_better_left_out_of_a_plain_mean(tmp_path):
    plans = [Plan(day(0), 8), Plan(day(1), 8), Plan(day(2), 8, noise_adu=60.0)]
    nights, (stack,), _ = stacked(tmp_path, plans)
    assert stack.poorest == 2
    part = stack.parts[2]
    assert part.better_without
    # S/N of a mean of n frames of noise s: n / sqrt(sum s²)
    truth = (16 / np.sqrt(16 * 12.0**2)) / (24 / np.sqrt(16 * 12.0**2 + 8 * 60.0**2))
    assert part.snr_without == pytest.approx(truth, rel=0.03)
    assert nights[2].label in stack.verdict
    assert "by weight it may stay in" in stack.verdict


def test_a_swollen_night_costs_width(tmp_path):
    plans = [Plan(day(0), 12), Plan(day(1), 12), Plan(day(2), 6, fwhm_arcsec=6.5)]
    _, (stack,), _ = stacked(tmp_path, plans)
    part = stack.parts[2]
    assert part.fwhm_without == pytest.approx(3.0, rel=0.03)
    assert part.fwhm_without < 0.98 * stack.plain_fwhm
    assert stack.poorest == 2


@pytest.mark.parametrize(
    ("snr", "width", "better"),
    [
        (1.02, 1.0, True),
        (1.001, 1.0, False),
        (0.99, 0.90, True),
        (0.85, 0.90, False),
        (0.99, 0.985, False),
    ],
)
def test_what_is_better(snr, width, better):
    assert is_better(snr, width) is better


def test_shapes_are_turned_onto_the_reference(tmp_path):
    # the camera turned by 90 degrees: drawn along one direction on the sensor, across on the sky
    drawn = {"eccentricity": 0.6, "fwhm_scatter": 0.0, "angle_deg": 30.0}
    one = stacked(tmp_path / "a", [Plan(day(0), 8, **drawn), Plan(day(1), 8, **drawn)])[1][0]
    turned = [Plan(day(0), 8, **drawn), Plan(day(1), 8, turn_deg=90.0, **drawn)]
    other = stacked(tmp_path / "b", turned)[1][0]
    mirror = {**drawn, "angle_deg": 150.0}
    third = [Plan(day(0), 8, **drawn), Plan(day(1), 8, mirrored=True, **mirror)]
    same = stacked(tmp_path / "c", third)[1][0]
    assert one.eccentricity == pytest.approx(0.6, abs=0.02)
    assert other.eccentricity < 0.15
    assert same.eccentricity == pytest.approx(0.6, abs=0.02)


def test_hours_hold_what_cannot_be_stacked(tmp_path):
    plans = [Plan(day(0), 5, rejects={0: "cloud"}), Plan(day(1), 5, exposure_s=60.0)]
    _, (stack,), weights = stacked(tmp_path, plans, measured=False)
    assert [(row.frames, row.kept, row.kept_s, row.lost_s) for row in stack.rows] == [
        (5, 4, 480.0, 120.0),
        (5, 5, 300.0, 0.0),
    ]
    assert stack.kept_s == 780.0
    assert stack.reference_night == -1
    assert weights == ()
    assert stack.verdict.startswith("No stack can be predicted")


def test_a_silent_reference_has_the_scale_that_the_stars_show(tmp_path):
    plans = [
        Plan(day(0), 8, noise_adu=40.0),
        Plan(day(1), 8, scale=None, true_scale=2.25, shape=(700, 800), camera="B"),
    ]
    _, (stack,), _ = stacked(tmp_path, plans)
    assert (stack.unit, stack.reference_night) == ("″", 1)
    # all stars are 3.0″ wide
    assert stack.fwhm == pytest.approx(3.0, rel=0.02)
    _, (alone,), _ = stacked(tmp_path / "alone", plans[1:])
    assert alone.unit == "px"
