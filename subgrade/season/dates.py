"""Nights by name, as a sentence has them."""

from __future__ import annotations

import datetime
import re
from collections.abc import Sequence

MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)


def night_name(label: str, with_year: bool = False) -> str:
    """A night in a sentence; a label that is no date stays as it is.

    >>> night_name("2031-03-03"), night_name("2031-02-21, M 31"), night_name("2031-03-12", True)
    ('the 3rd of March', 'the 21st of February (M 31)', 'the 12th of March 2031')
    """
    day = date_of(label)
    if day is None:
        return label
    year = f" {day.year}" if with_year else ""
    more = in_brackets(label)[10:]
    return f"the {_ordinal(day.day)} of {MONTHS[day.month - 1]}{year}{more}"


def in_brackets(label: str) -> str:
    """A night's label with what parts it from others of its evening in brackets.

    >>> in_brackets("2031-03-03"), in_brackets("2031-03-03, 1.26″/px")
    ('2031-03-03', '2031-03-03 (1.26″/px)')
    """
    more = label[10:].removeprefix(",").strip()
    return f"{label[:10]} ({more})" if date_of(label) and more else label


def between(one: str, other: str, with_year: bool = False) -> str:
    """The time from one night to another: by their dates alone, where these differ.

    >>> between("2031-03-03", "2031-03-09")
    'between the 3rd and the 9th of March'
    >>> between("2031-02-28", "2031-03-02")
    'between the 28th of February and the 2nd of March'
    """
    first, second = date_of(one), date_of(other)
    plain = first is not None and second is not None and first != second
    if plain:  # what parts nights of one evening is not needed here
        one, other = one[:10], other[:10]
    if plain and (first.year, first.month) == (second.year, second.month):
        return f"between the {_ordinal(first.day)} and {night_name(other, with_year)}"
    if plain and first.year != second.year:
        with_year = True
    return f"between {night_name(one, with_year)} and {night_name(other, with_year)}"


def between_nights(labels: Sequence[str], one: int, other: int) -> str:
    """`between` two of the nights of a season, with the year where a date needs it.

    >>> between_nights(["2031-03-03", "2031-03-09", "2032-03-09"], 0, 1)
    'between the 3rd and the 9th of March 2031'
    """
    return between(labels[one], labels[other], several_years(labels))


def several_years(labels: Sequence[str]) -> bool:
    """Whether a date needs its year to be distinguished."""
    days = [day for label in labels if (day := date_of(label)) is not None]
    return bool(days) and (max(days) - min(days)).days > 330


def date_of(label: str) -> datetime.date | None:
    """The date that a night's label starts with; None where it has none."""
    found = re.match(r"\d{4}-\d\d-\d\d", label)
    try:
        return datetime.date.fromisoformat(found.group()) if found else None
    except ValueError:
        return None


def _ordinal(day: int) -> str:
    ending = "th" if 10 < day < 14 else {1: "st", 2: "nd", 3: "rd"}.get(day % 10, "th")
    return f"{day}{ending}"
