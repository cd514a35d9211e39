"""What shines between the stars: galaxies, globular clusters, nebulae, comets, satellites.

Surface brightnesses are in ADU a pixel.  Profiles are published ones (sources at each); what
gives them texture (arms, knots, filaments) is drawn at random.  All are smoothed by the star,
which GalSim renders.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from tests.star_template import Template


def _grid(height: int, width: int, place: tuple[float, float]):
    """Offsets in px from ``place``, given in widths and heights of the frame."""
    v, u = np.mgrid[0:height, 0:width].astype(np.float32)
    return u - np.float32(place[0] * width), v - np.float32(place[1] * height)


def _seen(image: np.ndarray, star: Template) -> np.ndarray:
    return gaussian_filter(image, 0.42 * star.truth.fwhm_px)


def _turned(u, v, angle_deg: float):
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    return u * c + v * s, v * c - u * s


@dataclass(frozen=True)
class Galaxy:
    """Sersic profile (Sersic 1963; b_n as in Graham & Driver 2005), with arms and knots.

    ``level`` is the brightness at the half-light radius ``half_px`` along the long axis.
    """

    half_px: float
    index: float = 1.0
    level: float = 300.0
    q: float = 0.6
    angle_deg: float = 40.0
    place: tuple[float, float] = (0.5, 0.5)
    arms: float = 0.0
    knots: int = 0
    lane: float = 0.0

    def light(self, rng, height: int, width: int, star: Template) -> np.ndarray:
        """ADU, shape (height, width)."""
        along, across = _turned(*_grid(height, width, self.place), self.angle_deg)
        across = across / self.q
        radius = np.hypot(np.hypot(along, across), 0.3)
        b = 2 * self.index - 1 / 3 + 0.009876 / self.index
        image = self.level * np.exp(-b * ((radius / self.half_px) ** (1 / self.index) - 1))
        if self.arms:
            turn = np.arctan2(across, along) * 2 - 5.0 * np.log(radius / self.half_px + 0.05)
            image *= 1 + self.arms * np.cos(turn) ** 3
        if self.lane:  # a lane of dust along the disc seen from its edge
            image *= 1 - self.lane * np.exp(-0.5 * (across * self.q / (0.04 * self.half_px)) ** 2)
        for _ in range(self.knots):
            r, phi = self.half_px * rng.uniform(0.2, 2.0), rng.uniform(0, 2 * np.pi)
            size = star.truth.fwhm_px * rng.uniform(0.6, 2.5)
            shape = (along - r * np.cos(phi)) ** 2 + ((across - r * np.sin(phi)) * self.q) ** 2
            near = shape < 25 * size**2
            image[near] += self.level * rng.uniform(0.2, 2) * np.exp(-0.5 * shape[near] / size**2)
        return _seen(image, star)


@dataclass(frozen=True)
class Globular:
    """Stars of a King (1962) surface density, its core unresolved."""

    stars: int = 20_000
    core_px: float = 60.0
    tidal: float = 12.0
    faintest: float = 60.0
    brightest: float = 60_000.0
    place: tuple[float, float] = (0.5, 0.5)

    def light(self, rng, height: int, width: int, star: Template) -> np.ndarray:
        """ADU, shape (height, width)."""
        edge = self.core_px * self.tidal
        r = np.linspace(0, edge, 4000)
        density = (
            1 / np.sqrt(1 + (r / self.core_px) ** 2) - 1 / np.sqrt(1 + self.tidal**2)
        ) ** 2 * r
        share = np.cumsum(density) / density.sum()
        radius = np.interp(rng.random(self.stars), share, r)
        phi = rng.uniform(0, 2 * np.pi, self.stars)
        flux = np.minimum(self.faintest * rng.random(self.stars) ** (-1 / 0.9), self.brightest)
        n, half = star.oversample, star.half_px
        image = np.zeros((height + 2 * half + 2, width + 2 * half + 2), np.float32)
        x = self.place[0] * width + radius * np.cos(phi)
        y = self.place[1] * height + radius * np.sin(phi)
        for px, py, light in zip(x, y, flux, strict=True):
            i, j = int(np.floor(px)), int(np.floor(py))
            if 0 <= i < width and 0 <= j < height:
                stamp = star.stamp(int((px - i) * n), int((py - j) * n))
                image[j : j + 2 * half + 1, i : i + 2 * half + 1] += np.float32(light) * stamp
        return image[half : half + height, half : half + width]


@dataclass(frozen=True)
class Nebula:
    """Clouds of turbulence with a power-law spectrum, and straight filaments.

    The amplitude spectrum k^-1.8 is near that of interstellar clouds (power k^-2.5 to -4;
    from memory).  ``ridges`` filaments are straight, of Gaussian width, thin out at both ends.
    """

    level: float = 200.0
    contrast: float = 1.0
    ridges: int = 6
    ridge_adu: float = 150.0
    ridge_px: tuple[float, float] = (3.0, 20.0)

    def light(self, rng, height: int, width: int, star: Template) -> np.ndarray:
        """ADU, shape (height, width)."""
        ky, kx = np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None, :]
        k = np.hypot(kx, ky)
        k[0, 0] = np.inf
        wave = np.fft.irfft2(
            np.fft.rfft2(rng.standard_normal((height, width))) * k**-1.8, (height, width)
        )
        cloud = self.level * np.exp(self.contrast * wave / wave.std())
        cloud = np.minimum(cloud, 12 * self.level).astype(np.float32)
        for _ in range(self.ridges):
            place = (rng.uniform(0.15, 0.85), rng.uniform(0.15, 0.85))
            along, across = _turned(*_grid(height, width, place), rng.uniform(0, 180))
            fwhm = np.hypot(rng.uniform(*self.ridge_px), star.truth.fwhm_px)
            length = rng.uniform(0.1, 0.5) * width
            taper = np.clip((length - np.abs(along)) / (0.3 * length), 0, 1)
            cloud += (
                self.ridge_adu
                * rng.uniform(0.4, 1.5)
                * taper
                * np.exp(-4 * np.log(2) * (across / fwhm) ** 2)
            )
        return _seen(cloud, star)


@dataclass(frozen=True)
class Comet:
    """A coma that falls as 1 over the distance from the nucleus, and a straight tail."""

    level: float = 3000.0
    place: tuple[float, float] = (0.45, 0.5)
    angle_deg: float = 25.0
    tail_adu: float = 120.0

    def light(self, rng, height: int, width: int, star: Template) -> np.ndarray:
        """ADU, shape (height, width)."""
        along, across = _turned(*_grid(height, width, self.place), self.angle_deg)
        radius = np.hypot(np.hypot(along, across), 1.5)
        image = self.level / radius * np.exp(-radius / (0.4 * width))
        spread = 6.0 + 0.05 * np.maximum(along, 0)
        behind = np.clip(along / 40, 0, 1) * np.exp(-np.maximum(along, 0) / (0.5 * width))
        image += self.tail_adu * behind * np.exp(-0.5 * (across / spread) ** 2)
        return _seen(image, star)


@dataclass(frozen=True)
class Satellite:
    """A trail across the whole frame, as narrow as a star."""

    level: float = 200.0
    angle_deg: float = 27.0
    place: tuple[float, float] = (0.45, 0.55)

    def light(self, rng, height: int, width: int, star: Template) -> np.ndarray:
        """ADU, shape (height, width)."""
        _, across = _turned(*_grid(height, width, self.place), self.angle_deg)
        return self.level * np.exp(-4 * np.log(2) * (across / star.truth.fwhm_px) ** 2)
