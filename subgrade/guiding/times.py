"""Which column is the time, and in what form."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.guiding.clocktext import Dates, read_cells
from subgrade.guiding.layout import Header
from subgrade.guiding.titles import guesses, words_of

KINDS = {"iso": 5.0, "unix": 4.2, "jd": 4.1, "mjd": 4.0, "clock": 3.0, "s": 2.0}
"""Forms of a time, the more absolute the better."""


@dataclass(frozen=True, slots=True)
class Use:
    """One column put to use.

    Attributes
    ----------
    place : int
        Index of the column.
    role, unit : str
        As in `model.Column`; also ``date`` and ``remark``.
    factor : float
        What the cells are multiplied by; for times, seconds in one unit.
    sign : int
        -1 for a pulse column that counts west or south as positive.
    """

    place: int
    role: str
    unit: str
    factor: float
    sure: float
    why: str
    sign: int = 1


@dataclass(frozen=True, slots=True)
class Seen:
    """A column's sample: cells, numbers, how many of the filled cells are numbers."""

    cells: list[str]
    numbers: np.ndarray
    share: float
    filled: float

    @property
    def finite(self) -> np.ndarray:
        return self.numbers[np.isfinite(self.numbers)]


def time_columns(header: Header, seen: list[Seen], fixed) -> list[Use]:
    """The column (or date and time columns) that hold the time."""
    found: list[tuple[float, Use]] = []
    days: list[Use] = []
    for place, (title, unit) in enumerate(zip(header.titles, header.units, strict=True)):
        if place in fixed:
            continue
        guess = next((g for g in guesses(title, unit) if g.role == "time"), None)
        points = guess.points if guess else 0.0
        other = guesses(title, unit)
        if other and other[0].role in ("ra", "dec", "x", "y", "frame", "snr") and not guess:
            continue
        look = seen[place]
        kind, factor, sure = _time_kind(title, guess, look)
        if kind == "date":
            days.append(Use(place, "date", "date", 1.0, 0.95, "every cell is a date"))
        elif kind and (points > 0.1 or kind in ("iso", "clock")):
            why = f"{guess.why if guess else 'title does not name a time'}; {_KIND_WORDS[kind]}"
            utc = 0.3 if {"utc", "ut", "gmt"} & set(words_of(title)) else 0.0
            sure *= min(1.0, 0.6 + 0.4 * points)
            use = Use(place, "time", kind, factor, round(sure, 2), why)
            found.append((KINDS[kind] + utc + 0.5 * (points > 0.1) + sure - 0.01 * place, use))
    if not found:
        return []
    best = max(found, key=lambda f: f[0])[1]
    clocks = [f for f in found if f[1].unit == "clock"]
    if best.unit in ("clock", "s") and days and clocks:
        clock = max(clocks, key=lambda f: f[0])[1]
        return [min(days, key=lambda u: abs(u.place - clock.place)), clock]
    return [best]


_KIND_WORDS = {
    "iso": "cells hold a date and time",
    "clock": "cells hold a time of day",
    "unix": "numbers are seconds since 1970",
    "jd": "numbers are Julian days",
    "mjd": "numbers are modified Julian days",
    "s": "numbers increase like seconds",
}


def _time_kind(title: str, guess, look: Seen) -> tuple[str, float, float]:
    """How a column gives the time: kind, seconds in its unit (or factor), how sure."""
    if not look.cells:
        factor = guess.factor if guess and guess.factor else 1.0
        return ("s", factor, 0.3) if guess else ("", 0.0, 0.0)
    words = set(words_of(title))
    if look.share < 0.5:
        day, seconds, _, _ = read_cells(look.cells[:120], Dates())
        read = float(np.mean(day > -2))
        if read < 0.6:
            return "", 0.0, 0.0
        if np.isfinite(seconds).sum() < 0.5 * (day > -2).sum():
            return "date", 1.0, read
        if (day >= 0).sum() > 0.5 * (day > -2).sum():
            return "iso", 1.0, read
        if words & {"elapsed", "since"} and grows(seconds) and np.nanmin(seconds) < 3600:
            return "clock", 1.0, 0.7
        return "clock", 1.0, read
    values = look.finite
    if look.share < 0.8 or look.filled < 0.6 or len(values) < 1:
        return "", 0.0, 0.0
    if guess is None or not grows(values):
        compact = look.cells[0].strip()
        if guess is not None and len(compact) == 8 and compact.startswith(("19", "20")):
            return "date", 1.0, 0.8
        return "", 0.0, 0.0
    return _numeric_kind(values, words, guess.factor)


def _numeric_kind(values, words, factor) -> tuple[str, float, float]:
    middle = float(np.median(values))
    step = float(np.median(np.diff(values))) if len(values) > 1 else 1.0
    for low, high, scale in ((1e8, 5e9, 1.0), (1e11, 5e12, 1e-3), (1e14, 5e15, 1e-6)):
        if low <= middle <= high:
            return "unix", scale, 1.0
    if 2.3e6 <= middle <= 2.6e6 and step < 0.1:
        return "jd", 1.0, 1.0
    day_like = bool(words & {"mjd", "jd"}) or (step < 0.02 and factor == 0)
    if 3e4 <= middle <= 1e5 and day_like:
        # "JD" with five digits has lost its 2400000, not its half day
        return ("jd", 2400000.0, 0.9) if "jd" in words else ("mjd", 1.0, 0.95)
    if factor:
        return "s", factor, 0.95
    if step >= 300.0:
        return "s", 0.001, 0.7  # no guider is that slow: milliseconds
    return "s", 1.0, 0.9


def grows(values) -> bool:
    """Whether numbers mostly go up, as a clock does."""
    values = np.asarray(values)[np.isfinite(values)]
    if len(values) < 3:
        return True
    steps = np.diff(values)
    return float(np.mean(steps >= 0)) > 0.75 and float(np.mean(steps > 0)) > 0.4
