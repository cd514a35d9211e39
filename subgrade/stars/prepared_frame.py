"""A frame made ready to measure: sky, noise, mosaic lattice, saturation."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from subgrade.lights.model import HeaderFacts, Pixels
from subgrade.stars.background import Sky, mesh_size, sky_map, typical_level
from subgrade.stars.blobs import Bright
from subgrade.stars.compiled import kernel
from subgrade.stars.local_sky import levelled
from subgrade.stars.mosaic import green_lattice, green_means
from subgrade.stars.noise import pixel_noise
from subgrade.stars.raster import Stamps, blank, block_means, cut_stamps
from subgrade.stars.settings import MeasureSettings


@dataclass(frozen=True, slots=True)
class View:
    """One frame's pixels with what is known of its sky.

    Attributes
    ----------
    pixels : Pixels
    means, green : ndarray of float32
        2x2 block means of all pixels, and of the green ones (the same array without
        a mosaic).
    sky : Sky
        Under ``means``.
    sky_green : Sky
        Under the pixels that are measured; of half as many samples in a mosaic's first view.
    noise : float
        Of one measured sky pixel, ADU.
    parity : int
        Green lattice, or -1.
    saturation : float
        ADU above which pixels are not believed; infinity where unknown.
    notes : tuple of str
    bad : ndarray of int64
        Hot pixels to leave out of stamps, sorted as ``row * width + column``.
    """

    pixels: Pixels
    means: np.ndarray
    green: np.ndarray
    sky: Sky
    sky_green: Sky
    noise: float
    parity: int
    saturation: float
    notes: tuple[str, ...]
    bad: np.ndarray = field(default_factory=lambda: np.zeros(0, np.int64))
    ring: int = 0
    """Half-side of the stamps from whose sides the sky under a star is taken, px; 0 where the
    mesh's sky serves."""

    @property
    def lattice(self) -> float:
        """Sensor pixels per measured pixel."""
        return 2.0 if self.parity >= 0 else 1.0

    @property
    def level(self) -> float:
        """Median sky over the frame, ADU."""
        return typical_level(self.sky_green, *self.pixels.shape)

    def stamps(self, x: np.ndarray, y: np.ndarray, half: int) -> Stamps:
        """Cut-outs of the measured pixels, sky removed.

        Parameters
        ----------
        x, y : ndarray, shape (n,)
            Places, px.
        half : int
            A stamp measures ``2 * half + 1`` pixels a side.
        """
        reach = max(half, self.ring)
        stamps = cut_stamps(
            self.pixels, self.sky_green.level, self.sky_green.mesh_px, x, y, reach, self.parity
        )
        if len(self.bad):
            height, width = self.pixels.shape
            first = np.searchsorted(self.bad, np.arange(height + 1) * width)
            blank(stamps.data, stamps.x0, stamps.y0, width, self.bad, first)
        if not self.ring:
            return stamps
        stamps, edge = levelled(stamps), reach - half
        inner = slice(edge, edge + 2 * half + 1)
        cut = np.ascontiguousarray(stamps.data[:, inner, inner])
        return Stamps(cut, stamps.x0 + edge, stamps.y0 + edge)

    def without(self, columns: np.ndarray, rows: np.ndarray) -> View:
        """The view with more pixels (of these whole places) left out of every stamp."""
        index = rows.astype(np.int64) * self.pixels.shape[1] + columns
        return replace(self, bad=np.union1d(self.bad, index))


