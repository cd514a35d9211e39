"""Graded nights read back from their RESULTS folders: nothing is measured, no sub is opened."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from subgrade.errors import NothingToGrade, ResultsError
from subgrade.lights import natural_key
from subgrade.night import nights_of
from subgrade.plaintext import clean, printable
from subgrade.season.model import NAN, FrameTable, GradedNight, NightSeries, Setup
from subgrade.season.names import DAY_S, HALF_DAY_S, alike, evening, made_unique
from subgrade.season.rows import Row, kept_measurements, rows_of, table_of
from subgrade.season.setups import Taken, setups_of

CLEAR_SHARE = 3
"""The clear level of a night among several is the median of one kept frame in so many, the
clearest (a choice): which level is taken cancels in ties and weights."""
LOOKED_AT = 3
"""Measurements of a series that are tried for its setup and pointing; any one has them."""
NO_SETUP = Setup("unknown setup", None, (0, 0), (1, 1))


@dataclass
class _Folder:
    """One RESULTS folder on its way to nights."""

    path: Path
    record: dict
    rows: list[Row]
    notes: list[str]
    written: str


@dataclass
class _Part:
    """The frames of one folder that one night holds, and what their measurements state."""

    folder: _Folder
    rows: list[Row]
    alone: bool = True
    whole: bool = True
    groups: list[int] = field(default_factory=list)
    taken: list[Taken] = field(default_factory=list)
    pointings: list[tuple[float, float]] = field(default_factory=list)
    site: tuple[float, float] = (NAN, NAN)
    notes: list[str] = field(default_factory=list)


def read_nights(
    folders: Iterable[str | os.PathLike],
) -> tuple[tuple[GradedNight, ...], tuple[tuple[str, str], ...]]:
    """Read graded nights from RESULTS folders.

    A sub that several of them hold counts once, as the later grade has it. A folder that holds
    several nights gives several.

    Parameters
    ----------
    folders : iterable of path-like

    Returns
    -------
    tuple of GradedNight
        By time; those without a time last.
    tuple of (str, str)
        Folders that could not be used, and why.

    Raises
    ------
    ResultsError
        If no folder holds results.
    NothingToGrade
        If their results hold no frame.
    """
    found, problems = _open(folders)
    if not found:
        first = f"{problems[0][0]}: {problems[0][1]}" if problems else "no results folder is given"
        rest = len(problems) - 1
        others = "1 other folder" if rest == 1 else f"{rest} other folders"
        more = f" (and {others} cannot be used either)" if rest > 0 else ""
        raise ResultsError(first + more)
    _drop_repeated(found)
    parts = [part for folder in found for part in _parts_of(folder)]
    if not parts:
        raise NothingToGrade(f"{found[0].path}: its results hold no frame")
    setups = iter(setups_of([taken for part in parts for taken in part.taken]))
    nights = [_night(part, [next(setups) for _ in part.groups]) for part in parts]
    order = sorted(range(len(nights)), key=lambda k: _by_time(nights[k]))
    return tuple(_labelled([nights[k] for k in order])), tuple(problems)


def _open(folders) -> tuple[list[_Folder], list[tuple[str, str]]]:
    """Every results folder once, and those that are none."""
    from subgrade.results import open_results

    found, problems, seen = [], [], set()
    for given in folders:
        place = os.path.realpath(os.path.expanduser(os.fspath(given)))
        if place in seen:
            continue
        seen.add(place)
        try:
            session = open_results(given)
            _must_fit(session.record)
            rows, cause = rows_of(session)
        except ResultsError as error:
            problems.append((str(given), _cause(error, given)))
            continue
        except (TypeError, KeyError, ValueError, AttributeError) as error:
            problems.append((str(given), f"its session.json cannot be used: {error!r}"))
            continue
        record = {k: v for k, v in session.record.items() if k not in ("frames", "culled")}
        written = str(record.get("written_utc") or "")
        path = Path(os.path.abspath(session.folder))
        found.append(_Folder(path, record, rows, [cause] if cause else [], written))
    # whatever order they are given in, the same comes out
    return sorted(found, key=lambda folder: str(folder.path)), problems


def _cause(error: ResultsError, folder) -> str:
    """What an error states without the folder, which is named beside it."""
    given = os.fspath(folder).rstrip(os.sep)
    text = str(error).removeprefix(f"{given}: ").removeprefix(f"{given}{os.sep}")
    return text.removeprefix(f"{folder}: ")


def _must_fit(record: dict) -> None:
    """Make sure that the parts of a session that are read are what they should be.

    Raises
    ------
    TypeError
    """
    groups = record.get("groups") or []
    summaries = (record.get("night") or {}).get("groups") or []
    for part in (groups, summaries):
        if not isinstance(part, list) or not all(isinstance(item, dict) for item in part):
            raise TypeError("its groups are damaged")


def _drop_repeated(folders: list[_Folder]) -> None:
    """Leave a sub that several folders hold to the latest grade."""
    latest = sorted(folders, key=lambda folder: folder.written, reverse=True)
    owner: dict[object, _Folder] = {}
    for folder in latest:
        lost: Counter = Counter()
        rows = []
        for row in folder.rows:
            marks = [mark for mark in (row.content, row.likeness) if mark]
            others = [owner[m] for m in marks if m in owner and owner[m] is not folder]
            if others:
                lost[str(others[0].path)] += 1
                continue
            owner.update(dict.fromkeys(marks, folder))
            rows.append(row)
        folder.rows = rows
        for place, count in lost.items():
            frames = "frame is" if count == 1 else "frames are"
            note = f"{count} {frames} in {place} too, graded later: that grade counts"
            folder.notes.append(note)
            if not rows:  # no night is left of this folder to carry the note
                other = next(f for f in folders if str(f.path) == place)
                other.notes.append(f"holds all {count} {frames.split()[0]}s of {folder.path} too")


def _parts_of(folder: _Folder) -> list[_Part]:
    """The nights that one folder holds."""
    rows = folder.rows
    if not rows:
        return []
    site = next((s for s in map(_site, _facts(folder, rows)) if np.isfinite(s).all()), (NAN, NAN))
    night = _night_numbers(rows, site[1])
    fullest = Counter(night).most_common(1)[0][0]
    parts = []
    for k in sorted(set(night)):
        mine = [r for r, n in zip(rows, night, strict=True) if n == k]
        part = _Part(folder, mine, k == fullest, len(set(night)) == 1)
        part.site = site
        part.notes = list(folder.notes)
        _look_at(part)
        parts.append(part)
    return parts


def _facts(folder: _Folder, rows: Sequence[Row]):
    """Header facts of a few frames."""
    kept = kept_measurements(folder.path)
    for row in rows[:LOOKED_AT]:
        loaded = kept.load(row.key) if row.key else None
        if loaded:
            yield loaded[0]


def _site(facts) -> tuple[float, float]:
    lat, lon = facts.site_lat_deg, facts.site_lon_deg
    return (NAN if lat is None else lat, NAN if lon is None else lon)


def _night_numbers(rows: Sequence[Row], lon_deg: float) -> list[int]:
    """Which night each frame is of: from noon to noon of the Sun, or parted by long pauses."""
    start = np.array([row.start_unix for row in rows])
    known = np.isfinite(start)
    if not known.any():
        return [0] * len(rows)
    if np.isfinite(lon_deg):
        night = np.where(
            known, np.floor((np.nan_to_num(start) + lon_deg / 360 * DAY_S - HALF_DAY_S) / DAY_S), 0
        ).astype(int)
    else:
        night = nights_of(start)
    # a frame without a time lies beside its neighbour in the folder
    by_name = sorted(range(len(rows)), key=lambda k: natural_key(rows[k].path))
    last = night[next(k for k in by_name if known[k])]
    for k in by_name:
        last = night[k] if known[k] else last
        night[k] = last
    return [int(n) for n in night]


def _look_at(part: _Part) -> None:
    """Series of a night, and what a measurement of each states of setup and pointing."""
    kept = kept_measurements(part.folder.path)
    part.groups = sorted({row.group for row in part.rows if row.group >= 0})
    bare = 0
    for group in part.groups:
        mine = [row for row in part.rows if row.group == group]
        scales = [r.scale_arcsec for r in mine if np.isfinite(r.scale_arcsec)]
        scale = float(np.median(scales)) if scales else NAN
        best = sorted((r for r in mine if r.key), key=lambda r: -np.nan_to_num(r.number("weight")))
        loaded = (kept.load(row.key) for row in best[:LOOKED_AT])
        facts, stars = next((pair for pair in loaded if pair and pair[1]), (None, None))
        if facts is None:
            part.taken.append(Taken(scale_arcsec=scale))
            part.pointings.append((NAN, NAN))
            bare += 1
            continue
        shape = (stars.height, stars.width)
        part.taken.append(Taken(facts.camera, shape, tuple(facts.binning), scale))
        ra, dec = facts.ra_deg, facts.dec_deg
        part.pointings.append((NAN, NAN) if ra is None or dec is None else (ra, dec))
    if bare and not part.folder.notes:
        part.notes.append(
            "measurements are not there or of another version, so nothing ties it to other "
            "nights; run grade again"
        )


def _night(part: _Part, setups: Sequence[Setup]) -> GradedNight:
    groups = part.folder.record.get("groups") or []
    summaries = (part.folder.record.get("night") or {}).get("groups") or []
    series = []
    for k, setup, (ra, dec) in zip(part.groups, setups, part.pointings, strict=True):
        group = groups[k] if k < len(groups) else {}
        trends = summaries[k].get("trends") if k < len(summaries) else None
        series.append(
            NightSeries(
                label=str(group.get("label") or f"group {k + 1}"),
                target=group.get("target"),
                filter=group.get("filter"),
                exposure_s=group.get("exposure_s"),
                setup=setup,
                group=k,
                trends=trends,
                ra_deg=ra,
                dec_deg=dec,
            )
        )
    place = {group: k for k, group in enumerate(part.groups)}
    rows = sorted(part.rows, key=lambda r: (np.nan_to_num(r.start_unix, nan=np.inf), r.path))
    frames = table_of(rows, (place.get(row.group, -1) for row in rows))
    frames = frames if part.whole else _on_own_level(frames)
    return GradedNight(
        label=_date(frames, part.site[1]) or printable(part.folder.path.name),
        folder=part.folder.path,
        frames=frames,
        series=tuple(series),
        record=part.folder.record,
        alone=part.alone,
        site_lat_deg=part.site[0],
        site_lon_deg=part.site[1],
        notes=tuple(dict.fromkeys(part.notes)),
    )


def _on_own_level(frames: FrameTable) -> FrameTable:
    """Transparencies against each series' own clear level, where a folder's nights share one."""
    light = frames.transparency.copy()
    for series in set(frames.series[frames.series >= 0].tolist()):
        mine = frames.series == series
        sound = light[mine & frames.kept & ~frames.transparency_is_limit & np.isfinite(light)]
        if sound.size:
            clearest = np.sort(sound)[-max(1, sound.size // CLEAR_SHARE) :]
            light[mine] /= np.median(clearest)
    return replace(frames, transparency=light)


def _date(frames: FrameTable, lon_deg: float) -> str:
    known = frames.start_unix[np.isfinite(frames.start_unix)]
    if not len(known):
        return ""
    return evening(known.min(), known.max(), lon_deg if np.isfinite(lon_deg) else None)


def _by_time(night: GradedNight) -> tuple:
    start = night.start_unix
    return not np.isfinite(start), start if np.isfinite(start) else 0.0, str(night.folder)


def _labelled(nights: list[GradedNight]) -> list[GradedNight]:
    """Nights of one date by what differs between them: target, setup or folder."""
    targets = [_only(s.target for s in night.series) for night in nights]
    setups = [_only(s.setup.label for s in night.series) for night in nights]
    folders = [printable(night.folder.name) for night in nights]
    labels = made_unique([night.label for night in nights], targets, setups, folders)
    return [replace(night, label=label) for night, label in zip(nights, labels, strict=True)]


def _only(texts) -> str:
    """The names of a night joined, spellings of one name once."""
    return " and ".join({alike(text): clean(text).strip() for text in texts if text}.values())
