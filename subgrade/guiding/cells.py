"""Numbers in cells: decimal commas, unit tails, direction letters, and the words for nothing."""

from __future__ import annotations

import re

import numpy as np

NAN = float("nan")

HUGE = 1e16
"""Larger numbers are damage; microseconds since 1970, the largest of use, stay below."""

NOTHING = {
    "", "-", "--", "---", "----", "nan", "n/a", "na", "none", "null", "?", "*", "inf", "-inf", ".",
    "lost", "x",
}  # fmt: skip
"""Words that stand for a number that is not there."""

SIDES = {
    "e": 1, "east": 1, "ea": 1, "right": 1, "r": 1, "+": 1, "plus": 1, "ost": 1, "est": 1,
    "w": -1, "west": -1, "we": -1, "left": -1, "l": -1, "-": -1, "minus": -1, "ouest": -1,
    "n": 1, "north": 1, "no": 1, "up": 1, "u": 1, "nord": 1,
    "s": -1, "south": -1, "so": -1, "down": -1, "d": -1, "sud": -1, "süd": -1,
}  # fmt: skip
"""Sign of a direction word: east, north, right and up are positive (a choice, no source)."""

_NUMBER = re.compile(
    r"\s*([A-Za-z+\-−]{1,5}\s+|[A-Za-z])?\s*([+\-−]?\s?(?:\d+\.?\d*|\.\d+)(?:[eE][+\-]?\d+)?)"
    r"\s*(?:ms|px|pix|pixels?|arcsec|as|\"|″|''|s|adu|dB|%)?\s*([A-Za-z]{1,5})?\s*"
)


def to_numbers(cells, comma: bool = False) -> np.ndarray:
    """A column of cells as floats, NaN where a cell holds no number.

    Parameters
    ----------
    cells : sequence of str
    comma : bool
        Whether the decimal mark is a comma.
    """
    if comma:
        cells = [c.replace(",", ".") for c in cells]
    try:
        values = np.array([float(c) if c else NAN for c in cells])
    except ValueError:
        return np.array([to_number(c) for c in cells])
    values[~(np.abs(values) < HUGE)] = NAN
    return values


def to_number(cell: str) -> float:
    """One cell as a float; a direction letter beside the number gives its sign."""
    if not cell:
        return NAN
    try:
        value = float(cell)
        return value if abs(value) < HUGE else NAN
    except ValueError:
        pass
    text = cell.strip().strip('"').strip()
    if text.lower() in NOTHING:
        return NAN
    found = _NUMBER.fullmatch(text)
    if found is None:
        return NAN
    side = (found[1] or found[3] or "").strip().lower()
    if side and side not in SIDES:
        return NAN
    try:
        value = float(found[2].replace("−", "-").replace(" ", ""))
    except (ValueError, OverflowError):
        return NAN
    if abs(value) > HUGE:
        return NAN
    return value * SIDES[side] if side else value


def to_signs(cells) -> np.ndarray:
    """Direction words as +1, -1; NaN for anything else (no pulse)."""
    known: dict[str, float] = {}
    for cell in set(cells):
        word = cell.strip().strip('"').lower()
        known[cell] = SIDES.get(word, NAN)
        if word not in SIDES:
            number = to_number(word)
            known[cell] = float(np.sign(number)) if number == number and number else NAN
    return np.array([known[c] for c in cells])


def is_number(cell: str) -> bool:
    """Whether a cell, of either decimal mark, holds a plain number."""
    try:
        float(cell.replace(",", ".", 1))
    except ValueError:
        return False
    return True


_COMMA = re.compile(r"\s*[+\-−]?\d+,\d+\s*")


def has_decimal_commas(rows) -> bool:
    """Whether cells hold numbers with a decimal comma."""
    comma = sum(bool(_COMMA.fullmatch(c)) for row in rows for c in row)
    point = sum("." in c and is_number(c) for row in rows for c in row)
    return comma > point
