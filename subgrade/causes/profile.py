"""What the stacked star image says about the motion that blurred it.

Independent motion adds its cumulants to those of the star, so the difference of the
long and the narrow axis's cumulants is the motion's own: variance, skewness, excess
kurtosis.  Box (steady creep) -1.2, arcsine (swing) -1.5, a knock that settles
positive and skewed.  [Derived; additivity of cumulants is textbook statistics.]
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.stars.model import FrameStars, StarImage

TOTAL_KURTOSIS_ERROR = 0.1
"""One sigma of the star's own excess kurtosis, long minus narrow axis; measured on
rendered stars of S/N 500 and more."""


@dataclass(frozen=True, slots=True)
class StarProfile:
    """Numbers of one star image.

    Attributes
    ----------
    wings : float
        Width at a fifth of the peak over width at half, round-averaged; 1.52 for a
        Gaussian, larger for wider wings, smaller for a flat, defocused core.
    motion_variance : float
        Variance of the motion along the long axis, px^2.
    motion_kurtosis, motion_kurtosis_error : float
        Excess kurtosis of the motion and one sigma.
    motion_skewness : float
        Size of the skewness of the motion.
    """

    wings: float
    motion_variance: float
    motion_kurtosis: float
    motion_kurtosis_error: float
    motion_skewness: float


def star_profile(stars: FrameStars) -> StarProfile | None:
    """Profile numbers of a frame, None where it has no star image."""
    image = stars.star_image
    if image is None or image.stars_used < 1 or not np.isfinite(stars.fwhm_px):
        return None
    wings = wing_ratio(image)
    if not np.isfinite(stars.angle_deg):
        return StarProfile(wings, *([float("nan")] * 4))
    return StarProfile(wings, *motion_cumulants(image, stars.angle_deg, stars.fwhm_px))


def wing_ratio(image: StarImage) -> float:
    """Width at a fifth of the peak over width at half of it, from encircled pixel counts.

    The area above a level is the area of its contour, so this needs no centre and
    holds for oval stars too.
    """
    peak = float(image.image.max())
    if not peak > 0:
        return float("nan")
    half = _area_above(image.image, 0.5 * peak)
    fifth = _area_above(image.image, 0.2 * peak)
    return float(np.sqrt(fifth / half)) if half > 0 else float("nan")


def motion_cumulants(
    image: StarImage, angle_deg: float, fwhm_px: float
) -> tuple[float, float, float, float]:
    """Variance, excess kurtosis, its error and skewness of the motion along the long axis.

    Parameters
    ----------
    image : StarImage
    angle_deg : float
        Long axis, counter-clockwise from +x.
    fwhm_px : float
        Sets the window, 2.5 FWHM in radius, so wings and noise do not rule.

    Returns
    -------
    variance, kurtosis, kurtosis_error, skewness : float
        NaN kurtosis and skewness where the long axis is not longer than the other.
    """
    n = image.image.shape[0]
    grid = (np.arange(n) - (n - 1) / 2) * image.step_px
    x, y = np.meshgrid(grid, grid)
    angle = np.radians(angle_deg)
    along = x * np.cos(angle) + y * np.sin(angle)
    across = -x * np.sin(angle) + y * np.cos(angle)
    weight = np.where(np.hypot(x, y) <= 2.5 * fwhm_px, image.image, 0.0).astype(float)
    long, narrow = _cumulants(along, weight), _cumulants(across, weight)
    variance = long[0] - narrow[0]
    if not variance > 0:
        return float(max(variance, 0.0)), *([float("nan")] * 3)
    dilution = (long[0] / variance) ** 2
    kurtosis = (long[2] - narrow[2]) / variance**2
    skewness = abs(long[1]) / variance**1.5
    return float(variance), float(kurtosis), float(TOTAL_KURTOSIS_ERROR * dilution), float(skewness)


def _area_above(image: np.ndarray, level: float) -> float:
    """Elements above a level, the border counted by linear interpolation."""
    gradient = np.hypot(*np.gradient(image.astype(float)))
    near = np.maximum(gradient, 1e-6)
    return float(np.clip((image - level) / near + 0.5, 0.0, 1.0).sum())


def _cumulants(u: np.ndarray, weight: np.ndarray) -> tuple[float, float, float]:
    """Second, third and fourth cumulant of coordinate u under a weight."""
    total = weight.sum()
    d = u - (weight * u).sum() / total
    second = (weight * d**2).sum() / total
    third = (weight * d**3).sum() / total
    fourth = (weight * d**4).sum() / total - 3.0 * second**2
    return second, third, fourth
