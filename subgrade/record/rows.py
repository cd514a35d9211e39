"""Rows of cells turned into arrays, the remarks among them put aside."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

import numpy as np

from subgrade.record.cells import NOTHING, to_numbers, to_signs
from subgrade.record.clock_text import Dates, read_cells
from subgrade.record.columns import Choice, Use
from subgrade.record.running_text import kind_of
from subgrade.record.units import Units

NAN = float("nan")
_LETTERS = re.compile(r"[^\W\d_]{2,}")
Columns = list[tuple[str, ...]]
MOST_REMARKS = 20000
"""Remarks kept of one file; a file of nothing but remarks must not fill the memory."""


@dataclass(frozen=True, slots=True)
class Remark:
    """A remark before its time is known: the row it stands before, and any clock beside it."""

    row: int
    section: int
    text: str
    day: int = -2
    """As in `read_cells`; -2 where it has no time of its own."""
    seconds: float = NAN
    zone: float = NAN
    own: bool = False
    """Whether `seconds` is a number in the record's own time column."""


@dataclass(slots=True)
class Rows:
    """All rows so far, in file order, as lists of arrays to be joined once.

    ``first`` and ``second`` are the errors in arcsec; ``state`` numbers the distinct words of a
    state column; ``ghost`` marks missing-star remarks that may stand for a sample.
    """

    parts: dict[str, list[np.ndarray]] = field(default_factory=dict)
    dates: Dates = field(default_factory=Dates)
    states: dict[str, int] = field(default_factory=dict)
    remarks: list[Remark] = field(default_factory=list)
    dropped_remarks: int = 0
    unread: int = 0
    halves: bool = False
    n: int = 0
    last_text: str = ""

    def remark(self, remark: Remark) -> None:
        """Keep a remark, as far as there is room."""
        if len(self.remarks) < MOST_REMARKS:
            self.remarks.append(remark)
        else:
            self.dropped_remarks += 1

    def joined(self, name: str) -> np.ndarray:
        """One array over all parts."""
        parts = self.parts.pop(name, [])
        if not parts:
            return np.zeros(0)
        return np.concatenate(parts)

    def add(self, rows: list[list[str]], choice: Choice, units: Units, section: int) -> None:
        """Turn rows of one layout into arrays and append them."""
        width = len(choice.header.titles)
        columns = list(zip(*(r[:width] for r in rows), strict=True))
        comma = choice.comma
        day, seconds, zone = self._times(columns, choice)
        n = len(rows)
        first, second = choice.axes
        values = {
            "seconds": seconds,
            "zone": zone,
            "first": _error(columns, first, units.first, comma, n),
            "second": _error(columns, second, units.second, comma, n),
            "ra_pulse": _pulse(columns, choice, "ra", units, comma, n),
            "dec_pulse": _pulse(columns, choice, "dec", units, comma, n),
        }
        for name, role in (("brightness", "brightness"), ("snr", "snr"), ("count", "frame")):
            use = choice.one(role)
            values[name] = to_numbers(columns[use.place], comma) if use else np.full(n, NAN)
        state = self._state(columns, choice, n)
        keep = day != -2
        ghost = np.zeros(n, bool)
        self._remarks(rows, columns, choice, values, day, keep, ghost, section)
        values |= {"day": day, "state": state, "ghost": ghost}
        values["section"] = np.full(n, section, np.int32)
        for name, array in values.items():
            self.parts.setdefault(name, []).append(array[keep])
        self.n += int(keep.sum())

    def _times(self, columns: Columns, choice: Choice) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Date number, seconds and zone of every row; -2 where the time cannot be read."""
        use, date = choice.one("time"), choice.one("date")
        cells = columns[use.place]
        if use.unit in ("iso", "clock"):
            if date is not None:
                both = zip(columns[date.place], cells, strict=True)
                cells = [f"{d.strip()} {c.strip()}" for d, c in both]
            elif cells and (cells[0][:1] in ' "' or cells[-1][-1:] in ' "'):
                cells = [c.strip(' "') for c in cells]
            day, seconds, zone, halves = read_cells(cells, self.dates)
            self.halves |= halves
            day[np.isnan(seconds)] = -2
            return day, seconds, zone
        values = to_numbers(cells, choice.comma)
        scale = 1.0
        if use.unit == "jd":
            values = (values + (2400000.0 if use.factor > 1 else 0.0) - 2440587.5) * 86400.0
        elif use.unit == "mjd":
            values = (values - 40587.0) * 86400.0
        else:
            scale = use.factor
        day = np.where(np.isfinite(values), -1, -2).astype(np.int32)
        return day, values * scale, np.full(len(values), NAN)

    def _state(self, columns: Columns, choice: Choice, n: int) -> np.ndarray:
        use = choice.one("state")
        if use is None:
            return np.full(n, -1, np.int16)
        numbers = {}
        for cell in set(columns[use.place]):
            word = cell.strip().lower()
            if word not in self.states and len(self.states) < 1000:
                self.states[word] = len(self.states)
            numbers[cell] = self.states.get(word, -1)
        return np.array([numbers[c] for c in columns[use.place]], np.int16)

    def _remarks(
        self,
        rows: list[list[str]],
        columns: Columns,
        choice: Choice,
        values: dict[str, np.ndarray],
        day: np.ndarray,
        keep: np.ndarray,
        ghost: np.ndarray,
        section: int,
    ) -> None:
        """Take out rows that are remarks, and keep the remarks beside numbers."""
        place = {u.place for u in choice.all("remark")}
        width = len(choice.header.titles)
        measured = np.isfinite(values["first"]) | np.isfinite(values["second"])
        # a row cut short or a remark in the columns of numbers shows as errors without numbers
        marked = {int(k) for k in np.flatnonzero(~measured | ~keep)}
        for p in place:
            marked |= {k for k, c in enumerate(columns[p]) if c and not c.isspace()}
        marked |= {k for k, row in enumerate(rows) if len(row) > width}
        counted = choice.one("frame") is not None
        start = self.n
        before = np.concatenate([[0], np.cumsum(keep)])
        taken, previous = 0, -1
        for k in sorted(marked):
            if k != previous + 1:
                self.last_text = ""  # the same words again after a pause are a new remark
            previous = k
            text = _text(rows[k], choice, place, width, bool(measured[k]))
            if not keep[k]:
                self.unread += 1
                if text:
                    self.remark(Remark(start + int(before[k]) - taken, section, text))
                continue
            if not text:
                self.last_text = ""
                continue
            if not measured[k]:
                sample = counted and np.isfinite(values["count"][k])
                lost = kind_of(text) == "star_missing" and not counted
                if not sample and not lost:
                    keep[k] = False
                ghost[k] = lost and not sample
            if text != self.last_text or not (measured[k] or ghost[k] or keep[k]):
                own = choice.one("time").unit not in ("iso", "clock")
                at = start + int(before[k]) - taken
                clock = int(day[k]), float(values["seconds"][k]), float(values["zone"][k])
                self.remark(Remark(at, section, text, *clock, own))
            taken += not keep[k]
            self.last_text = text
        if previous != len(rows) - 1:
            self.last_text = ""


def _text(row: list[str], choice: Choice, place: set[int], width: int, measured: bool) -> str:
    """The words in a row that are a remark."""
    parts = [row[p].strip() for p in sorted(place)]
    parts += [c.strip() for c in row[width:]]
    if not measured:
        roles = {u.place: u.role for u in choice.uses}
        for p, cell in enumerate(row[:width]):
            role = roles.get(p, "")
            if p in place or role in ("time", "date", "state", "ra_side", "dec_side"):
                continue
            word = cell.strip()
            if word.lower() not in NOTHING and _LETTERS.search(word):
                parts.append(word)
    return " ".join(p for p in parts if p)


def _error(columns: Columns, use: Use | None, factor: float, comma: bool, n: int) -> np.ndarray:
    if use is None:
        return np.full(n, NAN)
    return to_numbers(columns[use.place], comma) * (factor * use.sign)


PULSE_RATE = 7.5
"""arcsec per second a correction moves the mount where nothing is stated: half the sidereal rate
(common practice, no source)."""


def _pulse(
    columns: Columns, choice: Choice, axis: str, units: Units, comma: bool, n: int
) -> np.ndarray:
    """Signed pulses in ms from times, distances, direction words or a column each way."""
    uses = choice.all(f"{axis}_pulse")
    if not uses:
        return np.full(n, NAN)
    times = [u for u in uses if u.unit not in ("arcsec", "px")]
    distances = [u for u in uses if u.unit in ("arcsec", "px")]
    side = choice.one(f"{axis}_side")
    if not times:
        use = distances[0]
        scale = use.factor * (units.scale if use.unit == "px" else 1.0)
        if scale != scale:
            scale = 1.0
        pulse = to_numbers(columns[use.place], comma) * (scale * use.sign * 1000.0 / PULSE_RATE)
        return _sided(pulse, columns, side)
    pulse = None
    for use in times:
        scale = use.factor * (1000.0 if use.unit == "s" else 1.0) * use.sign
        one = to_numbers(columns[use.place], comma) * scale
        if pulse is None:
            pulse = one
        else:
            both_empty = np.isnan(pulse) & np.isnan(one)
            pulse = np.where(both_empty, NAN, np.nan_to_num(pulse) + np.nan_to_num(one))
    if side is None and distances and not (pulse < 0).any():
        signs = np.sign(to_numbers(columns[distances[0].place], comma)) * distances[0].sign
        return np.where(np.isfinite(signs) & (signs != 0), pulse * signs, pulse)
    return _sided(pulse, columns, side)


def _sided(pulse: np.ndarray, columns: Columns, side: Use | None) -> np.ndarray:
    if side is None:
        return pulse
    signs = to_signs(columns[side.place])
    return np.where(np.isfinite(signs), np.abs(pulse) * signs, pulse)
