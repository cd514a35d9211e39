"""A guide map: a small TOML file that says what the columns of a record are.

docs/guide-map.md describes it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from subgrade.errors import UsageError
from subgrade.record.cells import Cut, is_datum, listed
from subgrade.record.columns import Choice, Use, choose_columns
from subgrade.record.header_row import SAMPLE, Header
from subgrade.record.titles import guesses
from subgrade.record.unit_words import unit_of
from subgrade.tomlfiles import read_toml, value_text

NAN = float("nan")

ROLES = listed(
    "time date ra dec x y ra_correction dec_correction ra_side dec_side brightness snr state "
    "frame remark"
)
CORRECTIONS = {"ra_correction": "ra_pulse", "dec_correction": "dec_pulse"}
"""Roles by the names that columns are read under, which a map may hold, too."""
TIME_KINDS = {
    "datetime": ("iso", 1.0),
    "clock": ("clock", 1.0),
    "unix": ("unix", 1.0),
    "unix_ms": ("unix", 0.001),
    "jd": ("jd", 1.0),
    "mjd": ("mjd", 1.0),
    "seconds": ("s", 1.0),
    "milliseconds": ("s", 0.001),
    "minutes": ("s", 60.0),
}
DELIMITERS = {"tab": "\t", "comma": ",", "semicolon": ";", "bar": "|", "blanks": " "}
MOST_COLUMNS, MOST_SCALE = 10_000, 1e6
"""What no record reaches: a number beyond is a slip."""
ERROR_UNITS = {"ra", "dec", "x", "y"}


@dataclass(frozen=True, slots=True)
class GuideMap:
    """What the user fixed; None, '' or NaN where reading goes by the file itself.

    Attributes
    ----------
    columns : dict of str to str or int
        Role to a column's title, or its number counted from 1.
    units : dict of str to str
        Role to unit.
    delimiter : str
    header : bool
        False for a file without a header row; columns are then numbered.
    scale : float
        arcsec per guide-camera pixel.
    order : str
        ``dmy`` or ``mdy``.
    zone_hours : float
        Hours of the record's clock east of UTC.
    date : datetime.date or None
        Of the first row, for clocks without a date.
    section : str
        Text that every line opening a section holds.
    """

    columns: dict[str, str | int] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    delimiter: str = ""
    header: bool = True
    scale: float = NAN
    order: str = ""
    zone_hours: float = NAN
    date: date | None = None
    section: str = ""

    def time_unit(self) -> tuple[str, float] | None:
        """Kind and factor of the time column, None where not fixed."""
        return TIME_KINDS.get(self.units.get("time"))

    def unit(self, role: str) -> tuple[str, float] | None:
        """Unit and factor of another column."""
        return unit_of(self.units[role]) if role in self.units else None


def load_guide_map(path: str | Path) -> GuideMap:
    """Read a guide map.

    Parameters
    ----------
    path : path-like
        A TOML file as docs/guide-map.md describes it.

    Returns
    -------
    GuideMap

    Raises
    ------
    UsageError
        A file that cannot be read, or an entry that is not understood, named.
    """
    return _from_table(Path(path), read_toml(path))


def _from_table(path: Path, found: dict) -> GuideMap:
    def wrong(what: str) -> UsageError:
        return UsageError(f"{path}: {what}")

    known = {"columns", "units", "file", "clock", "scale_arcsec_px"}
    for key in found.keys() - known:
        raise wrong(f"{key!r} is not one of {', '.join(sorted(known))}")
    for key in known & found.keys() - {"scale_arcsec_px"}:
        if not isinstance(found[key], dict):
            raise wrong(f"{key} must be a table")
    columns, units = (
        {CORRECTIONS.get(role, role): value for role, value in found.get(key, {}).items()}
        for key in ("columns", "units")
    )
    for role in (columns | units).keys() - {CORRECTIONS.get(role, role) for role in ROLES}:
        raise wrong(f"{role!r} is not one of the roles {', '.join(ROLES)}")
    for role, column in columns.items():
        numbered = type(column) is int and 1 <= column <= MOST_COLUMNS
        if not numbered and not (isinstance(column, str) and column):
            raise wrong(f"columns.{role} must be a title or a number from 1")
    for role, unit in found.get("units", {}).items():
        _check_unit(role, unit, wrong)
    file = _table(found.get("file", {}), {"delimiter": str, "header": bool, "section": str}, wrong)
    clock = _table(found.get("clock", {}), {"order": str, "utc_offset": float, "date": date}, wrong)
    delimiter = file.get("delimiter", "")
    if delimiter and delimiter not in DELIMITERS:
        raise wrong(f"file.delimiter must be one of {', '.join(DELIMITERS)}")
    order = {"": "", "day-month": "dmy", "month-day": "mdy"}.get(clock.get("order", ""))
    if order is None:
        raise wrong("clock.order must be day-month or month-day")
    offset = clock.get("utc_offset", NAN)
    if "utc_offset" in clock and not -26.0 < offset < 26.0:  # NaN fails too
        raise wrong("clock.utc_offset must be hours between -26 and 26")
    scale = found.get("scale_arcsec_px", NAN)
    if "scale_arcsec_px" in found and not (type(scale) in (int, float) and 0 < scale < MOST_SCALE):
        raise wrong(f"scale_arcsec_px must be a number above 0, not {value_text(scale)}")
    header = file.get("header", True)
    numbered = all(isinstance(c, int) for c in columns.values())
    if not header and not (numbered and {"time"} < columns.keys()):
        raise wrong("a file without a header row needs columns.time and an error, all by number")
    delimiter, day, section = DELIMITERS.get(delimiter, ""), clock.get("date"), file.get("section")
    scale, offset = float(scale), float(offset)
    return GuideMap(columns, units, delimiter, header, scale, order, offset, day, section or "")


def _check_unit(role: str, unit: object, wrong: Callable[[str], UsageError]) -> None:
    if role == "time":
        if not isinstance(unit, str) or unit not in TIME_KINDS:
            raise wrong(f"units.time must be one of {', '.join(TIME_KINDS)}")
    elif not isinstance(unit, str) or unit_of(unit) is None:
        raise wrong(f"units.{role} = {value_text(unit)} is not a unit; use arcsec, px, ms or s")
    elif role in ERROR_UNITS and unit_of(unit)[0] not in ("arcsec", "px"):
        raise wrong(f"units.{role} must be arcsec or px")


def _table(table: dict, types: dict, wrong: Callable[[str], UsageError]) -> dict:
    for key, value in table.items():
        if key not in types:
            raise wrong(f"{key!r} is not one of {', '.join(types)}")
        if type(value) not in ((int, float) if types[key] is float else (types[key],)):
            example = " such as 2031-02-18" if types[key] is date else ""
            raise wrong(f"{key} must be a {types[key].__name__}{example}")
    return table


# ---------------------------------------------------------------- what a map fixes of a file

_KINDS = ("\t", ";", "|", ",", " ")


def mapped_header(guide_map: GuideMap, lines: list[str], k: int) -> Header | None:
    """Line `k` as a header row, if it holds every title that the guide map names."""
    if not names_titles(guide_map, lines[k]):
        return None
    titles = _titles(guide_map)
    for kind in [guide_map.delimiter] if guide_map.delimiter else _KINDS[:-1]:
        cells = [c.strip().strip('"') for c in Cut(kind).cells(lines[k].lstrip("# "))]
        if titles <= set(cells):
            return _with_rows(tuple(cells), Cut(kind, most=-1), lines, k + 1)
    return None


def names_titles(guide_map: GuideMap, line: str) -> bool:
    """Whether a line holds every title that the guide map names, wherever they stand."""
    titles = _titles(guide_map)
    return bool(titles) and all(title in line for title in titles)


def _titles(guide_map: GuideMap) -> set[str]:
    return {c for c in guide_map.columns.values() if isinstance(c, str)}


def bare_header(guide_map: GuideMap, lines: list[str], k: int) -> Header | None:
    """Titles made up for a file without any, if line `k` can be its first row."""
    most = max(c for c in guide_map.columns.values() if isinstance(c, int))
    for kind in [guide_map.delimiter] if guide_map.delimiter else _KINDS:
        cut = Cut(kind, most=-1)
        cells = cut.cells(lines[k])
        if len(cells) >= most and sum(map(is_datum, cells)) >= 2:
            titles = tuple(f"column {n + 1}" for n in range(len(cells)))
            return _with_rows(titles, cut, lines, k)
    return None


def _with_rows(titles: tuple[str, ...], cut: Cut, lines: list[str], start: int) -> Header:
    rows = []
    for line in lines[start : start + 2 * SAMPLE]:
        cells = cut.cells(line)
        if len(cells) >= len(titles) and sum(map(is_datum, cells)) >= 2:
            rows.append(tuple(cells[: len(titles)]))
    return Header(titles, (None,) * len(titles), cut, tuple(rows[:SAMPLE]))


def missing_column(guide_map: GuideMap, header: Header) -> str | int | None:
    """The first column of the guide map that a header lacks, None where all are there."""
    for column in guide_map.columns.values():
        place = column - 1 if isinstance(column, int) else _place(header.titles, column)
        if place is None or place >= len(header.titles):
            return column
    return None


def with_units(choice: Choice, guide_map: GuideMap) -> Choice:
    """A choice with the units that the guide map states for columns it does not name."""
    if not guide_map.units:
        return choice
    uses = []
    for use in choice.uses:
        if use.role == "time" and guide_map.time_unit():
            unit, factor = guide_map.time_unit()
        elif use.role != "time" and use.role in guide_map.units:
            unit, factor = guide_map.unit(use.role)
        else:
            unit, factor = use.unit, use.factor
        uses.append(replace(use, unit=unit, factor=factor))
    return replace(choice, uses=tuple(uses))


def fixed_columns(path: Path, guide_map: GuideMap, header: Header) -> dict[int, Use]:
    """Columns that the guide map fixes, by place.

    Raises
    ------
    UsageError
        A column used twice, or a time column whose kind is unclear.
    """
    fixed: dict[int, Use] = {}
    for role, column in guide_map.columns.items():
        place = column - 1 if isinstance(column, int) else _place(header.titles, column)
        if place in fixed:
            raise UsageError(f"{path}: the guide map uses column {column!r} twice")
        fixed[place] = _use(path, guide_map, header, place, role)
    return fixed


def _use(path: Path, guide_map: GuideMap, header: Header, place: int, role: str) -> Use:
    title = header.titles[place]
    guess = next((g for g in guesses(title, header.units[place]) if g.role == role), None)
    unit, factor = (guess.unit, guess.factor) if guess else ("", 1.0)
    if role == "time":
        unit, factor = guide_map.time_unit() or _found_by_cells(path, header, place)
    elif role in guide_map.units:
        unit, factor = guide_map.unit(role)
    return Use(place, role, unit, factor, 1.0, "set by the guide map")


def _found_by_cells(path: Path, header: Header, place: int) -> tuple[str, float]:
    found = choose_columns(header)
    use = found.one("time") if found else None
    if use is None or use.place != place:
        raise UsageError(f"{path}: the guide map must give units.time")
    return use.unit, use.factor


def _place(titles: Iterable[str], title: str) -> int | None:
    for same in (lambda t: t == title, lambda t: t.lower() == title.lower()):
        place = next((k for k, t in enumerate(titles) if same(t)), None)
        if place is not None:
            return place
    return None
