"""How many of the passing frames to keep: order, share, and the stacks along the way."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from subgrade.choosing import (
    PREFERENCES,
    Choice,
    best_first,
    leave_surplus,
    share_kept,
    stack_curve,
    stacks_of,
)
from subgrade.cli.grade import command
from subgrade.judging import judge_night, load_limits
from subgrade.night.stack_forecast import forecast
from tests.judged_nights import Shot, night_of, steady


def judged(shots):
    night = night_of(shots)
    return night, judge_night(night, load_limits())


@pytest.fixture(scope="module")
def mixed():
    """Twelve good frames of differing worth, and two that are rejected."""
    shots = [
        replace(s, fwhm=3.0 + 0.03 * k, noise=10.0 + (5 * k) % 7, eccentricity=0.1 + 0.02 * (k % 5))
        for k, s in enumerate(steady(12))
    ]
    shots[4] = replace(shots[4], fwhm=6.0)
    shots[9] = replace(shots[9], eccentricity=0.8)
    return judged(shots)


def numbers(night):
    stars = [f.stars for f in night.frames]
    return stars, list(night.compared)


def test_by_depth_the_order_is_that_of_the_published_weight(mixed):
    night, _ = mixed
    stars, compared = numbers(night)
    light = np.array([c.transparency for c in compared])
    # T^2 / (sigma^2 FWHM^2): Zackay & Ofek 2017, ApJ 836, 187
    weight = [t**2 / (s.noise_adu * s.fwhm_px) ** 2 for t, s in zip(light, stars, strict=True)]
    order = best_first(stars, light)
    assert (np.diff(np.array(weight)[order]) <= 0).all()


def test_by_sharpness_the_order_is_that_of_the_long_axis(mixed):
    night, _ = mixed
    stars, compared = numbers(night)
    # a Gaussian of the same area: the long axis is the root of the larger eigenvalue
    long = []
    for s in stars:
        ratio = np.sqrt(1 - s.eccentricity**2)
        covariance = np.diag([s.fwhm_px**2 / ratio, s.fwhm_px**2 * ratio])
        long.append(np.sqrt(np.linalg.eigvalsh(covariance)[-1]))
    order = best_first(stars, [c.transparency for c in compared], "sharpness")
    assert (np.diff(np.array(long)[order]) >= 0).all()


def test_what_was_not_measured_counts_as_the_worst(mixed):
    night, _ = mixed
    stars, compared = numbers(night)
    light = [c.transparency for c in compared]
    light[0] = np.nan
    assert sorted(best_first(stars, light)) == list(range(12))
    stars[0] = replace(stars[0], fwhm_px=np.nan)
    for prefer in PREFERENCES:
        known = best_first(stars[1:], light[1:], prefer)
        assert [k for k in best_first(stars, light, prefer) if k] == [k + 1 for k in known]


times = st.lists(st.floats(1.0, 900.0), min_size=1, max_size=40)


@given(times, st.floats(0.01, 1.0))
def test_the_fewest_frames_that_hold_the_share(exposures, share):
    count = share_kept(exposures, share)
    total = sum(exposures)
    assert 1 <= count <= len(exposures)
    assert sum(exposures[:count]) >= share * total * (1 - 1e-6)
    assert count == 1 or sum(exposures[: count - 1]) < share * total * (1 + 1e-6)


def test_shares_of_equal_frames():
    assert [share_kept([120.0] * 20, s) for s in (0.05, 0.8, 0.801, 1.0)] == [1, 16, 17, 20]
    assert share_kept([0.0] * 10, 0.3) == 3, "without times every frame counts alike"
    assert share_kept([], 0.5) == 0


@pytest.mark.parametrize("prefer", PREFERENCES)
def test_the_best_are_kept_and_the_others_say_why(mixed, prefer):
    night, verdicts = mixed
    passing = [k for k, v in enumerate(verdicts) if v.verdict == "keep"]
    assert len(passing) == 10
    found = leave_surplus(night, verdicts, load_limits(), Choice(0.6, prefer))
    kept = [k for k, v in enumerate(found) if v.verdict == "keep"]
    surplus = [k for k, v in enumerate(found) if v.reasons[:1] == ("surplus",)]
    assert (len(kept), len(surplus)) == (6, 4)
    stars = [night.frames[k].stars for k in passing]
    light = [night.compared[k].transparency for k in passing]
    assert set(kept) == {passing[k] for k in best_first(stars, light, prefer)[:6]}
    assert max(found[k].weight for k in kept) == 1.0
    for k in surplus:
        out = found[k]
        assert (out.verdict, out.weight, out.confidence) == ("reject", 0.0, 1.0)
        assert out.explanation.startswith("Left out by your choice to keep 60%: it passes, but")
        assert out.evidence[0].limit == 6 < out.evidence[0].value <= 10
        assert out.evidence[1:] == verdicts[k].evidence, "what was measured stays"
    for k, v in enumerate(verdicts):
        if v.verdict != "keep":
            assert found[k] == v


def test_keeping_all_changes_nothing(mixed):
    night, verdicts = mixed
    assert leave_surplus(night, verdicts, load_limits(), Choice(1.0)) == verdicts
    assert leave_surplus(night, verdicts, load_limits(), Choice(None)) == verdicts


def test_what_a_mark_keeps_is_never_left_out(mixed):
    night, verdicts = mixed
    plain = leave_surplus(night, verdicts, load_limits(), Choice(0.3))
    out = {v.frame for v in plain if v.reasons[:1] == ("surplus",)}
    found = leave_surplus(night, verdicts, load_limits(), Choice(0.3), held=out)
    kept = {v.frame for v in found if v.verdict == "keep"}
    assert kept == out, "they fill the share, and more"


def test_groups_are_chosen_from_by_themselves(mixed):
    night, verdicts = mixed
    members = night.groups[0].members
    halves = [replace(night.groups[0], members=members[::2]) for _ in range(2)]
    halves[1] = replace(halves[1], members=members[1::2])
    found = leave_surplus(
        replace(night, groups=tuple(halves)), verdicts, load_limits(), Choice(0.8)
    )
    for group in halves:
        passed = sum(verdicts[k].verdict == "keep" for k in group.members)
        assert sum(found[k].verdict == "keep" for k in group.members) == np.ceil(0.8 * passed)


@pytest.mark.parametrize("prefer", PREFERENCES)
def test_the_curve_is_that_of_the_stacks_themselves(mixed, prefer):
    night, verdicts = mixed
    stars, compared = numbers(night)
    passing = np.array([v.verdict == "keep" for v in verdicts])
    curve = stack_curve(stars, compared, passing, prefer)
    assert sorted(curve.order) == list(range(12))
    assert passing[list(curve.order[:10])].all(), "those that pass come first"
    assert curve.counts[-1] == 12
    assert 10 in curve.counts
    for count, mean, weighted in zip(curve.counts, curve.mean, curve.weighted, strict=True):
        held = np.isin(np.arange(12), curve.order[:count])
        stacks = stacks_of(stars, compared, held)
        for got, want in ((mean, stacks["kept"]), (weighted, stacks["kept_weighted"])):
            assert (got.frames, got.fwhm_px) == (count, pytest.approx(want.fwhm_px, rel=1e-6))
            assert got.eccentricity == pytest.approx(want.eccentricity, abs=1e-3)
            assert got.snr == pytest.approx(want.snr, rel=1e-6)
    snr = [s.snr for s in curve.weighted]
    assert (np.diff(snr) > -1e-3 * max(snr)).all(), "a weighted mean gains by every frame"


def test_equal_frames_gain_by_the_square_root():
    night, verdicts = judged([Shot()] * 9)
    passing = np.array([v.verdict == "keep" for v in verdicts])
    curve = stack_curve(*numbers(night), passing, "depth")
    assert curve.counts == tuple(range(1, 10))
    snr = np.array([s.snr for s in curve.mean])
    np.testing.assert_allclose(snr / snr[0], np.sqrt(curve.counts), rtol=1e-9)


def test_a_frame_that_cannot_be_stacked_adds_nothing(mixed):
    night, verdicts = mixed
    stars, compared = numbers(night)
    compared[0] = replace(compared[0], registration=None)
    passing = np.array([v.verdict == "keep" for v in verdicts])
    curve = stack_curve(stars, compared, passing, "depth")
    assert curve.order[9] == 0, "last of those that pass"
    assert [s.frames for s in curve.mean] == [n - (n >= 10) for n in curve.counts]
    lone = np.zeros(12, bool)
    lone[0] = True
    first = stack_curve(stars, compared, lone, "depth").mean[0]
    assert first.frames == 0
    assert np.isnan(first.snr)


def test_many_stacks_at_once_are_as_each_by_itself():
    rng = np.random.default_rng(5)
    n = 30
    light, noise, width = rng.uniform(0.4, 1, n), rng.uniform(1, 2, n), rng.uniform(2.5, 5, n)
    xx, yy, xy = width**2 / 5, width**2 / 6.5, 0.02 * width**2
    weights = rng.uniform(0, 1, (7, n)) * (rng.random((7, n)) > 0.4)
    weights[:, 0] = 1.0
    many = forecast(weights, light, noise, xx, yy, xy, 3.0, width)
    for k, row in enumerate(weights):
        one = forecast(row, light, noise, xx, yy, xy, 3.0, width)
        for name in one.__slots__:
            got = getattr(many, name)[k]
            assert got == pytest.approx(getattr(one, name), rel=1e-5), name


def test_the_words_of_the_option_are_those_of_the_room():
    option = next(p for p in command.params if p.name == "prefer")
    assert tuple(option.type.choices) == PREFERENCES
