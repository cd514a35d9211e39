"""Camera angle, predicted shapes, and what the record says of the mount over the night."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from subgrade.guiding import guide_night
from subgrade.guiding.join import joined_record, moved
from subgrade.guiding.over_night import (
    POLAR_RATE,
    Unguided,
    backlash,
    dec_drift,
    guide_exposure,
    hour_angles,
    polar_misalignment,
    pulse_rate,
    unguided,
    usual_drift,
    worm,
)
from subgrade.guiding.predict import (
    angle_from_elongations,
    angle_from_solutions,
    rotated_moments,
)
from subgrade.practice import random_scenario
from subgrade.practice.geometry import pixels_per_arcsec
from tests.benchmarks.guiding import bare_night, night_of, shifted
from tests.test_guiding_clock import T0, record


def axes_of(angle: float, hand: int, scale: float = 1.5):
    """`HeaderFacts.sky_axes` of a camera whose east lies at an angle."""
    t = np.radians(angle)
    image = np.array([[np.cos(t), -hand * np.sin(t)], [np.sin(t), hand * np.cos(t)]]) / scale
    return tuple(map(tuple, np.linalg.inv(image)))


def elongation(moments):
    return complex(moments[0] - moments[1], 2.0 * moments[2])


@pytest.mark.parametrize("hand", [1, -1])
@pytest.mark.parametrize("angle", [3.0, 75.0, 140.0, 260.0, 355.0])
def test_solutions_give_angle_and_hand(angle, hand):
    # The last frame was taken after a flip.
    found = angle_from_solutions([None, *[axes_of(angle, hand)] * 4, axes_of(angle + 180, hand)])
    assert found.angle_deg == pytest.approx(angle)
    assert found.handedness == hand
    assert found.source == "wcs"


def test_rotated_moments_agree_with_rotated_points():
    rng = np.random.default_rng(2)
    points = rng.multivariate_normal([0, 0], [[2.0, 0.6], [0.6, 1.0]], 500).T
    sky = np.cov(points, bias=True)
    for hand in (1, -1):
        image = np.linalg.inv(np.array(axes_of(33.0, hand, 1.0))) @ points
        cov = np.cov(image, bias=True)
        found = rotated_moments((sky[0, 0], sky[1, 1], sky[0, 1]), 33.0, hand)
        assert found == pytest.approx((cov[0, 0], cov[1, 1], cov[0, 1]))


def made_elongations(angle, hand, seed, unseen=0):
    """Recorded and measured elongations of 20 frames; some moved unseen."""
    rng = np.random.default_rng(seed)
    shape, motion = [], []
    for _ in range(20):
        rr, dd = rng.gamma(0.7, 1.0, 2)
        moments = rr, dd, rng.uniform(-0.8, 0.8) * np.sqrt(rr * dd)
        motion.append(elongation(moments))
        shape.append(elongation(rotated_moments(moments, angle, hand)))
    shape = np.array(shape) + 0.1 * (rng.standard_normal(20) + 1j * rng.standard_normal(20))
    shape[:unseen] += 8.0 * np.exp(2j * np.pi * rng.random(unseen))
    return shape + 0.4 - 0.2j, np.array(motion), np.full(20, 0.1), np.zeros(20, int)


@pytest.mark.parametrize("hand", [1, -1])
@pytest.mark.parametrize("angle", [0.5, 47.0, 90.0, 179.5])
@pytest.mark.parametrize("unseen", [0, 3])
def test_the_night_gives_angle_and_hand(angle, hand, unseen):
    found = angle_from_elongations(*made_elongations(angle, hand, 31, unseen))
    off = (found.angle_deg - angle + 90.0) % 180.0 - 90.0
    assert abs(off) < 4.0 * max(found.error_deg, 1.0)
    assert found.handedness == hand
    assert found.source == "night"


def test_unrelated_shapes_give_no_angle():
    rng = np.random.default_rng(6)
    claimed = 0
    for _ in range(40):
        random = rng.standard_normal((4, 20))
        found = angle_from_elongations(
            random[0] + 1j * random[1],
            random[2] + 1j * random[3],
            np.full(20, 0.1),
            np.zeros(20, int),
        )
        claimed += found.source != "none"
    assert claimed <= 4


def test_motion_along_dec_alone_cannot_tell_the_hand():
    rng = np.random.default_rng(9)
    motion = -rng.gamma(0.7, 2.0, 20) + 0j
    shape = motion * np.exp(2j * np.radians(25.0)) + 0.05 * rng.standard_normal(20)
    found = angle_from_elongations(shape, motion, np.full(20, 0.1), np.zeros(20, int))
    assert found.handedness == 0
    assert found.angle_deg == pytest.approx(25.0, abs=5.0)


def practice(seed, frames=24, **changes):
    scenario = random_scenario(seed, frames=frames)
    for part, values in changes.items():
        scenario = replace(scenario, **{part: replace(getattr(scenario, part), **values)})
    bare = bare_night(scenario)
    return bare, night_of(bare, np.random.default_rng(seed))


@pytest.mark.parametrize("seed", [503, 506, 512, 515])
def test_practice_nights_give_the_camera_angle(seed):
    bare, night = practice(seed)
    found = guide_night(night, [shifted(bare.record, 3605.0, "unknown")])
    image = pixels_per_arcsec(bare.scenario.camera, 1.0)
    true = np.degrees(np.arctan2(image[1, 0], image[0, 0]))
    off = (found.camera_angle_deg - true + 90.0) % 180.0 - 90.0
    assert abs(off) < 3.0 * found.camera_angle_error_deg
    assert found.handedness == np.sign(np.linalg.det(image))
    assert found.worm_period_s == pytest.approx(bare.scenario.mount.worm_period_s, rel=0.02)


def test_predictions_leave_what_the_guider_did_not_see():
    bare, night = practice(506)  # flexure in some frames
    found = guide_night(night, [bare.record])
    causes = [{e.cause for e in bare.scenario.active(k + 1)} for k in range(len(night.frames))]
    left = np.array([2 * np.hypot(p.residual[0], p.residual[2]) for p in found.predictions])
    error = np.array([2 * p.error for p in found.predictions])
    flexed = np.array(["flexure" in c for c in causes])
    followed = np.array(["dec_drift" in c for c in causes])
    assert flexed.any()
    assert followed.any()
    assert (left[flexed] > 5 * error[flexed]).all()
    assert (left[followed] < 4 * error[followed]).all()
    seen = np.array([p.predicted[0] + p.predicted[1] for p in found.predictions])
    assert seen[followed].min() > 3 * np.median(seen[~followed])


def test_the_usual_drift_and_worm_come_back_with_the_corrections():
    bare, night = practice(508)
    found = guide_night(night, [bare.record])
    scenario = bare.scenario
    amplitude = scenario.mount.worm_arcsec * np.cos(np.radians(scenario.target.dec_deg))
    assert found.worm_amplitude == pytest.approx(amplitude, rel=0.15)
    # Without the corrections hardly anything of it is left.
    blind = replace(bare.record, ra_pulse_ms=np.full(len(bare.record), np.nan))
    left = guide_night(night, [blind]).worm_amplitude
    assert np.isnan(left) or left <= 0.5 * amplitude


def test_polar_misalignment_over_a_long_night():
    bare, night = practice(
        520,
        frames=70,
        plan={"exposure_s": 180.0, "gap_s": 20.0},
        mount={"pole_high_arcmin": 4.0, "pole_east_arcmin": -7.0, "dec_backlash_arcsec": 0.0},
        guider={"interval_s": 3.0},
    )
    found = guide_night(night, [bare.record])
    assert found.polar_arcmin == pytest.approx(np.hypot(4.0, 7.0), rel=0.12)
    assert not any("least that explains" in n for n in found.notes)


def test_published_drift_rates():
    """0.262516 arcsec/min per arcmin, and rows of the simulated table (section 4)."""
    assert pytest.approx(0.262515, abs=2e-6) == POLAR_RATE
    least = polar_misalignment(np.full(8, 0.57522), np.full(8, 0.01))
    assert least.bound
    assert least.arcmin == pytest.approx(0.57522 / 0.262516, rel=1e-4)
    # a = 3, e = -5 at several hour angles; the row h = 37 gives +0.57522.
    hours = np.array([-60.0, -30.0, 0.0, 20.0, 37.0, 60.0])
    h = np.radians(hours)
    drift = -0.262516 * (3.0 * np.sin(h) - 5.0 * np.cos(h))
    assert drift[4] == pytest.approx(0.57522, rel=2e-3)
    found = polar_misalignment(drift, np.full(6, 0.01), hours)
    assert not found.bound
    assert found.arcmin == pytest.approx(np.hypot(3.0, 5.0), rel=1e-3)


def test_hour_angle_agrees_with_astropy():
    from astropy.time import Time

    unix = np.array([1.7e9, 1.75e9])
    sidereal = Time(unix, format="unix", scale="utc")
    sidereal.delta_ut1_utc = 0.0
    expected = sidereal.sidereal_time("mean", longitude=10.0).deg - 172.5
    off = (hour_angles(unix, 10.0, 172.5) - expected + 180.0) % 360.0 - 180.0
    assert np.abs(off).max() < 0.01


def test_worm_of_a_plain_sine_and_none_of_noise():
    time = np.arange(0.0, 7200.0, 2.0)
    rng = np.random.default_rng(3)
    noise = 0.5 * rng.standard_normal(len(time))
    run = np.zeros(len(time), int)
    path = 4.0 * np.sin(2 * np.pi * time / 478.0) + 0.001 * time + noise
    period, amplitude = worm(Unguided(time, path, run, 0.0))
    assert period == pytest.approx(478.0, rel=0.01)
    assert amplitude == pytest.approx(4.0, rel=0.05)
    assert np.isnan(worm(Unguided(time, noise, run, 0.0))[0])
    # Two cycles are not enough to call it a worm.
    short = time < 900.0
    assert np.isnan(worm(Unguided(time[short], path[short], run[short], 0.0))[0])


def closed_loop(n, gain, noise, rate=0.0075, drift=0.0, play=0.0, seed=1, kicks=60, least=0.0):
    """A record of one simple loop on both axes, with a kick every ``kicks`` samples."""
    rng = np.random.default_rng(seed)
    made = record(2.0 * n)
    errors, pulses, place, slack = np.zeros((2, n)), np.zeros((2, n)), np.zeros(2), 0.0
    for k in range(n):
        if kicks and k and k % kicks == 0:
            place += rng.choice([-6.0, 6.0], 2)
        errors[:, k] = place + noise * rng.standard_normal(2)
        pulses[:, k] = np.clip(-gain * errors[:, k] / rate, -400.0, 400.0)
        pulses[np.abs(errors[:, k]) < least, k] = 0.0
        move = rate * pulses[:, k]
        position = slack + move[1]
        slack = min(max(position, 0.0), play)
        move[1] = position - slack
        place += move + np.array([0.0, 2.0 * drift / 60.0])
    return replace(made, ra=errors[0], dec=errors[1], ra_pulse_ms=pulses[0], dec_pulse_ms=pulses[1])


@pytest.mark.parametrize("rate", [0.0075, -0.012])
def test_the_rate_of_pulses_is_learnt_with_its_sign(rate):
    made = closed_loop(2000, 0.6, 0.2, rate=rate)
    assert pulse_rate(made.ra, made.ra_pulse_ms) == pytest.approx(rate, rel=0.1)


def test_drift_is_found_although_it_is_corrected():
    made = closed_loop(2000, 0.6, 0.2, drift=1.5)
    _, drift, error = dec_drift(unguided(made, "dec"))
    assert usual_drift(drift, error) == pytest.approx(1.5, rel=0.15)
    assert abs(60.0 * np.polyfit(made.time - T0, made.dec, 1)[0]) < 0.1


def test_a_rate_nobody_shows_is_assumed_and_said_so():
    made = closed_loop(2000, 0.6, 0.2, drift=1.5, kicks=0)
    track = unguided(made, "dec", 0.0075)
    assert track.assumed
    assert track.rate == pytest.approx(0.0075)
    assert not unguided(closed_loop(2000, 0.6, 0.2), "dec", 0.0075).assumed


def test_backlash_delays_the_answer():
    """9 arcsec of play at 3 arcsec a pulse: three cadences of 2 s."""
    tight = closed_loop(4000, 0.7, 0.1, kicks=40, least=0.4)
    loose = closed_loop(4000, 0.7, 0.1, play=9.0, kicks=40, least=0.4)
    assert backlash(tight, 0.0075) <= 2.0
    assert backlash(loose, 0.0075) - backlash(tight, 0.0075) == pytest.approx(6.0, abs=2.0)
    assert np.isnan(backlash(tight, np.nan))


def test_guide_exposure_too_slow_nervous_or_fitting():
    nervous = closed_loop(3000, 1.0, 0.3, kicks=0)
    # White noise under a loop of gain g: lag one of the seen error is -g/2 (derived).
    seen = nervous.ra
    assert np.corrcoef(seen[:-1], seen[1:])[0, 1] == pytest.approx(-0.5, abs=0.05)
    calm = (0.3, 0.3)
    assert guide_exposure(nervous, calm, 0.0075) == "chases seeing"
    assert guide_exposure(closed_loop(3000, 0.3, 0.3, kicks=0), calm, 0.0075) == "fits"
    wave = record(6000.0)
    slow = replace(wave, ra=wave.ra + 2.0 * np.sin(2 * np.pi * wave.time / 70.0))
    assert guide_exposure(slow, calm, np.nan) == "too slow"


def test_records_in_parts_and_on_two_clocks_give_the_same_night():
    bare, night = practice(506, frames=12)
    whole = guide_night(night, [bare.record])
    half = len(bare.record) // 2
    cut = bare.record.time[half]

    def part(keep, events):
        names = ("time", "ra", "dec", "ra_pulse_ms", "dec_pulse_ms", "brightness", "snr")
        arrays = {n: getattr(bare.record, n)[keep] for n in (*names, "good", "section")}
        return replace(bare.record, events=tuple(events), **arrays)

    first = part(bare.record.time < cut, [e for e in bare.record.events if e.time < cut])
    second = part(bare.record.time >= cut, [e for e in bare.record.events if e.time >= cut])
    parts = guide_night(night, [second, first, second])
    assert [e.samples for e in parts.exposures] == [e.samples for e in whole.exposures]
    assert parts.clock.add_s == whole.clock.add_s
    mixed = guide_night(night, [first, shifted(second, 7200.0, "unknown")], utc_offset_hours=None)
    off = [
        abs(a.samples - b.samples) for a, b in zip(mixed.exposures, whole.exposures, strict=True)
    ]
    assert max(off) <= 10  # half a minute: half a night with two dithers, one of them late


def test_joining_keeps_the_order_and_moving_moves_everything():
    made = record(100.0)
    later = moved(made, 500.0)
    both = joined_record([later, made])
    assert (np.diff(both.time) > 0).all()
    assert len(both) == 2 * len(made)
    assert both.sections == (*later.sections, *made.sections)


def test_no_record_no_answer_and_another_night_is_said():
    bare, night = practice(506, frames=12)
    assert guide_night(night, []) is None
    found = guide_night(night, [shifted(bare.record, 9 * 86400.0, "unknown")])
    assert found.exposures == (None,) * 12
    assert found.predictions == (None,) * 12
    assert any("could not be matched to the exposures" in n for n in found.notes)


def test_camera_axes_say_nothing_of_the_mount():
    bare, night = practice(506, frames=12)
    found = guide_night(night, [replace(bare.record, axes="xy")])
    assert np.isnan(found.polar_arcmin)
    assert np.isnan(found.worm_period_s)
    assert found.exposures[0].samples > 10


def test_a_night_of_ten_hours_is_joined_whole():
    """36000 samples, 200 exposures; 0.3 s measured on a busy two-core machine."""
    bare, night = practice(506, frames=24)
    rng = np.random.default_rng(3)
    time = bare.start[0] - 60.0 + np.arange(36000.0)
    made = record(72000.0)
    made = replace(made, time=time, sections=((time[0], time[-1]),))
    start = bare.start[0] + 175.0 * np.arange(200)
    frames = tuple(
        replace(
            night.frames[int(rng.integers(24))],
            facts=replace(night.frames[0].facts, start_unix=s, mid_unix=s + 75.0, exposure_s=150.0),
        )
        for s in start
    )
    group = replace(night.groups[0], members=tuple(range(200)))
    night = replace(night, frames=frames, compared=night.compared[:1] * 200, groups=(group,))
    # noise and frames of another night have nothing in common: the clock is stated
    assert not guide_night(night, [made]).clock.decided
    found = guide_night(night, [made], utc_offset_hours=0.0)
    assert len(found.exposures) == 200
    assert all(e.samples >= 149 for e in found.exposures)