def first_view(
    pixels: Pixels,
    facts: HeaderFacts | None,
    settings: MeasureSettings,
    star_px: float = 0.0,
    mesh: int | None = None,
) -> View:
    """Sky and noise before any star is known; see `settled`.

    Parameters
    ----------
    pixels : Pixels
    facts : HeaderFacts or None
    settings : MeasureSettings
    star_px : float
        FWHM of the stars, px; 0 where not known yet.
    mesh : int, optional
        Side of the sky's cells, px, in place of one that fits frame and stars.
    """
    parity, note = green_lattice(pixels, facts.mosaic if facts else None)
    means = block_means(pixels)
    green = green_means(pixels, parity) if parity >= 0 else means
    mesh = mesh or mesh_size(*pixels.shape, settings.mesh_px, star_px)
    samples = _samples(pixels, mesh, settings)
    sky = sky_map(means, mesh, samples // 2)
    sky_green = sky_map(green, mesh, samples // 2) if parity >= 0 else sky
    noise = pixel_noise(pixels, sky_green, parity, None, 25_000)
    return View(
        pixels, means, green, sky, sky_green, noise, parity, np.inf, (note,) if note else ()
    )


def settled(view: View, settings: MeasureSettings) -> View:
    """A first view that stays the last, with all samples under its green pixels.

    Most views are refined, and need them under the stars' mask only.
    """
    if view.parity < 0:
        return view
    mesh = view.sky.mesh_px
    return replace(view, sky_green=sky_map(view.green, mesh, _samples(view.pixels, mesh, settings)))


def _samples(pixels: Pixels, mesh: int, settings: MeasureSettings) -> int:
    """Sky samples a cell: more on small frames, which have few cells."""
    cells = max(1, pixels.data.size // mesh**2)
    return int(max(settings.mesh_samples, settings.sky_samples / cells))


@kernel
def _paint(mask: np.ndarray, xs: np.ndarray, ys: np.ndarray, scale: int, grow: int) -> None:
    rows, columns = mask.shape
    for k in range(len(xs)):
        x0 = int(xs[k] * scale) - grow
        y0 = int(ys[k] * scale) - grow
        x1 = int((xs[k] + 1) * scale - 1e-6) + grow
        y1 = int((ys[k] + 1) * scale - 1e-6) + grow
        for j in range(max(y0, 0), min(y1 + 1, rows)):
            for i in range(max(x0, 0), min(x1 + 1, columns)):
                mask[j, i] = True


def star_mask(
    shape: tuple[int, int],
    bright: Bright,
    block: int,
    grow_px: float,
    which: np.ndarray | slice = slice(None),
) -> np.ndarray:
    """Where stars are.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns of the frame.
    bright : Bright
    block : int
        Side of its blocks, px.
    grow_px : float
        How far the mask reaches beyond anything bright, px.
    which : ndarray or slice
        Which of ``bright`` count.

    Returns
    -------
    ndarray of bool, shape (height // 4 + 1, width // 4 + 1)
        Blocks of 4 px.
    """
    mask = np.zeros((shape[0] // 4 + 1, shape[1] // 4 + 1), np.bool_)
    _paint(mask, bright.x[which], bright.y[which], block / 4.0, max(1, int(np.ceil(grow_px / 4.0))))
    return mask


def spot_mask(shape: tuple[int, int], x: np.ndarray, y: np.ndarray, radius_px: float) -> np.ndarray:
    """Blocks of 4 px within ``radius_px`` of any of the places (px), as `star_mask`."""
    mask = np.zeros((shape[0] // 4 + 1, shape[1] // 4 + 1), np.bool_)
    grow = max(1, int(np.ceil(radius_px / 4.0)))
    _paint(mask, np.floor(x), np.floor(y), 0.25, grow)
    return mask


def refined(view: View, mask: np.ndarray, settings: MeasureSettings) -> View:
    """The view with sky and noise taken again outside a `star_mask`."""
    mesh = view.sky.mesh_px
    if mask.mean() > 0.85:  # hardly any sky is left: keep the clipped estimate
        return settled(view, settings)
    samples = _samples(view.pixels, mesh, settings)
    sky = sky_map(view.green, mesh, samples, mask)
    noise = pixel_noise(view.pixels, sky, view.parity, mask, 160_000)
    if not np.isfinite(noise):
        return settled(view, settings)
    under_all = sky if view.parity < 0 else sky_map(view.means, mesh, samples, mask)
    return replace(view, sky=under_all, sky_green=sky, noise=noise)
