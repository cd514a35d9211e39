"""What a run could not do: files not graded, records not used, parts left out.

Frames that were culled before the others were graded again, in words.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import NamedTuple

from subgrade.optional_parts import Noted, noted
from subgrade.results.model import FRAME, PART, RECORD, CulledFrame, Graded, Problem

NOT_SEARCHED = "folder not searched: "
"""Starts the cause of a problem that is a folder's."""


class Parted(NamedTuple):
    """File and cause of problems by what they are of."""

    frames: list[tuple[str, str]]
    records: list[tuple[str, str]]
    parts: list[tuple[str, str]]


def problems_parted(problems: Iterable[Problem]) -> Parted:
    """Problems of frames and folders, of guiding records, and of parts of the results."""
    return Parted(*([p[:2] for p in problems if p.of == of] for of in (FRAME, RECORD, PART)))


def parts_left_out(failed: Noted) -> tuple[Problem, ...]:
    """The parts that failed, as problems."""
    return tuple(Problem(name, cause, PART) for name, cause in failed.left_out.items())


def every_problem(graded: Graded) -> tuple[Problem, ...]:
    """The problems of a run with the parts that have failed since."""
    return tuple(dict.fromkeys((*graded.problems, *parts_left_out(noted()))))


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
