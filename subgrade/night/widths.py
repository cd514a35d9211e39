"""How wide a frame's stars should be, had nothing gone wrong.

``ln FWHM = level(side of the pier) + 0.6 ln X + slope u``: turbulent air widens
stars as airmass^0.6 (Kolmogorov; Fried 1966, JOSA 56, 1372, from memory; less where
optics dilute it), and the focus drifts with a slow quantity u.  A term is kept only
where the frames prove it.

Bad frames only ever widen stars, and most frames may be bad.  So the
level is the lowest place where frames crowd, a slope is the one that gathers most
frames there, and only then least squares sharpens both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.night.clear_level import clear_level
from subgrade.night.model import NAN
from subgrade.night.usual_values import shorth_sigma
from subgrade.robust import scatter

AIRMASS_EXPONENT = 0.6
DILUTED = (0.4, 0.2)
"""What is left of it where optics and pixels add a share that airmass does not widen."""
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
level as a constant; by trial on made-up nights with most frames bad."""


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
        0.6; less where the widths plainly follow the airmass less, 0 where not at all or
        where it is unknown.
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
    log_x = np.zeros(len(log_width)) if airmass is None else np.log(airmass)
    best, most = None, -np.inf
    for exponent in (0.0,) if airmass is None else (AIRMASS_EXPONENT, *DILUTED, 0.0):
        fit = _best_fit(log_width, exponent, log_x, slow, side, good)
        gathered = _soft_count(log_width - fit.expected, good)
        # Less than 0.6 has to be plain; between the rest it does not matter much.
        if best is None or gathered > (
            1.1 * most + 1 if best.exponent == AIRMASS_EXPONENT else most
        ):
            best, most = fit, gathered
    return best


def _best_fit(
    y: np.ndarray,
    exponent: float,
    log_x: np.ndarray,
    slow: np.ndarray | None,
    side: np.ndarray,
    good: np.ndarray,
) -> WidthFit:
    """The model with a slope and a side offset where they are proved, else without."""
    air = exponent * log_x
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
            holds = u is None or (
                _slope_holds(line, slow, good)
                and not _is_airmass(line.slope * slow, exponent, log_x, good)
            )
            holds &= sides is one_side or _offset_holds(line, side)
            # A line through scattered bad frames gathers hardly more than a level does.
            gathered = line.gathered / TERMS_MUST_GATHER[terms]
            if holds and gathered > most:
                best, most = line, gathered
    line = best.slope, best.slope_error, best.offset, best.scatter
    return WidthFit(best.expected + air, best.used, exponent, *line)


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


def _fit(y: np.ndarray, slow: np.ndarray | None, side: np.ndarray, good: np.ndarray) -> _Line:
    """Levels by side, with a slope where ``slow`` is given, from search to least squares."""
    start = 0.0
    if slow is not None:
        u = (slow - slow[good].mean()) / np.ptp(slow[good])
        start = max(
            np.arange(-STEEPEST, STEEPEST + 0.01, 0.02),
            key=lambda s: _soft_count(_off_level(y - s * u, side, good), good),
        )
    else:
        u = np.zeros(len(y))
    off = _off_level(y - start * u, side, good)
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


def _off_level(r: np.ndarray, side: np.ndarray, good: np.ndarray) -> np.ndarray:
    """Distance of every frame from its side's level; NaN where it has no width."""
    off = np.full(len(r), NAN)
    for s in np.unique(side[good]):
        mine = good & (side == s)
        off[mine] = r[mine] - low_crowd(r[mine])
    return off


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
    # Silverman's rule of thumb; bad frames, spread wide, must not blur the crowd of the others.
    width = np.clip(0.9 * spread * len(values) ** -0.2, 0.012, CROWD)
    grid = np.arange(values.min() - width, np.quantile(values, 0.9) + width, width / 2)
    density = np.exp(-0.5 * ((grid[:, None] - values[None, :]) / width) ** 2).sum(axis=1)
    inner = density[1:-1]
    tops = np.flatnonzero((inner >= density[:-2]) & (inner > density[2:])) + 1
    least = max(0.2 * density.max(), min(2.5, 0.3 * len(values)))
    tops = tops[density[tops] >= least]
    return float(grid[tops[0]] if len(tops) else grid[np.argmax(density)])


def _on_level(off: np.ndarray) -> tuple[np.ndarray, float]:
    """Tukey weights about the level, and the scatter below it, which can only be noise."""
    below = off[off <= 0]
    sigma = scatter(below, 0.0) if len(below) >= 3 else 0.0
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


def _is_airmass(trend: np.ndarray, exponent: float, log_x: np.ndarray, good: np.ndarray) -> bool:
    """Whether a slope stands for more or less airmass than the exponent takes."""
    # optics and pixels add a share that airmass does not widen; on a night that only sinks or only
    # rises it would pass for a drifting focus
    if not np.ptp(log_x[good]) > 0:
        return False
    alike = np.corrcoef(trend[good], log_x[good])[0, 1]
    return bool((alike > 0.9 and exponent < AIRMASS_EXPONENT) or (alike < -0.9 and exponent > 0))


def _proved(value: float, error: float) -> bool:
    return bool(np.isfinite(error) and abs(value) > SIGNIFICANT * error)


def _soft_count(off: np.ndarray, good: np.ndarray) -> float:
    return float(np.exp(-0.5 * (off[good] / CROWD) ** 2).sum())
