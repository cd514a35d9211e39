"""How much brighter the sky is with the Moon up, by its phase: between nights, not within them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from subgrade.diagnosis import TWILIGHT_DEG
from subgrade.robust import scatter
from subgrade.season.history_points import calibrated, camera_offset, sky_mag, sky_subject
from subgrade.season.model import NAN, Dependence, GradedNight, Tie
from subgrade.season.sky_places import Places
from subgrade.season.written import amount

IN_A_BIN = 5
"""Frames from which a bin is shown: a choice."""
MOON_UP_DEG = 10.0
"""Altitude of the Moon from which a night counts as lit by it: a choice."""
STEP_PERCENT = 20.0
"""Width of a bin in the lit share of the disc: a choice."""
LEAST_ERROR = 0.01
"""Error of the moonless sky at the least, mag: a choice."""
Row = tuple[float, float, int, bool]
"""Lit share (%), sky (mag), frames, and whether the Moon was up."""


def sky_by_phase(
    nights: Sequence[GradedNight], ties: Sequence[Tie], places: Sequence[Places]
) -> list[Dependence]:
    """Sky with the Moon up against the sky without it, by the Moon's phase: night by night.

    Parameters
    ----------
    nights : sequence of GradedNight
    ties : sequence of Tie
        What makes one night's sky comparable with another's.
    places : sequence of Places
        Of the nights.
    """
    found: dict[tuple[str, ...], list[Row]] = {}
    setups = {s.setup.label for night in nights for s in night.series}
    offsets = {label: camera_offset(nights, label)[0] for label in setups}
    for tie in ties:
        night, place = nights[tie.night], places[tie.night]
        if not tie.ratio > 0:
            continue
        series, table = night.series[tie.series], night.frames
        offset = 0.0 if calibrated(night) else offsets[series.setup.label]
        dark = table.kept & (table.series == tie.series) & (place.sun < TWILIGHT_DEG)
        dark &= table.background_adu > offset
        for up, which in ((True, place.moon > MOON_UP_DEG), (False, place.moon < 0.0)):
            use = dark & which
            if use.sum() >= IN_A_BIN:
                level = float(np.median(table.background_adu[use])) - offset
                value = sky_mag(level, tie)
                lit = 100.0 * float(np.median(place.moon_lit[use]))
                row = (lit, value, int(use.sum()), up)
                bare = offset > 0 or calibrated(night)
                found.setdefault(sky_subject(series, bare), []).append(row)
    out = []
    for parts, rows in sorted(found.items()):
        subject = ", ".join(filter(None, parts)) if len(found) > 1 else ""
        made = _phase(rows, subject)
        out += [made] if made is not None else []
    return out


def _phase(rows: Sequence[Row], subject: str) -> Dependence | None:
    moonless = np.array([v for _, v, _, up in rows if not up])
    lit = np.array([(x, v, n) for x, v, n, up in rows if up])
    if len(moonless) < 2 or len(lit) < 2:
        return None
    base = float(np.median(moonless))
    own = max(scatter(moonless) / math.sqrt(len(moonless)), LEAST_ERROR)
    index = np.floor(lit[:, 0] / STEP_PERCENT).astype(int)
    out = []
    for k in np.unique(index):
        value = lit[index == k, 1] - base
        error = math.hypot(scatter(value) / math.sqrt(len(value)) if len(value) > 1 else NAN, own)
        frames = int(lit[index == k, 2].sum())
        out.append((STEP_PERCENT * (float(k) + 0.5), float(np.median(value)), error, frames))
    x, value, error, frames = zip(*out, strict=True)
    best, half = int(np.argmax(value)), STEP_PERCENT / 2
    verdict = (
        f"With the Moon {x[best] - half:.0f} to {x[best] + half:.0f}% lit and above "
        f"{MOON_UP_DEG:.0f}° the sky was {amount(value[best], error[best], 'mag')} "
        "brighter than without it."
    )
    return Dependence(
        "sky_by_phase",
        "Sky brightness with the Moon up, above that without it",
        "mag",
        "lit share of the Moon",
        "%",
        subject,
        x,
        value,
        error,
        frames,
        verdict=verdict,
    )
