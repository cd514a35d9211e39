"""Light thrown out of the star's core along its long axis, straight from the star image.

A gust or a step that lasts a tenth of the exposure leaves the core's second moments
almost as they were, yet throws light where no star should have any.  The narrow axis is
the reference: what lies beyond one narrow-axis FWHM along the long axis, less what lies
as far out across it, is the share that motion moved.  Wide wings, focus and seeing reach
as far both ways and cancel.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from subgrade.stars.model import FrameStars, StarImage

REACH = 3.0
"""Radius of the light looked at, in narrow-axis FWHM."""
SPIKE = 0.2
"""Share of the image's peak by which an element stands out alone; no source."""


def stray_light(stars: FrameStars) -> float:
    """Share of the star's light that motion threw beyond one FWHM along the long axis.

    Parameters
    ----------
    stars : FrameStars

    Returns
    -------
    float
        NaN without a star image or a measured shape.  0 for a round star.

    Notes
    -----
    An elliptical Gaussian of axis ratio q has 2 (Phi(-2.355 q) - Phi(-2.355)) of it, Phi
    the normal integral: 0.031 at eccentricity 0.55, 0.055 at 0.65 [derived].
    """
    image, fwhm = stars.star_image, stars.fwhm_minor_px
    if image is None or stars.shape_status != "measured" or not fwhm > 0:
        return float("nan")
    if not np.isfinite(stars.angle_deg):
        return 0.0
    image = without_spikes(image)
    x, y = _from_core(image, fwhm)
    inside = np.hypot(x, y) < min(REACH * fwhm, (image.image.shape[0] / 2 - 1) * image.step_px)
    value = np.where(inside, image.image.astype(float), 0.0)
    angle = np.radians(stars.angle_deg)
    along = np.abs(x * np.cos(angle) + y * np.sin(angle))
    across = np.abs(y * np.cos(angle) - x * np.sin(angle))
    beyond = [np.clip((far - fwhm) / image.step_px + 0.5, 0.0, 1.0) for far in (along, across)]
    return float(np.sum((beyond[0] - beyond[1]) * value) / value.sum())


def without_spikes(image: StarImage) -> StarImage:
    """The image without single elements that stand far above those round them.

    A star spreads over several elements each way, so such an element is a cosmic ray, or one that
    few stars reached.
    """
    value = image.image.astype(float)
    # A median of nine by numpy: scipy.ndimage would load at every start.
    near = sliding_window_view(np.pad(value, 1, mode="edge"), (3, 3))
    around = np.median(near.reshape(*value.shape, 9), axis=-1)
    spike = value > 2 * np.maximum(around, 0.0) + SPIKE
    return replace(image, image=np.where(spike, around, value)) if spike.any() else image


def _from_core(image: StarImage, fwhm: float) -> tuple[np.ndarray, np.ndarray]:
    """Offsets of every element from the core's centroid, px."""
    value = np.clip(image.image.astype(float), 0.0, None)
    row, column = np.unravel_index(int(np.argmax(value)), value.shape)
    y, x = np.mgrid[: value.shape[0], : value.shape[1]].astype(float)
    sigma = 0.42 * fwhm / image.step_px
    for _ in range(8):
        weight = value * np.exp(-0.5 * ((x - column) ** 2 + (y - row) ** 2) / sigma**2)
        whole = weight.sum()
        # A Gaussian weight as wide as the star halves every step; 1.4 makes up for some of it.
        column += 1.4 * float((weight * (x - column)).sum() / whole)
        row += 1.4 * float((weight * (y - row)).sum() / whole)
    return (x - column) * image.step_px, (y - row) * image.step_px
