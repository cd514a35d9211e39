"""How lines are cut into cells: by a delimiter, by blanks, at fixed places, by JSON keys."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import dataclass

from subgrade.guiding.cells import is_number, to_number
from subgrade.guiding.clocktext import CELL


@dataclass(frozen=True, slots=True)
class Cut:
    """A way to cut lines into cells: a delimiter, blanks, fixed places, or JSON keys.

    `joined` are runs (first, length) of pieces that make one cell, such as a date and a time
    of day with a blank between.
    """

    kind: str
    spans: tuple[tuple[int, int | None], ...] = ()
    keys: tuple[str, ...] = ()
    joined: tuple[int, int] | None = None
    most: int = 0

    @property
    def name(self) -> str:
        names = {"\t": "tabs", ";": "semicolons", ",": "commas", "|": "bars", " ": "blanks"}
        return names.get(self.kind, {"fixed": "fixed places", "json": "JSON lines"}.get(self.kind))

    def cells(self, line: str) -> list[str]:
        """The cells of a line; an empty list where the line is cut another way."""
        return self.cutter()(line)

    def cutter(self) -> Callable[[str], list[str]]:
        """The function that cuts, made once for many lines."""
        kind = self.kind
        if kind == "json":
            keys, known = self.keys, frozenset(self.keys)
            return lambda line: _json_cells(line, keys, known)
        if kind == "fixed":
            spans = self.spans
            return lambda line: [line[a:b].strip() for a, b in spans]
        if kind == " ":
            joined, most = self.joined, self.most
            return lambda line: _joined(line.split(None, most), joined)
        if kind == "|":
            return lambda line: [c.strip() for c in _bars(line).split("|")]
        return lambda line: _delimited(line, kind)


def _delimited(line: str, delimiter: str) -> list[str]:
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return line.split(delimiter)


def _bars(line: str) -> str:
    line = line.strip()
    if line.startswith("|"):
        line = line[1:]
        return line.removesuffix("|")
    return line


def _joined(pieces: list[str], joined) -> list[str]:
    if joined is None or len(pieces) < joined[0] + joined[1]:
        return pieces
    first, length = joined
    # A time of day on the clock's 12-hour side has a third piece only where AM or PM stands.
    return [*pieces[:first], " ".join(pieces[first : first + length]), *pieces[first + length :]]


def json_object(line: str) -> dict | None:
    """The flat object on a line, nested ones with their keys joined; None for anything else."""
    text = line.strip().rstrip(",")
    if not text.startswith("{"):
        return None
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return None
    flat: dict = {}
    for key, value in found.items():
        if isinstance(value, dict):
            flat |= {f"{key} {inner}": v for inner, v in value.items()}
        else:
            flat[key] = value
    return flat


def _json_cells(line: str, keys, known) -> list[str]:
    found = json_object(line)
    if found is None:
        return []
    cells = [plain_text(found.get(key)) for key in keys]
    if not found.keys() <= known:  # keys that first come later hold remarks
        cells.append(" ".join(plain_text(found[k]) for k in found if k not in known))
    return cells


def plain_text(value) -> str:
    """A JSON value as the text of a cell."""
    if value is None:
        return ""
    if type(value) is str:
        return value
    return str(int(value)) if isinstance(value, bool) else str(value)


def is_datum(cell: str) -> bool:
    """Whether a cell holds a number or a clock reading."""
    text = cell.strip()
    if not text or is_number(text):
        return bool(text)
    if CELL.fullmatch(text):
        return True
    number = to_number(text.replace(",", ".", 1))  # with a unit or a direction beside it
    return number == number
