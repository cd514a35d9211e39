"""Instants in UTC, and the SI seconds between them.

Within a UTC day, and across the end of any day that has never carried a leap second, an
instant is plain arithmetic.  Whatever else it takes - another time scale, the end of June or of
December, a year before leap seconds - is asked of astropy.time, whose import and tables cost
half a second, so that few nights pay for them.

Texts and numbers that name an instant, turned into UTC.
"""

from __future__ import annotations

import calendar
import datetime
import functools
import math
import re
from dataclasses import dataclass
from types import ModuleType
from typing import TYPE_CHECKING

from subgrade.lights.header_cards import Cards

if TYPE_CHECKING:
    from astropy.time import Time

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


def from_calendar(
    date: tuple[int, int, int], clock: tuple[int, int, float], scale: str = "utc"
) -> Instant:
    """A calendar date and time of day in a time scale of astropy's.

    Parameters
    ----------
    date : tuple of int
        Year, month, day.
    clock : tuple
        Hour, minute, second.
    scale : str

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
def _load_time() -> ModuleType:
    """astropy.time, without letting its leap-second refresh go to the network."""
    from astropy.utils import iers

    with iers.conf.set_temp("auto_download", False):
        from astropy import time
    return time


def _to_library(instant: Instant) -> Time:
    date = _date(instant.day)
    whole = min(int(instant.second // 60), 1439)
    text = f"{date}T{whole // 60:02d}:{whole % 60:02d}:{instant.second - 60.0 * whole:012.9f}"
    return _load_time().Time(text, format="isot", scale="utc", precision=3)


def _of_library(time: Time) -> Instant:
    """An astropy time as an `Instant`; on a leap second's day ``Time.unix`` strays up to 1 s."""
    part = time.utc.ymdhms
    date = datetime.date(*(int(part[name]) for name in ("year", "month", "day")))
    second = 3600.0 * int(part["hour"]) + 60.0 * int(part["minute"]) + float(part["second"])
    return Instant(date.toordinal() - MJD_OF_ORDINAL, second)


MJD_OF_JD = 2400000.5
_GPS_BEHIND_TAI = 19.0
"""TAI - GPS, seconds, constant by definition of GPS time."""
_SCALES = {
    **dict.fromkeys(("", "UTC", "UT", "GMT", "Z", "UT1"), "utc"),
    **dict.fromkeys(("TAI", "IAT", "GPS"), "tai"),
    **dict.fromkeys(("TT", "TDT", "ET"), "tt"),
    **{name: name.lower() for name in ("TDB", "TCB", "TCG")},
}
_ISO = re.compile(
    r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})"
    r"(?:[T\s]+(\d{1,2}:\d{1,2}(?::\d{1,2}(?:[.,]\d*)?)?))?\s*(Z|UTC?|GMT|[+-]\d{2}:?\d{2})?\Z",
    re.IGNORECASE,
)
_OLD = re.compile(r"(\d{1,2})/(\d{1,2})/(\d{2}|\d{4})\Z")
CLOCK = re.compile(r"(\d{1,2})[:\s](\d{1,2})(?:[:\s](\d{1,2}(?:[.,]\d*)?))?\s*(?:Z|UTC?|GMT)?\Z")


def split_date(
    text: str, key: str, notes: list[str]
) -> tuple[tuple[int, int, int] | None, tuple[int, int, float] | None, float | None]:
    """Take a date text apart.

    Returns
    -------
    date : tuple of int or None
        (year, month, day); None where the text is no date.
    clock : tuple or None
        (hour, minute, second); None for a date alone.
    offset : float or None
        Hours east of UTC where the text states a zone other than UTC.
    """
    text = text.strip()
    found = _ISO.match(text)
    if found:
        if "," in text:
            notes.append(f"{key} has a comma for the decimal point")
        date = tuple(int(found.group(i)) for i in (1, 2, 3))
        clock = found.group(4)
        offset = found.group(5) or ""
        if offset[:1] in "+-" and offset:
            hours = int(offset[1:3]) + int(offset[-2:]) / 60.0
            offset = -hours if offset[0] == "-" else hours
            notes.append(f"{key} states its zone, UTC{found.group(5)}: converted")
        else:
            offset = None
        return date, clock_of(CLOCK.match(clock)) if clock else None, offset
    found = _OLD.match(text)
    if found:
        day, month, year = (int(part) for part in found.groups())
        year += 1900 if len(found.group(3)) == 2 else 0  # FITS 4.0, section 4.4.2.1
        notes.append(f"{key} = {text!r} was read as day/month/year, {year:04d}")
        return (year, month, day), None, None
    return None, None, None


def clock_of(found: re.Match) -> tuple[int, int, float]:
    """(hour, minute, second) of a match of `CLOCK`."""
    hour, minute, second = found.groups()
    return int(hour), int(minute), float((second or "0").replace(",", "."))


def scale_of(cards: Cards, notes: list[str]) -> str | None:
    """Time scale of TIMESYS as an astropy name or ``gps``; None for one without a way to UTC."""
    name = (cards.text("TIMESYS") or "UTC").upper().split("(")[0].strip()
    if name == "UT1":
        notes.append("UT1 was taken as UTC (they stay within 0.9 s)")
    if name not in _SCALES:
        notes.append(f"TIMESYS = {name!r} cannot be turned into UTC: times not used")
        return None
    return "gps" if name == "GPS" else _SCALES[name]


def plain_text(text: str | None) -> str | None:
    """A date and time as given, ISO 8601 without zone; None where it is no such thing."""
    date, clock, offset = split_date(text or "", "", [])
    if date is None or clock is None or offset is not None:
        return None
    if not (1 <= date[1] <= 12 and 1 <= date[2] <= 31 and clock[0] < 24 and clock[1] < 60):
        return None
    return "{:04d}-{:02d}-{:02d}T{:02d}:{:02d}:{:06.3f}".format(*date, *clock)


def moment_of(
    date: tuple[int, int, int],
    clock: tuple[int, int, float],
    scale: str,
    offset: float | None = None,
) -> Instant:
    """A calendar date and time of day in a scale, in UTC.

    Parameters
    ----------
    date, clock : tuple
        As for `from_calendar`.
    scale : str
        As `scale_of` gives it.
    offset : float, optional
        Hours east of UTC.

    Raises
    ------
    ValueError
        If there is no such date or time.
    """
    if not 1900 <= date[0] <= 2159:
        raise ValueError(f"year {date[0]}")
    if clock[0] > 24 or clock[1] > 59 or clock[2] >= 61.0:
        raise ValueError("time of day")
    instant = from_calendar(date, clock, "tai" if scale == "gps" else scale)
    instant = shifted(instant, _GPS_BEHIND_TAI) if scale == "gps" else instant
    return shifted(instant, -3600.0 * offset) if offset else instant


def moment_of_day_number(number: float, scale: str) -> Instant:
    """The instant of a Julian (above a million) or modified Julian day, in UTC."""
    instant = from_day_number(number, "tai" if scale == "gps" else scale)
    return shifted(instant, _GPS_BEHIND_TAI) if scale == "gps" else instant
