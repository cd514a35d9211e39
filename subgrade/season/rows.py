"""One frame after another, as a RESULTS folder holds them: graded, or culled since."""

from __future__ import annotations

import datetime
import math
import os
from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from subgrade.errors import UnreadableFile
from subgrade.measuring import MEASURED, measurement_cache
from subgrade.season.model import NAN, FrameTable
from subgrade.season.names import alike
from subgrade.settings import Settings

if TYPE_CHECKING:
    from subgrade.results import MeasurementCache, Session

EXPOSURE_TOLERANCE = 0.01
"""Relative; exposures that differ by less are the same, as in a night's groups."""
NUMBERS = (
    "exposure_s",
    "weight",
    "fwhm_px",
    "eccentricity",
    "angle_deg",
    "background_adu",
    "noise_adu",
    "transparency",
    "guide_rms_ra_arcsec",
    "guide_rms_dec_arcsec",
)
"""Columns of summary.csv that a `FrameTable` has under the same name."""


@dataclass(frozen=True, slots=True)
class Row:
    """One frame of a RESULTS folder.

    Attributes
    ----------
    path, key, content, verdict, reason, name : str
        As in `FrameTable`.
    group : int
        Index into the session's groups; -1 for none.
    start_unix, scale_arcsec : float
    numbers : tuple of float
        Those of `NUMBERS`.
    is_limit : bool
        Whether the transparency is an upper limit.
    likeness : tuple or None
        Numbers that two copies of one sub share, whatever their files are called.
    """

    name: str
    path: str
    key: str
    content: str
    verdict: str
    reason: str
    group: int
    start_unix: float
    scale_arcsec: float
    numbers: tuple[float, ...]
    is_limit: bool
    likeness: tuple | None

    def number(self, name: str) -> float:
        """One of `NUMBERS`."""
        return self.numbers[NUMBERS.index(name)]


def rows_of(session: Session) -> tuple[list[Row], str]:
    """The frames of a RESULTS folder, in the order taken; those that were culled last.

    Parameters
    ----------
    session : Session

    Returns
    -------
    list of Row
    str
        Why no measurement can be found, empty where they can.
    """
    cache, cause = _cache(session)
    here = {frame["values"]["frame"] for frame in session.frames}
    rows = [_row(frame, _group(frame), cache) for frame in session.frames]
    for culled in session.culled:
        record = culled["record"]
        if culled["frame"] in here or not isinstance(record, dict) or "values" not in record:
            continue
        rows.append(_row(record, _group_like(record["values"], session), cache))
    return rows, cause


def kept_measurements(folder: Path) -> MeasurementCache:
    """The measurements kept in a RESULTS folder, to be loaded by `Row.key`; never written."""
    from subgrade.results import MeasurementCache

    return MeasurementCache(Path(folder) / MEASURED, {}, writes=False)


def table_of(rows: Iterable[Row], series: Iterable[int]) -> FrameTable:
    """Rows as columns, with the series that each belongs to."""
    rows = list(rows)
    columns = {
        f.name: tuple(getattr(row, f.name) for row in rows)
        for f in fields(FrameTable)
        if f.name in ("name", "path", "key", "content", "verdict", "reason")
    }
    numbers = np.array([row.numbers for row in rows], float).reshape(len(rows), len(NUMBERS))
    return FrameTable(
        **columns,
        series=np.array(list(series), int),
        start_unix=np.array([row.start_unix for row in rows], float),
        transparency_is_limit=np.array([row.is_limit for row in rows], bool),
        **{name: numbers[:, k].copy() for k, name in enumerate(NUMBERS)},
    )


def _cache(session: Session) -> tuple[MeasurementCache | None, str]:
    """What works out under which keys the run kept its measurements, or why that is not known."""
    asked = session.record.get("settings") or {}
    known = {f.name for f in fields(Settings)}
    given = {k: tuple(v) if isinstance(v, list) else v for k, v in asked.items() if k in known}
    base = session.record.get("run_in") or os.curdir
    for kind in ("dark", "bias", "flat"):
        if given.get(kind):
            given[kind] = os.path.join(base, os.path.expanduser(given[kind]))
    try:
        settings = replace(Settings(**{"paths": ()} | given), out=str(session.folder))
        return measurement_cache(replace(settings, dry_run=True)), ""
    except UnreadableFile as error:
        return None, f"{error}: without it the measurements of the run cannot be found"


def _row(frame: dict, group: int, cache: MeasurementCache | None) -> Row:
    values = frame["values"]
    content = str((frame.get("identity") or {}).get("content") or "")
    numbers = tuple(_number(values.get(name)) for name in NUMBERS)
    start = _unix(values.get("start_utc"))
    alike_by = (start, *numbers[2:4], *numbers[5:7], _number(values.get("stars")))
    return Row(
        name=values["frame"],
        path=os.path.abspath(frame["path"]),
        key=cache.key(frame["path"], _Content(content)) if cache and content else "",
        content=content,
        verdict=str(values.get("verdict")),
        reason=str(values.get("reasons") or "").split(";")[0],
        group=group,
        start_unix=start,
        scale_arcsec=_number(frame.get("scale_arcsec")),
        numbers=numbers,
        is_limit=_is_limit(frame),
        likeness=alike_by if all(map(math.isfinite, alike_by)) else None,
    )


@dataclass(frozen=True, slots=True)
class _Content:
    """What a key is made of."""

    content: str


def _group(frame: dict) -> int:
    group = frame.get("group")
    return group if isinstance(group, int) else -1


def _group_like(values: dict, session: Session) -> int:
    """The group that a culled frame would be in now; its own record counts in those of before."""
    for k, group in enumerate(session.record.get("groups") or ()):
        same = all(alike(values.get(n)) == alike(group.get(n)) for n in ("target", "filter"))
        if same and same_exposure(values.get("exposure_s"), group.get("exposure_s")):
            return k
    return -1


def same_exposure(one: float | None, other: float | None) -> bool:
    """Whether two exposure times are the same to `EXPOSURE_TOLERANCE`; unknown ones are alike."""
    if one is None or other is None:
        return one is other
    return abs(one - other) <= EXPOSURE_TOLERANCE * max(abs(one), abs(other))


def _is_limit(frame: dict) -> bool:
    """Whether a frame's transparency has itself for its error, as an upper limit has."""
    for item in frame.get("evidence") or ():
        if isinstance(item, dict) and item.get("quantity") == "transparency":
            error, value = item.get("error"), item.get("value")
            if isinstance(error, int | float) and isinstance(value, int | float):
                return error >= value
    return False


def _number(value) -> float:
    return float(value) if isinstance(value, int | float) else NAN


def _unix(text) -> float:
    try:
        return datetime.datetime.fromisoformat(text).timestamp() if text else NAN
    except (TypeError, ValueError, OverflowError, OSError):
        return NAN
