"""Colour-sensor mosaics: which colour lies under the stored array's first pixels."""

from __future__ import annotations

import re

from subgrade.lights.cards import Cards

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
PATTERN_KEYS = ("BAYERPAT", "CFAPAT", "CFA_PAT", "CFATYPE", "COLORTYP", "COLORTYPE", "BAYER")
_X_OFFSET = ("XBAYROFF", "BAYROFFX", "BAYOFFX")
_Y_OFFSET = ("YBAYROFF", "BAYROFFY", "BAYOFFY")
_MONO = {"MONO", "MONOCHROME", "GRAY", "GREY", "F", "FALSE", "0"}


def green_parity(pattern: str) -> int:
    """Which diagonal of the 2x2 cell is green.

    Parameters
    ----------
    pattern : str
        Row by row, first stored row first, e.g. ``RGGB``.

    Returns
    -------
    int
        Greens are the pixels with ``(x + y) % 2`` equal to this: 0 or 1.
    """
    if pattern not in PATTERNS:
        raise ValueError(f"{pattern!r} is not one of {', '.join(PATTERNS)}")
    return 0 if pattern[0] == "G" else 1


def shifted_pattern(pattern: str, x: int, y: int) -> str:
    """The pattern as seen from pixel (x, y) of the array it describes."""
    return "".join(pattern[2 * ((y + j) % 2) + (x + i) % 2] for j in (0, 1) for i in (0, 1))


def pattern_word(text: str) -> str | None:
    """One of `PATTERNS` from a free spelling (``'rg/gb'``, ``'BAYER_RGGB16'``), else None."""
    letters = re.sub(r"[^A-Z]", "", text.upper())
    if letters in PATTERNS:
        return letters
    found = [pattern for pattern in PATTERNS if pattern in letters]
    return found[0] if len(found) == 1 else None


def is_number(text: str | None) -> bool:
    """Whether a text is a bare number, which names no pattern."""
    return text is not None and re.fullmatch(r"[+-]?\d+(\.\d*)?", text) is not None


def header_mosaic(cards: Cards, height: int, colour: bool, notes: list[str]) -> str | None:
    """The mosaic of the stored array by its header.

    The pattern keyword describes the sensor from its top-left pixel; the offsets
    say where in the pattern the array begins; ROWORDER says whether the first
    stored row is the top one (common practice, no source).  Silent, it is.

    Parameters
    ----------
    cards : Cards
    height : int
        Rows of the stored array.
    colour : bool
        Whether the file holds three colour planes, which have no mosaic.
    notes : list of str
        Receives what was not understood.

    Returns
    -------
    str or None
    """
    text, key = cards.text_and_key(*PATTERN_KEYS)
    if text is None or text.upper() in _MONO or colour or is_number(text):
        return None  # a number names no pattern: see `subgrade.lights.lattice`
    pattern = pattern_word(text)
    if pattern is None:
        if not key.startswith("COLORTYP"):  # these also hold words such as RGB
            notes.append(f"{key} = {text!r} is not a known colour pattern: read as monochrome")
        return None
    steps = [cards.whole(k) for k in ("CHNLXSTP", "CHNLYSTP")]
    if any(step is not None and step > 1 for step in steps):
        notes.append("one colour plane of a mosaic, every second pixel: read as monochrome")
        return None
    x, y = (int(cards.number(*keys) or 0) for keys in (_X_OFFSET, _Y_OFFSET))
    if _bottom_up(cards, notes):
        # stored row 0 is image row height - 1, and the rows run upwards from there
        return shifted_pattern(pattern, x, y + height - 1)
    return shifted_pattern(pattern, x, y)


def _bottom_up(cards: Cards, notes: list[str]) -> bool:
    order = cards.text("ROWORDER")
    word = re.sub(r"[^A-Z]", "", order.upper()) if order else ""
    if word.startswith("BOTTOM"):
        return True
    if word and not word.startswith("TOP"):
        notes.append(f"ROWORDER = {order!r} was not understood: top row first was assumed")
    return False
