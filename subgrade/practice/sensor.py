"""From electrons to the numbers in the file."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .optics import moffat_alpha
from .scenario import Camera


@dataclass(frozen=True, slots=True)
class HotPixels:
    """Pixels fixed on the sensor whose dark current stands out, electrons per second."""

    x: np.ndarray
    y: np.ndarray
    rate: np.ndarray


def hot_pixels(camera: Camera, rng: np.random.Generator) -> HotPixels:
    """Draw the sensor's hot pixels; a tenth of them come with a warm neighbour."""
    number = rng.poisson(camera.hot_pixels_per_mpx * camera.width * camera.height / 1e6)
    x, y = rng.integers(0, camera.width, number), rng.integers(0, camera.height, number)
    rate = 1.5 * rng.pareto(1.2, number) + 0.5
    pair = rng.random(number) < 0.1
    x = np.concatenate([x, np.minimum(x[pair] + 1, camera.width - 1)])
    y = np.concatenate([y, y[pair]])
    return HotPixels(x, y, np.concatenate([rate, 0.4 * rate[pair]]))


def add_cosmic_rays(electrons: np.ndarray, mean_number: float, rng: np.random.Generator) -> int:
    """Add charged-particle tracks in place: short, sharp, at any angle.

    Returns
    -------
    int
        How many struck.
    """
    height, width = electrons.shape
    number = int(rng.poisson(mean_number))
    for _ in range(number):
        x, y = rng.uniform(0, width), rng.uniform(0, height)
        length, angle = 1.0 + rng.exponential(3.0), rng.uniform(0, 2 * np.pi)
        # About 100 e- per micron of silicon along the track (from memory), a few microns a pixel.
        per_px = rng.uniform(400.0, 1500.0)
        along = (np.arange(int(8 * length)) + 0.5) / 8
        ix = np.floor(x + along * np.cos(angle)).astype(int)
        iy = np.floor(y + along * np.sin(angle)).astype(int)
        inside = (ix >= 0) & (ix < width) & (iy >= 0) & (iy < height)
        np.add.at(electrons, (iy[inside], ix[inside]), per_px / 8)
    return number


def add_streak(
    electrons: np.ndarray,
    ends: tuple[float, float, float, float],
    level: float,
    fwhm: float,
    beta: float,
    pulse_px: float = 0.0,
) -> None:
    """Add a satellite's trail in place.

    Across the trail the light follows the star image summed along a line: a
    Moffat profile of exponent beta - 1/2.

    Parameters
    ----------
    electrons : ndarray, shape (height, width)
    ends : x1, y1, x2, y2
        Where the trail starts and stops, px.
    level : float
        Electrons per px on the ridge.
    fwhm, beta : float
        Seeing disc, px.
    pulse_px : float
        Length of one flash of a tumbling satellite; 0 shines steadily.
    """
    x1, y1, x2, y2 = ends
    length = float(np.hypot(x2 - x1, y2 - y1))
    ux, uy = (x2 - x1) / length, (y2 - y1) / length
    y, x = np.ogrid[: electrons.shape[0], : electrons.shape[1]]
    along = (x - x1) * ux + (y - y1) * uy
    across = (x - x1) * uy - (y - y1) * ux
    alpha = moffat_alpha(fwhm, beta)
    light = level * (1.0 + (across / alpha) ** 2) ** (0.5 - beta)
    ends_soft = np.clip(along / fwhm + 0.5, 0, 1) * np.clip((length - along) / fwhm + 0.5, 0, 1)
    light = light * ends_soft
    if pulse_px > 0:
        light = light * (0.6 + 0.4 * np.cos(2 * np.pi * along / pulse_px))
    electrons += light


def read_out(
    electrons: np.ndarray, camera: Camera, exposure_s: float, hot: HotPixels, rng
) -> np.ndarray:
    """Photon and read noise, full well, gain, pedestal, 16 bits.

    Parameters
    ----------
    electrons : ndarray, shape (height, width)
        Expected electrons, dark current not yet included.
    camera : Camera
    exposure_s : float
    hot : HotPixels
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of uint16, shape (height, width)
    """
    expected = np.maximum(electrons, 0.0) + camera.dark_e_per_s * exposure_s
    np.add.at(expected, (hot.y, hot.x), hot.rate * exposure_s)
    charge = rng.poisson(expected).astype(np.float32)
    np.minimum(charge, camera.full_well_e, out=charge)
    charge += np.float32(camera.read_noise_e) * rng.standard_normal(charge.shape, np.float32)
    adu = np.rint(charge / np.float32(camera.gain_e_per_adu) + np.float32(camera.bias_adu))
    return np.clip(adu, 0, 65535).astype(np.uint16)
