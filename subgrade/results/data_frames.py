"""The summary table as a data frame or an Astropy table, made from session.json alone."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
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
    kinds = {column.name: column.kind for column in COLUMNS}
    made = typed_table(kinds, [frame["values"] for frame in frames], TIMES)
    made.attrs = {
        "units": {column.name: column.unit for column in COLUMNS if column.unit},
        "meanings": {column.name: column.meaning for column in COLUMNS},
    }
    return made


def typed_table(
    kinds: Mapping[str, type], rows: Sequence[Mapping[str, Any]], times: Container[str] = ()
) -> DataFrame:
    """Rows of plain values as pandas has them, of the same kinds whatever the rows hold.

    Parameters
    ----------
    kinds : mapping of str to type
        ``str``, ``int`` or ``float`` by column, in the columns' order.
    rows : sequence of mapping
        What a row lacks, None and NaN are missing.
    times : container of str
        Columns whose text is a time (ISO 8601, UTC).

    Returns
    -------
    pandas.DataFrame

    Raises
    ------
    UsageError
        If pandas is not installed.
    """
    try:
        import pandas
    except ImportError as error:
        raise UsageError('a table needs pandas: pip install "subgrade[frames]"') from error

    table = {}
    for name, kind in kinds.items():
        cells = [None if (cell := row.get(name)) != cell else cell for row in rows]
        if name in times:
            instants = pandas.to_datetime(
                pandas.Series(cells, dtype="string"), utc=True, format="ISO8601", errors="coerce"
            )
            table[name] = instants.astype(INSTANT)
        else:
            table[name] = pandas.Series(cells, dtype=KINDS[kind])
    return pandas.DataFrame(table)


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
