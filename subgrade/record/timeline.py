"""Times of all rows on one clock: dates settled, midnights passed, sections laid end to end."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from subgrade.record.clock_text import (
    date_in_name,
    day_number,
    days_since_1970,
    settle_order,
)
from subgrade.record.guide_map import GuideMap
from subgrade.record.rows import Rows
from subgrade.record.running_text import Facts

NAN = float("nan")
DAY = 86400.0
HALF = 43200.0
HOUR = 3600.0
SOON = 600.0
"""Seconds within which guiding begins after the line that says so: a choice."""
STEADY = 8
"""Rows that must tick evenly on either side of a step before it is put down to the clock."""


@dataclass(frozen=True, slots=True)
class Opening:
    """How a section gives the time: first row, unit of the time column, facts stated above."""

    row: int
    unit: str
    facts: Facts
    fresh: bool
    """Whether its own opening line gave a date and time."""
    title_zone: float = NAN
    """Hours ahead of UTC that the time column's title says."""
    local_title: bool = False
    since: bool = False
    """Whether its clock readings count from the start (elapsed time)."""


@dataclass(slots=True)
class Timeline:
    """Seconds of every row, the clock they are on, and how to place remarks."""

    time: np.ndarray
    clock: str
    dated: bool
    order: str
    shift: np.ndarray
    """Seconds added to each row's own reading."""
    moved: np.ndarray
    """Of these, the ones that a zone added to get UTC."""
    texts: list[str]
    """Distinct date texts."""
    notes: list[str]


def lay_out(
    path: Path, rows: Rows, got: dict[str, np.ndarray], openings: list[Opening], forced: GuideMap
) -> Timeline:
    """Put every row on one clock.

    Parameters
    ----------
    path : Path
        A date in its name helps where the text has none.
    rows : Rows
        For the distinct date texts.
    got : dict of str to ndarray
        ``day``, ``seconds`` (s), ``zone`` (hours) and ``section`` as gathered by `Rows`, all of
        one length.
    openings : list of Opening
        By section.
    forced : GuideMap
        ``order``, ``zone_hours`` and ``date`` that the user fixed.
    """
    dates = _Calendar(path, rows, openings, forced)
    notes, time, moved = dates.notes, np.full(len(got["day"]), NAN), np.zeros(len(got["day"]))
    kinds = set()
    last, dated = NAN, True
    for s, opening in enumerate(openings):
        mine = np.flatnonzero(got["section"] == s)
        if not len(mine):
            continue
        days, secs, zones = (got[name][mine] for name in ("day", "seconds", "zone"))
        hours, kind = dates.zone(opening, zones), "unknown"
        if opening.unit in ("unix", "jd", "mjd"):
            placed, kind = secs, "utc"
        elif opening.unit == "s" or opening.since:
            placed, kind = dates.counted(secs, opening, last)
            hours = dates.zone_of_start(opening)
        elif (days >= 0).mean() > 0.5:
            placed = dates.dated(days, secs)
        else:
            placed, known = dates.run_on(secs, opening, last)
            dated &= known
        if kind == "unknown" and not np.isfinite(hours).any():
            hours = dates.zone_of_like_start(opening, placed)
        if kind == "unknown" and np.isfinite(hours).any():
            moved[mine] = -HOUR * np.nan_to_num(hours)
            placed = placed + moved[mine]
            kind = "utc" if np.isfinite(hours).mean() > 0.5 else kind
        kinds.add(kind)
        time[mine] = placed
        finite = placed[np.isfinite(placed)]
        last = float(finite[-1]) if len(finite) else last
    if len(kinds) > 1:
        notes.append(f"sections use different clocks: {', '.join(sorted(kinds))}")
    clock = next((k for k in ("relative", "unknown", "utc") if k in kinds), "unknown")
    if not dated:
        notes.append("no date is given: the first day is taken as 1970-01-01")
    shift = time - got["seconds"]
    return Timeline(time, clock, dated, dates.order, shift, moved, rows.dates.texts, notes)


