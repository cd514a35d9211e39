"""Numbers as a person writes them, and the cautions that go with advice."""

from __future__ import annotations

import math

from subgrade.figures import with_error

SURE, LIKELY = 0.9, 0.65
"""Sureness of high confidence, and of fair confidence; a choice, no source."""

HEAVY = (
    "A heavy mount can tip and pinch a hand: support it before you loosen a bolt, and keep hands "
    "clear while it moves. By day keep the telescope covered and turned away from the Sun."
)
BALANCE = (
    "Hold the tube before you open a clutch; take the telescope off before the counterweights, "
    "and never stand under either."
)
CLAMPS = "Point the tube low and hold what you loosen: a freed camera or tube falls."
COLLIMATION = (
    "Collimate on a star at night, never with the Sun up; hold what you loosen: a freed camera "
    "falls."
)
MAINS = (
    "Dew heaters outdoors: low voltage from a fused, isolated supply kept off the wet ground; "
    "mains wiring is for a qualified person under your local electrical code."
)
GUESSED = {
    verb: f"have {verb}"
    for verb in (
        "moved",
        "oscillated",
        "drifted",
        "rotated",
        "jumped",
        "dimmed",
        "enlarged",
        "started",
        "affected",
        "had",
    )
} | {"was": "have been", "is": "be", "shrink": "shrink", "grow": "grow"}
"""Verb of a finding's sentence, and what follows "may" in its place."""
SUN = "Never let the telescope, finder or guide scope point near the Sun."


def sure_word(sureness: float) -> str:
    """``sure``, ``likely`` or ``possible``: high, fair or low confidence."""
    return "sure" if sureness >= SURE else "likely" if sureness >= LIKELY else "possible"


def possibly(sentence: str) -> str:
    """The same as a guess: "may" stands before its first verb.

    >>> possibly("Wind moved it."), possibly("Tracking was lost in 1 frame.")
    ('Wind may have moved it.', 'Tracking may have been lost in 1 frame.')
    """
    words = sentence.split(" ")
    at = next((k for k, word in enumerate(words) if word in GUESSED), None)
    if at is None:
        return f"Possibly {sentence[:1].lower()}{sentence[1:]}"
    return " ".join([*words[:at], "may", GUESSED[words[at]], *words[at + 1 :]])


def number(value: float, error: float | None = None, unit: str = "") -> str:
    """A number rounded to its error, or to three figures without one.

    >>> number(9.934, 0.42, "′"), number(169.9, 1.2, "s"), number(0.0412)
    ('9.9 ± 0.4′', '169.9 ± 1.2 s', '0.041')
    """
    if not math.isfinite(value):
        return "unknown"
    space = "" if unit[:1] in ("", "″", "′", "%") or unit == "°" else " "
    if error is None or not math.isfinite(error) or error <= 0:
        places = (
            1 if value == 0 else max(0, 2 - math.floor(math.log10(abs(value))) - (abs(value) < 1))
        )
        return f"{value:.{places}f}{space}{unit}"
    if round(error, 6) == 0:
        return number(value, None, unit)
    return with_error(value, error, unit)


def duration(seconds: float) -> str:
    """Time in the units a person would use, halves rounded up.

    >>> duration(5400), duration(240), duration(150), duration(12)
    ('1 h 30 min', '4 min', '3 min', '12 s')
    """
    seconds = round(seconds, 1)  # sums of exposures carry the noise of floats
    if seconds < 59.5:
        return f"{math.floor(seconds + 0.5)} s"
    hours, minutes = divmod(math.floor(seconds / 60 + 0.5), 60)
    if not hours:
        return f"{minutes} min"
    return f"{hours} h {minutes:02d} min" if minutes else f"{hours} h"
