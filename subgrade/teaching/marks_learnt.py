"""Which marks a file of limits has learnt from, so that none counts twice."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from hashlib import sha256
from pathlib import Path

from subgrade.errors import UsageError
from subgrade.judging.limits import TAUGHT_TABLE, read_limits_file
from subgrade.night.model import Frame

DIGITS = 12
"""Hexadecimal digits of a key: of a million marks two are alike once in 600 files [derived]."""

Learnt = Mapping[str, frozenset[str]]
"""Keys of marks by the name of the number whose limits they moved; see `Dial`."""


def mark_key(frame: Frame, word: str) -> str:
    """What a mark is known by in another run: file name and time of the frame, and the word.

    Parameters
    ----------
    frame : Frame
    word : str
        ``keep`` or ``reject``.

    Returns
    -------
    str
        Empty for a frame without a time, as every night has its ``light_001``.
    """
    start = frame.facts.start_unix
    if start is None:
        return ""
    name = frame.name.rsplit("/", 1)[-1].encode("utf-8", "backslashreplace")
    return f"{sha256(name + b'%.3f' % start).hexdigest()[:DIGITS]} {word}"


def read_learnt(path: str | Path | None) -> Learnt:
    """The marks that a file of limits has learnt from.

    Parameters
    ----------
    path : path-like or None
        A file for ``--limits``.

    Raises
    ------
    UsageError
        If the file cannot be read, or its table of marks is not as subgrade writes it.
    """
    table = {} if path is None else read_limits_file(path).get(TAUGHT_TABLE, {})
    if not isinstance(table, dict) or not all(map(_is_list_of_text, table.values())):
        raise UsageError(
            f"{path}: [{TAUGHT_TABLE}] is not as subgrade wrote it; without that table the run "
            "works, but marks given again count twice"
        )
    return {number: frozenset(keys) for number, keys in table.items()}


def with_more(learnt: Learnt, more: Mapping[str, Iterable[str]]) -> dict[str, frozenset[str]]:
    """Add keys; one for a frame that was marked the other way before replaces that key."""
    found = dict(learnt)
    for number, keys in more.items():
        new = {key for key in keys if key}
        marked = {key[:DIGITS] for key in new}
        kept = {key for key in found.get(number, ()) if key[:DIGITS] not in marked}
        if new | kept:
            found[number] = frozenset(new | kept)
    return found


def _is_list_of_text(value) -> bool:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)
