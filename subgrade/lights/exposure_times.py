"""Exposure times from header keywords (FITS 4.0, section 9) and common practice.

A leap second inside an exposure is counted (`subgrade.lights.instants`).  See docs/reading.md for
the precedence and the reasons.
"""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass

from subgrade.lights.header_cards import Cards
from subgrade.lights.instants import (
    CLOCK,
    MJD_OF_JD,
    Instant,
    clock_of,
    iso,
    moment_of,
    moment_of_day_number,
    plain_text,
    posix,
    scale_of,
    seconds_between,
    shifted,
    split_date,
)

_TIME_OF_DAY = ("TIME-OBS", "UT", "UTSTART", "UTC-OBS", "UT-OBS", "UTC", "UTOBS", "TIME-BEG")
"""Keywords of a separate time of day beside a date without one (common practice, no source)."""
_START_DATES = ("DATE-BEG", "DATE-OBS", "DATE_OBS", "DATEOBS", "DATE-UTC", "UTDATE", "UT-DATE")
_START_MJD = ("MJD-BEG", "MJD-OBS", "MJD_OBS", "MJD", "MJD-STA")
_START_JD = ("JD-BEG", "JD-OBS", "JD_OBS", "JD", "JD-STA", "JD_UTC", "JULDAT")
_MID = (("DATE-AVG", "DATE-MID"), ("MJD-AVG", "MJD-MID"), ("JD-AVG", "JD-MID"))
_END = (("DATE-END",), ("MJD-END",), ("JD-END",))
_LOCAL = ("DATE-LOC", "DATE-LCL", "DATELOC", "LOCTIME", "LT-OBS", "TIME-LOC")
_UNITS = {"s": 1.0, "d": 86400.0, "min": 60.0, "h": 3600.0, "a": 365.25 * 86400.0}

