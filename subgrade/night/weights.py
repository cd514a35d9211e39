"""What a frame adds to the stack: weights, equivalent exposure, forecast of the stack.

Faint light against the sky is what counts, so each frame is taken as
sky-limited and its star as a Gaussian.  The gain of a frame then goes as
``T^2 / (sigma^2 FWHM^2)``: signal squared over the noise within the star's
noise-equivalent area (King 1983, PASP 95, 163; Zackay & Ofek 2017, ApJ 836,
187).  Two conventions for a stack must not be mixed: *flux-scaled* frames have
been divided by their transparency before averaging, *unscaled* ones have not;
a scaled frame's weight is T times the unscaled one's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.robust import bisected

GAUSSIAN_NEA = 2.266180
"""Noise-equivalent area of a Gaussian star in units of FWHM^2 (4 pi / FWHM_PER_SIGMA^2)."""
WINGED_SHARES = np.array([0.2446, 0.5639, 0.1915])
WINGED_SIZES = np.array([0.6252, 1.6999, 6.5132])
"""A Moffat star (beta 3) as three Gaussians: shares of light, and variances in units of that of
the Gaussian with the same half-maximum width (least squares; its noise-equivalent area is 1.665
times the Gaussian's, the Moffat's 1.667)."""


@dataclass(frozen=True, slots=True)
class StackForecast:
    """What a weighted stack would show.

    Attributes
    ----------
    fwhm_px : float
        Geometric mean of the half-maximum widths along the two axes.
    eccentricity : float
        From the stack's adaptive second moments, as a frame's is.
    angle_deg : float
        Long axis, counter-clockwise from +x of the reference, in [0, 180).
    snr : float
        Of a faint star, relative to the best single frame by itself.
    efficiency : float
        The same relative to matched filtering each frame by itself (1 = nothing lost).
    star_snr : float
        S/N of a star of unit flux (of the frames' flux at transparency 1, in the unit of
        the noise); comparable between stacks of one group.
    """

    fwhm_px: float
    eccentricity: float
    angle_deg: float
    snr: float
    efficiency: float
    star_snr: float = float("nan")


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


def turned_moments(
    xx: ArrayLike, yy: ArrayLike, xy: ArrayLike, rotation_deg: ArrayLike
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Second moments (xx, yy, xy) as they lie on the reference after a frame is turned onto it.

    Parameters
    ----------
    xx, yy, xy : array-like, shape (n,)
        Moments on the frame, px^2.
    rotation_deg : array-like, shape (n,)
        `Registration.rotation_deg`.
    """
    angle = np.radians(np.asarray(rotation_deg, dtype=float))
    half_sum = (np.asarray(xx, float) + np.asarray(yy, float)) / 2
    spin = ((np.asarray(xx, float) - np.asarray(yy, float)) / 2 + 1j * np.asarray(xy, float)) * (
        np.exp(2j * angle)
    )
    return half_sum + spin.real, half_sum - spin.real, spin.imag


def forecast(
    weights: ArrayLike,
    transparency: ArrayLike,
    noise: ArrayLike,
    xx: ArrayLike,
    yy: ArrayLike,
    xy: ArrayLike,
    rotation_deg: ArrayLike = 0.0,
    fwhm: ArrayLike | None = None,
) -> StackForecast:
    """Star shape and S/N of a weighted average of flux-scaled frames.

    The stack's star is the weighted mean of the frames' stars, each of equal
    flux; its half-maximum widths, adaptive moments and S/N under its own matched filter
    are those of that sum.  A frame's star is a Gaussian of its moments, or, where its width
    was measured, a winged star of that width (`WINGED_SHARES`) with the moments' axis ratio and
    angle: real stars are no Gaussians.

    Parameters
    ----------
    weights : array-like, shape (n,)
        For flux-scaled frames; at least one positive.
    transparency, noise : array-like, shape (n,)
    xx, yy, xy : array-like, shape (n,)
        Second moments of each frame's common star, px^2.
    rotation_deg : array-like or float
        `Registration.rotation_deg`, to turn moments onto the reference.
    fwhm : array-like, shape (n,), optional
        Measured geometric-mean half-maximum widths.

    Returns
    -------
    StackForecast
    """
    w = np.asarray(weights, dtype=float)
    use = w > 0
    w, t, s = w[use], np.asarray(transparency, float)[use], np.asarray(noise, float)[use]
    turn = np.broadcast_to(np.asarray(rotation_deg, float), use.shape)[use]
    m = [np.asarray(v, dtype=float)[use] for v in (xx, yy, xy)]
    own = FWHM_PER_SIGMA * np.clip(m[0] * m[1] - m[2] ** 2, 1e-12, None) ** 0.25
    width = own if fwhm is None else np.asarray(fwhm, float)[use]
    stretch = (width / own) ** 2
    xx, yy, xy = turned_moments(*(v * stretch for v in m), turn)
    share, noise = w / w.sum(), s / t
    shares, sizes = (np.ones(1), np.ones(1)) if fwhm is None else (WINGED_SHARES, WINGED_SIZES)
    parts = (np.outer(share, shares).ravel(), *(np.outer(v, sizes).ravel() for v in (xx, yy, xy)))
    variance, axis = np.linalg.eigh(_adaptive_moments(*parts))
    angle = float(np.degrees(np.arctan2(axis[1, 1], axis[0, 1])) % 180)
    widths = [_half_width(*parts, axis[:, k]) for k in (0, 1)]
    snr2 = _sharpness(*parts) / float((share * noise) @ (share * noise))
    alone = _own_sharpness(shares, sizes, xx * yy - xy**2) / noise**2
    return StackForecast(
        fwhm_px=float(np.sqrt(widths[0] * widths[1])),
        eccentricity=float(np.sqrt(max(0.0, 1 - variance[0] / variance[1]))),
        angle_deg=angle,
        snr=float(np.sqrt(snr2 / alone.max())),
        efficiency=float(np.sqrt(snr2 / alone.sum())),
        star_snr=float(np.sqrt(snr2)),
    )


