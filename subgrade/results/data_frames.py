"""The summary table as a data frame or an Astropy table, made from session.json alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from subgrade.errors import UsageError
from subgrade.results.columns import COLUMNS, TIMES

if TYPE_CHECKING:
    from astropy.table import Table
    from pandas import DataFrame

KINDS: Final = {str: "string", float: "Float64", int: "Int64"}
"""Kinds of column by pandas' names; all three know a missing value."""
INSTANT: Final = "datetime64[us, UTC]"
"""Microseconds whatever the version of pandas, so that tables of two machines can be joined."""


def pandas_table(frames: Sequence[dict[str, Any]]) -> DataFrame:
    """The summary table as pandas has it.

    Parameters
    ----------
    frames : sequence of dict
        Of session.json.

    Returns
    -------
    pandas.DataFrame
        One row a frame, columns as in summary.csv: text, numbers that may be missing, and instants
        in UTC. ``attrs`` holds ``units`` and ``meanings`` by column.

    Raises
    ------
    UsageError
        If pandas is not installed.
    """
    try:
        import pandas
    except ImportError as error:
        raise UsageError(
            "a table needs pandas, which is not installed: add the extra [frames], or pandas itself"
        ) from error

    table = {}
    for column in COLUMNS:
        cells = column_cells(frames, column.name)
        if column.name in TIMES:
            instants = pandas.to_datetime(
                pandas.Series(cells, dtype="string"), utc=True, format="ISO8601", errors="coerce"
            )
            table[column.name] = instants.astype(INSTANT)
        else:
            table[column.name] = pandas.Series(cells, dtype=KINDS[column.kind])
    made = pandas.DataFrame(table)
    made.attrs = {
        "units": {column.name: column.unit for column in COLUMNS if column.unit},
        "meanings": {column.name: column.meaning for column in COLUMNS},
    }
    return made


def astropy_table(frames: Sequence[dict[str, Any]], folder: str) -> Table:
    """The summary table as Astropy has it: what summary.ecsv is read back as.

    Parameters
    ----------
    frames : sequence of dict
        Of session.json.
    folder : str
        Of the lights, for ``meta``.

    Returns
    -------
    astropy.table.Table
        Columns with unit and description; those with cells that were not measured are masked there.
    """
    from astropy.table import Column, MaskedColumn, Table

    table = Table(meta={"folder": folder})
    for column in COLUMNS:
        cells = column_cells(frames, column.name)
        empty = [cell is None for cell in cells]
        filled = [column.kind() if cell is None else cell for cell in cells]
        about = {"dtype": column.kind, "description": column.meaning, "unit": column.unit or None}
        if any(empty):
            table[column.name] = MaskedColumn(filled, mask=empty, **about)
        else:
            table[column.name] = Column(filled, **about)
    return table


def column_cells(frames: Sequence[dict[str, Any]], name: str) -> list[Any]:
    """A column's cells, None where not measured, or not known to the version that graded."""
    return [frame["values"].get(name) for frame in frames]
