"""What a run could not do: files not graded, records not used, parts left out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from subgrade.parts import Noted

NOT_USED = "guiding record not used: "
"""Starts the cause of a problem that is a record's, not a frame's."""
LEFT_OUT = "left out of the results: "
"""Starts the cause of a problem that is the program's own."""
NOT_SEARCHED = "folder not searched: "
"""Starts the cause of a problem that is a folder's."""
Problem = tuple[str, str]
"""A file, or what else is missing, and the cause."""


class Parted(NamedTuple):
    """Problems by what they are of, those of records and of parts with the bare cause."""

    frames: list[Problem]
    records: list[Problem]
    parts: list[Problem]


def problems_parted(problems: Sequence[Problem]) -> Parted:
    """Problems of frames and folders, of guiding records, and of parts of the results."""
    found = Parted([], [], [])
    for name, cause in problems:
        if cause.startswith(NOT_USED):
            found.records.append((name, cause.removeprefix(NOT_USED)))
        elif cause.startswith(LEFT_OUT):
            found.parts.append((name, cause.removeprefix(LEFT_OUT)))
        else:
            found.frames.append((name, cause))
    return found


def parts_left_out(noted: Noted) -> tuple[Problem, ...]:
    """The parts that failed, as problems."""
    return tuple((name, f"{LEFT_OUT}{cause}") for name, cause in noted.left_out.items())
