"""What happened between the frames of a night: flips, moves of the focuser, filters, twilight."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from subgrade.diagnosis import TWILIGHT_DEG, sun_and_moon
from subgrade.night import NIGHT_GAP_S
from subgrade.plaintext import printable
from subgrade.results import Graded, GradedFrame

HALF_TURN_DEG = 20.0
"""A picture turned to within this of half a turn was flipped: a choice."""
OFTEN = 0.34
"""Share of the steps from frame to frame from which a moving focuser follows the temperature, and
only far larger moves are refocusing: a choice."""
FAR = 5.0
"""Times the median move that a focuser must then go: a choice."""
STEP_S = 120.0
"""Steps in which the Sun's altitude is followed."""


def night_events(graded: Graded) -> list[dict]:
    """What the headers show between the frames, in order of time.

    Parameters
    ----------
    graded : Graded

    Returns
    -------
    list of dict
        ``kind`` (``flip``, ``focus``, ``filter``, ``twilight``), ``unix`` (POSIX seconds UTC),
        ``text`` (a label) and ``note`` (what more is known).  What headers do not state is not
        among them.
    """
    timed = (f for f in graded.frames if f.start_unix is not None)
    frames = sorted(timed, key=lambda f: f.start_unix)
    found = [*_between(frames), *_refocused(frames), *_twilight(frames)]
    return sorted(found, key=lambda event: event["unix"])


def _steps(frames: list[GradedFrame]) -> Iterator[tuple[GradedFrame, GradedFrame, float]]:
    """Frames that follow each other in one night, and the middle of the time between them."""
    for night in _nights(frames):
        for one, other in pairwise(night):
            yield one, other, (one.end_unix + other.start_unix) / 2


def _event(kind: str, unix: float, text: str, note: str = "") -> dict:
    return {"kind": kind, "unix": round(unix, 1), "text": printable(text), "note": printable(note)}


def _between(frames: list[GradedFrame]) -> Iterator[dict]:
    for one, other, unix in _steps(frames):
        a, b = one.facts, other.facts
        if a.target == b.target and _flipped(one, other):
            yield _event("flip", unix, "meridian flip")
        if a.filter and b.filter and a.filter != b.filter:
            yield _event("filter", unix, b.filter, f"filter {a.filter} to {b.filter}")


def _flipped(one: GradedFrame, other: GradedFrame) -> bool:
    """By the side of the pier, where headers state it, else by half a turn of the picture."""
    if one.facts.pier_side and other.facts.pier_side:
        return one.facts.pier_side != other.facts.pier_side
    compared = one.compared, other.compared
    if None in compared or compared[0].group != compared[1].group or compared[0].group < 0:
        return False
    turns = [c.registration.rotation_deg if c.registration else math.nan for c in compared]
    return math.cos(math.radians(turns[1] - turns[0])) < -math.cos(math.radians(HALF_TURN_DEG))


def _refocused(frames: list[GradedFrame]) -> Iterator[dict]:
    """Moves of the focuser, without offsets of filters and steps that follow the temperature."""
    moves = [
        (unix, other.facts.focuser_steps - one.facts.focuser_steps)
        for one, other, unix in _steps(frames)
        if None not in (one.facts.focuser_steps, other.facts.focuser_steps)
        and one.facts.filter == other.facts.filter
    ]
    sizes = np.array([abs(move) for _, move in moves if move])
    least = FAR * float(np.median(sizes)) if len(sizes) > max(2, OFTEN * len(moves)) else 0.0
    for unix, move in moves:
        if move and abs(move) >= least:
            yield _event("focus", unix, "refocus", f"focuser moved by {move:+.0f} steps")


def _twilight(frames: list[GradedFrame]) -> Iterator[dict]:
    """When the Sun passed 18° below the horizon, during the frames of each night."""
    for night in _nights(frames):
        sites = {(f.facts.site_lat_deg, f.facts.site_lon_deg) for f in night} - {(None, None)}
        if len(sites) != 1 or None in next(iter(sites)):
            continue
        start, end = night[0].start_unix, max(f.end_unix for f in night)
        time = np.linspace(start, end, max(2, math.ceil((end - start) / STEP_S)))
        height = sun_and_moon(time, *next(iter(sites)))[0] - TWILIGHT_DEG
        for k in np.flatnonzero((height[:-1] > 0) != (height[1:] > 0)):
            share = height[k] / (height[k] - height[k + 1])
            text = "twilight ends" if height[k] > 0 else "twilight starts"
            unix = time[k] + share * (time[k + 1] - time[k])
            yield _event(
                "twilight", float(unix), text, f"Sun {TWILIGHT_DEG:.0f}°".replace("-", "−")
            )


def _nights(frames: list[GradedFrame]) -> list[list[GradedFrame]]:
    nights = [frames[:1]] if frames else []
    for one, other in pairwise(frames):
        if other.start_unix - one.end_unix < NIGHT_GAP_S:
            nights[-1].append(other)
        else:
            nights.append([other])
    return nights
