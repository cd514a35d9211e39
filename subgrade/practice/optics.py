"""The star image as a transfer function: seeing, focus, aberrations, dew, pixel.

Every ingredient is an exact Fourier transform, so the image of a star is
band-limited by construction and can be sampled at any sub-pixel position.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .kernel import motion_transfer, transfer
from .scenario import Optics

ORDERS = (-1, 0, 1)
"""Spectral replicas kept when a star is sampled by pixels: frequencies to 1.5 cycles per px."""


@dataclass(frozen=True, slots=True)
class Blur:
    """A star image before motion, in pixels.

    ``dew`` is the share of light thrown into wide wings; ``spot`` the ray
    positions of the optics (px), or None where they are a point.
    """

    fwhm_px: float
    beta: float
    dew: float = 0.0
    spot: np.ndarray | None = None


def moffat_alpha(fwhm: float, beta: float) -> float:
    """Core width of a Moffat profile: FWHM = 2 alpha sqrt(2^(1/beta) - 1) (Moffat 1969)."""
    return fwhm / (2.0 * np.sqrt(2.0 ** (1.0 / beta) - 1.0))


def moffat_transfer(k: np.ndarray, fwhm: float, beta: float) -> np.ndarray:
    """Fourier transform of a Moffat profile of unit flux, infinite in extent.

    Hankel transform of (1 + r^2/alpha^2)^-beta:
    2 (z/2)^(beta-1) K_(beta-1)(z) / Gamma(beta-1) with z = 2 pi k alpha
    (Gradshteyn & Ryzhik 6.565.4, from memory; the tests hold it against GalSim).

    Parameters
    ----------
    k : ndarray
        Spatial frequency, cycles per px.
    fwhm, beta : float
        Full width at half maximum in px, exponent above 1.
    """
    from scipy.special import gammaln, kve

    z = 2.0 * np.pi * np.abs(k) * moffat_alpha(fwhm, beta)
    order = beta - 1.0
    out = np.ones_like(z)
    some = z > 1e-6
    zs = z[some]
    log = np.log(2.0) + order * np.log(zs / 2.0) - gammaln(order) - zs
    out[some] = np.exp(log) * kve(order, zs)
    return out


def spot_diagram(
    optics: Optics, pixel_um: float, defocus_um: float, u: float, v: float
) -> np.ndarray | None:
    """Where the rays of one star meet the sensor, px from the chief ray.

    Third-order transverse aberrations over an annular pupil: defocus (with a
    tilted sensor), astigmatism growing with the square of the field, coma
    growing with the field.

    Parameters
    ----------
    optics : Optics
        Focal ratio, obstruction and aberrations.
    pixel_um : float
        Pitch of a stored pixel.
    defocus_um : float
        Distance of the sensor from best focus at field centre.
    u, v : float
        Field position, in half-diagonals from the centre (x and y).

    Returns
    -------
    ndarray of shape (n, 2), or None when all rays meet within a hundredth of a pixel
    """
    field = float(np.hypot(u, v))
    blur = (defocus_um + optics.tilt_um * u) / (2.0 * optics.focal_ratio) / pixel_um
    oval = 0.5 * optics.astigmatism_um * field**2 / pixel_um
    coma = optics.coma_um * field / 3.0 / pixel_um
    if max(abs(blur), oval, coma) < 0.01:
        return None
    rings = int(np.clip(4 + 2 * (abs(blur) + oval + coma), 6, 24))
    inner = optics.obstruction**2
    # Rings of equal area, so the mean square radius of the annulus is exact.
    radius = np.sqrt(inner + (1 - inner) * (np.arange(rings) + 0.5) / rings)
    turn = 2 * np.pi * (np.arange(4 * rings) + 0.5) / (4 * rings)
    r, t = (a.ravel() for a in np.meshgrid(radius, turn))
    # Along the field radius and across it, then turned to x and y.
    along = blur * r * np.cos(t) + oval * r * np.cos(t) + coma * r**2 * (2 + np.cos(2 * t))
    across = blur * r * np.sin(t) - oval * r * np.sin(t) + coma * r**2 * np.sin(2 * t)
    points = np.column_stack([along, across])
    points -= points.mean(axis=0)
    c, s = (u / field, v / field) if field > 0 else (1.0, 0.0)
    return points @ np.array([[c, s], [-s, c]])


def frequencies(size: int) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies (cycles per px) of a stamp's spectrum with its replicas.

    Returns
    -------
    kx : ndarray, shape (3, size // 2 + 1)
    ky : ndarray, shape (3, size)
        First axis: replica order -1, 0, 1 of the pixel grid.
    """
    orders = np.array(ORDERS, float)[:, None]
    return orders + np.fft.rfftfreq(size), orders + np.fft.fftfreq(size)


def cutoff(blur: Blur, level: float = 1e-6) -> float:
    """Frequency (cycles per px) beyond which the star image carries less than ``level``."""
    k = np.linspace(0.02, 1.5, 150)
    low = np.flatnonzero(moffat_transfer(k, blur.fwhm_px, blur.beta) * np.sinc(k) < level)
    return float(k[low[0]]) if len(low) else 1.5


def blur_spectrum(blur: Blur, kx: np.ndarray, ky: np.ndarray) -> np.ndarray:
    """Transfer function of seeing, dew, optics and the square pixel; flux 1.

    Parameters
    ----------
    blur : Blur
    kx, ky : ndarray, one-dimensional
        Cycles per px.

    Returns
    -------
    ndarray, shape (ny, nx)
    """
    k = np.hypot(kx[None, :], ky[:, None])
    # The round factors come from a fine table: Bessel functions cost a microsecond each.
    table = np.linspace(0.0, float(k.max()) + 1e-9, 6001)
    seeing = moffat_transfer(table, blur.fwhm_px, blur.beta)
    if blur.dew > 0:
        halo = moffat_transfer(table, 3.0 * blur.fwhm_px, 2.0)
        seeing = (1.0 - blur.dew) * seeing + blur.dew * halo
    out = np.interp(k, table, seeing) * np.sinc(kx)[None, :] * np.sinc(ky)[:, None]
    return out if blur.spot is None else out * transfer(blur.spot, kx, ky)


def star_spectrum(
    blur: Blur,
    path: np.ndarray,
    kx: np.ndarray,
    ky: np.ndarray,
    extra_sigma: float = 0.0,
) -> np.ndarray:
    """Transfer function of a star that moved along ``path`` (px), pixel included.

    ``extra_sigma`` widens it by a Gaussian (px), as a galaxy is.  Frequencies
    beyond the seeing's cut-off are left at zero.
    """
    limit = cutoff(blur)
    ix, iy = np.flatnonzero(np.abs(kx) <= limit), np.flatnonzero(np.abs(ky) <= limit)
    inner = blur_spectrum(blur, kx[ix], ky[iy]) * motion_transfer(path, kx[ix], ky[iy])
    if extra_sigma > 0:
        k2 = kx[ix][None, :] ** 2 + ky[iy][:, None] ** 2
        inner = inner * np.exp(-2.0 * np.pi**2 * extra_sigma**2 * k2)
    out = np.zeros((len(ky), len(kx)), complex)
    out[np.ix_(iy, ix)] = inner
    return out
