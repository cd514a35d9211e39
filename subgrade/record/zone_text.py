"""How far a clock is ahead of UTC, by the words of a record's head and of its column titles."""

from __future__ import annotations

import re
from dataclasses import dataclass

NAN = float("nan")
MOST_HOURS = 14.0
"""No civil clock is farther from UTC (from memory)."""
OF_ROWS, OF_SOMETHING, NOTHING = 2, 1, 0
"""How plainly a statement is about the times of the rows."""

_UTC = r"(?:utc?|gmt|greenwich(?:\s+mean)?(?:\s+time)?|(?:coordinated\s+)?universal\s+time)"
_SIGN = r"(?P<sign>[+\-−–±]|plus\b|minus\b)"
_QUARTER = r"(?:00|15|30|45)"
_SIZE = (
    rf"(?P<size>\d{{1,2}}(?=:?{_QUARTER}(?!\d))|\d{{1,4}})"
    rf"(?::?(?P<part>{_QUARTER})(?::00)?(?!\d)|(?P<tenths>[.,]\d{{1,2}}))?(?!\d|:\d|[-/.]\d{{2}})"
    r"\s*(?P<unit>minutes?|mins?|seconds?|secs?|hours?|hrs?|h|m|s)?(?![a-z])"
)
_OF_UNIT = r"(?:\W{0,4}\b(?:in\s+)?(?P<in_unit>minutes?|mins?|seconds?|secs?|hours?|hrs?|h|s)\b)?"
_LINK = r"\s*[\])]?\s*(?:is|are|=|:|of|by|at)?\s*"
_LOCAL = r"(?:local|civil|clock|zone|computer|pc|record(?:ed)?|these)(?:\s+(?:clock|time)s?)?"
_AHEAD = r"(?:ahead|east|later|fast|in front|in advance|before)"
_BEHIND = r"(?:behind|west|earlier|slow|after|back)"
_UNITS = r"(?:hours?|hrs?|h|minutes?|mins?)"

# Each with the sign that it gives to a clock ahead of UTC.
_STATEMENTS = tuple(
    (sign, re.compile(pattern, re.IGNORECASE))
    for sign, pattern in (
        # "UTC = local - 2 h", "UTC is local time plus 7 hours"
        (-1, rf"\b{_UTC}\s*(?:is|=|:|equals)\s*{_LOCAL}\s*{_SIGN}\s*{_SIZE}"),
        # "UTC - local = -2 h"
        (-1, rf"\b{_UTC}\s*(?:-|−|–|minus)\s*{_LOCAL}{_LINK}{_SIGN}?\s*{_SIZE}"),
        # "local minus UTC (h): -7"
        (
            1,
            rf"\b{_LOCAL}\s*(?:-|−|–|minus|less)\s*{_UTC}{_OF_UNIT}\W{{0,3}}?{_LINK}{_SIGN}?"
            rf"\s*{_SIZE}",
        ),
        # "add 7 h for UTC", "subtract 2 hours to get UTC"
        (-1, rf"\badd(?:ing)?\s+{_SIZE}\s*(?:for|to\s+(?:get|obtain|have|reach))\s+{_UTC}\b"),
        (1, rf"\bsubtract(?:ing)?\s+{_SIZE}\s*(?:for|to\s+(?:get|obtain|have|reach))\s+{_UTC}\b"),
        # "hours ahead of UTC: 2", "2 h ahead of UTC"
        (1, rf"\b{_UNITS}\s+{_AHEAD}\s+(?:of|than|on)?\s*{_UTC}{_LINK}{_SIGN}?\s*{_SIZE}"),
        (-1, rf"\b{_UNITS}\s+{_BEHIND}\s+(?:of|than|on)?\s*{_UTC}{_LINK}{_SIGN}?\s*{_SIZE}"),
        (1, rf"(?<![\w.,:]){_SIZE}\s*{_AHEAD}\s+(?:of|than|on)?\s*{_UTC}\b"),
        (-1, rf"(?<![\w.,:]){_SIZE}\s*{_BEHIND}\s+(?:of|than|on)?\s*{_UTC}\b"),
        # "UTC offset: -5 h", "offset from UTC in minutes = 120", "time zone offset +2"
        (
            1,
            rf"\b(?:{_UTC}|time\s?zone|tz|zone)[ -]?(?:offset|difference|shift){_OF_UNIT}"
            rf"\W{{0,3}}?{_LINK}{_SIGN}?\s*{_SIZE}",
        ),
        (
            1,
            rf"\b(?:offset|difference|shift)\s+(?:from|to|of|against)\s+{_UTC}{_OF_UNIT}"
            rf"\W{{0,3}}?{_LINK}{_SIGN}?\s*{_SIZE}",
        ),
        # "UTC+2", "GMT - 5 h", "UTC (-07:00)"
        (1, rf"\b{_UTC}\s*[(\[]?\s*{_SIGN}\s*{_SIZE}"),
        # "time zone: -7", "tz=+2", "zone +0200"; a bare zone has its sign
        (1, rf"\b(?:time\s?zone|tz)\b{_OF_UNIT}\W{{0,3}}?{_LINK}{_SIGN}?\s*{_SIZE}"),
        (1, rf"(?:^|[#;,(\[/|])\s*zone{_OF_UNIT}\W{{0,3}}?{_LINK}{_SIGN}\s*{_SIZE}"),
        # "local time (+02:00)"
        (
            1,
            r"\b(?:(?:local|times|timestamps?|clock)\b[^.\d\n+\-−]{0,20}?|time\s*[(\[])(?<![\w.])"
            rf"(?P<sign>[+\-−])(?P<size>\d{{2}}):?(?P<part>{_QUARTER})(?![\d:.])"
            r"(?P<tenths>)?(?P<unit>)?",
        ),
    )
)
# Names with one meaning each (from memory); IST, CST, BST and the like have several.
_NAMES = {
    **dict.fromkeys(("CET", "MEZ"), 1.0),
    **dict.fromkeys(("CEST", "MESZ", "EET"), 2.0),
    **dict.fromkeys(("EEST", "MSK"), 3.0),
    **{"EDT": -4.0, "CDT": -5.0, "MDT": -6.0, "PDT": -7.0, "AKDT": -8.0, "HST": -10.0},
    **{"JST": 9.0, "KST": 9.0, "AWST": 8.0, "ACST": 9.5, "ACDT": 10.5, "AEST": 10.0, "AEDT": 11.0},
    **{"NZST": 12.0, "NZDT": 13.0, "SAST": 2.0},
}
_NAME = re.compile(rf"\b(?:{'|'.join(_NAMES)})\b")
_PLAIN = re.compile(rf"\b{_UTC}\b", re.IGNORECASE)
_TIMES = r"(?:(?:times|clocks?|timestamps|stamps|dates)|date|time\s?zone|tz|timestamp|time)"
_JOINING = (
    r"(?:[\s(\[:=,/&\d.-]|\b(?:all|is|are|in|on|and|times?|given|recorded|written|stated|kept|logged|"
    r"here|below|of|rows|the|this|file|column|scale|base|standard|set|runs?|always|zone|stamps?|"
    r"dates?|as|utc|gmt)\b)*"
)
# "all times are UTC", "Clock: UTC", "UTC times"; "clock checked against UTC" is no such thing
_STATED = re.compile(
    rf"\b{_TIMES}\b{_JOINING}\b{_UTC}\b|\b{_UTC}\s+(?:times?|clock|dates?|(?:time\s?)?stamps?)\b",
    re.IGNORECASE,
)
_OF_ALL = re.compile(
    r"\b(?:times|timestamps|stamps|clocks?|dates|rows|samples|local\s+times?|time\s?zone|tz)\b",
    re.IGNORECASE,
)
_DENIED = re.compile(
    r"\b(?:local|offset|not|unknown|no|zone\s+of|differ\w*|except)\b", re.IGNORECASE
)
_OTHERS = re.compile(
    r"\b(?:mount|site|observatory|camera|sun|sunset|sunrise|dusk|dawn|twilight|moon\w*|transit|"
    r"meridian|flip|server|created|written|saved|exported)\b",
    re.IGNORECASE,
)
_WORTH_A_LOOK = re.compile(
    rf"ut|gmt|greenwich|universal|zone|tz|local|time|clock|stamp|{'|'.join(_NAMES)}", re.IGNORECASE
)
_CLOCK_READING = re.compile(r"\d{1,2}:\d{2}")


