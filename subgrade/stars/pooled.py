"""Adaptive moments of many stars taken together, for pixels too coarse to do it star by star.

On a mosaic's green lattice a star under about 2.3 sampled pixels wide reads differently with
its place on the lattice, and many settle nowhere.  The weighted moments C under one common
weight are taken for every star instead; their median over stars, which fall on the
lattice at random, is free of the lattice, and gives the next common weight as in
`subgrade.stars.moments`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.constants import MAD_TO_SIGMA
from subgrade.stars.kernel import kernel
from subgrade.stars.moments import weighted_centroids, weighted_sums
from subgrade.stars.raster import Stamps

ROUNDS = 6


@kernel
def _second(stamps, cx, cy, ixx, iyy, ixy, weight, out):
    for k in range(stamps.shape[0]):
        sums = weighted_sums(stamps[k], cx[k], cy[k], ixx, iyy, ixy, 18.0, weight)
        s0, sxx, syy, sxy = sums[0], sums[3], sums[4], sums[5]
        if s0 > 0.0:
            out[k, 0] = sxx / s0
            out[k, 1] = syy / s0
            out[k, 2] = sxy / s0
        else:
            out[k] = np.nan


@dataclass(frozen=True, slots=True)
class Pooled:
    """Common (xx, yy, xy), px^2, and one sigma of (xx - yy)/2 and of xy."""

    moments: tuple[float, float, float]
    error: float


def pooled_moments(stamps: Stamps, x, y, start, least: float = 0.0) -> Pooled | None:
    """Common adaptive moments of the stars in stamps.

    Parameters
    ----------
    stamps : Stamps
    x, y : ndarray, shape (n,)
        First guess of the centroids, px.
    start : tuple of float
        First guess of the moments, px^2.
    least : float
        Least variance of the common weight along x and y, px^2: under one as narrow as a star
        hardly wider than a pixel, sums over pixels are no integrals any more.

    Returns
    -------
    Pooled or None
        None when the common weight does not settle.
    """
    m = np.array(start, float)
    out = np.empty((len(stamps), 3))
    weight = np.empty(stamps.data.shape[2])
    for _ in range(ROUNDS):
        w = np.array([max(m[0], least), max(m[1], least), m[2]])
        x, y, _ = weighted_centroids(stamps, x, y, *w, wide=2.0, steps=3)
        det = w[0] * w[1] - w[2] ** 2
        inverse = np.array([w[1], w[0], -w[2]]) / det
        _second(stamps.data, x - stamps.x0, y - stamps.y0, *inverse, weight, out)
        good = np.isfinite(out).all(axis=1)
        if good.sum() < 3:
            return None
        c = np.median(out[good], axis=0)
        c_det = c[0] * c[1] - c[2] ** 2
        if not c_det > 0:
            return None
        p = np.array([c[1], c[0], -c[2]]) / c_det - inverse
        p_det = p[0] * p[1] - p[2] ** 2
        if p_det > 0 and p[0] > 0:
            new = np.array([p[1], p[0], -p[2]]) / p_det
            if new[0] + new[1] > 4 * (m[0] + m[1]):
                new = 2 * c
        else:
            new = 2 * c
        m = new
        if not (m[0] * m[1] - m[2] ** 2 > 0.01):
            return None
    some = out[np.isfinite(out).all(axis=1)]
    parts = (0.5 * (some[:, 0] - some[:, 1]), some[:, 2])
    spread = max(MAD_TO_SIGMA * float(np.median(np.abs(v - np.median(v)))) for v in parts)
    # a change of the weighted moments moves the star's own by four times as much, and a
    # median errs by 1.25 of a mean
    error = 4.0 * 1.25 * spread / np.sqrt(len(some))
    return Pooled((float(m[0]), float(m[1]), float(m[2])), error)


def compactness(stamps: Stamps) -> float:
    """Share of the light of 5 x 5 pixels in the best four that form a square, in the median.

    A star of FWHM 1.6 px, pixel included, has 0.7 or more; the track of a particle crosses more.
    """
    half = stamps.data.shape[1] // 2
    core = np.nan_to_num(stamps.data[:, half - 3 : half + 4, half - 3 : half + 4])
    squares = core[:, 1:, 1:] + core[:, :-1, 1:] + core[:, 1:, :-1] + core[:, :-1, :-1]
    whole = core[:, 1:-1, 1:-1].sum(axis=(1, 2))
    with np.errstate(invalid="ignore", divide="ignore"):
        share = squares.max(axis=(1, 2)) / np.maximum(whole, 1e-30)
    return float(np.median(share))
