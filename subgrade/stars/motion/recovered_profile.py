"""The motion as the star image shows it, of no presumed kind: time spent at places on a line.

The image is a sum of still stars along the long axis; how much of each there is, is the
motion.  Shares cannot be negative and change smoothly; how smoothly, the image itself shows
(evidence of the smoothing, MacKay 1992, Neural Comput. 4, 415).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.stars.model import FrameStars
from subgrade.stars.motion.fit import WIDTHS, Fitter, Solved
from subgrade.stars.motion.folded_star import FoldedStar, fold
from subgrade.stars.motion.kinds import solve_motions

PLACES_PER_FWHM = 4.0
"""Finer places could not be distinguished through the star's width."""
BEYOND = 0.75
"""How far places go on beyond the fitted motion's ends, FWHM."""
DRAWS = 100
"""Random profiles from which the errors of the moments come."""


@dataclass(frozen=True, slots=True)
class MotionProfile:
    """How the exposure's time was spread along the long axis.

    Attributes
    ----------
    places_px : ndarray, shape (n,)
        Even steps of a quarter FWHM, from the motion's mean, towards ``angle_deg``.
    share, error : ndarray, shape (n,)
        Share of the time at each place, in all 1, and one sigma (with what smoothing
        may have hidden; neighbours are correlated).
    angle_deg : float
        Direction of the axis, counter-clockwise from +x, in [0, 180).
    rms_px, skewness, kurtosis : float
        Of the profile; excess kurtosis.  Least trustworthy in that order.
    rms_error_px, skewness_error, kurtosis_error : float
        One sigma.
    residual : float
        Rms of image minus model where the star is bright, of its peak.
    """

    places_px: np.ndarray
    share: np.ndarray
    error: np.ndarray
    angle_deg: float
    rms_px: float
    rms_error_px: float
    skewness: float
    skewness_error: float
    kurtosis: float
    kurtosis_error: float
    residual: float


def recover_profile(
    stars: FrameStars, still: tuple[float, float, float] | None = None
) -> MotionProfile | None:
    """Read the profile of the motion off a frame's star image.

    Parameters
    ----------
    stars : FrameStars
    still : (float, float, float), optional
        As for `weigh_motions`.

    Returns
    -------
    MotionProfile or None
        None where there is no image, no long axis, or no light that a motion could explain.

    Notes
    -----
    The still star is that of the likeliest kind of motion: its shape rests on the direction
    across, in which nothing moved, whichever kind it is.  Light farther out than the star
    image reaches (some 2.2 sigmas along and two more across) is not seen: a long faint tail
    reads too short.
    """
    star = fold(stars)
    if star is None:
        return None
    solved = solve_motions(star, still)
    places = _places(star, solved[0])
    matrix, data, weight, shown = _equations(star, solved[0], places)
    share, drawn, covariance = _smoothed(matrix, data, solved[0].chi2 / len(data))
    total = share.sum()
    if not total > 0:
        return None
    rest = (data - matrix @ share) / weight
    share, covariance = share / total, covariance / total**2
    moments = _moments(places, share)
    errors = [float(e) for e in _moment_errors(places, drawn, moments)]
    return MotionProfile(
        places - moments[0],
        share,
        np.sqrt(np.diag(covariance)),
        star.angle_deg,
        moments[1],
        errors[1],
        moments[2],
        errors[2],
        moments[3],
        errors[3],
        float(1.2533 * np.mean(np.abs(rest[shown]))),
    )


def _places(star: FoldedStar, solved: Solved) -> np.ndarray:
    """Even places around the fitted motion, as far as the image reaches."""
    mean, variance, _, _ = solved.family.moments(solved.parameters)
    middle = solved.centre + mean
    thrown = abs(solved.parameters[0]) if solved.family.sided else 0.0
    half = max(2.5 * math.sqrt(variance), thrown) + BEYOND * star.fwhm
    step = star.fwhm / PLACES_PER_FWHM
    n = int(np.ceil(half / step))
    places = middle + np.arange(-n, n + 1) * step
    edge = 0.5 * star.fwhm
    return places[(places > star.along[0] + edge) & (places < star.along[-1] - edge)]


