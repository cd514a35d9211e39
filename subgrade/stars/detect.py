"""Find the stars: choose the block size that fits them, then list peaks or whole blobs.

A star of given S/N stands out most where a block is somewhat smaller than the
star.  Blocks of 2, 4 and 8 pixels are at hand; the coarsest on which the bright
blobs are still more than two blocks wide is used.  Where the bright blobs are
lines or hold several maxima each (trails, rings), a whole blob is one star.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.constants import MAD_TO_SIGMA
from subgrade.lights.model import Pixels
from subgrade.stars.background import Sky
from subgrade.stars.blobs import Blobs, Bright, find_bright
from subgrade.stars.compiled import kernel
from subgrade.stars.ellipse import ellipse_from_moments, middle_moments
from subgrade.stars.pairs_and_rings import find_doubling
from subgrade.stars.raster import cut_stamps, halved
from subgrade.stars.settings import MeasureSettings
from subgrade.stars.single_pixels import lone_pixels

BLOB_WIDTH_BLOCKS = 2.2
"""Least width of bright blobs, in blocks, for a block size to be chosen."""
LINE_RATIO = 3.0
"""Length over width of a blob's footprint beyond which it is a line."""
DARK_BETWEEN = 0.25
"""Light midway between two images over that of the fainter, below which they are two: derived, a
line that a swing drew holds half as much light at its middle as at its ends."""


@dataclass(frozen=True, slots=True)
class Detections:
    """Candidate stars, brightest first.

    Attributes
    ----------
    x, y : ndarray
        px on the frame.
    peak : ndarray
        Highest block mean above sky, ADU.
    block_px : int
        Side of the blocks searched, px.
    block_noise : float
        Noise of a block mean, ADU.
    moments : tuple of float
        First guess of the common (xx, yy, xy), px^2.
    whole_blobs : bool
        True where each blob counts as one star.
    bright : Bright
        What was above threshold, for masks and streaks.
    """

    x: np.ndarray
    y: np.ndarray
    peak: np.ndarray
    block_px: int
    block_noise: float
    moments: tuple[float, float, float]
    whole_blobs: bool
    on_line: np.ndarray
    """Detections that are part of a line far longer than a star."""
    bright: Bright
    long: np.ndarray
    """Blobs of ``bright`` that are such lines."""
    quarter: np.ndarray | None
    """Means of blocks of 4 px, None on a tiny frame."""

    def __len__(self) -> int:
        return len(self.x)


@dataclass(frozen=True, slots=True)
class _Level:
    block: int
    image: np.ndarray
    noise: float
    bright: Bright
    typical: np.ndarray
    """Indices of bright blobs fit to judge size and form by."""


