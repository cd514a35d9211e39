"""summary.csv, summary.ecsv and weights.csv."""

from __future__ import annotations

import csv
import io
import json

from subgrade.plaintext import printable
from subgrade.results.columns import COLUMNS
from subgrade.results.model import Graded, GradedFrame

FORMULAS = ("=", "+", "-", "@")
"""What a spreadsheet takes for the start of a formula; numbers are written as numbers."""
DATATYPES = {str: "string", float: "float64", int: "int64"}
"""Kinds of column by ECSV's names."""


def summary_csv(graded: Graded) -> str:
    """The summary table as CSV text, an empty cell where nothing was measured."""
    return csv_text(
        [c.name for c in COLUMNS], ([_cell(c, f) for c in COLUMNS] for f in graded.frames)
    )


def weights_csv(graded: Graded) -> str:
    """``frame,weight`` of every kept frame."""
    kept = [f for f in graded.frames if f.judgement.verdict == "keep"]
    return csv_text(
        ["frame", "weight"],
        ([spreadsheet_safe(f.name), f"{f.judgement.weight:.4f}"] for f in kept),
    )


def summary_ecsv(graded: Graded) -> str:
    """The same table with units and descriptions, as ECSV text.

    By the format's definition (Astropy Proposal for Enhancement 6): loading Astropy's own writer
    would take longer than grading a small night again.
    """
    head = ["%ECSV 1.0", "---", "delimiter: ','", "datatype:"]
    for column in COLUMNS:
        unit = f", unit: {_quoted(column.unit)}" if column.unit else ""
        kind = DATATYPES[column.kind]
        described = f"datatype: {kind}, description: {_quoted(column.meaning)}"
        head.append(f"- {{name: {column.name}{unit}, {described}}}")
    folder = _quoted(printable(str(graded.folder)))
    head += ["meta: !!omap", f"- {{folder: {folder}}}", "schema: astropy-2.0"]
    cells = ([_ecsv_cell(c, f) for c in COLUMNS] for f in graded.frames)
    lines = "".join(f"# {line}\n" for line in head)
    return lines + csv_text([c.name for c in COLUMNS], cells)


def _quoted(text: str) -> str:
    """Text in quotes as YAML has it: so far as it can be shown, JSON's quotes are YAML's."""
    return json.dumps(text, ensure_ascii=False)


def _ecsv_cell(column, frame: GradedFrame) -> str:
    value = column.of(frame)
    if value is None:
        return ""
    if column.name == "frame":
        return spreadsheet_safe(value)
    return printable(value) if column.kind is str else repr(value)


def spreadsheet_safe(path: str) -> str:
    """A relative path that no spreadsheet takes for a formula, and no reader for a comment.

    A name that starts with ``=``, ``+``, ``-``, ``@``, ``#`` or a blank gets ``./`` in
    front, which is the same path.  Characters that cannot be shown are written out; `explain`
    and marks take the name back as it stands there.
    """
    path = printable(path)
    return f"./{path}" if path[:1] in (*FORMULAS, "#") or path[:1].isspace() else path


def header_text(text: str) -> str:
    """A stranger's text as a cell of a table: a formula in it stays text."""
    text = printable(text)
    return f"'{text}" if text.lstrip()[:1] in FORMULAS else text


def _cell(column, frame: GradedFrame) -> str:
    value = column.of(frame)
    if value is None:
        return ""
    if column.name == "frame":
        return spreadsheet_safe(value)
    if column.kind is str:
        return header_text(value)
    return str(value) if column.kind is int else f"{value:.{column.digits}f}"


def csv_text(header: list[str], rows) -> str:
    """A table as CSV text with ``\\n`` line ends."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return stream.getvalue()
