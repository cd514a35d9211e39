"""Formulas written out so that no large library is loaded for them, against those libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import kendalltau, theilslopes

from subgrade.diagnosis.focus import robust_slope
from subgrade.judging.dimming_clues import rank_trend
from subgrade.robust import bisected, median_error


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("levels", [None, 4])
def test_the_rank_trend_is_kendalls(seed, levels):
    rng = np.random.default_rng(seed)
    values = rng.normal(0, 1, rng.integers(3, 60)) - 0.05 * seed * np.arange(1)
    if levels:
        values = np.round(values * levels / 4)
    known = kendalltau(np.arange(len(values)), values).statistic
    assert rank_trend(values.tobytes()) == pytest.approx(known, abs=1e-12, nan_ok=True)


def test_the_rank_trend_of_equal_values_is_unknown():
    assert np.isnan(rank_trend(np.ones(5).tobytes()))


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("tied", [False, True])
def test_the_robust_slope_is_theils_with_sens_interval(seed, tied):
    rng = np.random.default_rng(seed)
    x = rng.uniform(0, 10, rng.integers(6, 80))
    y = 0.3 * x + rng.normal(0, 1, len(x))
    if tied:
        x, y = np.round(x / 2), np.round(y)
    slope, _, low, high = theilslopes(y, x, alpha=0.6827)
    found = robust_slope(x, y)
    assert (found.value, found.points) == (pytest.approx(slope, abs=1e-12), len(x))
    assert found.error == pytest.approx(0.5 * (high - low), abs=1e-12)


@pytest.mark.parametrize("root", [1e-6, 0.3, 2.0, 7.999])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_root_is_found_to_within_what_is_asked(root, sign):
    def rises(x):
        return sign * (np.exp(x) - np.exp(root))

    assert bisected(rises, 0.0, 8.0, 1e-9) == pytest.approx(brentq(rises, 0, 8), abs=2e-9)


def test_the_error_of_a_median_is_the_scatter_of_medians():
    many = np.random.default_rng(7).normal(0.0, 2.0, (4000, 201))
    claimed = np.mean([median_error(row) for row in many])
    assert np.std(np.median(many, axis=1)) == pytest.approx(claimed, rel=0.04)
    few = median_error(many[0], 201 / 4)
    assert few == pytest.approx(2.0 * median_error(many[0]))
