"""Optional parts of a run: one that fails is left out and noted, and the rest goes on.

Every part of the program may import this.  Outside `noting` an error is the caller's own.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import TypeVar

from subgrade.errors import SubgradeError, UsageError
from subgrade.plaintext import clean

Made = TypeVar("Made")
LONGEST = 200
"""Characters of an error's own words that are shown."""


@dataclass(slots=True)
class Noted:
    """What failed in a run.

    Attributes
    ----------
    left_out : dict of str to str
        Each part that is missing from the results, and why.
    crashes : dict of str to str
        Traceback of whatever failed without meaning to.
    """

    left_out: dict[str, str] = field(default_factory=dict)
    crashes: dict[str, str] = field(default_factory=dict)


_NOTED: ContextVar[Noted | None] = ContextVar("noted", default=None)


@contextmanager
def noting() -> Iterator[Noted]:
    """Note what fails inside instead of raising it."""
    noted = Noted()
    token = _NOTED.set(noted)
    try:
        yield noted
    finally:
        _NOTED.reset(token)


def noted() -> Noted:
    """What failed so far in the run around; empty where nothing is noted."""
    return _NOTED.get() or Noted()


@contextmanager
def part(name: str) -> Iterator[None]:
    """Leave a part of the run out where it fails, and go on behind it.

    Parameters
    ----------
    name : str
        What will be missing, as a person would call it.

    Raises
    ------
    UsageError
        Whatever was asked wrongly is never left out.
    """
    found = _NOTED.get()
    try:
        yield
    except UsageError:
        raise
    except Exception as error:
        # no part is worth the others, whatever a library raises in it
        if found is None:
            raise
        found.left_out.setdefault(name, error_words(error))
        if not isinstance(error, SubgradeError):
            found.crashes.setdefault(name, traceback.format_exc())


def attempt(name: str, make: Callable[[], Made], otherwise: Made) -> Made:
    """What ``make`` returns, or something in its place where that part fails; see `part`."""
    with part(name):
        return make()
    return otherwise


def watched(make: Callable[[], Made]) -> tuple[Made, bool]:
    """What ``make`` returns, and whether no part of it was left out."""
    outer = _NOTED.get()
    if outer is None:
        return make(), True
    try:
        with noting() as own:
            made = make()
    finally:
        for name, cause in own.left_out.items():
            outer.left_out.setdefault(name, cause)
        for name, trace in own.crashes.items():
            outer.crashes.setdefault(name, trace)
    return made, not (own.left_out or own.crashes)


def error_words(error: Exception) -> str:
    """An error in a short line; one that was not meant to happen with its kind."""
    if isinstance(error, SubgradeError):
        return clean(str(error))
    words = clean(f"{type(error).__name__}: {error}".removesuffix(": "))
    return words if len(words) <= LONGEST else words[: LONGEST - 1] + "…"
