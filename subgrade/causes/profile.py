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

SERIES_ERROR = 0.25
WINGS_ERROR = 0.015
"""One sigma of the motion's excess kurtosis: from cutting the series, and from cut wings
per squared dilution; measured on rendered boxes and swings (tests/test_causes_profile.py)."""


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
        Sets the highest frequency looked at.

    Returns
    -------
    variance, kurtosis, kurtosis_error, skewness : float
        NaN kurtosis and skewness where the long axis is not longer than the other.

    Notes
    -----
    The star's transform along the long axis over that along the narrow one is the
    motion's own, M(k), and the cumulants are the coefficients of

        ln |M| = -c2 k^2 / 2 + c4 k^4 / 24 - c6 k^6 / 720,   arg M = -c1 k + c3 k^3 / 6 - ...

    Taken from moments instead they would hang on the cut-off wings: with the wings of a
    Moffat profile cut at 2.5 FWHM a box reads -4 there.
    """
    n = image.image.shape[0]
    grid = (np.arange(n) - (n - 1) / 2) * image.step_px
    x, y = np.meshgrid(grid, grid)
    angle = np.radians(angle_deg)
    weight = np.where(np.hypot(x, y) <= grid[-1], image.image, 0.0).astype(float)
    weight /= weight.sum()
    k = np.linspace(0.0, 4.5 / fwhm_px, 41)[1:]
    long = _transform(x * np.cos(angle) + y * np.sin(angle), weight, k)
    narrow = _transform(-x * np.sin(angle) + y * np.cos(angle), weight, k)
    held = np.cumprod((np.abs(narrow) > 0.3) & (np.abs(long) > 0.12)).astype(bool)
    if held.sum() < 6:
        return 0.0, *([float("nan")] * 3)
    k, long, narrow = k[held], long[held], narrow[held]
    sure = np.abs(long)
    variance, fourth, _ = _fit(
        [-(k**2) / 2, k**4 / 24, -(k**6) / 720], np.log(sure / np.abs(narrow)), sure
    )
    if not variance > 0:
        return float(max(variance, 0.0)), *([float("nan")] * 3)
    _, third, _ = _fit([-k, k**3 / 6, -(k**5) / 120], np.unwrap(np.angle(long)), sure)
    # How diluted the motion is in the star: the core's variance, as the middle
    # frequency sees it, for the lowest ones see the wings.
    total = -2 * float(np.log(sure[len(k) // 2])) / k[len(k) // 2] ** 2
    error = np.hypot(SERIES_ERROR, WINGS_ERROR * (total / variance) ** 2)
    return (
        float(variance),
        float(fourth / variance**2),
        float(error),
        float(abs(third) / variance**1.5),
    )


def _area_above(image: np.ndarray, level: float) -> float:
    """Elements above a level, the border counted by linear interpolation."""
    gradient = np.hypot(*np.gradient(image.astype(float)))
    near = np.maximum(gradient, 1e-6)
    return float(np.clip((image - level) / near + 0.5, 0.0, 1.0).sum())


def _transform(u: np.ndarray, weight: np.ndarray, k: np.ndarray) -> np.ndarray:
    """Fourier transform of the image's projection on coordinate u."""
    return np.array([(weight * np.exp(-1j * q * u)).sum() for q in k])


def _fit(columns: list[np.ndarray], values: np.ndarray, sure: np.ndarray) -> np.ndarray:
    design = np.column_stack(columns) * sure[:, None]
    return np.linalg.lstsq(design, values * sure, rcond=None)[0]
