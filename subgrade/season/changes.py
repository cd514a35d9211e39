"""When a quantity that was measured night by night changed: one level, steps, or a trend.

A night's value scatters about its level by its own error and by a night-to-night scatter common
to all nights, which is estimated with the levels (Paule & Mandel 1982, J. Res. NBS 87, 377).  Of
few nights that estimate is poor: the stated errors count as `PRIOR_NIGHTS` nights that scattered
as they state, and a step is held against Fisher's law of as many degrees of freedom.  How often
that raises a false alarm and how large a step it finds: docs/nights-over-time.md.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from subgrade.constants import MAD_TO_SIGMA

NAN = float("nan")
PRIOR_NIGHTS = 4.0
"""Nights' worth of belief in the stated errors: a choice.  Between two nights 5.6 sigma are then
a change, of a vector 7.3."""
TAIL = 4.0
"""Degrees of freedom of one night's error, which has heavier tails than a Gaussian: a choice."""
FALSE_ALARM = 0.005
"""Probability that chance makes a step, all nights it could stand between counted: a choice."""
MOST_STEPS = 6
"""Steps looked for in one quantity; more of them are scatter: a choice."""
FEWEST_FOR_TREND = 5
"""Nights from which a steady trend is sought: a choice."""
HALVINGS = 20
"""Of twelve powers of ten, in which the scatter's square is sought: good to 0.01%."""
ROUNDING = 1e-6
"""Of the largest value: no number is known better than it was written."""
MORE_THAN_ERRORS = 1e-3
"""Probability below which the nights scatter by more than their errors: a choice."""


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels of a quantity of d coordinates between its steps.

    Attributes
    ----------
    first : ndarray of int, shape (k,)
        First night of each stretch.
    mean, error : ndarray, shape (k, d)
        Level of each stretch, one sigma.
    scatter : float
        Night-to-night scatter beyond the errors, one sigma a coordinate; NaN where too few
        nights show it.
    sigma, chance : ndarray, shape (k - 1,)
        Each step over its error, and the probability that chance makes one as large.
    slope, slope_error : float
        Of a steady trend per unit of x, where that describes the nights better; else NaN.
    excess : bool
        Whether the nights scatter about one level by more than their errors.
    """

    first: np.ndarray
    mean: np.ndarray
    error: np.ndarray
    scatter: float
    sigma: np.ndarray
    chance: np.ndarray
    slope: float = NAN
    slope_error: float = NAN
    excess: bool = False


def levels_of(
    value: np.ndarray, error: np.ndarray, x: np.ndarray | None = None, steady: bool = True
) -> Levels:
    """The levels that describe a quantity over the nights.

    Parameters
    ----------
    value : ndarray, shape (n,) or (n, d)
        One row a night, in order of time; finite.
    error : ndarray, like ``value``
        One sigma; NaN where unknown, which takes the median of the others.
    x : ndarray, shape (n,), optional
        When, for a trend of a single coordinate; none is sought without.
    steady : bool
        Whether the quantity stays the same from night to night unless something was changed, as
        a mount does and the sky does not: only then a few nights' errors can show a step.

    Returns
    -------
    Levels
        With the most steps all of which are significant.
    """
    value = np.asarray(value, float).reshape(len(value), -1)
    error, prior = _filled(np.asarray(error, float).reshape(value.shape), steady)
    error = np.maximum(error, ROUNDING * np.abs(value).max(initial=0.0))
    best = _described(value, error, np.array([0]), prior)
    for first in _partitions(value, error):
        found = _described(value, error, first, prior)
        if (found.chance < FALSE_ALARM).all():
            best = found
    trend = _trend(value, error, x, prior) if x is not None and value.shape[1] == 1 else None
    if trend is not None and trend[3] < _criterion(value, error, best):
        one = _described(value, error, np.array([0]), prior)
        best = replace(one, scatter=trend[2], slope=trend[0], slope_error=trend[1])
    return replace(best, excess=_excess(value, error))


def weighted_mean(value: np.ndarray, error: np.ndarray) -> tuple[float, float, float]:
    """Mean of nights that scatter by more than their errors, its error, and that scatter.

    Parameters
    ----------
    value, error : ndarray, shape (n,)
        As for `levels_of`; not empty.
    """
    value = np.asarray(value, float)[:, None]
    error, prior = _filled(np.asarray(error, float)[:, None], False)
    one = _described(value, error, np.array([0]), prior)
    return float(one.mean[0, 0]), float(one.error[0, 0]), one.scatter


def chance_of(sigma: float, freedom: float, coordinates: int = 1) -> float:
    """Probability of a difference of so many of its errors, which are known to a factor.

    Fisher's law of d and ``d * freedom`` degrees of freedom; Student's for one coordinate.
    """
    from scipy.special import fdtrc

    if not freedom > 0:
        return 1.0
    return float(fdtrc(coordinates, coordinates * freedom, sigma**2 / coordinates))


def _filled(error: np.ndarray, steady: bool) -> tuple[np.ndarray, float]:
    """Errors without gaps, and how many nights' worth of belief they carry."""
    known = np.isfinite(error)
    if not known.any():
        return np.zeros(error.shape), 0.0
    return np.where(known, error, np.median(error[known])), PRIOR_NIGHTS * steady


