"""Texts and numbers that name an instant, turned into UTC."""

from __future__ import annotations

import re

from subgrade.lights.cards import Cards
from subgrade.lights.instants import Instant, from_calendar, from_day_number, shifted

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


def split_date(text: str, key: str, notes: list[str]):
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


def moment_of(date, clock, scale: str, offset: float | None = None) -> Instant:
    """A calendar date and time of day in a scale, in UTC; ValueError if invalid."""
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
