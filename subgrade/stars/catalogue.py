"""The frame's star list: centroids, brightness, and why a detection is left out."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.spatial import cKDTree

from subgrade.stars.detect import Detections, lone_pixels
from subgrade.stars.doubles import Doubling, find_doubling
from subgrade.stars.ellipse import FWHM_PER_SIGMA, ellipse_from_moments
from subgrade.stars.model import StarFlag
from subgrade.stars.moments import adaptive_moments, weighted_centroids
from subgrade.stars.photometry import Template, gaussian_template, template_fit
from subgrade.stars.settings import MeasureSettings
from subgrade.stars.view import View

LARGEST_SIGMA_PX = 34.0
"""Largest size of a star, px (a ring of 100 px across); beyond it is nebula or cloud."""
LARGEST_HALF_PX = 120
"""Largest half-side of a stamp."""
SHARP_EXCESS = 0.2
"""Sharpness above which a detection is left out before the star image is known."""
STAMP_PIXELS = 3_000_000
"""Stamp pixels held at a time."""


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Detections with brightness under a common template, brightest first.

    Arrays have one length; ``amplitude`` is that of the template, ``moments`` the
    common (xx, yy, xy) it was made from, px^2.
    """

    x: np.ndarray
    y: np.ndarray
    amplitude: np.ndarray
    snr: np.ndarray
    peak: np.ndarray
    sharpness: np.ndarray
    misfit: np.ndarray
    flags: np.ndarray
    ident: np.ndarray
    """Number of the detection, kept through re-sorting."""
    moments: tuple[float, float, float]
    whole_blobs: bool
    doubling: Doubling | None

    def __len__(self) -> int:
        return len(self.x)

    def take(self, index) -> Catalogue:
        """The same with the detections of ``index`` only."""
        arrays = {
            f.name: getattr(self, f.name)[index]
            for f in fields(self)
            if isinstance(getattr(self, f.name), np.ndarray)
        }
        return replace(self, **arrays)


def half_side(sigma_major: float, reach: float) -> int:
    """Half-side of a stamp that reaches ``reach`` sigma, px."""
    return int(np.clip(np.ceil(reach * sigma_major) + 1, 5, LARGEST_HALF_PX))


def _mode(values: np.ndarray) -> float:
    """Half-sample mode (Bickel & Fruehwirth 2006, CSDA 50, 3500; from memory)."""
    v = np.sort(values)
    while len(v) > 3:
        h = (len(v) + 1) // 2
        widths = v[h - 1 :] - v[: len(v) - h + 1]
        k = int(np.argmin(widths))
        v = v[k : k + h]
    return float(np.median(v))


