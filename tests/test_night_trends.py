"""Expected width and sky: injected trends come back, spoilt frames do not set them."""

from dataclasses import replace

import numpy as np
import pytest

from subgrade.judging import judge_night, load_limits
from subgrade.lights.model import HeaderFacts
from subgrade.night import compare_night
from subgrade.night.trends import fit_sky, group_trends
from subgrade.night.widths import fit_width, low_crowd
from tests.judged_nights import Shot, night_of
from tests.night_fields import make_frame, make_sky


def series(rng, count, slope=0.0, offset=0.0, airmass=True, spoilt=0.0, scatter=0.02):
    """ln FWHM of a night with the truth known: (measured, true, airmass, hours, side, spoilt)."""
    hours = np.linspace(0, 6, count)
    # Through the meridian: the airmass falls and rises, so it cannot pass for a trend in time.
    x = 1 / np.cos(np.radians(12 + 14 * np.abs(hours - 3))) if airmass else np.ones(count)
    side = (hours > 3).astype(int)
    true = np.log(3.0) + 0.6 * np.log(x) + slope * hours + offset * side
    bad = np.zeros(count, bool)
    bad[rng.permutation(count)[: round(spoilt * count)]] = True
    measured = true + scatter * rng.standard_normal(count)
    measured[bad] += rng.uniform(0.12, 0.8, bad.sum())
    return measured, true, x if airmass else None, hours, side, bad


@pytest.mark.slow
@pytest.mark.parametrize("spoilt", [0.0, 0.4, 0.7])
@pytest.mark.parametrize(("slope", "offset"), [(0, 0), (0.03, 0), (0, 0.12), (-0.03, 0)])
def test_injected_trends_come_back(slope, offset, spoilt):
    worst, slopes, offsets = [], [], []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        measured, true, x, hours, side, bad = series(rng, 120, slope, offset, spoilt=spoilt)
        fit = fit_width(measured, x, hours, side)
        worst.append(np.abs(fit.expected - true).max())
        slopes.append(fit.slope)
        offsets.append(fit.offset)
        assert fit.exponent == 0.6
        assert fit.used[~bad].mean() > 0.5
        assert (measured - true)[fit.used & bad].max(initial=0.0) <= 0.2
    assert np.median(worst) < 0.03
    assert np.max(worst) < 0.08
    if slope:
        assert np.isfinite(slopes).sum() >= 4
        assert np.nanmedian(slopes) == pytest.approx(slope, rel=0.2)
    else:
        assert np.isfinite(slopes).sum() <= 1
    if offset:
        assert np.nanmedian(offsets) == pytest.approx(offset, rel=0.2)
    else:
        assert np.isfinite(offsets).sum() <= 1


@pytest.mark.slow
def test_the_stated_error_of_a_slope_is_honest():
    pulls = []
    for seed in range(40):
        measured, _, x, hours, side, _ = series(np.random.default_rng(seed), 80, 0.03, scatter=0.03)
        fit = fit_width(measured, x, hours, np.zeros_like(side))
        pulls.append((fit.slope - 0.03) / fit.slope_error)
    assert np.isfinite(pulls).sum() >= 38
    assert 0.5 < np.nanstd(pulls) < 1.5


def test_four_frames_in_five_spoilt():
    errors = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        measured, true, x, hours, side, _ = series(rng, 100, spoilt=0.8)
        errors.append(np.abs(fit_width(measured, x, hours, side).expected - true).max())
    assert np.median(errors) < 0.03


def test_widths_go_as_airmass_to_the_six_tenths():
    # Kolmogorov; Fried 1966, JOSA 56, 1372: X 1.2, 1.5, 2 widen by 1.115601, 1.275425, 1.515717.
    x = np.array([1.0, 1.2, 1.5, 2.0])
    fit = fit_width(np.log(3 * np.array([1.0, 1.115601, 1.275425, 1.515717])), x, None, x * 0)
    assert np.exp(fit.expected - fit.expected[0]) == pytest.approx(
        [1, 1.115601, 1.275425, 1.515717], abs=1e-6
    )


def test_widths_that_optics_set_are_not_divided_by_airmass():
    rng = np.random.default_rng(3)
    x = np.linspace(1, 2.2, 60)
    fit = fit_width(np.log(2.0) + 0.01 * rng.standard_normal(60), x, None, np.zeros(60, int))
    assert fit.exponent == 0
    assert np.abs(np.exp(fit.expected) / 2 - 1).max() < 0.02


