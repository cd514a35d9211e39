"""The record put together: sorted, duplicates dropped, good rows marked, remarks placed in time."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from subgrade.errors import UnreadableFile
from subgrade.plaintext import clean
from subgrade.record.cells import listed, to_number
from subgrade.record.clock_text import day_number
from subgrade.record.columns import Choice
from subgrade.record.guide_map import GuideMap
from subgrade.record.model import Column, GuideEvent, GuideRecord
from subgrade.record.rows import MOST_REMARKS, Remark, Rows
from subgrade.record.running_text import kind_of
from subgrade.record.timeline import Opening, Timeline, lay_out, undo_steps
from subgrade.record.titles import words_of
from subgrade.record.units import Units

NAN = float("nan")
NUMBER_SLACK_S, CLOCK_SLACK_S = 20.0, 600.0
"""How far from the rows around it a remark's own time may lie (a choice, no source)."""
Remarked = list[tuple[float, int, str, str]]
"""Remarks as time, row, kind and text."""
LEAST_MOVE_PX, SELDOM = 0.1, 0.1
"""Less is rounding; a place that moves in more rows than this share follows something and is no
dither: choices."""
WANTED = ("wanted_x", "wanted_y")
OF_RECORD = ("first", "second", "ra_pulse", "dec_pulse", "brightness", "snr")
"""Arrays of `Rows` that go into the record as they are, in its order."""
_BAD = (
    *listed("lost error fail nostar bad invalid missing saturated none weak low false reject"),
    *("no star", "not found", "not_found", "timeout"),
)
_GOOD_TITLES = {"valid", "ok", "good", "locked", "found", "tracked", "quality"}
_LOST_TITLES = {"lost", "fault", "err", "error"}


def build_record(
    path: Path,
    rows: Rows,
    openings: list[Opening],
    choice: Choice,
    units: Units,
    forced: GuideMap,
    notes: list[str],
) -> GuideRecord:
    """Join what was gathered into a `GuideRecord`.

    Parameters
    ----------
    path : Path
    rows : Rows
        Its arrays are taken out.
    openings : list of Opening
        By section.
    choice, units : Choice, Units
        Of the layout of most rows.
    forced : GuideMap
    notes : list of str
        What was noted while reading; grows.

    Raises
    ------
    UnreadableFile
        No row has a valid time.
    """
    got = {name: rows.joined(name) for name in ("day", "seconds", "zone", "section")}
    line = lay_out(path, rows, got, openings, forced)
    notes += line.notes
    events = _events(rows, got["section"], line)
    section, raw_time = got["section"], line.time
    data = {name: rows.joined(name) for name in (*OF_RECORD, *WANTED, "count", "state", "ghost")}
    state = _state_good(data["state"], rows.states, _state_words(choice), notes)
    events = sorted(events + _state_events(data["state"], rows.states, raw_time))
    keep = _kept(raw_time, data, notes)
    if not keep.any():
        raise UnreadableFile(path, "none of its rows has a valid date and time")
    utc = line.clock == "utc"
    time, step_notes = undo_steps(raw_time[keep], section[keep], data["count"][keep], utc)
    if step_notes:
        notes += step_notes
        events = _moved(events, raw_time[keep], time)
    back = int((np.diff(time) < 0).sum())
    if back:
        notes.append(f"rows out of order in {back} place{'s' * (back != 1)}: sorted by time")
    order = np.flatnonzero(keep)[np.argsort(time, kind="stable")]
    time.sort(kind="stable")
    if len(order) < len(keep) or (np.diff(order) < 0).any():
        section, state = section[order], state[order]
        for name in data:
            data[name] = data[name][order]
    good = _measured(data) & state
    events += _moves(time, data, events)
    events = tuple(GuideEvent(e[0], e[2], clean(e[3])) for e in sorted(events, key=lambda e: e[0]))
    if choice.wanted:
        titles = [choice.header.titles[choice.one(f"{axis}_wanted").place] for axis in "xy"]
        notes.append(f"errors are the star's place less {titles[0]!r}, {titles[1]!r}")
    elif choice.camera_only and any(u.is_place for u in choice.axes if u):
        _from_reference(time, section, data, events)
        notes.append(
            "star positions, not errors: errors are taken from their median between dithers"
        )
    section, bounds = _sections(time, section)
    _counts(rows, notes)
    return GuideRecord(
        str(path),
        line.clock,
        time,
        *(data[name] for name in OF_RECORD),
        good,
        section,
        bounds,
        events,
        _columns(choice, units),
        units.scale,
        "xy" if choice.camera_only else "ra_dec",
        tuple(dict.fromkeys(notes)),
        line.dated,
    )


def _columns(choice: Choice, units: Units) -> tuple[Column, ...]:
    """What each column was taken for, all columns of the file."""
    used = {u.place: u for u in choice.uses}
    out = []
    for place, title in enumerate(map(clean, choice.header.titles)):
        use = used.get(place)
        if use is None:
            out.append(Column(title, "other", "", 1.0, "not needed or not recognised"))
            continue
        unit = units.unit if use in choice.axes else use.unit
        out.append(Column(title, use.role, unit, use.sure, clean(use.why)))
    return tuple(out)


