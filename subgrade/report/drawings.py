"""What is drawn of one frame beside its numbers: whiskers, recovered motion, pictures."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence

import numpy as np

from subgrade.figures import eccentricity_text
from subgrade.memo import kept
from subgrade.results import GradedFrame
from subgrade.stars.model import CutOut, FrameStars, Picture, ShapeField, StarImage

COLUMNS, LEAST_ROWS = 9, 4
POWERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))
"""Powers of u and v, in the order of `ShapeField.coefficients`."""
LEAST_OVAL = 0.3
"""Rounder stars hardly moved."""
MOST_MOTIONS = 60
"""Reading one takes a tenth of a second, which all of a night of 300 frames should not cost."""
STAR_WIDTHS, LEAST_PX, STAR_PICTURE_PX = 7.0, 12.0, 144
"""Side of the star's picture in its FWHM, at least so many sensor pixels, in picture pixels."""


def whiskers(stars: FrameStars | None) -> list[list[float]] | None:
    """Elongation over the field, as short lines along the stars' long axis.

    Parameters
    ----------
    stars : FrameStars or None

    Returns
    -------
    list of [x, y, eccentricity, angle_deg] or None
        Place as a share of width and height; the angle counter-clockwise from +x.  None where
        the shape over the field was not measured.
    """
    field = stars.shape_field if stars is not None else None
    if field is None or not np.isfinite(field.coefficients).all():
        return None
    rows = max(LEAST_ROWS, round(COLUMNS * stars.height / max(stars.width, 1)))
    rows = min(rows, 3 * COLUMNS)
    u = np.tile((np.arange(COLUMNS) + 0.5) / COLUMNS, rows)
    v = np.repeat((np.arange(rows) + 0.5) / rows, COLUMNS)
    xx, yy, xy = _moments_at(field, u * stars.width - 0.5, v * stars.height - 0.5)
    mean, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    real = mean - half > 0
    # 1 - b^2/a^2 with a^2, b^2 = mean +- half (docs/conventions.md)
    oval = np.sqrt(2 * half[real] / (mean + half)[real])
    angle = np.degrees(0.5 * np.arctan2(2 * xy, xx - yy)[real]) % 180.0
    columns = (u[real], 3), (v[real], 3), (oval, 3), (angle, 1)
    return np.column_stack([np.round(values, digits) for values, digits in columns]).tolist()


def _moments_at(field: ShapeField, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    u, v = (x - field.x0) / field.half, (y - field.y0) / field.half
    terms = [u**i * v**j for i, j in POWERS[: field.coefficients.shape[1]]]
    return field.coefficients @ np.array(terms)


def most_oval(stars: Sequence[FrameStars | None]) -> set[int]:
    """Indices of the frames whose motion is read off: the most oval ones."""
    oval = {
        k: s.eccentricity
        for k, s in enumerate(stars)
        if s is not None and s.star_image is not None and s.eccentricity >= LEAST_OVAL
    }
    return set(sorted(oval, key=lambda k: -oval[k])[:MOST_MOTIONS])


def motion(stars: FrameStars) -> dict | None:
    """How the exposure's time was spread along the long axis, read off the star image.

    Returns
    -------
    dict or None
        ``places`` (px from the motion's mean), ``share``, ``error``, ``angle_deg``, ``rms_px``
        and its error; None where no motion could be read off.
    """
    depends = stars.star_image, stars.angle_deg, stars.fwhm_minor_px
    return kept("profiles", depends, lambda: _motion(stars))


def _motion(stars: FrameStars) -> dict | None:
    from subgrade.stars.motion import recover_profile

    found = recover_profile(stars)
    if found is None:
        return None
    return {
        "places": [round(float(v), 3) for v in found.places_px],
        "share": [round(float(v), 4) for v in found.share],
        "error": [round(float(v), 4) for v in found.error],
        "angle_deg": round(float(found.angle_deg), 1),
        "rms_px": round(float(found.rms_px), 3),
        "rms_error_px": round(float(found.rms_error_px), 3),
    }


def star_picture(stars: FrameStars | None) -> dict | None:
    """The stacked star image as a picture, and how many sensor pixels its side spans.

    Returns
    -------
    dict or None
        ``src``, ``width``, ``height``, ``field_px`` and ``stars``; None without a star image.
    """
    if stars is None or stars.star_image is None:
        return None
    depends = stars.star_image, stars.fwhm_px, stars.length_px
    return kept("star_pictures", depends, lambda: _star_picture(*depends))


def _star_picture(image: StarImage, fwhm_px: float, length_px: float) -> dict:
    from subgrade.stars import star_image_picture

    field = picture_side(image, fwhm_px, length_px) * image.step_px
    picture = star_image_picture(image, STAR_PICTURE_PX, field)
    return as_image(picture) | {"field_px": round(field, 3), "stars": int(image.stars_used)}


def picture_side(image: StarImage, fwhm_px: float, length_px: float) -> int:
    """Elements along the side of a star's picture: some widths of the star, an odd number."""
    wish = [STAR_WIDTHS * fwhm_px, 1.6 * length_px + 2 * LEAST_PX, LEAST_PX]
    side = round(max(w for w in wish if math.isfinite(w)) / image.step_px)
    return min(side - side % 2 + 1, len(image.image))


def frame_views(frame: GradedFrame) -> dict:
    """Thumbnail and star crops of a `GradedFrame`; nothing where none were kept.

    Each crop has its ``place``, ``x``, ``y`` and ``side`` in pixels, ``away_px`` from the middle
    of the frame, and of its star ``fwhm_px`` and ``eccentricity_text``, None where not measured.
    """
    pictures = frame.pictures.load() if frame.pictures is not None else None
    if pictures is None:
        return {"thumbnail": None, "crops": []}
    return {
        "thumbnail": as_image(pictures.thumbnail),
        "crops": [_crop(cut, frame.stars) for cut in pictures.cutouts],
    }


def _crop(cut: CutOut, stars: FrameStars | None) -> dict:
    away = None
    if stars is not None:
        away = math.hypot(cut.x - (stars.width - 1) / 2, cut.y - (stars.height - 1) / 2)
    oval = None
    if cut.eccentricity is not None:
        oval = eccentricity_text(cut.eccentricity, cut.eccentricity_error)
    return as_image(cut.picture) | {
        "place": cut.place,
        "x": round(cut.x, 1),
        "y": round(cut.y, 1),
        "side": cut.side_px,
        "away_px": None if away is None else round(away, 1),
        "fwhm_px": None if cut.fwhm_px is None else round(cut.fwhm_px, 3),
        "eccentricity_text": oval,
    }


def as_image(picture: Picture) -> dict:
    """A picture as the page holds it: a ``data:`` address, width and height."""
    text = base64.b64encode(picture.data).decode("ascii")
    return {
        "src": f"data:{picture.kind};base64,{text}",
        "width": picture.width,
        "height": picture.height,
    }