def test_a_share_that_airmass_does_not_widen_is_no_creeping_focus():
    rng = np.random.default_rng(12)
    hours = np.linspace(0, 4, 60)
    x = np.linspace(1.1, 1.7, 60)
    # Seeing of 2.4 px behind optics and pixels of 2 px.
    width = np.hypot(2.4 * x**0.6, 2.0) * (1 + 0.01 * rng.standard_normal(60))
    fit = fit_width(np.log(width), x, hours, np.zeros(60, int))
    assert np.isnan(fit.slope)
    assert 0 < fit.exponent <= 0.6
    assert np.abs(np.exp(fit.expected) / width - 1).max() < 0.1


def test_without_airmass_the_level_is_the_usual_width():
    measured, true, _, hours, side, _ = series(
        np.random.default_rng(1), 60, airmass=False, spoilt=0.5
    )
    fit = fit_width(measured, None, hours, side)
    assert fit.exponent == 0
    assert np.abs(fit.expected - true).max() < 0.03


@pytest.mark.parametrize("spoilt", [0, 1, 2])
def test_five_frames(spoilt):
    for seed in range(20):
        rng = np.random.default_rng(seed)
        x = np.array([1.9, 1.6, 1.4, 1.3, 1.2])
        true = np.log(2.8) + 0.6 * np.log(x)
        measured = true + 0.01 * rng.standard_normal(5)
        measured[rng.permutation(5)[:spoilt]] += rng.uniform(0.2, 0.6, spoilt)
        fit = fit_width(measured, x, np.arange(5.0), np.zeros(5, int))
        assert np.isnan(fit.slope)
        assert np.isnan(fit.offset)
        assert np.abs(fit.expected - true).max() < 0.04


def test_one_frame_and_none():
    side = np.zeros(1, int)
    assert fit_width(np.array([1.1]), None, None, side).expected == pytest.approx([1.1])
    assert np.isnan(fit_width(np.array([np.nan]), None, None, side).expected).all()


def test_one_lucky_frame_is_no_crowd():
    rng = np.random.default_rng(2)
    values = np.r_[0.7, 1.0 + 0.03 * rng.standard_normal(30)]
    assert low_crowd(values) == pytest.approx(1.0, abs=0.03)
    # A third of the frames is.
    values = np.r_[1.0 + 0.02 * rng.standard_normal(20), 1.4 + 0.03 * rng.standard_normal(40)]
    assert low_crowd(values) == pytest.approx(1.0, abs=0.02)


def moonset(hours):
    return 1000 + 1200 / (1 + np.exp((hours - 3) / 0.6))


def twilight(hours):
    """Doubling the sky within six minutes at the end, as between 15 and 12 degrees of depth."""
    return 150 * np.exp((hours - 5.5) / 0.15)


def test_sky_follows_the_moon_and_leaves_twilight_an_excess():
    rng = np.random.default_rng(4)
    hours = np.linspace(0, 6, 120)
    true = moonset(hours)
    sky = (true + twilight(hours)) * (1 + 0.003 * rng.standard_normal(120))
    expected = fit_sky(hours, sky, np.full(120, np.nan))
    assert np.abs(expected / true - 1)[hours < 5.4].max() < 0.06
    # At the end the sky is five times the night's, and most of that stays an excess.
    assert sky[-1] > 4.5 * true[-1]
    assert sky[-1] > 3.2 * expected[-1]


def test_sky_of_a_night_mostly_under_lit_cloud():
    rng = np.random.default_rng(5)
    hours = np.linspace(0, 6, 120)
    true = moonset(hours)
    cloudy = rng.random(120) < 0.7
    sky = true * np.where(cloudy, rng.uniform(0.7, 2.0, 120), 1.0)
    expected = fit_sky(hours, sky, np.where(cloudy, 0.5, 1.0))
    assert np.abs(expected / true - 1).max() < 0.15
    assert np.median(np.abs(expected / true - 1)) < 0.05


def test_sky_of_five_frames_and_of_none():
    sky = np.array([1000, 1003, 998, 1400, 2000.0])
    expected = fit_sky(np.arange(5) / 12, sky, np.full(5, np.nan))
    assert expected == pytest.approx(np.full(5, 1000), rel=0.005)
    assert np.isnan(fit_sky(np.zeros(2), np.array([-3.0, np.nan]), np.ones(2))).all()


