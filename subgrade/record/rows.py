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

    ``first`` and ``second`` are the errors in arcsec, ``wanted_x`` and ``wanted_y`` where the star
    is wanted, in the file's unit; ``state`` numbers the distinct words of a
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
        batch = _Batch(rows, choice)
        day, seconds, zone = self._times(batch)
        first, second = choice.axes
        wanted = [batch.numbers(choice.one(role)) for role in ("x_wanted", "y_wanted")]
        values = {
            "seconds": seconds,
            "zone": zone,
            "first": batch.numbers(first, units.first),
            "second": batch.numbers(second, units.second),
            "wanted_x": wanted[0],
            "wanted_y": wanted[1],
            "ra_pulse": _pulse(batch, "ra", units),
            "dec_pulse": _pulse(batch, "dec", units),
            "brightness": batch.numbers(choice.one("brightness")),
            "snr": batch.numbers(choice.one("snr")),
            "count": batch.numbers(choice.one("frame")),
            "day": day,
            "state": self._state(batch),
            "ghost": np.zeros(len(rows), bool),
            "section": np.full(len(rows), section, np.int32),
        }
        if choice.wanted:
            values["first"] = values["first"] - units.first * wanted[0]
            values["second"] = values["second"] - units.second * wanted[1]
        keep = day != -2
        self._remarks(batch, values, keep, section)
        for name, array in values.items():
            self.parts.setdefault(name, []).append(array[keep])
        self.n += int(keep.sum())

    def _times(self, batch: _Batch) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Date number, seconds and zone of every row; -2 where the time cannot be read."""
        use, date = batch.choice.time, batch.choice.one("date")
        cells = batch.columns[use.place]
        if use.unit in ("iso", "clock"):
            if date is not None:
                both = zip(batch.columns[date.place], cells, strict=True)
                cells = [f"{d.strip()} {c.strip()}" for d, c in both]
            elif cells and (cells[0][:1] in ' "' or cells[-1][-1:] in ' "'):
                cells = [c.strip(' "') for c in cells]
            day, seconds, zone, halves = read_cells(cells, self.dates)
            self.halves |= halves
            day[np.isnan(seconds)] = -2
            return day, seconds, zone
        seconds = batch.numbers(use)
        if use.unit == "jd":
            seconds = (seconds + (2400000.0 if use.factor > 1 else 0.0) - 2440587.5) * 86400.0
        elif use.unit == "mjd":
            seconds = (seconds - 40587.0) * 86400.0
        else:
            seconds *= use.factor
        day = np.where(np.isfinite(seconds), -1, -2).astype(np.int32)
        return day, seconds, np.full(len(seconds), NAN)

    def _state(self, batch: _Batch) -> np.ndarray:
        """The number of each row's state among the distinct ones; -1 for none."""
        use = batch.choice.one("state")
        if use is None:
            return np.full(len(batch.rows), -1, np.int16)
        cells = batch.columns[use.place]
        numbers = {}
        for cell in set(cells):
            word = cell.strip().lower()
            if word not in self.states and len(self.states) < 1000:
                self.states[word] = len(self.states)
            numbers[cell] = self.states.get(word, -1)
        return np.array([numbers[c] for c in cells], np.int16)

    def _remarks(
        self, batch: _Batch, values: dict[str, np.ndarray], keep: np.ndarray, section: int
    ) -> None:
        """Take out rows that are remarks, and keep the remarks beside numbers."""
        rows, width = batch.rows, batch.width
        measured = np.isfinite(values["first"]) | np.isfinite(values["second"])
        # a row cut short or a remark in the columns of numbers shows as errors without numbers
        marked = {int(k) for k in np.flatnonzero(~measured | ~keep)}
        for use in batch.choice.all("remark"):
            cells = batch.columns[use.place]
            marked |= {k for k, c in enumerate(cells) if c and not c.isspace()}
        marked |= {k for k, row in enumerate(rows) if len(row) > width}
        counted = batch.choice.one("frame") is not None
        own = batch.choice.time.unit not in ("iso", "clock")
        start = self.n
        before = np.concatenate([[0], np.cumsum(keep)])
        taken, previous = 0, -1
        for k in sorted(marked):
            if k != previous + 1:
                self.last_text = ""  # the same words again after a pause are a new remark
            previous = k
            text = batch.text(k, bool(measured[k]))
            at = start + int(before[k]) - taken
            if not keep[k]:
                self.unread += 1
                if text:
                    self.remark(Remark(at, section, text))
                continue
            if not text:
                self.last_text = ""
                continue
            if not measured[k]:
                sample = counted and np.isfinite(values["count"][k])
                lost = kind_of(text) == "star_missing" and not counted
                if not sample and not lost:
                    keep[k] = False
                values["ghost"][k] = lost and not sample
            if text != self.last_text or not (measured[k] or keep[k]):
                clock = int(values["day"][k]), *(float(values[n][k]) for n in ("seconds", "zone"))
                self.remark(Remark(at, section, text, *clock, own))
            taken += not keep[k]
            self.last_text = text
        if previous != len(rows) - 1:
            self.last_text = ""