def _sharpness(share: np.ndarray, xx: np.ndarray, yy: np.ndarray, xy: np.ndarray) -> float:
    """Integral of the square of a sum of centred Gaussians: 1 / its noise-equivalent area."""
    # the product of two of unit flux and covariances A, B holds 1 / (2 pi sqrt(det(A + B)))
    own = float(share**2 @ (1 / np.sqrt(xx * yy - xy**2))) / 2
    pairs = 0.0
    for k in range(len(share) - 1):  # row by row: memory in proportion to the frames
        j = slice(k + 1, None)
        both = (xx[j] + xx[k]) * (yy[j] + yy[k]) - (xy[j] + xy[k]) ** 2
        pairs += share[k] * float(share[j] @ (1 / np.sqrt(both)))
    return (own + 2 * pairs) / (2 * np.pi)


def _own_sharpness(shares: np.ndarray, sizes: np.ndarray, determinant: np.ndarray) -> np.ndarray:
    """The same of each frame's star by itself; its parts have one shape."""
    round_ = _sharpness(shares, sizes, sizes, np.zeros(len(sizes)))
    return round_ / np.sqrt(np.clip(determinant, 1e-12, None))


def _adaptive_moments(
    share: np.ndarray, xx: np.ndarray, yy: np.ndarray, xy: np.ndarray
) -> np.ndarray:
    """Moments of a sum of Gaussians under a Gaussian weight of the same moments, shape (2, 2)."""
    # Under a weight W a Gaussian C is P = (1/C + 1/W)^-1 and holds sqrt(det P / det C); the weight
    # is settled when twice the mean P is W again (Bernstein & Jarvis 2002, AJ 123, 583).
    frames = np.stack([np.stack([xx, xy], -1), np.stack([xy, yy], -1)], -2)
    weight = np.einsum("k,kij->ij", share, frames)
    inverse, area = np.linalg.inv(frames), np.linalg.det(frames)
    for _ in range(100):
        under = np.linalg.inv(inverse + np.linalg.inv(weight))
        held = share * np.sqrt(np.linalg.det(under) / area)
        new = 2 * np.einsum("k,kij->ij", held, under) / held.sum()
        settled = np.abs(new - weight).max() < 1e-7 * np.trace(weight)
        weight = new
        if settled:
            break
    return weight


def _half_width(
    share: np.ndarray, xx: np.ndarray, yy: np.ndarray, xy: np.ndarray, axis: np.ndarray
) -> float:
    """Full width at half maximum of a sum of centred Gaussians along one direction."""
    determinant = np.clip(xx * yy - xy**2, 1e-12, None)
    peak = share / np.sqrt(determinant)
    # Inverse covariance along the axis: how fast each Gaussian falls that way.
    fall = (yy * axis[0] ** 2 - 2 * xy * axis[0] * axis[1] + xx * axis[1] ** 2) / determinant

    def excess(r: float) -> float:
        return float(peak @ np.exp(-0.5 * fall * r**2) - 0.5 * peak.sum())

    widest = 2 * FWHM_PER_SIGMA / float(np.sqrt(fall.min()))
    return 2 * bisected(excess, 0.0, widest, 1e-11 * widest)
