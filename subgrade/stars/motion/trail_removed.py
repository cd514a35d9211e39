"""A star's shape without a trail that is known: what motion there must have been beyond it.

Moments are measured under a Gaussian weight that adapts to the star (Hirata & Seljak 2003,
MNRAS 343, 459), which reads a line as wider than its plain variance L^2 / 12; `read_box`
gives that reading and `plain_box` undoes it.

Motion beyond a trail of rms w along an axis is not the plain difference of variances, for
it may run in step with the trail.  Of all motions that turn the trail into what is seen,
covariance T, the one with least variance is (1 - w / sqrt(T_aa)) of the seen along the
axis and all of it across [derived: the coupling that maximises the covariance of trail and
motion; the 2-Wasserstein distance to a normal law on a line].
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np

from subgrade.axes import axial_difference
from subgrade.memo import kept
from subgrade.stars.model import FrameStars, ShapeField, Streak

AXIS_ERROR = 0.03
"""Relative error of a trail's length by optics and uneven tracking; no source."""
SURE_DEG = 12.0
"""Streaks and images apart this near the trail's direction are the trail's own; no source."""


@cache
def _table() -> tuple[np.ndarray, np.ndarray]:
    """Plain variance of a box over the star's own, and what the adaptive weight reads of it."""
    return kept("box_readings", (), _readings)


def _readings() -> tuple[np.ndarray, np.ndarray]:
    from scipy.optimize import brentq
    from scipy.special import erf

    plain = np.concatenate([[0.0], np.geomspace(1e-3, 1e4, 120)])
    read = np.zeros(len(plain))
    for k, v in enumerate(plain[1:], 1):
        half = math.sqrt(3 * v)
        x = np.linspace(0, half + 8, 1500)
        profile = erf((x + half) / math.sqrt(2)) - erf((x - half) / math.sqrt(2))
        # Half the axis: the trapezoid counts the middle once, not twice.
        profile[0] *= 0.5

        def excess(width: float, x: np.ndarray = x, profile: np.ndarray = profile) -> float:
            weighted = np.exp(-0.5 * x * x / width) * profile
            # A matched weight halves a Gaussian's variance.
            return 2 * float((weighted * x * x).sum() / weighted.sum()) - width

        read[k] = brentq(excess, 1.0, 2 + 2 * v, xtol=1e-10) - 1
    return plain, read


def read_box(plain: float | np.ndarray, star: float | np.ndarray) -> float | np.ndarray:
    """What the adaptive weight reads of a straight, even trail, px^2.

    Parameters
    ----------
    plain : float or ndarray
        Variance of the trail, L^2 / 12, px^2.
    star : float or ndarray
        Variance of the star at rest, taken for a Gaussian, px^2.

    Returns
    -------
    ndarray
        Reading along the trail less that of the star; L^2 / 7.87 for a long line.
    """
    known, read = _table()
    return star * np.interp(np.asarray(plain) / star, known, read)


def plain_box(read: float | np.ndarray, star: float | np.ndarray) -> float | np.ndarray:
    """Variance of the trail of which the adaptive weight reads so much; see `read_box`.

    Parameters
    ----------
    read : float or ndarray
        Reading along the trail less that of the star, px^2.
    star : float or ndarray
        Variance of the star at rest, px^2.

    Returns
    -------
    ndarray
        L^2 / 12, px^2; 0 for none.
    """
    known, reading = _table()
    return star * np.interp(np.asarray(read) / star, reading, known)


