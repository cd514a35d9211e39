"""What a frame's width and sky should be at its hour and altitude, had nothing gone wrong.

**Width**: see `subgrade.night.widths`.  The slow quantity of the focus is the ambient
temperature where it is known, else the focuser's steps, else time.

A group of several nights has one level, but each night its own drift with time.

**Sky**: night by night its logarithm follows a running level that may not change faster than
`SKY_PER_HOUR`: a setting moon does not, twilight and headlights do and stay an excess.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from subgrade.night.clear_level import airmass_of, clear_level
from subgrade.night.clocks import nights_of
from subgrade.night.model import NAN, Frame, Registration, Trends
from subgrade.night.widths import FEWEST_FOR_SLOPE, WidthFit, fit_width
from subgrade.robust import pair_slopes

SKY_PER_HOUR = 0.5
"""Fastest change of ln sky that is taken for the night's own (0.54 mag an hour; a setting
moon stays below, twilight passes it within minutes; no source)."""
CLEAR = 0.85
"""Least transparency of frames that show the sky's trend: cloud lights up or darkens it."""
UNSOUND = ("trailed", "doubled", "hollow", "none")


def group_trends(
    frames: Sequence[Frame],
    members: Sequence[int],
    registrations: Sequence[Registration | None],
    transparency: Sequence[float] | np.ndarray,
) -> tuple[Trends, np.ndarray, np.ndarray]:
    """Expected width and sky of every member of one group.

    Parameters
    ----------
    frames : sequence of Frame
        The whole night.
    members : sequence of int
        The group, in the order taken.
    registrations : sequence of Registration or None
        Of the members.
    transparency : sequence of float
        Of the members; NaN where unknown.

    Returns
    -------
    Trends
    ndarray, shape (n,)
        Expected FWHM, px; NaN where no frame of the group has a width.
    ndarray, shape (n,)
        Expected sky, ADU; NaN where no frame has a positive one.
    """
    mine = [frames[i] for i in members]
    hours = _hours(mine)
    width = np.array([_width(f) for f in mine])
    airmass = airmass_of(
        [f.facts.airmass for f in mine], [f.facts.mid_unix or f.facts.start_unix for f in mine]
    )
    slow, unit = _slow_quantity(mine, hours)
    night = nights_of(3600 * hours)
    fit = _fit_width(np.log(width), airmass, slow, unit, _sides(mine, registrations), night)
    sky = np.array([f.stars.background_adu for f in mine])
    expected_sky = _fit_sky(hours, sky, np.asarray(transparency, float), night)
    sloped = np.isfinite(fit.slope)
    trends = Trends(
        frames_used=int(fit.used.sum()),
        scatter=fit.scatter,
        airmass_exponent=fit.exponent if fit.exponent else NAN,
        focus_slope=fit.slope,
        focus_error=fit.slope_error,
        focus_unit=unit if sloped else "",
        side_offset=fit.offset,
        sky_per_hour=_steepness(hours, np.log(expected_sky), night),
    )
    return trends, np.exp(fit.expected), expected_sky


def _fit_width(
    log_width: np.ndarray,
    airmass: np.ndarray | None,
    slow: np.ndarray | None,
    unit: str,
    sides: np.ndarray,
    night: np.ndarray,
) -> WidthFit:
    """The width model of the group; of several nights each has its own drift with time."""
    if unit != "h" or not night.any():
        return fit_width(log_width, airmass, slow, sides)
    fit = fit_width(log_width, airmass, None, sides)
    expected, used = fit.expected.copy(), fit.used.copy()
    for k in range(night.max() + 1):
        mine = night == k
        if np.isfinite(log_width[mine]).sum() < FEWEST_FOR_SLOPE:
            continue
        air = None if airmass is None else airmass[mine]
        own = fit_width(log_width[mine], air, slow[mine], sides[mine])
        if np.isfinite(own.slope):
            expected[mine], used[mine] = own.expected, own.used
    return replace(fit, expected=expected, used=used)


def _fit_sky(
    hours: np.ndarray, sky: np.ndarray, transparency: np.ndarray, night: np.ndarray
) -> np.ndarray:
    """`fit_sky` night by night; a night of under three frames gets the group's level."""
    out = np.full(len(sky), NAN)
    for k in range(night.max() + 1):
        mine = night == k
        out[mine] = fit_sky(hours[mine], sky[mine], transparency[mine])
    bare, known = np.isnan(out), np.isfinite(sky) & (sky > 0)
    if bare.any() and known.sum() >= 3:
        out[bare] = np.exp(-clear_level(-np.log(sky[known])))
    return out


