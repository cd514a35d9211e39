"""Steps and trends over nights, against drawn seasons whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.season.changes import chance_of, levels_of, weighted_mean
from tests.benchmarks.season_changes import judged, season


def test_the_chance_is_students_and_fishers():
    from scipy.special import betainc, stdtr

    assert chance_of(2.5, 7.0) == pytest.approx(2 * stdtr(7.0, -2.5), rel=1e-9)
    # Fisher's law of 2 and 10 degrees of freedom through the incomplete beta function
    assert chance_of(3.0, 5.0, 2) == pytest.approx(betainc(5.0, 1.0, 10 / (10 + 9)), rel=1e-9)
    assert chance_of(3.0, 0.0) == 1.0


@pytest.mark.parametrize(("apart", "changed"), [(2.0, False), (10.0, True)])
def test_two_nights_of_a_mount(apart, changed):
    error = np.full(2, np.sqrt(0.5))
    found = levels_of(np.array([0.0, apart]), error)
    assert (len(found.first) == 2) == changed
    if changed:
        assert found.sigma[0] == pytest.approx(10.0)
        np.testing.assert_allclose(found.mean[:, 0], [0.0, 10.0])
        np.testing.assert_allclose(found.error[:, 0], error)


def test_two_nights_of_the_sky_show_no_change():
    found = levels_of(np.array([0.0, 10.0]), np.full(2, 0.7), steady=False)
    assert len(found.first) == 1


def test_without_errors_the_scatter_alone_counts():
    value = np.array([1.0, 1.1, 0.9, 1.0, 5.0, 5.1, 4.9, 5.0])
    found = levels_of(value, np.full(8, np.nan))
    assert found.first.tolist() == [0, 4]
    # sample variances about both means, n - 2 degrees of freedom
    assert found.scatter == pytest.approx(np.sqrt(0.04 / 6), rel=1e-3)
    two = levels_of(value[[0, 4]], np.full(2, np.nan))
    assert len(two.first) == 1


def test_equal_values_do_not_change():
    found = levels_of(np.full(7, 0.6), np.zeros(7))
    assert len(found.first) == 1
    assert found.mean[0, 0] == 0.6


def test_steps_there_and_back():
    rng = np.random.default_rng(4)
    value = np.repeat([2.0, 9.0, 2.0], 5) + 0.3 * rng.normal(size=15)
    found = levels_of(value, np.full(15, 0.3))
    assert found.first.tolist() == [0, 5, 10]
    np.testing.assert_allclose(found.mean[:, 0], [2.0, 9.0, 2.0], atol=0.5)


def test_a_vector_that_turns_without_changing_its_length():
    angle = np.repeat([0.2, 1.8], 5)
    value = 6.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    found = levels_of(value, np.full((10, 2), 0.4))
    assert found.first.tolist() == [0, 5]
    length = levels_of(np.hypot(*value.T), np.full(10, 0.4))
    assert length.first.tolist() == [0]


def test_a_steady_trend_is_no_staircase():
    rng = np.random.default_rng(5)
    day = np.arange(0, 60, 4.0)
    value = 1.0 + 0.05 * day + 0.05 * rng.normal(size=len(day))
    found = levels_of(value, np.full(len(day), 0.05), day)
    assert found.slope == pytest.approx(0.05, abs=4 * found.slope_error)
    assert found.slope_error == pytest.approx(
        0.05 / np.sqrt(np.sum((day - day.mean()) ** 2)), rel=0.3
    )
    assert len(found.first) == 1
    # and a step is no trend
    step = np.repeat([1.0, 4.0], [8, 7]) + 0.05 * rng.normal(size=15)
    found = levels_of(step, np.full(15, 0.05), day)
    assert np.isnan(found.slope)
    assert found.first.tolist() == [0, 8]


def test_a_mount_set_up_anew_does_not_change_fifty_times():
    rng = np.random.default_rng(6)
    value = 6.0 * rng.normal(size=(50, 2))
    found = levels_of(value, np.full((50, 2), 0.4))
    assert found.excess
    assert len(found.sigma) <= 1
    assert found.scatter == pytest.approx(6.0, rel=0.2)


def test_pulls_of_the_mean_with_scatter_beyond_the_errors():
    rng = np.random.default_rng(7)
    pulls = []
    for _ in range(300):
        value, error = season(rng, 12, 1, 2.0, "Gaussian")
        mean, its_error, _ = weighted_mean(value[:, 0], error[:, 0])
        pulls.append(mean / its_error)
    # Student's law of 11 degrees is sqrt(11 / 9) wide; 300 draws show that to 5 per cent
    assert np.std(pulls) == pytest.approx(np.sqrt(11 / 9), abs=0.15)


def test_few_false_alarms_in_seasons_of_twenty_nights():
    """Aim: under 2 per cent; of 100 seasons 8 come by chance once in 1,000 at that."""
    rng = np.random.default_rng(8)
    some = [judged(rng, True, 20, 1, 1.0, "heavy tails") for _ in range(100)]
    assert sum(s > 0 or t for s, t, _ in some) < 8


@pytest.mark.slow
@pytest.mark.parametrize("extra", [0.0, 1.0, 5.0])
@pytest.mark.parametrize(("d", "steady"), [(1, True), (1, False), (2, True)])
def test_false_alarms(d, steady, extra):
    rng = np.random.default_rng(9)
    some = [judged(rng, steady, 20, d, extra, "heavy tails") for _ in range(500)]
    # 2 per cent of 500 is 10; 20 come by chance once in 300
    assert sum(s > 0 or t for s, t, _ in some) < 20


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "at", "step", "least"), [(2, 1, 14.2, 0.8), (6, 3, 10.0, 0.9), (20, 10, 5.0, 0.95)]
)
def test_how_large_a_step_is_found(n, at, step, least):
    """Heavy tails; a step of 14 errors of a night is 10 between two.  Table of the page."""
    rng = np.random.default_rng(10)
    some = [
        judged(rng, True, n, 1, 0.0, "heavy tails", step=step, at=at)[0] > 0 for _ in range(100)
    ]
    assert np.mean(some) > least - 0.05  # twice the error of a share of 0.95 of 100
