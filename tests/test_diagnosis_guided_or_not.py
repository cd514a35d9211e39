"""A guided mount and one left to itself: drift and turn by exact rotations, and which it is."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from subgrade.diagnosis import diagnose_night
from subgrade.diagnosis.field_motion import Path, Turn, speed_of
from subgrade.diagnosis.polar_axis_fit import solve_pole
from subgrade.diagnosis.polar_axis_unguided import solve_unguided
from subgrade.guiding import hour_angles
from subgrade.night.common_trail import ExpectedTrail
from subgrade.practice.geometry import polar_rates
from tests.judged_nights import EXPOSURE_S, SKY_AXES, guide_of, night_of, recorded, steady
from tests.mount_matrices import W, follow
from tests.test_diagnosis import LIMITS, verdicts_of

POLES = [(10.0, 0.0), (0.0, -10.0), (3.0, -5.0), (-40.0, 20.0)]
PLACES = [(-60.0, -20.0), (-20.0, 30.0), (37.0, 45.0), (50.0, 60.0), (5.0, 75.0)]


@pytest.mark.parametrize("guided", [True, False])
@pytest.mark.parametrize("where", PLACES)
@pytest.mark.parametrize("pole", POLES)
def test_rates_are_those_of_exact_rotations(pole, where, guided):
    hour, dec = np.radians(where)
    seen = follow(*pole, hour, dec, [0.0, 60.0], guided)
    east, north, turn = polar_rates(*pole, *where, guided)
    size = np.hypot(*pole)
    # Second order: the misalignment times tan(dec), relative to the largest rate.
    off = 2.0 * size / 3437.7 * (1.0 + abs(np.tan(dec))) + 2e-3
    largest = 0.2625 * size
    if guided:
        assert np.hypot(seen.east[1], seen.north[1]) < 1e-3
    else:
        assert seen.east[1] == pytest.approx(60 * east, abs=off * largest)
        assert seen.north[1] == pytest.approx(60 * north, abs=off * largest)
    factor = 1.0 / np.cos(dec) if guided else np.cos(dec)
    found = seen.turn[1] / np.pi * 648000.0
    assert found == pytest.approx(60 * turn, abs=off * largest * factor)


def test_published_turns_guided_and_not():
    # Shared table, section 4: 3' high, 5' west at hour angle 37, dec 45; arcsec in 60 s.
    for guided, published in ((True, -2.00926), (False, -1.00239)):
        seen = follow(3, -5, np.radians(37), np.radians(45), [0.0, 60.0], guided)
        assert seen.turn[1] / np.pi * 648000.0 == pytest.approx(published, rel=2e-3)


def test_the_wrong_formula_is_off_by_the_square_of_the_cosine():
    # What the guided formula makes of an unguided mount at dec 55: a third of the part.
    seen = follow(10.0, 0.0, 0.0, np.radians(55), np.linspace(0, 60, 3), False)
    times = (seen.hour, seen.time, seen.turn, np.zeros(3, int), np.radians(55), 1)
    right = solve_pole(None, Turn(*times, guided=False))
    wrong = solve_pole(None, Turn(*times, guided=True))
    assert right.size == pytest.approx(10.0, rel=0.02)
    assert wrong.size / right.size == pytest.approx(np.cos(np.radians(55)) ** 2, rel=1e-6)


def seen_path(high, east, where, hours, noise, seed, axes=True):
    """Path and turn of an unguided night with noise in arcsec and in radians."""
    rng = np.random.default_rng(seed)
    hour, dec = np.radians(where)
    seconds = np.linspace(0.0, 3600.0 * hours, 30)
    seen = follow(high, east, hour, dec, seconds, False)
    x, y = (v + noise[0] * rng.standard_normal(30) for v in (-seen.east, seen.north))
    angle = seen.turn + noise[1] * rng.standard_normal(30)
    run = np.arange(30) // 10
    for r in range(3):  # dithers
        x[run == r] += 5.0 * rng.standard_normal()
        y[run == r] += 5.0 * rng.standard_normal()
    sky = ((-1.0, 0.0), (0.0, 1.0)) if axes else None
    path = Path(seen.hour, seen.time, x, y, run, True, sky)
    return path, Turn(seen.hour, seen.time, angle, 0 * run, dec, 1 if axes else 0, False)


@pytest.mark.parametrize("axes", [True, False])
def test_the_size_of_an_unguided_mount_comes_back_within_its_errors(axes):
    off, parts, stated = [], [], 0
    rng = np.random.default_rng(5)
    for seed in range(120):
        size, way = np.exp(rng.uniform(np.log(2), np.log(60))), rng.uniform(0, 2 * np.pi)
        high, east = size * np.sin(way), size * np.cos(way)
        where = (rng.uniform(-60, 50), rng.uniform(-20, 75))
        noise = (0.3, 3e-5)
        path, turn = seen_path(high, east, where, rng.uniform(0.4, 3.0), noise, seed, axes)
        pole = solve_unguided(path, speed_of(path), turn, turn.dec)
        if pole.bound:
            assert pole.size < size + 2 * pole.size_error
            continue
        stated += 1
        off.append((pole.size - size) / pole.size_error)
        if np.isfinite(pole.high):
            parts += [(pole.high - high) / pole.high_error, (pole.east - east) / pole.east_error]
    assert stated > 100
    assert np.mean(np.abs(off) <= 2.0) >= 0.95
    if axes:
        assert np.mean(np.abs(parts) <= 2.0) >= 0.93
        assert len(parts) > 100


def test_a_drive_at_another_rate_is_no_misalignment():
    # 0.1 % fast: in right ascension as much drift as a pole 3.4' off makes; it turns the field too.
    path, turn = seen_path(6.0, -4.0, (20.0, 50.0), 1.5, (0.2, 1e-5), 3)
    late = path.time - path.time[0]
    rate = 1e-3 * W  # radians a second about the axis
    x = path.x + np.cos(turn.dec) * rate * late / np.pi * 648000.0
    angle = turn.angle + np.sin(turn.dec) * rate * late
    fast = Path(path.hour, path.time, x, path.y, path.run, True, path.axes)
    other = Turn(turn.hour, turn.time, angle, turn.part, turn.dec, 1, False)
    pole = solve_unguided(fast, speed_of(fast), other, turn.dec)
    assert abs(pole.size - np.hypot(6, 4)) < 2.5 * pole.size_error
    assert pole.size_error < 1.0


LATITUDE, RA = 48.0, 40.0


def filmed(seen, dec: float, *, turn=None, axes=True, elongated=0.2, site=True, count=24, seed=2):
    """A night of frames, 1000 by 1200 px at 1 arcsec a pixel, whose field goes by as ``seen``."""
    rng = np.random.default_rng(seed)
    shots = steady(count)
    turn = seen.turn if turn is None else turn
    middle = complex(599.5, 499.5)
    for k, shot in enumerate(shots):
        facts = {"ra_deg": RA, "dec_deg": float(np.degrees(dec))}
        facts |= {"site_lon_deg": 10.0, "site_lat_deg": LATITUDE} if site else {}
        facts |= {"sky_axes": SKY_AXES} if axes else {}
        shot.facts, shot.eccentricity = facts, elongated
        # North up and east left: north through east is counter-clockwise, as the turn is.
        gone = complex(-seen.east[k], seen.north[k]) + 0.03 * complex(*rng.standard_normal(2))
        angle = turn[k] + 2e-5 * rng.standard_normal()
        # A star at the reference's middle m lies at m + gone: R (m + gone) + d = m.
        back = np.exp(-1j * angle)
        shift = middle - back * (middle + gone)
        shot.rotation, shot.dx, shot.dy = -np.degrees(angle), shift.real, shift.imag
    return night_of(shots)


def hour_of(night) -> float:
    """Hour angle of the first frame's middle, radians."""
    facts = night.frames[0].facts
    return float(np.radians(hour_angles(np.array([facts.mid_unix]), 10.0, RA)[0]))


