"""Several nights for a script: tables of hours and weights, and plain values."""

from __future__ import annotations

import os
from collections.abc import Iterable
from functools import cached_property
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeAlias

if TYPE_CHECKING:
    from pandas import DataFrame

    from subgrade.season.model import Season
    from subgrade.season.write import Page

AnyPath: TypeAlias = str | os.PathLike[str]
TEXTS: Final = ("night", "folder", "target", "filter", "setup", "start_utc", "frame")
COUNTS: Final = ("frames", "kept")
HOURS: Final = {
    "target": str,
    "filter": str,
    "nights": int,
    "kept_h": float,
    "lost_h": float,
    "fwhm": float,
    "fwhm_unit": str,
    "snr": float,
    "better_without": str,
}


class Nights:
    """Several graded nights side by side.

    Made by `subgrade.api.nights`, never by hand. The tables need pandas (extra ``[frames]``) and
    have the kinds of column that a night's table has.

    Attributes
    ----------
    folder : Path or None
        Where the files were written, absolute; None where nothing was.
    """

    def __init__(self, season: Season, folder: Path | None = None) -> None:
        self._season = season
        self.folder = folder

    @cached_property
    def record(self) -> dict[str, Any]:
        """What nights.json holds, as plain values."""
        from subgrade.season.record import season_record

        return season_record(self._season)

    @property
    def summary(self) -> tuple[str, ...]:
        """The nights in a few sentences, most worth knowing first."""
        return self._season.summary

    @cached_property
    def hours(self) -> DataFrame:
        """One row a target and filter, most kept time first.

        ``target``, ``filter``, ``nights`` with kept frames, ``kept_h`` and ``lost_h``; ``fwhm`` (in
        ``fwhm_unit``) and ``snr`` (against its best frame) expected of the weighted stack;
        ``better_without``: the night to leave out of a plain mean, missing where every night helps.
        """
        from subgrade.results import typed_table

        rows = [
            {
                "target": stack.target,
                "filter": stack.filter,
                "nights": len({row.night for row in stack.rows if row.kept}),
                "kept_h": stack.kept_s / 3600,
                "lost_h": stack.lost_s / 3600,
                "fwhm": stack.fwhm,
                "fwhm_unit": stack.unit,
                "snr": stack.snr,
                "better_without": self._label(stack.poorest),
            }
            for stack in self._season.stacks
        ]
        return typed_table(HOURS, rows)

    @cached_property
    def table(self) -> DataFrame:
        """One row for each night's frames taken alike, with the columns of nights.csv."""
        from subgrade.results import typed_table
        from subgrade.season.write import NIGHT_COLUMNS, night_rows

        return typed_table(_kinds(NIGHT_COLUMNS), night_rows(self._season), ("start_utc",))

    @cached_property
    def weights(self) -> DataFrame:
        """One row a kept frame, with the columns of weights.csv; ``frame`` is an absolute path.

        1 is the best frame of each stack, over all its nights.
        """
        from subgrade.results import typed_table
        from subgrade.season.write import WEIGHT_COLUMNS, weight_rows

        return typed_table(_kinds(WEIGHT_COLUMNS), weight_rows(self._season))

    @property
    def problems(self) -> list[tuple[str, str]]:
        """Folder or frames, and why they could not be used."""
        return list(self._season.problems)

    @property
    def exit_code(self) -> int:
        """What ``subgrade nights`` leaves with: 0, or 3 where there are problems."""
        return 3 if self._season.problems else 0

    def __repr__(self) -> str:
        return f"<Nights: {self._counts()}>"

    def _repr_html_(self) -> str:
        """The nights in a few sentences, for a notebook."""
        items = "".join(f"<li>{escape(sentence)}</li>" for sentence in self.summary)
        return f"<p><b>{escape(self._counts())}</b></p><ul>{items}</ul>"

    def _counts(self) -> str:
        stacks = self._season.stacks
        kept, lost = (sum(getattr(s, name) for s in stacks) for name in ("kept_s", "lost_s"))
        counted = self._season.evenings
        nights = "1 night" if counted == 1 else f"{counted} nights"
        return f"{nights}, {kept / 3600:.1f} h kept, {lost / 3600:.1f} h lost"

    def _label(self, night: int) -> str | None:
        return self._season.nights[night].label if night >= 0 else None


def nights(
    results: AnyPath | Iterable[AnyPath], *, out: AnyPath | None = None, report: bool = True
) -> Nights:
    """Put graded nights side by side, as ``subgrade nights`` does.

    Parameters
    ----------
    results : path-like or iterable of path-like
        ``out`` folders of earlier grades, or folders that hold some.
    out : path-like, optional
        Folder for nights.csv, weights.csv, nights.json and nights.html, none of the ``results``;
        nothing is written if not given.
    report : bool
        Write nights.html.

    Returns
    -------
    Nights

    Raises
    ------
    NothingToGrade
        If no folder could be used.
    ResultsError
        If ``out`` holds the results of a night.
    NotWritten
        If the files cannot be written; earlier ones are left whole.
    """
    from subgrade.season.season import season_of_results
    from subgrade.season.write import never_into_results, write_season

    given = [results] if isinstance(results, str | os.PathLike) else results
    if out is None:
        return Nights(season_of_results(given))
    folder = Path(out).expanduser()
    never_into_results(folder)
    season = season_of_results(given)
    write_season(season, folder, pages_for(str(folder)) if report else {})
    return Nights(season, folder.absolute())


def pages_for(folder: str) -> dict[str, Page]:
    """The pages that go into a folder, by file name; made when they are written."""
    from subgrade.season.page import FILE, season_page

    return {FILE: lambda season, record: season_page(season, folder)}


def _kinds(columns: tuple[str, ...]) -> dict[str, type]:
    return {c: str if c in TEXTS else int if c in COUNTS else float for c in columns}
