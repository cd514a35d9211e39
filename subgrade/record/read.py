"""Read a guiding record of any columnar layout by what is in it, in one pass over its lines."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from subgrade.errors import UnreadableFile, UsageError
from subgrade.record.assembly import build_record
from subgrade.record.cells import is_datum, line_pieces, to_number
from subgrade.record.clock_text import reading_in, time_in
from subgrade.record.columns import Choice, choose_columns
from subgrade.record.guide_map import (
    GuideMap,
    bare_header,
    fixed_columns,
    load_guide_map,
    mapped_header,
    missing_column,
    names_titles,
    with_units,
)
from subgrade.record.header_row import SAMPLE, Header, find_header, may_be_header
from subgrade.record.model import GuideRecord
from subgrade.record.rows import Remark, Rows
from subgrade.record.running_text import Facts, closes, kind_of, learn, opens
from subgrade.record.timeline import Opening
from subgrade.record.titles import words_of
from subgrade.record.units import Units, settle_units
from subgrade.record.zone_text import zone_of_title

NAN = float("nan")
BATCH = 8192
"""Rows held as text before they become arrays."""
SEARCH = 50000
"""Lines read in search of a header row."""
MOST_TITLES = 300
"""Lines judged as header rows, each by hundreds of rows below it; a night's record has some ten."""
MOST_TEXT = 1_500_000
"""Characters of text read for facts and remarks; a night's record has a tenth."""
_DIGITS = re.compile(r"\d{40,}")
"""No number; patterns that try it from every digit on take a second a line."""
_HAS_DIGIT = re.compile(r"\d").search
_LETTERS = re.compile(r"[^\W\d_]{4,}").search

SLOWEST_S = 45.0
"""Rows farther apart are no guiding; common practice, no source."""


def read_guide(
    path: str | Path,
    *,
    scale_arcsec_px: float | None = None,
    guide_map: GuideMap | str | Path | None = None,
    pixels: bool = False,
) -> GuideRecord:
    """Read a guiding record.

    Parameters
    ----------
    path : path-like
        Any text in columns: delimited, in fixed places, or one JSON object a line.
    scale_arcsec_px : float, optional
        Size of a guide-camera pixel, arcsec, over what the file states.
    guide_map : GuideMap or path-like, optional
        What the user fixed of columns, units, clock and sections; see docs/guide-map.md.
    pixels : bool
        Whether errors in pixels of unknown size are handed on as they are (``unscaled``).

    Returns
    -------
    GuideRecord
        Arrays of shape (n,) in order of time, errors in arcsec, pulses in ms; what was understood
        is in ``columns`` and ``notes``.

    Raises
    ------
    UnreadableFile
        Not text, empty, no header row that is understood, no rows, or errors in pixels of
        unknown size that are not asked for.
    UsageError
        A guide map that does not fit.
    """
    if guide_map is None:
        guide_map = GuideMap()
    elif not isinstance(guide_map, GuideMap):
        guide_map = load_guide_map(guide_map)
    if scale_arcsec_px is None and guide_map.scale == guide_map.scale:
        scale_arcsec_px = guide_map.scale
    reader = Reader(Path(path), scale_arcsec_px, guide_map)
    for lines, ahead, whole in _with_view_ahead(line_pieces(path)):
        reader.feed(lines, ahead, whole)
    return reader.finish(pixels)


def _with_view_ahead(
    pieces: Iterable[tuple[list[str], bool]],
) -> Iterator[tuple[list[str], list[str], bool]]:
    """Lists of lines, each with the lines that follow it as far as a header is judged by them."""
    held: list[str] | None = None
    whole = True
    for lines, ends in pieces:
        if held is None:
            held = lines
        elif len(lines) < SAMPLE and len(held) < 200000:
            held = held + lines  # a last piece too short to judge by
        else:
            yield held, lines[: 2 * SAMPLE], True
            held = lines
        whole = ends
    if held:
        yield held, [], whole