_ROLES = {
    "start": re.compile(r"\b(start\w*|begin\w*|began|beg|opens?|opened|opening)\b", re.IGNORECASE),
    "mid": re.compile(r"\b(mid\w*|mean|averaged?|cent(?:re|er))\b", re.IGNORECASE),
    "end": re.compile(r"\b(end|ends|ended|stop\w*|finish\w*|closed?|closing)\b", re.IGNORECASE),
}
_IS_LOCAL = re.compile(r"\blocal\b", re.IGNORECASE)
_IS_UTC = re.compile(r"\b(utc?|gmt|universal)\b", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class ExposureTimes:
    """When a frame was exposed; None where the header does not state it.

    ISO 8601 texts carry milliseconds and end in Z; the ``unix`` ones are POSIX seconds.
    ``start_local`` is a camera clock without a known zone, ISO 8601 without suffix.
    """

    start_utc: str | None = None
    mid_utc: str | None = None
    start_unix: float | None = None
    mid_unix: float | None = None
    elapsed_s: float | None = None
    start_local: str | None = None
    source: str | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Moment:
    time: Instant
    key: str
    role: str  # start, mid, end
    stated: bool = True


def exposure_times(cards: Cards, exposure_s: float | None) -> ExposureTimes:
    """Work out start and middle of the exposure in UTC.

    Parameters
    ----------
    cards : Cards
    exposure_s : float or None
        Exposure time, seconds.

    Returns
    -------
    ExposureTimes
        ``mid = DATE-AVG``, else ``start + elapsed / 2`` with TELAPSE for the elapsed
        time, else the exposure.

    References
    ----------
    FITS Standard 4.0, section 9; Rots et al. 2015, A&A 574, A36.
    """
    notes: list[str] = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a far-off year makes the time library warn
        try:
            return _exposure_times(cards, exposure_s, notes)
        except (ValueError, OverflowError) as error:
            notes.append(f"the time keywords were not understood: {error}")
            return ExposureTimes(notes=tuple(notes))


def _exposure_times(cards: Cards, exposure_s: float | None, notes: list[str]) -> ExposureTimes:
    local = next((text for key in _LOCAL if (text := plain_text(cards.text(key)))), None)
    elapsed = _elapsed(cards, exposure_s, notes)
    scale = scale_of(cards, notes)
    if scale is None:
        local = local or plain_text(cards.text(*_START_DATES))
        return ExposureTimes(elapsed_s=elapsed, start_local=local, notes=tuple(notes))
    first = _first_moment(cards, scale, notes)
    mid = _named(cards, _MID, "mid", scale, notes)
    end = _named(cards, _END, "end", scale, notes)
    if first is not None and first.role == "mid":
        mid, first = mid or first, None
    elif first is not None and first.role == "end":
        end, first = end or first, None
    if first is None and mid is None and end is None:
        if local is None and any(_IS_LOCAL.search(cards.comment(k)) for k in _START_DATES):
            local = plain_text(cards.text(*_START_DATES))
        return ExposureTimes(elapsed_s=elapsed, start_local=local, notes=tuple(notes))
    start, mid, source = _start_and_mid(first, mid, end, elapsed, exposure_s, notes)
    _compare_day_numbers(cards, source[0], start, mid, scale, notes)
    if first is not None and not first.stated and len(source) == 1:
        notes.append(f"{first.key} was taken as the start of the exposure, as FITS assumes")
    return ExposureTimes(
        start_utc=iso(start),
        mid_utc=iso(mid),
        start_unix=posix(start),
        mid_unix=posix(mid),
        elapsed_s=elapsed,
        start_local=local,
        source=" and ".join(source),
        notes=tuple(notes),
    )


def _start_and_mid(
    first: _Moment | None,
    mid: _Moment | None,
    end: _Moment | None,
    elapsed: float | None,
    exposure_s: float | None,
    notes: list[str],
) -> tuple[Instant | None, Instant | None, list[str]]:
    """Start and middle as instants (None where unknown) and the keywords used."""
    length = elapsed if elapsed is not None else exposure_s
    source = []
    start = None
    if first is not None:
        start = first.time
        source.append(first.key)
        if length is None and end is not None and 0.0 < seconds_between(end.time, start) < 86400.0:
            length = seconds_between(end.time, start)
            source.append(end.key)
    if mid is not None and start is not None:
        late = seconds_between(mid.time, start)
        longest = (length or 0.0) + 60.0
        if not -0.5 <= late <= longest:
            notes.append(f"{mid.key} lies {late:.1f} s after {first.key}: not used")
            mid = None
    if mid is None and start is None:
        source.append(end.key)
        if length is None:
            notes.append(f"only the end of the exposure is known ({end.key}), not its length")
            return None, None, source
        start = shifted(end.time, -length)
    elif start is None:
        source.append(mid.key)
        if length is not None:
            start = shifted(mid.time, -length / 2)
        return start, mid.time, source
    if mid is not None:
        source.append(mid.key)
        return start, mid.time, source
    return start, None if length is None else shifted(start, length / 2), source


def _first_moment(cards: Cards, scale: str, notes: list[str]) -> _Moment | None:
    """The best statement about the start: DATE-BEG, MJD-BEG, DATE-OBS, MJD-OBS, ..."""
    dates = [k for k in _START_DATES if k in cards]
    beginning = [k for k in dates if k == "DATE-BEG"]
    others = [k for k in dates if k != "DATE-BEG"]
    tries = (
        lambda: _first_date(cards, beginning, scale, notes),
        lambda: _day_number(cards, ("MJD-BEG", "JD-BEG"), scale, notes),
        lambda: _first_date(cards, others, scale, notes),
        lambda: _day_number(cards, (*_START_MJD, *_START_JD), scale, notes),
        lambda: _relative_start(cards, scale),
        lambda: _midnight(cards, others, notes),
    )
    for attempt in tries:
        moment = attempt()
        if moment is not None:
            return moment
    return None


def _first_date(cards: Cards, keys: Sequence[str], scale: str, notes: list[str]) -> _Moment | None:
    for key in keys:
        text, comment = cards.text(key), cards.comment(key)
        if text is None:
            continue
        if _IS_LOCAL.search(comment) and not _IS_UTC.search(comment):
            notes.append(f"{key} is local time by its comment: not used as UTC")
            continue
        date, clock, offset = split_date(text, key, notes)
        if date is None:
            notes.append(f"{key} = {text!r} is not a date")
            continue
        used = key
        if clock is None or clock == (0, 0, 0.0):
            separate, clock_key = _separate_clock(cards)
            if separate is not None:
                clock, comment, used = separate, cards.comment(clock_key), f"{key} and {clock_key}"
        if clock is None:
            continue  # a date alone says nothing of the time: MJD keywords may
        try:
            time = moment_of(date, clock, scale, offset)
        except ValueError as error:
            notes.append(f"{key} = {text!r} is not a valid date: {error}")
            continue
        if key == "DATE-BEG":
            return _Moment(time, used, "start")
        return _Moment(time, used, *_role(comment))
    return None


def _role(comment: str) -> tuple[str, bool]:
    """Instant that the first such word of a comment names for a date, and whether there is one."""
    found = [(match.start(), role) for role, p in _ROLES.items() if (match := p.search(comment))]
    return (min(found)[1], True) if found else ("start", False)


def _named(
    cards: Cards, groups: Sequence[Sequence[str]], role: str, scale: str, notes: list[str]
) -> _Moment | None:
    """DATE-AVG or DATE-END and their MJD and JD forms."""
    dates, *numbers = groups
    for key in dates:
        text = cards.text(key)
        if text is None:
            continue
        date, clock, offset = split_date(text, key, notes)
        if date is None or clock is None:
            notes.append(f"{key} = {text!r} is not a date and time")
            continue
        try:
            return _Moment(moment_of(date, clock, scale, offset), key, role)
        except ValueError as error:
            notes.append(f"{key} = {text!r} is not a valid date: {error}")
    for keys in numbers:
        moment = _day_number(cards, keys, scale, notes)
        if moment is not None:
            return _Moment(moment.time, moment.key, role)
    return None


def _day_number(cards: Cards, keys: Sequence[str], scale: str, notes: list[str]) -> _Moment | None:
    for key in keys:
        number = cards.number(key)
        if number is None:
            continue
        mjd = number if number < 1e6 else number - MJD_OF_JD
        if not 15000.0 < mjd < 110000.0:  # years 1899 to 2160
            notes.append(f"{key} = {number} is not a plausible day number")
            continue
        if "JD-OBS" in key and mjd == math.floor(mjd):
            continue  # midnight to the bit: a date without its time
        time = moment_of_day_number(number, scale)
        role, stated = _role(cards.comment(key))
        return _Moment(time, key, role, stated or key.endswith("BEG"))
    return None


def _relative_start(cards: Cards, scale: str) -> _Moment | None:
    """TSTART counted from a reference time; MJDREF overrides JDREF, JDREF overrides DATEREF."""
    begin = cards.number("TSTART")
    if begin is None:
        return None
    whole, part = cards.number("MJDREFI"), cards.number("MJDREFF")
    mjd, jd, text = cards.number("MJDREF"), cards.number("JDREF"), cards.text("DATEREF")
    if whole is not None or mjd is not None:
        key = "MJDREF"
        mjd = mjd if whole is None else whole + (part or 0.0)
        reference = moment_of_day_number(mjd, scale)
    elif jd is not None:
        key, reference = "JDREF", moment_of_day_number(jd, scale)
    else:
        date, clock, offset = split_date(text or "", "DATEREF", [])
        if date is None:
            return None
        key, reference = "DATEREF", moment_of(date, clock or (0, 0, 0.0), scale, offset)
    return _Moment(shifted(reference, begin * time_unit(cards)), f"{key} and TSTART", "start")


def _midnight(cards: Cards, keys: Sequence[str], notes: list[str]) -> None:
    for key in keys:
        if cards.text(key) is not None and not any(key in note for note in notes):
            notes.append(f"{key} holds a date without a time of day: the time is not known")
            break


def _compare_day_numbers(
    cards: Cards,
    used: str,
    start: Instant | None,
    mid: Instant | None,
    scale: str,
    notes: list[str],
) -> None:
    """Remark on an MJD-OBS or JD-OBS that is neither the start nor the middle found."""
    if start is None:
        return
    for key in ("MJD-OBS", "JD-OBS"):
        other = _day_number(cards, (key,), scale, []) if key not in used else None
        if other is None or other.role != "start":
            continue
        late = [seconds_between(other.time, t) for t in (start, mid) if t is not None]
        if min(map(abs, late)) > 1.0:
            way = "after" if late[0] > 0 else "before"
            notes.append(f"{key} is {abs(late[0]):.1f} s {way} the start by {used}, which was used")


def _separate_clock(cards: Cards) -> tuple[tuple[int, int, float] | None, str | None]:
    for key in _TIME_OF_DAY:
        text = cards.text(key)
        if text is None or _IS_LOCAL.search(cards.comment(key)):
            continue
        found = CLOCK.match(text.split("T")[-1].strip())
        if found:
            return clock_of(found), key
    return None, None


def _elapsed(cards: Cards, exposure_s: float | None, notes: list[str]) -> float | None:
    elapsed = cards.number("TELAPSE")
    if elapsed is None:
        return None
    elapsed *= time_unit(cards)
    if not 0.0 < elapsed < 1e6 or elapsed < 0.99 * (exposure_s or 0.0):
        notes.append(f"TELAPSE = {cards.get('TELAPSE')} is shorter than the exposure: not used")
        return None
    return elapsed


def time_unit(cards: Cards) -> float:
    """Seconds in the unit of TIMEUNIT, which FITS gives XPOSURE and TELAPSE; 1 where silent."""
    return _UNITS.get((cards.text("TIMEUNIT") or "s").strip().lower(), 1.0)
