"""One night's value of each quantity that is followed over the nights."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.robust import median_error, robust_line, scatter
from subgrade.season.by_series import setup_filter, taken_with
from subgrade.season.model import NAN, GradedNight, HistoryPoint, NightSeries, Tie
from subgrade.season.recorded import guided_number, main_setup, numbers_of, unit_of
from subgrade.season.sky_places import places_of

SEEING_POWER = 0.6
"""Seeing widens stars as airmass to this power (Kolmogorov; Fried 1966, JOSA 56, 1372)."""
LEAST_ERROR = 0.002
"""Relative error of a night's sky at the least: its median goes with the pointing and the flat
field by more; a choice."""
FEWEST = 3
"""Frames from which a night's median is a point: a choice."""
ALIKE = 5.0
"""Frames in a row share seeing and sky: so many count as one in the error of a median; a choice."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A quantity that is followed.

    Attributes
    ----------
    key, title, unit : str
    steady : bool
        Whether it stays the same unless something was changed; the sky's does not.
    noun : str
        What changed, for a sentence: ``The polar axis moved``.
    """

    key: str
    title: str
    unit: str
    steady: bool
    noun: str = ""

    @property
    def changed(self) -> str:
        """``The worm's period changed``."""
        return self.noun or f"{self.title} changed"


Points = dict[tuple[Quantity, tuple[str, ...]], list[HistoryPoint]]
"""Points by quantity and subject: setup, filter, target, as far as they part it."""


def all_points(nights: Sequence[GradedNight], ties: Sequence[Tie]) -> Points:
    """Every quantity but the polar axis, by subject, nights in order."""
    found: Points = {}
    for make in (_of_the_mount, _focus_slopes, _seeing):
        for k, night in enumerate(nights):
            for quantity, subject, value, error, note in make(night):
                if math.isfinite(value):
                    place = found.setdefault((quantity, subject), [])
                    place.append(HistoryPoint(k, float(value), float(error), note))
    for quantity, subject, point in (*_sky(nights, ties), *_clear(nights, ties)):
        found.setdefault((quantity, subject), []).append(point)
    return found


def _of_the_mount(night: GradedNight) -> Iterable[tuple]:
    setup = main_setup(night)
    subject = ("" if setup is None else setup.label,)
    worm = numbers_of(night, "periodic error")
    period = Quantity("worm_period", "Period of the worm", "s", True)
    yield period, subject, *worm.get("worm period", (NAN, NAN)), ""
    size = Quantity("worm_amplitude", "Amplitude of the periodic error", "″", True)
    yield size, subject, *worm.get("amplitude on the sky", (NAN, NAN)), ""
    along = (night.record.get("guiding") or {}).get("axes") in (None, "ra_dec")
    for axis, name in (("ra", "RA"), ("dec", "Dec")) if along else ():
        rms = getattr(night.frames, f"guide_rms_{axis}_arcsec")[night.frames.kept]
        of_kept = Quantity(f"guiding_{axis}", f"Guiding RMS in {name}", "″", False)
        yield of_kept, subject, *median_of(rms), "median of the kept frames"
        quiet = Quantity(
            f"guiding_quiet_{axis}", f"Guiding RMS in {name} in quiet stretches", "″", False
        )
        yield quiet, subject, guided_number(night, f"calm_rms_{axis}"), NAN, ""
    drift = numbers_of(night, "differential flexure").get("drift", (NAN, NAN))
    unit = unit_of(night, "differential flexure", "drift")
    flexure = Quantity("flexure", "Differential flexure", unit, False)
    yield flexure, subject, *drift, "of the frames that show it"