class _Batch:
    """Rows of one layout, as columns of cells too."""

    def __init__(self, rows: list[list[str]], choice: Choice):
        self.rows, self.choice, self.width = rows, choice, len(choice.header.titles)
        self.columns = list(zip(*(r[: self.width] for r in rows), strict=True))

    def numbers(self, use: Use | None, factor: float = 1.0) -> np.ndarray:
        """A column's numbers times its sign and a factor; all NaN where there is none."""
        if use is None:
            return np.full(len(self.rows), NAN)
        return to_numbers(self.columns[use.place], self.choice.comma) * (factor * use.sign)

    def text(self, k: int, measured: bool) -> str:
        """The words in row `k` that are a remark."""
        row, roles = self.rows[k], {u.place: u.role for u in self.choice.uses}
        parts = [row[p].strip() for p in sorted(roles) if roles[p] == "remark"]
        parts += [c.strip() for c in row[self.width :]]
        for p, cell in enumerate(row[: self.width] if not measured else ()):
            if roles.get(p) in ("remark", "time", "date", "state", "ra_side", "dec_side"):
                continue
            word = cell.strip()
            if word.lower() not in NOTHING and _LETTERS.search(word):
                parts.append(word)
        return " ".join(p for p in parts if p)


PULSE_RATE = 7.5
"""arcsec per second a correction moves the mount where nothing is stated: half the sidereal rate
(common practice, no source)."""


def _pulse(batch: _Batch, axis: str, units: Units) -> np.ndarray:
    """Signed pulses in ms from times, distances, direction words or a column each way."""
    uses, side = batch.choice.all(f"{axis}_pulse"), batch.choice.one(f"{axis}_side")
    times = [u for u in uses if u.unit not in ("arcsec", "px")]
    distances = [u for u in uses if u.unit in ("arcsec", "px")]
    if not uses:
        return batch.numbers(None)
    if not times:
        use = distances[0]
        scale = use.factor * (units.scale if use.unit == "px" else 1.0)
        if scale != scale:
            scale = 1.0
        pulse = batch.numbers(use, scale * 1000.0 / PULSE_RATE)
    else:
        parts = [batch.numbers(u, u.factor * (1000.0 if u.unit == "s" else 1.0)) for u in times]
        pulse = parts[0]
        for part in parts[1:]:
            empty = np.isnan(pulse) & np.isnan(part)
            pulse = np.where(empty, NAN, np.nan_to_num(pulse) + np.nan_to_num(part))
    if side is not None:
        signs = to_signs(batch.columns[side.place])
        return np.where(np.isfinite(signs), np.abs(pulse) * signs, pulse)
    if times and distances and not (pulse < 0).any():
        signs = np.sign(batch.numbers(distances[0]))
        return np.where(np.isfinite(signs) & (signs != 0), pulse * signs, pulse)
    return pulse
