"""What the time line shows beside values: limits, and where a file without a time belongs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from pathlib import PurePosixPath

import numpy as np

from subgrade.judging.features import DEPTH, ECCENTRICITY, FWHM, FWHM_ACROSS_AXIS
from subgrade.lights import natural_key
from subgrade.results import Graded, GradedFrame

IN_ORDER = 0.9
"""Share of neighbours by name that must be in order of time for names to count: a choice."""
WRITTEN_AS_TAKEN_S = 60.0
"""Scatter of a file's time against the end of its exposure below which files are as they were
written, and not copied since: a choice."""


def lane_limits(frame: GradedFrame, row: dict) -> dict[str, float]:
    """The limits that a frame was held against, in the units of the table's columns.

    The limit on depth is drawn as the transparency that would have been too little: depth goes as
    its square, sky and width being what they are (`subgrade.judging.depth`).

    Parameters
    ----------
    frame : GradedFrame
    row : dict
        Its record in session.json.

    Returns
    -------
    dict
        By column; what was not held against a limit is missing.
    """
    held = {e["quantity"]: e for e in row["evidence"] if e["limit"] is not None}
    found = {}
    width = held.get(FWHM.name) or held.get(FWHM_ACROSS_AXIS.name)
    if width:
        found["fwhm_px"] = width["limit"]
        if frame.facts and frame.facts.scale_arcsec:
            found["fwhm_arcsec"] = width["limit"] * frame.facts.scale_arcsec
    if ECCENTRICITY.name in held:
        found["eccentricity"] = held[ECCENTRICITY.name]["limit"]
    depth, light = held.get(DEPTH.name), row["values"]["transparency"]
    measured = frame.compared is not None and not frame.compared.transparency_is_limit
    if depth and measured and light and depth["value"] and depth["value"] > 0:
        found["transparency"] = light * math.sqrt(depth["limit"] / depth["value"])
    return {name: round(float(value), 4) for name, value in found.items()}


def near_times(graded: Graded) -> list[float | None]:
    """When files without a time were probably taken, POSIX seconds; None where nothing shows it.

    By the time the file was written, where those of the other files agree with their headers; else
    between its neighbours by name, where names follow time.

    Parameters
    ----------
    graded : Graded

    Returns
    -------
    list of float or None
        One a frame, in their order; None for those with a time of their own.
    """
    untimed = [k for k, f in enumerate(graded.frames) if f.start_unix is None]
    found: list[float | None] = [None] * len(graded.frames)
    if not untimed or len(untimed) == len(graded.frames):
        return found
    lag = _lag_of_files(graded)
    for k in untimed:
        written = _written(graded, graded.frames[k])
        if lag is not None and written is not None:
            found[k] = round(written - lag, 1)
    folders: dict[str, list[int]] = {}
    for k, frame in enumerate(graded.frames):
        folders.setdefault(str(PurePosixPath(frame.name).parent), []).append(k)
    for members in folders.values():
        _between_neighbours(graded, members, found)
    return found


def _written(graded: Graded, frame: GradedFrame) -> float | None:
    known = graded.identities.get(frame.path)
    if known is not None:
        return known.mtime_ns / 1e9
    try:
        return frame.path.stat().st_mtime
    except OSError:
        return None


def _lag_of_files(graded: Graded) -> float | None:
    """Seconds from the middle of an exposure until its file was written; None where not steady."""
    lags, halves = [], []
    for frame in graded.frames:
        known = graded.identities.get(frame.path)
        if frame.start_unix is not None and known is not None:
            lags.append(known.mtime_ns / 1e9 - frame.end_unix)
            halves.append((frame.end_unix - frame.start_unix) / 2)
    if len(lags) < 2:
        return None
    middle = float(np.median(lags))
    if float(np.median(np.abs(np.array(lags) - middle))) > WRITTEN_AS_TAKEN_S:
        return None
    return middle + float(np.median(halves))


def _between_neighbours(graded: Graded, members: Sequence[int], found: list[float | None]) -> None:
    """Fill in the places of a folder's files that stand between two with a time, by name."""
    frames = graded.frames
    named = sorted(members, key=lambda k: natural_key(frames[k].name))
    timed = [k for k in named if frames[k].start_unix is not None]
    pairs = list(pairwise(timed))
    follow = [frames[a].start_unix < frames[b].start_unix for a, b in pairs]
    if not follow or np.mean(follow) < IN_ORDER:
        return
    at = {k: place for place, k in enumerate(named)}
    edges = [-1, *(at[k] for k in timed), len(named)]
    for left, right in pairwise(edges):
        gap = [k for k in named[left + 1 : right] if found[k] is None]
        if not gap:
            continue
        before = frames[named[left]].end_unix if left >= 0 else None
        after = frames[named[right]].start_unix if right < len(named) else None
        if before is None or after is None:  # first or last: as far apart as exposures are long
            one = frames[timed[0] if before is None else timed[-1]]
            reach = (one.end_unix - one.start_unix or 60.0) * len(gap)
            before, after = (after - reach, after) if before is None else (before, before + reach)
        elif after < before:
            continue
        for k, share in zip(gap, np.linspace(0, 1, 2 * len(gap) + 1)[1::2], strict=True):
            found[k] = round(float(before + share * (after - before)), 1)
