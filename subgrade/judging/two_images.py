"""Light between two images of a star: a jump leaves none, a slip draws a line across.

A telescope that was bumped, or that finished a late dither, is off its place for a second
or two; one whose tracking was lost walks, and leaves part of the light on the way.
"""

from __future__ import annotations

import math

import numpy as np

from subgrade.stars.model import FrameStars, StarImage


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


def brightness_at(stars: FrameStars, along: float) -> float:
    """Star image so far along its long axis from its peak, over the peak; NaN outside."""
    image = stars.star_image
    if image is None:
        return float("nan")
    row, column = np.unravel_index(int(np.argmax(image.image)), image.image.shape)
    angle, far = math.radians(stars.angle_deg), along / image.step_px
    x, y = round(column + far * math.cos(angle)), round(row + far * math.sin(angle))
    width = stars.fwhm_minor_px if np.isfinite(stars.fwhm_minor_px) else 0.0
    reach = max(1, round(0.3 * width / image.step_px))
    height, width = image.image.shape
    if not (reach <= x < width - reach and reach <= y < height - reach):
        return float("nan")
    spot = image.image[y - reach : y + reach + 1, x - reach : x + reach + 1]
    return float(spot.max() / image.image.max())