@dataclass(frozen=True, slots=True)
class StatedZone:
    """Hours that a clock is ahead of UTC (NaN unstated), and how plainly of the rows' times."""

    hours: float = NAN
    rank: int = NOTHING


def stated_zone(line: str) -> StatedZone:
    """What a line of a record's head states of the zone of its rows.

    A plain "UTC" counts where it is stated of times in general; beside one reading of a clock it
    belongs to that (`zone_of_reading`).

    >>> stated_zone("times local, UTC+2").hours, stated_zone("hours behind UTC: 7").hours
    (2.0, -7.0)
    """
    line = line.replace("_", " ")
    hours = _numbered(line)
    others = bool(_OTHERS.search(line))
    if hours == hours:
        plain = _OF_ALL.search(line) and not others
        return StatedZone(hours, OF_ROWS if plain else OF_SOMETHING)
    if others or _DENIED.search(line) or not _STATED.search(line):
        return StatedZone()
    alone = not _CLOCK_READING.search(line)
    return StatedZone(0.0, OF_ROWS) if alone or _OF_ALL.search(line) else StatedZone()


def zone_of_reading(line: str) -> float:
    """Zone of the one reading of a clock that a line holds: NaN where it states none.

    >>> zone_of_reading("start_utc = 2031-02-18T02:39:16")
    0.0
    """
    line = line.replace("_", " ")
    hours = _numbered(line)
    if hours == hours:
        return hours
    return 0.0 if _PLAIN.search(line) and not _DENIED.search(line) else NAN


def zone_of_title(title: str) -> float:
    """Zone that the title of a time column states: NaN for none.

    >>> zone_of_title("Local time (UTC-07:00)"), zone_of_title("time_utc")
    (-7.0, 0.0)
    """
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", title.replace("_", " "))
    hours = _numbered(words)
    if hours == hours:
        return hours
    return 0.0 if _PLAIN.search(words) and not _DENIED.search(words) else NAN


def _numbered(line: str) -> float:
    """Hours ahead of UTC by a number, or by a name with one meaning; NaN for none."""
    if not _WORTH_A_LOOK.search(line):
        return NAN
    for direction, pattern in _STATEMENTS:
        for found in pattern.finditer(line):
            hours = direction * _hours(found)
            if abs(hours) <= MOST_HOURS:
                return hours + 0.0
    name = _NAME.search(line)
    return _NAMES[name[0]] if name else NAN


def _hours(found: re.Match) -> float:
    named = found.groupdict()
    digits, part = named["size"], named["part"] or ""
    unit = (named.get("in_unit") or named["unit"] or "h")[0].lower()
    if unit == "h":
        value = int(digits) + int(part or 0) / 60.0
        value += float((named["tenths"] or "0").replace(",", "."))
    else:
        value = int(digits + part) / {"m": 60.0, "s": 3600.0}[unit]
    return -value if (named.get("sign") or "+") in ("-", "−", "–", "minus") else value
