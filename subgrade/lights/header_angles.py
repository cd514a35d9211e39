"""Angles as headers spell them, in degrees."""

from __future__ import annotations

import re

from subgrade.lights.header_cards import Cards, as_number

_NUMBER = re.compile(r"\d+(?:[.,]\d+)?")
_HEMISPHERE = re.compile(r"(?:\A|[\s\d\"'.])([NSEW])(?:\Z|[\s\d])", re.IGNORECASE)
_HOURS = re.compile(r"\b(h|hours?|hms|hour angle)\b|h\s*m\s*s|hh[: ]mm", re.IGNORECASE)


def sexagesimal(text: str) -> tuple[float, int] | None:
    """A number of one to three parts (``'-00:55:31'``, ``'51 30.5'``, ``'12h03m'``).

    Returns
    -------
    (float, int) or None
        The value in units of the first part and how many parts there were; the
        sign may stand before a zero.  None where the text is no such number.
    """
    parts = [float(part.replace(",", ".")) for part in _NUMBER.findall(text)]
    if not 1 <= len(parts) <= 3 or any(part >= 60.0 for part in parts[1:]):
        return None
    value = sum(part / 60.0**i for i, part in enumerate(parts))
    return (-value if "-" in text.split(_NUMBER.search(text).group())[0] else value), len(parts)


def right_ascension(cards: Cards, *keys: str) -> float | None:
    """The first of the keywords that holds a right ascension, degrees in [0, 360).

    A number is in degrees and a sexagesimal text in hours, unless the comment or
    the size says otherwise (common practice, no source).
    """
    for key in keys:
        value = cards.get(key)
        hours = bool(_HOURS.search(cards.comment(key)))
        if isinstance(value, str):
            found = sexagesimal(value)
            if found is None:
                continue
            value, parts = found
            text = str(cards.get(key)).lower()
            degrees = "d" in text or "°" in text
            hours = not degrees and (hours or parts > 1) and value < 24.0
        else:
            value = as_number(value)
        if value is None:
            continue
        value *= 15.0 if hours and abs(value) <= 24.0 else 1.0
        if -360.0 <= value <= 360.0:
            return value % 360.0
    return None


def degrees(cards: Cards, limit: float, *keys: str) -> float | None:
    """The first of the keywords that holds an angle within +-limit (degrees), degrees.

    A hemisphere letter S or W in the text makes the angle negative.
    """
    for key in keys:
        value = cards.get(key)
        if isinstance(value, str):
            found = sexagesimal(value)
            if found is None:
                continue
            value = found[0]
            letter = _HEMISPHERE.search(str(cards.get(key)))
            if letter and letter.group(1).upper() in "SW":
                value = -abs(value)
        else:
            value = as_number(value)
        if value is not None and abs(value) <= limit:
            return value
    return None


def longitude(cards: Cards, *keys: str) -> float | None:
    """The first of the keywords that holds a longitude, degrees east in (-180, 180]."""
    for key in keys:
        value = degrees(cards, 360.0, key)
        if value is None:
            continue
        comment = cards.comment(key).lower()
        if re.search(r"west\w*[\s(]*(\+|pos)|(\+|pos)\w*[\s)=]*west", comment):
            value = -value
        return -((-value + 180.0) % 360.0 - 180.0)
    return None
