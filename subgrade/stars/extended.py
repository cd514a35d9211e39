"""What is wider than the frame's stars: galaxies, knots of a nebula, pieces of a glow.

Stars of one place on the frame agree in size, and nothing is sharper; what is no star has any
size.  So the sharpness that most of the sharper detections share, followed over the field with a
quadratic surface since optics widen the corners, is that of stars.
"""

from __future__ import annotations

import numpy as np

from subgrade.stars.common_shape import field_terms

SHARPER_SHARE = 0.9
"""Quantile of the sharpness followed over the field: of ten detections of one place nine may be no
stars before it leaves them."""
LEAST_GUIDES = 60
"""Detections from which the surface is fitted; below it stars are as sharp as the star image."""
WIDE_BY = 0.12
"""Lack of sharpness from which a detection is no star: that of a Gaussian 1.35 times as wide
as the star (derived, see `wide`)."""
NOISE_TIMES = 2.0
"""Scatter of the sharpness is 0.6 / (S/N); so this is 3.3 sigma."""
GUIDE_SNR = 25.0
"""Least S/N of the detections that show how sharp stars are."""
WORST_OPTICS = 0.2
"""Most that optics may take off the sharpness in a corner: stars twice as wide."""


def wide(
    x: np.ndarray,
    y: np.ndarray,
    sharpness: np.ndarray,
    snr: np.ndarray,
    asked: np.ndarray,
    shape: tuple[int, int],
    star: float = 0.0,
) -> np.ndarray:
    """Detections plainly wider than the stars around them.

    A Gaussian k times as wide as a Gaussian star has the S/N ratio, under the star at half
    size over that at full size, of 0.5 (1 + k^2) / (0.25 + k^2): 0.80 for a star, 0.68 for
    k = 1.35, 0.5 for anything flat.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        px.
    sharpness, snr : ndarray, shape (n,)
        As in `TemplateFit`.
    asked : ndarray of bool, shape (n,)
        Detections that may be judged: unsaturated, off the edge, no streak.
    shape : tuple of int
        Rows and columns of the frame.
    star : float
        Sharpness of a star: 0 under the star image itself.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    height, width = shape
    guide = np.flatnonzero(asked & (snr >= GUIDE_SNR) & np.isfinite(sharpness))
    local = np.full(len(x), star)
    if len(guide) >= LEAST_GUIDES:
        half = 0.5 * np.hypot(width, height)
        terms = field_terms((x - 0.5 * width) / half, (y - 0.5 * height) / half, 6)
        fit = _quantile_fit(terms[:, guide], sharpness[guide])
        local = np.clip(fit @ terms, star - WORST_OPTICS, star)
    with np.errstate(invalid="ignore"):
        return asked & (sharpness < local - WIDE_BY - NOISE_TIMES / np.maximum(snr, 1.0))


def _quantile_fit(terms: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Surface with a tenth of the values below (Koenker & Bassett 1978, Econometrica 46, 33)."""
    weight = np.ones(len(values))
    for _ in range(25):
        weighed = terms * weight
        fit = np.linalg.solve(weighed @ terms.T, weighed @ values)
        left = values - fit @ terms
        pull = np.where(left > 0, SHARPER_SHARE, 1.0 - SHARPER_SHARE)
        weight = pull / np.maximum(np.abs(left), 0.003)
    return fit
