"""Numbers that one night's session holds, under the names that its findings give them."""

from __future__ import annotations

import math
from collections import Counter

from subgrade.diagnosis import duration
from subgrade.season.model import NAN, GradedNight, NightSeries, Setup

LONG_S = 36000.0
"""A time of which minutes are not stated: a choice."""
Known = tuple[float, float]
"""A value and its error, NaN where unknown."""


def numbers_of(night: GradedNight, topic: str) -> dict[str, Known]:
    """Numbers of the finding on a topic by name; empty where the night has none of its own."""
    for found in diagnosis_of(night).get("findings") or ():
        if found.get("topic") == topic:
            return by_name(found.get("numbers") or ())
    return {}


def unit_of(night: GradedNight, topic: str, name: str) -> str:
    """Unit of one number of a finding."""
    for found in diagnosis_of(night).get("findings") or ():
        for number in found.get("numbers") or () if found.get("topic") == topic else ():
            if number.get("name") == name:
                return number.get("unit") or ""
    return ""


def pole_of(night: GradedNight) -> dict[str, Known]:
    """What the night shows of its polar axis, however small; of older results the finding."""
    kept = diagnosis_of(night).get("pole")
    return by_name(kept) if kept else numbers_of(night, "polar alignment")


def diagnosis_of(night: GradedNight) -> dict:
    """The diagnosis, as far as it is this night's."""
    return (night.record.get("diagnosis") or {}) if night.alone else {}


def guiding_of(night: GradedNight) -> dict:
    """The guiding record's numbers, as far as they are this night's and can be used."""
    found = (night.record.get("guiding") or {}) if night.alone else {}
    return found if found.get("used") else {}


def guided_number(night: GradedNight, name: str) -> float:
    """One number of the guiding record; NaN where it has none."""
    return as_number(guiding_of(night).get(name))


def as_number(value) -> float:
    """A float, NaN for what is none."""
    return float(value) if isinstance(value, int | float) else NAN


def by_name(quantities) -> dict[str, Known]:
    """Quantities of a session by name."""
    return {
        q["name"]: (as_number(q.get("value")), as_number(q.get("error")) or NAN)  # 0 is none
        for q in quantities
        if isinstance(q, dict) and "name" in q
    }


def main_setup(night: GradedNight) -> Setup | None:
    """The setup that most of the night's frames were taken with: its mount is the night's."""
    series = main_series(night)
    return series.setup if series is not None else None


def main_series(night: GradedNight) -> NightSeries | None:
    """The series with most frames."""
    count = Counter(int(k) for k in night.frames.series if k >= 0)
    return night.series[count.most_common(1)[0][0]] if count else None


def hours(seconds: float) -> str:
    """A length of time for a sentence, as hours and minutes.

    >>> hours(5400.0), hours(240.0), hours(90000.0), hours(40.0)
    ('1 h 30 min', '4 min', '25 h', '40 s')
    """
    if not math.isfinite(seconds):
        return "an unknown time"
    return duration(seconds) if seconds < LONG_S else f"{round(seconds / 3600.0)} h"