def followed_night(high, east, dec_deg, guided, **more):
    dec = np.radians(dec_deg)
    still = follow(0, 0, 0.0, dec, np.zeros(24), True)
    hour = hour_of(filmed(still, dec))
    seen = follow(high, east, hour, dec, np.arange(24) * (EXPOSURE_S + 10.0), guided)
    return filmed(seen, dec, **more)


def diagnosed(night, words=None, guiding=None, trails=()):
    verdicts = verdicts_of(night, words or {})
    return diagnose_night(night, verdicts, guiding, LIMITS, trails=trails)


@pytest.mark.parametrize("dec", [-15.0, 30.0, 65.0])
@pytest.mark.parametrize("axes", [True, False])
def test_an_unguided_night_is_told_and_its_pole_found(dec, axes):
    night = followed_night(20.0, -15.0, dec, False, axes=axes, elongated=0.9)
    found = diagnosed(night, dict.fromkeys(range(3, 9), "flexure"))
    first = found.findings[0]
    assert first.topic == "unguided mount"
    assert first.cost_s == 6 * EXPOSURE_S
    assert "not guided" in found.summary
    assert not any("flexure" in f.topic for f in found.findings)
    assert not any("guide scope" in a.action for a in found.advice)
    assert found.advice[0].action.startswith("Guide the mount")
    pole = next(f for f in found.findings if f.topic == "polar alignment")
    size = next(q for q in pole.numbers if q.name == "misalignment")
    assert abs(size.value - 25.0) < 2 * size.error
    assert size.error < 3.0
    # The same minutes are counted once.
    polar = next(a for a in found.advice if a.topic == "polar alignment")
    assert polar.saves.endswith("the same as 1")


