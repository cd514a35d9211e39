"""Clock readings in the cells of a column: dates and times of day in any usual writing.

A date's order of day and month is settled once for the whole record, so cells are
turned into (which distinct date text, seconds of day, zone) first.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np

NAN = float("nan")

_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "jan januar january janvier enero",
            "feb februar february fevrier février febrero",
            "mar mär mrz märz march mars marzo",
            "apr april avr avril abril",
            "may mai mayo",
            "jun june juni juin junio",
            "jul july juli juillet julio",
            "aug august août aout agosto",
            "sep sept september septembre septiembre",
            "oct okt october oktober octobre octubre",
            "nov november novembre noviembre",
            "dec dez december dezember décembre decembre diciembre",
        ),
        1,
    )
    for name in names.split()
}
_DATE = (
    r"(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4}|\d{1,2}[-/.]\d{1,2}[-/.]\d{2}"
    r"|(?:19|20)\d{6}|\d{1,2}\.?[- ]?[^\W\d_]{3,10}\.?[- ,]{1,2}\d{4}"
    r"|[^\W\d_]{3,10}\.?[- ]\d{1,2}(?:st|nd|rd|th)?,?[- ]\d{4}"
    r"|\d{4}[- ][^\W\d_]{3,10}\.?[- ]\d{1,2})"
)
_TIME = r"(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,:](\d{1,9}))?)?"
_HALF = r"\s*([AaPp])\.?\s?[Mm]\b\.?"
_ZONE = r"\s*(Z|UTC|UT|GMT|(?:UTC|GMT)?\s*[+\-−]\d{1,2}(?::?\d{2})?)?"
_WEEKDAY = r"(?:(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun)[a-z]*\.?,?\s+)?"
CELL = re.compile(rf"{_WEEKDAY}(?:({_DATE})(?:[T ,_]+|$))?(?:{_TIME}(?:{_HALF})?{_ZONE})?")
_COMPACT = re.compile(r"((?:19|20)\d{6})[T ](\d{2})(\d{2})(\d{2})(?:[.,](\d{1,9}))?(Z)?")
_IN_TEXT = re.compile(
    rf"(?<![\w.])({_DATE})(?:\s*[T,_]\s*|\s+at\s+|\s+-\s+|\s+){_TIME}(?:{_HALF})?{_ZONE}(?!\w)"
)
_DATE_IN_TEXT = re.compile(rf"(?<![\w.])({_DATE})(?![\w:])")
_TIME_IN_TEXT = re.compile(rf"(?<![\w:.])(?:T)?{_TIME}(?:{_HALF})?{_ZONE}(?![\w:])")
_IN_NAME = re.compile(r"(?<!\d)((?:19|20)\d{2})[-_.]?(\d{2})[-_.]?(\d{2})(?!\d)")


@dataclass(frozen=True, slots=True)
class Reading:
    """One clock reading: a date text ('' none), seconds of day, zone in hours (NaN unstated)."""

    date: str
    seconds: float
    zone: float = NAN
    half: bool = False
    """Whether AM or PM stood beside it."""


@dataclass(slots=True)
class Dates:
    """Distinct date texts of one record, numbered as they come."""

    texts: list[str] = field(default_factory=list)
    _number: dict[str, int] = field(default_factory=dict)

    def number(self, text: str) -> int:
        """Its place among the distinct dates; -1 for no date."""
        if not text:
            return -1
        found = self._number.get(text)
        if found is None:
            found = self._number[text] = len(self.texts)
            self.texts.append(text)
        return found


def read_cell(text: str) -> Reading | None:
    """A whole cell as a clock reading, None when it is none."""
    text = text.strip().strip('"')
    found = CELL.fullmatch(text)
    if found and text:
        return _reading(found.groups())
    found = _COMPACT.fullmatch(text)
    if found:
        day, hours, minutes, seconds, part, zulu = found.groups()
        return _reading((day, hours, minutes, seconds, part, None, zulu))
    return None


def reading_in(text: str) -> Reading | None:
    """The first date with a time in running text."""
    for found in _IN_TEXT.finditer(text):
        reading = _reading(found.groups())
        if reading is not None and plausible_date(reading.date):
            return reading
    return None


def time_in(text: str) -> Reading | None:
    """The first time of day in running text."""
    for found in _TIME_IN_TEXT.finditer(text):
        reading = _reading((None, *found.groups()))
        if reading is not None:
            return reading
    return None


def date_in(text: str) -> str | None:
    """The first date text in running text."""
    return next((f[1] for f in _DATE_IN_TEXT.finditer(text) if plausible_date(f[1])), None)


def date_in_name(name: str) -> date | None:
    """A date in a file's name, year first."""
    for found in _IN_NAME.finditer(name):
        try:
            return date(*map(int, found.groups()))
        except ValueError:
            continue
    return None


def _reading(groups: Sequence[str | None]) -> Reading | None:
    day, hours, minutes, seconds, part, half, zone = groups
    if hours is None:
        return Reading(day, NAN) if day else None
    hour, minute, second = int(hours), int(minutes), int(seconds or 0)
    if hour > 24 or minute > 59 or second > 60 or (half and not 1 <= hour <= 12):
        return None
    if half:
        hour = hour % 12 + 12 * (half in "pP")
    total = hour * 3600.0 + minute * 60.0 + second
    if part:
        total += int(part) / 10 ** len(part)
    return Reading(day or "", total, zone_hours(zone), bool(half))


