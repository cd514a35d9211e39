"""The star and the depth that a stack of some frames would show.

A stack's star is the weighted mean of the frames' stars, each scaled to equal light.  A frame's
star is a Gaussian of its moments or, where its width was measured, a winged star: a sum of three
Gaussians.  So the stack's star is a sum of centred Gaussians, and its half-maximum widths,
adaptive moments and noise-equivalent area follow from their covariances.  Many stacks of the same
frames are worked out at once, as a curve of stacks needs them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from subgrade.constants import FWHM_PER_SIGMA

WINGED_SHARES = np.array([0.2446, 0.5639, 0.1915])
WINGED_SIZES = np.array([0.6252, 1.6999, 6.5132])
"""A Moffat star (beta 3) as three Gaussians: shares of light, and variances in units of that of
the Gaussian with the same half-maximum width (least squares; its noise-equivalent area is 1.665
times the Gaussian's, the Moffat's 1.667)."""
BLOCK = 4_000_000
"""Numbers held at once where frames are taken in pairs."""
SETTLED = 1e-7
"""Relative change of the adaptive moments at which they are taken."""
HALVINGS = 32
"""Of the range that a half width is looked for in."""


@dataclass(frozen=True, slots=True)
class StackForecast:
    """What a weighted stack would show; arrays of shape (k,) where k stacks were asked for.

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

    fwhm_px: float | np.ndarray
    eccentricity: float | np.ndarray
    angle_deg: float | np.ndarray
    snr: float | np.ndarray
    efficiency: float | np.ndarray
    star_snr: float | np.ndarray = float("nan")


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
    """Star shape and S/N of weighted averages of flux-scaled frames.

    Parameters
    ----------
    weights : array-like, shape (n,) or (k, n)
        For flux-scaled frames, of one stack or of k; at least one positive in each.
    transparency, noise : array-like, shape (n,)
    xx, yy, xy : array-like, shape (n,)
        Second moments of each frame's common star, px^2.
    rotation_deg : array-like or float
        `Registration.rotation_deg`, to turn moments onto the reference.
    fwhm : array-like, shape (n,), optional
        Measured geometric-mean half-maximum widths: with them a frame's star is a winged one
        of that width (`WINGED_SHARES`) with the moments' axis ratio and angle; real stars are
        no Gaussians.

    Returns
    -------
    StackForecast
        Plain numbers for one stack, arrays for several.
    """
    given = np.asarray(weights, dtype=float)
    share = np.atleast_2d(given)
    used = (share > 0).any(axis=0)  # what no stack holds costs no time
    share = share[:, used] / share.sum(axis=1, keepdims=True)
    dimmed = np.asarray(noise, float)[used] / np.asarray(transparency, float)[used]
    turn = np.broadcast_to(np.asarray(rotation_deg, float), used.shape)[used]
    width = None if fwhm is None else np.asarray(fwhm, float)[used]
    stars = _Stars.of([np.asarray(v, dtype=float)[used] for v in (xx, yy, xy)], turn, width)
    variance, angle = _axes(_adaptive_moments(share, stars))
    widths = [_half_width(share, stars, angle + turn) for turn in (0.0, np.pi / 2)]
    snr2 = _sharpness(share, stars) / (share**2 @ dimmed**2)
    alone = np.where(share > 0, stars.own_sharpness() / dimmed**2, 0.0)
    found = (
        np.sqrt(widths[0] * widths[1]),
        np.sqrt(np.clip(1 - variance[1] / variance[0], 0.0, None)),
        np.degrees(angle) % 180,
        np.sqrt(snr2 / alone.max(axis=1)),
        np.sqrt(snr2 / alone.sum(axis=1)),
        np.sqrt(snr2),
    )
    return StackForecast(*(found if given.ndim > 1 else (float(v[0]) for v in found)))


@dataclass(frozen=True, slots=True)
class _Stars:
    """Every frame's star as Gaussians: covariances of shape (n,), split alike into parts."""

    xx: np.ndarray
    yy: np.ndarray
    xy: np.ndarray
    shares: np.ndarray
    sizes: np.ndarray

    @classmethod
    def of(cls, moments: list[np.ndarray], turn: np.ndarray, fwhm: np.ndarray | None) -> _Stars:
        """Stars of the given moments, turned onto the reference, and of the given widths."""
        shares, sizes = (np.ones(1), np.ones(1)) if fwhm is None else (WINGED_SHARES, WINGED_SIZES)
        own = FWHM_PER_SIGMA * np.clip(moments[0] * moments[1] - moments[2] ** 2, 1e-12, None) ** (
            0.25
        )
        stretch = 1.0 if fwhm is None else (fwhm / own) ** 2
        return cls(*turned_moments(*(v * stretch for v in moments), turn), shares, sizes)

    @property
    def determinant(self) -> np.ndarray:
        return np.clip(self.xx * self.yy - self.xy**2, 1e-12, None)

    def own_sharpness(self) -> np.ndarray:
        """Integral of the square of each frame's star; its parts have one shape."""
        both = self.sizes[:, None] + self.sizes[None, :]
        round_ = self.shares @ (1 / both) @ self.shares / (2 * np.pi)
        return round_ / np.sqrt(self.determinant)


