"""Second moments to axes, eccentricity and angle, and back.

Formulas: Bertin & Arnouts 1996, A&AS 117, 393 (A, B, theta from moments);
Bernstein & Jarvis 2002, AJ 123, 583 (distortion (a^2-b^2)/(a^2+b^2)).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def ellipse_from_moments(
    xx: float | np.ndarray, yy: float | np.ndarray, xy: float | np.ndarray
) -> tuple[float | np.ndarray, float | np.ndarray, float | np.ndarray]:
    """Axes and angle of the ellipse with the given second moments.

    Parameters
    ----------
    xx, yy, xy : float or ndarray
        Second moments, px^2.

    Returns
    -------
    a, b : float or ndarray
        One-sigma semi-axes, a >= b, px; b is 0 where the moments are degenerate.
    theta_deg : float or ndarray
        Long axis, counter-clockwise from +x, in [0, 180).
    """
    half_sum = 0.5 * (np.asarray(xx) + np.asarray(yy))
    half_difference = 0.5 * (np.asarray(xx) - np.asarray(yy))
    radius = np.hypot(half_difference, xy)
    a = np.sqrt(half_sum + radius)
    b = np.sqrt(np.maximum(half_sum - radius, 0.0))
    theta = np.degrees(0.5 * np.arctan2(2.0 * np.asarray(xy), 2.0 * half_difference)) % 180.0
    return a, b, np.where(theta >= 180.0, 0.0, theta)[()]


def moments_from_ellipse(
    a: float | np.ndarray, b: float | np.ndarray, theta_deg: float | np.ndarray
) -> tuple[float | np.ndarray, float | np.ndarray, float | np.ndarray]:
    """Second moments (xx, yy, xy), px^2, of an ellipse; inverse of `ellipse_from_moments`.

    Parameters
    ----------
    a, b : float or ndarray
        One-sigma semi-axes, px.
    theta_deg : float or ndarray
        Long axis, counter-clockwise from +x.
    """
    t = np.radians(theta_deg)
    c2, s2 = np.cos(t) ** 2, np.sin(t) ** 2
    xx = a**2 * c2 + b**2 * s2
    yy = a**2 * s2 + b**2 * c2
    return xx, yy, (a**2 - b**2) * np.sin(t) * np.cos(t)


def middle_moments(
    parts: np.ndarray, middle: np.ndarray | Sequence[float], least: float
) -> tuple[float, float, float]:
    """Medians of many stars' moments, or the star nearest to them where they fit no star.

    Medians of the components taken one by one need not belong to any star: of stars drawn
    out in different directions they can be the moments of no ellipse at all.

    Parameters
    ----------
    parts : ndarray, shape (3, n)
        The stars' (xx, yy, xy), px^2.
    middle : sequence of float
        Their medians.
    least : float
        Least determinant ``xx yy - xy^2`` that the medians may have.

    Returns
    -------
    tuple of float
        (xx, yy, xy), px^2.
    """
    middle = np.asarray(middle)
    if middle[0] * middle[1] - middle[2] ** 2 < least:
        away = ((parts - middle[:, None]) / (middle[0] + middle[1])) ** 2
        middle = parts[:, np.argmin(np.sum(away, axis=0))]
    return float(middle[0]), float(middle[1]), float(middle[2])


def distortion(
    xx: float | np.ndarray,
    yy: float | np.ndarray,
    xy: float | np.ndarray,
    component_error: float | np.ndarray = 0.0,
) -> float | np.ndarray:
    """Length of (xx - yy, 2 xy) / (xx + yy), with what noise adds to it taken out.

    Noise lengthens a vector.  Taking twice the variance of a component from the squared length
    (or once, Wardle & Kronberg 1974, ApJ 194, 249; from memory) leaves nothing of a third of all
    round stars, and no word of how round they are.  The estimate taken here is as free of bias
    from two standard errors on, and positive everywhere:
    p - s^2 (1 - exp(-p^2 / s^2)) / (2 p) for a length p with components that err by s (modified
    asymptotic estimator, Plaszczynski et al. 2014, MNRAS 439, 4048; from memory).

    Parameters
    ----------
    xx, yy, xy : float or ndarray
        Second moments, px^2.
    component_error : float or ndarray
        One sigma of (xx - yy)/2 and of xy, px^2.

    Returns
    -------
    float or ndarray
        In [0, 1].
    """
    half_sum = 0.5 * (np.asarray(xx) + np.asarray(yy))
    length = np.hypot(0.5 * (np.asarray(xx) - np.asarray(yy)), xy) / half_sum
    variance = (np.asarray(component_error) / half_sum) ** 2
    with np.errstate(all="ignore"):
        added = -variance * np.expm1(-(length**2) / variance) / (2.0 * length)
    added = np.where((variance > 0) & (length > 0), added, 0.0)
    return np.clip(length - added, 0.0, 1.0)[()]


def eccentricity_of(chi: float | np.ndarray) -> float | np.ndarray:
    """sqrt(1 - (b/a)^2) of a distortion chi = (a^2 - b^2)/(a^2 + b^2)."""
    chi = np.asarray(chi)
    return np.sqrt(2.0 * chi / (1.0 + chi))[()]


def eccentricity_error(
    chi: float | np.ndarray, chi_error: float | np.ndarray
) -> float | np.ndarray:
    """One standard error of an eccentricity.

    The root is steep near round, so that the way down to ``chi - chi_error`` is the longer one
    and is taken; an eccentricity whose distortion lies within its error errs by its own size.

    Parameters
    ----------
    chi, chi_error : float or ndarray
        Distortion, as of `distortion`, and its one sigma.

    Returns
    -------
    float or ndarray
        In [0, 1]; NaN where the error of the distortion is unknown.
    """
    low = np.maximum(np.asarray(chi) - np.minimum(chi_error, chi), 0.0)
    return (eccentricity_of(chi) - eccentricity_of(low))[()]


def eccentricity_from_moments(
    xx: float | np.ndarray,
    yy: float | np.ndarray,
    xy: float | np.ndarray,
    component_error: float | np.ndarray = 0.0,
) -> float | np.ndarray:
    """sqrt(1 - (b/a)^2), what noise adds taken out (see `distortion`).

    Parameters
    ----------
    xx, yy, xy : float or ndarray
        Second moments, px^2.
    component_error : float or ndarray
        One sigma of (xx - yy)/2 and of xy, px^2.

    Returns
    -------
    float or ndarray
        Eccentricity in [0, 1].
    """
    return eccentricity_of(distortion(xx, yy, xy, component_error))
