"""How seeing and sky went with the hour, the altitude and the Moon, over all nights.

A night has a level of its own, so slopes are taken within each night and then averaged over the
nights, whose scatter makes the error: one odd night makes no trend.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.diagnosis import TWILIGHT_DEG
from subgrade.figures import counted
from subgrade.robust import median_error, robust_line
from subgrade.season.by_series import setup_filter, taken_with
from subgrade.season.changes import chance_of, weighted_mean
from subgrade.season.history_points import (
    ALIKE,
    SEEING_POWER,
    calibrated,
    camera_offset,
)
from subgrade.season.model import NAN, Dependence, GradedNight, Tie
from subgrade.season.moon_phase import IN_A_BIN, sky_by_phase
from subgrade.season.sky_places import LOWEST_DEG, airmass_at, places_of
from subgrade.season.written import amount

FEWEST = 8
"""Frames of a night from which a slope is taken: a choice."""
CHANCE = 0.01
"""Probability below which a slope is one: a choice."""
POWER_KNOWN = 0.15
"""Error of the power of airmass with which it is stated: a choice."""
MOON_LIT = 0.1
"""Share of its disc below which the Moon is left out: a choice."""


@dataclass(frozen=True, slots=True)
class Sample:
    """Frames of one setup and filter: x, y and the night of each, shape (n,)."""

    x: np.ndarray
    y: np.ndarray
    night: np.ndarray


@dataclass(frozen=True, slots=True)
class Kind:
    """One dependence: what it is called, how wide its bins are and how it reads.

    ``more`` and ``less`` are the verbs of a rising and of a falling slope, ``per`` how many of
    ``x_unit`` the verdict counts, and ``each`` how it calls them.
    """

    key: str
    title: str
    unit: str
    x_title: str
    x_unit: str
    width: float
    subject: str
    more: str
    less: str
    per: float
    each: str


HOUR = "local solar time from midnight"
KINDS = {
    "seeing_by_hour": Kind(
        "seeing_by_hour",
        "FWHM through the night",
        "″",
        HOUR,
        "h",
        1.0,
        "Stars",
        "widen",
        "narrow",
        1.0,
        "hour of the night",
    ),
    "seeing_by_altitude": Kind(
        "seeing_by_altitude",
        "FWHM and the target's altitude",
        "″",
        "altitude of the target",
        "°",
        10.0,
        "",
        "",
        "",
        1.0,
        "",
    ),
    "sky_by_hour": Kind(
        "sky_by_hour",
        "Sky brightness through the night, without Moon and twilight",
        "mag",
        HOUR,
        "h",
        1.0,
        "The sky",
        "brightens",
        "darkens",
        1.0,
        "hour of the night",
    ),
    "sky_by_moon": Kind(
        "sky_by_moon",
        "Sky brightness and the altitude of the Moon",
        "mag",
        "altitude of the Moon",
        "°",
        10.0,
        "The sky",
        "brightens",
        "darkens",
        10.0,
        "10° that the Moon stands higher",
    ),
}


def dependences(nights: Sequence[GradedNight], ties: Sequence[Tie] = ()) -> tuple[Dependence, ...]:
    """Seeing by hour and altitude, sky by hour and by the Moon, of each setup and filter.

    Parameters
    ----------
    nights : sequence of GradedNight
    ties : sequence of Tie
        What makes one night's sky comparable with another's, for the Moon's phase.

    Returns
    -------
    tuple of Dependence
        Those for which any night holds frames enough.
    """
    places = [places_of(night) for night in nights]
    subjects = sorted({setup_filter(series) for night in nights for series in night.series})
    found = []
    for setup, name in subjects:
        parts = [p for k, p in enumerate((setup, name)) if len({s[k] for s in subjects}) > 1]
        named = ", ".join(filter(None, parts))
        for key, sample in _samples(nights, places, setup, name):
            unit = "px" if key.startswith("seeing") and not _scale(nights, setup) > 0 else ""
            made = _dependence(KINDS[key], sample, named, unit)
            found += [made] if made is not None else []
    found += sky_by_phase(nights, ties, places)
    return tuple(found)


def _scale(nights, setup: str) -> float:
    known = (s.setup.scale_arcsec for n in nights for s in n.series if s.setup.label == setup)
    return next(known, NAN)


def _samples(nights, places, setup: str, name: str) -> Iterator[tuple[str, Sample]]:
    """The frames that show each dependence, of one setup and filter."""
    scale = _scale(nights, setup)
    rows: dict[str, list[np.ndarray]] = {key: [] for key in KINDS}
    offset = camera_offset(nights, setup)[0]
    for k, (night, place) in enumerate(zip(nights, places, strict=True)):
        table = night.frames
        use = table.kept & taken_with(night, (setup, name))
        focused = use & (np.array(table.reason, object) != "focus")
        width = np.where(focused, table.fwhm_px, NAN) * (scale if scale > 0 else 1.0)
        zenith = place.airmass**SEEING_POWER
        reduced = width / (zenith if np.isfinite(zenith[use]).any() else 1.0)
        sky = _sky(night, use, 0.0 if calibrated(night) else offset)
        # where the site is unknown, twilight and Moon are as well
        dark = (place.sun < TWILIGHT_DEG) & ((place.moon < 0) | (place.moon_lit < MOON_LIT))
        lit = (place.sun < TWILIGHT_DEG) & (place.moon > 0) & (place.moon_lit >= MOON_LIT)
        for key, x, y in (
            ("seeing_by_hour", place.hour, reduced),
            ("seeing_by_altitude", place.altitude, width),
            ("sky_by_hour", place.hour, np.where(dark, sky, NAN)),
            ("sky_by_moon", place.moon, np.where(lit, sky, NAN)),
        ):
            known = np.isfinite(x) & np.isfinite(y)
            if known.sum() >= FEWEST:
                rows[key].append(np.column_stack([x, y, np.full(len(x), k)])[known])
    for key, found in rows.items():
        if found:
            yield key, Sample(*np.vstack(found).T)


def _sky(night: GradedNight, use: np.ndarray, offset: float) -> np.ndarray:
    """Sky in mag, brighter is larger, each series about its own median; NaN elsewhere."""
    table, out = night.frames, np.full(len(night.frames), NAN)
    for j in range(len(night.series)):
        mine = use & (table.series == j) & (table.background_adu > offset)
        if mine.any():
            level = 2.5 * np.log10(table.background_adu[mine] - offset)
            out[mine] = level - np.median(level)
    return out


def slope_within(sample: Sample) -> tuple[float, float, int]:
    """Slope within the nights, averaged over them; its error, and how many nights show it.

    Parameters
    ----------
    sample : Sample

    Returns
    -------
    float, float, int
        NaN where no night shows it; the error of a single night's slope counts frames in a row
        as `ALIKE` alike.
    """
    slopes = []
    for k in np.unique(sample.night):
        mine = sample.night == k
        x, y = sample.x[mine], sample.y[mine]
        if mine.sum() < FEWEST or not np.ptp(x) > 0:
            continue
        line, covariance = robust_line(np.column_stack([np.ones(len(x)), x - x.mean()]), y)
        error = math.sqrt(covariance[1, 1] * ALIKE) if covariance[1, 1] > 0 else NAN
        if math.isfinite(line[1]) and math.isfinite(error):
            slopes.append((line[1], error))
    if not slopes:
        return NAN, NAN, 0
    value, error = np.array(slopes).T
    mean, its_error, _ = weighted_mean(value, error)
    return mean, its_error, len(slopes)


def _dependence(kind: Kind, sample: Sample, subject: str, unit: str) -> Dependence | None:
    by_air = kind.key == "seeing_by_altitude"
    slope, error, count = slope_within(_in_logs(sample) if by_air else sample)
    level = _own_levels(sample, NAN if by_air else slope, slope if by_air else NAN)
    x, value, its_error, frames = _bins(sample.x, sample.y - level, sample.night, kind.width)
    if not x:
        return None
    middle = float(np.median(level))
    unit = unit or kind.unit
    if not count:
        verdict = "No night covers enough of it to show a slope."
    elif by_air:
        verdict = _of_altitude(slope, error, count)
    else:
        verdict = _verdict(kind, slope, error, count, unit)
    return Dependence(
        kind.key,
        kind.title,
        unit,
        kind.x_title,
        kind.x_unit,
        subject,
        x,
        tuple(v + middle for v in value),
        its_error,
        frames,
        NAN if by_air else slope,
        NAN if by_air else error,
        verdict,
    )


def _in_logs(sample: Sample) -> Sample:
    """Width over airmass in logarithms, for the power."""
    known = (sample.x > LOWEST_DEG) & (sample.y > 0)
    return Sample(np.log(airmass_at(sample.x[known])), np.log(sample.y[known]), sample.night[known])


def _own_levels(sample: Sample, slope: float, power: float) -> np.ndarray:
    """Each night's level at the middle of x, slope taken out, shape (n,)."""
    middle, lowest = float(np.median(sample.x)), LOWEST_DEG + 0.1
    if math.isfinite(power):
        airmass, of_middle = (airmass_at(np.maximum(x, lowest)) for x in (sample.x, middle))
        flat = sample.y / (airmass / of_middle) ** power
    else:
        flat = sample.y - np.nan_to_num(slope) * (sample.x - middle)
    level = np.empty(len(sample.y))
    for k in np.unique(sample.night):
        level[sample.night == k] = np.median(flat[sample.night == k])
    return level


