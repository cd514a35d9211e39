"""The one list of unit words, for the titles of columns and for running text."""

from __future__ import annotations

import re
from collections.abc import Iterable

ARCSEC, PX, MS = "arcsec", "px", "ms"

ARCSECONDS = ("arcsec", "arcsecs", "arcsecond", "arcseconds", "arcs", "asec", "as", '"', "″", "''")
MILLIARCSECONDS = (
    "mas",
    "marcsec",
    "marcsecs",
    "milliarcsec",
    "milliarcsecs",
    "milliarcsecond",
    "milliarcseconds",
)
PIXELS = ("px", "pix", "pixel", "pixels", "pxl", "pixs")

UNITS = {
    **dict.fromkeys(ARCSECONDS, (ARCSEC, 1.0)),
    **dict.fromkeys(MILLIARCSECONDS, (ARCSEC, 0.001)),
    **dict.fromkeys(("arcmin", "arcminute", "arcminutes", "'", "′"), (ARCSEC, 60.0)),
    **dict.fromkeys(("deg", "degree", "degrees", "°"), (ARCSEC, 3600.0)),
    **dict.fromkeys(PIXELS, (PX, 1.0)),
    **dict.fromkeys(("ms", "msec", "msecs", "millisec", "milliseconds", "millis"), (MS, 1.0)),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), ("s", 1.0)),
    **dict.fromkeys(("min", "mins", "minute", "minutes"), ("s", 60.0)),
    **dict.fromkeys(("h", "hr", "hrs", "hours", "hour"), ("s", 3600.0)),
    **dict.fromkeys(("us", "µs", "μs", "microseconds"), ("s", 1e-6)),
    **dict.fromkeys(("adu", "dn", "counts", "e-", "electrons"), ("adu", 1.0)),
    **dict.fromkeys(("db",), ("db", 1.0)),
}
"""Unit word to (unit, factor)."""

_PARTED = re.compile(r"(arc|milli)[-\s]+(?=arc|sec|min)", re.IGNORECASE)


def unit_of(text: str) -> tuple[str, float] | None:
    """Unit and factor that a unit word names, None for other words.

    >>> unit_of("px"), unit_of("Arc-Sec."), unit_of("milli arc seconds"), unit_of("star")
    (('px', 1.0), ('arcsec', 1.0), ('arcsec', 0.001), None)
    """
    word = _PARTED.sub(r"\1", text.strip().strip(".").strip())
    return UNITS.get(word) or UNITS.get(word.lower())


def pattern_of(words: Iterable[str]) -> str:
    """A regular expression, without groups, of some unit words in running text.

    ``arc sec`` and ``milli-arcsec`` are found as well.  What follows the unit is the caller's
    to ask for.
    """
    longest_first = sorted(map(re.escape, words), key=len, reverse=True)
    spelled = (re.sub(r"(milli|arc)(?=arc|sec)", r"\1[- ]?", word) for word in longest_first)
    return f"(?:{'|'.join(spelled)})"
