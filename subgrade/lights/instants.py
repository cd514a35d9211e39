"""Instants in UTC, and the SI seconds between them.

Within a UTC day, and across the end of any day that has never carried a leap second, an
instant is plain arithmetic.  Whatever else it takes - another time scale, the end of June or of
December, a year before leap seconds - is asked of astropy.time, whose import and tables cost
half a second, so that few nights pay for them.
"""

from __future__ import annotations

import calendar
import datetime
import functools
import math
from dataclasses import dataclass

DAY_S = 86400.0
MJD_OF_ORDINAL = 678576
"""Proleptic Gregorian ordinal of a date less its modified Julian day."""
FIRST_LEAP_YEAR = 1972
"""UTC ran at another rate than SI seconds before (ITU-R TF.460)."""
LEAP_ENDS = ((6, 30), (12, 31))
"""Days (month, day) that end in a leap second; ITU-R TF.460 prefers these and none other was
ever used."""


@dataclass(frozen=True, slots=True)
class Instant:
    """A UTC calendar day as its modified Julian day, and SI seconds since its midnight.

    ``second`` is 86400 and more within a leap second.
    """

    day: int
    second: float


def from_calendar(date, clock, scale: str = "utc") -> Instant:
    """A calendar date and time of day in a time scale of astropy's.

    Raises
    ------
    ValueError
        If there is no such date or time.
    """
    hour, minute, second = clock
    plain = scale == "utc" and hour < 24 and second < 60.0 and date[0] >= FIRST_LEAP_YEAR
    # a date that does not exist is left to the library, whose words give the reason
    if plain and 1 <= date[1] <= 12 and 1 <= date[2] <= calendar.monthrange(*date[:2])[1]:
        day = datetime.date(*date).toordinal() - MJD_OF_ORDINAL
        return Instant(day, 3600.0 * hour + 60.0 * minute + second)
    text = "{:04d}-{:02d}-{:02d}T{:02d}:{:02d}:{:012.9f}".format(*date, *clock)
    return _of_library(_load_time().Time(text, format="isot", scale=scale))


def from_day_number(number: float, scale: str = "utc") -> Instant:
    """A modified Julian day, or a Julian day where it is above a million."""
    if scale == "utc":
        days, base = (number, 0.0) if number < 1e6 else (number - 2400000.0, 0.5)
        day = math.floor(days - base)
        if _date(day).year >= FIRST_LEAP_YEAR and not _may_leap(day):
            return _carried(Instant(day, (days - day - base) * DAY_S))
    form = "mjd" if number < 1e6 else "jd"
    return _of_library(_load_time().Time(number, format=form, scale=scale))


def shifted(instant: Instant, seconds: float) -> Instant:
    """The instant some SI seconds later, leap seconds counted."""
    after = instant.second + seconds
    days = math.floor(after / DAY_S)
    if instant.second < DAY_S and _plain(instant.day, instant.day + days):
        return _carried(Instant(instant.day + days, after - DAY_S * days))
    library = _load_time()
    return _of_library(_to_library(instant) + library.TimeDelta(seconds, format="sec"))


def seconds_between(later: Instant, earlier: Instant) -> float:
    """SI seconds from one instant to another, leap seconds counted."""
    if _plain(earlier.day, later.day):
        return DAY_S * (later.day - earlier.day) + (later.second - earlier.second)
    return float((_to_library(later) - _to_library(earlier)).sec)


def iso(instant: Instant | None) -> str | None:
    """ISO 8601 in UTC with milliseconds and Z."""
    if instant is None:
        return None
    day, thousandths = instant.day, round(1000.0 * instant.second)
    if thousandths >= 86_400_000:
        if _may_leap(day):
            return f"{_to_library(instant).isot}Z"
        day, thousandths = day + 1, thousandths - 86_400_000
    minutes, thousandths = divmod(thousandths, 60_000)
    hour, minute = divmod(minutes, 60)
    return f"{_date(day)}T{hour:02d}:{minute:02d}:{thousandths / 1000.0:06.3f}Z"


def posix(instant: Instant | None) -> float | None:
    """POSIX seconds; within a leap second those of the next second."""
    if instant is None:
        return None
    return (instant.day - 40587) * DAY_S + instant.second


def _date(day: int) -> datetime.date:
    return datetime.date.fromordinal(day + MJD_OF_ORDINAL)


def _may_leap(day: int) -> bool:
    date = _date(day)
    return (date.month, date.day) in LEAP_ENDS


def _plain(one: int, other: int) -> bool:
    """Whether no leap second can lie at the end of a day from one to before the other."""
    low, high = min(one, other), max(one, other)
    if _date(low).year < FIRST_LEAP_YEAR or high - low > 31:
        return False
    return not any(_may_leap(day) for day in range(low, high))


def _carried(instant: Instant) -> Instant:
    """Rounding may have filled the day: then the next one has begun."""
    if instant.second < DAY_S or _may_leap(instant.day):
        return instant
    return Instant(instant.day + 1, instant.second - DAY_S)


@functools.cache
def _load_time():
    """astropy.time, without letting its leap-second refresh go to the network."""
    from astropy.utils import iers

    with iers.conf.set_temp("auto_download", False):
        from astropy import time
    return time


def _to_library(instant: Instant):
    date = _date(instant.day)
    whole = min(int(instant.second // 60), 1439)
    text = f"{date}T{whole // 60:02d}:{whole % 60:02d}:{instant.second - 60.0 * whole:012.9f}"
    return _load_time().Time(text, format="isot", scale="utc", precision=3)


def _of_library(time) -> Instant:
    """An astropy time as an `Instant`.

    ``Time.unix`` is not used: on the day of a leap second it strays up to 1 s.
    """
    part = time.utc.ymdhms
    date = datetime.date(*(int(part[name]) for name in ("year", "month", "day")))
    second = 3600.0 * int(part["hour"]) + 60.0 * int(part["minute"]) + float(part["second"])
    return Instant(date.toordinal() - MJD_OF_ORDINAL, second)
