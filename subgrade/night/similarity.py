"""Similarity transforms of the plane: shift, turn and scale, no mirror.

Positions are complex numbers ``x + 1j y``, so a similarity is ``q = a p + b``
with ``a = scale * exp(1j * rotation)``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Similarity:
    """``q = a p + b`` with complex positions."""

    a: complex
    b: complex

    def __call__(self, p: complex | np.ndarray) -> complex | np.ndarray:
        return self.a * p + self.b

    @property
    def rotation_deg(self) -> float:
        """Counter-clockwise, in (-180, 180]."""
        return float(np.degrees(np.angle(self.a)))

    @property
    def scale(self) -> float:
        """Length on the right over length on the left."""
        return float(abs(self.a))

    def inverse(self) -> Similarity:
        """The transform back."""
        return Similarity(1 / self.a, -self.b / self.a)

    def after(self, first: Similarity) -> Similarity:
        """The transform that applies ``first``, then this one."""
        return Similarity(self.a * first.a, self.a * first.b + self.b)


IDENTITY = Similarity(1 + 0j, 0j)


def fit_similarity(
    p: np.ndarray, q: np.ndarray, weight: np.ndarray | None = None, rounds: int = 6
) -> tuple[Similarity, float]:
    """Similarity (no mirror) by weighted least squares, outliers weighted down.

    Closed form in complex numbers; re-weighted with Tukey's biweight (c = 4.685
    robust sigmas per axis).

    Parameters
    ----------
    p, q : ndarray of complex, shape (n,)
        Matched positions; n >= 2.
    weight : ndarray, optional
        Prior weights.

    Returns
    -------
    Similarity, float
        The transform, and the robust residual of both axes together (px):
        sqrt(2) times 1.482602 MAD-like sigma per axis, from the median radius
        (a Rayleigh median is 1.177410 sigma).
    """
    prior = np.ones(len(p)) if weight is None else np.asarray(weight, dtype=float)
    w = prior.copy()
    fit, sigma = IDENTITY, 0.0
    for _ in range(rounds):
        total = w.sum()
        pc, qc = (w @ p) / total, (w @ q) / total
        dp, dq = p - pc, q - qc
        spread = float(w @ (dp.real**2 + dp.imag**2))
        a = complex((w @ (np.conj(dp) * dq)) / spread) if spread > 0 else 1 + 0j
        fit = Similarity(a, complex(qc - a * pc))
        residual = np.abs(fit(p) - q)
        sigma = float(np.median(residual)) / 1.177410
        if len(p) < 5 or sigma < 1e-9:
            break
        u = residual / (4.685 * max(sigma, 1e-3))
        w = prior * np.clip(1 - u**2, 0, None) ** 2
    return fit, float(np.sqrt(2) * sigma)
