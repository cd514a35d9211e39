"""Numbers of one exposure against closed forms and astropy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from astropy.timeseries import LombScargle

from subgrade.guiding.exposure import dominant_period, exposure_guiding, overshoot, robust_slope
from subgrade.guiding.intervals import merged, overlap, settling_intervals
from subgrade.guiding.model import ClockFit
from subgrade.record import calm_rms
from subgrade.record.model import GuideEvent
from tests.test_guiding_clock import T0, record

UTC = ClockFit(0.0, 0.0, 0.0, 1.0, True, "made")


def one(made, start=T0 + 100.0, length=300.0, usual=np.nan, clock=UTC):
    return exposure_guiding(made, clock, [start], [start + length], usual)[0]


def with_ra(made, ra, dec=None):
    return replace(made, ra=ra, dec=np.zeros(len(ra)) if dec is None else dec)


def test_a_sine_has_rms_amplitude_over_root_two_and_its_period():
    """Variance A^2/2 of whole cycles (published checks, section 3, derived and simulated)."""
    made = record(700.0)
    found = one(with_ra(made, 1.5 * np.sin(2 * np.pi * (made.time - T0) / 60.0)))
    assert found.rms_ra == pytest.approx(1.5 / 2**0.5, rel=0.01)
    assert found.moments[0] == pytest.approx(1.125, rel=0.02)
    assert found.period_s == pytest.approx(60.0, rel=0.01)
    assert found.amplitude == pytest.approx(1.5, rel=0.02)
    assert found.false_alarm < 1e-6
    assert found.peak == pytest.approx(1.5, rel=0.01)


def test_a_drift_of_length_l_has_variance_l_squared_over_twelve():
    """L^2/12 for L = 3 is 0.75 (published checks, section 3)."""
    made = record(700.0)
    found = one(with_ra(made, np.zeros(len(made)), 0.01 * (made.time - T0 - 250.0)))
    assert found.moments[1] == pytest.approx(0.75, rel=0.02)
    assert found.drift_dec == pytest.approx(0.6, rel=1e-6)
    assert found.drift_ra == pytest.approx(0.0, abs=1e-9)


def test_an_offset_counts_about_the_lock_and_not_about_the_mean():
    made = record(700.0)
    found = one(with_ra(made, np.full(len(made), 0.7)))
    assert found.rms_ra == pytest.approx(0.0, abs=1e-9)
    assert found.off_ra == pytest.approx(0.7)


@pytest.mark.parametrize("keep", [-0.5, 0.0, 0.6])
def test_lag_one_of_a_first_order_autoregression(keep):
    """AR(1): the autocorrelation at lag one is the coefficient (textbook)."""
    made = record(8000.0)
    rng = np.random.default_rng(3)
    ra = np.zeros(len(made))
    for k in range(1, len(ra)):
        ra[k] = keep * ra[k - 1] + rng.standard_normal()
    found = one(with_ra(made, ra), length=7800.0)
    assert found.lag1_ra == pytest.approx(keep, abs=3.0 / len(ra) ** 0.5)


def test_covariance_agrees_with_numpy():
    made = record(700.0)
    found = one(made)
    inside = (made.time >= T0 + 100.0) & (made.time <= T0 + 400.0)
    expected = np.cov(made.ra[inside], made.dec[inside], bias=True)
    assert found.moments == pytest.approx((expected[0, 0], expected[1, 1], expected[0, 1]))
    assert found.samples == inside.sum()


@pytest.mark.parametrize("period", [4.4, 7.3, 41.0, 130.0])
def test_the_period_is_the_one_of_the_full_periodogram(period):
    rng = np.random.default_rng(int(period * 10))
    time = np.cumsum(rng.uniform(1.8, 2.2, 120))
    value = np.sin(2 * np.pi * time / period + 1.0) + 0.3 * rng.standard_normal(120)
    found = dominant_period(time, value, 2.0)
    length = time[-1] - time[0]
    frequency = np.linspace(1.0 / length, 0.25, 4000)
    power = LombScargle(time, value).power(frequency, method="slow")
    assert 1.0 / found["period_s"] == pytest.approx(frequency[np.argmax(power)], abs=0.15 / length)
    assert found["amplitude"] == pytest.approx(1.0, abs=0.15)


def test_noise_has_no_period():
    quiet = [
        "period_s" in dominant_period(t, np.random.default_rng(s).standard_normal(len(t)), 2.0)
        for s in range(40)
        for t in [np.arange(100) * 2.0]
    ]
    assert sum(quiet) <= 1


def test_a_slope_is_not_moved_by_a_knock():
    time = np.arange(100.0)
    value = 0.02 * time
    value[40:45] += 8.0
    assert robust_slope(time, value) == pytest.approx(0.02, abs=0.004)


def test_overshoot_of_white_noise_and_of_a_swing():
    """White noise: half change sign, of these 1 - (2/pi) atan(1/2) exceed half the former."""
    rng = np.random.default_rng(4)
    noise = rng.standard_normal(20000)
    near = np.ones(len(noise) - 1, bool)
    chance = 0.5 * (1.0 - 2.0 / np.pi * np.arctan(0.5))
    assert overshoot(noise, np.ones(len(noise)), near) == pytest.approx(chance, abs=0.01)
    swing = np.resize([1.0, -1.0], 40)
    assert overshoot(swing, -swing, near[:39]) == 1.0
    assert overshoot(np.linspace(1.0, 2.0, 40), -np.ones(40), near[:39]) == 0.0


def test_one_sided_pulses():
    made = record(700.0)
    pulses = np.where(np.arange(len(made)) % 10 == 0, -50.0, 80.0)
    found = one(replace(made, ra_pulse_ms=pulses))
    assert found.one_sided_ra == pytest.approx(0.9, abs=0.01)
    assert np.isnan(found.one_sided_dec)


def test_a_knock_is_timed_sized_and_settles():
    made = record(700.0)
    after = made.time - (T0 + 250.0)
    ring = np.where(after >= 0, 8.0 * np.exp(-after / 6.0) * np.cos(2 * np.pi * after / 9.0), 0.0)
    found = one(replace(made, ra=made.ra + ring))
    assert found.gusts == 1
    assert found.gust_time == pytest.approx(150.0, abs=2.5)
    assert found.gust_size == pytest.approx(8.0, abs=1.2)
    assert 6.0 <= found.gust_settle_s <= 22.0


def test_an_axis_knocked_all_night_is_not_its_own_yardstick():
    """Knocks every 40 s make the usual scatter of declination large; the calm axis counts."""
    made = record(2000.0)
    since = (made.time - T0) % 40.0
    knocked = np.where(
        since < 20.0, 6.0 * np.exp(-since / 6.0) * np.cos(2 * np.pi * since / 9.0), 0
    )
    assert one(replace(made, dec=made.dec + knocked)).gusts >= 4


def test_neither_noise_nor_creep_nor_a_dither_is_a_knock():
    made = record(2000.0)
    assert one(made, length=1800.0).gusts == 0
    creep = replace(made, dec=made.dec + 0.03 * (made.time - T0))
    assert one(creep).gusts == 0
    after = made.time - (T0 + 250.0)
    step = np.where(after >= 0, 6.0 * np.exp(-after / 3.0), 0.0)
    events = (GuideEvent(T0 + 249.0, "dither", ""), GuideEvent(T0 + 262.0, "settle_end", ""))
    known = one(replace(made, ra=made.ra + step, events=events))
    assert known.gusts == 0
    assert known.settle_overlap_s == pytest.approx(13.0)
    assert one(replace(made, ra=made.ra + step)).gusts == 1


def test_a_knock_after_the_star_came_home_is_not_the_dithers():
    made = record(700.0)
    error = 0.05 * np.random.default_rng(4).standard_normal(len(made))
    after = made.time - (T0 + 96.0)
    error = error + np.where(after >= 0, 4.0 * np.exp(-np.maximum(after, 0.0) / 4.0), 0.0)
    knock = made.time - (T0 + 250.0)
    error = error + np.where(knock >= 0, 6.0 * np.exp(-np.maximum(knock, 0.0) / 5.0), 0.0)
    events = (GuideEvent(T0 + 96.0, "dither", ""), GuideEvent(T0 + 390.0, "settle_end", ""))
    made = replace(with_ra(made, error), events=events)
    found = one(made)
    assert found.settle_overlap_s == pytest.approx(290.0)
    assert found.unsettled_peak < 2.5
    assert found.gusts == 1
    assert found.gust_size == pytest.approx(6.0, rel=0.05)
    calm = one(replace(made, events=()))
    assert np.isnan(calm.unsettled_peak)


def test_a_dither_before_the_exposure_counts_only_where_it_reaches_in():
    made = replace(
        record(700.0),
        events=(GuideEvent(T0 + 90.0, "dither", ""), GuideEvent(T0 + 107.0, "settle_end", "")),
    )
    assert one(made).settle_overlap_s == pytest.approx(7.0)


def test_a_dither_without_its_end_lasts_until_the_star_is_back():
    made = record(700.0)
    after = made.time - (T0 + 250.0)
    ra = made.ra + np.where(after >= 0, 9.0 * np.exp(-after / 6.0), 0.0)
    made = replace(made, ra=ra, events=(GuideEvent(T0 + 250.0, "dither", ""),))
    ((begin, stop),) = settling_intervals(made)
    assert begin == T0 + 250.0
    assert 6.0 < stop - begin < 24.0


def test_lost_time_gaps_and_coverage():
    made = record(700.0)
    lost = (made.time >= T0 + 200.0) & (made.time < T0 + 230.0)
    blind = replace(made, good=~lost, ra=np.where(lost, np.nan, made.ra))
    found = one(blind)
    assert found.lost_s == pytest.approx(30.0, abs=2.1)
    assert found.longest_gap_s == pytest.approx(32.0, abs=0.1)
    assert found.coverage == pytest.approx(1.0 - 32.0 / 300.0, abs=0.01)
    assert one(made).coverage == pytest.approx(1.0)
    assert one(made).lost_s == 0.0


def test_rows_left_out_after_a_lost_star_count_as_lost():
    made = record(700.0)
    keep = (made.time < T0 + 200.0) | (made.time >= T0 + 240.0)
    arrays = {
        name: getattr(made, name)[keep]
        for name in ("time", "ra", "dec", "ra_pulse_ms", "dec_pulse_ms", "brightness", "snr")
    }
    short = replace(
        made,
        good=made.good[keep],
        section=made.section[keep],
        events=(GuideEvent(T0 + 200.0, "star_missing", ""),),
        **arrays,
    )
    assert one(short).lost_s == pytest.approx(38.0)


def test_brightness_drop_ignores_a_single_sample():
    made = record(700.0)
    light = np.full(len(made), 1000.0)
    light[100] = 10.0
    assert one(replace(made, brightness=light), usual=1000.0).star_drop == 1.0
    light[120:130] = 400.0
    assert one(replace(made, brightness=light), usual=1000.0).star_drop == pytest.approx(0.4)
    assert np.isnan(one(made, usual=1000.0).star_drop)


def test_exposures_beside_the_record_or_untimed_have_none():
    made = record(700.0)
    start = np.array([T0 - 500.0, np.nan, T0 + 690.0, T0 + 100.0])
    found = exposure_guiding(made, UTC, start, start + 100.0, np.nan)
    assert found[0] is None
    assert found[1] is None
    assert 0.0 < found[2].coverage < 0.15
    assert found[3].coverage == pytest.approx(1.0)
    nowhere = replace(UTC, add_s=np.nan)
    assert exposure_guiding(made, nowhere, start, start + 100.0, np.nan) == (None,) * 4


def test_the_clock_moves_the_record():
    made = record(700.0)
    ra = np.where(made.time < T0 + 350.0, 0.0, 5.0)
    late = one(with_ra(made, ra), clock=replace(UTC, add_s=-200.0), length=100.0)
    assert late.off_ra > 3.0
    assert one(with_ra(made, ra), length=100.0).off_ra == 0.0


def test_calm_rms_of_white_noise_and_beside_bad_stretches():
    made = record(8000.0)
    assert calm_rms(made) == pytest.approx((0.3, 0.3), rel=0.06)
    bad = made.ra * np.where(made.time - T0 < 3000.0, 6.0, 1.0)
    assert calm_rms(replace(made, ra=bad))[0] == pytest.approx(0.3, rel=0.12)


def test_overlaps_of_intervals():
    spans = merged([(10.0, 20.0), (15.0, 30.0), (50.0, 60.0)])
    assert spans.tolist() == [[10.0, 30.0], [50.0, 60.0]]
    start, end = np.array([0.0, 25.0, 31.0, 12.0]), np.array([100.0, 55.0, 49.0, 14.0])
    assert overlap(spans, start, end).tolist() == [30.0, 10.0, 0.0, 2.0]