def _measured(data: dict[str, np.ndarray]) -> np.ndarray:
    """Rows with a star; zeros that fill in for a lost one become NaN."""
    first, second = data["first"], data["second"]
    dark = np.nan_to_num(data["brightness"], nan=1.0) <= 0
    filling = dark & (first == 0) & (second == 0)
    first[filling] = second[filling] = NAN
    there = [a for a in (first, second) if np.isfinite(a).any()]  # one axis only is a record too
    return np.all(np.isfinite(there), axis=0) & ~dark if there else np.zeros(len(first), bool)


def _counts(rows: Rows, notes: list[str]) -> None:
    if rows.unread:
        notes.append(f"rows left out because their time cannot be read: {rows.unread}")
    if rows.dropped_remarks:
        notes.append(f"remarks left out beyond the first {MOST_REMARKS}: {rows.dropped_remarks}")


def _kept(time: np.ndarray, data: dict[str, np.ndarray], notes: list[str]) -> np.ndarray:
    """Rows to keep: with a time, once each, no missing-star remark beside its own row."""
    keep = np.isfinite(time)
    if (~keep).any():
        notes.append(f"rows left out because they have no valid date: {int((~keep).sum())}")
    elif (np.diff(time) > 0).all():
        return keep & ~_beside(time, data["ghost"], keep)
    order = np.lexsort((data["ghost"], time))
    same = np.flatnonzero(np.diff(time[order]) == 0)
    if len(same):
        # Remarks that stand for a row go where a row of the same time exists.
        after = order[same + 1]
        ghosts = after[data["ghost"][after]]
        keep[ghosts] = False
        first, second = np.nan_to_num(data["first"]), np.nan_to_num(data["second"])
        stay = keep & ~data["ghost"]
        index = np.flatnonzero(stay)
        full = np.lexsort((index, second[index], first[index], time[index]))
        sorted_index = index[full]
        t, a, b = time[sorted_index], first[sorted_index], second[sorted_index]
        double = (np.diff(t) == 0) & (np.diff(a) == 0) & (np.diff(b) == 0)
        # whole-second clocks give many rows one time; only equal numbers make a double
        gone = sorted_index[1:][double]
        if len(gone):
            keep[gone] = False
            notes.append(f"duplicate rows dropped: {len(gone)}")
    return keep & ~_beside(time, data["ghost"], keep)


def _beside(time: np.ndarray, ghost: np.ndarray, keep: np.ndarray) -> np.ndarray:
    """Missing-star remarks within half an interval of a row, which shows the same."""
    out = np.zeros(len(time), bool)
    ghosts = np.flatnonzero(keep & ghost)
    if not len(ghosts) or np.count_nonzero(keep & ~ghost) < 2:
        return out
    rest = np.sort(time[keep & ~ghost])
    step = float(np.median(np.diff(rest)))
    place = np.searchsorted(rest, time[ghosts])
    left, right = rest[np.maximum(place - 1, 0)], rest[np.minimum(place, len(rest) - 1)]
    near = np.minimum(np.abs(time[ghosts] - left), np.abs(right - time[ghosts]))
    out[ghosts[near < 0.5 * step]] = True
    return out


def _sections(
    time: np.ndarray, section: np.ndarray
) -> tuple[np.ndarray, tuple[tuple[float, float], ...]]:
    """Sections numbered anew without empty ones, with first and last time of each."""
    present = sorted(set(section.tolist()))
    bounds, new = [], np.zeros(len(section), int)
    for k, s in enumerate(present):
        mine = section == s
        new[mine] = k
        bounds.append((float(time[mine].min()), float(time[mine].max())))
    return new, tuple(bounds)


# ---------------------------------------------------------------- states


def _state_words(choice: Choice) -> set[str]:
    """Words of the state column's title."""
    use = choice.one("state")
    return set(words_of(choice.header.titles[use.place])) if use else set()


def _state_good(
    state: np.ndarray, words: dict[str, int], title: set[str], notes: list[str]
) -> np.ndarray:
    """Which rows their state lets pass."""
    good = np.ones(len(state), bool)
    if not words or not (state >= 0).any():
        return good
    counts = np.bincount(state[state >= 0], minlength=len(words))
    texts = sorted(words, key=words.get)
    numbers = np.array([to_number(t) for t in texts])
    bad: set[int] = set()
    numeric = np.isfinite(numbers)
    for k, text in enumerate(texts):
        if (
            (not numeric[k] and (any(b in text for b in _BAD) or kind_of(text) == "star_missing"))
            or (title & _GOOD_TITLES and (text in ("0", "no", "n", "false") or numbers[k] == 0))
            or (title & _LOST_TITLES and text in ("yes", "y", "true"))
        ):
            bad.add(k)
    if numeric.any() and not title & _GOOD_TITLES:
        usual = int(np.argmax(np.where(numeric, counts, -1)))
        zero = next((k for k in np.flatnonzero(numeric) if numbers[k] == 0), usual)
        if zero != usual and counts[usual] > 0.8 * counts.sum():
            notes.append(f"state {texts[usual]!r} is by far the most frequent: taken as good")
            zero = usual
        bad |= {int(k) for k in np.flatnonzero(numeric) if k != zero}
    marked = np.isin(state, list(bad))
    if marked.mean() > 0.9:
        notes.append("the state column marks nearly every row as bad: not used")
        return good
    return ~marked


