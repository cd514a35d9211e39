"""Crowded fields: all stars at once under the frame's own star image.

Where stars stand closer than a few widths, the brightest pixel of one lies in the wings of the
next.  The stars found are fitted together, one after the other on what all others leave, again
and again until they settle (Gauss-Seidel); what is left is smoothed and searched for stars that
stood too near to brighter ones.  Three rounds find what can be separated.

The star list of a crowded frame, from all its stars fitted together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.lights.model import Pixels
from subgrade.stars.background import Sky, sky_map
from subgrade.stars.catalogue import Catalogue
from subgrade.stars.common_star import Stack, image_template
from subgrade.stars.crowd_fit import fit_all_stars, give_stars, peaks_of, with_own
from subgrade.stars.ellipse import ellipse_from_moments
from subgrade.stars.model import StarFlag
from subgrade.stars.mosaic import green_means
from subgrade.stars.noise import pixel_noise
from subgrade.stars.photometry import Template, TemplateFit, template_fit
from subgrade.stars.prepared_frame import View
from subgrade.stars.raster import cut_stamps, decode, halved, sky_at
from subgrade.stars.settings import MeasureSettings

CROWDED = 0.06
"""Listed stars in the area within one width of a star, on average, from which a field is
crowded: about as many are blends, and 5 % of the count would be missing (measured)."""
BLOCKS_PX = 3.8
"""Nearest that peaks on blocks of 2 px are kept apart, px: sharper stars blend in these."""
FINE_FWHM_PX = 5.5
"""Width up to which single pixels are worked on; wider stars lose nothing on blocks of 2 px."""
SMOOTHING = 0.6
"""Width of the smoothing before peaks are looked for, in widths of the star: it keeps 0.88 of the
matched filter's S/N (two Gaussians) and widens a star by 1.17 only."""
LEAST_PEAK = 5.0
"""Peaks of the smoothed image are followed up from so many times its noise."""
ROUNDS = 3
SWEEPS = 6
"""Rounds of search, and sweeps of fits over all stars before and after each."""
QUIET = 0.3
"""Change of a star's light, in its own noise, that is not followed up."""
LEAST_SHARE = 0.15
"""Least share of the light modelled at its place that a peak must add: the star image errs by a
few per cent of a star, and undersampled ones by more."""
LEAST_APART = 0.45
"""Nearest that two stars are kept apart, in FWHM."""


@dataclass(frozen=True, slots=True)
class Crowd:
    """All stars of a crowded frame, fitted together.

    ``x`` and ``y`` are in px on the frame; ``fit`` is that of the star image to each star with
    all others taken away.  ``view`` has sky and noise taken again from what the stars leave.
    """

    x: np.ndarray
    y: np.ndarray
    fit: TemplateFit
    view: View


def _is_crowded(count: int, fwhm_px: float, shape: tuple[int, int]) -> bool:
    """Whether ``count`` stars of that width stand in each other's light on the frame."""
    reach = max(fwhm_px, BLOCKS_PX)
    return bool(count * np.pi * reach**2 > CROWDED * shape[0] * shape[1])


def _find_crowd(
    view: View,
    template: Template,
    sigma: tuple[float, float],
    x: np.ndarray,
    y: np.ndarray,
    light: np.ndarray,
) -> Crowd:
    """All stars of a crowded frame, from those known already (px, ADU); ``sigma`` of both axes."""
    block = 1 if FWHM_PER_SIGMA * sigma[1] < FINE_FWHM_PX else 2
    half = 0.5 * (block - 1)
    left = _image(view, block)
    noise = view.noise / np.sqrt(_pixels(view, block))
    small = _on_blocks(template, block, view.parity)
    smooth = SMOOTHING * max(sigma[1] / block, 0.7)
    least = LEAST_APART * FWHM_PER_SIGMA * np.sqrt(sigma[0] * sigma[1]) / block
    # noise of a smoothed image: s / sqrt(4 pi) / sigma, more where only every second pixel counts
    thin = np.sqrt(view.lattice) if block == 1 else 1.0
    floor = LEAST_PEAK * thin * noise / np.sqrt(4 * np.pi) / smooth
    x, y = (x - half) / block, (y - half) / block
    stars = np.stack((x, y, np.asarray(light, np.float64)))
    whole = left.copy()
    # amplitude of a star of S/N 1 is s / sqrt(sum T^2)
    quiet = QUIET * noise / np.sqrt(np.sum(small.image**2)) / small.step_px
    give_stars(left, stars, small, -1.0)
    for number in range(ROUNDS + 1):
        fit_all_stars(left, stars, small, SWEEPS, quiet)
        keep = _standing(*stars, least)
        give_stars(left, stars[:, ~keep], small, 1.0)
        stars = np.ascontiguousarray(stars[:, keep])
        if number == 0:
            view, change = _sky_again(view, left, block)
            whole -= change
            left -= change
        if number < ROUNDS:
            new = _peaks(whole, left, smooth, floor)
            new = new[:, _apart(new, stars, least)]
            new[2] = 0.0
            stars = np.concatenate((stars, new), axis=1)
    view = replace(view, noise=_noise_again(view, left, block))
    noise = view.noise / np.sqrt(_pixels(view, block))
    fit = _fits(left, *stars, small, noise, view.lattice if block == 1 else 1.0)
    return Crowd(block * stars[0] + half, block * stars[1] + half, fit, view)