class Reader:
    """Goes through the lines once: text, header rows, rows, remarks, sections."""

    def __init__(self, path: Path, scale: float | None, guide_map: GuideMap):
        self.path, self.scale, self.map = path, scale, guide_map
        self.rows = Rows()
        self.facts = Facts()
        self.openings: list[Opening] = []
        self.choice: Choice | None = None
        self.units: Units | None = None
        self.notes: list[str] = []
        self.used: list[tuple[int, Choice, Units]] = []
        self.headers = 0
        self.lines = 0
        self.fresh = False
        self.batch: list[list[str]] = []
        self.last_value = NAN
        self.skip = 0
        self.missing: tuple[str | int, tuple[str, ...]] | None = None
        self.pending = False  # a dated line that may open the next section
        self.fresh_dated = False
        self.relative = False
        self.titles_left, self.text_left = MOST_TITLES, MOST_TEXT

    # ------------------------------------------------------------ lines

    def feed(self, lines: list[str], ahead: list[str], whole: bool) -> None:
        """Take the next lines; `ahead` are some that follow them."""
        everything = lines + ahead
        k, count = 0, len(lines)
        while k < count:
            if self.choice is not None:
                k = self._take_rows(everything, k, count)
                if k >= count:
                    break
            last = not whole and k == count - 1
            self._other_line(everything, k, last)
            k += 1
        self.lines += count
        self._flush()
        searched = self.lines > SEARCH or self.text_left < 0
        if self.choice is None and not self.rows.n and searched:
            raise UnreadableFile(self.path, self._nothing_found())

    def _take_rows(self, lines: list[str], k: int, count: int) -> int:
        """Rows from line `k` on, to the first line that is none; its number is returned."""
        cutter = self.choice.header.cut.cutter()
        width = len(self.choice.header.titles)
        place = self.choice.time.place
        numbers_from = _numbers_from(self.choice)
        batch = self.batch
        skipped = min(self.skip, count - k)
        self.skip -= skipped
        k += skipped
        while k < count:
            cells = cutter(lines[k])
            if len(cells) < width or not _HAS_DIGIT(cells[place]) or cells[place][:1] == "#":
                return k
            if numbers_from and _LETTERS(lines[k], numbers_from):
                return k
            if self.fresh or self._restarts(cells[place]):
                self._open_section(cells)
                batch = self.batch
            batch.append(cells)
            if len(batch) >= BATCH:
                self._flush()
                batch = self.batch
            k += 1
        return k

    def _restarts(self, cell: str) -> bool:
        """Whether seconds since a start restart at this row."""
        if not self.relative:
            return False
        try:
            value = float(cell)
        except ValueError:
            value = to_number(cell.replace(",", ".") if self.choice.comma else cell)
        if value != value:
            return False
        anew = value < self.last_value and value < 0.2 * self.last_value
        self.last_value = value
        return anew

    def _other_line(self, lines: list[str], k: int, last: bool) -> None:
        """A line that is no row: text, a header row, a remark, or a row cut short."""
        line = lines[k]
        text = _DIGITS.sub("", line[:2000]).strip()
        if not text or not any(map(str.isalnum, text)):
            return
        if self._header(lines, k):
            return
        if self.choice is not None and self._short_row(line, last):
            return
        if last and self.choice is not None and _HAS_DIGIT(line) and not _LETTERS(text):
            self.notes.append("the last line is cut short and was left out")
            return
        if self._passed_over(text):
            return
        self._remark(line, text)
        if not self.openings or _HAS_DIGIT(text) or self.map.section:
            self._learn(text)

    def _passed_over(self, text: str) -> bool:
        """Whether so much text came before that this is no longer read."""
        if self.text_left < 0:
            return True
        self.text_left -= len(text) + 20  # short lines cost too
        if self.text_left < 0:
            self.notes.append(
                f"more than {MOST_TEXT / 1e6:.1f} million characters of text between the "
                "rows: remarks after that were left out"
            )
        return False

    def _learn(self, text: str) -> None:
        before = self.facts
        self.facts = learn(before, text)
        started = bool(self.openings) and self.rows.n + len(self.batch) > 0
        forced = self.map.section
        if forced and forced in text:
            self._flush()
            self.fresh, self.fresh_dated = True, reading_in(text) is not None
            return
        reading = reading_in(text)
        if reading is None or closes(text) or not started:
            return
        self.pending = True
        if opens(text) and not forced and kind_of(text) == "other" and not self.relative:
            self._flush()
            self.fresh = True

    def _short_row(self, line: str, last: bool) -> bool:
        """A row whose empty cells at the end were left away."""
        cells = self.choice.header.cut.cells(line)
        width = len(self.choice.header.titles)
        axes = [u.place for u in self.choice.axes if u is not None]
        place = self.choice.time.place
        needed = max(*axes, place)
        if last or len(cells) <= needed or len(cells) >= width:
            return False
        unread = not self.choice.comma and any(np.isnan(to_number(cells[p])) for p in axes)
        if unread or not is_datum(cells[place].strip()):
            return False
        if self.fresh:
            self._open_section(cells)
        self.batch.append(cells + [""] * (width - len(cells)))
        return True

    # ------------------------------------------------------------ headers and sections

    def _header(self, lines: list[str], k: int) -> bool:
        if not self.map.header:
            return self.choice is None and self._bare(lines, k)
        known = self.choice.header if self.choice is not None else None
        if known is not None and known.cut.kind == "json":
            return False
        if not self._titles_wanted(lines[k]):
            return False
        header = mapped_header(self.map, lines, k) or find_header(lines, k)
        if header is None:
            return False
        self.headers += 1
        missing = missing_column(self.map, header)
        if missing is not None:
            self.missing = missing, header.titles
            return self._strange_header(header, None)
        choice = self._chosen(header)
        if choice is None or not header.rows:
            if known is None or header.titles != known.titles:
                return self._strange_header(header, choice)
            choice, header = self.choice, self.choice.header
        self._flush()
        self._adopt(choice)
        self.skip = max(header.skip, 0)
        self.fresh |= self.pending or not self.openings
        cells = header.cut.cells(lines[k]) if header.skip < 0 else []
        if cells:  # the titles came with the first row
            self._open_section(cells)
            self.batch.append(cells)
        return True

    def _chosen(self, header: Header) -> Choice | None:
        return choose_columns(header, fixed_columns(self.path, self.map, header))

    def _titles_wanted(self, line: str) -> bool:
        """Whether a line may be a header row, and not too many were judged before."""
        if not may_be_header(line) and not names_titles(self.map, line):
            return False
        self.titles_left -= 1
        if self.titles_left == -1:
            self.notes.insert(0, f"more than {MOST_TITLES} header rows: later ones were left out")
        return self.titles_left >= 0

    def _strange_header(self, header: Header, choice: Choice | None) -> bool:
        """Titles of other rows, such as a calibration run: their rows are passed over."""
        if choice is not None and not header.rows:
            return self.choice is None  # a header alone: remembered by its count only
        if self.choice is not None and header.rows:
            self._flush()
            self.notes.append("a section with other columns and no guiding errors was skipped")
            self.choice = None
        return True

    def _adopt(self, choice: Choice) -> None:
        earlier = self.used[-1][1] if self.used else choice
        if (choice.header.titles, choice.header.cut) == (earlier.header.titles, earlier.header.cut):
            choice = earlier  # what was settled by more rows stays
        choice = with_units(choice, self.map)
        units = settle_units(choice, self.facts, self.scale)
        if self.used and choice is self.used[-1][1] and units.scale == self.used[-1][2].scale:
            units = self.used[-1][2]
        self.choice, self.units = choice, units
        self.relative = choice.time.unit == "s"
        self.used.append((self.rows.n, choice, units))

    def _open_section(self, cells: list[str]) -> None:
        """Begin a section at a row."""
        self._flush()
        time = self.choice.time
        words = set(words_of(self.choice.header.titles[time.place]))
        since = time.unit == "clock" and bool(words & {"elapsed", "since"})
        titles = self.choice.header.titles
        named = [titles[u.place] for u in self.choice.uses if u.role in ("time", "date")]
        zone = next((z for t in named if (z := zone_of_title(t)) == z), NAN)
        local = any(re.search("local", t, re.I) for t in named)
        dated = self.pending or self.fresh_dated or not self.openings
        self.openings.append(Opening(self.rows.n, time.unit, self.facts, dated, zone, local, since))
        self.fresh = self.pending = self.fresh_dated = False
        self.last_value = to_number(cells[time.place])

    def _bare(self, lines: list[str], k: int) -> bool:
        """The first row of a file without header, by the guide map."""
        header = bare_header(self.map, lines, k)
        choice = self._chosen(header) if header else None
        if choice is None:
            return False
        self.headers += 1
        self._adopt(choice)
        cells = header.cut.cells(lines[k])
        self._open_section(cells)
        self.batch.append(cells)
        return True

    # ------------------------------------------------------------ rows and remarks

    def _flush(self) -> None:
        if self.batch:
            batch, self.batch = self.batch, []
            self.rows.add(batch, self.choice, self.units, max(len(self.openings) - 1, 0))

    def _remark(self, line: str, text: str) -> None:
        """Keep a line of text with the time in it, its own or one in the record's time column."""
        if not self.openings or self.choice is None:
            return
        self._flush()
        time, clock = self.choice.time, ()
        by_clock = time.unit in ("clock", "iso")
        reading = reading_in(text) or (time_in(text) if by_clock else None)
        if reading is not None:
            day = self.rows.dates.number(reading.date)
            if reading.seconds == reading.seconds:
                clock = day, reading.seconds, reading.zone
        cells = self.choice.header.cut.cells(line)
        if not clock and not by_clock and self.relative and len(cells) > time.place:
            value = to_number(cells[time.place].lstrip("#; ")) * time.factor
            clock = (-1, value, NAN, True) if value == value else ()
        self.rows.remark(Remark(self.rows.n, len(self.openings) - 1, text, *clock))

    # ------------------------------------------------------------ the end

    def finish(self, pixels: bool = False) -> GuideRecord:
        """The record of all lines fed, in pixels of unknown size only where that is asked for."""
        self._flush()
        if not self.rows.n:
            if self.missing is not None:
                column, titles = self.missing
                raise UsageError(
                    f"{self.path}: the guide map's column {column!r} is not in the file; titles: "
                    f"{', '.join(map(repr, titles))}"
                )
            raise UnreadableFile(self.path, self._nothing_found())
        lengths = np.diff([start for start, _, _ in self.used] + [self.rows.n])
        _, choice, units = self.used[int(np.argmax(lengths))]  # the layout of most rows
        if len({c.camera_only for _, c, _ in self.used}) > 1:
            self.notes.append("some sections give RA and Dec, others camera axes")
        notes = [*units.notes, *self.notes]
        record = build_record(self.path, self.rows, self.openings, choice, units, self.map, notes)
        if record.cadence_s > SLOWEST_S:
            raise UnreadableFile(
                self.path,
                f"its rows are {record.cadence_s:.0f} s apart; a guiding record has one every few "
                "seconds: is this a table of frames?",
            )
        # asked for only now: a table that is no guiding record needs no scale
        known = [units.known for _, _, units in self.used]
        if pixels and not any(known):
            return replace(record, unscaled=True)
        if not all(known):
            raise UnreadableFile(
                self.path,
                "the errors are in guide camera pixels of unknown size: give the arcsec per pixel "
                "with --guide-scale ARCSEC_PER_PX",
            )
        return record

    def _nothing_found(self) -> str:
        if self.headers:
            more = f"; {self.notes[0]}" if self.titles_left < 0 else ""
            return f"has a header row but no rows of numbers below it{more}"
        return (
            f"no header row with a time and an error in RA, Dec, x or y was found in {self.lines} "
            f"line{'s' * (self.lines != 1)}: if it is a guiding record, name its columns with "
            "--guide-map"
        )


def _numbers_from(choice: Choice) -> int:
    """Where columns of fixed places hold numbers only; 0 where words may stand anywhere."""
    spans = choice.header.cut.spans
    if not spans or any(u.role in ("state", "remark", "ra_side", "dec_side") for u in choice.uses):
        return 0
    return spans[choice.time.place][1] or 0