def test_the_exposure_advised_is_the_longest_that_keeps_the_drift_within_the_star():
    night = followed_night(0.0, 20.0, 0.0, False, elongated=0.9)
    advice = diagnosed(night).advice[0]
    seconds = float(re.search(r"no longer than ([\d.]+) s", advice.action).group(1))
    # Stars are 3 px wide at 1 arcsec a pixel, less across their trail.
    width = 3.0 * (1 - 0.9**2) ** 0.25
    seen = follow(0.0, 20.0, hour_of(night), 0.0, [0.0, 3000.0], False)
    drift = np.hypot(seen.east[1], seen.north[1]) / 3000.0
    assert seconds == pytest.approx(0.4 * width / drift, rel=0.1)
    slow = followed_night(0.0, 1.5, 0.0, False, elongated=0.3)
    assert not any("no longer than" in a.action for a in diagnosed(slow).advice)


@pytest.mark.parametrize("dec", [0.0, 45.0])
def test_a_guided_night_without_a_record_is_not_called_unguided(dec):
    found = diagnosed(followed_night(20.0, -15.0, dec, True))
    assert all(f.topic != "unguided mount" for f in found.findings)
    pole = next(f for f in found.findings if f.topic == "polar alignment")
    size = next(q for q in pole.numbers if q.name == "misalignment")
    # The drift was guided out: the turn alone gives a lower bound.
    assert "at least" in pole.sentence
    assert size.value < 25.0 + 2 * size.error


def test_frames_that_drift_under_corrections_are_flexure():
    night = followed_night(20.0, -15.0, 30.0, False, elongated=0.9)
    guide = guide_of(night, dict.fromkeys(range(24), recorded(0.1 * np.sin(np.arange(60)))))
    record = guide.record
    busy = replace(record, ra_pulse_ms=np.where(np.arange(len(record.time)) % 2, 90.0, -80.0))
    found = diagnosed(night, {4: "flexure"}, replace(guide, record=busy))
    assert all(f.topic != "unguided mount" for f in found.findings)
    assert any(f.topic == "differential flexure" for f in found.findings)


def test_a_target_that_was_followed_on_request_is_no_unguided_mount():
    night = followed_night(20.0, -15.0, 30.0, False, elongated=0.9)
    rows = tuple((k, 10.0, 0.0) for k in range(24))
    for asked in (True, False):
        found = diagnosed(night, trails=(ExpectedTrail(0, 10.0, 0.0, asked, rows),))
        assert (found.findings[0].topic == "unguided mount") is not asked


