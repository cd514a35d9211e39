"""The clip level from the stars alone: exact, smeared, low, bent like a plate, and none at all."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from subgrade.lights.model import Pixels
from subgrade.stars import measure_stars
from tests.render import Motion, Scene, StarShape, render

STAR = StarShape("moffat", 2.6, 3.0, q=0.9, angle_deg=30.0)
BRIGHT = Scene(bright=300, depth=2, brightest_snr=1e9, width=1500, height=1000, seed=7)
SOUND = replace(BRIGHT, full_well_adu=1e12, floating=True)


def as_stored(data: np.ndarray) -> Pixels:
    return Pixels(data, integer=data.dtype == np.uint16)


def flat_fielded(data: np.ndarray) -> np.ndarray:
    """Less a dark of 300 ADU, over a flat that falls by 30 % to the corners, with 1 % of noise."""
    v, u = np.mgrid[0 : data.shape[0], 0 : data.shape[1]]
    radius = np.hypot(u - data.shape[1] / 2, v - data.shape[0] / 2)
    noise = np.random.default_rng(1).standard_normal(data.shape)
    flat = (1 - 0.3 * (radius / radius.max()) ** 2) * (1 + 0.01 * noise)
    return ((data - 300.0) / flat).astype(np.float32)


def plate(data: np.ndarray) -> np.ndarray:
    """An emulsion that bends over towards 6000 ADU above its fog, with grain."""
    rng = np.random.default_rng(1)
    signal = 6000 * (1 - np.exp(-np.clip(data - 1000.0, -2000, None) / 6000))
    signal *= 1 + 0.02 * rng.standard_normal(data.shape)
    return np.clip(signal + 3000 + 60 * rng.standard_normal(data.shape), 0, 65535).astype(np.uint16)


def with_hot_pixels(data: np.ndarray) -> np.ndarray:
    rng, hot = np.random.default_rng(1), data.copy()
    hot.flat[rng.integers(0, data.size, 400)] = rng.uniform(20000, 60000, 400).astype(np.uint16)
    return hot


@pytest.mark.parametrize("change", [np.copy, flat_fielded, with_hot_pixels])
@pytest.mark.parametrize("clip_adu", [4095, 16383])
def test_clipped_stars_are_known_and_left_out(change, clip_adu):
    """12 and 14 bits; as stored, calibrated, and under brighter hot pixels."""
    frame = render(STAR, replace(BRIGHT, full_well_adu=clip_adu))
    got = measure_stars(as_stored(change(frame.data)))
    peak = STAR_PEAK * frame.stars.flux
    clipped = np.count_nonzero(peak > clip_adu - 1000) / frame.count_above()
    assert got.saturated_share > 0.7 * clipped
    assert got.saturated_share < 2.0 * clipped + 0.05
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.02)


STAR_PEAK = 0.091
"""Highest pixel of a star of `STAR` centred on it, over its light (GalSim)."""


def test_a_plate_that_bends_over_is_measured_by_its_fainter_stars():
    """By all of them it reads a third too wide; by those under the bend within a tenth."""
    frame = render(STAR, SOUND)
    got = measure_stars(as_stored(plate(frame.data)))
    assert got.saturated_share > 0.2
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.1)


@pytest.mark.slow
@pytest.mark.parametrize(
    "shape",
    [
        StarShape("moffat", 1.3, 3.0),
        StarShape("gaussian", 2.2),
        StarShape("moffat", 9.0, 3.0),
        StarShape("moffat", 3.0, 3.0, motion=Motion("box", 25, 30.0, 0.5)),
        StarShape("moffat", 3.0, 3.0, motion=Motion("step", 8, 30.0, 0.5)),
        StarShape("donut", 3.0, ring_px=14.0),
    ],
)
@pytest.mark.parametrize(("bright", "seed"), [(15, 1), (120, 2), (300, 3)])
def test_sound_stars_are_never_called_clipped(shape, bright, seed):
    frame = render(shape, replace(SOUND, bright=bright, seed=seed, width=1100, height=800))
    got = measure_stars(as_stored(frame.data))
    # none of so few rings is bright enough to count as a star
    ringless = shape.kind == "donut" and bright == 15
    assert (got.stars == 0) == ringless
    np.testing.assert_equal(got.saturated_share, np.nan if ringless else 0.0)
