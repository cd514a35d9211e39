"""The frame's star list: centroids, brightness, and why a detection is left out."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
from scipy.spatial import cKDTree

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.robust import scatter
from subgrade.stars.detect import LINE_RATIO, Detections
from subgrade.stars.ellipse import ellipse_from_moments, middle_moments
from subgrade.stars.extended import GUIDE_SNR, wide
from subgrade.stars.joint_fit import JointFit, joint_fit
from subgrade.stars.local_sky import ring_px
from subgrade.stars.model import StarFlag
from subgrade.stars.moments import adaptive_moments, compactness, pooled_moments, weighted_centroids
from subgrade.stars.pairs_and_rings import Doubling, find_doubling
from subgrade.stars.photometry import Template, gaussian_template, template_fit
from subgrade.stars.prepared_frame import View
from subgrade.stars.settings import MeasureSettings
from subgrade.stars.single_pixels import lone_pixels

LARGEST_SIGMA_PX = 34.0
"""Largest size of a star, px (a ring of 100 px across); beyond it is nebula or cloud."""
LARGEST_HALF_PX = 120
"""Largest half-side of a stamp."""
LEAST_VARIANCE = 0.22
"""Variance across the narrow axis, px^2, below which nothing is a star: that of FWHM 1.1 px.
A track of single pixels reads 0 to 0.15."""
LEAST_SETTLED = 0.6
"""Share of the detections whose own moments settle, unless stars are as sharp as pixels."""
LEAST_COMPACT = 0.65
"""Least of `compactness` for stars that are taken together."""
LEAST_WEIGHT = 0.8
"""Variance of the weight for stars that are hardly wider than a pixel, px^2: sums over pixels
of a Gaussian of half that variance are its integral to 0.1 % (Poisson's formula)."""
FILLING = 0.3
"""Size of what fills a stamp with its own sky, sigma over half-side: measured 0.34 to 0.5 on
nebulae (GalSim frames); a star whose size was guessed well has 0.2, a line far less."""
SHARP_EXCESS = 0.2
"""Sharpness above which a detection is left out before the star image is known."""
JOINT_HALF_PX = 5
"""Half-side of the stamps of stars that coarse pixels show: two and a half widths."""
STAMP_PIXELS = 3_000_000
"""Stamp pixels held at a time."""


@dataclass(frozen=True, slots=True)
class Junk:
    """Detections that no telescope could have made: hot pixels and cosmic rays.

    Arrays of one length: place (px) and highest pixel above sky (ADU).
    """

    x: np.ndarray
    y: np.ndarray
    peak: np.ndarray


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
    junk: Junk

    def __len__(self) -> int:
        return len(self.x)

    def take(self, index: np.ndarray) -> Catalogue:
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


def _seed_moments(
    view: View, found: Detections, which: np.ndarray
) -> tuple[float, float, float] | None:
    """Typical adaptive moments (xx, yy, xy), px^2, of the bright detections ``which``, or None."""
    # the mode of their sizes is taken, since cosmic rays and blends scatter while stars agree
    half = half_side(float(ellipse_from_moments(*found.moments)[0]), 5.0)
    index = _brightest(view, found, which, half)
    if not len(index):
        return None
    x, y = found.x[index], found.y[index]
    stamps = view.stamps(x, y, half)
    if view.parity >= 0:
        together = pooled_moments(stamps, x, y, found.moments)
        if together is None or very_coarse(view, together.moments):
            fit = joint_shape(view, x, y, found.block_px)
            if fit is not None and very_coarse(view, fit.moments):
                return fit.moments
        if together is not None and coarse(view, together.moments):
            return together.moments
    m = adaptive_moments(stamps, x, y, found.moments)
    settled = len(index) < 30 or np.mean(m.ok) >= LEAST_SETTLED
    if view.parity < 0 and not settled and compactness(stamps) > LEAST_COMPACT:
        # stars that are sharp enough settle only where they lie between pixels, and read wide
        together = pooled_moments(stamps, x, y, found.moments, LEAST_WEIGHT)
        if together is not None and coarse(view, together.moments):
            return together.moments
    with np.errstate(invalid="ignore"):
        long, wide, _ = ellipse_from_moments(m.xx, m.yy, m.xy)
        good = m.ok & (wide**2 > LEAST_VARIANCE)
        if view.ring:  # what fills its stamp has no size of its own: a piece of the glow
            good &= np.sqrt(long * wide) < FILLING * half
    # several peaks of one track or streak settle on one place: count it once
    place = np.rint(m.x / 2) * 1e6 + np.rint(m.y / 2)
    first = np.zeros(len(good), bool)
    first[np.unique(np.where(good, place, np.nan), return_index=True)[1]] = True
    return _typical(np.stack((m.xx, m.yy, m.xy))[:, good & first], len(index))


def _brightest(view: View, found: Detections, which: np.ndarray, half: int) -> np.ndarray:
    """Unsaturated detections of ``which``, off the edge, to take the first moments of."""
    height, width = view.pixels.shape
    inside = (
        (found.x > half)
        & (found.y > half)
        & (found.x < width - 1 - half)
        & (found.y < height - 1 - half)
    )
    index = np.flatnonzero(inside & which)
    if len(index) < 5:
        index = np.flatnonzero(which)
    room = max(40, STAMP_PIXELS // (2 * half + 1) ** 2)
    count = min(250, room)
    index = index[: 4 * count]
    if not len(index):
        return index
    core = view.stamps(found.x[index], found.y[index], min(half, found.block_px + 2)).data
    top = np.nanmax(np.where(np.isfinite(core), core, -np.inf), axis=(1, 2))
    dim = top < 0.9 * (view.saturation - view.level)
    if np.count_nonzero(dim[:count]) >= 3:
        index = index[dim]
    return index[:count]


def _typical(parts: np.ndarray, asked: int) -> tuple[float, float, float] | None:
    """Middle of the moments (3, n) of the commonest size among ``asked`` detections, or None."""
    if not parts.shape[1]:
        return None
    size = 0.25 * np.log(parts[0] * parts[1] - parts[2] ** 2)
    near = np.abs(size - _mode(size)) < 0.15
    if near.sum() < 5 and near.sum() < 0.05 * asked:
        return None  # a handful alike among hundreds that are no stars is chance
    if near.sum() < 3:
        near[:] = True
    parts = parts[:, near]
    if near.sum() >= 3 and _disagree(*parts):
        return None
    middle = np.median(parts, axis=1)
    return middle_moments(parts, middle, 0.05 * middle[0] * middle[1])


def coarse(view: View, moments: tuple[float, float, float]) -> bool:
    """Whether a star's FWHM is under 2.3 sampled pixels, near the Nyquist limit of a Gaussian."""
    minor = float(ellipse_from_moments(*moments)[1])
    return FWHM_PER_SIGMA * minor / np.sqrt(view.lattice) < 2.3


def very_coarse(view: View, moments: tuple[float, float, float]) -> bool:
    """Whether a star's FWHM is under 2 sampled pixels: single stars show the lattice, no shape.

    The weighted sums of a Gaussian star under its own weight change by 2 exp(-pi^2 s^2) with its
    place on the lattice (Poisson summation, s its sigma in sampled pixels): 0.2 % there,
    6 % at 1.4 pixels.

    Parameters
    ----------
    view : View
    moments : tuple of float
        (xx, yy, xy) of the stars, px^2.
    """
    a, b, _ = ellipse_from_moments(*moments)
    width = FWHM_PER_SIGMA * float(np.sqrt(a * b)) / 1.1
    return width / np.sqrt(view.lattice) < 2.0


def joint_shape(
    view: View, x: np.ndarray, y: np.ndarray, uncertain_px: float, most: int = 60
) -> JointFit | None:
    """The profile that stars share, where pixels are too coarse for one.

    Parameters
    ----------
    view : View
    x, y : ndarray, shape (n,)
        Places, px, the best stars first.
    uncertain_px : float
        How far the places may be off, px.
    most : int
        Stars to fit.

    Returns
    -------
    JointFit or None
        None where they agree on no profile, or on one too narrow for a star.
    """
    x, y = x[:most], y[:most]
    half = int(np.ceil(JOINT_HALF_PX + 0.5 * uncertain_px))
    fit = joint_fit(view.stamps(x, y, half), x, y, view.noise, 1.1 * np.sqrt(view.lattice))
    single = fit is not None and fit.minor < FWHM_PER_SIGMA * np.sqrt(LEAST_VARIANCE)
    return None if single else fit


def _disagree(xx: np.ndarray, yy: np.ndarray, xy: np.ndarray) -> bool:
    """Whether the distortions scatter as those of cosmic rays do, and not as one frame's stars."""
    # stars of S/N 20 scatter by 0.1 in each component, tracks in all directions by 0.5
    if np.median(ellipse_from_moments(xx, yy, xy)[1]) ** 2 > 0.6:
        return False  # wider than any track: stars may differ over the field
    half_sum = 0.5 * (xx + yy)
    one, two = 0.5 * (xx - yy) / half_sum, xy / half_sum
    spread = [scatter(v) for v in (one, two)]
    return bool(max(spread) > 0.35)


def fit_all(
    view: View,
    x: np.ndarray,
    y: np.ndarray,
    template: Template,
    half: int,
    moments: tuple[float, float, float] | None = None,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
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
    """
    n = len(x)
    new_x, new_y = np.array(x, np.float64), np.array(y, np.float64)
    rows = np.empty((6, n))
    chunk = max(64, STAMP_PIXELS // (2 * half + 1) ** 2)
    for start in range(0, n, chunk):
        part = slice(start, min(start + chunk, n))
        stamps = view.stamps(x[part], y[part], half)
        if moments is not None:
            new_x[part], new_y[part], _ = weighted_centroids(stamps, x[part], y[part], moments)
        places = new_x[part], new_y[part]
        fit = template_fit(stamps, *places, template, view.noise, view.lattice)
        for row, field in enumerate(fields(fit)):
            rows[row, part] = getattr(fit, field.name)
    return new_x, new_y, rows


def blended(x: np.ndarray, y: np.ndarray, amplitude: np.ndarray, sigma_major: float) -> np.ndarray:
    """True where a neighbour's light under the star's weight would pull its shape.

    A neighbour counts when it is brighter than 2 % of the star at its side, and
    than proportionally more farther out, as the Gaussian weight falls off.

    Parameters
    ----------
    x, y, amplitude : ndarray, shape (n,)
        Places, px, and heights, ADU.
    sigma_major : float
        Of the star along its long axis, px.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    crowded = np.zeros(len(x), bool)
    if len(x) < 2:
        return crowded
    pairs = cKDTree(np.column_stack((x, y))).query_pairs(6.0 * sigma_major, output_type="ndarray")
    if not len(pairs):
        return crowded
    a, b = pairs[:, 0], pairs[:, 1]
    t2 = ((x[a] - x[b]) ** 2 + (y[a] - y[b]) ** 2) / (1.6 * sigma_major) ** 2
    allowed = 0.02 * np.exp(0.5 * np.minimum(t2, 40))
    bright = np.maximum(amplitude, 1e-9)
    crowded[a[bright[b] > allowed * bright[a]]] = True
    crowded[b[bright[a] > allowed * bright[b]]] = True
    return crowded


def _without_copies(
    x: np.ndarray,
    y: np.ndarray,
    amplitude: np.ndarray,
    moments: tuple[float, float, float],
    radius: float,
) -> np.ndarray:
    """Indices, brightest first, of detections with no brighter one within ``radius`` sigma."""
    order = np.argsort(-amplitude, kind="stable")
    keep = np.ones(len(x), bool)
    a, b, theta = (float(v) for v in ellipse_from_moments(*moments))
    t = np.radians(theta)
    along = (x * np.cos(t) + y * np.sin(t)) / a
    across = (y * np.cos(t) - x * np.sin(t)) / b
    tree = cKDTree(np.column_stack((along, across)))
    pairs = tree.query_pairs(radius, output_type="ndarray")
    rank = np.empty(len(x), int)
    rank[order] = np.arange(len(x))
    for one, two in pairs:
        keep[one if rank[one] > rank[two] else two] = False
    return order[keep[order]]


def _without_hot_pixels(view: View, found: Detections) -> tuple[View, Junk, np.ndarray]:
    """View without single bright pixels, those pixels, and which detections they made."""
    half = found.block_px + 2
    stamps = view.stamps(found.x, found.y, half)
    # the four diagonal neighbours of a mosaic hold less of a sharp star than all eight
    share = 0.1 if view.parity < 0 else 0.03
    reach = 0.5 * found.block_px + 0.5
    alone, column, row = lone_pixels(stamps, found.x, found.y, reach, view.noise, share)
    column, row = column[alone], row[alone]
    inside = stamps.data[alone]
    peak = inside[
        np.arange(len(column)),
        row - stamps.y0[alone].astype(int),
        column - stamps.x0[alone].astype(int),
    ]
    junk = Junk(column.astype(float), row.astype(float), peak.astype(float))
    return (view.without(column, row) if len(column) else view), junk, alone


def _cosmic_rays(
    view: View, x: np.ndarray, y: np.ndarray, which: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Columns and rows of the bright pixels around detections found to be no stars."""
    half = 4
    stamps = view.stamps(x[which], y[which], half)
    k, j, i = np.nonzero(stamps.data > 4.0 * view.noise)
    return i + stamps.x0[k].astype(int), j + stamps.y0[k].astype(int)


def build_catalogue(
    view: View, found: Detections, settings: MeasureSettings
) -> tuple[View, Catalogue | None]:
    """First star list, under a Gaussian of the frame's typical moments.

    Returns
    -------
    View
        With hot pixels and cosmic rays left out of all later stamps.
    Catalogue or None
        None when nothing reaches the listing limit.
    """
    if not len(found):
        return view, None
    view, junk, alone = _without_hot_pixels(view, found)
    seed = _seed_moments(view, found, ~alone & ~found.on_line)
    if seed is None:
        return view, None
    a, b, _ = (float(v) for v in ellipse_from_moments(*seed))
    if view.ring:
        view = replace(view, ring=ring_px(a))
        if a > LINE_RATIO * b:  # a glow hides that blobs are lines, and adds blobs that are none
            found = replace(found, whole_blobs=True)
    if np.sqrt(a * b) > LARGEST_SIGMA_PX:
        return view, None
    template = gaussian_template(*seed)
    half = half_side(a, 3.0) + found.block_px // 2
    x, y, fits = fit_all(view, found.x, found.y, template, half, seed)
    amplitude, snr, peak, misfit, bad, sharpness = fits
    good = np.isfinite(amplitude) & (amplitude > 0) & (snr > settings.list_snr * 0.8)
    index = np.flatnonzero(good)
    apart = 2.2 if found.whole_blobs else 0.8 * b / np.sqrt(a * b)
    index = index[_without_copies(x[index], y[index], amplitude[index], seed, apart)]
    flags = np.zeros(len(index), np.uint16)
    flags[found.on_line[index]] |= np.uint16(StarFlag.STREAK)
    columns = (v[index] for v in (x, y, amplitude, snr, peak, sharpness, misfit))
    ident = np.arange(len(index))
    catalogue = Catalogue(*columns, flags, ident, seed, found.whole_blobs, None, junk)
    _flag_places(view, catalogue, bad[index], a)
    view, catalogue = _without_junk(view, catalogue)
    if not len(catalogue):
        return view, None
    where = catalogue.x, catalogue.y, catalogue.sharpness, catalogue.snr
    # rings, pairs and winged stars have another sharpness under a Gaussian, but one in common;
    # on a glow what is most common may be no star
    bright = catalogue.sharpness[catalogue.snr > GUIDE_SNR]
    star = _mode(bright) if len(bright) >= 5 and not view.ring else 0.0
    catalogue = replace(catalogue, flags=flag_wide(catalogue, *where, view.pixels.shape, star))
    return view, _paired(catalogue, a, np.sqrt(a * b))


def flag_wide(
    catalogue: Catalogue,
    x: np.ndarray,
    y: np.ndarray,
    sharpness: np.ndarray,
    snr: np.ndarray,
    shape: tuple[int, int],
    star: float = 0.0,
) -> np.ndarray:
    """The catalogue's flags, with WIDE set anew by the given measurements.

    Parameters
    ----------
    catalogue : Catalogue
    x, y, sharpness, snr : ndarray, shape (n,)
        As `subgrade.stars.extended.wide` takes them.
    shape : tuple of int
        Rows and columns of the frame.
    star : float
        Sharpness of a star.

    Returns
    -------
    ndarray of uint16, shape (n,)
    """
    flags = catalogue.flags & ~np.uint16(StarFlag.WIDE)
    other = StarFlag.SATURATED | StarFlag.EDGE | StarFlag.STREAK | StarFlag.SHARP
    asked = (flags & int(other)) == 0
    flags[wide(x, y, sharpness, snr, asked, shape, star)] |= np.uint16(StarFlag.WIDE)
    return flags


def _without_junk(view: View, catalogue: Catalogue) -> tuple[View, Catalogue]:
    """Take what is plainly sharper than a star out of the list and its pixels out of the view."""
    faint = 1.0 / np.maximum(catalogue.snr, 1.0)
    spiky = catalogue.peak > 1.4 * catalogue.amplitude + 5.0 * view.noise
    track = (catalogue.misfit > 1.2 + 4.0 * faint) & ((catalogue.sharpness > -0.05) | spiky)
    sharp = (catalogue.sharpness > SHARP_EXCESS + 2.0 * faint) | track
    sharp &= (catalogue.flags & int(StarFlag.SATURATED)) == 0
    if not sharp.any() or catalogue.whole_blobs:
        return view, catalogue
    x, y = catalogue.x, catalogue.y
    old = catalogue.junk
    junk = Junk(
        np.concatenate((old.x, x[sharp])),
        np.concatenate((old.y, y[sharp])),
        np.concatenate((old.peak, catalogue.peak[sharp])),
    )
    view = view.without(*_cosmic_rays(view, x, y, sharp))
    return view, replace(catalogue.take(~sharp), junk=junk)


def _paired(catalogue: Catalogue, sigma_major: float, sigma: float) -> Catalogue:
    """The list with second images taken out and blends flagged."""
    stars = np.flatnonzero((catalogue.flags & int(StarFlag.STREAK)) == 0)
    doubling = None
    a, b, _ = ellipse_from_moments(*catalogue.moments)
    # the pieces of a line lie one behind the other like images of a star
    if not catalogue.whole_blobs and len(stars) and a < 2.0 * b:
        s = catalogue.take(stars)
        doubling = find_doubling(s.x, s.y, s.amplitude, FWHM_PER_SIGMA * sigma)
    if doubling is not None:
        second = np.zeros(len(catalogue), bool)
        second[stars[doubling.second]] = True
        catalogue = replace(catalogue, doubling=doubling).take(~second)
    crowded = blended(catalogue.x, catalogue.y, catalogue.amplitude, sigma_major)
    catalogue.flags[crowded] |= np.uint16(StarFlag.BLENDED)
    return catalogue


def _flag_places(
    view: View, catalogue: Catalogue, bad_share: np.ndarray, sigma_major: float
) -> None:
    """Set the EDGE, SATURATED and BAD_PIXEL flags in place on a fresh catalogue."""
    height, width = view.pixels.shape
    reach = 3.0 * sigma_major
    x, y, flags = catalogue.x, catalogue.y, catalogue.flags
    edge = (x < reach) | (y < reach) | (x > width - 1 - reach) | (y > height - 1 - reach)
    flags[edge] |= np.uint16(StarFlag.EDGE)
    flags[(bad_share > 0.02) & ~edge] |= np.uint16(StarFlag.BAD_PIXEL)
    sky = view.level
    flags[catalogue.peak > 0.9 * (view.saturation - sky)] |= np.uint16(StarFlag.SATURATED)
