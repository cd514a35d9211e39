"""Measured numbers as a person reads them: digits, units, a value beside its limit."""

from __future__ import annotations

import math
from collections.abc import Sequence

MOST_DECIMALS = 5
"""Decimals after which two numbers that still read alike are left alike."""
LOST_IN_NOISE = 2.0
"""Standard errors of an eccentricity below which only an upper bound is shown: a choice."""
COUNTED = ("frames", "stars", "steps")
"""Units that come in whole numbers."""
CLOSE = ("", "″", "′", "°", "%")
"""Units written without a space."""


def figure(value: float, unit: str = "", digits: int = 3) -> str:
    """A number as a person writes it: few digits, unit behind, no exponent.

    >>> figure(2.8412, "px"), figure(1234.5, "ADU"), figure(0.04)
    ('2.84 px', '1234 ADU', '0.04')
    """
    if value is None or not math.isfinite(value):
        return "unknown"
    if value == 0:
        text = "0"
    elif unit == "%":
        text = f"{value:.{0 if abs(value) >= 10 else 1}f}"
    elif unit in COUNTED:
        text, unit = f"{value:.0f}", unit[:-1] if value == 1 else unit
    else:
        decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
        text = f"{value:.{min(decimals, 2)}f}"
    space = "" if unit in CLOSE else " "
    return f"{text}{space}{unit}"


def with_error(value: float, error: float, unit: str = "") -> str:
    """A value and its error to one decimal place: at most two digits of the error.

    JCGM 100:2008 (GUM), 7.2.6.  An error below the sixth decimal place is 0.

    >>> with_error(39.6, 2.52, "′"), with_error(169.9, 1.2, "s"), with_error(396.4, 96, "px")
    ('40 ± 3′', '169.9 ± 1.2 s', '400 ± 100 px')
    """
    lead = math.floor(math.log10(error)) if error > 0 else 0
    digits = -lead + (1 if error / 10.0**lead < 2.0 else 0)
    places = min(max(digits, 0), 6)
    value = round(value, digits) + 0.0  # no minus before a zero
    space = "" if unit[:1] in ("", "″", "′", "%") or unit == "°" else " "
    return f"{value:.{places}f} ± {round(error, digits):.{places}f}{space}{unit}"


def counted(count: int | str, thing: str = "frame") -> str:
    """``1 frame``, ``2 frames``, ``no frames``."""
    return f"{count} {thing}{'' if count == 1 else 's'}"


def listed(names: Sequence[str], last: str = "and") -> str:
    """Names in a row, with a word before the last of several.

    >>> listed(["R", "G", "B"]), listed(["R"]), listed(["R", "G", "B"], "or")
    ('R, G and B', 'R', 'R, G or B')
    """
    return f" {last} ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def likely(share: float) -> str:
    """A probability as a percentage that claims no certainty.

    >>> likely(0.5138), likely(0.9996), likely(0.004)
    ('51%', 'over 99%', 'under 1%')
    """
    if share > 0.99:
        return "over 99%"
    return f"{100 * share:.0f}%" if share >= 0.01 else "under 1%"


def beside(value: float, limit: float, unit: str = "", digits: int = 3) -> tuple[str, str]:
    """A value and what it is held against, with as many digits as it takes to distinguish them.

    >>> beside(0.5513, 0.55), beside(0.75, 0.55), beside(4.4131, 4.409, "px")
    (('0.551', '0.550'), ('0.75', '0.55'), ('4.413 px', '4.409 px'))
    """
    texts = figure(value, unit, digits), figure(limit, unit, digits)
    if texts[0] != texts[1] or value == limit or not math.isfinite(value + limit):
        return texts
    space = "" if unit in CLOSE else " "
    start = len(texts[0].removesuffix(unit).strip().partition(".")[2])
    for decimals in range(start + 1, MOST_DECIMALS + 1):
        texts = tuple(f"{number:.{decimals}f}{space}{unit}" for number in (value, limit))
        if texts[0] != texts[1]:
            break
    return texts


def eccentricity_text(value: float, error: float = math.nan) -> str:
    """An eccentricity, or an upper bound in tenths where it is lost in its noise.

    >>> eccentricity_text(0.4312, 0.01), eccentricity_text(0.0, 0.04), eccentricity_text(0.2)
    ('0.43', '< 0.1', '0.20')
    """
    if not math.isfinite(value):
        return "unknown"
    if lost_in_noise(value, error):
        bound = math.ceil(10 * math.hypot(value, LOST_IN_NOISE * error) - 1e-9) / 10
        return f"< {min(max(bound, 0.1), 1.0):.1f}"
    return f"{value:.2f}"


def lost_in_noise(value: float, error: float) -> bool:
    """Whether an eccentricity is shown as an upper bound; not where either is unknown."""
    return math.isfinite(error) and value < LOST_IN_NOISE * error


def on_sky(length_px: float, scale_arcsec: float | None) -> tuple[float, str]:
    """A length in the unit it is shown in: arcseconds where the scale is known, else pixels.

    >>> on_sky(4.0, 0.5), on_sky(4.0, None)
    ((2.0, '″'), (4.0, 'px'))
    """
    if scale_arcsec is None or not scale_arcsec > 0:
        return length_px, "px"
    return length_px * scale_arcsec, "″"


def length_text(length_px: float, scale_arcsec: float | None) -> str:
    """A length on the sky with its pixels in brackets, or in pixels where no scale is known.

    >>> length_text(4.0, 0.5), length_text(4.0, None)
    ('2.00″ (4.00 px)', '4.00 px')
    """
    value, unit = on_sky(length_px, scale_arcsec)
    return f"{figure(value, unit)} ({_px(length_px)})" if unit != "px" else _px(length_px)


def lengths_beside(value_px: float, limit_px: float, scale_arcsec: float | None) -> tuple[str, str]:
    """A length as `length_text` and its limit, as many digits as it takes to distinguish them.

    >>> lengths_beside(4.0, 3.0, 0.5), lengths_beside(4.0, 3.999, None)
    (('2.00″ (4.00 px)', '1.50″'), ('4.000 px', '3.999 px'))
    """
    (value, unit), (limit, _) = (on_sky(px, scale_arcsec) for px in (value_px, limit_px))
    shown, bar = beside(value, limit, unit)
    return (f"{shown} ({_px(value_px)})" if unit != "px" else shown), bar


def _px(length: float) -> str:
    return figure(length, "px")