def _focus_slopes(night: GradedNight) -> Iterable[tuple]:
    """Change of star width with temperature, focuser or time, of each setup."""
    found: dict[tuple[str, str], list[tuple[float, float]]] = {}
    for series in night.series:
        trends = series.trends or {}
        slope, error = trends.get("focus_slope"), trends.get("focus_error")
        if slope is not None and error:
            place = found.setdefault((series.setup.label, trends.get("focus_unit") or ""), [])
            place.append((slope, error))
    for (setup, unit), slopes in found.items():
        weight = np.array([e**-2.0 for _, e in slopes])
        mean = float(weight @ [s for s, _ in slopes] / weight.sum())
        what = {"°C": "temperature", "step": "focuser position", "h": "time"}.get(unit, unit)
        steady = unit != "h"
        title = f"Change of FWHM with {what}"
        quantity = Quantity("focus_slope", title, f"% per {unit}", steady)
        yield quantity, (setup,), 100.0 * mean, 100.0 * weight.sum() ** -0.5, ""


def _seeing(night: GradedNight) -> Iterable[tuple]:
    """Median width of kept frames in focus, at the zenith where the altitude is known."""
    table = night.frames
    clean = table.kept & (np.array(table.reason, object) != "focus") & (table.fwhm_px > 0)
    airmass = places_of(night).airmass
    scales = {setup_filter(s): s.setup.scale_arcsec for s in reversed(night.series)}
    for parts, scale in sorted(scales.items()):
        use = clean & taken_with(night, parts)
        unit = "″" if math.isfinite(scale) else "px"
        width = table.fwhm_px[use] * (scale if unit == "″" else 1.0)
        reduced = bool(np.isfinite(airmass[use]).mean() > 0.8) if use.any() else False
        if reduced:
            width = width / airmass[use] ** SEEING_POWER
        title = "FWHM at the zenith" if reduced else "FWHM"
        note = "" if reduced else "not reduced to the zenith: site, time or pointing is unknown"
        quantity = Quantity("seeing", title, unit, False)
        yield quantity, parts, *median_of(width), note


def median_of(values: np.ndarray) -> tuple[float, float]:
    """Median of frames in a row and its error; NaN of too few."""
    values = values[np.isfinite(values)]
    if len(values) < FEWEST:
        return NAN, NAN
    alone = max(len(values) / ALIKE, 1.0)
    return float(np.median(values)), median_error(values, alone)


def _sky(nights: Sequence[GradedNight], ties: Sequence[Tie]) -> Iterable[tuple]:
    """Sky brightness in mag above that of the darkest night, by what `sky_subject` parts."""
    found: dict[tuple[str, ...], list[tuple[int, float, float, str]]] = {}
    offsets: dict[str, tuple[float, float]] = {}
    for tie in ties:
        night = nights[tie.night]
        series, table = night.series[tie.series], night.frames
        use = table.kept & (table.series == tie.series) & (table.background_adu > 0)
        if not (tie.ratio > 0) or use.sum() < FEWEST:
            continue
        setup = series.setup.label
        if setup not in offsets:
            offsets[setup] = camera_offset(nights, setup)
        offset, offset_error = (0.0, 0.0) if calibrated(night) else offsets[setup]
        level, error = median_of(table.background_adu[use] - offset)
        if not level > 3.0 * offset_error:
            offset_error, level = 0.0, float(np.median(table.background_adu[use]))
            offset = 0.0
        value = sky_mag(level, tie)
        tied = tie.error / tie.ratio if tie.error > 0 else 0.0
        relative = math.hypot(error / level, tied, LEAST_ERROR)
        bare = bool(offset) or calibrated(night)
        note = "" if bare else NO_OFFSET
        place = found.setdefault(sky_subject(series, bare), [])
        place.append((tie.night, value, 2.5 / math.log(10.0) * relative, note))
    quantity = Quantity("sky", "Sky brightness above the darkest night", "mag", False)
    for subject, rows in found.items():
        darkest = min(value for _, value, _, _ in rows)
        for k in sorted({row[0] for row in rows}):
            mine = [row for row in rows if row[0] == k]
            value = float(np.mean([row[1] for row in mine])) - darkest
            yield quantity, subject, HistoryPoint(k, value, mine[0][2], mine[0][3])


