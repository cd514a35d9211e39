"""Transparency against injected dimming, the clear level, extinction, invariances."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from subgrade.night import compare_night
from subgrade.night.clear_level import LN_PER_MAG, airmass_of, clear_level, fit_extinction
from subgrade.night.transparency import robust_mean
from subgrade.night.zero_points import solve_zero_points
from tests.night_fields import frame_of, make_frame, make_night, make_sky


@pytest.fixture(scope="module")
def sky():
    return make_sky(np.random.default_rng(30), 200)


def transparencies(night):
    return np.array([c.transparency for c in night.compared])


def test_injected_dimming_to_one_percent_where_fifty_stars_match(sky):
    rng = np.random.default_rng(1)
    true = np.r_[np.ones(10), rng.uniform(0.1, 0.95, 14)]
    rng.shuffle(true)
    night = compare_night(make_night(rng, sky, len(true), dim=list(true), keep=0.95))
    got = transparencies(night)
    error = np.array([c.transparency_error for c in night.compared])
    rich = np.array([c.matched_stars >= 50 for c in night.compared])
    assert rich.sum() > 12
    assert np.abs(got / true - 1)[rich].max() < 0.01
    assert np.abs(got / true - 1).max() < 0.03
    # The stated errors are neither boast nor modesty.
    assert 0.5 < np.sqrt(np.mean(((got - true) / error) ** 2)) < 1.8


def test_no_bias_from_seeing_only_the_lucky_faint_stars(sky):
    ratios = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        night = compare_night(make_night(rng, sky, 6, dim=[1.0] * 5 + [0.02]))
        ratios.append(night.compared[-1].transparency / 0.02)
    ratios = np.array(ratios)
    assert abs(ratios.mean() - 1) < 3 * ratios.std() / np.sqrt(12) + 0.01
    assert np.abs(ratios - 1).max() < 0.15


def test_clear_level_when_four_fifths_of_the_night_is_cloud(sky):
    rng = np.random.default_rng(2)
    true = np.r_[np.ones(6), rng.uniform(0.05, 0.9, 24)]
    rng.shuffle(true)
    got = transparencies(compare_night(make_night(rng, sky, 30, dim=list(true))))
    assert np.abs(got / true - 1).max() < 0.02


def test_one_lucky_frame_does_not_set_the_clear_level(sky):
    rng = np.random.default_rng(3)
    true = np.r_[1.2, np.ones(11)]
    got = transparencies(compare_night(make_night(rng, sky, 12, dim=list(true))))
    assert got == pytest.approx(true, rel=0.01)


@pytest.mark.parametrize(
    "true",
    [
        [1.0, 1.0, 0.38, 0.38, 0.45],
        [0.97, 0.1, 0.06, 0.15, 1.0],
        [0.6, 1.0, 0.62, 1.0],
        [0.5, 1.0, 1.0],
        [1.0, 0.4, 0.45, 0.41, 0.42, 0.99, 0.4, 0.38],
    ],
)
def test_two_clear_frames_of_a_small_group_are_its_clear_level(sky, true):
    rng = np.random.default_rng(12)
    got = transparencies(compare_night(make_night(rng, sky, len(true), dim=list(true))))
    assert got == pytest.approx(true, rel=0.02, abs=0.003)


def test_one_lucky_frame_of_five_does_not_set_the_clear_level(sky):
    rng = np.random.default_rng(13)
    true = np.r_[1.2, np.ones(4)]
    got = transparencies(compare_night(make_night(rng, sky, 5, dim=list(true))))
    assert got == pytest.approx(true, rel=0.01)


def test_clear_level_alone():
    rng = np.random.default_rng(4)
    clear = rng.normal(0, 0.005, 20)
    cloud = -rng.uniform(0.1, 3, 80)
    z = rng.permutation(np.r_[clear, cloud])
    assert clear_level(z, 0.005) == pytest.approx(0, abs=0.005)
    assert clear_level(np.r_[z, 0.4], 0.005) == pytest.approx(0, abs=0.005)
    assert clear_level(z + 5, 0.005) == pytest.approx(5, abs=0.005)
    assert clear_level(np.array([1.0])) == 1
    assert clear_level(np.array([0.0, -1.0, np.nan, 0.01, -0.7])) == pytest.approx(0.005, abs=0.01)
    assert np.isnan(clear_level(np.array([np.nan])))


def test_patchy_cloud_shows_in_the_quarters(sky):
    rng = np.random.default_rng(5)

    def bank(z):
        return np.where(z.real < 2000, 0.3, 1.0)

    night = compare_night(make_night(rng, sky, 8, dim=[1.0] * 7 + [bank]))
    last = night.compared[-1]
    assert last.quarters == pytest.approx((0.3, 1, 0.3, 1), abs=0.02)
    assert last.transparency == pytest.approx(0.65, abs=0.05)
    assert night.compared[0].quarters == pytest.approx((1, 1, 1, 1), abs=0.01)


def test_stars_behind_a_thick_bank_count_as_missing(sky):
    rng = np.random.default_rng(6)

    def bank(z):
        return np.where(z.imag > 1500, 1e-4, 1.0)

    night = compare_night(make_night(rng, sky, 8, dim=[1.0] * 7 + [bank]))
    last = night.compared[-1]
    assert last.transparency == pytest.approx(0.5, abs=0.08)
    assert last.quarters[0] == pytest.approx(1, abs=0.02)
    assert last.quarters[2] < 0.12
    assert "missing" in last.transparency_note


def test_frame_without_stars_gets_an_upper_limit(sky):
    rng = np.random.default_rng(7)
    night = compare_night(make_night(rng, sky, 9, dim=[1.0] * 8 + [0.0004]))
    last = night.compared[-1]
    assert not last.registration.ok
    assert last.transparency_note.startswith("upper limit")
    assert 0.0004 < last.transparency < 0.05
    assert last.transparency_error == last.transparency


def test_deformed_frame_without_a_match_claims_nothing(sky):
    rng = np.random.default_rng(8)
    frames = make_night(rng, sky, 8)
    odd = make_frame(
        rng, make_sky(rng, 6), frames[4].name, facts=frames[4].facts, shape_status="trailed"
    )
    frames[4] = odd
    result = compare_night(frames).compared[4]
    assert result.group == 0
    assert np.isnan(result.transparency)
    assert "distorted" in result.transparency_note


@pytest.mark.parametrize("k", [0.12, 0.35])
def test_extinction_is_fitted_through_cloud(sky, k):
    rng = np.random.default_rng(9)
    airmass = np.linspace(1.05, 1.9, 36)
    cloud = np.where(rng.random(36) < 0.5, rng.uniform(0.2, 0.95, 36), 1.0)
    true = cloud * 10 ** (-0.4 * k * (airmass - 1))
    night = compare_night(make_night(rng, sky, 36, dim=list(true), airmass=list(airmass)))
    assert night.groups[0].extinction_source == "fitted"
    assert night.groups[0].extinction_mag == pytest.approx(k, abs=0.02)
    assert np.abs(transparencies(night) / cloud - 1).max() < 0.03


def test_extinction_default_and_none(sky):
    rng = np.random.default_rng(10)
    airmass = list(np.linspace(1.2, 1.3, 8))
    night = compare_night(make_night(rng, sky, 8, airmass=airmass))
    assert night.groups[0].extinction_source == "default"
    assert night.groups[0].extinction_mag == 0.2
    bare = compare_night(make_night(rng, sky, 8))
    assert bare.groups[0].extinction_source == "none"
    assert np.isnan(bare.groups[0].extinction_mag)


def test_haze_that_only_looks_like_extinction_is_not_believed():
    # Bouguer's law: k = .25, X 1.5 -> .891251 relative to X = 1.
    assert np.exp(-LN_PER_MAG * 0.25 * 0.5) == pytest.approx(0.891251, abs=1e-6)
    x = np.linspace(1, 2, 30)
    haze = -LN_PER_MAG * 1.5 * (x - 1)
    assert fit_extinction(haze, np.full(30, 0.002), x).source == "default"


def test_airmass_gaps_are_bridged_and_too_many_are_not():
    assert airmass_of([1.0, None, 1.2, 1.3, 1.4], [0.0, 1, 2, 3, 4])[1] == pytest.approx(1.1)
    assert airmass_of([1.0, None, None], [0.0, 1, 2]) is None


def test_zero_points_against_dense_least_squares():
    rng = np.random.default_rng(11)
    frames, stars = 6, 15
    grid = rng.random((frames, stars)) < 0.7
    f, s = np.nonzero(grid)
    variance = rng.uniform(0.01, 0.02, len(f)) ** 2
    z, m = rng.normal(0, 0.5, frames), rng.normal(8, 1, stars)
    y = z[f] + m[s] + rng.normal(0, np.sqrt(variance))
    got = solve_zero_points(f, s, y, variance, frames, stars)
    design = np.zeros((len(f), frames + stars))
    design[np.arange(len(f)), f] = 1
    design[np.arange(len(f)), frames + s] = 1
    root = 1 / np.sqrt(variance + got.floor**2 + got.frame_extra[f] ** 2)
    dense = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)[0]
    dense = dense[:frames] - dense[:frames].mean()
    # Huber weights touch few of the residuals of a normal law.
    assert got.frame == pytest.approx(dense, abs=0.004)
    assert got.frame == pytest.approx(z - z.mean(), abs=0.02)


def test_zero_points_shrug_off_variables_and_say_when_frames_share_nothing():
    rng = np.random.default_rng(12)
    f, s = (v.ravel() for v in np.meshgrid(np.arange(8), np.arange(40), indexing="ij"))
    z = rng.normal(0, 0.3, 8)
    y = z[f] + 0.1 * s + rng.normal(0, 0.01, len(f))
    y = y + np.where((s < 4) & (f % 2 == 0), 0.5, 0.0)  # a tenth of the stars vary
    got = solve_zero_points(f, s, y, np.full(len(f), 1e-4), 8, 40)
    assert got.frame == pytest.approx(z - z.mean(), abs=0.015)
    alone = f == 7
    s = np.where(alone, s + 40, s)
    got = solve_zero_points(f, s, y, np.full(len(f), 1e-4), 8, 80)
    assert np.isnan(got.frame[7])
    assert np.isfinite(got.frame[:7]).all()


def test_robust_mean_error_covers():
    rng = np.random.default_rng(13)
    pulls = []
    for _ in range(400):
        sigma = rng.uniform(0.5, 2, 30)
        value, error = robust_mean(rng.normal(5, sigma), sigma)
        pulls.append((value - 5) / error)
    assert np.std(pulls) == pytest.approx(1, abs=0.15)


slow = settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@slow
@given(seed=st.integers(0, 10**6), order=st.randoms(use_true_random=False))
def test_order_of_the_frames_does_not_matter(seed, order):
    rng = np.random.default_rng(seed)
    frames = make_night(rng, make_sky(rng, 60), 8, dim=list(rng.uniform(0.2, 1, 8)))
    shuffled = list(frames)
    order.shuffle(shuffled)
    one, other = compare_night(frames), compare_night(shuffled)
    assert [f.name for f in one.frames] == [f.name for f in other.frames]
    assert transparencies(one).tolist() == transparencies(other).tolist()
    assert [c.registration for c in one.compared] == [c.registration for c in other.compared]


@slow
@given(seed=st.integers(0, 10**6), how=st.sampled_from(["mirror", "quarter turn", "half turn"]))
def test_turning_or_mirroring_all_frames_keeps_transparency(seed, how):
    rng = np.random.default_rng(seed)
    frames = make_night(rng, make_sky(rng, 100), 8, dim=list(rng.uniform(0.2, 1, 8)))
    one, other = compare_night(frames), compare_night([moved(f, how) for f in frames])
    assert transparencies(one) == pytest.approx(transparencies(other), rel=2e-3)
    for a, b in zip(one.compared, other.compared, strict=True):
        assert a.registration.matched == pytest.approx(b.registration.matched, abs=2)
        order = {"mirror": [1, 0, 3, 2], "quarter turn": [2, 0, 3, 1], "half turn": [3, 2, 1, 0]}
        turned = np.array(a.quarters)[order[how]]
        assert turned == pytest.approx(np.array(b.quarters), rel=5e-3, nan_ok=True)


def moved(frame, how):
    stars = frame.stars
    c = stars.catalogue
    w, h = stars.width - 1, stars.height - 1
    z, width, height = {
        "mirror": (w - c.x + 1j * c.y, stars.width, stars.height),
        "quarter turn": (h - c.y + 1j * c.x, stars.height, stars.width),
        "half turn": (w - c.x + 1j * (h - c.y), stars.width, stars.height),
    }[how]
    made = frame_of(
        z, c.flux, c.snr, c.flags.astype(int), frame.name, width, height, frame.facts, 100.0
    )
    return replace(frame, stars=made.stars)
