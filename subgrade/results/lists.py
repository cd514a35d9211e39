"""Lists of frames for whatever stacks them: one a line, in the style it reads."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence

from subgrade.results.files import path_line
from subgrade.results.model import Graded, GradedFrame

LISTED = ("keep", "reject")
"""Verdicts whose frames are in a list."""
MOST_NAMED = 5


def path_list(graded: Graded, verdicts: Sequence[str], style: str = "relative") -> str:
    """The frames with one of the verdicts, in the order taken.

    Parameters
    ----------
    graded : Graded
    verdicts : sequence of str
    style : str
        ``relative``: ``#`` and the folder first, then paths relative to it with ``/``
        between parts, those that a line cannot hold as JSON strings.  ``paths``: absolute
        paths as the system writes them.  ``names``: bare file names.  The last two have
        no first line and leave out what a line cannot hold (`list_warnings`), since no
        other program could know of a way to quote it.

    Returns
    -------
    str
        A line end after every line.
    """
    frames = [f for f in graded.frames if f.judgement.verdict in verdicts]
    if style == "relative":
        lines = [f"# {path_line(str(graded.folder))}", *(path_line(f.name) for f in frames)]
    else:
        lines = [line for f in frames if stands_alone(line := _written(f, style))]
    return "".join(f"{line}\n" for line in lines)


def list_warnings(graded: Graded, style: str) -> list[str]:
    """What a list of this style cannot hold: paths left out, names that stand for several.

    Parameters
    ----------
    graded : Graded
    style : str

    Returns
    -------
    list of str
    """
    if style == "relative":
        return []
    listed = [f for f in graded.frames if f.judgement.verdict in LISTED]
    left_out = [f.name for f in listed if not stands_alone(_written(f, style))]
    notes = []
    if left_out:
        notes.append(
            f"left out of the lists, as a line cannot hold a line break, a control character or "
            f"bytes that are not UTF-8: {_named(left_out)}; rename, or use --list-style relative, "
            f"which quotes them"
        )
    return notes + (_ambiguous(graded.frames) if style == "names" else [])


def stands_alone(text: str) -> bool:
    """Whether a line of UTF-8 text holds it as it is."""
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        return False
    controls = any(c < " " or "\x7f" <= c <= "\x9f" for c in text)
    return not controls and text.splitlines() == [text]


def _written(frame: GradedFrame, style: str) -> str:
    return os.path.abspath(frame.path) if style == "paths" else frame.path.name


def _ambiguous(frames: Iterable[GradedFrame]) -> list[str]:
    """Bare names that several files bear."""
    verdicts: dict[str, list[str]] = {}
    for frame in frames:
        verdicts.setdefault(frame.path.name, []).append(frame.judgement.verdict)
    notes = []
    several = {n: set(v) for n, v in verdicts.items() if len(v) > 1 and set(v) & set(LISTED)}
    split = [n for n, v in several.items() if "reject" in v and len(v) > 1]
    if split:
        notes.append(
            f"ambiguous in the lists, kept in one folder and rejected in another: {_named(split)}; "
            f"use --list-style paths"
        )
    alike = [n for n in several if n not in split]
    if alike:
        notes.append(
            f"ambiguous in the lists, the name of several files: {_named(alike)}; "
            f"use --list-style paths"
        )
    return notes


def _named(names: Sequence[str]) -> str:
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more