def _footprint_axes(
    blobs: Blobs, index: np.ndarray | slice
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Length, width (blocks) and angle (degrees) of blob footprints."""
    a, b, theta = ellipse_from_moments(
        blobs.half_xx[index], blobs.half_yy[index], blobs.half_xy[index]
    )
    # a uniform strip of width w has variance w^2/12; the 1 makes a row of single blocks one wide
    return np.sqrt(12 * a**2 + 1), np.sqrt(12 * b**2 + 1), theta


def block_noise(image: np.ndarray, sky: Sky, block: int) -> float:
    """Robust noise of block means about the sky map, from a spread sample."""
    cell = sky.mesh_px // block
    rows, columns = sky.level.shape
    picks = []
    for offset in (cell // 4, (3 * cell) // 4):
        part = image[offset::cell, :][:rows]
        for shift in range(0, cell, max(1, cell // 6)):
            values = part[:, shift::cell][:, :columns]
            picks.append((values - sky.level[: values.shape[0], : values.shape[1]]).ravel())
    values = np.concatenate(picks)
    values = values[np.isfinite(values)]
    if not len(values):
        return 0.0
    # twice the lower half-width: stars and nebulae only add light
    middle = np.median(values)
    below = middle - values[values <= middle]
    return float(MAD_TO_SIGMA * np.median(below))


def _level(
    pixels: Pixels, image: np.ndarray, block: int, sky: Sky, settings: MeasureSettings
) -> _Level:
    noise = block_noise(image, sky, block)
    white = float(np.median(sky.noise)) * 2.0 / block
    noise = max(noise, white)
    cell = sky.mesh_px // block
    # neighbouring pixels that share noise (resampled frames) raise all cells alike
    local = sky.noise * (2.0 / block) * (noise / white if white > 0 else 1.0)
    threshold = sky.level + settings.detect_sigma * np.maximum(local, 0.3 * noise)
    bright = find_bright(image, sky.level, threshold, cell)
    return _Level(
        block, image, noise, bright, _typical(pixels, bright.blobs, image, block, noise, sky)
    )


def _typical(
    pixels: Pixels, blobs: Blobs, image: np.ndarray, block: int, noise: float, sky: Sky
) -> np.ndarray:
    """The brightest blobs that are neither at the edge nor a single hot pixel."""
    height, width = image.shape
    inside = (
        np.isfinite(blobs.x)
        & (blobs.half_size > 0)  # none where a steep sky puts all of a blob below its level
        & (blobs.x0 > 0)
        & (blobs.y0 > 0)
        & (blobs.x1 < width - 1)
        & (blobs.y1 < height - 1)
    )
    index = np.flatnonzero(inside & (blobs.peak > 10 * noise))
    if len(index) < 3:
        index = np.flatnonzero(inside)
    index = index[np.argsort(-blobs.flux[index], kind="stable")][:300]
    if not len(index):
        return index
    x = (blobs.x[index] + 0.5) * block - 0.5
    y = (blobs.y[index] + 0.5) * block - 0.5
    stamps = cut_stamps(pixels, sky.level, sky.mesh_px, x, y, block + 2)
    return index[~lone_pixels(stamps, x, y, block + 2.0, noise * block / 2)[0]]


def _fitting_level(
    pixels: Pixels, means: np.ndarray, sky: Sky, settings: MeasureSettings
) -> tuple[_Level, np.ndarray | None]:
    """Block size that fits the stars, from the coarsest down; means of 4 px, None if tiny."""
    images = {2: means}
    for block in (4, 8):
        if min(images[block // 2].shape) < 24:
            break
        images[block] = halved(images[block // 2])
    found = [_level(pixels, images[b], b, sky, settings) for b in sorted(images)]
    chosen = found[0]
    for level in found[1:]:
        width = _typical_width_px(level, 0.0)
        if not width >= BLOB_WIDTH_BLOCKS * level.block:
            break
        # sharp, bright stars so close that coarse blocks merge them are not wide stars
        if any(_typical_width_px(f, 10.0) < 0.5 * width for f in found if f.block < level.block):
            break
        chosen = level
    return chosen, images.get(4)


def _typical_width_px(level: _Level, least_sigma: float) -> float:
    """Median footprint width of the typical blobs, px; NaN when fewer than three stand out."""
    blobs = level.bright.blobs
    index = level.typical[blobs.peak[level.typical] > least_sigma * level.noise]
    if len(index) < (10 if least_sigma else 3):
        return float("nan")
    return float(np.median(_footprint_axes(blobs, index)[1])) * level.block


@kernel
def _split(
    image: np.ndarray,
    x: np.ndarray,
    y: np.ndarray,
    value: np.ndarray,
    first: np.ndarray,
    separation: float,
    depth: float,
    noise: float,
    keep: np.ndarray,
) -> None:
    """Mark peaks that stand apart from all brighter ones of their blob; ``first``: group starts."""
    for g in range(len(first) - 1):
        begin = first[g]
        keep[begin] = True
        for k in range(begin + 1, first[g + 1]):
            stands = True
            for m in range(begin, k):
                if not keep[m]:
                    continue
                dx = float(x[m] - x[k])
                dy = float(y[m] - y[k])
                distance = np.sqrt(dx * dx + dy * dy)
                if distance < separation:
                    stands = False
                    break
                if distance > 12 * separation:
                    continue
                steps = int(np.ceil(distance))
                sky = image[y[k], x[k]] - value[k]
                lowest = value[k]
                for s in range(1, steps):
                    px = int(np.floor(x[k] + dx * s / steps + 0.5))
                    py = int(np.floor(y[k] + dy * s / steps + 0.5))
                    lowest = min(lowest, image[py, px] - sky)
                if lowest > depth * value[k] - 1.2 * noise:
                    stands = False
                    break
            keep[k] = stands


def _standing_peaks(
    image: np.ndarray, bright: Bright, separation: float, noise: float
) -> np.ndarray:
    """Indices into ``bright`` of the maxima that count as separate stars, brightest first."""
    index = np.flatnonzero(bright.is_peak)
    order = np.lexsort((-bright.value[index], bright.blob[index]))
    index = index[order]
    if not len(index):
        return index
    blob = bright.blob[index]
    first = np.concatenate(([0], np.flatnonzero(np.diff(blob)) + 1, [len(index)]))
    keep = np.zeros(len(index), np.bool_)
    x, y, value = bright.x[index], bright.y[index], bright.value[index]
    _split(image, x, y, value, first, separation, 0.88, noise, keep)
    index = index[keep]
    return index[np.argsort(-bright.value[index], kind="stable")]


def _form(level: _Level, peaks: np.ndarray) -> bool:
    """Whether the typical blob is one star as a whole: a line, or several maxima alike."""
    typical = level.typical
    blobs = level.bright.blobs
    if len(typical) < 3:
        return False
    length, width, theta = _footprint_axes(blobs, typical)
    coherence = np.abs(np.mean(np.exp(2j * np.radians(theta))))
    lines = np.median(length / width) >= LINE_RATIO and coherence > 0.7
    counts = np.bincount(level.bright.blob[peaks], minlength=len(blobs))[typical]
    return bool(lines or np.median(counts) >= 2)


def _doubled(level: _Level, peaks: np.ndarray) -> bool:
    """Whether the blobs' maxima are two images of every star with dark sky between them."""
    bright = level.bright
    width = float(np.median(_footprint_axes(bright.blobs, level.typical)[1]))
    inside = peaks[np.isin(bright.blob[peaks], level.typical)]
    x, y, value = bright.x[inside], bright.y[inside], bright.value[inside]
    found = find_doubling(x.astype(float), y.astype(float), value, width)
    if found is None or not found.second.any():
        return False
    x, y, value = x[found.second], y[found.second], value[found.second]
    middle = level.image[
        np.rint(y - 0.5 * found.dy).astype(int), np.rint(x - 0.5 * found.dx).astype(int)
    ]
    between = middle - (level.image[y, x] - value)
    return bool(np.median(between / value) < DARK_BETWEEN)


def _guess(level: _Level) -> tuple[float, float, float]:
    """Common moments from bright footprints."""
    blobs, typical = level.bright.blobs, level.typical
    if not len(typical):
        return (2.0, 2.0, 0.0)
    block2 = level.block**2
    floor = 0.5
    halves = np.stack((blobs.half_xx, blobs.half_yy, blobs.half_xy))[:, typical]
    lift = np.array((floor, floor, 0.0))
    # above 0.3 of its peak a Gaussian of variance s^2 is a disc of variance 0.602 s^2, plus the
    # block's own
    middle = [float(np.median(half)) * block2 / 0.602 for half in halves] + lift
    # the floor alone gives every blob a determinant of its square and more
    return middle_moments(halves * block2 / 0.602 + lift[:, None], middle, floor**2)


def detect(pixels: Pixels, means: np.ndarray, sky: Sky, settings: MeasureSettings) -> Detections:
    """Candidate stars of a frame.

    Parameters
    ----------
    pixels : Pixels
    means : ndarray of float32
        2x2 block means.
    sky : Sky
    settings : MeasureSettings

    Returns
    -------
    Detections

    Raises
    ------
    OverflowError
        The frame holds no sky darker than its surroundings.
    """
    level, quarter = _fitting_level(pixels, means, sky, settings)
    blobs, bright = level.bright.blobs, level.bright
    guess = _guess(level)
    sigma = (guess[0] * guess[1] - guess[2] ** 2) ** 0.25
    separation = max(1.9, 1.6 * sigma / level.block)
    peaks = _standing_peaks(level.image, bright, separation, level.noise)
    whole = _form(level, peaks)
    if whole and _doubled(level, peaks):
        whole = False
        across = float(ellipse_from_moments(*guess)[1]) ** 2
        guess = (across, across, 0.0)  # of one image
    long = _long_blobs(blobs, level.block)
    if whole:
        index = np.argsort(-blobs.peak, kind="stable")[: settings.max_detections]
        x, y, peak, on_line = blobs.x[index], blobs.y[index], blobs.peak[index], long[index]
    else:
        index = peaks[: settings.max_detections]
        x, y, peak = bright.x[index], bright.y[index], bright.value[index]
        on_line = long[bright.blob[index]]
    block = level.block
    return Detections(
        (x + 0.5) * block - 0.5,
        (y + 0.5) * block - 0.5,
        peak.astype(np.float64),
        block,
        level.noise,
        guess,
        whole,
        on_line,
        bright,
        long,
        quarter,
    )


LEAST_LINE_PX = 60.0
"""Length from which a thin blob is a trail or a bad column and not a star."""


def _long_blobs(blobs: Blobs, block_px: int) -> np.ndarray:
    """Which blobs are thin lines far longer than the frame's typical blob."""
    if not len(blobs):
        return np.zeros(0, bool)
    length, width, _ = _footprint_axes(blobs, slice(None))
    typical = np.median(length[np.argsort(-blobs.flux, kind="stable")][:50])
    enough = max(LEAST_LINE_PX / block_px, 4 * typical)
    box = np.hypot(blobs.x1 - blobs.x0 + 1, blobs.y1 - blobs.y0 + 1)
    thin = length > 4 * width
    # crossing trails fill little of the box around them
    area = (blobs.x1 - blobs.x0 + 1) * (blobs.y1 - blobs.y0 + 1)
    lattice = (box > 3 * enough) & (blobs.size < 0.15 * area)
    return (box > enough) & (thin | lattice)
