"""Streaks that come back at one place of the sky are none; satellites' stay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from subgrade.night import compare_night
from subgrade.night.fixed_lines import without_fixed_lines
from subgrade.night.model import Registration
from subgrade.stars.model import Streak
from tests.night_fields import make_night

STILL = Registration(100, 0.0, 0.0, 0.0, 1.0)


def with_streaks(frame, *ends):
    streaks = tuple(Streak(*e, 4.0, 50.0) for e in ends)
    return replace(frame, stars=replace(frame.stars, streaks=streaks))


def moved(ends, turn_deg: float, shift: complex):
    """Ends of a line on a frame whose registration is (turn, shift), by numpy's own matrices."""
    t = np.radians(turn_deg)
    back = np.array([[np.cos(t), np.sin(t)], [-np.sin(t), np.cos(t)]])
    points = np.array(ends, float).reshape(2, 2) - (shift.real, shift.imag)
    return tuple((points @ back.T).ravel())


@pytest.fixture(scope="module")
def night():
    return make_night(np.random.default_rng(4), count=6)


FILAMENT = (500.0, 700.0, 1100.0, 1000.0)


@pytest.mark.parametrize("turn", [0.0, 0.4, 180.0, 33.0])
def test_a_line_fixed_on_the_sky_is_left_out(night, turn):
    shifts = [0j, 30 - 18j, -11 + 25j]
    turns = [0.0, turn, turn]
    frames = [
        with_streaks(night[i], moved(FILAMENT, turns[i], shifts[i]), (50.0 * i, 9.0, 900.0, 1500.0))
        for i in range(3)
    ]
    found = {i: Registration(100, shifts[i].real, shifts[i].imag, turns[i], 1.0) for i in range(3)}
    changed = without_fixed_lines(frames, found)
    assert sorted(changed) == [0, 1, 2]
    for i in range(3):
        assert changed[i].stars.streaks == (frames[i].stars.streaks[1],)


@pytest.mark.parametrize(
    "other",
    [
        (500.0, 740.0, 1100.0, 1040.0),  # parallel, 36 px away
        (500.0, 700.0, 1080.0, 1040.0),  # the same start, 3.8 degrees on
        (1060.0, 980.0, 1660.0, 1280.0),  # on the same line, further along
        (700.0, 1050.0, 900.0, 650.0),  # across
    ],
)
def test_satellites_near_one_another_stay(night, other):
    frames = [with_streaks(night[0], FILAMENT), with_streaks(night[1], other)]
    assert without_fixed_lines(frames, {0: STILL, 1: STILL}) == {}


def test_two_streaks_of_one_frame_stay(night):
    frames = [with_streaks(night[0], FILAMENT, FILAMENT), night[1]]
    assert without_fixed_lines(frames, {0: STILL, 1: STILL}) == {}


def test_a_part_of_a_filament_is_the_filament(night):
    part = (640.0, 770.0, 900.0, 900.0)
    frames = [with_streaks(night[0], FILAMENT), with_streaks(night[1], part)]
    assert sorted(without_fixed_lines(frames, {0: STILL, 1: STILL})) == [0, 1]


def test_trailed_frames_and_those_without_registration_are_left_alone(night):
    frames = [with_streaks(night[i], FILAMENT) for i in range(2)]
    assert without_fixed_lines(frames, {0: STILL, 1: Registration(0)}) == {}
    trailed = replace(frames[1], stars=replace(frames[1].stars, shape_status="trailed"))
    assert without_fixed_lines([frames[0], trailed], {0: STILL, 1: STILL}) == {}


def test_the_night_leaves_them_out(night):
    """Through `compare_night`, with dithers and the registration found from the stars."""
    plain = compare_night(night)
    frames = []
    for frame, seen in zip(plain.frames, plain.compared, strict=True):
        place = seen.registration
        line = moved(FILAMENT, place.rotation_deg, complex(place.dx, place.dy))
        satellite = (10.0 + 400 * len(frames), 20.0, 2800.0 - 300 * len(frames), 2900.0)
        frames.append(with_streaks(frame, line, satellite))
    night = compare_night(frames)
    assert [len(f.stars.streaks) for f in night.frames] == [1] * 6
    assert all(f.stars.streaks[0].y2 == 2900.0 for f in night.frames)
