"""Colour-sensor mosaics: which colour lies under the stored array's first pixels.

Whether pixels are those of a colour mosaic, where a header only hints at one.

The four places of the 2x2 cell are compared over the frame in three ways: the level of the
sky, its noise, and the light of what stands out of it.  In a mosaic the two green places
of a cell, on one diagonal, are alike, and others are not.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from subgrade.constants import MAD_TO_SIGMA, MEDIAN_ERROR
from subgrade.lights.header_cards import Cards
from subgrade.lights.model import Pixels
from subgrade.robust import scatter

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

    Raises
    ------
    ValueError
        If it is no pattern of a mosaic.
    """
    if pattern not in PATTERNS:
        raise ValueError(f"{pattern!r} is not one of {', '.join(PATTERNS)}")
    return 0 if pattern[0] == "G" else 1


def _shifted_pattern(pattern: str, x: int, y: int) -> str:
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
        return None  # a number names no pattern: see `subgrade.lights.mosaic`
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
        return _shifted_pattern(pattern, x, y + height - 1)
    return _shifted_pattern(pattern, x, y)


def _bottom_up(cards: Cards, notes: list[str]) -> bool:
    order = cards.text("ROWORDER")
    word = re.sub(r"[^A-Z]", "", order.upper()) if order else ""
    if word.startswith("BOTTOM"):
        return True
    if word and not word.startswith("TOP"):
        notes.append(f"ROWORDER = {order!r} was not understood: top row first was assumed")
    return False


HINT_KEYS = ("FILTER", "FILTERS", "FILTER1", "COLORSPC", "CSPACE", "SENSOR", "CCDTYPE")
"""Keywords that are not meant for a pattern and may hold one; common practice, no source."""
TILE, MOST_TILES = 32, 900
FEWEST_TILES = 9
DIFFERS = 7.0
"""Standard errors from which two places of the cell differ: of three kinds of difference at two
diagonals, errors taken from the scatter over tiles, chance brings it once in 1e10."""
ALIKE = 0.25
"""Greens may differ by this share of what the others do; real ones do by up to some 5 % of the
level, by the light that leaks in from their neighbours.  A choice."""
LEAST = (0.2, 0.05, 0.05)
"""Differences that a monochrome sensor stays under: of level in noises, and relative ones of
noise and of starlight.  The rows of a real dark frame differ by 0.1 noises.  A choice."""
STANDS_OUT = 8.0
"""Light of a cell over its noise from which it is a star's."""


def hinted_mosaic(cards: Cards) -> tuple[str | None, str] | None:
    """A mosaic that a keyword hints at without stating it.

    Returns
    -------
    (str or None, str) or None
        Pattern, None where only some mosaic is hinted at; and the hint as it stands.
    """
    for key in PATTERN_KEYS:
        if is_number(cards.text(key)):
            return None, f"{key} = {cards.get(key)!r}"
    for key in HINT_KEYS:
        text = cards.text(key) or ""
        pattern = pattern_word(text)
        if pattern or text.upper() in ("BAYER", "CFA", "OSC", "RAW COLOR", "RAW COLOUR"):
            return pattern, f"{key} = {text!r}"
    return None


def mosaic_of_hint(pixels: Pixels, pattern: str | None, hint: str) -> tuple[str | None, str]:
    """What the pixels say to a hint.

    Parameters
    ----------
    pixels : Pixels
    pattern, hint : str or None, str
        As `hinted_mosaic` gives them.

    Returns
    -------
    str or None
        Pattern of the stored array, None where the pixels show no mosaic.
    str
        A note.
    """
    shown = green_diagonals(pixels)
    if not shown:
        # a nought is how most programs write that there is none
        note = f"{hint} hints at a colour mosaic, the pixels show none: read as monochrome"
        return None, "" if hint.strip("'").endswith("= 0") else note
    stated = {green_parity(pattern)} if pattern else set()
    if stated & shown:
        return pattern, f"{hint} hints at a colour mosaic, and the pixels show one"
    if len(shown) == 2:
        return None, (
            f"{hint} hints at a colour mosaic, and the pixels do not tell its greens: "
            "read as monochrome"
        )
    parity = min(shown)
    found = next(p for p in PATTERNS if green_parity(p) == parity)
    which = f"green elsewhere than {pattern} has it" if pattern else "which places are green"
    return found, f"{hint} hints at a colour mosaic; the pixels show {which}, not which are red"


