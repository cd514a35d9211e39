"""Record and frames compared: clocks found, strangers refused, scales learnt.

The nights are made here from a path in closed form: the covariance of the path drawn out as the
frames' elongation, its mean as their place, both turned by the camera's angle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from subgrade.guiding.alignment import lag_evidence, score_at
from subgrade.guiding.clock_fit import fit_clock
from subgrade.guiding.leaps import leaps
from subgrade.guiding.likeness import any_scale, likeness, scale_found, track, turn_found
from subgrade.guiding.model import ClockFit
from subgrade.guiding.scale import in_arcsec
from subgrade.guiding.seen import NightSeen
from subgrade.record.model import GuideEvent
from tests.benchmarks.guiding import shifted
from tests.test_guiding_clock import T0, record, regular

FRAMES, EXPOSURE, GAP = 14, 90.0, 20.0


@dataclass(frozen=True)
class Made:
    """A night's exposures, what they show, and its record on UTC."""

    start: np.ndarray
    end: np.ndarray
    seen: NightSeen
    record: object


def made_night(
    seed: int,
    dither: float = 4.0,
    remarks: bool = True,
    gusts: float = 1.0,
    angle_deg: float = 35.0,
    mirrored: bool = False,
    exposure: float = EXPOSURE,
) -> Made:
    """Gusts of other sizes and directions in every frame, and a dither after each second one."""
    rng = np.random.default_rng(seed)
    count = round(FRAMES * (EXPOSURE + GAP) / (exposure + GAP))
    start, end = regular(count, exposure, GAP)
    time = np.arange(T0, end[-1] + 30.0)
    path = np.zeros(len(time), complex)
    for a, b in zip(start, end, strict=True):
        inside = (time >= a) & (time < b)
        way = np.exp(1j * rng.uniform(0, np.pi)) * gusts * rng.exponential(1.0)
        path[inside] += way * np.sin(2 * np.pi * (time[inside] - a) / rng.uniform(7.0, 30.0))
    error, events = path.copy(), []
    for b in end[1:-1:2] if dither else ():
        step = dither * complex(*rng.uniform(-1, 1, 2))
        after = time >= b + 4.0
        left = np.exp(-(time[after] - b - 4.0) / 3.0)
        # The reference moves by the step, and the star is pulled after it.
        error[after] -= step * left
        path[after] += step * (1.0 - left)
        events.append(GuideEvent(b + 4.0, "dither", "Dither"))
    use = slice(None, None, 2)
    kept = record(2.0 * len(time[use]), 2.0)
    noise = 0.25 * (rng.standard_normal(len(time[use])) + 1j * rng.standard_normal(len(time[use])))
    kept = replace(
        kept,
        time=time[use],
        ra=(error[use] + noise).real,
        dec=(error[use] + noise).imag,
        events=tuple(events) if remarks else (),
    )
    image = np.conj(path) if mirrored else path
    image = image * np.exp(1j * np.radians(angle_deg))
    oval, place = [], []
    for a, b in zip(start, end, strict=True):
        part = image[(time >= a) & (time < b)]
        oval.append(np.mean((part - part.mean()) ** 2))
        place.append(-part.mean())
    oval = np.array(oval) + 0.05 * (rng.standard_normal(count) + 1j * rng.standard_normal(count))
    oval -= np.median(oval.real) + 1j * np.median(oval.imag)
    place = np.array(place) + 0.05 * rng.standard_normal(count)
    one, part = np.ones(count), np.zeros(count, int)
    flags = np.zeros(count, bool)
    seen = NightSeen(oval, 0.07 * one, place, 0.07 * one, part, flags, ~flags)
    return Made(start, end, seen, kept)


def fit(night: Made, made, **more) -> ClockFit:
    return fit_clock(made, night.start, night.end, seen=night.seen, **more)


@pytest.mark.parametrize("mirrored", [False, True])
def test_frames_fit_the_record_at_its_own_time_and_nowhere_else(mirrored):
    night = made_night(1, mirrored=mirrored)
    offsets = np.array([0.0, -110.0, 110.0, 220.0, -330.0])
    found = likeness(track(night.record), night.seen, night.start, night.end, offsets)
    assert found.both[0] > 25.0
    assert found.both[0] > found.both[1:].max() + 20.0
    assert min(found.oval[0], found.shift[0]) > 5.0
    assert found.frames == FRAMES
    assert found.covered[0] == FRAMES


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_elapsed_seconds_are_laid_by_what_the_frames_show(seed):
    """Dithers fall alike after every second exposure: the frames tell which."""
    night = made_night(seed)
    found = fit(night, shifted(night.record, 12345.0, "relative"))
    assert found.decided
    assert found.add_s == pytest.approx(-12345.0, abs=5.0)