def fit_sky(hours: np.ndarray, sky: np.ndarray, transparency: np.ndarray) -> np.ndarray:
    """Expected sky of every frame from a slow running level.

    Parameters
    ----------
    hours : ndarray, shape (n,)
        Finite.
    sky : ndarray, shape (n,)
        Background, ADU.
    transparency : ndarray, shape (n,)
        NaN counts as clear.

    Returns
    -------
    ndarray, shape (n,)
        NaN where under three frames have a positive sky.

    Notes
    -----
    Clear frames only, as long as they are a fifth of the group.  The local level is
    the 30th percentile of the frames within 20 minutes (at least five), so that
    single lit frames do not count; then the greatest curve below all levels whose slope
    stays under `SKY_PER_HOUR` (an inf-convolution).  Under twelve frames a line, under
    six a constant.
    """
    known = np.isfinite(sky) & (sky > 0)
    if known.sum() < 3:
        return np.full(len(sky), NAN)
    clear = known & ~(transparency < CLEAR)
    use = clear if clear.sum() >= max(5, 0.2 * known.sum()) else known
    t, y = hours[use], np.log(sky[use])
    if use.sum() < 6 or np.ptp(t) < 0.5:
        return np.full(len(sky), np.exp(-clear_level(-y)))
    slope = np.clip(_slope(t, y), -SKY_PER_HOUR, SKY_PER_HOUR)
    flat = y - slope * t
    if use.sum() < FEWEST_FOR_SLOPE:
        return np.exp(np.quantile(flat, 0.3) + slope * hours)
    order = np.argsort(np.abs(t[:, None] - t[None, :]), axis=1, kind="stable")
    level = np.empty(len(t))
    for k, near in enumerate(order):
        count = max(5, int(np.count_nonzero(np.abs(t - t[k]) <= 1 / 3)))
        level[k] = np.quantile(flat[near[:count]], 0.3)
    level += slope * t
    away = SKY_PER_HOUR * np.abs(t[:, None] - t[None, :])
    level = (level[None, :] + away).min(axis=1)
    in_time = np.argsort(t, kind="stable")
    return np.exp(np.interp(hours, t[in_time], level[in_time]))


def _slope(t: np.ndarray, y: np.ndarray) -> float:
    """Median of the slopes between pairs of at most 300 points."""
    some = np.unique(np.linspace(0, len(t) - 1, min(len(t), 300)).astype(int))
    return float(np.median(pair_slopes(t[some], y[some])))


def _steepness(hours: np.ndarray, log_sky: np.ndarray, night: np.ndarray) -> float:
    """Mean change of the fullest night's expected sky an hour; NaN where it is one constant."""
    if len(night):
        main = night == np.bincount(night).argmax()
        hours, log_sky = hours[main], log_sky[main]
    if not np.isfinite(log_sky).all() or np.ptp(hours) < 0.5 or np.ptp(log_sky) == 0:
        return NAN
    return float(np.polyfit(hours - hours.mean(), log_sky, 1)[0])


def _hours(frames: Sequence[Frame]) -> np.ndarray:
    """Hours since the first frame; a missing time is that of the neighbours by file name."""
    stated = [f.facts.mid_unix or f.facts.start_unix for f in frames]
    times = np.array([NAN if t is None else t for t in stated], float)
    known = np.isfinite(times)
    if 2 * known.sum() < len(frames) or not known.any():
        return np.arange(len(frames)) * (frames[0].facts.exposure_s or 60.0) / 3600
    by_name = np.array(sorted(range(len(frames)), key=lambda i: frames[i].name))
    places, seen = np.flatnonzero(known[by_name]), times[by_name][known[by_name]]
    missing = np.flatnonzero(~known[by_name])
    if len(missing):
        near = np.abs(missing[:, None] - places[None, :]).argmin(axis=1)
        times[by_name[missing]] = seen[near]
    return (times - times.min()) / 3600


def _width(frame: Frame) -> float:
    """FWHM, px, of a frame whose stars have the form that a width describes."""
    stars = frame.stars
    sound = stars.shape_status not in UNSOUND and stars.fwhm_px > 0
    return stars.fwhm_px if sound else NAN


def _slow_quantity(frames: Sequence[Frame], hours: np.ndarray) -> tuple[np.ndarray | None, str]:
    """What the focus is followed against, with gaps bridged, and its unit."""
    for name, unit, least in (("ambient_c", "°C", 0.5), ("focuser_steps", "step", 1.0)):
        stated = [getattr(f.facts, name) for f in frames]
        values = np.array([NAN if v is None else v for v in stated], float)
        known = np.isfinite(values)
        several = len(np.unique(values[known])) >= 3
        if known.mean() >= 0.8 and several and np.ptp(values[known]) >= least:
            order = np.argsort(hours[known], kind="stable")
            return np.interp(hours, hours[known][order], values[known][order]), unit
    return (hours, "h") if len(hours) and np.ptp(hours) >= 0.5 else (None, "")


def _sides(frames: Sequence[Frame], registrations: Sequence[Registration | None]) -> np.ndarray:
    """0 or 1: side of the pier from the headers, else from half turns of the picture."""
    stated = np.array([f.facts.pier_side or "" for f in frames])
    names = sorted(set(stated) - {""})
    if len(names) == 2 and np.mean(stated != "") >= 0.8:
        known, side = stated != "", (stated == names[1]).astype(int)
    else:
        turn = np.array([r.rotation_deg if r is not None else NAN for r in registrations])
        known, side = np.isfinite(turn), (np.cos(np.radians(turn)) < 0).astype(int)
    if not known.any():
        return np.zeros(len(frames), int)
    places = np.flatnonzero(known)
    nearest = np.abs(np.arange(len(frames))[:, None] - places[None, :]).argmin(axis=1)
    side = side[places[nearest]]
    return side if side[0] == 0 else 1 - side
