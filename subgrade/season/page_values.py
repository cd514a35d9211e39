"""What the page of a season holds, as plain values."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from pathlib import Path
from urllib.parse import quote

import numpy as np

from subgrade import __version__
from subgrade.judging.reasons import REASONS
from subgrade.plaintext import printable
from subgrade.report import FILE as REPORT
from subgrade.results import utc_now
from subgrade.season.by_series import for_each_frame, widths_arcsec
from subgrade.season.model import GradedNight, Season, Tie
from subgrade.season.names import stack_name

FIGURES = 5
"""Significant digits of a number: more than any plot or table shows."""


def page_record(season: Season, out: str | Path) -> dict:
    """The season for its page; no NaN, no path but those a person reads.

    Parameters
    ----------
    season : Season
    out : path-like
        Folder of the page, from which it names the nights' own pages.

    Returns
    -------
    dict
    """
    ties = {(tie.night, tie.series): tie for tie in season.ties}
    return {
        "version": __version__,
        "made_utc": utc_now(),
        "summary": as_shown(season.summary),
        "nights": [_night(k, season, ties, Path(out)) for k in range(len(season.nights))],
        "stacks": [_stack(season, k) for k in range(len(season.stacks))],
        "histories": as_shown(asdict(h) for h in season.histories),
        "dependences": as_shown(asdict(d) for d in season.dependences),
        "losses": as_shown(asdict(loss) for loss in season.losses),
        "advice": as_shown(asdict(a) for a in season.advice),
        "reasons": {
            row.reason: REASONS[row.reason].long for row in season.losses if row.reason in REASONS
        },
        "problems": as_shown(season.problems),
    }


def _night(index: int, season: Season, ties: Mapping[tuple[int, int], Tie], out: Path) -> dict:
    night = season.nights[index]
    rows = [row for stack in season.stacks for row in stack.rows if row.night == index]
    frames, kept = night.frames, night.frames.kept
    guiding = (frames.guide_rms_ra_arcsec, frames.guide_rms_dec_arcsec)
    return {
        "label": printable(night.label),
        "folder": printable(str(night.folder)),
        "link": link_to(night.folder / REPORT, out),
        "start": _instant(night.start_unix),
        "frames": len(frames),
        "kept": int(kept.sum()),
        "kept_s": as_shown(sum(row.kept_s for row in rows)),
        "lost_s": as_shown(sum(row.lost_s for row in rows)),
        "fwhm": as_shown(_width(night)),
        "rms": as_shown(_middle(rms[kept]) for rms in guiding),
        "series": [_series(index, k, night, ties) for k in range(len(night.series))],
        "notes": as_shown(night.notes),
        "cells": _cells(index, night, ties),
    }


def _series(index: int, k: int, night: GradedNight, ties: Mapping[tuple[int, int], Tie]) -> dict:
    """One series of a night: what it is, how it was, and what ties it to the others."""
    series, frames = night.series[k], night.frames
    inside = (frames.series == k) & frames.kept
    scale = series.setup.scale_arcsec
    tie = ties.get((index, k), Tie(index, k))
    return {
        "label": printable(series.label),
        "setup": printable(series.setup.label),
        "frames": int((frames.series == k).sum()),
        "kept": int(inside.sum()),
        "fwhm": as_shown(_middle(frames.fwhm_px[inside]) * (scale if math.isfinite(scale) else 1)),
        "unit": "″" if math.isfinite(scale) else "px",
        "eccentricity": as_shown(_middle(frames.eccentricity[inside])),
        "ratio": as_shown([tie.ratio, tie.error]),
        "clear": as_shown(tie.clear),
        "stars": tie.stars,
        "note": printable(tie.note),
    }


def _cells(index: int, night: GradedNight, ties: Mapping[tuple[int, int], Tie]) -> dict:
    """The frames that have a time, column by column, for the map of the nights' hours.

    ``minute`` from the night's first frame, exposure in minutes, whether it was kept, the reason's
    word, its starlight against the clearest night, its width.
    """
    frames = night.frames
    held = np.flatnonzero(np.isfinite(frames.start_unix))
    clear = [ties.get((index, k), Tie(index, k)).clear for k in range(len(night.series))]
    light = frames.transparency * for_each_frame(night, clear)
    scale = for_each_frame(night, [series.setup.scale_arcsec for series in night.series])
    width = frames.fwhm_px * np.nan_to_num(scale, nan=1.0)
    return {
        "minute": _rounded((frames.start_unix[held] - night.start_unix) / 60, 1),
        "length": _rounded(frames.exposure_s[held] / 60, 2),
        "kept": [int(frames.verdict[k] == "keep") for k in held],
        "reason": [frames.reason[k] for k in held],
        "light": _rounded(light[held], 3),
        "width": _rounded(width[held], 2),
    }


def _stack(season: Season, index: int) -> dict:
    """A stack with its nights in one row each, whatever exposures and setups they had."""
    stack = season.stacks[index]
    record = as_shown(asdict(stack))
    record["label"] = printable(stack_name(stack.target, stack.filter))
    record["nights"] = len({row.night for row in stack.rows if row.kept})
    return record


def link_to(page: Path, out: Path) -> str | None:
    """Address of a night's page from the season's folder, None where there is none.

    Relative, so that both can be moved together; every sign that an address could take for its
    own is written as its code.
    """
    if not page.is_file():
        return None
    try:
        way = os.path.relpath(page, out)
    except ValueError:  # another drive
        return page.absolute().as_uri()
    return quote(os.fsencode(way.replace(os.sep, "/")), safe="/")


def _width(night: GradedNight) -> float:
    """Median width of the kept frames, arcseconds; NaN where a scale is not known."""
    return _middle(widths_arcsec(night)[night.frames.kept])


def _instant(unix: float) -> int | None:
    return round(unix) if math.isfinite(unix) else None


def _middle(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else math.nan


def _rounded(values: np.ndarray, decimals: int) -> list[float | None]:
    return [round(float(v), decimals) if math.isfinite(v) else None for v in values]


def as_shown(value: object) -> object:
    """A value for JSON: NaN is None, numbers have few digits, tuples are lists."""
    if isinstance(value, str):
        return printable(value)  # a sign that turns the direction would turn what follows it
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, np.generic):
        return as_shown(value.item())
    if isinstance(value, int):
        return value
    if isinstance(value, float):
        return float(f"{value:.{FIGURES}g}") if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): as_shown(inner) for key, inner in value.items()}
    if isinstance(value, Iterable):
        return [as_shown(inner) for inner in value]
    return str(value)
