"""The person's own keep and reject marks, read from a table of text."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from subgrade.errors import UsageError
from subgrade.lights import FrameNames
from subgrade.plaintext import printable

MOST_BYTES = 20_000_000
"""A list of marks for a hundred thousand frames is smaller."""
SEPARATORS = (",", ";", "\t")
MOST_NAMED = 3
UNMARKED = ("", "unreadable")
"""Cells that mark nothing: left empty, or as subgrade itself writes them."""


@dataclass(frozen=True, slots=True)
class Mark:
    """A person's verdict on one frame.

    Attributes
    ----------
    frame : str
        Its name as the person gave it; see `subgrade.lights.FrameNames`.
    keep : bool
    source : str
        File it was read from.
    line : int
        Line of that file, counted from 1.
    """

    frame: str
    keep: bool
    source: str = ""
    line: int = 0

    @property
    def word(self) -> str:
        """``keep`` or ``reject``."""
        return "keep" if self.keep else "reject"


def read_marks(path: str | Path) -> tuple[Mark, ...]:
    """Read a table of marks.

    Parameters
    ----------
    path : path-like
        UTF-8 text with a header row that names ``frame`` and ``verdict``; separated by
        commas, semicolons or tabs; further columns are not looked at.

    Returns
    -------
    tuple of Mark
        One a frame, by name.

    Raises
    ------
    UsageError
        If the file cannot be read, is no such table, holds no mark, has a verdict other
        than keep or reject, or both for one frame; file, line and cause are named.
    """
    path = Path(path)
    found: dict[str, Mark] = {}
    for line, frame, verdict in _rows(_text(path), path):
        word = verdict.strip().lower()
        if word in UNMARKED:
            continue
        if word not in ("keep", "reject"):
            raise UsageError(
                f"{path}, line {line}: the verdict {_quoted(verdict)} is neither keep nor reject"
            )
        if not frame:
            raise UsageError(f"{path}, line {line}: no frame is named")
        mark = Mark(frame, word == "keep", str(path), line)
        earlier = found.setdefault(frame, mark)
        if earlier.keep != mark.keep:
            raise UsageError(
                f"{path}: lines {earlier.line} and {line} mark the same frame "
                f"{_quoted(frame)} {earlier.word} and {mark.word}"
            )
    if not found:
        raise UsageError(f"{path}: holds no marks, only the header row")
    return tuple(found[name] for name in sorted(found))


def of_these(marks: Iterable[Mark], frames: FrameNames) -> tuple[dict[str, Mark], list[Mark]]:
    """The marks on frames of this night, and those on others.

    Parameters
    ----------
    marks : iterable of Mark
    frames : FrameNames
        Of the night's files.

    Returns
    -------
    known : dict of str to Mark
        By the frame's full name.
    unknown : list of Mark

    Raises
    ------
    UsageError
        If a mark names several frames, or two marks on one differ.
    """
    full = {printable(name): name for name in frames.names}
    full |= {plain_name(name): name for name in frames.names}
    known: dict[str, Mark] = {}
    unknown = []
    for mark in marks:
        slashed = plain_name(mark.frame.replace("\\", "/"))
        name = full.get(mark.frame) or full.get(slashed) or _meant(mark, slashed, frames)
        if name is None:
            unknown.append(mark)
            continue
        earlier = known.setdefault(name, replace(mark, frame=plain_name(name)))
        if earlier.keep != mark.keep:
            raise UsageError(
                f"{mark.source}: lines {earlier.line} and {mark.line} mark the same frame "
                f"{_quoted(name)} {earlier.word} and {mark.word}"
            )
    return known, unknown


def _meant(mark: Mark, name: str, frames: FrameNames) -> str | None:
    """The one frame that a mark means by less than its full name, if there is one."""
    # Part of a number is no name here: it would turn another night's mark into one of this.
    found = frames.meant(name, any_part=False)
    if len(found) > 1:
        some = ", ".join(_quoted(frames.names[k]) for k in found[:MOST_NAMED])
        more = ", ..." if len(found) > MOST_NAMED else ""
        raise UsageError(
            f"{mark.source}, line {mark.line}: {len(found)} frames answer to "
            f"{_quoted(mark.frame)}: {some}{more}; give more of the name"
        )
    return frames.names[found[0]] if found else None


def plain_name(name: str) -> str:
    """A frame's name as marks are matched: ``/`` between parts, no ``./``, valid UTF-8."""
    name = name.encode("utf-8", "backslashreplace").decode("utf-8")
    return name.removeprefix("./")


def _text(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except OSError as error:
        raise UsageError(f"{path}: cannot read the marks: {error.strerror or error}") from error
    if len(data) > MOST_BYTES:
        raise UsageError(f"{path}: larger than any list of marks ({MOST_BYTES // 10**6} MB)")
    if b"\0" in data:
        raise UsageError(f"{path}: not a table of text; save the marks as CSV in UTF-8")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageError(
            f"{path}: not UTF-8 text (byte {error.start}); save it as UTF-8"
        ) from error


def _rows(text: str, path: Path):
    """Line number, frame and verdict of every row under the header."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    separator = max(SEPARATORS, key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    places, header = None, None
    try:
        for row in reader:
            if not any(cell.strip() for cell in row):
                continue
            if places is None:
                places, header = _places(row, path, reader.line_num), row
                continue
            if row == header:  # tables put one under another
                continue
            if len(row) <= max(places):
                raise UsageError(
                    f"{path}, line {reader.line_num}: only {len(row)} cells where frame and "
                    "verdict are looked for"
                )
            frame, verdict = (row[k] for k in places)
            yield reader.line_num, plain_name(frame.strip()), verdict
    except csv.Error as error:
        raise UsageError(f"{path}, line {reader.line_num}: not valid CSV: {error}") from error
    if places is None:
        raise UsageError(f"{path}: is empty; marks are a table with the columns frame and verdict")


def _places(row: list[str], path: Path, line: int) -> tuple[int, int]:
    names = [cell.strip().lower() for cell in row]
    for wanted in ("frame", "verdict"):
        if names.count(wanted) != 1:
            raise UsageError(
                f"{path}, line {line}: the header row must name the column {wanted} once; it "
                f"reads {_quoted(', '.join(row))}"
            )
    return names.index("frame"), names.index("verdict")


def _quoted(text: str) -> str:
    """A stranger's text, short and harmless to a terminal."""
    return ascii(text if len(text) <= 60 else text[:57] + "...")
