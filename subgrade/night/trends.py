"""What a frame's width and sky should be at its hour and altitude, had nothing gone wrong.

**Width.** ``ln FWHM = level(side of the pier) + 0.6 ln X + slope u``: turbulent air widens
stars as airmass^0.6 (Kolmogorov; Fried 1966, JOSA 56, 1372, from memory), and the focus
creeps with a slow quantity u: the temperature where it is known, else the focuser's steps, else
time.  The slope is kept only where the frames prove it.

**Sky.** The logarithm of the sky follows a running level that may not change faster
than `SKY_PER_HOUR`: a setting moon does not, twilight and headlights do and stay an excess.

Spoilt frames only ever widen stars, and most frames may be spoilt.  So the
level is the lowest place where frames crowd, a slope is the one that gathers most
frames there, and only then least squares sharpens both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.night.baseline import shorth_sigma
from subgrade.night.clear import airmass_of, clear_level
from subgrade.night.model import NAN, Frame, Registration, Trends

AIRMASS_EXPONENT = 0.6
FEWEST_FOR_SLOPE = 12
"""Smaller groups keep a constant level: a line through five frames follows their noise."""
FEWEST_ON_A_SIDE = 5
SIGNIFICANT = 3.0
"""Slopes and offsets below so many sigmas are left out."""
STEEPEST = 0.8
"""Largest change of ln FWHM over the night that is searched for."""
LEAST_CHANGE = 0.03
"""A slope that changes the width by less over the night is not worth a term; no source."""
CROWD = 0.04
"""Frames within about 4 % of the level count as being on it; common practice, no source."""
TERMS_MUST_GATHER = (1.0, 1.1, 1.13)
"""One term (slope or offset), or both, have to bring so many times as many frames to the
level as a constant; by trial on made-up nights with most frames spoilt."""
SKY_PER_HOUR = 0.5
"""Fastest change of ln sky that is taken for the night's own (0.54 mag an hour; a setting
moon stays below, twilight passes it within minutes; no source)."""
CLEAR = 0.85
"""Least transparency of frames that tell the sky's trend: cloud lights up or darkens it."""
UNSOUND = ("trailed", "doubled", "hollow", "none")


@dataclass(frozen=True, slots=True)
class WidthFit:
    """A fitted width model; natural-log units.

    Attributes
    ----------
    expected : ndarray, shape (n,)
        ln FWHM of every frame, measured or not.
    used : ndarray of bool, shape (n,)
        Frames on the model.
    exponent : float
        0.6, or 0 where airmass is unknown or does not order the widths.
    slope, slope_error : float
        Per unit of the slow quantity; NaN without one.
    offset : float
        Second side of the pier minus the first; NaN without one.
    scatter : float
        Robust scatter about the model.
    """

    expected: np.ndarray
    used: np.ndarray
    exponent: float
    slope: float
    slope_error: float
    offset: float
    scatter: float