def _state_events(state: np.ndarray, words: dict[str, int], time: np.ndarray) -> Remarked:
    """Dithers, settling and missing stars by a state column's words as they change."""
    texts = sorted(words, key=words.get)
    kinds = {k: kind_of(t) for k, t in enumerate(texts) if to_number(t) != to_number(t)}
    kinds = {k: v for k, v in kinds.items() if v != "other"}
    if not kinds:
        return []
    out = []
    changes = np.flatnonzero(np.diff(state) != 0) + 1
    for k in [0, *changes.tolist()] if len(state) else []:
        now = kinds.get(int(state[k]))
        before = kinds.get(int(state[k - 1])) if k else None
        if before in ("settle_start", "dither") and now is None:
            out.append((float(time[k]), k, "settle_end", texts[int(state[k - 1])] + " over"))
        if now:
            out.append((float(time[k]), k, now, texts[int(state[k])]))
    return out


# ---------------------------------------------------------------- remarks


def _events(rows: Rows, section: np.ndarray, line: Timeline) -> Remarked:
    """Remarks with a time: their own where it agrees with the rows beside, else the row's."""
    out = []
    n = len(line.time)
    for remark in rows.remarks:
        k, after = min(max(remark.row - 1, 0), n - 1), min(remark.row, n - 1)
        beside = float(line.time[k])
        if section[after] == remark.section:
            if section[k] != remark.section:
                k, beside = after, float(line.time[after])
            elif remark.row and 0 < line.time[after] - beside < 60:
                beside += 0.5 * float(line.time[after] - beside)  # somewhere between two rows
        time = _own_time(remark, line, k, beside)
        slack = NUMBER_SLACK_S if remark.own else CLOCK_SLACK_S
        if not line.time[k] - slack <= time <= line.time[after] + slack:
            time = beside  # some other number or time of day in the text
        out.append((time, k, kind_of(remark.text), remark.text[:300]))
    return [e for e in out if e[0] == e[0]]


def _own_time(remark: Remark, line: Timeline, k: int, beside: float) -> float:
    seconds = remark.seconds
    if seconds != seconds or beside != beside:
        return beside
    shift = float(line.shift[k])
    if remark.own:
        return seconds + shift
    if remark.day >= 0:
        number = day_number(line.texts[remark.day], line.order)
        if number is None:
            return beside
        time = number * 86400.0 + seconds
        # the rows may have been moved to UTC by a zone
        moved = -3600.0 * remark.zone if remark.zone == remark.zone else float(line.moved[k])
        return time + moved
    if remark.day == -1:
        time = seconds + (float(line.moved[k]) if remark.zone != remark.zone else 0.0)
        return time + 86400.0 * round((beside - time) / 86400.0)
    return beside


def _moved(events: Remarked, before: np.ndarray, after: np.ndarray) -> Remarked:
    """Remarks moved with their rows where steps of the clock were undone."""
    order = np.argsort(before, kind="stable")
    k = np.searchsorted(before[order], [e[0] for e in events], "right") - 1
    shifts = (after - before)[order][np.clip(k, 0, len(order) - 1)]
    return [(e[0] + float(shift), *e[1:]) for e, shift in zip(events, shifts, strict=True)]


def _moves(time: np.ndarray, data: dict[str, np.ndarray], known_events: Remarked) -> Remarked:
    """New places of the star by the columns of the wanted place, where no remark gives them."""
    x, y = (data[name] for name in WANTED)
    rows = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    if len(rows) < 2:
        return []
    dx, dy = np.diff(x[rows]), np.diff(y[rows])
    jumps = np.flatnonzero(np.hypot(dx, dy) > LEAST_MOVE_PX)
    if len(jumps) > SELDOM * len(rows):
        return []
    known = np.array([e[0] for e in known_events if e[2] in ("dither", "reference_moved")])
    slack = 3.0 * float(np.median(np.diff(time)))
    out = []
    for k in jumps:
        row = int(rows[k + 1])
        if not len(known) or np.abs(known - time[row]).min() > slack:
            text = f"the wanted place moved by {dx[k]:+.2f}, {dy[k]:+.2f}"
            out.append((float(time[row]), row, "reference_moved", text))
    return out


def _from_reference(
    time: np.ndarray,
    section: np.ndarray,
    data: dict[str, np.ndarray],
    events: tuple[GuideEvent, ...],
) -> None:
    """Count star places from the median of each stretch between dithers and new references."""
    cuts = [e.time for e in events if e.kind in ("dither", "reference_moved", "settle_end")]
    stretch = np.searchsorted(np.sort(cuts), time, "right") + (len(cuts) + 1) * section
    for name in ("first", "second"):
        values = data[name]
        for part in np.unique(stretch):
            mine = (stretch == part) & np.isfinite(values)
            if mine.any():
                values[mine] -= np.median(values[mine])