def sky_mag(level: float, tie: Tie) -> float:
    """Sky brightness on the scale of all nights, mag, brighter is larger.

    Parameters
    ----------
    level : float
        Background of a series' frames without the camera's offset, ADU.
    tie : Tie
        Of that series: counts of a star and size of a pixel against the reference's.
    """
    area = tie.scale**2 if tie.scale > 0 else 1.0
    return 2.5 * math.log10(level / (tie.ratio * area))


def sky_subject(series: NightSeries, bare: bool) -> tuple[str, ...]:
    """What skies are compared within: target and filter.

    Parameters
    ----------
    series : NightSeries
    bare : bool
        Whether the camera's offset is taken out. Where it stays in, it is another share of the
        background in each setup and exposure, so only nights alike in these are compared.
    """
    exposure = f"{series.exposure_s:g} s" if series.exposure_s else ""
    return (
        series.target or "",
        series.filter or "",
        *(("", "") if bare else (series.setup.label, exposure)),
    )


NO_OFFSET = "the camera's offset is in the background: the true differences are larger"


def calibrated(night: GradedNight) -> bool:
    """Whether its frames were graded with a dark or bias, so that no offset is left."""
    settings = night.record.get("settings") or {}
    return bool(settings.get("dark") or settings.get("bias"))


def camera_offset(nights: Sequence[GradedNight], setup: str) -> tuple[float, float]:
    """Background of a frame without light, ADU, and its error; zero where not shown.

    The variance of photons grows in proportion to their number, so the line of noise^2 over
    background meets zero at the offset (photon transfer, Janesick 2007), but for the read noise,
    which then counts as sky.  It is shown only where the sky's level varies.
    """
    level, variance = [], []
    for night in nights:
        if calibrated(night):
            continue
        table = night.frames
        mine = [k for k, s in enumerate(night.series) if s.setup.label == setup]
        use = table.kept & np.isin(table.series, mine)
        level.append(table.background_adu[use])
        variance.append(table.noise_adu[use] ** 2)
    x, y = (np.concatenate(v) if v else np.empty(0) for v in (level, variance))
    known = np.isfinite(x) & np.isfinite(y)
    x, y = x[known], y[known]
    if len(x) < 20:
        return 0.0, 0.0
    some = np.linspace(0, len(x) - 1, min(len(x), 2000)).astype(int)
    x, y = x[some], y[some]
    middle = float(np.median(x))
    line, covariance = robust_line(np.column_stack([np.ones(len(x)), x - middle]), y)
    if not (line[1] > 10.0 * math.sqrt(covariance[1, 1]) and line[0] > 0):
        return 0.0, 0.0
    sky = line[0] / line[1]
    error = sky * math.sqrt(covariance[0, 0] / line[0] ** 2 + covariance[1, 1] / line[1] ** 2)
    offset = middle - sky
    misfit = scatter(y - line[0] - line[1] * (x - middle)) / line[0]
    if not (0.0 < offset < x.min()) or misfit > 0.1 or error > 0.2 * sky:
        return 0.0, 0.0
    return float(offset), float(error)


def _clear(nights: Sequence[GradedNight], ties: Sequence[Tie]) -> Iterable[tuple]:
    """How clear each night's clear frames were against the clearest night."""
    found: dict[tuple[str, str, str], dict[int, list[tuple[float, float]]]] = {}
    for tie in ties:
        if tie.clear > 0:
            series = nights[tie.night].series[tie.series]
            subject = (series.setup.label, series.target or "", series.filter or "")
            error = tie.clear * tie.error / tie.ratio if tie.ratio > 0 and tie.error > 0 else NAN
            found.setdefault(subject, {}).setdefault(tie.night, []).append((tie.clear, error))
    quantity = Quantity("clear_level", "Clear level against the clearest night", "", False)
    for subject, of_night in found.items():
        for k in sorted(of_night):
            value, error = np.mean(of_night[k], axis=0)
            yield quantity, subject, HistoryPoint(k, float(value), float(error))