def group_trends(
    frames: Sequence[Frame],
    members: Sequence[int],
    registrations: Sequence[Registration | None],
    transparency: Sequence[float],
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
    fit = fit_width(np.log(width), airmass, slow, _sides(mine, registrations))
    sky = np.array([f.stars.background_adu for f in mine])
    expected_sky = fit_sky(hours, sky, np.asarray(transparency, float))
    sloped = np.isfinite(fit.slope)
    trends = Trends(
        frames_used=int(fit.used.sum()),
        scatter=fit.scatter,
        airmass_exponent=fit.exponent if fit.exponent else NAN,
        focus_slope=fit.slope,
        focus_error=fit.slope_error,
        focus_unit=unit if sloped else "",
        side_offset=fit.offset,
        sky_per_hour=_steepness(hours, np.log(expected_sky)),
    )
    return trends, np.exp(fit.expected), expected_sky


def fit_width(
    log_width: np.ndarray,
    airmass: np.ndarray | None,
    slow: np.ndarray | None,
    side: np.ndarray,
) -> WidthFit:
    """Fit the width model to the lower crowd of a group's frames.

    Parameters
    ----------
    log_width : ndarray, shape (n,)
        ln FWHM; NaN is not used, but gets an expectation.
    airmass : ndarray, shape (n,), or None
        None leaves the airmass out.
    slow : ndarray, shape (n,), or None
        The slow quantity, finite; None fits no slope.
    side : ndarray of int, shape (n,)
        0 or 1, the side of the pier.

    Returns
    -------
    WidthFit
    """
    good = np.isfinite(log_width)
    if not good.any():
        nothing = np.full(len(log_width), NAN)
        return WidthFit(nothing, good, 0.0, NAN, NAN, NAN, NAN)
    both = all(np.count_nonzero(good & (side == s)) >= FEWEST_ON_A_SIDE for s in (0, 1))
    side = side if both else np.zeros(len(side), int)
    fits = []
    for exponent in (0.0,) if airmass is None else (AIRMASS_EXPONENT, 0.0):
        air = exponent * np.log(airmass) if exponent else np.zeros(len(log_width))
        fits.append(_best_fit(log_width, air, slow, side, good, exponent))
    # Widths that optics or sampling set do not follow the airmass; it has to be plain, though.
    with_air, without = fits[0], fits[-1]
    plainly = _gathered(log_width, without, good) > 1.1 * _gathered(log_width, with_air, good) + 1
    return without if plainly else with_air


def _best_fit(y, air, slow, side, good, exponent) -> WidthFit:
    """The model with a slope and a side offset where they are proved, else without."""
    y = y - air
    one_side = np.zeros(len(side), int)
    best = _fit(y, None, one_side, good)
    most = best.gathered
    sloped = slow is not None and good.sum() >= FEWEST_FOR_SLOPE and np.ptp(slow[good]) > 0
    for sides in (one_side, side) if side.any() else (one_side,):
        for u in (None, slow) if sloped else (None,):
            terms = (sides is side) + (u is not None)
            if not terms:
                continue
            line = _fit(y, u, sides, good)
            holds = u is None or _slope_holds(line, slow, good)
            holds &= sides is one_side or _offset_holds(line, side)
            # A line through scattered spoilt frames gathers hardly more than a level does.
            gathered = line.gathered / TERMS_MUST_GATHER[terms]
            if holds and gathered > most:
                best, most = line, gathered
    return WidthFit(
        best.expected + air, best.used, exponent, best.slope, best.slope_error, best.offset,
        best.scatter,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Line:
    expected: np.ndarray
    used: np.ndarray
    slope: float
    slope_error: float
    offset: float
    offset_error: float
    scatter: float
    gathered: float


def _fit(y, slow, side, good) -> _Line:
    """Levels by side, with a slope where ``slow`` is given, from search to least squares."""
    start = 0.0
    if slow is not None:
        u = (slow - slow[good].mean()) / np.ptp(slow[good])
        start = max(
            np.arange(-STEEPEST, STEEPEST + 0.01, 0.02),
            key=lambda s: _soft_count(*_off_level(y - s * u, side, good)),
        )
    else:
        u = np.zeros(len(y))
    off, _ = _off_level(y - start * u, side, good)
    columns = [(side == s).astype(float) for s in np.unique(side[good])]
    design = np.column_stack(columns + ([u] if slow is not None else []))
    weight, sigma = _on_level(off)
    solution, covariance = np.full(design.shape[1], NAN), np.full((design.shape[1],) * 2, NAN)
    for _ in range(20):
        use = good & (weight > 0)
        root = np.sqrt(weight[use])
        inside = design[use] * root[:, None]
        solution = np.linalg.lstsq(inside, y[use] * root, rcond=None)[0]
        off = np.where(good, y - design @ solution, NAN)
        weight, sigma = _on_level(off)
    use = good & (weight > 0.3)
    covariance = _covariance(design[use], off[use])
    reach = np.clip(u, u[use].min(), u[use].max()) if use.any() else u
    design[:, -1] = reach if slow is not None else design[:, -1]
    two, sloped = len(columns) == 2, slow is not None
    span = np.ptp(slow[good]) if sloped else NAN
    return _Line(
        expected=design @ solution,
        used=use,
        slope=float(solution[-1] / span) if sloped else NAN,
        slope_error=float(np.sqrt(covariance[-1, -1]) / span) if sloped else NAN,
        offset=float(solution[1] - solution[0]) if two else NAN,
        offset_error=float(np.sqrt([1, -1] @ covariance[:2, :2] @ [1, -1])) if two else NAN,
        scatter=sigma,
        gathered=_soft_count(off, good),
    )


def _off_level(r, side, good) -> tuple[np.ndarray, np.ndarray]:
    """Distance of every frame from its side's level; NaN where it has no width."""
    off = np.full(len(r), NAN)
    for s in np.unique(side[good]):
        mine = good & (side == s)
        off[mine] = r[mine] - low_crowd(r[mine])
    return off, good


def low_crowd(values: np.ndarray) -> float:
    """The lowest place where values crowd.

    The lowest maximum of the smoothed density that reaches a fifth of the highest
    one, so that a third of the frames is enough and one lucky frame is not.  Under six values:
    the middle of the lowest half that lies close together.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Finite, n >= 1.
    """
    if len(values) < 6:
        return -clear_level(-values)
    spread = shorth_sigma(values) if len(values) >= 12 else NAN
    spread = np.nanmin([spread, values.std()])
    # Silverman's rule of thumb; spoilt frames, spread wide, must not blur the crowd of the others.
    width = np.clip(0.9 * spread * len(values) ** -0.2, 0.012, CROWD)
    grid = np.arange(values.min() - width, np.quantile(values, 0.9) + width, width / 2)
    density = np.exp(-0.5 * ((grid[:, None] - values[None, :]) / width) ** 2).sum(axis=1)
    inner = density[1:-1]
    tops = np.flatnonzero((inner >= density[:-2]) & (inner > density[2:])) + 1
    least = max(0.2 * density.max(), min(2.5, 0.3 * len(values)))
    tops = tops[density[tops] >= least]
    return float(grid[tops[0]] if len(tops) else grid[np.argmax(density)])


def _on_level(off: np.ndarray) -> tuple[np.ndarray, float]:
    """Tukey weights about the level and the scatter, judged by the frames below it.

    Frames above may be spoilt; those below can only be noise.
    """
    below = off[off <= 0]
    sigma = 1.482602 * float(np.median(np.abs(below))) if len(below) >= 3 else 0.0
    sigma = max(sigma, 0.01)
    weight = np.where(np.abs(off) < 3 * sigma, (1 - (off / (3 * sigma)) ** 2) ** 2, 0.0)
    if np.count_nonzero(weight > 0) < 3:
        weight = np.where(np.isfinite(off), np.exp(-0.5 * (off / CROWD) ** 2), 0.0)
    return weight, sigma


def _covariance(design: np.ndarray, off: np.ndarray) -> np.ndarray:
    """Of the solution, allowing for seeing that stays alike from frame to frame."""
    n, k = design.shape
    if n <= k or np.linalg.matrix_rank(design) < k:
        return np.full((k, k), NAN)
    alike = float(off[1:] @ off[:-1] / max(off @ off, 1e-12))
    # A short series shows too little of it (Kendall 1954, from memory).
    alike = np.clip(alike + (1 + 4 * max(alike, 0.0)) / n, 0.0, 0.9)
    variance = max(float(off @ off) / (n - k), 0.003**2) * (1 + alike) / (1 - alike)
    return variance * np.linalg.inv(design.T @ design)


def _offset_holds(line: _Line, side: np.ndarray) -> bool:
    """Whether the two sides of the pier differ significantly, by enough frames of each."""
    each = min(np.count_nonzero(line.used & (side == s)) for s in (0, 1))
    plain = abs(line.offset) >= LEAST_CHANGE
    return bool(each >= FEWEST_ON_A_SIDE and plain and _proved(line.offset, line.offset_error))


def _slope_holds(line: _Line, slow: np.ndarray, good: np.ndarray) -> bool:
    """Whether a slope is significant, worth a term, and rests on most of the night."""
    span = np.ptp(slow[good])
    enough = line.used.sum() >= max(FEWEST_FOR_SLOPE, 0.2 * good.sum())
    return bool(
        enough
        and _proved(line.slope, line.slope_error)
        and abs(line.slope) * span >= LEAST_CHANGE
        and np.ptp(slow[line.used]) >= 0.6 * span
    )


def _proved(value: float, error: float) -> bool:
    return bool(np.isfinite(error) and abs(value) > SIGNIFICANT * error)


def _soft_count(off: np.ndarray, good: np.ndarray) -> float:
    return float(np.exp(-0.5 * (off[good] / CROWD) ** 2).sum())


def _gathered(log_width, fit: WidthFit, good) -> float:
    return _soft_count(log_width - fit.expected, good)


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
    """Median of the slopes of all pairs (Theil 1950, Sen 1968, from memory)."""
    some = np.unique(np.linspace(0, len(t) - 1, min(len(t), 300)).astype(int))
    t, y = t[some], y[some]
    i, j = np.triu_indices(len(t), 1)
    apart = t[j] - t[i]
    return float(np.median((y[j] - y[i])[apart != 0] / apart[apart != 0]))


def _steepness(hours: np.ndarray, log_sky: np.ndarray) -> float:
    """Mean change of the expected sky an hour; NaN where it is one constant."""
    if not np.isfinite(log_sky).all() or np.ptp(hours) < 0.5 or np.ptp(log_sky) == 0:
        return NAN
    return float(np.polyfit(hours - hours.mean(), log_sky, 1)[0])


def _hours(frames: Sequence[Frame]) -> np.ndarray:
    """Hours since the first frame; by running number where a clock is missing."""
    times = [f.facts.mid_unix or f.facts.start_unix for f in frames]
    if any(t is None for t in times):
        return np.arange(len(frames)) * (frames[0].facts.exposure_s or 60.0) / 3600
    return (np.array(times) - min(times)) / 3600


def _width(frame: Frame) -> float:
    """FWHM, px, of a frame whose stars have the form a width speaks of."""
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
            return np.interp(hours, hours[known], values[known]), unit
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