def zone_hours(text: str | None) -> float:
    """Hours east of UTC that a zone text states; NaN for none."""
    if not text:
        return NAN
    found = re.search(r"([+\-−])(\d{1,2})(?::?(\d{2}))?", text)
    if not found:
        return 0.0
    hours = int(found[2]) + int(found[3] or 0) / 60.0
    return hours if found[1] == "+" else -hours


def read_cells(
    cells: Sequence[str], dates: Dates
) -> tuple[np.ndarray, np.ndarray, np.ndarray, bool]:
    """Turn a column into clock readings.

    Returns
    -------
    date : ndarray of int
        Number of the date in `dates`; -1 without one, -2 where the cell is no clock reading.
    seconds, zone : ndarray of float
        Seconds of day; hours east of UTC.  NaN where not stated.
    halves : bool
        Whether any cell had AM or PM.
    """
    n = len(cells)
    day = np.full(n, -2, np.int32)
    seconds, zone = np.full(n, NAN), np.full(n, NAN)
    match, number = CELL.fullmatch, dates.number
    halves = False
    zones: dict[str, float] = {}
    for k, cell in enumerate(cells):
        found = match(cell)
        if found is not None:
            text, hours, minutes, secs, part, half, zone_text = found.groups()
            if secs is not None:  # by far the most rows
                hour, minute, second = int(hours), int(minutes), int(secs)
                if half is not None:
                    halves = True
                    hour = hour % 12 + 12 * (half in "pP") if 1 <= hour <= 12 else 99
                if hour <= 24 and minute < 60 and second <= 60:
                    total = hour * 3600 + minute * 60 + second
                    seconds[k] = total + int(part) / 10 ** len(part) if part else total
                    day[k] = number(text) if text else -1
                    if zone_text:
                        if zone_text not in zones:
                            zones[zone_text] = zone_hours(zone_text)
                        zone[k] = zones[zone_text]
                continue
        reading = read_cell(cell)
        if reading is not None:
            day[k], seconds[k], zone[k] = number(reading.date), reading.seconds, reading.zone
            halves |= reading.half
    return day, seconds, zone, halves


def plausible_date(text: str) -> bool:
    """Whether a text can be a date at all."""
    return any(day_number(text, order) is not None for order in ("dmy", "mdy"))


def day_number(text: str, order: str) -> int | None:
    """Days since 1970-01-01 of a date text; `order` (dmy or mdy) matters without a year first.

    >>> day_number("18.02.2031", "dmy") == day_number("2031-02-18", "mdy") == 22328
    True
    """
    try:
        return days_since_1970(_date(text, order))
    except (ValueError, KeyError, TypeError, OverflowError):
        return None


def days_since_1970(day: date) -> int:
    """Days from 1970-01-01 to a date."""
    return (day - date(1970, 1, 1)).days


def _date(text: str, order: str) -> date:
    if text.isdigit() and len(text) == 8:
        return date(int(text[:4]), int(text[4:6]), int(text[6:]))
    parts = [p for p in re.split(r"[-/., ]+", re.sub(r"(?<=\d)(st|nd|rd|th)\b", "", text)) if p]
    parts = [q for p in parts for q in re.findall(r"\d+|[^\W\d_]+", p)]
    names = [p for p in parts if not p.isdigit()]
    if names:
        month = _MONTHS[names[0].lower()]
        first, second = (int(p) for p in parts if p.isdigit())
        year, day = (first, second) if first > 31 else (second, first)
        return date(year, month, day)
    first, second, third = map(int, parts)
    if len(parts[0]) == 4:
        return date(first, second, third)
    year = third + 2000 if third < 100 else third
    return date(year, first, second) if order == "mdy" else date(year, second, first)


def ambiguous(text: str) -> bool:
    """Whether day and month could be exchanged.

    >>> ambiguous("03/04/2031"), ambiguous("13/04/2031"), ambiguous("2031-03-04")
    (True, False, False)
    """
    one, other = day_number(text, "dmy"), day_number(text, "mdy")
    return one is not None and other is not None and one != other


def settle_order(texts: list[str], known: int | None) -> tuple[str, str]:
    """Whether dates are day-month or month-day, and a remark when that is a guess.

    Settled by a number above 12, else by which order puts the dates closest together, else
    by one known from elsewhere (days since 1970), else by the separator (common practice, no
    source).
    """
    can = {
        order: [day_number(t, order) for t in texts] for order in ("dmy", "mdy")
    }  # 31.12. has no reading as month-day
    whole = {order: days for order, days in can.items() if days and None not in days}
    if len(whole) == 1:
        return next(iter(whole)), ""
    if not whole:
        good = {o: sum(d is not None for d in days) for o, days in can.items()}
        return max(good, key=good.get), "some dates cannot be read"
    if whole["dmy"] == whole["mdy"]:
        return "dmy", ""
    spans = {order: max(days) - min(days) for order, days in whole.items()}
    if spans["dmy"] != spans["mdy"] and min(spans.values()) <= 31:
        return min(spans, key=spans.get), ""
    if known is not None:
        near = {order: min(abs(d - known) for d in days) for order, days in whole.items()}
        if near["dmy"] != near["mdy"] and min(near.values()) <= 2:
            return min(near, key=near.get), ""
    first = next(t for t in texts if ambiguous(t))
    order = "mdy" if "/" in first else "dmy"
    how = "month first" if order == "mdy" else "day first"
    return order, f"the date {first} can be read two ways; taken as {how}"
