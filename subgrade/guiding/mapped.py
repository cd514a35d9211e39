"""Header rows and columns as a guide map fixes them."""

from __future__ import annotations

from dataclasses import replace

from subgrade.errors import UsageError
from subgrade.guiding.choose import Choice, choose_columns
from subgrade.guiding.cut import Cut, is_datum
from subgrade.guiding.guide_map import GuideMap
from subgrade.guiding.layout import SAMPLE, Header
from subgrade.guiding.times import Use
from subgrade.guiding.titles import guesses

_KINDS = ("\t", ";", "|", ",", " ")


def mapped_header(guide_map: GuideMap | None, lines, k: int) -> Header | None:
    """Line `k` as a header row, if it holds every title that the guide map names."""
    if not names_titles(guide_map, lines[k]):
        return None
    titles = _titles(guide_map)
    for kind in [guide_map.delimiter] if guide_map.delimiter else _KINDS[:-1]:
        cells = [c.strip().strip('"') for c in Cut(kind).cells(lines[k].lstrip("# "))]
        if titles <= set(cells):
            return _with_rows(tuple(cells), Cut(kind, most=-1), lines, k + 1)
    return None


def names_titles(guide_map: GuideMap | None, line: str) -> bool:
    """Whether a line holds every title that the guide map names, wherever they stand."""
    titles = _titles(guide_map) if guide_map is not None else ()
    return bool(titles) and all(title in line for title in titles)


def _titles(guide_map: GuideMap) -> set[str]:
    return {c for c in guide_map.columns.values() if isinstance(c, str)}


def bare_header(guide_map: GuideMap, lines, k: int) -> Header | None:
    """Titles made up for a file without any, if line `k` can be its first row."""
    most = max(c for c in guide_map.columns.values() if isinstance(c, int))
    for kind in [guide_map.delimiter] if guide_map.delimiter else _KINDS:
        cut = Cut(kind, most=-1)
        cells = cut.cells(lines[k])
        if len(cells) >= most and sum(map(is_datum, cells)) >= 2:
            titles = tuple(f"column {n + 1}" for n in range(len(cells)))
            return _with_rows(titles, cut, lines, k)
    return None


def _with_rows(titles, cut: Cut, lines, start: int) -> Header:
    rows = []
    for line in lines[start : start + 2 * SAMPLE]:
        cells = cut.cells(line)
        if len(cells) >= len(titles) and sum(map(is_datum, cells)) >= 2:
            rows.append(tuple(cells[: len(titles)]))
    return Header(titles, (None,) * len(titles), cut, tuple(rows[:SAMPLE]))


def missing_column(guide_map: GuideMap | None, header: Header) -> str | int | None:
    """The first column of the guide map that a header lacks, None where all are there."""
    columns = guide_map.columns.values() if guide_map is not None else ()
    for column in columns:
        place = column - 1 if isinstance(column, int) else _place(header.titles, column)
        if place is None or place >= len(header.titles):
            return column
    return None


def with_units(choice: Choice, guide_map: GuideMap | None) -> Choice:
    """A choice with the units that the guide map states for columns it does not name."""
    if guide_map is None or not guide_map.units:
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


def fixed_columns(path, guide_map: GuideMap | None, header: Header) -> dict[int, Use]:
    """Columns that the guide map fixes, by place.

    Raises
    ------
    UsageError
        A column used twice, or a time column whose kind is unclear.
    """
    if guide_map is None:
        return {}
    fixed: dict[int, Use] = {}
    for role, column in guide_map.columns.items():
        place = column - 1 if isinstance(column, int) else _place(header.titles, column)
        if place in fixed:
            raise UsageError(f"{path}: the guide map uses column {column!r} twice")
        fixed[place] = _use(path, guide_map, header, place, role)
    return fixed


def _use(path, guide_map: GuideMap, header: Header, place: int, role: str) -> Use:
    title = header.titles[place]
    guess = next((g for g in guesses(title, header.units[place]) if g.role == role), None)
    unit, factor = (guess.unit, guess.factor) if guess else ("", 1.0)
    if role == "time":
        unit, factor = guide_map.time_unit() or _found_by_cells(path, header, place)
    elif role in guide_map.units:
        unit, factor = guide_map.unit(role)
    return Use(place, role, unit, factor, 1.0, "set by the guide map")


def _found_by_cells(path, header: Header, place: int) -> tuple[str, float]:
    found = choose_columns(header)
    use = found.one("time") if found else None
    if use is None or use.place != place:
        raise UsageError(f"{path}: the guide map must give units.time")
    return use.unit, use.factor


def _place(titles, title: str) -> int | None:
    for same in (lambda t: t == title, lambda t: t.lower() == title.lower()):
        place = next((k for k, t in enumerate(titles) if same(t)), None)
        if place is not None:
            return place
    return None
