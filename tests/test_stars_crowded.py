"""Crowded fields, sharp and wide stars against what GalSim drew; noise that stars do not enter.

Cases are those of ``tests/benchmarks/skies.py``.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import shift
from scipy.spatial import cKDTree

from subgrade.lights.model import Pixels
from subgrade.stars.background import Sky
from subgrade.stars.noise import pixel_noise

pytestmark = pytest.mark.slow

CROWDS = (
    "1,000 a megapixel",
    "4,000 a megapixel",
    "4,000 a megapixel, 2 px",
    "4,000 a megapixel, 1.8 px",
    "2,000 a megapixel, 4.6 px",
    "1,000 a megapixel, 6 px",
    "6,700 a megapixel",
    "wide stars, 8.0 px",
    "wide stars, 11.0 px",
    "wide stars, 14.0 px",
)
SHARP = ("6,500 a megapixel, 1.4 px", "6,500 a megapixel, 1.25 px", "6,500 a megapixel, 1.13 px")


@pytest.mark.parametrize("name", CROWDS)
def test_width_noise_and_count_of_a_crowd(seen, name):
    frame, got = seen(name)
    assert got.shape_status == "measured"
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.01)
    assert got.noise_adu == pytest.approx(frame.noise_adu, rel=0.03)
    assert got.stars == pytest.approx(frame.count_above(), rel=0.09)
    assert got.streaks == ()


def test_a_crowded_mosaic(seen):
    frame, got = seen("4,000 a megapixel, mosaic")
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.02)
    assert got.stars == pytest.approx(frame.count_above(), rel=0.08)
    # green has the scene's nominal sky, 1000 ADU and 5 electrons of read noise
    assert got.noise_adu == pytest.approx(np.sqrt(1025), rel=0.03)


@pytest.mark.parametrize("name", SHARP)
def test_stars_hardly_wider_than_a_pixel_are_no_hot_pixels(seen, name):
    frame, got = seen(name)
    assert got.shape_status == "measured"
    assert got.stars == pytest.approx(frame.count_above(), rel=0.08)
    assert got.hot_pixels < 0.05 * got.stars
    if frame.truth.fwhm_px > 1.2:
        assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.06)


def matched(frame, got):
    """Rows of counted stars and of the true star each lies on, S/N over 20 both."""
    true = np.flatnonzero(frame.stars.snr >= 20)
    mine = np.flatnonzero(got.catalogue.is_star & (got.catalogue.snr >= 20))
    tree = cKDTree(np.column_stack((frame.stars.x[true], frame.stars.y[true])))
    places = np.column_stack((got.catalogue.x[mine], got.catalogue.y[mine]))
    distance, which = tree.query(places, distance_upper_bound=1.0)
    on = np.isfinite(distance)
    return mine[on], true[which[on]], len(mine), len(true)


def test_stars_of_a_crowd_are_where_they_are_and_as_bright(seen):
    frame, got = seen("4,000 a megapixel")
    mine, true, all_mine, all_true = matched(frame, got)
    assert len(np.unique(true)) > 0.88 * all_true
    assert len(mine) > 0.9 * all_mine
    ratio = got.catalogue.flux[mine] / frame.stars.flux[true]
    middle = np.median(ratio)
    assert 1.4826 * np.median(np.abs(ratio / middle - 1)) < 0.06
    away = np.hypot(
        got.catalogue.x[mine] - frame.stars.x[true], got.catalogue.y[mine] - frame.stars.y[true]
    )
    assert np.median(away) < 0.1


def test_a_crowd_is_counted_as_sep_counts_it(seen):
    """sep (SEP 1.4, C library of the field) on the same pixels, deblending switched on."""
    sep = pytest.importorskip("sep")
    frame, got = seen("2,000 a megapixel, 4.6 px")
    data = frame.data.astype(np.float32) - frame.background_adu
    found = sep.extract(data, 1.5, err=frame.noise_adu, deblend_cont=0.001)
    mine = int(np.sum(got.catalogue.is_star))
    assert mine > 0.9 * len(found)


FLAT = Sky(np.zeros((1, 1), np.float32), np.ones((1, 1), np.float32), 1 << 20)


def noise_of(data: np.ndarray, parity: int = -1) -> float:
    pixels = Pixels(data, integer=data.dtype.kind == "u")
    return pixel_noise(pixels, FLAT, parity, None, 200_000)


@pytest.mark.parametrize("parity", [-1, 0, 1])
def test_noise_of_a_dark_sky_is_not_read_low(parity):
    """Poisson noise of few electrons is skewed: choosing dark pixels would choose calm ones, by
    4.5 % (the mean of seven pixels in its lowest third)."""
    data = np.random.default_rng(4).poisson(20.0, (1000, 1200)).astype(np.float32)
    assert noise_of(data, parity) == pytest.approx(np.sqrt(20.0), rel=0.015)


def test_noise_that_neighbours_share_counts_in_full():
    """A frame resampled by half a pixel (scipy, linear) has the noise its pixels scatter by."""
    data = np.random.default_rng(5).normal(500.0, 20.0, (900, 1100))
    moved = shift(data, (0.5, 0.5), order=1)[2:-2, 2:-2].astype(np.float32)
    assert noise_of(moved) == pytest.approx(moved.std(), rel=0.01)


def test_a_steep_sky_adds_no_noise():
    y, x = np.mgrid[0:900, 0:1100]
    sky = 1000 + 0.5 * x + 0.3 * y
    data = (sky + np.random.default_rng(6).normal(0, 10.0, sky.shape)).astype(np.float32)
    assert noise_of(data) == pytest.approx(10.0, rel=0.01)
