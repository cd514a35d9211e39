"""Steps of the recording computer's clock: found, and undone where only one reading is left."""

from __future__ import annotations

import numpy as np

HOUR = 3600.0
STEADY = 8
"""Rows that must tick evenly on either side of a step before it is put down to the clock."""


def undo_steps(time, section, count, utc: bool) -> tuple[np.ndarray, list[str]]:
    """Put later rows back in line after the clock was set.

    Parameters
    ----------
    time : ndarray
        Seconds in file order, duplicates removed.
    section : ndarray of int
    count : ndarray of float
        Running number of each row; NaN where the record has none.
    utc : bool
        Whether the clock is UTC, which knows no summer time.

    Returns
    -------
    time : ndarray
    notes : list of str
    """
    notes: list[str] = []
    if len(time) < 2 * STEADY:
        return time, notes
    steps = np.diff(time)
    forward = steps[steps > 0]
    if not len(forward):
        return time, notes
    cadence = float(np.median(forward))
    back = np.flatnonzero(steps < -0.5 * cadence)
    hour_on = np.flatnonzero(np.abs(steps - HOUR - cadence) < 0.6 * cadence + 0.5)
    time = time.copy()
    if len(back) + len(hour_on) > 40:
        return time, notes  # rows in disorder, not a clock that was set
    ends_high = np.maximum.accumulate(time)
    for k in sorted({*back.tolist(), *hour_on.tolist()}):
        step = float(steps[k])
        if not _even(steps, k, cadence):
            continue
        if step > 0:
            if _changes_on_the_hour(time, k, cadence, +1) and not utc and len(hour_on) == 1:
                time[k + 1 :] -= HOUR
                notes.append(_summer(k, "forward"))
            elif _counted_on(count, k):
                time[k + 1 :] -= HOUR
                notes.append(
                    f"the clock went forward an hour after row {k + 1}: later rows corrected"
                )
            else:
                notes.append(
                    f"after row {k + 1} the time is exactly an hour later: a pause or summer time; "
                    "left as it is"
                )
            continue
        if _made_up(time, ends_high, k, cadence):
            continue  # later rows jump on again: a block out of place, sorting puts it right
        summer = abs(step + HOUR - cadence) < 1.2 * cadence + 0.5
        if summer and not utc and section[k] == section[k + 1]:
            time[k + 1 :] += HOUR
            notes.append(_summer(k, "back"))
        elif section[k] == section[k + 1]:
            time[k + 1 :] += cadence - step
            notes.append(
                f"the clock was set back by {cadence - step:.1f} s after row {k + 1}: later rows "
                "continue at the typical interval"
            )
        else:
            notes.append(f"the section after row {k + 1} starts before the previous one ended")
    return time, notes


def _summer(k: int, way: str) -> str:
    return f"the clock went {way} an hour (summer time) after row {k + 1}: later rows corrected"


def _even(steps, k: int, cadence: float) -> bool:
    """Whether rows before and after a step tick evenly."""
    near = np.concatenate([steps[max(0, k - STEADY) : k], steps[k + 1 : k + 1 + STEADY]])
    if len(near) < STEADY // 2:
        return False
    return float(np.mean((near > 0) & (near < 6 * cadence))) > 0.7


def _changes_on_the_hour(time, k: int, cadence: float, sign: int) -> bool:
    """Whether the last row before and the first after lie on both sides of a full hour."""
    left = HOUR - time[k] % HOUR
    return left <= 1.5 * cadence


def _counted_on(count, k: int) -> bool:
    return bool(count[k + 1] - count[k] == 1) if np.isfinite(count[k : k + 2]).all() else False


def _made_up(time, ends_high, k: int, cadence: float) -> bool:
    """Whether the rows after a step back end in a leap over rows that were read before it."""
    later = time[k + 1 :]
    top = time[k]
    before = time[: k + 1]
    leaps = np.flatnonzero(np.diff(later) > 1.8 * cadence)
    for leap in leaps[:50]:
        low, high = later[leap], later[leap + 1]
        inside = np.count_nonzero((before > low + 0.3 * cadence) & (before < high - 0.3 * cadence))
        if inside >= 1 and high > top:
            return True
    # a short block at the very end that fills a hole left before it
    holes = np.flatnonzero(np.diff(before) > 1.8 * cadence)
    return any(before[h] < later[0] and later[-1] < before[h + 1] for h in holes[-50:])