class _Calendar:
    """Dates, zones and the order of day and month, as far as text, name and user give them."""

    def __init__(self, path: Path, rows: Rows, openings: list[Opening], forced: GuideMap):
        self.notes: list[str] = []
        self.forced, self.halves = forced, rows.halves
        self.named = date_in_name(path.name)
        self.order = forced.order or self._order(rows.dates.texts, openings)
        numbers = [day_number(t, self.order) for t in rows.dates.texts]
        self.days = np.array([NAN if d is None else float(d) for d in numbers] + [NAN])

    def _order(self, texts: list[str], openings: list[Opening]) -> str:
        openers = dict.fromkeys(o.facts.date_text for o in openings if o.facts.date_text)
        texts = [*texts, *(t for t in openers if t not in texts)]
        if not texts:
            return "dmy"
        year_first = [t for t in texts if re.match(r"\d{4}", t)]
        known = None
        if self.named or year_first:
            known = days_since_1970(self.named) if self.named else day_number(year_first[0], "dmy")
        order, note = settle_order([t for t in texts if t not in year_first] or texts, known)
        self.notes += [note] if note else []
        return order

    def zone(self, opening: Opening, zones: np.ndarray) -> np.ndarray:
        """Hours east of UTC of each row; NaN where none is stated."""
        fixed = self.forced.zone_hours
        if fixed == fixed:
            return np.full(len(zones), fixed)
        if np.isfinite(zones).any():
            return np.where(np.isfinite(zones), zones, float(np.nanmedian(zones)))
        stated = opening.facts.zone_hours
        if opening.local_title and stated == 0.0:
            stated = NAN  # a plain UTC in the text is of something else
        titled = opening.title_zone
        return np.full(len(zones), titled if titled == titled else stated)

    def zone_of_start(self, opening: Opening) -> np.ndarray:
        """Hours east of UTC of a section's opening line, shape (1,)."""
        opened = opening.facts.opened
        own = opened.zone if opened is not None else NAN
        stated = (self.forced.zone_hours, own, opening.facts.zone_hours)
        return np.array([next((hours for hours in stated if hours == hours), NAN)])

    def zone_of_like_start(self, opening: Opening, placed: np.ndarray) -> np.ndarray:
        """Zone of the opening line where the first row is on its clock, shape (1,).

        Civil zones are a quarter of an hour apart at least, and rows begin soon after a start.
        """
        start, opened = self._start(opening), opening.facts.opened
        if opened is None or not len(placed) or not -60.0 <= placed[0] - start <= SOON:
            return np.array([NAN])
        return np.array([opened.zone])

    def _start(self, opening: Opening) -> float:
        """Seconds of a section's opening line on its own clock; NaN where it has no date."""
        reading = opening.facts.opened
        number = day_number(reading.date, self.order) if reading and reading.date else None
        return NAN if number is None else number * DAY + reading.seconds

    def counted(self, secs: np.ndarray, opening: Opening, last: float) -> tuple[np.ndarray, str]:
        """Seconds since the section began, on the clock of its opening line where it has one."""
        start = self._start(opening)
        if start == start and (opening.fresh or last != last):
            return start + secs, "unknown"
        if start == start:  # no date of its own: goes on after the section before
            base = 0.0 if start + secs[0] >= last else last + 1.0 - secs[0] - start
            if base:
                self.notes.append(
                    "a section without a date of its own was placed after the previous one"
                )
            return start + base + secs, "unknown"
        if last == last and secs[0] < last:
            self.notes.append("each section counts seconds from its own start: placed end to end")
            return secs + last + 1.0 - secs[0], "relative"
        return secs.copy(), "relative"

    def dated(self, days: np.ndarray, secs: np.ndarray) -> np.ndarray:
        """Clock readings with their dates; one without has that of the next row."""
        known = np.flatnonzero(days >= 0)
        bare = np.flatnonzero(days < 0)
        near = known[np.clip(np.searchsorted(known, bare), 0, len(known) - 1)]
        days = days.copy()
        days[bare] = days[near]
        return self.days[days] * DAY + secs

    def run_on(self, secs: np.ndarray, opening: Opening, last: float) -> tuple[np.ndarray, bool]:
        """Times of day from the section's date on over midnight, and whether the date is known."""
        steps = np.diff(secs)
        noon = (steps < -HALF + HOUR) & (steps > -HALF - HOUR)
        twelve = not self.halves and noon.any()
        twelve = twelve and secs.max() < 13 * HOUR and secs.min() >= HOUR
        turn = HALF if twelve else DAY
        if twelve:
            self.notes.append(
                "a 12-hour clock without AM or PM: the half day was inferred from nearby times"
            )
        turns = np.cumsum((steps < -turn / 2).astype(float) - (steps > turn / 2).astype(float))
        anchor, known = self._first_row(opening, last, float(secs[0]))
        first_turn = np.round((anchor - secs[0]) / turn)
        return secs + turn * np.concatenate([[0.0], turns]) + turn * first_turn, known

    def _first_row(self, opening: Opening, last: float, first: float) -> tuple[float, bool]:
        """About when the section's first row was, and whether the date is known."""
        facts = opening.facts
        if opening.fresh or last != last:
            start = self._start(opening)
            if start == start:
                return start, True
            day = day_number(facts.date_text, self.order) if facts.date_text else None
            if day is not None:
                morning = facts.night_of and first < HALF
                if morning:
                    self.notes.append(
                        "the first row is after midnight of the named night: given the next date"
                    )
                return (day + morning) * DAY + first, True
        if last == last:
            return last + HALF - HOUR, last >= 400 * DAY
        if self.forced.date is None and self.named is not None:
            self.notes.append(f"the date was taken from the file's name: {self.named.isoformat()}")
        day = self.forced.date or self.named
        return (days_since_1970(day) * DAY + first, True) if day else (first, False)


# ---------------------------------------------------------------- a clock that was set


def undo_steps(
    time: np.ndarray, section: np.ndarray, count: np.ndarray, utc: bool
) -> tuple[np.ndarray, list[str]]:
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
            if _changes_on_the_hour(time, k, cadence) and not utc and len(hour_on) == 1:
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


def _even(steps: np.ndarray, k: int, cadence: float) -> bool:
    """Whether rows before and after a step tick evenly."""
    near = np.concatenate([steps[max(0, k - STEADY) : k], steps[k + 1 : k + 1 + STEADY]])
    if len(near) < STEADY // 2:
        return False
    return float(np.mean((near > 0) & (near < 6 * cadence))) > 0.7


def _changes_on_the_hour(time: np.ndarray, k: int, cadence: float) -> bool:
    """Whether the last row before and the first after lie on both sides of a full hour."""
    left = HOUR - time[k] % HOUR
    return left <= 1.5 * cadence


def _counted_on(count: np.ndarray, k: int) -> bool:
    return bool(count[k + 1] - count[k] == 1) if np.isfinite(count[k : k + 2]).all() else False


def _made_up(time: np.ndarray, ends_high: np.ndarray, k: int, cadence: float) -> bool:
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