def test_a_night_of_wind_without_a_dither_is_joined():
    night = made_night(4, dither=0.0, gusts=2.0)
    found = fit(night, shifted(night.record, 3600.0 * 5.5 + 3.0, "unknown"))
    assert found.decided
    assert found.zone_hours == 5.5
    assert abs(found.skew_s - 3.0) < 5.0


@pytest.mark.parametrize("hours", [2.0, -7.0, 5.75])
def test_a_camera_on_local_time_is_told_from_a_record_on_utc(hours):
    night = made_night(5)
    ahead = 3600.0 * hours
    found = fit_clock(night.record, night.start + ahead, night.end + ahead, seen=night.seen)
    assert found.decided
    assert found.camera_hours == hours
    assert found.add_s == pytest.approx(ahead, abs=5.0)
    assert "local time" in found.how


def test_a_stated_clock_is_used_at_its_word_on_a_night_that_shows_nothing():
    night = made_night(6, dither=0.0, gusts=0.0)
    found = fit(night, night.record)
    assert found.decided
    assert (found.zone_hours, found.camera_hours) == (0.0, 0.0)
    assert "at the word" in found.by_word
    few = night.seen.taken(np.arange(3))
    assert fit_clock(night.record, night.start[:3], night.end[:3], seen=few).decided


def test_a_quiet_record_may_be_in_the_zone_of_the_frames_own_local_times():
    night = made_night(6, dither=0.0, gusts=0.0)
    local = shifted(night.record, 2 * 3600.0, "unknown")
    assert not np.isfinite(fit(night, local).add_s)  # nothing shows whose it is
    found = fit(night, local, local_hours=2.0)
    assert found.decided
    assert found.zone_hours == 2.0
    assert "2 h ahead of UTC" in found.by_word
    assert not np.isfinite(fit(night, local, local_hours=-5.0).add_s)


def test_short_knocks_far_from_home_are_no_sign_of_another_mount():
    """A blow throws a tenth of the light so far that moments weighed by the star miss it:
    exp(-d^2 / 4 sigma^2) is 1e-26 for 20 arcsec and sigma 1.3."""
    night = made_night(9, dither=0.0)
    knocked = night.record.ra.copy()
    for k, a in enumerate(night.start[::2]):
        for at in (15.0, 45.0, 70.0):
            blow = (night.record.time >= a + at + k) & (night.record.time < a + at + k + 3.0)
            knocked[blow] += 20.0 * (-1) ** k
    made = replace(night.record, ra=knocked)
    gain = likeness(track(made), night.seen, night.start, night.end, [0.0]).oval[0]
    assert gain > 10.0


def test_frames_at_rest_are_told_where_half_of_the_recorded_ones_moved():
    """Five frames swing, as their stars show (variance a^2 / 2 of a sine), four are knocked far;
    the median of the nine and five at rest is none at rest."""
    night = made_night(9, dither=0.0, gusts=0.0)
    time, error = night.record.time, night.record.ra.copy()
    oval = np.zeros(FRAMES, complex)
    for k in range(9):
        inside = (time >= night.start[k]) & (time < night.end[k])
        if k < 5:
            error[inside] += 4.0 * np.sin(0.9 * time[inside])
            oval[k] = 8.0 * np.exp(1j)
        else:
            error[inside & ((time - night.start[k]) % 30.0 < 4.0)] += 20.0
    made = track(replace(night.record, ra=error))
    seen = replace(night.seen, oval=oval)
    assert likeness(made, seen, night.start, night.end, [0.0]).oval[0] > 10.0


@pytest.mark.parametrize(("angle", "mirrored"), [(35.0, False), (142.0, True)])
def test_dithers_show_the_cameras_turn_where_shapes_do_not(angle, mirrored):
    night = made_night(10, gusts=0.0, angle_deg=angle, mirrored=mirrored)
    found, error, lead = turn_found(track(night.record), night.seen, night.start, night.end, 0.0)
    off = (found - angle + 90.0) % 180.0 - 90.0
    assert abs(off) < 3.0 * error < 30.0
    assert lead * (-1 if mirrored else 1) > 3.0


def test_a_night_without_motion_shows_no_turn():
    night = made_night(11, dither=0.0, gusts=0.0)
    found = turn_found(track(night.record), night.seen, night.start, night.end, 0.0)
    assert np.isnan(found[0])


@pytest.mark.parametrize("clock", ["utc", "unknown", "relative"])
def test_another_mounts_record_is_refused_whatever_its_clock(clock):
    joined = 0
    for seed in range(10, 20):
        night, other = made_night(seed), made_night(seed + 100, exposure=74.0)
        found = fit(night, shifted(other.record, 0.0, clock))
        joined += bool(np.isfinite(found.add_s) and found.decided)
    assert joined <= 1


