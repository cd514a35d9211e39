"""Write what several nights come to: all of its files, or none where the disk fails."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from subgrade.errors import ResultsError
from subgrade.optional_parts import attempt
from subgrade.results import Staged, csv_text, header_text, open_folder, spreadsheet_safe
from subgrade.season.model import GradedNight, NightSeries, Season
from subgrade.season.record import season_json, season_record

FILES = ("nights.json", "nights.csv", "weights.csv", "nights.html")
SESSION = "session.json"
"""What makes a folder one that grade wrote."""

Page = Callable[[Season, dict], str]
"""Makes a page of a season and its record."""
NIGHT_COLUMNS = (
    "night",
    "folder",
    "target",
    "filter",
    "exposure_s",
    "setup",
    "start_utc",
    "frames",
    "kept",
    "kept_h",
    "lost_h",
    "fwhm_px",
    "fwhm_arcsec",
    "eccentricity",
    "background_adu",
    "noise_adu",
    "transparency",
    "ratio",
    "ratio_error",
    "clear",
    "guide_rms_ra_arcsec",
    "guide_rms_dec_arcsec",
)
WEIGHT_COLUMNS = ("frame", "weight", "target", "filter", "night")


def write_season(season: Season, out: str | Path, pages: Mapping[str, Page] | None = None) -> Path:
    """Write ``nights.json``, ``nights.csv``, ``weights.csv`` and pages into a folder.

    Parameters
    ----------
    season : Season
    out : path-like
        Folder, made if missing; none that grade wrote.
    pages : mapping of str to callable, optional
        Pages by file name; one that cannot be made is left out.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    ResultsError
        If the folder is one that grade wrote, or a sub would be written over.
    NotWritten
        If a file cannot be written; what an earlier run wrote is as it was.
    """
    never_into_results(out)
    folder = open_folder(out, pages=len(pages or {}))
    _never_over_a_sub(season, folder, (*FILES, *(pages or {})))
    record = season_record(season)
    contents = {
        "nights.json": season_json(season, record),
        "nights.csv": nights_csv(season),
        "weights.csv": season_weights_csv(season),
    }
    for name, make in (pages or {}).items():
        contents[name] = attempt(name, lambda make=make: make(season, record), None)
    with Staged(folder) as staged:
        for name, text in contents.items():
            if text is not None:
                staged.add(name, text)
        staged.install(gone=[name for name, text in contents.items() if text is None])
    return folder


def never_into_results(out: str | Path) -> None:
    """Stop before the results of one night would be mixed with those of several.

    Raises
    ------
    ResultsError
    """
    folder = Path(os.path.expanduser(os.fspath(out)))
    if os.path.lexists(folder / SESSION):
        raise ResultsError(
            f"{out}: holds the results of a night, whose weights.csv would be written over; "
            "choose another folder with --out"
        )


def _never_over_a_sub(season: Season, folder: Path, names) -> None:
    targets = {os.path.realpath(folder / name) for name in names}
    for night in season.nights:
        for path in night.frames.path:
            if os.path.basename(path) in names and os.path.realpath(path) in targets:
                raise ResultsError(f"{path}: is a frame; choose another folder with --out")


def weight_rows(season: Season) -> list[dict[str, Any]]:
    """Every stack's kept frames with their weights: `WEIGHT_COLUMNS`, each stack's best frame 1."""
    return [
        {
            "frame": w.path,
            "weight": w.weight,
            "target": season.stacks[w.stack].target,
            "filter": season.stacks[w.stack].filter,
            "night": season.nights[w.night].label,
        }
        for w in season.weights
    ]


def season_weights_csv(season: Season) -> str:
    """`weight_rows` as text; ``frame`` is an absolute path."""
    rows = [
        [
            spreadsheet_safe(row["frame"]),
            f"{row['weight']:.4f}",
            *(_text(row[name]) for name in WEIGHT_COLUMNS[2:]),
        ]
        for row in weight_rows(season)
    ]
    return csv_text(list(WEIGHT_COLUMNS), rows)


def night_rows(season: Season) -> list[dict[str, Any]]:
    """One row for each night's frames taken alike: `NIGHT_COLUMNS`.

    Widths, sky, noise, transparency and guiding are medians of the kept frames; NaN or None where
    not known.
    """
    ties = {(t.night, t.series): t for t in season.ties}
    rows = []
    for n, night in enumerate(season.nights):
        for s, series in enumerate(night.series):
            tie = ties.get((n, s))
            numbers = _numbers(night, s, series) | {
                "ratio": tie.ratio if tie else math.nan,
                "ratio_error": tie.error if tie else math.nan,
                "clear": tie.clear if tie else math.nan,
            }
            texts = {
                "night": night.label,
                "folder": str(night.folder),
                "target": series.target,
                "filter": series.filter,
                "setup": series.setup.label,
            }
            rows.append({c: texts[c] if c in texts else numbers.get(c) for c in NIGHT_COLUMNS})
    return rows


def nights_csv(season: Season) -> str:
    """`night_rows` as text."""
    cells = {"folder": spreadsheet_safe} | dict.fromkeys(
        ("night", "target", "filter", "setup"), _text
    )
    rows = [
        [cells.get(name, _cell)(value) for name, value in row.items()] for row in night_rows(season)
    ]
    return csv_text(list(NIGHT_COLUMNS), rows)


def _numbers(night: GradedNight, index: int, series: NightSeries) -> dict:
    table = night.frames
    mine, kept = table.series == index, table.kept
    good = mine & kept

    def median(values: np.ndarray) -> float:
        known = values[good & np.isfinite(values)]
        return float(np.median(known)) if known.size else math.nan

    names = ("fwhm_px", "eccentricity", "background_adu", "noise_adu", "transparency")
    guiding = ("guide_rms_ra_arcsec", "guide_rms_dec_arcsec")
    found = {name: median(getattr(table, name)) for name in (*names, *guiding)}
    starts = table.start_unix[mine & np.isfinite(table.start_unix)]
    return found | {
        "fwhm_arcsec": found["fwhm_px"] * series.setup.scale_arcsec,
        "exposure_s": series.exposure_s,
        "start_utc": _utc(starts.min()) if starts.size else None,
        "frames": int(mine.sum()),
        "kept": int(good.sum()),
        "kept_h": float(np.nansum(table.exposure_s[good])) / 3600,
        "lost_h": float(np.nansum(table.exposure_s[mine & ~kept])) / 3600,
    }


def _utc(moment: float) -> str:
    return f"{np.datetime64(round(moment * 1000), 'ms')}Z"


def _cell(value) -> str:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return ""
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _text(value: str | None) -> str:
    """A text from a header as a cell of a table; empty where the header is silent."""
    return header_text(value or "")
