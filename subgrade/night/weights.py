"""What a frame adds to the stack: weights and equivalent exposure.

Faint light against the sky is what counts, so each frame is taken as
sky-limited and its star as a Gaussian.  The gain of a frame then goes as
``T^2 / (sigma^2 FWHM^2)``: signal squared over the noise within the star's
noise-equivalent area (King 1983, PASP 95, 163; Zackay & Ofek 2017, ApJ 836,
187).  Two conventions for a stack must not be mixed: *flux-scaled* frames have
been divided by their transparency before averaging, *unscaled* ones have not;
a scaled frame's weight is T times the unscaled one's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from subgrade.constants import FWHM_PER_SIGMA

GAUSSIAN_NEA = 2.266180
"""Noise-equivalent area of a Gaussian star in units of FWHM^2 (4 pi / FWHM_PER_SIGMA^2)."""


def sky_limited_weights(transparency: ArrayLike, noise: ArrayLike, fwhm: ArrayLike) -> np.ndarray:
    """Stacking weights ``T^2 / (sigma^2 FWHM^2)`` of flux-scaled frames, best = 1.

    Near the optimum of a pixel-by-pixel sum, not at it: over random nights the
    S/N fell short of `exact_weights` by at most 2 % where the widths differ by a
    factor of 1.6, and by up to 11 % where they differ by a factor of three.

    Parameters
    ----------
    transparency, noise, fwhm : array-like, shape (n,)
        T as a ratio, sky noise per pixel, star width (any one unit).

    Returns
    -------
    ndarray, shape (n,)
        0 where a value is missing or not positive.
    """
    t, s, f = (np.asarray(v, dtype=float) for v in (transparency, noise, fwhm))
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = t**2 / (s**2 * f**2)
    good = np.isfinite(weight) & (t > 0) & (s > 0) & (f > 0)
    weight = np.where(good, weight, 0.0)
    return weight / weight.max() if good.any() else weight


def effective_exposure(
    exposure_s: ArrayLike,
    transparency: ArrayLike,
    sky: ArrayLike,
    fwhm: ArrayLike,
    usual_sky: float,
    usual_fwhm: float,
) -> float | np.ndarray:
    """Exposure that would reach the same depth under usual sky and seeing.

    ``t_eff = t * T^2 * (sky0 / sky) * (FWHM0 / FWHM)^2`` (Neilsen, Bernstein,
    Gruendl & Kent 2016, OSTI 1250877).

    Parameters
    ----------
    exposure_s, transparency, sky, fwhm : float or array
        ``sky`` is the background light, or the noise squared, above bias.
    usual_sky, usual_fwhm : float
        The reference conditions, same units.

    Returns
    -------
    float or ndarray
        Seconds.
    """
    return (
        np.asarray(exposure_s)
        * np.asarray(transparency) ** 2
        * (usual_sky / np.asarray(sky))
        * (usual_fwhm / np.asarray(fwhm)) ** 2
    )


def _overlaps(transparency: np.ndarray, fwhm: np.ndarray) -> np.ndarray:
    """M_ij = T_i T_j / (2 pi (s_i^2 + s_j^2)): integral of the product of two frames' stars."""
    s2 = (np.asarray(fwhm, float) / FWHM_PER_SIGMA) ** 2
    t = np.asarray(transparency, float)
    return np.outer(t, t) / (2 * np.pi * (s2[:, None] + s2[None, :]))


def matched_snr2(
    transparency: float | np.ndarray, noise: float | np.ndarray, fwhm: float | np.ndarray
) -> float | np.ndarray:
    """S/N squared of a unit star in each frame, ``T^2 / (sigma^2 4 pi s^2)``, shape (n,)."""
    t, s, f = (np.asarray(v, dtype=float) for v in (transparency, noise, fwhm))
    return t**2 / (s**2 * GAUSSIAN_NEA * f**2)


def stack_efficiency(
    weights: ArrayLike,
    transparency: ArrayLike,
    noise: ArrayLike,
    fwhm: ArrayLike,
    flux_scaled: bool = False,
) -> float:
    """S/N of a pixel-by-pixel weighted sum, relative to matched filtering each frame.

    The sum's star is filtered with its own shape:
    ``SNR^2 = w' M w / w' diag(sigma^2) w`` over ``sum T^2 / (4 pi s^2 sigma^2)``.

    Parameters
    ----------
    weights : array-like, shape (n,)
        Of the frames as given by ``flux_scaled``.
    transparency, noise, fwhm : array-like, shape (n,)
    flux_scaled : bool
        Whether the weights are for frames divided by their transparency.

    Returns
    -------
    float
        In [0, 1].
    """
    t, s = np.asarray(transparency, float), np.asarray(noise, float)
    w = np.asarray(weights, dtype=float)
    w = w / t if flux_scaled else w
    signal = w @ _overlaps(t, fwhm) @ w
    return float(np.sqrt(signal / (w**2 @ s**2) / matched_snr2(t, s, fwhm).sum()))


def exact_weights(
    transparency: ArrayLike, noise: ArrayLike, fwhm: ArrayLike, flux_scaled: bool = False
) -> tuple[np.ndarray, float]:
    """Weights of a pixel-by-pixel sum with the highest S/N, and its efficiency.

    The top generalised eigenvector of the overlaps M against diag(sigma^2).

    Parameters
    ----------
    transparency, noise, fwhm : array-like, shape (n,)
        As for `sky_limited_weights`.
    flux_scaled : bool
        Whether the weights are for frames divided by their transparency.

    Returns
    -------
    ndarray, shape (n,)
        Best = 1.
    float
        As `stack_efficiency`.
    """
    t, s = np.asarray(transparency, float), np.asarray(noise, float)
    # In units of the noise the problem is an ordinary one.
    value, vector = np.linalg.eigh(_overlaps(t, fwhm) / np.outer(s, s))
    weight = np.abs(vector[:, -1]) / s
    efficiency = float(np.sqrt(value[-1] / matched_snr2(t, s, fwhm).sum()))
    weight = weight * t if flux_scaled else weight
    return weight / weight.max(), efficiency
