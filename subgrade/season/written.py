"""Amounts as sentences on many nights have them."""

from __future__ import annotations

import math

from subgrade.figures import figure, with_error

UNKNOWN = 1e-5
"""Relative errors below this stand for none: nothing here is measured so well."""


def amount(value: float, error: float, unit: str = "") -> str:
    """A value with its error where it has one.

    >>> amount(10.9, 0.71, "′"), amount(0.5432, float("nan"), "″"), amount(-1.2, 0.1, "% per °C")
    ('10.9 ± 0.7′', '0.54″', '−1.20 ± 0.10% per °C')
    """
    if math.isfinite(value) and math.isfinite(error) and error > UNKNOWN * abs(value):
        text = with_error(value, error, unit)
    else:
        text = f"{value:.2g}{unit}" if unit[:1] == "%" else figure(value, unit)
    return f"−{text[1:]}" if text.startswith("-") else text


def per_month(slope: float, error: float, unit: str) -> str:
    """A trend without its sign.

    >>> per_month(-1.234, 0.21, "″")
    '1.2 ± 0.2″ a month'
    """
    return f"{amount(abs(slope), error, unit)} a month"


def roughly(value: float, unit: str) -> str:
    """A number to two figures.

    >>> roughly(0.0374, "″"), roughly(1.23, "mag"), roughly(0.5, "% per °C")
    ('0.037″', '1.2 mag', '0.5% per °C')
    """
    space = "" if unit[:1] in ("", "″", "′", "%", "°") else " "
    return f"{value:.2g}{space}{unit}"