def night(rng, width, facts):
    """A night of star lists with the given widths and header facts."""
    sky = make_sky(rng, 60)
    frames = []
    for k, (fwhm, fact) in enumerate(zip(width, facts, strict=True)):
        at = 1.9e9 + 200.0 * k
        base = HeaderFacts(exposure_s=180.0, start_unix=at, mid_unix=at + 90, **fact)
        frames.append(make_frame(rng, sky, f"f{k:03d}.fits", facts=base, fwhm_px=float(fwhm)))
    return compare_night(frames)


def test_through_the_night_with_temperature_and_pier_side():
    rng = np.random.default_rng(6)
    count = 60
    celsius = np.linspace(12.0, 4.0, count)
    side = np.arange(count) >= 30
    width = 3.0 * np.exp(-0.02 * (celsius - 12) + 0.1 * side + 0.01 * rng.standard_normal(count))
    width[::3] *= 1.5
    facts = [
        {"ambient_c": c, "pier_side": "west" if s else "east"}
        for c, s in zip(celsius, side, strict=True)
    ]
    got = night(rng, width, facts)
    trends = got.groups[0].trends
    assert trends.focus_unit == "°C"
    assert trends.focus_slope == pytest.approx(-0.02, abs=0.005)
    assert trends.side_offset == pytest.approx(0.1, abs=0.03)
    assert np.isnan(trends.airmass_exponent)
    assert 35 <= trends.frames_used <= 40
    expected = np.array([c.fwhm_expected_px for c in got.compared])
    clean = np.arange(count) % 3 != 0
    assert np.abs(expected / width - 1)[clean].max() < 0.05
    assert np.abs(expected * 1.5 / width - 1)[~clean].max() < 0.05
    assert all(c.background_expected_adu == pytest.approx(500) for c in got.compared)


def test_a_flip_is_known_from_the_picture_where_no_header_tells():
    rng = np.random.default_rng(7)
    sky = make_sky(rng, 60)
    frames = []
    for k in range(30):
        turned = k >= 15
        facts = HeaderFacts(exposure_s=180.0, start_unix=1.9e9 + 200 * k)
        width = 3.0 * (1.15 if turned else 1.0) * np.exp(0.01 * rng.standard_normal())
        frames.append(
            make_frame(
                rng, sky, f"f{k:02d}", facts=facts, rotation=180.0 * turned, fwhm_px=float(width)
            )
        )
    trends = compare_night(frames).groups[0].trends
    assert trends.side_offset == pytest.approx(np.log(1.15), abs=0.02)


def judged(widths, **facts):
    """Verdicts on a round, clear night of the given widths and header facts (lists)."""
    shots = [
        Shot(fwhm=float(w), facts={name: float(v[k]) for name, v in facts.items()})
        for k, w in enumerate(widths)
    ]
    plain = night_of(shots)
    members = plain.groups[0].members
    trends, width, sky = group_trends(
        plain.frames, members, [c.registration for c in plain.compared], np.ones(len(shots))
    )
    compared = tuple(
        replace(c, fwhm_expected_px=float(w), background_expected_adu=float(s))
        for c, w, s in zip(plain.compared, width, sky, strict=True)
    )
    night = replace(plain, compared=compared, groups=(replace(plain.groups[0], trends=trends),))
    return judge_night(night, load_limits())


def test_a_setting_target_is_called_seeing_and_not_focus():
    rng = np.random.default_rng(8)
    airmass = 1 / np.cos(np.radians(np.linspace(10, 72, 50)))
    widths = 2.6 * airmass**0.6 * (1 + 0.01 * rng.standard_normal(50))
    last = judged(widths, airmass=airmass)[-1]
    assert last.verdict == "reject"
    assert last.reasons == ("seeing",)
    assert "airmass 3.24 alone widens stars by" in last.explanation
    expected = next(e for e in last.evidence if e.quantity == "fwhm_px expected")
    assert expected.value == pytest.approx(2.6 * 3.236**0.6, rel=0.03)


def test_widths_that_follow_the_temperature_are_called_focus():
    rng = np.random.default_rng(9)
    celsius = np.linspace(14, 2, 50)
    widths = 2.6 * np.exp(-0.06 * (celsius - 14) + 0.03 * rng.standard_normal(50))
    last = judged(widths, ambient_c=celsius, airmass=np.full(50, 1.1))[-1]
    assert last.verdict == "reject"
    assert last.reasons == ("focus",)
    said = next(e for e in last.evidence if e.quantity == "slow trend of widths")
    assert said.value == pytest.approx(-0.06, abs=0.01)
    assert "per °C" in said.text