def _bins(x, left, night, width: float):
    """Middles, medians, errors and frames of the bins that hold enough frames."""
    index = np.floor(x / width).astype(int)
    out = []
    for k in np.unique(index):
        mine = index == k
        if mine.sum() < IN_A_BIN:
            continue
        each = [float(np.median(left[mine & (night == n)])) for n in np.unique(night[mine])]
        error = median_error(left[mine], max(mine.sum() / ALIKE, 1.0))
        if len(each) >= 3:
            error = max(error, float(np.std(each, ddof=1)) / math.sqrt(len(each)))
        out.append((float((k + 0.5) * width), float(np.median(left[mine])), error, int(mine.sum())))
    return tuple(zip(*out, strict=True)) if out else ((), (), (), ())


def _verdict(kind: Kind, slope: float, error: float, count: int, unit: str) -> str:
    nights = counted(count, "night")
    size = amount(abs(slope) * kind.per, error * kind.per, unit)
    if count == 1:
        return f"One night alone cannot show it: {size} for each {kind.each} there."
    if chance_of(slope / error, count - 1) > CHANCE:
        limit = amount(2.0 * kind.per * error + abs(slope) * kind.per, NAN, unit)
        return f"No trend over {nights}: below {limit} for each {kind.each}."
    verb = kind.more if slope > 0 else kind.less
    return f"{kind.subject} {verb} by {size} for each {kind.each}, over {nights}."


def _of_altitude(power: float, error: float, count: int) -> str:
    nights = counted(count, "night")
    if not error < POWER_KNOWN:
        return f"The airmass varied too little to show how the width goes with it, over {nights}."
    text = f"FWHM goes as airmass to the power {amount(power, error)} over {nights}"
    if abs(power - SEEING_POWER) < 2.0 * error:
        return f"{text}, as seeing does ({SEEING_POWER})."
    if power < SEEING_POWER:
        return f"{text}; seeing alone gives {SEEING_POWER}: optics, pixels or guiding share in it."
    return (
        f"{text}; seeing alone gives {SEEING_POWER}: something adds to it low in the sky, or it "
        "changed with the hour."
    )
