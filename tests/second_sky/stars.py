"""Stars on the sensor: GalSim's star image, drawn along the path, with the camera's noise.

A frame is made on a grid finer than the pixel: each star leaves its light along its path, the
grid is convolved with the atmosphere, the optics and the pixel by Fourier transform, and every
so-many-th point is a pixel.  Light is laid down with cubic B-splines, which are taken out again in
Fourier space.
"""

from __future__ import annotations

from dataclasses import dataclass

import galsim
import numpy as np
from scipy import fft

from .rig import Rig

ZERO_FLUX = 8.8e9
"""Photons a second and square metre of a star of magnitude 0 in the V band (common value)."""
THROUGHPUT = 0.45
BAND = {"L": 2.2, "R": 0.8, "G": 0.8, "B": 0.7, "Ha": 0.06}
"""Width of a filter over that of V; rough."""
REACH = 480
"""How far beyond the frame stars are laid out, px: dithers, flips and comets bring them in."""


@dataclass(frozen=True, slots=True)
class Blur:
    """What one frame's starlight goes through.

    Attributes
    ----------
    fwhm : float
        Seeing, arcsec.
    disc : float
        Diameter of the defocused pupil, arcsec.
    halo : float
        Share of the light in a halo five times as wide.
    """

    fwhm: float
    disc: float
    halo: float


@dataclass(frozen=True, slots=True)
class Field:
    """Stars about the centre of the frame: places in px at the start of the night, electrons/s."""

    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray


def star_profile(rig: Rig, blur: Blur) -> galsim.GSObject:
    """The star image above the pixel, in arcseconds, of flux 1."""
    if rig.profile == "kolmogorov":
        seen = galsim.Kolmogorov(fwhm=blur.fwhm)
    else:
        seen = galsim.Moffat(beta=3.2, fwhm=blur.fwhm)
    seen = seen.shear(g=rig.stretch, beta=rig.stretch_angle * galsim.degrees)
    if blur.disc > 0.12 * blur.fwhm:  # less adds half a percent to the width
        hole = rig.hole**2
        pupil = galsim.TopHat(0.5 * blur.disc)
        if hole > 0.0:
            inner = galsim.TopHat(0.5 * blur.disc * rig.hole) * hole
            pupil = (pupil - inner) / (1.0 - hole)
        seen = galsim.Convolve(seen, pupil)
    if blur.halo > 0.0:
        wide = galsim.Moffat(beta=2.5, fwhm=5.0 * blur.fwhm)
        seen = seen * (1.0 - blur.halo) + wide * blur.halo
    return seen


def finer(rig: Rig, blur: Blur) -> int:
    """Points a pixel that sample the star image well."""
    width = blur.fwhm / rig.scale
    return 3 if width > 2.2 else 5


