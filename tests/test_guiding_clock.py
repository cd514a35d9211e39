"""The record's clock: found where the night tells, called undecided where it does not."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from subgrade.guiding.clock_fit import fit_clock
from subgrade.guiding.join import local_hours
from subgrade.practice import random_scenario
from subgrade.record.model import GuideEvent, GuideRecord
from tests.benchmarks.guiding import bare_night, ovalness, shifted, trial

T0 = 1_900_000_000.0


def record(length: float, cadence: float = 2.0, start: float = T0, events=()) -> GuideRecord:
    """A calm record of seeded noise on a UTC clock."""
    rng = np.random.default_rng(5)
    time = start + np.arange(0.0, length, cadence)
    n = len(time)
    error = 0.3 * rng.standard_normal((2, n))
    empty = np.full(n, np.nan)
    return GuideRecord(
        "made",
        "utc",
        time,
        *error,
        empty,
        empty,
        empty,
        empty,
        good=np.ones(n, bool),
        section=np.zeros(n, int),
        sections=((float(time[0]), float(time[-1])),),
        events=tuple(GuideEvent(t, kind, "") for t, kind in events),
        columns=(),
    )


def regular(count: int, exposure: float = 100.0, gap: float = 20.0, start: float = T0 + 60.0):
    begin = start + np.arange(count) * (exposure + gap)
    return begin, begin + exposure


def dithered(start, end):
    """Dithers 2.5 s after each exposure, seen by a 2 s cadence, settled 8 s later."""
    return [e for t in end[:-1] for e in ((t + 4.5, "dither"), (t + 12.5, "settle_end"))]


@pytest.mark.parametrize("seed", range(7100, 7110))
def test_random_nights_find_their_zone_and_seconds(seed):
    found = trial(seed, part=False, random_lag=True)
    assert found.right
    assert found.decided
    assert abs(found.residual) < 6.0


@pytest.mark.parametrize("seed", [7120, 7121, 7122])
def test_a_record_that_counts_from_its_start_is_laid_within_seconds(seed):
    found = trial(seed, part=False, random_lag=False, clock="relative")
    assert found.decided
    assert abs(found.residual) < 6.0


@pytest.mark.parametrize("zone", [-9.5, 5.75, 12.75, 0.0, -12.0])
def test_odd_zones_and_skew(zone):
    start, end = regular(20)
    ahead = 3600.0 * zone + 17.0
    made = shifted(record(2600.0, events=dithered(start, end)), ahead, "unknown")
    fit = fit_clock(made, start, end)
    assert fit.zone_hours == zone
    assert fit.add_s == pytest.approx(-ahead, abs=2.0)
    assert fit.add_s == pytest.approx(-(3600.0 * fit.zone_hours + fit.skew_s))
    assert fit.decided
    assert fit.confidence > 0.9


def test_a_utc_record_is_never_given_a_zone():
    start, end = regular(20)
    made = shifted(record(2600.0, events=dithered(start, end)), -11.0, "utc")
    fit = fit_clock(made, start, end)
    assert fit.zone_hours == 0.0
    assert fit.skew_s == pytest.approx(-11.0, abs=2.0)


def test_the_users_zone_decides_even_against_the_night():
    start, end = regular(20)
    made = shifted(record(4 * 3600.0, start=T0 - 5000.0), 3600.0, "unknown")
    assert fit_clock(made, start, end, utc_offset=2.0).zone_hours == 2.0


def test_a_long_featureless_record_is_not_decided_and_names_rivals():
    start, end = regular(10)
    made = shifted(record(6 * 3600.0, start=T0 - 3 * 3600.0), 3600.0, "unknown")
    fit = fit_clock(made, start, end)
    assert not fit.decided
    assert fit.rivals
    assert "fits nearly as well" in fit.how
    assert fit.confidence < 0.5


def test_restless_stretches_meet_the_oval_frames():
    """With nothing but unrest to go by the hour is found."""
    start, end = regular(20)
    made = record(6 * 3600.0, start=T0 - 3 * 3600.0)
    oval = np.random.default_rng(8).uniform(0.1, 3.0, 20)
    ra = made.ra.copy()
    for a, b, size in zip(start, end, oval, strict=True):
        ra[(made.time >= a) & (made.time < b)] *= 1.0 + 2.0 * size
    made = shifted(replace(made, ra=ra), 7200.0, "unknown")
    with_shape = fit_clock(made, start, end, oval)
    assert with_shape.zone_hours == 2.0
    assert with_shape.decided
    assert not fit_clock(made, start, end).decided


def test_short_exposures_that_can_slip_by_one_are_not_decided():
    start, end = regular(60, exposure=20.0, gap=10.0)
    made = record(3 * 3600.0, start=T0 - 3600.0, events=dithered(start, end))
    made = shifted(made, 0.0, "unknown")
    fit = fit_clock(made, start[5:-5], end[5:-5], utc_offset=0.0)
    assert not fit.decided
    assert any(abs(hours) * 3600.0 == pytest.approx(30.0, abs=3.0) for hours, _ in fit.rivals)


def test_a_stated_utc_is_believed_before_a_slip_of_one_exposure():
    start, end = regular(60, exposure=20.0, gap=10.0)
    made = record(3 * 3600.0, start=T0 - 3600.0, events=dithered(start, end))
    fit = fit_clock(shifted(made, 0.0, "utc"), start[5:-5], end[5:-5])
    assert fit.decided
    assert abs(fit.skew_s) < 3.0


def test_seconds_between_two_exposures_leave_a_stated_clock_in_use():
    """Half a cycle off either way fits alike: the seconds are unsure, the record is used."""
    start, end = regular(60, exposure=20.0, gap=10.0)
    made = record(3 * 3600.0, start=T0 - 3600.0, events=dithered(start, end))
    fit = fit_clock(shifted(made, 15.0, "utc"), start[5:-5], end[5:-5])
    assert fit.decided
    assert fit.zone_hours == 0.0
    assert fit.skew_error_s > 5.0
    assert " or " in fit.how


def test_frames_tell_the_zone_of_the_computer():
    def frame(begin, local):
        return SimpleNamespace(facts=SimpleNamespace(start_unix=begin, start_local=local))

    # 1_929_148_756 is 2031-02-18T02:39:16Z (date -u -d @1929148756).
    ahead = frame(1_929_148_756.0, "2031-02-18T08:09:16.250")
    behind = frame(1_929_148_756.0, "2031-02-17T19:39:15")
    assert local_hours([ahead, frame(None, "2031-02-18T08:09:16"), ahead]) == 5.5
    assert local_hours([behind]) == -7.0
    for unclear in ([ahead, behind], [frame(1_929_148_756.0, None)], [frame(1.0, "at night")], []):
        assert np.isnan(local_hours(unclear))


@pytest.mark.parametrize("seed", range(7300, 7308))
def test_without_dithers_a_stated_utc_is_left_within_its_error(seed):
    """Common practice, no source: a clock set by network is right within a second."""
    scenario = random_scenario(seed, frames=24)
    scenario = replace(scenario, plan=replace(scenario.plan, dither_every=0))
    night = bare_night(scenario)
    oval = ovalness(night, np.random.default_rng(seed))
    fit = fit_clock(shifted(night.record, 0.0, "utc"), night.start, night.end, oval)
    assert abs(fit.skew_s) < max(4.0, 1.5 * fit.skew_error_s)
    assert abs(fit.skew_s) < 20.0


def test_the_one_dither_of_a_night_does_not_move_the_clock():
    """It fell inside an exposure and spoilt it; it is no proof that the clock is off."""
    start, end = regular(20)
    middle = 0.5 * (start[7] + end[7])
    events = [(middle, "dither"), (middle + 8.0, "settle_end")]
    fit = fit_clock(shifted(record(2600.0, events=events), 0.0, "utc"), start, end)
    assert abs(fit.skew_s) < 3.0
    assert "no dither" in fit.how


def test_a_clock_without_a_date_is_brought_to_the_night():
    start, end = regular(20)
    made = record(2600.0, events=dithered(start, end))
    days = np.floor(T0 / 86400.0) * 86400.0
    undated = replace(shifted(made, 3600.0 - days, "unknown"), dated=False)
    fit = fit_clock(undated, start, end)
    assert fit.add_s == pytest.approx(days - 3600.0, abs=2.0)


def test_another_nights_record_is_laid_nowhere():
    start, end = regular(20)
    fit = fit_clock(shifted(record(2600.0), 5 * 86400.0, "unknown"), start, end)
    assert np.isnan(fit.add_s)
    assert not fit.decided
    assert fit.confidence == 0.0


def test_untimed_exposures_are_left_out():
    start, end = regular(20)
    made = record(2600.0, events=dithered(start, end))
    start[3], end[7] = np.nan, np.nan
    assert fit_clock(made, start, end).skew_s == pytest.approx(0.0, abs=2.0)
    nothing = fit_clock(made, [np.nan], [np.nan])
    assert np.isnan(nothing.add_s)


def test_dithers_that_are_not_remarked_are_seen_as_jumps():
    start, end = regular(20)
    made = record(2600.0)
    ra = made.ra.copy()
    for t in end[:-1]:
        k = np.searchsorted(made.time, t + 4.5)
        ra[k : k + 4] += np.array([5.0, 3.0, 1.5, 0.5])
    made = shifted(replace(made, ra=ra), 3600.0 + 12.0, "unknown")
    fit = fit_clock(made, start, end)
    assert fit.zone_hours == 1.0
    assert fit.skew_s == pytest.approx(12.0, abs=3.0)


def test_without_dithers_the_seconds_are_called_uncertain():
    start, end = regular(20)
    fit = fit_clock(shifted(record(2600.0), 3600.0, "unknown"), start, end)
    assert "no dither" in fit.how
    assert fit.skew_error_s > 5.0


def test_the_truth_of_the_practice_night_is_not_known_to_the_fit():
    """The same night on two clocks gives answers that differ by just that much."""
    night = bare_night(random_scenario(7200, frames=12))
    oval = ovalness(night, np.random.default_rng(1))
    first = fit_clock(shifted(night.record, 0.0, "unknown"), night.start, night.end, oval)
    second = fit_clock(shifted(night.record, 5400.0, "unknown"), night.start, night.end, oval)
    assert first.add_s - second.add_s == pytest.approx(5400.0, abs=0.01)
