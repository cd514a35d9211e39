"""Light between two images of a star: a jump leaves none, a slip draws a line across.

A telescope that was bumped, or that finished a late dither, is off its place for a second
or two; one whose tracking was lost walks, and leaves part of the light on the way.
"""

from __future__ import annotations

import math

import numpy as np

from subgrade.axes import axial_difference
from subgrade.figures import figure
from subgrade.judging.evidence import clue
from subgrade.judging.features import LIGHT_BETWEEN, STEP_SIZE, STRETCH_TO_SECOND
from subgrade.judging.model import Evidence
from subgrade.stars.model import FrameStars, StarImage

WALKED = [0.02, 0.07, 0.15, 0.3]
"""Shares of light between the images at which the points below are given; no source."""
FOR_A_WALK = [-1.5, 0.0, 2.0, 3.5]
LARGE_BUMP_ARCSEC = (25.0, 60.0)
"""Steps from which a bump is less and less likely; common practice, no source."""


def unaccounted(share: float, ratio: float) -> list[Evidence]:
    """Light that is in neither image, from matched stars and the second image.

    Parameters
    ----------
    share : float
        Starlight at the stars' places, of the clear level.
    ratio : float
        Brightness of the second image over the first.
    """
    missing = 1.0 - share * (1.0 + ratio)
    if not math.isfinite(missing):
        return []
    text = (
        f"{figure(100 * share * (1 + ratio), '%')} of the light is in the two images, "
        f"{figure(100 * max(missing, 0.0), '%')} elsewhere"
    )
    return _of_walk(missing, text)


def between(stars: FrameStars) -> list[Evidence]:
    """Light on the line between the two images of a doubled star, from the star image."""
    share = share_between(stars.star_image, stars.angle_deg, stars.length_px, stars.fwhm_minor_px)
    if not math.isfinite(share):
        return []
    text = f"{figure(100 * max(share, 0.0), '%')} of the light lies between the two images"
    return _of_walk(share, text)


def share_between(image: StarImage | None, angle_deg, length_px, fwhm_px) -> float:
    """Share of a double star image's light on the line between its two parts.

    Parameters
    ----------
    image : StarImage or None
    angle_deg, length_px : float
        Direction and distance of the two images.
    fwhm_px : float
        Width across.

    Returns
    -------
    float
        Light more than 1.4 FWHM from both images and within one of the line joining them,
        less what lies as far out on their other sides; NaN where they are too close for
        that (under 4 FWHM).
    """
    known = image is not None and np.isfinite([angle_deg, length_px, fwhm_px]).all()
    if not known or length_px < 4 * fwhm_px:
        return float("nan")
    n, value = image.image.shape[0], image.image.astype(float)
    grid = (np.arange(n) - (n - 1) / 2) * image.step_px
    x, y = np.meshgrid(grid, grid)
    angle = math.radians(angle_deg)
    along = x * math.cos(angle) + y * math.sin(angle)
    across = y * math.cos(angle) - x * math.sin(angle)
    band = np.abs(across) < fwhm_px
    profile = np.bincount(
        np.rint((along[band] - along.min()) / image.step_px).astype(int), value[band]
    )
    place = along.min() + np.arange(profile.size) * image.step_px
    low, high = _two_peaks(profile, place, length_px, fwhm_px)
    gap = 1.4 * fwhm_px
    middle = (place > low + gap) & (place < high - gap)
    outside = ((place < low - gap) & (place > low - gap - 2 * fwhm_px)) | (
        (place > high + gap) & (place < high + gap + 2 * fwhm_px)
    )
    if not middle.any() or not outside.any():
        return float("nan")
    wings = float(np.mean(profile[outside])) * np.count_nonzero(middle)
    return float((profile[middle].sum() - max(wings, 0.0)) / profile.sum())


def drawn_out(stars: FrameStars, dx: float, dy: float) -> list[Evidence]:
    """Is the brighter image itself stretched towards the other, as a walk stretches it?

    Parameters
    ----------
    stars : FrameStars
    dx, dy : float
        From the star to its second image, px.
    """
    if not np.isfinite([stars.eccentricity, stars.angle_deg]).all():
        return []
    off = float(axial_difference(math.degrees(math.atan2(dy, dx)), stars.angle_deg))
    text = (
        f"the brighter image has eccentricity {figure(stars.eccentricity)}, its long axis "
        f"{figure(off, '°')} from the direction of the fainter image"
    )
    if off > 25:
        return []
    points = float(np.interp(stars.eccentricity, [0.25, 0.4, 0.6], [-0.5, 0.5, 2.0]))
    return [
        clue(word, STRETCH_TO_SECOND, value, text, value=stars.eccentricity)
        for word, value in (("tracking_lost", points), ("bump", -0.5 * points))
    ]


def large_step(length_arcsec: float) -> list[Evidence]:
    """A bump moves the telescope some arcseconds; what goes further has come loose."""
    if not math.isfinite(length_arcsec):
        return []
    points = float(np.interp(length_arcsec, LARGE_BUMP_ARCSEC, [0.0, 2.0]))
    text = f"the two images are {figure(length_arcsec, '″')} apart"
    if not points:
        return []
    return [
        clue(
            "tracking_lost",
            STEP_SIZE,
            points,
            text,
            value=length_arcsec,
            limit=LARGE_BUMP_ARCSEC[0],
        )
    ]


def _of_walk(share: float, text: str) -> list[Evidence]:
    points = float(np.interp(share, WALKED, FOR_A_WALK))
    return [
        clue(word, LIGHT_BETWEEN, value, text, value=share)
        for word, value in (("tracking_lost", points), ("bump", -0.5 * points))
    ]


def _two_peaks(profile, place, length_px: float, fwhm_px: float) -> tuple[float, float]:
    """Where along the line the two images lie: the pair so far apart that holds most light."""
    step = place[1] - place[0]
    reach = max(1, round(0.5 * fwhm_px / step))
    held = np.convolve(profile, np.ones(2 * reach + 1), mode="same")
    shift = max(1, round(length_px / step))
    if shift >= held.size:
        return float("nan"), float("nan")
    k = int(np.argmax(held[:-shift] + held[shift:]))
    return float(place[k]), float(place[k + shift])
