"""A cause counts by what speaks for it; one wild number condemns no other frame."""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.judging import judge_night, load_limits
from subgrade.night.own_motion import common_axis
from subgrade.robust import geometric_median
from tests.judged_nights import CALM_ARCSEC, Shot, calm_samples, night_of, recorded, steady
from tests.signatures import along, answer, drawn, one


def test_a_line_that_reads_far_too_bright_condemns_no_clean_frame():
    shots = steady(12)
    shots[5] = Shot(status="trailed", length=60.0, transparency=3.8)
    verdicts = judge_night(night_of(shots), load_limits())
    assert all(v.verdict == "keep" for k, v in enumerate(verdicts) if k != 5)


def test_a_second_image_at_a_recorded_dither_is_the_dithers():
    star = drawn([0.0] * 9 + [-8.0], np.ones(10), 20.0)
    error = np.append(8.0 * np.ones(6), np.zeros(54))
    ra, dec = (x * error + calm_samples(seed=k) for k, x in enumerate(along(1.0, 20.0)))
    wild = recorded(ra, dec, peak=20 * CALM_ARCSEC, settle_overlap_s=12.0)
    step = along(-8.0, 20.0)
    assert answer(one(star, wild, dithered=step)) == ("reject", "dither_overlap")


def test_settling_that_shows_no_errors_is_not_the_likeliest_cause():
    way = -8.0 * np.exp(-np.linspace(0, 3, 12))
    star = drawn(np.append(np.zeros(84), way), np.ones(96), 20.0)
    calm = recorded(calm_samples(), peak=3 * CALM_ARCSEC, settle_overlap_s=12.0)
    assert answer(one(star, calm))[1] != "dither_overlap"


def test_the_geometric_median_turns_with_the_camera():
    rng = np.random.default_rng(3)
    values = rng.normal(0.3, 1.0, 15) + 1j * rng.normal(0.1, 0.2, 15)
    turn = np.exp(1j * np.radians(71.0))
    assert geometric_median(values * turn) == pytest.approx(
        geometric_median(values) * turn, abs=1e-4
    )


def test_the_geometric_median_has_the_least_sum_of_distances():
    """Against scipy's minimiser."""
    from scipy.optimize import minimize

    rng = np.random.default_rng(4)
    values = rng.normal(0, 1, 21) + 1j * rng.standard_exponential(21)
    found = minimize(
        lambda p: np.abs(values - complex(*p)).sum(),
        [0.0, 0.0],
        method="Nelder-Mead",
        options={"xatol": 1e-7, "fatol": 1e-10},
    )
    assert geometric_median(values) == pytest.approx(complex(*found.x), abs=1e-3)


@pytest.mark.parametrize("turn", [0.0, 40.0, 111.0])
def test_the_presumed_axis_turns_with_the_camera(turn):
    rng = np.random.default_rng(5)
    lean = 0.9 + 0.25 * rng.standard_normal(20) + 0.5j * rng.standard_normal(20)
    lean *= np.exp(2j * np.radians(28.0))

    def axis(values):
        return common_axis({"xx": values.real, "yy": np.zeros(20), "xy": values.imag / 2})

    upright = axis(lean)
    assert upright == pytest.approx(28.0, abs=10)
    turned = axis(lean * np.exp(2j * np.radians(turn)))
    assert turned == pytest.approx((upright + turn) % 180, abs=1e-3)
    without = {"xx": np.cos(lean.real * 99), "yy": np.zeros(20), "xy": np.sin(lean.real * 99)}
    assert np.isnan(common_axis(without))