def _pixels(view: View, block: int) -> float:
    """Measured pixels in a block that has any."""
    return 1.0 if block == 1 else block**2 / view.lattice


def _image(view: View, block: int) -> np.ndarray:
    """The frame less its sky, on pixels or on means of blocks; NaN where it cannot be believed."""
    if block == 2:
        image = view.green.copy()
    else:
        image = decode(view.pixels.data, view.pixels).astype(np.float32)
        image.reshape(-1)[view.bad] = np.nan
        if view.parity >= 0:
            image[0::2, 1 - view.parity :: 2] = np.nan
            image[1::2, view.parity :: 2] = np.nan
    image[~(image < 0.9 * view.saturation)] = np.nan
    image -= _level(view.sky_green, image.shape, block)
    return image


def _level(sky: Sky, shape: tuple[int, int], block: int) -> np.ndarray:
    """A mesh of levels on every block of an image."""
    level = np.empty(shape, np.float32)
    place = (np.arange(shape[1]) + 0.5) * block - 0.5
    for row in range(shape[0]):
        across = np.full(shape[1], (row + 0.5) * block - 0.5)
        level[row] = sky_at(sky.level, sky.mesh_px, place, across)
    return level


def _on_blocks(template: Template, block: int, parity: int) -> Template:
    """The star image as block means see it, in units of blocks."""
    if block == 1:
        return template
    offsets = [(-0.5, -0.5), (0.5, 0.5), (-0.5, 0.5), (0.5, -0.5)]
    if parity >= 0:
        # pixels (x, y) of a block with x + y even, or odd
        offsets = offsets[:2] if parity == 0 else offsets[2:]
    step = template.step_px
    size = template.image.shape[0] + 2 * int(np.ceil(1.0 / step))
    axis = (np.arange(size) - (size - 1) / 2) * step
    middle = (template.image.shape[0] - 1) / 2
    from scipy.ndimage import map_coordinates

    mean = np.zeros((size, size))
    for dx, dy in offsets:
        rows, columns = np.meshgrid((axis + dy) / step, (axis + dx) / step, indexing="ij")
        mean += map_coordinates(template.image, (rows + middle, columns + middle), order=1)
    mean /= len(offsets)
    return Template(
        np.ascontiguousarray(mean, np.float32), step / block, (template.radius_px + 0.5) / block
    )


def _peaks(whole: np.ndarray, left: np.ndarray, smooth: float, floor: float) -> np.ndarray:
    """Peaks of what is left that add to the light modelled there: x, y, height; shape (3, n)."""
    gone = np.isnan(left)
    share = gaussian_filter((~gone).astype(np.float32), smooth, truncate=3.5)
    share = np.maximum(share, 0.2)
    seen, modelled = (
        gaussian_filter(np.where(gone, np.float32(0.0), image), smooth, truncate=3.5) / share
        for image in (left, whole - left)
    )
    return peaks_of(seen, np.maximum(np.float32(floor), LEAST_SHARE * modelled))


def _apart(new: np.ndarray, stars: np.ndarray, least: float) -> np.ndarray:
    """New places that lie no nearer than ``least`` to any star."""
    if not stars.shape[1] or not new.shape[1]:
        return np.ones(new.shape[1], bool)
    return cKDTree(stars[:2].T).query(new[:2].T)[0] >= least


def _standing(x: np.ndarray, y: np.ndarray, light: np.ndarray, least: float) -> np.ndarray:
    """Stars of positive light that no brighter one has come too near to."""
    keep = light > 0
    pairs = cKDTree(np.column_stack((x, y))).query_pairs(least, output_type="ndarray")
    for one, two in pairs:
        keep[one if light[one] < light[two] else two] = False
    return keep