def green_diagonals(pixels: Pixels) -> set[int]:
    """Diagonals of the 2x2 cell that can be a mosaic's green ones.

    Parameters
    ----------
    pixels : Pixels

    Returns
    -------
    set of int
        Values of ``(x + y) % 2``; none where the pixels show no mosaic, both where each
        diagonal is alike in itself and unlike the other.
    """
    kinds = zip(_by_place(pixels), LEAST, strict=True)
    shown = [found for kind, least in kinds if (found := _diagonals(kind, least))]
    return set.intersection(*shown) if shown else set()


def _diagonals(value: np.ndarray, least: float) -> set[int]:
    """The same by one kind of difference; shape (tiles, 4), relative to the tile's mean."""
    value = value[np.isfinite(value).all(axis=1)]
    if len(value) < FEWEST_TILES:
        return set()

    def beyond(weights: Sequence[float]) -> tuple[float, bool]:
        each = value @ np.array(weights, float)
        middle = float(np.median(each))
        spread = scatter(each, middle)
        error = MEDIAN_ERROR * max(spread, 1e-9) / np.sqrt(len(each))
        return abs(middle), abs(middle) > max(DIFFERS * error, least)

    even, even_differs = beyond((1, 0, 0, -1))
    odd, odd_differs = beyond((0, 1, -1, 0))
    between, apart = beyond((0.5, -0.5, -0.5, 0.5))
    if not (even_differs or odd_differs):
        return {0, 1} if apart else set()
    green, other = (0, odd) if even < odd else (1, even)
    alike = min(even, odd) < ALIKE * max(other, between)
    # rows or columns of different level, as of two amplifiers, leave the diagonals' means alike
    return {green} if alike and apart else set()


def _by_place(pixels: Pixels) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sky, its noise, and starlight at the places of the cell, each shape (tiles, 4)."""
    height, width = pixels.shape
    side = 2 * TILE
    rows = np.arange(0, height - side + 1, side)
    columns = np.arange(0, width - side + 1, side)
    every = max(1, int(np.ceil(np.sqrt(len(rows) * len(columns) / MOST_TILES))))
    level, noise, light = [], [], []
    for y in rows[every // 2 :: every]:
        strip = replace(pixels, data=pixels.data[y : y + side]).physical()
        for x in columns[every // 2 :: every]:
            cells = strip[:, x : x + side].reshape(TILE, 2, TILE, 2).transpose(1, 3, 0, 2)
            found = _of_tile(cells.reshape(4, -1).astype(np.float64))
            for values, value in zip((level, noise, light), found, strict=True):
                values.append(value)
    return tuple(np.array(values).reshape(-1, 4) for values in (level, noise, light))


def _of_tile(cells: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Level in noises, relative noise, relative starlight at the four places; NaN for none."""
    nothing = np.full(4, np.nan)
    good = np.isfinite(cells).all(axis=0)
    if good.mean() < 0.5:
        return nothing, nothing, nothing
    cells = cells[:, good]
    middle = np.median(cells, axis=1, keepdims=True)
    spread = MAD_TO_SIGMA * np.median(np.abs(cells - middle), axis=1, keepdims=True)
    spread = np.maximum(spread, 0.3)  # whole numbers
    sky = (np.abs(cells - middle) < 3 * spread).all(axis=0)
    if sky.sum() < 64:
        return nothing, nothing, nothing
    level, noise = cells[:, sky].mean(axis=1), cells[:, sky].std(axis=1)
    usual = max(float(np.sqrt(np.mean(noise**2))), 0.3)
    light = nothing
    above = cells - level[:, None]
    stars = above.sum(axis=0) > STANDS_OUT * 2 * usual
    if stars.sum() >= 4:
        total = above[:, stars].sum(axis=1)
        light = total / total.mean() if total.mean() > 0 else nothing
    return (level - level.mean()) / usual, noise / usual, light
