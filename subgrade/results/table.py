"""summary.csv, summary.ecsv and weights.csv."""

from __future__ import annotations

import csv
import io

import numpy as np

from subgrade.plaintext import printable
from subgrade.results.columns import COLUMNS
from subgrade.results.model import Graded, GradedFrame

FORMULAS = ("=", "+", "-", "@")
"""What a spreadsheet takes for the start of a formula; numbers are written as numbers."""


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
        kept = [empty if v is None else (printable(v) if column.kind is str else v) for v in values]
        table[column.name] = MaskedColumn(
            np.array(kept, dtype=object if column.kind is str and not kept else column.kind),
            mask=[v is None for v in values],
            description=column.meaning,
            unit=units.Unit(column.unit) if column.unit else None,
        )
    table.meta["folder"] = printable(str(graded.folder))
    stream = io.StringIO()
    table.write(stream, format="ascii.ecsv", delimiter=",")
    return stream.getvalue()


def spreadsheet_safe(path: str) -> str:
    """A relative path that no spreadsheet takes for a formula, and no reader for a comment.

    A name that starts with ``=``, ``+``, ``-``, ``@``, ``#`` or a blank gets ``./`` in
    front, which is the same path.  Characters that cannot be shown are written out; `explain`
    and marks take the name back as it stands there.
    """
    path = printable(path)
    return f"./{path}" if path[:1] in (*FORMULAS, "#") or path[:1].isspace() else path


def _cell(column, frame: GradedFrame) -> str:
    value = column.of(frame)
    if value is None:
        return ""
    if column.name == "frame":
        return spreadsheet_safe(value)
    if column.kind is str:
        # Header text is a stranger's: a formula in it must stay text.
        text = printable(value)
        return f"'{text}" if text.lstrip()[:1] in FORMULAS else text
    return str(value) if column.kind is int else f"{value:.{column.digits}f}"


def _csv(header: list[str], rows) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return stream.getvalue()
