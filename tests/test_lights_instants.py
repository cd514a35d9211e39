"""Plain UTC arithmetic against astropy.time, leap seconds and day ends included."""

import random
import subprocess
import sys

import pytest
from astropy.time import Time, TimeDelta

from subgrade.lights import instants

LEAPS = [(1981, 6, 30), (1998, 12, 31), (2008, 12, 31), (2015, 6, 30), (2016, 12, 31)]
"""Days that ended in a leap second (IERS Bulletin C)."""


def library(date, clock) -> Time:
    text = "{:04d}-{:02d}-{:02d}T{:02d}:{:02d}:{:012.9f}".format(*date, *clock)
    return Time(text, format="isot", scale="utc", precision=3)


def cases():
    draw = random.Random(5)
    for k in range(120):
        date = (draw.randint(1972, 2025), draw.randint(1, 12), draw.randint(1, 28))
        date = date if k % 3 else draw.choice(LEAPS)
        clock = (draw.randint(0, 23), draw.randint(0, 59), round(draw.uniform(0, 59.9), 3))
        clock = clock if k % 4 else (23, 59, round(draw.uniform(0, 59.9), 3))
        yield date, clock, draw.choice((0.01, 30.0, 300.0, -18000.0, 259200.0)) * draw.random()


def test_shifts_differences_and_texts_are_those_of_astropy():
    for date, clock, seconds in cases():
        start = library(date, clock)
        end = (start + TimeDelta(seconds, format="sec")).utc
        mine = instants.from_calendar(date, clock)
        later = instants.shifted(mine, seconds)
        assert instants.iso(later) == f"{end.isot}Z", (date, clock, seconds)
        expected = float((end - start).sec)
        assert instants.seconds_between(later, mine) == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("form", ["mjd", "jd"])
def test_day_numbers_are_read_as_astropy_reads_them(form):
    for date, clock, _ in cases():
        number = getattr(library(date, clock), form)
        expected = Time(number, format=form, scale="utc", precision=3)
        assert instants.iso(instants.from_day_number(number)) == f"{expected.isot}Z"


def test_a_leap_second_lies_between_the_old_year_and_the_new():
    before = instants.from_calendar((2016, 12, 31), (23, 59, 59.0))
    assert instants.iso(instants.shifted(before, 1.0)) == "2016-12-31T23:59:60.000Z"
    after = instants.from_calendar((2017, 1, 1), (0, 0, 0.0))
    assert instants.seconds_between(after, before) == pytest.approx(2.0, abs=1e-8)


def test_a_plain_utc_header_loads_no_tables():
    code = """
import sys
from subgrade.lights.header_cards import Cards
from subgrade.lights.exposure_times import exposure_times
times = exposure_times(Cards({"DATE-OBS": ("2024-03-11T23:59:05.25", "")}), 120.0)
assert times.mid_utc == "2024-03-12T00:00:05.250Z", times
print(sorted(name for name in sys.modules if name.startswith("astropy")))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
