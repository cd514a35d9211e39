"""Types of options: numbers with their range in words, a share, a motion on the sky."""

from __future__ import annotations

import math
from collections.abc import Callable

import click


class Number(click.ParamType):
    """A number in a range, whole or not.

    Parameters
    ----------
    low, high : float
        Both allowed; ``high`` may be infinite.
    whole : bool
        Whether it must be an integer.
    """

    def __init__(self, low: float, high: float = math.inf, whole: bool = False):
        self.low, self.high, self.whole = low, high, whole
        self.name = "integer" if whole else "number"

    @property
    def range(self) -> str:
        """The range as help and errors give it.

        >>> Number(1, 1024).range, Number(0).range
        ('1 to 1024', '0 or more')
        """
        return f"{self.low:g} to {self.high:g}" if self.high < math.inf else f"{self.low:g} or more"

    def convert(
        self, value: object, parameter: click.Parameter | None, context: click.Context | None
    ) -> float:
        """The number; NaN, which every comparison lets through, is none."""
        try:
            number = (int if self.whole else float)(value)
        except (ValueError, OverflowError):
            number = math.nan
        if number != number:
            kind = "a whole number" if self.whole else "a number"
            self.fail(f"{value!r} is not {kind}", parameter, context)
        if not self.low <= number <= self.high:
            self.fail(f"{value} is out of range: {self.range}", parameter, context)
        return number


class Share(click.ParamType):
    """A share as a person writes it: ``80%``, or 0.8."""

    name = "share"

    def convert(
        self, value: object, parameter: click.Parameter | None, context: click.Context | None
    ) -> float:
        if isinstance(value, float):
            return value
        text = str(value).strip()
        try:
            share = float(text.removesuffix("%")) / (100.0 if text.endswith("%") else 1.0)
        except ValueError:
            share = math.nan
        if share != share:
            self.fail(f"{value!r} is not a share, as 80% or 0.8", parameter, context)
        if not 0.0 < share <= 1.0:
            meant = f"; for {share:g} per cent write {share:g}%" if 1.0 < share <= 100.0 else ""
            meant = "" if text.endswith("%") else meant
            self.fail(f"{value} must be above 0% and at most 100%{meant}", parameter, context)
        return share


class Motion(click.ParamType):
    """``RATE,PA``: arcseconds an hour, and degrees east of north."""

    name = "rate,pa"

    def convert(
        self, value: object, parameter: click.Parameter | None, context: click.Context | None
    ) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        try:
            rate, angle = (float(part) for part in str(value).split(","))
        except ValueError:
            self.fail(f"{value!r} is not RATE,PA, two numbers as in 95.5,214", parameter, context)
        if not 0 < rate < 1e6:
            self.fail(f"the rate must be above 0 and below 1000000, not {rate}", parameter, context)
        if not -360 <= angle <= 360:
            self.fail(f"the angle must be from -360 to 360, not {angle}", parameter, context)
        return rate, angle % 360


def number_option(name: str, kind: Number, *, metavar: str, text: str) -> Callable:
    """A click option for a number, its range behind the text of its help."""
    return click.option(name, type=kind, metavar=metavar, help=f"{text} [{kind.range}]")