def altazimuth_turn(night, dec: float, share: float = 1.0) -> np.ndarray:
    """Turn of an alt-azimuth field, integrated from its published rate.

    w cos(latitude) cos(azimuth) / cos(altitude), azimuth from the south (Meeus, from memory).
    """
    lat, seconds = np.radians(LATITUDE), np.arange(24) * (EXPOSURE_S + 10.0)
    fine = np.linspace(0.0, seconds[-1], 4001)
    h = hour_of(night) + W * fine
    altitude = np.arcsin(np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(h))
    south = np.cos(h) * np.sin(lat) * np.cos(dec) - np.sin(dec) * np.cos(lat)
    rate = W * np.cos(lat) * south / np.cos(altitude) ** 2
    turned = np.r_[0.0, np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(fine))]
    return -share * np.interp(seconds, fine, turned)


@pytest.mark.parametrize("site", [True, False])
@pytest.mark.parametrize("axes", [True, False])
def test_an_altazimuth_mount_is_named(site, axes):
    dec = np.radians(10.0)
    still = follow(0, 0, 0.0, dec, np.zeros(24), True)
    turn = altazimuth_turn(filmed(still, dec), dec)
    night = filmed(still, dec, turn=turn, site=site, axes=axes)
    found = diagnosed(night, dict.fromkeys(range(4), "field_rotation"))
    first = found.findings[0]
    assert first.topic == "alt-azimuth mount"
    assert first.sure == ("sure" if site else "likely")
    assert all(f.topic != "polar alignment" for f in found.findings)
    assert "derotator" in found.advice[0].action
    assert not any("polar" in a.action for a in found.advice)


@pytest.mark.parametrize("share", [-1.0, 0.7])
def test_a_field_that_turns_otherwise_is_no_altazimuth_mount(share):
    dec = np.radians(10.0)
    still = follow(0, 0, 0.0, dec, np.zeros(24), True)
    turn = altazimuth_turn(filmed(still, dec), dec, share)
    found = diagnosed(filmed(still, dec, turn=turn), {3: "field_rotation"})
    assert all(f.topic != "alt-azimuth mount" for f in found.findings)
    assert all(f.topic != "polar alignment" for f in found.findings)


def test_a_record_that_cannot_be_placed_in_time_still_shows_that_somebody_guided():
    night = followed_night(20.0, -15.0, 30.0, False, elongated=0.9)
    record = guide_of(night, {}).record
    busy = replace(record, ra_pulse_ms=np.where(np.arange(len(record.time)) % 2, 90.0, -80.0))
    idle = replace(record, ra_pulse_ms=0.0 * record.time)
    for kept, unguided in ((busy, False), (idle, True)):
        found = diagnose_night(night, verdicts_of(night, {}), None, LIMITS, record=kept)
        assert any(f.topic == "unguided mount" for f in found.findings) is unguided


@pytest.mark.parametrize(("size", "polar"), [(0.1, False), (60.0, True)])
def test_the_pole_is_blamed_for_a_turn_only_where_it_turns_the_field_enough(size, polar):
    # A corner 781 px out moves by 781 * 60' * w * 120 s = 0.12 px at dec 0, 0.7 px at dec 80.
    h = hour_of(followed_night(0.0, 0.0, 80.0, True))
    night = followed_night(size * np.cos(h), -size * np.sin(h), 80.0, True)
    found = diagnosed(night, {3: "field_rotation"})
    action = next(a.action for a in found.advice if a.topic == "field rotation")
    assert "rotator and focuser" in action
    assert ("polar alignment" in action) is polar


def test_one_night_gets_one_exposure_time():
    night = followed_night(20.0, -15.0, 30.0, False, elongated=0.9)
    words = dict.fromkeys(range(4, 12), "wind_trail")
    actions = [a.action for a in diagnosed(night, words).advice]
    asked = [a for a in actions if re.search(r"no longer than|expose \d|stay at \d", a)]
    assert len(asked) == 1
    assert any(a.startswith("Shelter the telescope") for a in actions)


@pytest.mark.parametrize("word", ["ra_oscillation", "dec_drift", "periodic_error"])
def test_nobody_is_asked_to_guide_otherwise_on_an_unguided_night(word):
    night = followed_night(20.0, -15.0, 30.0, False, elongated=0.9)
    found = diagnosed(night, dict.fromkeys(range(4, 8), word))
    assert found.findings[0].cost_s == 4 * EXPOSURE_S
    wrong = r"RA error|guide exposure|Dec guiding|[Gg]uide with|Check guiding"
    assert not [a.action for a in found.advice if re.search(wrong, a.action)]
