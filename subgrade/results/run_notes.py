"""What a run could not do: files not graded, records not used, parts left out.

Frames that were culled before the others were graded again, in words.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from subgrade.optional_parts import Noted
from subgrade.results.model import CulledFrame, Graded

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


def culled_line(graded: Graded) -> str | None:
    """How many frames an earlier cull took away and where to; None without any."""
    culled = graded.culled
    if not culled:
        return None
    frames = "frame" if len(culled) == 1 else "frames"
    return f"{len(culled)} {frames} culled earlier (now in {_listed(_folders(culled))})"


def with_culled(graded: Graded, culled: Sequence[CulledFrame]) -> Graded:
    """The night with the frames that an earlier cull took away, noted in its diagnosis too."""
    graded = replace(graded, culled=tuple(culled))
    line, diagnosis = culled_line(graded), graded.diagnosis
    if line and diagnosis is not None:
        graded = replace(graded, diagnosis=replace(diagnosis, notes=(line, *diagnosis.notes)))
    return graded


def whereabouts(name: str, path: str, place: str) -> str:
    """What became of one culled frame, for whoever asks about it."""
    if os.path.lexists(place) or not os.path.lexists(path):
        return f"{name} was culled before the last grade and is now at {place}"
    return f"{name} was culled before the last grade and is back: grade again for all"


def _folders(culled: Sequence[CulledFrame]) -> list[str]:
    """The cull folders, without the subfolders that frames kept there."""
    found = {}
    for frame in culled:
        place, parts = frame.place, len(frame.name.split("/"))
        inside = place.as_posix().endswith("/" + frame.name)
        found[str(place.parents[parts - 1] if inside else place.parent)] = None
    return list(found)


def _listed(folders: list[str]) -> str:
    return ", ".join(folders[:-1]) + " and " + folders[-1] if len(folders) > 1 else folders[0]
