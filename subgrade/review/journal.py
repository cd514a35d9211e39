"""Marks as they are made, each on the disk before it counts.

``marks_review.journal`` in RESULTS has a line of JSON for every step: the marks begun with, a
mark, a step back.  A line that a crash cut short is no step.  ``marks_review.csv`` is the same as
a table for ``subgrade grade --marks``, written whole a moment later; its digest is noted in the
journal first, so that a table changed by hand is known, and believed.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Mapping
from contextlib import suppress
from hashlib import blake2b
from pathlib import Path

from subgrade.errors import NotWritten, ResultsError
from subgrade.results import AppendedLines, sync_folder

JOURNAL, TABLE = "marks_review.journal", "marks_review.csv"
EARLIER = "marks_review_earlier.journal"
WORDS = ("keep", "reject")
Step = tuple[str, str | None]
"""A frame's name and the mark that it had before."""


class MarksJournal:
    """The marks on a night's frames, by name.

    Parameters
    ----------
    folder : Path
        RESULTS.

    Attributes
    ----------
    marks : dict of str to str
        ``keep`` or ``reject``.

    Raises
    ------
    ResultsError
        If there is a journal that cannot be read.
    """

    def __init__(self, folder: Path):
        self.path = Path(folder) / JOURNAL
        self.marks: dict[str, str] = {}
        self._steps: list[Step] = []
        self._of: str | None = None
        self._digests: set[str] = set()
        try:
            self._file = AppendedLines(self.path)
        except OSError as error:
            raise ResultsError(f"{self.path}: cannot be read: {_why(error)}") from error
        for line in self._file.lines:
            with suppress(ValueError, KeyError, TypeError, AttributeError):
                self._take(json.loads(line))

    def start(self, run: Mapping[str, str], of: str, given: bool, table: bytes | None) -> None:
        """Go on where the marks of this night stand, and open the journal for more.

        Parameters
        ----------
        run : mapping of str to str
            Marks that the run followed.
        of : str
            What the run is known by.
        given : bool
            Whether the run was given marks of a file other than `TABLE`.
        table : bytes or None
            What `TABLE` holds.

        Raises
        ------
        NotWritten
            If it cannot be written to.
        """
        by_hand = table is not None and digest(table) not in self._digests
        if by_hand:
            known = table_marks(table)
            self._anew({**run, **known} if self._of is None else known, of)
        elif self._of is None or (given and of != self._of):
            self._anew(run, of)
        try:
            self._file.open()
        except OSError as error:
            raise NotWritten(f"{self.path}: cannot be written: {_why(error)}") from error

    @property
    def steps(self) -> int:
        """How many marks can be taken back."""
        return len(self._steps)

    def mark(self, name: str, word: str | None) -> None:
        """Lay a mark on a frame, or take it away; on the disk when this returns.

        Raises
        ------
        NotWritten
            If the disk does not take it; then nothing has changed.
        """
        if self.marks.get(name) != word:
            self._add({"frame": name, "mark": word})

    def undo(self) -> None:
        """Take the last mark back, as `mark`; nothing where there is none."""
        if self._steps:
            self._add({"undo": 1})

    def note_table(self, content: bytes) -> None:
        """Note what `TABLE` is about to hold."""
        if (known := digest(content)) not in self._digests:
            self._add({"table": known})

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _anew(self, marks: Mapping[str, str], of: str) -> None:
        """Begin a new journal; one that held marks is put by."""
        line = _line({"start": dict(marks), "of": of})
        draft = self.path.with_name(f"{JOURNAL}.new")
        try:
            if self._of is not None:
                os.replace(self.path, self.path.with_name(EARLIER))
            with draft.open("wb") as stream:
                stream.write(line + b"\n")
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(draft, self.path)
            sync_folder(self.path.parent)
            self._file = AppendedLines(self.path)
        except OSError as error:
            raise NotWritten(f"{self.path}: cannot be written: {_why(error)}") from error
        self._steps, self._digests = [], set()
        self._take(json.loads(line))

    def _add(self, step: dict) -> None:
        try:
            self._file.add(_line(step))
        except OSError as error:
            raise NotWritten(f"{self.path}: cannot be written: {_why(error)}") from error
        self._take(step)

    def _take(self, step: dict) -> None:
        """Do what a line says."""
        if "start" in step:
            found = {str(n): w for n, w in step["start"].items() if w in WORDS}
            self.marks, self._of, self._steps = found, str(step["of"]), []
        elif "undo" in step:
            if self._steps:
                self._set(*self._steps.pop())
        elif "table" in step:
            self._digests.add(step["table"])
        elif step["mark"] is None or step["mark"] in WORDS:
            name = str(step["frame"])
            self._steps.append((name, self.marks.get(name)))
            self._set(name, step["mark"])

    def _set(self, name: str, word: str | None) -> None:
        if word is None:
            self.marks.pop(name, None)
        else:
            self.marks[name] = word


def read_table(folder: Path) -> bytes | None:
    """What the table of marks holds; None where there is none.

    Raises
    ------
    ResultsError
        If it cannot be read.
    """
    path = Path(folder) / TABLE
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise ResultsError(f"{path}: cannot be read: {_why(error)}") from error


def marks_table(marks: Mapping[str, str]) -> bytes:
    """Marks as a table for ``subgrade grade --marks``, in the order given."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("frame", "verdict"))
    for name, word in marks.items():
        # as marks are matched: see `subgrade.teaching.marks.plain_name`
        writer.writerow((name.encode("utf-8", "backslashreplace").decode("utf-8"), word))
    return text.getvalue().encode("utf-8")


def table_marks(content: bytes) -> dict[str, str]:
    """What `marks_table` wrote, or a person changed by hand; what is no mark is left out."""
    text = content.decode("utf-8-sig", "replace")
    with suppress(csv.Error):
        rows = csv.DictReader(io.StringIO(text, newline=""), strict=False)
        return {
            row["frame"]: word
            for row in rows
            if row.get("frame") and (word := (row.get("verdict") or "").strip().lower()) in WORDS
        }
    return {}


def digest(content: bytes) -> str:
    """A short text that differs where contents do."""
    return blake2b(content, digest_size=12).hexdigest()


def _line(step: dict) -> bytes:
    return json.dumps(step).encode("ascii")


def _why(error: OSError) -> str:
    return error.strerror or str(error)