def turned(xx: float, yy: float, xy: float, angle_deg: float) -> tuple[float, float, float]:
    """Moments (px^2) along an axis, across it, and their product."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    along = c * c * xx + s * s * yy + 2 * c * s * xy
    return along, xx + yy - along, (c * c - s * s) * xy + c * s * (yy - xx)


def least_motion(
    along: float, across: float, cross: float, trail_px: float, star: float
) -> tuple[float, float, float, float]:
    """The star at rest and the least motion beyond an expected trail.

    Parameters
    ----------
    along, across, cross : float
        Measured moments in the trail's axes, px^2.
    trail_px : float
        Expected length, px.
    star : float
        Usual variance of the star at rest in the group, px^2.

    Returns
    -------
    tuple of float
        Variance of the star at rest, and (along, across, cross) of the motion, px^2.

    Notes
    -----
    The star is as wide as it is across the trail, unless the trail looks too short for
    that: then it moved across, and is no narrower than usual.
    """
    plain = trail_px**2 / 12
    rest = across
    if along - across < read_box(plain, across):
        # Wider stars read a trail as shorter; two rounds settle it to a per cent.
        for _ in range(2):
            rest = along - float(read_box(plain, max(rest, 1e-6)))
            rest = min(max(rest, min(star, across)), across)
    seen = float(plain_box(max(along - rest, 0.0), rest))
    if seen <= 0:
        return rest, plain, across - rest, 0.0
    ratio = 1 - math.sqrt(plain / seen)
    # The weight stretches the product as it does the length.
    stretch = seen / max(along - rest, 1e-12)
    return rest, ratio**2 * seen, across - rest, ratio * stretch * cross


def without_trail(stars: FrameStars, trail_px: float, angle_deg: float, star: float) -> FrameStars:
    """One frame's stars as they would be had the expected trail not been.

    Parameters
    ----------
    stars : FrameStars
    trail_px, angle_deg : float
        Expected trail on this frame.
    star : float
        Usual variance of the star at rest in the group, px^2.

    Returns
    -------
    FrameStars
        Shape, angle and width of star and motion beyond the trail.  Lines that are the
        trail lose their status and streaks; images of two maxima off the trail keep it.
        The star image is left out, since it shows the trail.
    """
    if not np.isfinite([stars.xx, stars.yy, stars.xy]).all():
        return stars
    seen = turned(stars.xx, stars.yy, stars.xy, angle_deg)
    rest, along, across, cross = least_motion(*seen, trail_px, star)
    shape = rest + along, rest + across, cross
    axis = 0.5 * math.degrees(math.atan2(2 * cross, shape[0] - shape[1]))
    mean, half = (shape[0] + shape[1]) / 2, math.hypot((shape[0] - shape[1]) / 2, cross)
    half = min(half, 0.99 * mean)
    back = turned(*shape, -angle_deg)
    # The measured narrow axis is the half-maximum width of the narrow moment.
    narrow = (seen[0] + seen[1]) / 2 - math.hypot((seen[0] - seen[1]) / 2, seen[2])
    unit = stars.fwhm_minor_px / math.sqrt(narrow) if narrow > 0 else float("nan")
    own = stars.shape_status in ("trailed", "hollow") or _along(stars, trail_px, angle_deg)
    streaks = tuple(s for s in stars.streaks if not _is_trail(s, trail_px, angle_deg))
    return replace(
        stars,
        xx=back[0],
        yy=back[1],
        xy=back[2],
        eccentricity=math.sqrt(2 * half / (mean + half)),
        eccentricity_error=_error(stars, mean, half, along, trail_px),
        angle_deg=(axis + angle_deg) % 180.0,
        fwhm_px=unit * (mean**2 - half**2) ** 0.25,
        fwhm_major_px=unit * math.sqrt(mean + half),
        fwhm_minor_px=unit * math.sqrt(mean - half),
        fwhm_error_px=_width_error(stars),
        shape_status="measured" if own else stars.shape_status,
        length_px=float("nan") if own else stars.length_px,
        star_image=None,
        shape_field=_field(stars, (back[0] - stars.xx, back[1] - stars.yy, back[2] - stars.xy)),
        streaks=streaks,
    )


def light_beside(stars: FrameStars, angle_deg: float) -> float:
    """Share of the star image's light more than its narrow width to either side of a trail.

    Parameters
    ----------
    stars : FrameStars
    angle_deg : float
        Axis of the trail.

    Returns
    -------
    float
        Of the light within three widths of the trail's ridge; NaN without a star image.
    """
    image, width = stars.star_image, stars.fwhm_minor_px
    if image is None or not width > 0:
        return float("nan")
    value = np.clip(image.image.astype(float), 0.0, None)
    middle = value.shape[0] // 2
    y, x = (np.mgrid[: value.shape[0], : value.shape[1]] - middle) * image.step_px
    t = math.radians(angle_deg)
    across, ridge = y * math.cos(t) - x * math.sin(t), 0.0
    for _ in range(12):
        weight = value * np.exp(-0.5 * ((across - ridge) / (0.42 * width)) ** 2)
        # A Gaussian weight as wide as the star halves every step; 1.4 makes up for some of it.
        ridge += 1.4 * float((weight * (across - ridge)).sum() / weight.sum())
    far = np.abs(across - ridge)
    inside = far < 3 * width
    return float(value[inside & (far > width)].sum() / value[inside].sum())


def _field(stars: FrameStars, change: tuple[float, float, float]) -> ShapeField | None:
    """Shapes over the field with the trail taken out of what they have in common."""
    field = stars.shape_field
    if field is None:
        return None
    coefficients = field.coefficients.copy()
    coefficients[:, 0] += change
    return replace(field, coefficients=coefficients)


def _along(stars: FrameStars, trail_px: float, angle_deg: float) -> bool:
    """Whether two maxima lie on the trail, as on one that was drawn unevenly."""
    off = axial_difference(stars.angle_deg, angle_deg)
    return stars.shape_status == "doubled" and off < SURE_DEG and stars.length_px < 1.3 * trail_px


def _is_trail(streak: Streak, trail_px: float, angle_deg: float) -> bool:
    """Whether a streak is a bright star's own trail."""
    angle = math.degrees(math.atan2(streak.y2 - streak.y1, streak.x2 - streak.x1))
    off = axial_difference(angle, angle_deg)
    return off < SURE_DEG and streak.length_px < 3 * trail_px + 40


def _error(stars: FrameStars, mean: float, half: float, along: float, trail_px: float) -> float:
    """One sigma of the eccentricity: of the moments, and of the trail's own length."""
    moment = stars.moment_error if math.isfinite(stars.moment_error) else 0.0
    # The motion along is d^2 / 12 for a length wrong by d.
    length = math.sqrt(12 * along) * AXIS_ERROR * trail_px / 6
    e = math.sqrt(max(2 * half / (mean + half), 0.04))
    return min(0.3, (mean - half) / (mean + half) / e * math.hypot(2 * moment, length) / mean)


def _width_error(stars: FrameStars) -> float:
    ratio = stars.fwhm_minor_px / stars.fwhm_px if stars.fwhm_px > 0 else 1.0
    return stars.fwhm_error_px * (ratio if math.isfinite(ratio) else 1.0)