def _equations(
    star: FoldedStar, solved: Solved, places: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Image in sigmas, sky taken off, as a matrix times the shares."""
    fitter = Fitter(star, (0.0, 1.0))
    n = len(WIDTHS)
    sigma = star.fwhm / FWHM_PER_SIGMA * WIDTHS
    wide = sigma * math.sqrt(1 + solved.stretch)
    off = (star.along[:, None] - places) / wide[:, None, None]
    height = solved.brightness[:n] / (wide * math.sqrt(2 * math.pi))
    lines = np.exp(-0.5 * off**2) * height[:, None, None]
    image = np.einsum("gup,gv->uvp", lines, fitter.cross).reshape(-1, len(places))
    matrix = image[fitter.inside] * fitter.weight[:, None]
    sky = solved.brightness[n] - solved.brightness[n + 1]
    shown = star.image.ravel()[fitter.inside] > 0.03
    return matrix, fitter.data - sky * fitter.weight, fitter.weight, shown


def _smoothed(
    matrix: np.ndarray, data: np.ndarray, chi2: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Shares, not negative, draws of them and their covariance, at the likeliest smoothing."""
    from scipy.optimize import nnls

    n = matrix.shape[1]
    noise = math.sqrt(max(chi2, 1.0))
    matrix, data = matrix / noise, data / noise
    # Second differences, with nothing beyond the ends.
    bend = 2 * np.eye(n) - np.eye(n, k=1) - np.eye(n, k=-1)
    normal, right, prior = matrix.T @ matrix, matrix.T @ data, bend.T @ bend
    log_prior = np.linalg.slogdet(prior)[1]
    best = None
    for strength in np.geomspace(1e0, 1e7, 22):
        whole = normal + strength * prior
        lower = np.linalg.cholesky(whole)
        share = nnls(lower.T, np.linalg.solve(lower, right))[0]
        rest, bent = data - matrix @ share, bend @ share
        evidence = -0.5 * (rest @ rest + strength * bent @ bent) + 0.5 * (
            n * math.log(strength) + log_prior - np.linalg.slogdet(whole)[1]
        )
        if best is None or evidence > best[0]:
            best = evidence, share, whole, lower
    _, share, whole, lower = best
    middle, rng = np.linalg.solve(lower, right), np.random.default_rng(0)
    # randomise, then optimise: Bardsley et al. 2014, SIAM J. Sci. Comput. 36, A1895; from memory
    drawn = [nnls(lower.T, middle + rng.standard_normal(n))[0] for _ in range(DRAWS)]
    return share, np.array(drawn), np.linalg.inv(whole)


def _moment_errors(
    places: np.ndarray, drawn: np.ndarray, moments: tuple[float, float, float, float]
) -> np.ndarray:
    """One sigma of mean, rms, skewness and excess kurtosis, from the draws and from the grid."""
    spread = np.array([_moments(places, d / d.sum()) for d in drawn if d.sum() > 0])
    noise = np.sqrt(np.mean((spread - moments) ** 2, axis=0))
    _, rms, skewness, kurtosis = moments
    # a place between two points is shown as both: up to a twelfth of a squared step of variance
    wider = (places[1] - places[0]) ** 2 / 12 / max(rms**2, 1e-12)
    grid = np.array([0.0, 0.5 * rms, 1.5 * skewness, 2.0 * kurtosis]) * wider
    return np.hypot(noise, grid)


def _moments(places: np.ndarray, share: np.ndarray) -> tuple[float, float, float, float]:
    """Mean, rms, skewness and excess kurtosis."""
    mean = float(share @ places)
    off = places - mean
    variance = float(share @ off**2)
    if not variance > 0:
        return mean, 0.0, 0.0, 0.0
    third, fourth = float(share @ off**3), float(share @ off**4)
    return mean, math.sqrt(variance), third / variance**1.5, fourth / variance**2 - 3
