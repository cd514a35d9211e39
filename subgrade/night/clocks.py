"""Which frames' clocks can be believed, and where one night ends and the next starts.

A group may span nights and years.  What goes with time (polar drift, a cooling focus, a rising
Moon) goes with the time of one night; a camera whose battery died says 1970 or 2099 and would
stretch the night over decades.
"""

from __future__ import annotations

import time as system
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from subgrade.night.model import Frame

NIGHT_GAP_S = 8 * 3600.0
"""Frames farther apart than this are of different nights: no night's imaging pauses so long, and
every day between two nights of useful length lasts longer; a choice."""
DAY_S = 86400.0
FIRST_BELIEVED = 631152000.0
"""1990-01-01: electronic cameras of amateurs are younger, clocks that were never set are older."""
ALONE_DAYS = 1000.0
"""A single frame this many days from every other is taken for a wrong clock: a choice."""


def nights_of(time: np.ndarray) -> np.ndarray:
    """Number of the night that each moment falls in.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Seconds, in any order.

    Returns
    -------
    ndarray of int, shape (n,)
        Counted from 0 in order of time; -1 where the time is not finite.
    """
    time = np.asarray(time, float)
    out = np.full(len(time), -1)
    known = np.flatnonzero(np.isfinite(time))
    order = known[np.argsort(time[known], kind="stable")]
    if len(order):
        out[order] = np.r_[0, np.cumsum(np.diff(time[order]) > NIGHT_GAP_S)]
    return out


def fullest_night(time: np.ndarray) -> np.ndarray:
    """True at the moments of the night that holds most of them, the first of several.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Seconds, in any order; never true where not finite.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    night = nights_of(time)
    if not (night >= 0).any():
        return np.zeros(len(night), bool)
    return night == np.bincount(night[night >= 0]).argmax()


def not_yet(frames: Sequence[Frame], now: float | None = None) -> tuple[str, ...]:
    """Names of frames whose clock is ahead of tomorrow; ``now`` as in `with_believable_clocks`."""
    latest = (system.time() if now is None else now) + DAY_S
    return tuple(frame.name for frame in frames if _start(frame) > latest)


def with_believable_clocks(
    frames: Sequence[Frame], now: float | None = None
) -> tuple[tuple[Frame, ...], dict[str, str]]:
    """The frames, those whose clock cannot be right without a time.

    Parameters
    ----------
    frames : sequence of Frame
    now : float, optional
        POSIX seconds; the computer's clock by default.

    Returns
    -------
    tuple of Frame
        In the order given.  The text of the time (``start_utc``) stays as the header has it.
    dict of str to str
        By name of the frame, why its time is not used.

    Notes
    -----
    A time before 1990 or later than tomorrow is wrong where others' are not; where all are,
    the clock was never set and still orders the frames.  A single frame is wrong too that lies
    years from every other, or on another day than the two of one night that stand beside it by
    file name.
    """
    time = np.array([_start(f) for f in frames], float)
    latest = (system.time() if now is None else now) + DAY_S
    outside = (time < FIRST_BELIEVED) | (time > latest)
    sound = np.isfinite(time) & ~outside
    wrong = outside if sound.any() else np.zeros(len(time), bool)
    wrong = wrong | _out_of_place(frames, np.where(wrong, np.nan, time))
    notes = {frames[i].name: _note(frames[i], time[i]) for i in np.flatnonzero(wrong)}
    kept = tuple(
        replace(f, facts=replace(f.facts, start_unix=None, mid_unix=None)) if bad else f
        for f, bad in zip(frames, wrong, strict=True)
    )
    return kept, notes


def _start(frame: Frame) -> float:
    facts = frame.facts
    value = facts.start_unix if facts.start_unix is not None else facts.mid_unix
    return np.nan if value is None else value


def _out_of_place(frames: Sequence[Frame], time: np.ndarray) -> np.ndarray:
    """Single frames, far in time from all others, that file names or years show to be wrong."""
    wrong = np.zeros(len(frames), bool)
    night = nights_of(time)
    count = np.bincount(night[night >= 0]) if (night >= 0).any() else np.zeros(0, int)
    if len(count) < 2 or count.max() < 3:
        return wrong
    by_name = [i for i in sorted(range(len(frames)), key=lambda i: frames[i].name) if night[i] >= 0]
    for place, i in enumerate(by_name):
        if count[night[i]] > 1:
            continue
        away = np.abs(np.delete(time[by_name], place) - time[i]).min()
        beside = {night[j] for j in by_name[max(place - 1, 0) : place + 2] if j != i}
        between = 0 < place < len(by_name) - 1 and len(beside) == 1
        wrong[i] = away > ALONE_DAYS * DAY_S or (between and away > DAY_S)
    return wrong


def _note(frame: Frame, time: float) -> str:
    stated = frame.facts.start_utc or frame.facts.mid_utc
    when = stated[:10] if stated else f"{1970 + time / (365.25 * DAY_S):.0f}"
    return f"clock says {when}"
