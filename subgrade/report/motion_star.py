"""The motion read off a frame's stars, drawn as the star it would make: blurred, not a diagram.

The typical star of the group, smeared by the inferred motion, looks like the frame's own star
where the inference is right.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.memo import kept
from subgrade.report.drawings import LEAST_OVAL, as_image, picture_side
from subgrade.results import GradedFrame
from subgrade.stars.model import FrameStars, StarImage

MOST_STARS = 12
"""Frames whose stars make the typical one; more would not be distinguished."""


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
    total = sum(smeared(s.star_image, [0.0], [1.0], 0.0, step, size).image for s in nearest)
    return StarImage(
        (total / total.max()).astype(np.float32),
        step,
        sum(s.star_image.stars_used for s in nearest),
    )


def _gaussian(width: float) -> StarImage:
    step, half = width / 8.0, 32
    away = (np.arange(-half, half + 1) * step * FWHM_PER_SIGMA / width) ** 2
    return StarImage(np.exp(-0.5 * (away + away[:, None])).astype(np.float32), step, 0)


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
        Places along the motion, px from its mean, and the share of the time at each.
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

    Notes
    -----
    A star's image has no detail finer than its elements, so that its Fourier series gives it
    anywhere, and a shift is a turn of phases [derived].
    """
    source = _finite(star.image)
    reach = max(map(abs, places)) / star.step_px
    needed = max(len(source), size * step / star.step_px) + 2 * reach
    margin = math.ceil((needed - len(source)) / 2) + 2
    source = np.pad(source, margin)
    cycles = np.fft.fftfreq(len(source)) / star.step_px  # a pixel
    series = np.fft.fft2(np.fft.ifftshift(source))
    angle = math.radians(angle_deg)
    x, y = (np.multiply(places, part) for part in (math.cos(angle), math.sin(angle)))
    up, across = (np.exp(-2j * np.pi * np.outer(cycles, moved)) for moved in (y, x))
    series *= (up * np.asarray(share)) @ across.T
    at = (np.arange(size) - (size - 1) / 2) * step
    waves = np.exp(2j * np.pi * np.outer(at, cycles))
    drawn = (waves @ series @ waves.T).real
    return StarImage((drawn / drawn.max()).astype(np.float32), step, star.stars_used)


def _finite(image: np.ndarray) -> np.ndarray:
    return np.nan_to_num(np.asarray(image, float), nan=0.0, posinf=0.0, neginf=0.0)


def laid_over(star: StarImage, other: StarImage) -> StarImage:
    """A star image moved by whole elements to where it is most like another of its shape.

    Where a star stood is no part of the motion inferred.
    """
    series = np.fft.rfft2(_finite(other.image)) * np.fft.rfft2(star.image).conj()
    match = np.fft.irfft2(series, star.image.shape)
    rows, columns = np.unravel_index(np.argmax(match), match.shape)
    return replace(star, image=np.roll(star.image, (rows, columns), (0, 1)))


def likeness(one: StarImage, other: StarImage) -> float:
    """Correlation of two star images of one step and size; 0 where one of them is flat."""
    a, b = (_finite(star.image).ravel() for star in (one, other))
    return float(np.corrcoef(a, b)[0, 1]) if np.ptp(a) > 0 and np.ptp(b) > 0 else 0.0


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
    drawn = laid_over(smeared(typical, *motion, own.step_px, len(own.image)), own)
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