def _sharpness(share: np.ndarray, stars: _Stars) -> np.ndarray:
    """Integral of the square of each stack's star, shape (k,): 1 / its noise-equivalent area."""
    # the product of two of unit flux and covariances A, B holds 1 / (2 pi sqrt(det(A + B)))
    total, count = np.zeros(len(share)), len(stars.xx)
    step = max(1, BLOCK // count)
    for first in range(0, count, step):
        mine = slice(first, first + step)
        pairs = np.zeros((len(stars.xx[mine]), count))
        for a, p in zip(stars.sizes, stars.shares, strict=True):
            for b, q in zip(stars.sizes, stars.shares, strict=True):
                xx, yy, xy = (
                    a * v[mine, None] + b * v[None, :] for v in (stars.xx, stars.yy, stars.xy)
                )
                pairs += p * q / np.sqrt(np.clip(xx * yy - xy**2, 1e-12, None))
        total += np.einsum("ki,ki->k", share[:, mine], share @ pairs.T)
    return total / (2 * np.pi)


def _adaptive_moments(share: np.ndarray, stars: _Stars) -> tuple[np.ndarray, ...]:
    """Moments xx, yy, xy of each stack's star under a Gaussian weight of the same moments."""
    # Under a weight W a Gaussian C is P = (1/C + 1/W)^-1 and holds sqrt(det P / det C); the weight
    # is settled when twice the mean P is W again (Bernstein & Jarvis 2002, AJ 123, 583).
    size = float(stars.shares @ stars.sizes)
    weight = [size * (share @ v) for v in (stars.xx, stars.yy, stars.xy)]
    for _ in range(100):
        new, held = [np.zeros(len(share)) for _ in weight], np.zeros(len(share))
        spread = weight[0] * weight[1] - weight[2] ** 2
        for s, p in zip(stars.sizes, stars.shares, strict=True):
            one = s * s * stars.determinant
            # of 1/C + 1/W, both inverted by their cofactors
            a = s * stars.yy / one + (weight[1] / spread)[:, None]
            b = s * stars.xx / one + (weight[0] / spread)[:, None]
            c = -s * stars.xy / one - (weight[2] / spread)[:, None]
            under = a * b - c * c
            part = p * share / np.sqrt(under * one)
            held += part.sum(axis=1)
            for total, cofactor in zip(new, (b, a, -c), strict=True):
                total += (part * cofactor / under).sum(axis=1)
        new = [2 * total / held for total in new]
        moved = np.max([np.abs(n - w) for n, w in zip(new, weight, strict=True)], axis=0)
        weight = new
        if (moved < SETTLED * (weight[0] + weight[1])).all():
            break
    return tuple(weight)


def _axes(moments: tuple[np.ndarray, ...]) -> tuple[tuple[np.ndarray, np.ndarray], np.ndarray]:
    """Variances along the long and the short axis, and the long axis's angle, rad."""
    xx, yy, xy = moments
    middle, reach = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    return (middle + reach, middle - reach), 0.5 * np.arctan2(2 * xy, xx - yy)


def _half_width(share: np.ndarray, stars: _Stars, angle: np.ndarray) -> np.ndarray:
    """Full width at half maximum of each stack's star along one direction, shape (k,)."""
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    root = np.sqrt(stars.determinant)
    # Inverse covariance along the axis: how fast each Gaussian falls that way.
    fall = (stars.yy * c**2 - 2 * stars.xy * c * s + stars.xx * s**2) / stars.determinant
    peak = share / root
    parts = list(zip(stars.sizes, stars.shares, strict=True))
    half = 0.5 * peak.sum(axis=1) * sum(p / size for size, p in parts)
    low = np.zeros(len(share))
    widest = np.where(share > 0, 1 / fall, 0.0).max(axis=1) * stars.sizes.max()
    high = 2 * FWHM_PER_SIGMA * np.sqrt(widest)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        drop = -0.5 * middle[:, None] ** 2 * fall
        there = sum(p / size * (peak * np.exp(drop / size)).sum(axis=1) for size, p in parts)
        above = there > half
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return low + high
