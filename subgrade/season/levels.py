"""One level a series and one brightness a star, solved for together, with errors of the levels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.robust import mad_sigma
from subgrade.season.placing import Placed
from subgrade.season.star_lists import ClearStars

SOUND_SNR = 15.0
"""Expected S/N from which a star is compared: fainter ones are listed when they were lucky."""
FEWEST_STARS = 8
"""A series that shares fewer bright stars is compared by what it has (as within a night)."""
LEAST_FREE = 1e-3
"""Of a sighting that all but makes its star's brightness no residual is left to see."""
BRIGHT_SHARE = 0.3
"""The brightest of the stars show what scatter the sky's noise does not explain."""


@dataclass(frozen=True, slots=True)
class Levels:
    """How bright each series records its stars, natural log.

    Attributes
    ----------
    level, error : ndarray, shape (series,)
        Against the mean of all, and one sigma from the stars; NaN for one that shares none.
    scatter : float
        Of a bright star's ratio between two series beyond the sky's noise, relative.
    """

    level: np.ndarray
    error: np.ndarray
    scatter: float = float("nan")


@dataclass(frozen=True, slots=True)
class _Sightings:
    """Stars that two series or more show; arrays of one length."""

    series: np.ndarray
    star: np.ndarray
    flux: np.ndarray
    sigma: np.ndarray

    @classmethod
    def of(cls, lists: Sequence[ClearStars], placed: Sequence[Placed], ks: list[int]) -> _Sightings:
        star = np.concatenate([placed[k].star for k in ks])
        seen = np.bincount(star)[star] > 1
        columns = (
            np.concatenate([np.full(len(placed[k].star), k) for k in ks]),
            star,
            np.concatenate([lists[k].flux for k in ks]),
            np.concatenate([lists[k].error for k in ks]),
        )
        return cls(*(column[seen] for column in columns))


def common_levels(lists: Sequence[ClearStars | None], placed: Sequence[Placed | None]) -> Levels:
    """Solve for the levels of all series that are placed.

    Parameters
    ----------
    lists : sequence of ClearStars or None
    placed : sequence of Placed or None
    """
    from subgrade.night import solve_zero_points

    count = len(lists)
    ks = [k for k in range(count) if placed[k] is not None]
    if len(ks) < 2:
        alone = np.array([0.0 if k in ks else np.nan for k in range(count)])
        return Levels(alone, alone.copy())
    found = _Sightings.of(lists, placed, ks)
    noise = np.array([np.median(s.error) if s is not None else np.nan for s in lists])
    stars = int(found.star.max()) + 1 if len(found.star) else 0
    snr = found.flux / found.sigma
    for _ in range(3):
        use = snr >= SOUND_SNR
        use |= (np.bincount(found.series[use], minlength=count) < FEWEST_STARS)[found.series]
        variance = 1 / np.maximum(snr, 1.0) ** 2
        # the mean logarithm of a noisy flux lies half its relative variance low
        value = np.log(found.flux) + np.where(snr > 4, 0.5 * variance, 0.0)
        series, star, value, variance = (
            v[use] for v in (found.series, found.star, value, variance)
        )
        solved = solve_zero_points(series, star, value, variance, count, stars)
        # chosen and weighted from here on by the S/N that a star should have
        level = solved.frame[found.series] + solved.star[found.star]
        expected = np.exp(level) / noise[found.series]
        snr = np.where(np.isfinite(expected), expected, found.flux / found.sigma)
    residual = value - solved.frame[series] - solved.star[star]
    return _with_errors(solved, series, star, residual, variance)


def _with_errors(solved, series, star, residual, variance) -> Levels:
    """Errors that the scatter of the residuals supports, where that is more than was solved with.

    A sighting holds its share h of what its star's brightness was taken from. Its residual is
    1 - h of its distance from the others', and has 1 - h of its own variance.
    """
    weight = 1 / (variance + solved.floor**2 + solved.frame_extra[series] ** 2)
    free = 1 - weight / np.bincount(star, weight)[star]
    known = np.isfinite(residual) & (free > LEAST_FREE)
    residual, free = np.where(known, residual, 0.0), np.where(known, free, 1.0)
    error = solved.frame_error.copy()
    for k in np.unique(series[known]):
        mine = known & (series == k)
        if mine.sum() > 2:
            effective = weight[mine].sum() ** 2 / (weight[mine] ** 2).sum()
            scatter = mad_sigma((residual / np.sqrt(free))[mine])
            error[k] = max(error[k], scatter / np.sqrt(effective))
    if not known.any():
        return Levels(solved.frame, error)
    bright = known & (variance <= np.quantile(variance[known], BRIGHT_SHARE))
    # distance from the others: two sightings' noise
    excess = mad_sigma((residual / free)[bright]) ** 2 - 2 * np.median(variance[bright])
    return Levels(solved.frame, error, float(np.sqrt(max(excess, 0.0))))
