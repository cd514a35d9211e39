"""What drew one frame out beyond what draws every frame out.

Where the usual frame is oval already, by the optics or by a mount that never quite holds,
a frame's long axis and profile show that and its own motion mixed.  Second moments
add under convolution, so the frame's own motion is the difference of its moments from the
usual ones; and in coordinates that make the usual star round, the star image shows that
motion alone, drawn over a round star, for a straight motion stays straight under any
linear change of coordinates [derived].
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np

from subgrade.axes import axial_difference
from subgrade.constants import MEDIAN_ERROR
from subgrade.night.series import GroupSeries
from subgrade.robust import geometric_median
from subgrade.stars.model import FrameStars, StarImage

OWN = 0.5
"""A frame's own elongation below this share of the usual one is the usual one's; no source."""
ALONG_DEG = 15.0
"""Own motions this near the usual line are the usual one's; no source."""
USUAL_FROM = 8
"""Frames that a usual elongation needs; no source."""


def _usual_lean(series: GroupSeries) -> complex:
    """Elongation (xx - yy) + 2i xy that the group's frames have in common, px^2."""
    parts = series["xx"] - series["yy"] + 2j * series["xy"]
    parts = parts[np.isfinite(parts)]
    return _middle(parts.tobytes()) if len(parts) >= USUAL_FROM else complex("nan")


@lru_cache(maxsize=8)
def _middle(parts: bytes) -> complex:
    """Geometric median, found once for all frames of a group."""
    return geometric_median(np.frombuffer(parts, dtype=complex))


def common_axis(series: GroupSeries) -> float:
    """Direction that the group's frames lean to, deg in [0, 180); NaN where they do not.

    From the geometric median of the elongations, which turns with the camera and which
    single bad frames do not turn.
    """
    parts = series["xx"] - series["yy"] + 2j * series["xy"]
    parts = parts[np.isfinite(parts)]
    if len(parts) < USUAL_FROM:
        return float("nan")
    lean = geometric_median(parts)
    # The median distance of a round normal cloud is 1.1774 sigma, and its centre's error
    # is that of a plain median [derived].
    scatter = float(np.median(np.abs(parts - lean))) / 1.1774
    if abs(lean) < 4 * MEDIAN_ERROR * scatter / math.sqrt(len(parts)):
        return float("nan")
    return float(np.degrees(0.5 * np.angle(lean)) % 180.0)


def moved_otherwise(series: GroupSeries, position: int, oval_from: float) -> bool:
    """Whether the usual frame is drawn out and this one otherwise.

    Not one that is drawn out more or less along the same line, for that is the usual motion
    again; nor one that is rounder without being wider, which lacks some of it.

    Parameters
    ----------
    series : GroupSeries
    position : int
    oval_from : float
        Eccentricity from which the usual frame counts as drawn out.
    """
    if not series.usual("eccentricity").centre > oval_from:
        return False
    usual, sizes = _usual_lean(series), series["xx"] + series["yy"]
    if not (math.isfinite(abs(usual)) and abs(usual) < np.nanmedian(sizes)):
        return False
    lean = complex(series["xx"][position] - series["yy"][position], 2 * series["xy"][position])
    own = lean - usual
    error = series.stars[position].moment_error
    least = OWN * abs(usual) + (2 * error if math.isfinite(error) else 0.0)
    if not (abs(lean) > OWN * abs(usual) and abs(own) > least):
        return False
    off = axial_difference(*(np.degrees(0.5 * np.angle(v)) for v in (own, usual)))
    # A line of motion adds as much to the size of the star as to its elongation [derived].
    grown = sizes[position] - np.nanmedian(sizes)
    return bool(off > ALONG_DEG and grown > OWN * abs(own))


def narrowest(series: GroupSeries) -> np.ndarray:
    """Width of every frame's stars over the usual one where it is least, shape (n,).

    The square root of the smaller eigenvalue of the frame's moments on those of the usual
    star: a motion in one direction leaves it at 1, focus and air do not.
    """
    usual = _usual_shape(series, _usual_lean(series))
    xx, yy, xy = series["xx"], series["yy"], series["xy"]
    whole = usual[0, 0] * usual[1, 1] - usual[0, 1] ** 2
    half = (usual[1, 1] * xx + usual[0, 0] * yy - 2 * usual[0, 1] * xy) / (2 * whole)
    least = half - np.sqrt(np.maximum(half**2 - (xx * yy - xy**2) / whole, 0.0))
    return np.sqrt(np.where(least > 0, least, np.nan))


