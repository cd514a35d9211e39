"""Nights of frames for `damage.py`, rendered apart from the project's own renderers.

Stars are Moffat profiles (beta 3) summed in numpy over one sky, dithered from frame to frame;
photon noise is Poisson, read noise normal.  A frame is an array of whole ADU until it is
stored; what a sound camera or program does to it is in `damage_sound.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from astropy.io import fits
from scipy.ndimage import gaussian_filter

HEIGHT, WIDTH = 1024, 1280
MARGIN = 40
START = datetime(2032, 1, 9, 19, 0, tzinfo=UTC)
SKY_ADU = 900.0
READ_NOISE_ADU = 6.0


@dataclass(frozen=True)
class Field:
    """What lies in the sky: stars, nebula, and the width of a star's image (px)."""

    stars: int = 900
    fwhm: float = 3.0
    nebula: float = 0.0
    seed: int = 1

    def catalogue(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """x, y (frame without dither) and ADU of every star; counts go as flux to the -0.75."""
        rng = np.random.default_rng(self.seed)
        x = rng.uniform(-MARGIN, WIDTH + MARGIN, self.stars)
        y = rng.uniform(-MARGIN, HEIGHT + MARGIN, self.stars)
        flux = 900.0 * rng.random(self.stars) ** (-1 / 0.75)
        return x, y, np.minimum(flux, 8e5)

    def clouds_of_gas(self) -> np.ndarray:
        """Smooth and filamentary light, 0 to 1, with a margin for the dither."""
        rng = np.random.default_rng(self.seed + 1)
        shape = HEIGHT + 2 * MARGIN, WIDTH + 2 * MARGIN
        wide = gaussian_filter(rng.standard_normal(shape), 90)
        fine = gaussian_filter(rng.standard_normal(shape), 14)
        light = np.clip(wide / wide.std() + 1, 0, None) * np.exp(-np.abs(fine / fine.std()))
        return light / light.max()


FIELDS = {
    "normal": Field(),
    "crowded": Field(stars=9000, fwhm=2.6, seed=2),
    "sparse": Field(stars=90, fwhm=3.4, seed=3),
    "nebulous": Field(stars=700, nebula=1500.0, seed=4),
}


def expected(field: Field, number: int, binned: int = 1) -> np.ndarray:
    """Light without noise, sky included, in the place of frame ``number``."""
    rng = np.random.default_rng(1000 * field.seed + number)
    dx, dy = rng.uniform(-25, 25, 2)
    turn = np.radians(rng.normal(0, 0.02))
    x, y, flux = field.catalogue()
    u, v = x - WIDTH / 2, y - HEIGHT / 2
    x = u * np.cos(turn) - v * np.sin(turn) + WIDTH / 2 + dx
    y = u * np.sin(turn) + v * np.cos(turn) + HEIGHT / 2 + dy
    light = np.full((HEIGHT, WIDTH), SKY_ADU * rng.uniform(0.95, 1.05))
    _add_stars(light, x, y, flux, field.fwhm * rng.uniform(0.96, 1.04))
    if field.nebula:
        top, left = MARGIN - round(dy), MARGIN - round(dx)
        gas = field.clouds_of_gas()[top : top + HEIGHT, left : left + WIDTH]
        light += field.nebula * gas
    return light


def _add_stars(light: np.ndarray, x, y, flux, fwhm: float) -> None:
    """Moffat, beta 3: I = 2 / (pi a^2) (1 + r^2 / a^2)^-3, a = FWHM / (2 sqrt(2^(1/3) - 1))."""
    a = fwhm / (2 * np.sqrt(2 ** (1 / 3) - 1))
    for small, half in ((flux < 2e4, 9), (flux >= 2e4, 60)):
        grid = np.arange(-half, half + 1)
        for i in np.flatnonzero(small):
            column, row = round(x[i]), round(y[i])
            x0, x1 = max(column - half, 0), min(column + half + 1, light.shape[1])
            y0, y1 = max(row - half, 0), min(row + half + 1, light.shape[0])
            if x0 >= x1 or y0 >= y1:
                continue
            across = (grid + column - x[i])[x0 - column + half : x1 - column + half] / a
            up = (grid + row - y[i])[y0 - row + half : y1 - row + half] / a
            profile = (1 + across[None, :] ** 2 + up[:, None] ** 2) ** -3.0
            light[y0:y1, x0:x1] += 2 * flux[i] / (np.pi * a * a) * profile


def exposed(light: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Photon and read noise; ADU as floats."""
    noisy = rng.poisson(np.clip(light, 0, None)) + rng.normal(0, READ_NOISE_ADU, light.shape)
    return noisy.astype(np.float64)


def vignetted(light: np.ndarray, depth: float = 0.25) -> np.ndarray:
    v, u = np.mgrid[0 : light.shape[0], 0 : light.shape[1]]
    radius = np.hypot(u - light.shape[1] / 2, v - light.shape[0] / 2)
    return light * (1 - depth * (radius / radius.max()) ** 2)


def as_mosaic(light: np.ndarray) -> np.ndarray:
    """Seen through red, green, green and blue filters."""
    out = light.copy()
    out[::2, ::2] *= 0.7
    out[1::2, 1::2] *= 0.55
    return out


def whole_adu(values: np.ndarray) -> np.ndarray:
    return np.clip(np.rint(values), 0, 65535).astype(np.uint16)


def image(field: Field, number: int, form: str = "16 bit") -> np.ndarray:
    """One sound frame as the camera hands it over."""
    light = vignetted(expected(field, number))
    if form == "mosaic":
        light = as_mosaic(light)
    noisy = exposed(light, np.random.default_rng(77 * field.seed + number))
    if form == "8 bit":
        return np.clip(np.rint(noisy / 16), 0, 255).astype(np.uint8)
    if form == "float":
        # a calibrated frame: nearly no two pixels have one value
        flat = np.random.default_rng(5).normal(1, 0.01, noisy.shape)
        return ((noisy - 100) / flat).astype(np.float32)
    return whole_adu(noisy)


FORMS = ("16 bit", "float", "8 bit", "mosaic", "compressed")


def header(number: int, form: str, **cards) -> fits.Header:
    begun = START + timedelta(seconds=130 * number)
    known = {
        "OBJECT": "Test Field",
        "FILTER": "L",
        "EXPTIME": 120.0,
        "IMAGETYP": "LIGHT",
        "DATE-OBS": begun.replace(tzinfo=None).isoformat(timespec="seconds"),
        "XPIXSZ": 3.76,
        "FOCALLEN": 400.0,
    }
    if form == "mosaic":
        known["BAYERPAT"] = "RGGB"
    return fits.Header(known | cards)


def store(path: Path, values: np.ndarray, number: int, form: str, **cards) -> Path:
    """Write a frame; ``path`` ends in .fits."""
    head = header(number, form, **cards)
    if form == "compressed":
        hdu = fits.CompImageHDU(values, head, compression_type="RICE_1")
        fits.HDUList([fits.PrimaryHDU(), hdu]).writeto(path, overwrite=True)
    else:
        fits.PrimaryHDU(values, head).writeto(path, overwrite=True)
    return path