def _sky_again(view: View, left: np.ndarray, block: int) -> tuple[View, np.ndarray]:
    """The view with the sky that the stars leave, and the change on the working image."""
    mesh = view.sky_green.mesh_px
    if block == 2:
        means = left
    elif view.parity < 0:
        means = halved(left)
    else:
        means = green_means(Pixels(left, integer=False), view.parity)
    change = sky_map(means, mesh, mesh**2 // 16)
    on_image = _level(change, left.shape, block)
    old = view.sky_green
    sky = Sky(old.level + change.level, old.noise, mesh)
    under_all = sky if view.parity < 0 else view.sky
    return replace(view, sky_green=sky, sky=under_all), on_image


def _noise_again(view: View, left: np.ndarray, block: int) -> float:
    """Noise of a pixel where all stars are taken away; wide stars keep the first."""
    if block == 2:
        return view.noise
    flat = Sky(np.zeros((1, 1), np.float32), np.zeros((1, 1), np.float32), max(left.shape))
    noise = pixel_noise(Pixels(left, integer=False), flat, view.parity, None, 160_000)
    # what the star image does not fit is no noise
    return min(noise, view.noise) if noise > 0 else view.noise


def _fits(
    left: np.ndarray,
    x: np.ndarray,
    y: np.ndarray,
    light: np.ndarray,
    template: Template,
    noise: float,
    lattice: float,
) -> TemplateFit:
    """The star image fitted to every star with the others taken away."""
    half = int(np.ceil(template.radius_px)) + 1
    rows = np.empty((6, len(x)))
    nothing = np.zeros((1, 1), np.float32)
    chunk = max(64, 3_000_000 // (2 * half + 1) ** 2)
    pixels = Pixels(left, integer=False)
    for start in range(0, len(x), chunk):
        part = slice(start, start + chunk)
        stamps = cut_stamps(pixels, nothing, 1 << 20, x[part], y[part], half)
        with_own(stamps, x[part], y[part], light[part], template)
        fit = template_fit(stamps, x[part], y[part], template, noise, lattice)
        for row, name in enumerate(TemplateFit.__slots__):
            rows[row, part] = getattr(fit, name)
    return TemplateFit(*rows)


CLOSE_SHARE = 0.1
"""Brightness of a neighbour within one width, over the star's, from which the star's own is
doubtful although both were fitted together."""


def together(
    view: View, catalogue: Catalogue, stack: Stack, settings: MeasureSettings
) -> tuple[View, Catalogue, TemplateFit | None]:
    """View, star list and fits of a crowded frame; on any other those given, and None.

    Lines, pairs and rings are left as they are: their images hold several maxima.
    """
    if not _plain(catalogue, stack) or view.ring:
        return view, catalogue, None
    fwhm = float(np.sqrt(stack.major * stack.minor))
    listed = np.count_nonzero(catalogue.snr >= settings.list_snr)
    if not _is_crowded(listed, fwhm, view.pixels.shape):
        return view, catalogue, None
    a, b, _ = (float(v) for v in ellipse_from_moments(*stack.shape.moments))
    # blobs of several maxima are blends here, since the star image is plain
    kept = (catalogue.flags & int(StarFlag.SHARP)) == 0
    known = catalogue.take(np.flatnonzero(kept))
    template = image_template(stack, catalogue.moments)
    crowd = _find_crowd(view, template, (a, b), known.x, known.y, known.amplitude)
    listed = crowd.fit.snr >= 0.8 * settings.list_snr
    fit = TemplateFit(*(getattr(crowd.fit, name)[listed] for name in TemplateFit.__slots__))
    x, y = crowd.x[listed], crowd.y[listed]
    flags, ident = _inherited(known, x, y, LEAST_APART * fwhm)
    reach = 3.0 * a
    height, width = view.pixels.shape
    edge = (x < reach) | (y < reach) | (x > width - 1 - reach) | (y > height - 1 - reach)
    flags[edge] |= np.uint16(StarFlag.EDGE)
    flags[_close(x, y, fit.amplitude, fwhm)] |= np.uint16(StarFlag.BLENDED)
    fitted = {
        name: getattr(fit, name) for name in ("amplitude", "snr", "peak", "sharpness", "misfit")
    }
    new = replace(catalogue, x=x, y=y, flags=flags, ident=ident, whole_blobs=False, **fitted)
    return crowd.view, new, fit


def _plain(catalogue: Catalogue, stack: Stack) -> bool:
    """Whether the frame's star is one filled image of moderate elongation."""
    if stack.method != "image" or catalogue.doubling is not None:
        return False
    a, b, _ = ellipse_from_moments(*stack.shape.moments)
    return bool(a < 2.5 * b and stack.widths.hollow > 0.9 and stack.widths.dip < 0.1)


def _inherited(
    known: Catalogue, x: np.ndarray, y: np.ndarray, reach: float
) -> tuple[np.ndarray, np.ndarray]:
    """Flags and numbers that stars keep from the list before; new stars get new numbers."""
    distance, old = cKDTree(np.column_stack((known.x, known.y))).query(np.column_stack((x, y)))
    same = np.flatnonzero(distance < reach)
    # of several near one old star the nearest is it
    same = same[np.argsort(distance[same], kind="stable")]
    same = same[np.unique(old[same], return_index=True)[1]]
    ident = known.ident.max(initial=-1) + 1 + np.arange(len(x))
    ident[same] = known.ident[old[same]]
    flags = np.zeros(len(x), np.uint16)
    lasting = StarFlag.SATURATED | StarFlag.STREAK | StarFlag.BAD_PIXEL
    flags[same] = known.flags[old[same]] & np.uint16(lasting)
    return flags, ident


def _close(x: np.ndarray, y: np.ndarray, light: np.ndarray, fwhm: float) -> np.ndarray:
    """Stars with a neighbour within one width that is not much fainter."""
    close = np.zeros(len(x), bool)
    pairs = cKDTree(np.column_stack((x, y))).query_pairs(fwhm, output_type="ndarray")
    for one, two in (pairs.T, pairs.T[::-1]):
        close[one[light[two] > CLOSE_SHARE * light[one]]] = True
    return close