def test_a_refusal_names_what_to_do():
    night, other = made_night(1), made_night(2, exposure=74.0)
    found = fit(night, other.record)
    assert not found.decided
    assert np.isnan(found.add_s)
    assert found.in_common < -1.0
    assert "--guide-utc-offset HOURS" in found.how
    # the user's word goes before
    assert fit(night, other.record, utc_offset=0.0).add_s == pytest.approx(0.0, abs=10.0)


def test_steady_flexure_is_not_called_another_mounts():
    """All frames drawn out alike along one way, which no guide star shows; dithers fit."""
    night = made_night(7, gusts=0.0)
    rng = np.random.default_rng(1)
    drawn = 3.0 * np.exp(1j * 0.4) * (1.0 + 0.1 * rng.standard_normal(FRAMES))
    drift = -np.sqrt(12.0 * 3.0) * np.exp(0.2j) * np.arange(FRAMES) * 1.2
    seen = replace(night.seen, oval=drawn - np.median(drawn), place=night.seen.place + drift)
    found = fit_clock(night.record, night.start, night.end, seen=seen)
    assert found.decided
    assert found.zone_hours == 0.0
    still = made_night(8, gusts=0.0, dither=0.0)
    seen = replace(still.seen, oval=drawn - np.median(drawn), place=still.seen.place + drift)
    assert fit_clock(still.record, still.start, still.end, seen=seen).decided


def test_dithers_all_badly_timed_are_one_coincidence():
    """All dithers 40 s into an exposure: being right for the gap elsewhere is one coincidence,
    and the record is not moved there against what the frames show."""
    start, end = regular(FRAMES, EXPOSURE, GAP)
    events = [(t + 40.0, "dither") for t in start[1:]]
    grid, count = lag_evidence(record(FRAMES * 112.0, events=events), start, end)
    assert count == FRAMES - 1
    here, there = score_at(grid, np.array([0.0, -55.0]), "timing")
    assert there > here
    assert there - here < 10.0  # log of cycle over moment and of 997 to 3: 2.9 + 5.8, derived


def test_leaps_are_taken_at_remarks_and_out_of_quiet():
    made = record(400.0)
    time = made.time
    error = made.ra + 1j * made.dec
    error[time >= T0 + 100.0] += 6.0
    error[time >= T0 + 110.0] -= 6.0
    error[time >= T0 + 300.0] += 6.0
    remarked, unremarked, usual = leaps(
        replace(made, events=(GuideEvent(T0 + 101.0, "dither", ""),)), time, error
    )
    assert list(time[1:][remarked] - T0) == [100.0]
    assert list(time[1:][unremarked] - T0) == [300.0]
    # Median step of two axes of white noise: sqrt(2 ln 2) sqrt 2 sigma (Rayleigh, textbook).
    assert usual == pytest.approx(0.3 * np.sqrt(2.0 * np.log(2.0)) * 2**0.5, rel=0.15)


@pytest.mark.parametrize(
    "scale", [0.8, *(pytest.param(s, marks=pytest.mark.slow) for s in (2.3, 5.5))]
)
def test_the_size_of_a_guide_pixel_is_learnt_from_dithers(scale):
    night = made_night(9, dither=12.0)
    pixels = replace(
        night.record, ra=night.record.ra / scale, dec=night.record.dec / scale, unscaled=True
    )
    found, error = scale_found(track(pixels), night.seen, night.start, night.end, 0.0)
    assert error < 0.12 * found
    assert found == pytest.approx(scale, abs=3.0 * error)
    clock = fit(night, pixels)
    assert clock.decided
    there, clock, note = in_arcsec(pixels, clock, night.seen, night.start, night.end)
    assert clock.decided
    assert np.nanstd(there.ra) == pytest.approx(np.nanstd(night.record.ra), rel=0.2)
    assert "arcsec per pixel, found from" in note
    assert "--guide-scale ARCSEC" in note


def test_a_scale_that_the_frames_do_not_show_is_asked_for():
    night = made_night(9, dither=0.0)
    pixels = replace(night.record, unscaled=True)
    _, clock, _ = in_arcsec(
        pixels, ClockFit(0.0, 0.0, 0.0, 1.0, True, ""), night.seen, night.start, night.end
    )
    assert not clock.decided
    assert "--guide-scale ARCSEC" in clock.how


def test_an_unknown_scale_costs_little_evidence():
    """An average over 15 ratios loses at most their logarithm where one of them fits."""
    night = made_night(3, dither=12.0)
    known = likeness(track(night.record), night.seen, night.start, night.end, [0.0])
    averaged = any_scale(track(night.record), night.seen, night.start, night.end, [0.0])
    assert averaged.both[0] > known.both[0] - np.log(15.0) - 6.0
