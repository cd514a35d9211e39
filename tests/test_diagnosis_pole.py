"""The polar axis from drift and turn, against rotation matrices and published rates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from subgrade.diagnosis.field_motion import ARCMIN, POLAR_RATE, Turn, unbroken
from subgrade.diagnosis.night_view import view_of
from subgrade.diagnosis.polar_axis import polar_axis, pole_numbers
from subgrade.diagnosis.polar_axis_fit import Drift, solve_pole
from subgrade.judging import load_limits
from subgrade.judging.model import Judgement
from tests.judged_nights import guide_of, night_of, steady

W = 2 * np.pi / 86164.0905
NONE = np.zeros(0)


def matrix_rates(high: float, east: float, hour: float, dec: float) -> tuple[float, float]:
    """Drift north (arcsec a minute) and turn about the guided star (radians a second).

    A mount whose axis is ``high`` and ``east`` arcminutes off follows the sky for 30 s by exact
    rotations; no small-angle formula.  x points to hour angle 0 on the equator, y to the
    east, z to the pole; angles in radians.
    """
    axis = np.array([high * ARCMIN, east * ARCMIN, 1.0])
    axis /= np.linalg.norm(axis)
    seconds = 30.0

    def place(dh: float, dd: float) -> np.ndarray:
        h, d = hour + dh, dec + dd
        return np.array([np.cos(d) * np.cos(h), -np.cos(d) * np.sin(h), np.sin(d)])

    # The sky turns west about z; the mount turns back by as much about its own axis.
    sky = Rotation.from_rotvec([0, 0, -W * seconds])
    mount = Rotation.from_rotvec(axis * W * seconds)
    star, north_star = place(0, 0), place(0, 1e-4)
    seen, north_seen = (mount.apply(sky.apply(v)) for v in (star, north_star))
    north = np.array([-np.sin(dec) * np.cos(hour), np.sin(dec) * np.sin(hour), np.cos(dec)])
    east_way = np.array([np.sin(hour), np.cos(hour), 0.0])
    drift = (seen - star) @ north / seconds * 60 / np.pi * 648000
    # Guided: the star is brought back along hour angle and declination of the mount.
    back_ra = (seen - star) @ east_way / np.cos(dec)
    guided = Rotation.from_rotvec([0, 0, -back_ra])
    offset = guided.apply(north_seen) - guided.apply(seen)
    turn = np.arctan2(offset @ east_way, offset @ north) / seconds
    return float(drift), float(turn)


@pytest.mark.parametrize(
    ("high", "east", "hour", "drift"),
    [(0, 1, 0, -0.26252), (1, 0, -90, 0.26252), (3, -5, 37, 0.57522)],
)
def test_the_matrices_give_the_published_drift(high, east, hour, drift):
    # Published check values: shared table, section 4 (arcsec in 60 s).
    dec = {0: 0.0, -90: 60.0, 37: 45.0}[hour]
    found, _ = matrix_rates(high, east, np.radians(hour), np.radians(dec))
    assert found == pytest.approx(drift, rel=5e-3)


@pytest.mark.parametrize(
    ("high", "east", "hour", "dec", "turn"),
    [(1, 0, 0, 60, -0.52530), (0, 1, -90, 60, -0.52530), (3, -5, 37, 45, -2.00926)],
)
def test_the_matrices_give_the_published_turn(high, east, hour, dec, turn):
    _, found = matrix_rates(high, east, np.radians(hour), np.radians(dec))
    assert found * 60 / np.pi * 648000 == pytest.approx(turn, rel=5e-3)


def seen(high, east, hours, dec=0.6, noise=0.0, hand=1, seed=3) -> tuple[Drift, Turn]:
    """Drift and turn of a night by the matrices, with noise as a share of their size."""
    rng = np.random.default_rng(seed)
    rates = np.array([matrix_rates(high, east, h, dec) for h in hours])
    scale = np.abs(rates).max(axis=0)
    drift = rates[:, 0] + noise * scale[0] * rng.standard_normal(len(hours))
    time = (hours - hours[0]) / W
    steps = 0.5 * (rates[1:, 1] + rates[:-1, 1]) * np.diff(time)
    angle = hand * np.r_[0.0, np.cumsum(steps)]
    angle = angle + noise * np.ptp(angle) * rng.standard_normal(len(hours))
    error = np.full(len(hours), max(noise, 1e-3) * scale[0])
    return (
        Drift(hours, drift, error, 0.0),
        Turn(hours, time, angle, np.zeros(len(hours), int), dec, hand),
    )


HOURS = np.radians(np.linspace(-20, 5, 24))


@pytest.mark.parametrize(("high", "east"), [(7.0, 8.0), (-3.0, 5.0), (0.0, -12.0), (4.0, 0.0)])
def test_both_parts_come_back(high, east):
    pole = solve_pole(*seen(high, east, HOURS))
    assert (pole.high, pole.east) == pytest.approx((high, east), abs=0.02 * np.hypot(high, east))
    assert pole.size == pytest.approx(np.hypot(high, east), rel=0.02)
    assert not pole.bound


def test_errors_are_worth_their_name():
    off = []
    for seed in range(60):
        pole = solve_pole(*seen(6.0, -4.0, HOURS, noise=0.05, seed=seed))
        off.append([(pole.high - 6.0) / pole.high_error, (pole.east + 4.0) / pole.east_error])
    assert 0.5 < np.std(off) < 1.6
    assert abs(np.mean(off)) < 0.5


def test_a_mirrored_camera_gives_the_same_pole():
    pole = solve_pole(*seen(7.0, 8.0, HOURS, hand=-1))
    assert (pole.high, pole.east) == pytest.approx((7.0, 8.0), abs=0.3)


def test_an_unknown_hand_is_found_from_a_long_night_and_left_open_in_a_short_one():
    drift, turn = seen(7.0, 8.0, np.radians(np.linspace(-40, 40, 40)), noise=0.003)
    pole = solve_pole(drift, replace(turn, hand=0))
    assert (pole.high, pole.east) == pytest.approx((7.0, 8.0), abs=0.4)
    drift, turn = seen(7.0, 8.0, np.radians(np.linspace(-4, 2, 20)), noise=0.05)
    pole = solve_pole(drift, replace(turn, hand=0))
    assert np.isnan(pole.high)
    assert pole.size == pytest.approx(np.hypot(7, 8), rel=0.1)
    assert not pole.bound


def test_one_of_the_two_gives_a_lower_bound():
    hours = np.radians(np.linspace(-4, 2, 20))
    drift, turn = seen(7.0, 8.0, hours, noise=0.05)
    middle = np.median(hours)
    alone = solve_pole(drift, None)
    assert alone.bound
    assert alone.size == pytest.approx(abs(7 * np.sin(middle) + 8 * np.cos(middle)), rel=0.05)
    alone = solve_pole(None, turn)
    assert alone.bound
    assert alone.size == pytest.approx(abs(7 * np.cos(middle) - 8 * np.sin(middle)), rel=0.08)
    assert solve_pole(None, None) is None


def test_doubt_in_the_corrections_widens_the_error():
    drift, _ = seen(0.0, 10.0, HOURS)
    doubted = solve_pole(replace(drift, doubt=0.15), None)
    assert doubted.east_error == pytest.approx(1.5, rel=0.02)
    assert doubted.high_error < 1.0


def test_a_rotator_that_slipped_is_not_the_pole():
    drift, turn = seen(2.0, 3.0, HOURS, noise=0.01)
    slipped = turn.angle + np.where(np.arange(len(turn.angle)) >= 9, 0.01, 0.0)
    part = unbroken(slipped, turn.part)
    assert list(np.flatnonzero(np.diff(part))) == [8]
    pole = solve_pole(drift, replace(turn, angle=slipped, part=part))
    assert (pole.high, pole.east) == pytest.approx((2.0, 3.0), abs=0.5)


LATITUDE = {"north": 50.0, "south": -50.0}


def recorded_night(high: float, east: float, latitude: float, dec: float | None = None):
    """A night whose record creeps in declination, unguided in Dec, as the formula says.

    Without a declination in the headers the turn stays unknown.
    """
    shots = steady(
        20, facts={"ra_deg": 100.0, "dec_deg": dec, "site_lon_deg": 0.0, "site_lat_deg": latitude}
    )
    night = night_of(shots)
    guide = guide_of(night, {})
    time = np.arange(night.frames[0].facts.start_unix, night.frames[-1].facts.start_unix + 120, 2.0)
    from subgrade.guiding import hour_angles

    h = np.radians(hour_angles(time, 0.0, 100.0))
    rate = -POLAR_RATE * (high * np.sin(h) + east * np.cos(h)) / 60.0
    # A pause before every new lock, as a record has one.
    noise = 0.3 * np.random.default_rng(1).standard_normal((2, len(time)))
    creep = np.cumsum(rate) * 2.0
    # A new lock every ten minutes keeps the star in its box.
    section = ((time - time[0]) // 600).astype(int)
    creep = creep - np.array([creep[section == s][0] for s in range(section.max() + 1)])[section]
    edges = [(time[section == s][0], time[section == s][-1]) for s in range(section.max() + 1)]
    use = np.r_[True, np.diff(section) == 0]
    use[np.flatnonzero(~use)[:, None] + np.arange(6)] = False
    time, noise, creep, section = time[use], noise[:, use], creep[use], section[use]
    record = replace(
        guide.record,
        time=time,
        ra=noise[0],
        dec=noise[1] + creep,
        section=section,
        sections=tuple(edges),
        ra_pulse_ms=0 * time,
        dec_pulse_ms=0 * time,
        brightness=100 + 0 * time,
        snr=30 + 0 * time,
        good=np.ones(len(time), bool),
    )
    clock = replace(guide.clock, add_s=0.0)
    verdicts = [Judgement(f.name, "keep", (), "", 0.9, 1.0) for f in night.frames]
    return view_of(night, verdicts, replace(guide, record=record, clock=clock), load_limits(None))


def test_the_size_comes_back_from_a_record_and_what_is_not_known_is_said():
    view = recorded_night(4.0, 9.0, 50.0)
    found = polar_axis(view)
    numbers = {q.name: q for q in found.numbers}
    h = np.radians(numbers["hour angle"].value)
    part = numbers["part from Dec drift"]
    assert abs(part.value - (4.0 * np.sin(h) + 9.0 * np.cos(h))) < 3 * part.error
    assert part.error < 0.5
    assert "at least" in found.sentence
    unknown = "field rotation, which shows the other part, is not known"
    assert any(unknown in text for text in found.evidence)


@pytest.mark.parametrize("where", LATITUDE)
def test_the_direction_turns_round_south_of_the_equator(where):
    found = polar_axis(recorded_night(0.0, 20.0, LATITUDE[where]))
    h = np.radians({q.name: q.value for q in found.numbers}["hour angle"])
    # North: 20' too far east; the same drift in the south comes from an axis too far west.
    east = np.cos(h) ** 2 > 0 and where == "north"
    assert ("east" in found.sentence) == east
    assert ("west" in found.sentence) != east


def test_an_axis_on_the_pole_has_numbers_and_no_finding():
    # a finding has to be significant, a comparison of nights does not
    view = recorded_night(0.05, 0.0, 50.0, 20.0)
    assert polar_axis(view) is None
    numbers = {q.name: q for q in pole_numbers(view)}
    size = numbers["misalignment"]
    assert size.value < 2.0 * size.error
    assert all(np.isfinite(q.value) for q in numbers.values())
    large = recorded_night(0.0, 20.0, 50.0)
    assert tuple(q for q in pole_numbers(large)) == polar_axis(large).numbers
