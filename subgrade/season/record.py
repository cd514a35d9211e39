"""nights.json: several nights in one file of plain values."""

from __future__ import annotations

import json
from dataclasses import asdict

import numpy as np

from subgrade import __version__
from subgrade.results import plain, utc_now
from subgrade.season.by_series import for_each_frame, widths_arcsec
from subgrade.season.model import GradedNight, Season

FORMAT = 1
"""Raised when a reader of an older file would be misled."""


def season_record(season: Season) -> dict:
    """The season as plain values, no NaN among them.

    Parameters
    ----------
    season : Season

    Returns
    -------
    dict
        Keys ``format``, ``program``, ``written_utc``, ``nights``, ``frames``, and the fields of
        `Season` by their names. ``frames`` holds columns of one length: ``night``, ``series``,
        ``name``, ``start_unix``, ``exposure_s``, ``verdict``, ``reason``, ``fwhm_arcsec``,
        ``fwhm_px``, ``eccentricity``, ``background_adu``; ``transparency`` against the clearest
        night's clear level and ``weight`` against the stack's best frame where these are known,
        else null.
    """
    parts = {
        name: [asdict(item) for item in getattr(season, name)]
        for name in ("ties", "stacks", "histories", "dependences", "losses", "advice")
    }
    record = {
        "format": FORMAT,
        "program": {"name": "subgrade", "version": __version__},
        "written_utc": utc_now(),
        "summary": season.summary,
        "problems": [{"file": file, "cause": cause} for file, cause in season.problems],
        "nights": [_night(night) for night in season.nights],
        **parts,
        "frames": _frames(season),
    }
    return plain(record)


def season_json(season: Season, record: dict | None = None) -> str:
    """`season_record` as strict JSON text."""
    record = season_record(season) if record is None else record
    return json.dumps(record, indent=1, allow_nan=False, ensure_ascii=True) + "\n"


def _night(night: GradedNight) -> dict:
    kept = night.frames.kept
    return {
        "label": night.label,
        "folder": str(night.folder),
        "alone": night.alone,
        "start_unix": night.start_unix,
        "end_unix": night.end_unix,
        "site_lat_deg": night.site_lat_deg,
        "site_lon_deg": night.site_lon_deg,
        "frames": len(night.frames),
        "kept": int(kept.sum()),
        "kept_s": float(np.nansum(night.frames.exposure_s[kept])),
        "lost_s": float(np.nansum(night.frames.exposure_s[~kept])),
        "series": [asdict(series) for series in night.series],
        "notes": night.notes,
    }


def _frames(season: Season) -> dict[str, list]:
    """The frames of all nights, column by column."""
    weight = {(w.night, w.frame): w for w in season.weights}
    names = "name", "start_unix", "exposure_s", "verdict", "reason", "fwhm_px", "eccentricity"
    columns: dict[str, list] = {
        n: []
        for n in (
            "night",
            "series",
            *names,
            "background_adu",
            "fwhm_arcsec",
            "transparency",
            "weight",
        )
    }
    clear = {(t.night, t.series): t.clear for t in season.ties}
    for k, night in enumerate(season.nights):
        table = night.frames
        columns["night"] += [k] * len(table)
        columns["series"] += table.series.tolist()
        for name in (*names, "background_adu"):
            columns[name] += list(getattr(table, name))
        columns["fwhm_arcsec"] += widths_arcsec(night).tolist()
        levels = [clear.get((k, s), np.nan) for s in range(len(night.series))]
        light = table.transparency * for_each_frame(night, levels)
        columns["transparency"] += light.tolist()
        columns["weight"] += [weight[k, n].weight if (k, n) in weight else None for n in table.name]
    return {name: [_rounded(v) for v in values] for name, values in columns.items()}


def _rounded(value):
    """Six figures: more than any measurement has; times to the millisecond."""
    if isinstance(value, float | np.floating) and np.isfinite(value):
        value = float(value)
        return round(value, 3) if abs(value) > 1e6 else float(f"{value:.6g}")
    return value
