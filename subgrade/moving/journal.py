"""The journal: one JSON line for every step, on the disk before the step is taken."""

from __future__ import annotations

import json
import os
import secrets
from dataclasses import replace
from pathlib import Path

from subgrade.errors import ResultsError
from subgrade.moving.disk import error_text
from subgrade.moving.model import BEGUN, JOURNAL, LINK, UNDOING, UNDONE, Entry, Planned
from subgrade.results import AppendedLines, utc_now

STATES = frozenset({"done", "dropped", "undoing", "undone"})


class Journal:
    """Read the journal of a RESULTS folder and add to it.

    Attributes
    ----------
    entries : dict of int to Entry
        In the order begun, each with its last state.
    folders : list of str
        Folders made by culls, outer before inner, that no restore has cleared away.
    damaged : tuple of int
        Lines that could not be understood; the line that a crash cut short is none of them.

    Raises
    ------
    ResultsError
        If it cannot be read.
    """

    def __init__(self, folder: Path) -> None:
        self.path = Path(folder) / JOURNAL
        self.entries: dict[int, Entry] = {}
        self.folders: list[str] = []
        try:
            self._file = AppendedLines(self.path)
        except OSError as error:
            raise ResultsError(f"{self.path}: cannot be read: {error_text(error)}") from error
        lines = enumerate(self._file.lines, 1)
        self.damaged = tuple(k for k, line in lines if not self._understood(line))

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def active(self) -> list[Entry]:
        """Entries whose frame is not back, or not known to be back, at its place."""
        return [e for e in self.entries.values() if e.state not in ("dropped", UNDONE)]

    def begin(
        self, kind: str, frame: Planned, size: int = 0, sha256: str = "", mtime_ns: int = 0
    ) -> Entry:
        """Note that a frame is about to be moved or linked."""
        entry = Entry(
            number=max(self.entries, default=0) + 1,
            kind=kind,
            source=frame.source,
            target=frame.target,
            part="" if kind == LINK else _part(frame.target),
            size=size,
            sha256=sha256,
            mtime_ns=mtime_ns,
            exposure_s=frame.exposure_s,
        )
        fields = {name: getattr(entry, name) for name in Entry.__slots__}
        self._add({"step": BEGUN, "utc": utc_now(), **fields})
        self.entries[entry.number] = entry
        return entry

    def mark(self, entry: Entry, state: str) -> Entry:
        """Note an entry's next state; `UNDOING` gets a fresh name for its copy."""
        part = entry.part
        if state == UNDOING:
            part = _part(entry.source) if part else ""
        self._add({"step": state, "utc": utc_now(), "number": entry.number, "part": part})
        return self._keep(replace(entry, state=state, part=part, in_place=False))

    def mark_in_place(self, entry: Entry) -> Entry:
        """Note that the copy is about to be written under its final name."""
        self._add({"step": "in_place", "number": entry.number})
        return self._keep(replace(entry, in_place=True))

    def folder(self, path: str) -> None:
        """Note that a folder is about to be made."""
        self._add({"step": "folder", "path": path})
        self.folders.append(path)

    def cleared(self) -> None:
        """Note that the folders made are done with."""
        self._add({"step": "cleared"})
        self.folders.clear()

    def _keep(self, entry: Entry) -> Entry:
        self.entries[entry.number] = entry
        return entry

    def _understood(self, line: bytes) -> bool:
        try:
            noted = json.loads(line)
            step = noted.pop("step")
            noted.pop("utc", None)
            if step == BEGUN:
                self._keep(Entry(**noted))
            elif step in STATES:
                entry = self.entries[noted["number"]]
                self._keep(replace(entry, state=step, part=noted["part"], in_place=False))
            elif step == "in_place":
                self._keep(replace(self.entries[noted["number"]], in_place=True))
            elif step == "folder":
                self.folders.append(noted["path"])
            elif step == "cleared":
                self.folders.clear()
            else:
                return False
        except (ValueError, KeyError, TypeError, AttributeError):
            return False
        return True

    def _add(self, noted: dict) -> None:
        try:
            self._file.add(json.dumps(noted).encode())
        except OSError as error:
            raise ResultsError(f"{self.path}: cannot be written: {error_text(error)}") from error


def _part(place: str) -> str:
    """A hidden name beside a place that nobody else has."""
    return os.path.join(os.path.dirname(place), f".{secrets.token_hex(8)}.part")