def light_grid(
    rig: Rig,
    blur: Blur,
    at: np.ndarray,
    flux: np.ndarray,
    shape: tuple[int, int],
    times: int = 0,
) -> np.ndarray:
    """Noise-free light of point sources on a patch of pixels.

    Parameters
    ----------
    rig, blur : Rig, Blur
    at : ndarray, shape (k, 2)
        Places (x, y) in px, 0 at the centre of the first pixel.
    flux : ndarray, shape (k,)
        Light of each.
    shape : tuple of int
        Rows and columns.
    times : int
        Points a pixel; `finer` if 0.

    Returns
    -------
    ndarray, shape ``shape``
        Light in each pixel.  Light nearer the border than 32 px outside is not lost.
    """
    times, rim = times or finer(rig, blur), 32
    rows, cols = (fft.next_fast_len(times * (s + 2 * rim), real=True) for s in shape)
    fine = (at + rim) * times
    whole = np.floor(fine).astype(int)
    part = fine - whole
    grid = np.zeros(rows * cols)
    inside = (whole >= 1).all(1) & (whole[:, 0] < cols - 2) & (whole[:, 1] < rows - 2)
    whole, part, flux = whole[inside], part[inside], flux[inside]
    along, across = (_cubic(part[:, a]) for a in (0, 1))
    for dx, wx in zip(range(-1, 3), along, strict=True):
        for dy, wy in zip(range(-1, 3), across, strict=True):
            np.add.at(grid, (whole[:, 1] + dy) * cols + whole[:, 0] + dx, flux * wx * wy)
    step = rig.scale / times
    half = min(int(18.0 * (blur.fwhm + blur.disc) / step), (min(rows, cols) - 1) // 2)
    image = galsim.ImageD(2 * half + 1, 2 * half + 1, scale=step)
    star_profile(rig, blur).drawImage(image, method="no_pixel")
    spread = np.zeros((rows, cols))
    spread[: 2 * half + 1, : 2 * half + 1] = image.array
    kernel = fft.rfft2(np.roll(spread, (-half, -half), (0, 1)))
    u, v = fft.rfftfreq(cols)[None, :], fft.fftfreq(rows)[:, None]
    pixel = np.sinc(u * times) * np.sinc(v * times) * times**2
    kernel *= pixel / (np.sinc(u) * np.sinc(v)) ** 4
    light = fft.irfft2(fft.rfft2(grid.reshape(rows, cols)) * kernel, (rows, cols))
    first = rim * times
    return light[first::times, first::times][: shape[0], : shape[1]]


def _cubic(t: np.ndarray) -> tuple[np.ndarray, ...]:
    """Weights of a cubic B-spline on the four points about a place, ``t`` beyond the second."""
    return (
        (1 - t) ** 3 / 6,
        (4 - 6 * t**2 + 3 * t**3) / 6,
        (1 + 3 * t + 3 * t**2 - 3 * t**3) / 6,
        t**3 / 6,
    )


def gather(path: np.ndarray, cell: float = 0.12) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A path of many samples as fewer places with shares of the time.

    Parameters
    ----------
    path : ndarray, shape (n, 2)
        Places, px.
    cell : float
        Samples within one square of this side stand at their mean, px.

    Returns
    -------
    places : ndarray, shape (k, 2)
    shares : ndarray, shape (k,)
        Sum 1.
    owner : ndarray of int, shape (n,)
        Which place each sample went to.
    """
    keys = np.floor(path / cell).astype(np.int64)
    keys -= keys.min(axis=0)
    _, owner, count = np.unique(
        keys[:, 0] * (keys[:, 1].max() + 1) + keys[:, 1], return_inverse=True, return_counts=True
    )
    sums = np.stack([np.bincount(owner, path[:, a]) for a in (0, 1)], axis=1)
    return sums / count[:, None], count / count.sum(), owner


def draw_field(rig: Rig, rng: np.random.Generator, sky_rate: float) -> Field:
    """Stars ever more numerous towards the faint, from a bright few to below the noise."""
    per_frame = rng.uniform(70.0, 240.0)
    area = (rig.width + 2 * REACH) * (rig.height + 2 * REACH)
    count = int(per_frame * area / (rig.width * rig.height))
    fwhm_px = rig.star_width / rig.scale
    noise = np.sqrt(sky_rate * rig.exposure + rig.read_noise**2)
    faint = 5.0 * noise * np.sqrt(2.27 * fwhm_px**2) / rig.exposure
    # Counts rise by 10**(0.32 m): between the Euclidean 0.6 and the galactic plane's 0.2-0.4.
    magnitudes = np.log10(np.clip(rng.random(count), 1e-6, None)) / 0.32
    x = rng.uniform(-REACH, rig.width + REACH, count)
    y = rng.uniform(-REACH, rig.height + REACH, count)
    return Field(x, y, faint * 10 ** (-0.4 * (magnitudes + 0.6)))


def sky_rate(rig: Rig) -> float:
    """Electrons a second and pixel from a dark sky."""
    area = np.pi / 4 * rig.aperture_m**2 * (1 - rig.hole**2)
    flux = ZERO_FLUX * THROUGHPUT * BAND[rig.filter] * area
    return float(flux * 10 ** (-0.4 * rig.sky_mag) * rig.scale**2)


@dataclass(frozen=True, slots=True)
class Sensor:
    """What a camera adds, the same in every frame: hot pixels (electrons/s), slope of the sky."""

    hot: np.ndarray
    slope: np.ndarray


def draw_sensor(rig: Rig, rng: np.random.Generator) -> Sensor:
    """Hot pixels and a sky that is brighter towards one side."""
    shape = (rig.height, rig.width)
    hot = np.zeros(shape)
    many = rng.random(shape) < rng.uniform(2e-4, 1.2e-3)
    hot[many] = rng.exponential(6.0, many.sum())
    y, x = np.mgrid[-0.5 : 0.5 : shape[0] * 1j, -0.5 : 0.5 : shape[1] * 1j]
    tilt, bowl = rng.uniform(0.0, 0.15), rng.uniform(0.0, 0.1)
    angle = rng.uniform(0.0, 6.28)
    slope = 1.0 + tilt * (x * np.cos(angle) + y * np.sin(angle)) - bowl * (x**2 + y**2)
    return Sensor(hot, slope)


def expose(
    rig: Rig, light: np.ndarray, sky: float, sensor: Sensor, rng: np.random.Generator
) -> np.ndarray:
    """Counts of one frame: shot noise, dark current, read noise, full well, 16 bits.

    ``light`` is the stars' electrons and ``sky`` the sky's, a pixel.
    """
    mean = np.clip(light, 0.0, None) + sky * sensor.slope + sensor.hot * rig.exposure
    electrons = np.minimum(rng.poisson(mean), rig.full_well)
    electrons = electrons + rng.normal(0.0, rig.read_noise, mean.shape)
    counts = np.round(electrons / rig.gain + rig.offset)
    return np.clip(counts, 0, 65535).astype(np.uint16)