def _described(value, error, first, prior) -> Levels:
    """Means of given stretches, the scatter about them and the significance of each step."""
    n, d = value.shape
    scatter = _scatter(value, error, first, prior) if prior + n > len(first) else NAN
    free = n - len(first) + prior * _belief(_own(error), np.nan_to_num(scatter) ** 2)
    mean, variance = _means(value, error**2 + np.nan_to_num(scatter) ** 2, first)
    step = np.diff(mean, axis=0)
    both = variance[1:] + variance[:-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        sigma = np.sqrt(np.sum(step**2 / both, axis=1))
    count = np.diff(np.append(first, n))
    fewer = np.minimum(count[1:], count[:-1])
    chance = [
        min(1.0, (n - 1) * chance_of(s, min(free, TAIL * m / d), d)) if np.isfinite(s) else 1.0
        for s, m in zip(sigma, fewer, strict=True)
    ]
    known = scatter if n > len(first) else NAN
    return Levels(first, mean, np.sqrt(variance), known, sigma, np.array(chance))


def _means(value, variance, first) -> tuple[np.ndarray, np.ndarray]:
    """Weighted means of the stretches and their variance, shape (k, d)."""
    weight = 1.0 / np.maximum(variance, 1e-300)
    total, sums = (np.add.reduceat(v, first, axis=0) for v in (weight, weight * value))
    return sums / total, 1.0 / total


def _scatter(value, error, first, prior) -> float:
    """Scatter beyond the errors that makes chi^2 about the means what it should be."""
    n, d = value.shape
    stretch = np.repeat(np.arange(len(first)), np.diff(np.append(first, n)))
    own = _own(error)

    def left(extra: float) -> float:
        variance = np.maximum(error**2 + extra, 1e-300)
        mean, _ = _means(value, variance, first)
        chi2 = float(np.sum((value - mean[stretch]) ** 2 / variance))
        return chi2 - d * (n - len(first) + _pull(own, extra, prior))

    return float(np.sqrt(_where_it_falls(left, float(np.sum(np.ptp(value, axis=0) ** 2)))))


def _where_it_falls(left, high: float) -> float:
    """Extra variance from 0 to ``high`` at which a falling function is 0; 0 where it is below."""
    low = high * 1e-12
    if not high > 0.0 or left(low) <= 0.0:
        return 0.0
    for _ in range(HALVINGS):  # on a scale of powers
        middle = np.sqrt(low * high)
        low, high = (middle, high) if left(middle) > 0.0 else (low, middle)
    return float(np.sqrt(low * high))


def _own(error) -> float:
    """Variance of a typical night by its error."""
    return float(np.median(error) ** 2)


def _belief(own: float, extra: float) -> float:
    """What is left of the belief in the errors, 0..1, when so much variance comes on top."""
    return own / (own + extra) if own + extra > 0 else 0.0


def _pull(own: float, extra: float, prior: float) -> float:
    """By how much the nights' worth of belief hold the scatter down, in degrees of freedom."""
    belief = _belief(own, extra)
    return prior * belief * (1.0 - belief)


def _partitions(value, error) -> Iterator[np.ndarray]:
    """The best partition into two stretches, into three and so on: first night of each.

    Least weighted sum of squares by dynamic programming (Bellman 1961, CACM 4, 284).
    """
    n = len(value)
    step = np.abs(np.diff(value, axis=0))
    between = (MAD_TO_SIGMA * np.median(step, axis=0)) ** 2 / 2.0 if n > 2 else 0.0
    weight = 1.0 / np.maximum(np.maximum(error**2, between), 1e-300)
    cost = _costs(value - np.median(value, axis=0), weight / weight.max())
    best, came = [cost[0]], []
    for _ in range(min(MOST_STEPS, max(n // 2, 1)) if n > 1 else 0):
        # stretch k starts at i and ends before j
        total = best[-1][:, None] + np.vstack([cost[1:], np.full(n, np.inf)])
        came.append(total.argmin(axis=0))
        best.append(total.min(axis=0))
        first, at = [], n - 1
        for back in reversed(came):
            at = int(back[at])
            first.append(at + 1)
        if np.isfinite(best[-1][-1]):
            yield np.array([0, *reversed(first)])


def _costs(value, weight) -> np.ndarray:
    """Weighted sum of squares about the mean of nights i to j, [i, j]; infinite for j < i."""
    n = len(value)
    sums = [
        np.vstack([np.zeros(value.shape[1]), np.cumsum(weight * value**p, axis=0)])
        for p in (0, 1, 2)
    ]
    s0, s1, s2 = (s[None, 1:] - s[:-1, None] for s in sums)
    with np.errstate(divide="ignore", invalid="ignore"):
        cost = np.maximum(np.sum(s2 - s1**2 / s0, axis=2), 0.0)
    return np.where(np.tri(n, k=-1, dtype=bool), np.inf, cost)


def _trend(value, error, x, prior):
    """Slope, its error, scatter about the line and criterion; None where not significant."""
    n = len(value)
    if n < FEWEST_FOR_TREND or not np.ptp(x) > 0:
        return None
    y, e, own = value[:, 0], error[:, 0], _own(error)

    def fit(extra: float):
        variance = np.maximum(e**2 + extra, 1e-300)
        weight = 1.0 / variance
        t = x - weight @ x / weight.sum()
        spread = float(weight @ t**2)
        slope = float(weight @ (t * y)) / spread
        return slope, spread, y - weight @ y / weight.sum() - slope * t, variance

    def left(extra: float) -> float:
        _, _, rest, variance = fit(extra)
        return float(np.sum(rest**2 / variance)) - (n - 2 + _pull(own, extra, prior))

    extra = _where_it_falls(left, float(np.ptp(y)) ** 2)
    slope, spread, rest, variance = fit(extra)
    slope_error = spread**-0.5
    if chance_of(slope / slope_error, n - 2 + prior * _belief(own, extra)) > FALSE_ALARM:
        return None
    return slope, slope_error, float(np.sqrt(extra)), _penalised(rest, variance, 2)


def _criterion(value, error, levels: Levels) -> float:
    count = np.diff(np.append(levels.first, len(value)))
    rest = value - np.repeat(levels.mean, count, axis=0)
    variance = np.maximum(error**2 + np.nan_to_num(levels.scatter) ** 2, 1e-300)
    return _penalised(rest, variance, 2 * len(levels.first) - 1)


def _penalised(rest, variance, parameters: int) -> float:
    """Bayesian information criterion (Schwarz 1978, Ann. Stat. 6, 461) of a Gaussian model."""
    return float(np.sum(rest**2 / variance + np.log(variance))) + parameters * np.log(len(rest))


def _excess(value, error) -> bool:
    """Whether chi^2 about the one level is too large for the errors."""
    from scipy.special import chdtrc

    n, d = value.shape
    if n < 2 or not (error > 0).all():
        return False
    mean, _ = _means(value, error**2, np.zeros(1, int))
    chi2 = float(np.sum((value - mean[0]) ** 2 / error**2))
    return bool(chdtrc(d * (n - 1), chi2) < MORE_THAN_ERRORS)
