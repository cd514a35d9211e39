"""The motion read off a frame's stars, drawn as the star it would make: blurred, not a diagram.

The typical star of the group, smeared by the inferred motion, looks like the frame's own star
where the inference is right.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from PIL import Image

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.memo import kept
from subgrade.report.drawings import LEAST_OVAL, as_image, picture_side
from subgrade.results import GradedFrame
from subgrade.stars.model import FrameStars, StarImage

MOST_STARS = 12
"""Frames whose stars make the typical one; more would not be distinguished."""
PER_STEP = 2
"""Places of the inferred motion are drawn so many times as closely as it was solved for."""


def typical_stars(frames: Sequence[GradedFrame], widths: Sequence[float]) -> list[StarImage | None]:
    """A group's typical star, one a group.

    Parameters
    ----------
    frames : sequence of GradedFrame
        Of all groups.
    widths : sequence of float
        The typical FWHM of each group, px; NaN where unknown.

    Returns
    -------
    list of StarImage or None
        The mean of the kept, rounder frames' stars nearest to that width; a round Gaussian of
        it where no kept frame is round enough; None where no width is known.
    """
    return [
        _typical(
            [
                f.stars
                for f in frames
                if f.compared is not None
                and f.compared.group == k
                and f.judgement.verdict == "keep"
                and f.stars is not None
            ],
            width,
        )
        for k, width in enumerate(widths)
    ]


def _typical(frames: Sequence[FrameStars], width: float) -> StarImage | None:
    if not (math.isfinite(width) and width > 0):
        return None
    round_ones = [s for s in frames if s.star_image is not None and s.eccentricity < LEAST_OVAL]
    nearest = sorted(round_ones, key=lambda s: abs(s.fwhm_px - width))[:MOST_STARS]
    if not nearest:
        return _gaussian(width)
    step = min(s.star_image.step_px for s in nearest)
    size = max(len(s.star_image.image) * s.star_image.step_px for s in nearest) / step
    size = round(size) | 1  # a middle element
    total = sum(_shifted(s.star_image, step, size, 0.0, 0.0) for s in nearest)
    return StarImage(
        (total / total.max()).astype(np.float32),
        step,
        sum(s.star_image.stars_used for s in nearest),
    )


def _gaussian(width: float) -> StarImage:
    step, half = width / 8.0, 32
    away = (np.arange(-half, half + 1) * step * FWHM_PER_SIGMA / width) ** 2
    return StarImage(np.exp(-0.5 * (away + away[:, None])).astype(np.float32), step, 0)


def _shifted(star: StarImage, step: float, size: int, dx: float, dy: float) -> np.ndarray:
    """A star moved by dx, dy (px, +y is up the rows) on a grid of so many steps; sky beyond it."""
    source = np.nan_to_num(np.asarray(star.image, np.float32), nan=0.0, posinf=0.0, neginf=0.0)
    margin = 2
    source = np.pad(source, margin)
    scale, half = step / star.step_px, size / 2.0
    middle = len(source) / 2.0
    # what stands at an element of the result, in elements of the source; both count from edges
    across = middle - (half * step + dx) / star.step_px
    up = middle - (half * step + dy) / star.step_px
    moved = Image.fromarray(source).transform(
        (size, size),
        Image.Transform.AFFINE,
        (scale, 0.0, across, 0.0, scale, up),
        Image.Resampling.BICUBIC,
    )
    return np.asarray(moved, np.float64)


def smeared(
    star: StarImage,
    places: Sequence[float],
    share: Sequence[float],
    angle_deg: float,
    step: float,
    size: int,
) -> StarImage:
    """A still star as a motion would draw it.

    Parameters
    ----------
    star : StarImage
    places, share : sequence of float
        Even places along the motion, px from its mean, and the share of the time at each.
    angle_deg : float
        Its direction, counter-clockwise from +x.
    step : float
        Sensor pixels an element of the image wanted.
    size : int
        Elements along its side.

    Returns
    -------
    StarImage
        Peak 1, the motion's mean in the middle.
    """
    fine = np.linspace(places[0], places[-1], PER_STEP * (len(places) - 1) + 1)
    weights = np.interp(fine, places, share)
    angle = math.radians(angle_deg)
    drawn = sum(
        weight * _shifted(star, step, size, place * math.cos(angle), place * math.sin(angle))
        for place, weight in zip(fine, weights, strict=True)
        if weight > 1e-3 * weights.max()
    )
    return StarImage((drawn / drawn.max()).astype(np.float32), step, star.stars_used)


def likeness(one: StarImage, other: StarImage) -> float:
    """Correlation of two star images of one step, over the smaller of them about the middle."""
    size = min(len(one.image), len(other.image))
    (a, b) = (_middle(star.image, size).ravel() for star in (one, other))
    return float(np.corrcoef(a, b)[0, 1])


def _middle(image: np.ndarray, size: int) -> np.ndarray:
    edge = (len(image) - size) // 2
    whole = np.nan_to_num(np.asarray(image, float), nan=0.0, posinf=0.0, neginf=0.0)
    return whole[edge : edge + size, edge : edge + size]


def smeared_picture(stars: FrameStars, typical: StarImage | None, motion: dict | None) -> dict:
    """The typical star with a frame's motion, as its own star is shown.

    Returns
    -------
    dict
        ``src``, ``width``, ``height``, ``field_px``, and ``likeness`` to the frame's own star,
        0 to 1; empty without motion or typical star.
    """
    if motion is None or typical is None or stars.star_image is None:
        return {}
    shape = tuple(motion["places"]), tuple(motion["share"]), motion["angle_deg"]
    depends = stars.star_image, typical, shape, stars.fwhm_px, stars.length_px
    return kept("smeared_stars", depends, lambda: _smeared_picture(*depends))


def _smeared_picture(
    own: StarImage,
    typical: StarImage,
    motion: tuple[tuple[float, ...], tuple[float, ...], float],
    fwhm_px: float,
    length_px: float,
) -> dict:
    drawn = smeared(typical, *motion, own.step_px, len(own.image))
    field = picture_side(own, fwhm_px, length_px) * own.step_px
    return _shown(drawn, field) | {"likeness": round(likeness(drawn, own), 3)}


def typical_picture(star: StarImage | None, width: float) -> dict | None:
    """A typical star as a picture, in the form of `subgrade.report.drawings.star_picture`."""
    if star is None:
        return None
    field = picture_side(star, width, math.nan) * star.step_px
    return _shown(star, field) | {"stars": int(star.stars_used)}


def _shown(star: StarImage, field_px: float) -> dict:
    from subgrade.report.drawings import STAR_PICTURE_PX
    from subgrade.stars import star_image_picture

    picture = star_image_picture(star, STAR_PICTURE_PX, field_px)
    return as_image(picture) | {"field_px": round(field_px, 3)}
