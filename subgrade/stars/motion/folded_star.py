"""The star image laid along its long axis and folded across it, with its own noise.

Motion along one line leaves the image alike on both sides of that line.  The mean of the two
sides is what the motions are fitted to; their difference holds noise alone, so it shows how
far the image may be believed, without a word from camera or sky.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.stars.model import FrameStars

PER_FWHM = 4.5
"""Samples along a FWHM: closer ones repeat one another, for the image's knots lie so far apart."""
REACH = 2.0
"""Distance across that is looked at, in FWHM; the star image's own reach (derived)."""
FINEST = 0.6
"""Cycles a pixel beyond which a star image holds nothing to correct (derived: a Gaussian of
FWHM 2 px is down to 0.6 % there)."""


@dataclass(frozen=True, slots=True)
class FoldedStar:
    """One frame's star image, ready to be fitted.

    Attributes
    ----------
    along : ndarray, shape (n,)
        Evenly spaced offsets along the long axis, px.
    across : ndarray, shape (m,)
        Offsets across, from 0, px.
    image : ndarray, shape (n, m)
        Mean of both sides, peak near 1.
    error : ndarray, shape (n, m)
        One sigma; infinite where the image was not measured.
    angle_deg : float
        Direction of the long axis, counter-clockwise from +x, as the image has it.
    fwhm : float
        Narrow width of the star, px.
    """

    along: np.ndarray
    across: np.ndarray
    image: np.ndarray
    error: np.ndarray
    angle_deg: float
    fwhm: float

    @property
    def samples(self) -> int:
        """How many elements were measured."""
        return int(np.count_nonzero(np.isfinite(self.error)))

    def excess(self) -> tuple[float, float, float]:
        """First guess of the motion: centre, rms (px) and skewness along the axis.

        Variances along less across, of the light within reach [derived: variances add].
        """
        light = np.where(np.isfinite(self.error), np.clip(self.image, 0.0, None), 0.0)
        light[:, 0] *= 0.5
        line, cross = light.sum(axis=1), light.sum(axis=0)
        centre = line @ self.along / line.sum()
        off = self.along - centre
        variance = line @ off**2 / line.sum()
        rest = variance - cross @ self.across**2 / cross.sum()
        rms = math.sqrt(max(rest, (0.15 * self.fwhm) ** 2))
        return float(centre), rms, float(line @ off**3 / line.sum() / variance**1.5)


def fold(stars: FrameStars) -> FoldedStar | None:
    """Lay a frame's star image along its long axis and fold it.

    Returns
    -------
    FoldedStar or None
        None without a star image, a long axis or enough of the star on the image.
    """
    from scipy.ndimage import binary_erosion, spline_filter

    stacked = stars.star_image
    if stacked is None or not np.isfinite([stars.angle_deg, stars.fwhm_minor_px]).all():
        return None
    fwhm = stars.fwhm_minor_px
    half = (stacked.image.shape[0] - 1) / 2 * stacked.step_px
    step = fwhm / PER_FWHM
    n, m = int(half / step), int(min(REACH * fwhm, half) / step)
    if n < 4 or m < 4:
        return None
    along, across = np.arange(-n, n + 1) * step, np.arange(-m, m + 1) * step
    known = binary_erosion(stacked.image != 0, iterations=2)
    smooth = spline_filter(_evened(stacked.image.astype(float), stacked.step_px), order=3)
    angle, aside = math.radians(stars.angle_deg), 0.0
    for _ in range(3):
        image, inside = _sampled(smooth, known, stacked.step_px, along, across + aside, angle)
        turn, move = _lean(along, across, np.where(inside, image, 0.0), fwhm)
        angle, aside = angle + math.atan(turn), aside + move
    image, inside = _sampled(smooth, known, stacked.step_px, along, across + aside, angle)
    inside &= inside[:, ::-1]
    rows = inside.any(axis=1)
    even, odd, inside = (
        part[rows][:, m:]
        for part in (0.5 * (image + image[:, ::-1]), 0.5 * (image - image[:, ::-1]), inside)
    )
    if np.count_nonzero(inside) < 40:
        return None
    error = np.where(inside, _noise(even, odd, inside), np.inf)
    # On the axis nothing is folded.
    error[:, 0] *= math.sqrt(2.0)
    along, degrees = along[rows], math.degrees(angle)
    if not 0.0 <= degrees < 180.0:  # half a turn on, the same line runs the other way
        degrees, along, even, error = degrees % 180.0, -along[::-1], even[::-1], error[::-1]
    return FoldedStar(along, across[m:], even, error, degrees, float(fwhm))


