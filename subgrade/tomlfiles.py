"""TOML files that a person wrote, and errors that name the file; every part may import it."""

from __future__ import annotations

import tomllib
from pathlib import Path

from subgrade.errors import UsageError
from subgrade.plaintext import clean

LONGEST = 60
"""Characters of a wrong value that a message repeats."""


def read_toml(path: str | Path) -> dict:
    """What a TOML file holds, unchecked.

    Raises
    ------
    UsageError
        If it cannot be read or parsed; names the file and the cause.
    """
    try:
        data = Path(path).read_bytes()
    except (OSError, ValueError) as error:
        cause = getattr(error, "strerror", None) or error
        raise UsageError(f"{path}: cannot be read: {cause}") from error
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise UsageError(f"{path}: not valid TOML: line {line} is not UTF-8 text") from error
    return parse_toml(text, str(path))


def parse_toml(text: str, source: str) -> dict:
    """What TOML text holds, unchecked.

    Raises
    ------
    UsageError
    """
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise UsageError(f"{source}: not valid TOML: tables are nested too deep") from error
    except ValueError as error:  # a number of thousands of digits is no TOMLDecodeError
        raise UsageError(f"{source}: not valid TOML: {clean(str(error))}") from error


def value_text(value: object) -> str:
    """A wrong value as a message repeats it: short, and on one line."""
    try:
        text = clean(repr(value))
    except (RecursionError, ValueError):  # too deep, or a number of too many digits
        text = f"a {type(value).__name__}"
    return text if len(text) <= LONGEST else text[: LONGEST - 1] + "…"