def without_usual_motion(series: GroupSeries, position: int, oval_from: float) -> GroupSeries:
    """The series as it would be, were the usual star round.

    Parameters
    ----------
    series : GroupSeries
    position : int
        The frame asked about: its star image is made over, others are left.
    oval_from : float
        Eccentricity from which the usual frame counts as drawn out.

    Returns
    -------
    GroupSeries
        The same one where the usual frame is round enough, or this frame is drawn out
        as the others are.
    """
    usual = _usual_lean(series)
    if not moved_otherwise(series, position, oval_from):
        return series
    lean = series["xx"] - series["yy"] + 2j * series["xy"]
    own = lean - usual
    size = np.abs(own)
    mean = (series["xx"] + series["yy"]) / 2
    angle = np.degrees(0.5 * np.angle(own)) % 180.0
    columns = {
        **series.columns,
        "xx": mean + own.real / 2,
        "yy": mean - own.real / 2,
        "xy": own.imag / 2,
        "angle": angle,
        "angle_error": series["angle_error"] * np.abs(lean) / np.maximum(size, 1e-9),
    }
    stars = list(series.stars)
    stars[position] = rounded(stars[position], _usual_shape(series, usual), float(angle[position]))
    return replace(series, columns=columns, stars=tuple(stars))


def _usual_shape(series: GroupSeries, lean: complex) -> np.ndarray:
    """Second moments of the usual star, as a matrix."""
    mean = float(np.nanmedian(series["xx"] + series["yy"])) / 2
    return np.array([[mean + lean.real / 2, lean.imag / 2], [lean.imag / 2, mean - lean.real / 2]])


def rounded(stars: FrameStars, usual: np.ndarray, angle_deg: float) -> FrameStars:
    """A frame's star as a telescope with a round usual star would have drawn it.

    Parameters
    ----------
    stars : FrameStars
    usual : ndarray, shape (2, 2)
        Second moments of the usual star, px^2.
    angle_deg : float
        Axis of the frame's own motion, which keeps its direction and scale.

    Returns
    -------
    FrameStars
        Star image, narrow width and angle made over; the rest as it was.
    """
    change = _change(usual, angle_deg)
    shape = np.array([[stars.xx, stars.xy], [stars.xy, stars.yy]])
    if change is None or stars.star_image is None or not np.isfinite(shape).all():
        return replace(stars, angle_deg=angle_deg)
    narrow, now = np.linalg.eigvalsh(shape)[0], np.linalg.eigvalsh(change @ shape @ change.T)[0]
    width = stars.fwhm_minor_px * math.sqrt(now / narrow)
    return replace(
        stars,
        star_image=_made_over(stars.star_image, change),
        fwhm_minor_px=width,
        angle_deg=angle_deg,
    )


def _change(usual: np.ndarray, angle_deg: float) -> np.ndarray | None:
    """Linear map that makes the usual star round and leaves one direction as it is."""
    values, vectors = np.linalg.eigh(usual)
    if not values[0] > 0:
        return None
    rounding = vectors @ np.diag(values**-0.5) @ vectors.T
    t = math.radians(angle_deg)
    along = np.array([math.cos(t), math.sin(t)])
    to = rounding @ along
    turn = math.atan2(along[1], along[0]) - math.atan2(to[1], to[0])
    c, s = math.cos(turn), math.sin(turn)
    return np.array([[c, -s], [s, c]]) @ rounding / np.hypot(*to)


def _made_over(image: StarImage, change: np.ndarray) -> StarImage:
    """The star image under a linear map about its middle; what comes from outside is 0."""
    from scipy.ndimage import affine_transform

    value = image.image.astype(float)
    middle = (np.array(value.shape) - 1) / 2
    # Rows are y and columns x, so the map's axes are exchanged.
    back = np.linalg.inv(change)[::-1, ::-1]
    shift = middle - back @ middle
    new = affine_transform(value, back, shift, order=3, mode="constant")
    known = affine_transform((value != 0).astype(float), back, shift, order=1, mode="constant")
    new = np.where(known > 0.99, new, 0.0)
    peak = new.max()
    return replace(image, image=(new / peak if peak > 0 else new).astype(np.float32))