def _evened(image: np.ndarray, step: float) -> np.ndarray:
    """The image as a pixel equally wide in all directions would have seen it."""
    # left as it is, sinc(fx) sinc(fy) draws a sharp star out along the rows in its fourth moments
    frequency = np.fft.fftfreq(image.shape[0], step)
    fx, fy = np.meshgrid(frequency, frequency)
    radius = np.hypot(fx, fy)
    held = np.minimum(radius, FINEST)
    shrink = held / np.maximum(radius, 1e-12)
    turns = (np.arange(8) + 0.5) / 8 * np.pi / 4
    mean = sum(np.sinc(held * np.cos(t)) * np.sinc(held * np.sin(t)) for t in turns) / 8
    square = np.sinc(fx * shrink) * np.sinc(fy * shrink)
    return np.fft.ifft2(np.fft.fft2(image) * mean / square).real


def _sampled(
    smooth: np.ndarray,
    known: np.ndarray,
    step: float,
    along: np.ndarray,
    across: np.ndarray,
    angle: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Values at offsets along and across, and whether the image was measured there."""
    from scipy.ndimage import map_coordinates

    middle = (smooth.shape[0] - 1) / 2
    u, v = np.meshgrid(along, across, indexing="ij")
    x = (u * math.cos(angle) - v * math.sin(angle)) / step + middle
    y = (u * math.sin(angle) + v * math.cos(angle)) / step + middle
    value = map_coordinates(smooth, [y, x], order=3, prefilter=False, mode="constant")
    column, row = (np.clip(np.rint(c).astype(int), 0, len(smooth) - 1) for c in (x, y))
    within = (x >= 0) & (x <= 2 * middle) & (y >= 0) & (y <= 2 * middle)
    return value, known[row, column] & within


def _lean(
    along: np.ndarray, across: np.ndarray, image: np.ndarray, fwhm: float
) -> tuple[float, float]:
    """Slope and offset of the bright ridge against the presumed axis."""
    light = np.clip(image, 0.0, None) * (np.abs(across) < 0.8 * fwhm)
    line = light.sum(axis=1)
    bright = line > 0.2 * line.max()
    if np.count_nonzero(bright) < 3:
        return 0.0, 0.0
    ridge = (light @ across)[bright] / line[bright]
    slope, offset = np.polyfit(along[bright], ridge, 1, w=line[bright])
    return float(slope), float(offset)


def _noise(even: np.ndarray, odd: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """One sigma by what does not mirror: a of sky, b I of starlight, c I^2 of unlike stars."""
    from scipy.optimize import nnls

    bright = np.clip(even, 0.0, None)
    chosen = inside.copy()
    chosen[:, 0] = False
    square, level = odd[chosen] ** 2, bright[chosen]
    terms = np.stack([np.ones_like(level), level, level**2], axis=1)
    # 0.455 is the median of chi-square with one degree of freedom.
    part = np.array([np.median(square) / 0.455, 0.0, 0.0])
    least = 1e-8
    part[0] = max(part[0], least)
    for _ in range(6):
        expected = terms @ part
        part, _ = nnls(terms / expected[:, None], np.minimum(square, 9 * expected) / expected)
        part[0] = max(part[0], least)
    return np.sqrt(part[0] + part[1] * bright + part[2] * bright**2)
