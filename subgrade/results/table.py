"""summary.csv, summary.ecsv and weights.csv."""

from __future__ import annotations

import csv
import io

import numpy as np

from subgrade.results.columns import COLUMNS
from subgrade.results.model import Graded, GradedFrame


def summary_csv(graded: Graded) -> str:
    """The summary table as CSV text, an empty cell where nothing was measured."""
    return _csv([c.name for c in COLUMNS], ([_cell(c, f) for c in COLUMNS] for f in graded.frames))


def weights_csv(graded: Graded) -> str:
    """``frame,weight`` of every kept frame."""
    kept = [f for f in graded.frames if f.judgement.verdict == "keep"]
    return _csv(
        ["frame", "weight"],
        ([spreadsheet_safe(f.name), f"{f.judgement.weight:.4f}"] for f in kept),
    )


def summary_ecsv(graded: Graded) -> str:
    """The same table with units and descriptions, as Astropy's ECSV text."""
    from astropy import units
    from astropy.table import MaskedColumn, Table

    table = Table()
    for column in COLUMNS:
        values = [column.of(f) for f in graded.frames]
        if column.name == "frame":
            values = [spreadsheet_safe(v) for v in values]
        empty = "" if column.kind is str else column.kind(0)
        kept = [empty if v is None else (_utf8(v) if column.kind is str else v) for v in values]
        table[column.name] = MaskedColumn(
            np.array(kept, dtype=object if column.kind is str and not kept else column.kind),
            mask=[v is None for v in values],
            description=column.meaning,
            unit=units.Unit(column.unit) if column.unit else None,
        )
    table.meta["folder"] = _utf8(str(graded.folder))
    stream = io.StringIO()
    table.write(stream, format="ascii.ecsv", delimiter=",")
    return stream.getvalue()


def spreadsheet_safe(path: str) -> str:
    """A relative path that no spreadsheet takes for a formula, and no reader for a comment.

    A name that starts with ``=``, ``+``, ``-``, ``@``, ``#`` or a blank gets ``./`` in
    front, which is the same path.
    """
    path = _utf8(path)
    return f"./{path}" if path[:1] in "=+-@#" or path[:1].isspace() else path


def _cell(column, frame: GradedFrame) -> str:
    value = column.of(frame)
    if value is None:
        return ""
    if column.name == "frame":
        return spreadsheet_safe(value)
    if column.kind is str:
        # Header text is a stranger's: a formula in it must stay text.
        return f"'{value}" if str(value)[:1] in ("=", "@") else _utf8(value)
    return str(value) if column.kind is int else f"{value:.{column.digits}f}"


def _csv(header: list[str], rows) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return stream.getvalue()


def _utf8(text: str) -> str:
    """Names with bytes that are not UTF-8, made writable."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")
