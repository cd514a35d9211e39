"""A guided mount and one left to itself: drift and turn by exact rotations, and which it is."""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.diagnosis.field_motion import Path, Turn, speed_of
from subgrade.diagnosis.polar_axis_fit import solve_pole
from subgrade.diagnosis.polar_axis_unguided import solve_unguided
from subgrade.practice.geometry import polar_rates
from tests.mount_matrices import W, follow

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