def seed_moments(view: View, found: Detections) -> tuple[float, float, float] | None:
    """Typical adaptive moments of the bright detections, px^2.

    The mode of their sizes is taken, since cosmic rays and blends scatter while
    stars agree.  None where nothing settles.
    """
    xx, yy, xy = found.moments
    major = float(ellipse_from_moments(xx, yy, xy)[0])
    half = half_side(major, 5.0)
    height, width = view.pixels.shape
    inside = (
        (found.x > half) & (found.y > half)
        & (found.x < width - 1 - half) & (found.y < height - 1 - half)
    )  # fmt: skip
    index = np.flatnonzero(inside)
    if len(index) < 5:
        index = np.arange(len(found))
    room = max(40, STAMP_PIXELS // (2 * half + 1) ** 2)
    index = index[: min(250, room)]
    if not len(index):
        return None
    stamps = view.stamps(found.x[index], found.y[index], half)
    usable = ~lone_pixels(stamps, found.x[index], found.y[index], found.block_px + 1.0, view.noise)
    top = np.nanmax(np.where(np.isfinite(stamps.data), stamps.data, -np.inf), axis=(1, 2))
    dim = top < 0.9 * (view.saturation - view.level)
    if np.count_nonzero(usable & dim) >= 3:
        usable &= dim
    index, stamps = index[usable], stamps[usable]
    if not len(index):
        return None
    m = adaptive_moments(stamps, found.x[index], found.y[index], xx, yy, xy)
    good = m.ok & (m.xx * m.yy - m.xy**2 > 0.03)
    if not good.any():
        return None
    parts = np.stack((m.xx, m.yy, m.xy))[:, good]
    size = 0.25 * np.log(parts[0] * parts[1] - parts[2] ** 2)
    near = np.abs(size - _mode(size)) < 0.15
    if near.sum() < 3:
        near[:] = True
    xx, yy, xy = np.median(parts[:, near], axis=1)
    return float(xx), float(yy), float(xy)


def fit_all(view: View, x, y, template: Template, half: int, moments=None):
    """Template fits of many detections, a chunk at a time.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        px.
    half : int
        Half-side of the stamps, px.
    moments : tuple of float, optional
        When given, the detections are first centred under a Gaussian of these moments.

    Returns
    -------
    x, y : ndarray, shape (n,)
    fits : ndarray, shape (6, n)
        Rows as the fields of `TemplateFit`.
    alone : ndarray of bool
        Single bright pixels.
    """
    n = len(x)
    new_x, new_y = np.array(x, np.float64), np.array(y, np.float64)
    rows = np.empty((6, n))
    alone = np.zeros(n, bool)
    chunk = max(64, STAMP_PIXELS // (2 * half + 1) ** 2)
    for start in range(0, n, chunk):
        part = slice(start, min(start + chunk, n))
        stamps = view.stamps(x[part], y[part], half)
        if moments is not None:
            new_x[part], new_y[part], _ = weighted_centroids(stamps, x[part], y[part], *moments)
        places = new_x[part], new_y[part]
        fit = template_fit(stamps, *places, template, view.noise, view.lattice)
        for row, field in enumerate(fields(fit)):
            rows[row, part] = getattr(fit, field.name)
        alone[part] = lone_pixels(stamps, *places, 1.5, view.noise)
    return new_x, new_y, rows, alone


def blended(x, y, amplitude, sigma_major: float) -> np.ndarray:
    """True where a neighbour's light under the star's weight would pull its shape.

    A neighbour counts when it is brighter than 2 % of the star at its side, and
    than proportionally more farther out, as the Gaussian weight falls off.
    """
    spoiled = np.zeros(len(x), bool)
    if len(x) < 2:
        return spoiled
    pairs = cKDTree(np.column_stack((x, y))).query_pairs(6.0 * sigma_major, output_type="ndarray")
    if not len(pairs):
        return spoiled
    a, b = pairs[:, 0], pairs[:, 1]
    t2 = ((x[a] - x[b]) ** 2 + (y[a] - y[b]) ** 2) / (1.6 * sigma_major) ** 2
    allowed = 0.02 * np.exp(0.5 * np.minimum(t2, 40))
    bright = np.maximum(amplitude, 1e-9)
    spoiled[a[bright[b] > allowed * bright[a]]] = True
    spoiled[b[bright[a] > allowed * bright[b]]] = True
    return spoiled


def _without_copies(x, y, amplitude, radius: float) -> np.ndarray:
    """Indices, brightest first, of detections no brighter one lies within ``radius`` of."""
    order = np.argsort(-amplitude, kind="stable")
    keep = np.ones(len(x), bool)
    pairs = cKDTree(np.column_stack((x, y))).query_pairs(radius, output_type="ndarray")
    rank = np.empty(len(x), int)
    rank[order] = np.arange(len(x))
    for a, b in pairs:
        keep[a if rank[a] > rank[b] else b] = False
    return order[keep[order]]


def build_catalogue(view: View, found: Detections, settings: MeasureSettings) -> Catalogue | None:
    """First star list, under a Gaussian of the frame's typical moments.

    Returns
    -------
    Catalogue or None
        None when nothing reaches the listing limit.
    """
    if not len(found):
        return None
    seed = seed_moments(view, found)
    if seed is None:
        return None
    a, b, _ = (float(v) for v in ellipse_from_moments(*seed))
    sigma = np.sqrt(a * b)
    if sigma > LARGEST_SIGMA_PX:
        return None
    template = gaussian_template(*seed)
    half = half_side(a, 3.2) + (found.block_px + 1) // 2
    x, y, fits, alone = fit_all(view, found.x, found.y, template, half, seed)
    amplitude, snr, peak, misfit, bad, sharpness = fits
    good = np.isfinite(amplitude) & (amplitude > 0) & (snr > settings.list_snr * 0.8)
    good |= alone & np.isfinite(amplitude)
    if not good.any():
        return None
    index = np.flatnonzero(good)
    index = index[_without_copies(x[index], y[index], amplitude[index], 0.8 * b)]
    flags = np.zeros(len(index), np.uint16)
    sharp = alone[index] | (sharpness[index] > SHARP_EXCESS + 2.0 / np.maximum(snr[index], 1.0))
    flags[sharp] |= np.uint16(StarFlag.SHARP)
    catalogue = Catalogue(
        x[index], y[index], amplitude[index], snr[index], peak[index], sharpness[index],
        misfit[index], flags, np.arange(len(index)), seed, found.whole_blobs, None,
    )  # fmt: skip
    _flag_places(view, catalogue, bad[index], a)
    stars = np.flatnonzero((catalogue.flags & int(StarFlag.SHARP)) == 0)
    if not len(stars):
        return catalogue
    doubling = None
    if not found.whole_blobs:
        s = catalogue.take(stars)
        doubling = find_doubling(s.x, s.y, s.amplitude, FWHM_PER_SIGMA * sigma)
    if doubling is not None:
        second = np.zeros(len(catalogue), bool)
        second[stars[doubling.second]] = True
        catalogue = replace(catalogue, doubling=doubling).take(~second)
        stars = np.flatnonzero((catalogue.flags & int(StarFlag.SHARP)) == 0)
    spoiled = blended(catalogue.x[stars], catalogue.y[stars], catalogue.amplitude[stars], a)
    catalogue.flags[stars[spoiled]] |= np.uint16(StarFlag.BLENDED)
    return catalogue


def _flag_places(view: View, catalogue: Catalogue, bad_share: np.ndarray, sigma_major: float):
    """Set the EDGE, SATURATED and BAD_PIXEL flags in place on a fresh catalogue."""
    height, width = view.pixels.shape
    reach = 3.0 * sigma_major
    x, y, flags = catalogue.x, catalogue.y, catalogue.flags
    edge = (x < reach) | (y < reach) | (x > width - 1 - reach) | (y > height - 1 - reach)
    flags[edge] |= np.uint16(StarFlag.EDGE)
    flags[(bad_share > 0.02) & ~edge] |= np.uint16(StarFlag.BAD_PIXEL)
    sky = view.level
    flags[catalogue.peak > 0.9 * (view.saturation - sky)] |= np.uint16(StarFlag.SATURATED)
