"""Which frames a plain mean is better without, against stacks that numpy makes."""

from __future__ import annotations

import itertools
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.judging import for_stack, judge_night, load_limits
from subgrade.judging.depth import depth_limit, good_frames, overlap
from subgrade.night.stack_forecast import forecast
from tests.judged_nights import Shot, night_of

LIMITS = load_limits()
FWHM, NOISE = 3.0, 10.0
EXACT = {"eccentricity": 0.0, "fwhm_error": 0.0}
SIZE, PITCH = 480, 24


def shot(light: float = 1.0, noise: float = 1.0, width: float = 1.0) -> Shot:
    """A frame whose numbers are those of a good one times these."""
    return Shot(
        fwhm=width * FWHM,
        transparency=light,
        noise=noise * NOISE,
        sky=1000 * noise**2,
        stars=round(300 * light),
        **EXACT,
    )


def verdict(others: int, frame: Shot, stack: str = "mean"):
    """The judgement on a frame taken after so many good ones."""
    night = night_of([shot() for _ in range(others)] + [frame])
    return judge_night(night, for_stack(LIMITS, stack))[others]


@cache
def stars_of(width: float) -> np.ndarray:
    """The light of a lattice of Gaussian stars."""
    points = np.zeros((SIZE, SIZE))
    points[PITCH // 2 :: PITCH, PITCH // 2 :: PITCH] = 4e4
    return gaussian_filter(points, width * FWHM / FWHM_PER_SIGMA)


def taken(rng: np.random.Generator, light: float, noise: float, width: float) -> np.ndarray:
    """Pixels of a frame: its stars, dimmed, and the sky's noise."""
    return light * stars_of(width) + noise * NOISE * rng.standard_normal((SIZE, SIZE))


def signal_to_noise(stack: np.ndarray) -> float:
    """Of the stars of a stack under the filter of a good star, in units of its empty sky's noise.

    The noise is white, so that what any filter leaves of it goes as that of a pixel.
    """
    seen = gaussian_filter(stack, FWHM / FWHM_PER_SIGMA)
    row, column = np.indices(seen.shape) % PITCH
    far = np.hypot(row - PITCH // 2, column - PITCH // 2)
    return float(seen[far == 0].mean() / stack[far > 8].std())


@pytest.mark.parametrize("others", [1, 5, 20, 100])
@pytest.mark.parametrize(
    ("light", "noise", "width"),
    [(1.0, 0.0, 1.0), (0.0, 1.0, 1.0), (0.8, 0.0, 1.0), (1.0, 0.0, 1.12), (0.0, 1.1, 1.08)],
)
@pytest.mark.parametrize("side", [0.75, 1.33])
def test_a_frame_is_too_shallow_where_the_mean_of_real_frames_gets_noisier(
    others, light, noise, width, side
):
    # The one that is 0 is set so that the frame lies on one side of the limit.
    depth = side * depth_limit(others, LIMITS)
    if not noise:
        noise = light * np.sqrt(overlap(width) / depth)
    else:
        light = noise * np.sqrt(depth / overlap(width))
    rng = np.random.default_rng(7 * others + round(100 * width))
    good = [taken(rng, 1.0, 1.0, 1.0) for _ in range(others)]
    poor = taken(rng, light, noise, width) / light
    without = signal_to_noise(np.mean(good, axis=0))
    gain = signal_to_noise(np.mean([*good, poor], axis=0)) / without - 1
    found = verdict(others, shot(light, noise, width))
    assert (found.verdict == "keep") == (gain > 0) == (side > 1)
    assert found.confidence > 0.9


@pytest.mark.parametrize("others", [1, 5, 20, 100])
def test_the_limit_is_the_published_one(others):
    # (N + 1)^2 / (N + 1/w) > N where 1/w < 2 + 1/N
    assert depth_limit(others, LIMITS) == pytest.approx(1 / (2 + 1 / others))
    edge = 2 + 1 / others
    for variance, kept in ((0.97 * edge, "keep"), (1.03 * edge, "reject")):
        assert verdict(others, shot(noise=np.sqrt(variance))).verdict == kept


def test_a_weighted_mean_is_better_with_every_frame():
    for poor in (shot(light=0.2), shot(noise=4), shot(0.5, 1.5, 1.2)):
        assert verdict(20, poor).verdict == "reject"
        found = verdict(20, poor, "weighted")
        assert found.verdict == "keep"
        assert 0 < found.weight < 0.3
    # what ruins stars ruins them in any stack
    assert verdict(20, Shot(eccentricity=0.8), "weighted").verdict == "reject"
    assert verdict(20, Shot(fwhm=6.0), "weighted").verdict == "reject"


def test_width_counts_in_what_a_frame_adds():
    # each of them by itself is worth stacking: 1 / 1.7 and 2 / (1 + 1.22^2)
    assert verdict(20, shot(noise=np.sqrt(1.7))).verdict == "keep"
    assert verdict(20, shot(width=1.22)).verdict == "keep"
    both = verdict(20, shot(noise=np.sqrt(1.7), width=1.22))
    assert both.verdict == "reject"
    assert both.reasons[0] == "sky_glow"


def test_depth_that_wide_stars_cost_is_named_by_what_widened_them():
    # 2.2 arcsec, under the floor of the limit on widths, over stars of 1.3
    night = [Shot(fwhm=1.3, noise=10, **EXACT) for _ in range(20)]
    wide = judge_night(night_of([*night, Shot(fwhm=1.99, noise=11.5, **EXACT)]), LIMITS)[20]
    assert wide.verdict == "reject"
    assert wide.reasons[0] in ("seeing", "focus")
    assert "FWHM 1.53 times the good frames'" in wide.explanation


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0.2, 1.5), st.floats(0.3, 9.0)), min_size=1, max_size=9),
)
def test_the_good_frames_are_the_deepest_of_all_subsets(frames):
    signal, variance = np.array(frames).T

    def gain(chosen):
        return signal[chosen].sum() ** 2 / variance[chosen].sum()

    best = max(
        gain(list(chosen))
        for size in range(1, len(frames) + 1)
        for chosen in itertools.combinations(range(len(frames)), size)
    )
    assert gain(good_frames(signal, variance)) == pytest.approx(best)


@pytest.mark.parametrize("seed", range(6))
def test_the_stack_forecast_loses_nothing_by_the_rejects(seed):
    rng = np.random.default_rng(seed)
    shots = [
        shot(rng.uniform(0.4, 1.0), rng.uniform(1.0, 1.7), rng.uniform(1.0, 1.15))
        for _ in range(24)
    ]
    night = night_of(shots)
    verdicts = judge_night(night, LIMITS)
    kept = np.array([v.verdict == "keep" for v in verdicts])
    stars = [f.stars for f in night.frames]
    light = np.array([s.transparency for s in shots])
    numbers = [
        np.array([getattr(s, name) for s in stars])
        for name in ("noise_adu", "xx", "yy", "xy", "fwhm_px")
    ]

    def snr(chosen):
        noise, *moments, width = numbers
        return forecast(chosen.astype(float), light, noise, *moments, 0.0, width).star_snr

    assert 2 < kept.sum() < 23
    assert snr(kept) > 0.998 * snr(np.ones(24, bool))
    for place in range(24):
        changed = kept.copy()
        changed[place] = not changed[place]
        # no single verdict would be better the other way, but where it is unsure
        assert snr(changed) < snr(kept) or verdicts[place].confidence < 0.7
