"""Adaptive second moments of stars in stamps.

The moments are those of the elliptical Gaussian that matches the star under
its own weight (Bernstein & Jarvis 2002, AJ 123, 583, sect. 3; Hirata & Seljak
2003, MNRAS 343, 459): with weight w of moments M about x0,

    sum w I (x - x0) = 0,      M = 2 sum w I (x - x0)(x - x0)^T / sum w I.

The plain fixed-point step halves the error each time.  The step used here takes
the weight out of the weighted moments C instead, (C^-1 - M^-1)^-1, which has the
same fixed point and lands on it at once for a Gaussian.

Adaptive moments of many stars taken together, for pixels too coarse to do it star by star.

On a mosaic's green lattice a star under about 2.3 sampled pixels wide reads differently with
its place on the lattice, and many settle nowhere.  The weighted moments C under one common
weight are taken for every star instead; their median over stars, which fall on the
lattice at random, is free of the lattice, and gives the next common weight as in
`subgrade.stars.moments`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.robust import scatter
from subgrade.stars.compiled import kernel
from subgrade.stars.raster import Stamps

_STEPS = 128
_WEIGHT = np.exp(-0.5 * np.arange(20 * _STEPS) / _STEPS)
"""exp(-r2/2) at steps of 1/128 in r2; between them linear values err by
under (1/128)^2 / 32 = 2e-6, and costs a quarter of the exponential."""
REACH = 18.0
"""Exponent to which a star's moments are summed: what lies beyond adds under 1e-4 to them."""
MOST_STEPS = 40
TOLERANCE = 2e-4
"""Relative change of the moments at which a star has settled."""


@kernel
def _weights(
    first: int,
    last: int,
    cx: float,
    dy: float,
    ixx: float,
    iyy: float,
    ixy: float,
    weight: np.ndarray,
) -> None:
    """Weights of columns ``first`` to ``last`` of a row; the loop runs several at a time."""
    for i in range(np.uint64(first), np.uint64(last + 1)):
        dx = np.int64(i) - cx
        r2 = ixx * dx * dx + 2.0 * ixy * dx * dy + iyy * dy * dy
        t = r2 * _STEPS
        n = np.uint32(np.int32(t))
        low = _WEIGHT[n]
        weight[i] = low + (t - n) * (_WEIGHT[n + np.uint32(1)] - low)


@dataclass(frozen=True, slots=True)
class AdaptiveMoments:
    """Adaptive moments of n stars.

    Attributes
    ----------
    x, y : ndarray, shape (n,)
        Centroid, px on the frame.
    xx, yy, xy : ndarray, shape (n,)
        px^2; NaN where not converged.
    ok : ndarray of bool, shape (n,)
    """

    x: np.ndarray
    y: np.ndarray
    xx: np.ndarray
    yy: np.ndarray
    xy: np.ndarray
    ok: np.ndarray


@kernel
def _span(
    dy: float, cx: float, ixx: float, iyy: float, ixy: float, reach: float, size: int
) -> tuple[int, int]:
    """First and last column of a row inside ixx dx^2 + 2 ixy dx dy + iyy dy^2 <= reach."""
    root = ixy * ixy * dy * dy - ixx * (iyy * dy * dy - reach)
    if root <= 0.0:
        return 0, -1
    root = np.sqrt(root) / ixx
    middle = cx - ixy * dy / ixx
    return max(0, int(np.ceil(middle - root))), min(size - 1, int(np.floor(middle + root)))


@kernel
def _weighted_sums(
    stamp: np.ndarray,
    cx: float,
    cy: float,
    ixx: float,
    iyy: float,
    ixy: float,
    reach: float,
    weight: np.ndarray,
) -> tuple[float, ...]:
    """S0, Sx, Sy, Sxx, Syy, Sxy under the weight e^(-q/2), q as in `_span`, up to q = reach."""
    size = stamp.shape[0]
    s0 = 0.0
    sx = 0.0
    sy = 0.0
    sxx = 0.0
    syy = 0.0
    sxy = 0.0
    for j in range(size):
        dy = j - cy
        first, last = _span(dy, cx, ixx, iyy, ixy, reach, size)
        if last < first:
            continue
        _weights(first, last, cx, dy, ixx, iyy, ixy, weight)
        row = stamp[j]
        for i in range(first, last + 1):
            v = row[i]
            if v != v:
                continue
            dx = i - cx
            wv = weight[i] * v
            s0 += wv
            sx += wv * dx
            sy += wv * dy
            sxx += wv * dx * dx
            syy += wv * dy * dy
            sxy += wv * dx * dy
    return s0, sx, sy, sxx, syy, sxy


@kernel
def _adapt(
    stamps: np.ndarray,
    cx: np.ndarray,
    cy: np.ndarray,
    mxx: np.ndarray,
    myy: np.ndarray,
    mxy: np.ndarray,
    weight: np.ndarray,
    out: np.ndarray,
) -> None:
    for k in range(stamps.shape[0]):
        stamp = stamps[k]
        half = 0.5 * (stamp.shape[0] - 1)
        x, y, a, b, c = cx[k], cy[k], mxx[k], myy[k], mxy[k]
        start_x, start_y = x, y
        good = False
        largest = half * half
        for _step in range(MOST_STEPS):
            det = a * b - c * c
            if not (det > 1e-4 and a > 0.01 and b > 0.01 and a < largest and b < largest):
                break
            ixx, iyy, ixy = b / det, a / det, -c / det
            sums = _weighted_sums(stamp, x, y, ixx, iyy, ixy, REACH, weight)
            s0, sx, sy, sxx, syy, sxy = sums
            if not s0 > 0.0:
                break
            ox, oy = sx / s0, sy / s0
            wxx = sxx / s0 - ox * ox
            wyy = syy / s0 - oy * oy
            wxy = sxy / s0 - ox * oy
            wdet = wxx * wyy - wxy * wxy
            if not wdet > 1e-6:
                break
            # (C^-1 - M^-1)
            pxx = wyy / wdet - ixx
            pyy = wxx / wdet - iyy
            pxy = -wxy / wdet - ixy
            pdet = pxx * pyy - pxy * pxy
            nxx, nyy, nxy = 2 * wxx, 2 * wyy, 2 * wxy
            if pdet > 0.0 and pxx > 0.0 and pyy > 0.0:
                qxx, qyy, qxy = pyy / pdet, pxx / pdet, -pxy / pdet
                if qxx + qyy < 4.0 * (a + b):
                    nxx, nyy, nxy = qxx, qyy, qxy
            # the weight pulls the mean of a Gaussian half-way to its own centre
            x += min(max(2.0 * ox, -2.0), 2.0)
            y += min(max(2.0 * oy, -2.0), 2.0)
            change = abs(nxx - a) + abs(nyy - b) + 2 * abs(nxy - c)
            moved = abs(ox) + abs(oy)
            scale = a + b
            a, b, c = nxx, nyy, nxy
            drift = (x - start_x) ** 2 + (y - start_y) ** 2
            if drift > max(4.0, 2.0 * scale):
                break
            if change < TOLERANCE * scale and moved < 0.5 * TOLERANCE * np.sqrt(scale):
                good = True
                break
        out[k, 0] = x
        out[k, 1] = y
        out[k, 2] = a
        out[k, 3] = b
        out[k, 4] = c
        out[k, 5] = 1.0 if good else 0.0


def adaptive_moments(
    stamps: Stamps, x: np.ndarray, y: np.ndarray, start: Sequence[float]
) -> AdaptiveMoments:
    """Adaptive moments of the stars in stamps cut by `subgrade.stars.raster.cut_stamps`.

    Parameters
    ----------
    stamps : Stamps
        n stamps; NaN pixels are left out of every sum.
    x, y : ndarray, shape (n,)
        First guess of the centroids, px on the frame.
    start : sequence of float
        First guess of the moments (xx, yy, xy), px^2.

    Returns
    -------
    AdaptiveMoments
        ``ok`` is False where a star did not settle, wandered off or shrank to
        less than a pixel's own size.
    """
    n = len(stamps)
    x = np.asarray(x, np.float64)
    y = np.asarray(y, np.float64)
    full = [np.full(n, float(v)) for v in start]
    out = np.empty((n, 6))
    weight = np.empty(stamps.data.shape[2])
    _adapt(stamps.data, x - stamps.x0, y - stamps.y0, *full, weight, out)
    ok = out[:, 5] > 0
    shape = np.where(ok[:, None], out[:, 2:5], np.nan)
    return AdaptiveMoments(out[:, 0] + stamps.x0, out[:, 1] + stamps.y0, *shape.T, ok)


def moments_of_image(
    image: np.ndarray, step: float, start: Sequence[float]
) -> tuple[float, float, float] | None:
    """Adaptive moments of one star image about its middle element.

    Parameters
    ----------
    image : ndarray, shape (2 n + 1, 2 n + 1)
    step : float
        Size of an element, px.
    start : sequence of float
        First guess, px^2.

    Returns
    -------
    tuple of float or None
        xx, yy, xy, px^2; None where they do not settle.
    """
    corner = np.array([-0.5 * (len(image) - 1)])
    stamp = Stamps(image.astype(np.float32)[None], corner, corner)
    m = adaptive_moments(stamp, np.zeros(1), np.zeros(1), [v / step**2 for v in start])
    if not m.ok[0]:
        return None
    return tuple(float(v[0]) * step**2 for v in (m.xx, m.yy, m.xy))


@kernel
def _recentre(
    stamps: np.ndarray,
    cx: np.ndarray,
    cy: np.ndarray,
    ixx: float,
    iyy: float,
    ixy: float,
    gain: float,
    steps: int,
    reach: float,
    weight: np.ndarray,
    flux: np.ndarray,
) -> None:
    for k in range(stamps.shape[0]):
        stamp = stamps[k]
        size = stamp.shape[0]
        x, y = cx[k], cy[k]
        s0 = 0.0
        for _step in range(steps):
            s0 = 0.0
            sx = 0.0
            sy = 0.0
            for j in range(size):
                dy = j - y
                first, last = _span(dy, x, ixx, iyy, ixy, reach, size)
                if last < first:
                    continue
                _weights(first, last, x, dy, ixx, iyy, ixy, weight)
                row = stamp[j]
                for i in range(first, last + 1):
                    v = row[i]
                    if v == v:
                        dx = i - x
                        wv = weight[i] * v
                        s0 += wv
                        sx += wv * dx
                        sy += wv * dy
            if not s0 > 0.0:
                break
            ox = min(max(gain * sx / s0, -1.5), 1.5)
            oy = min(max(gain * sy / s0, -1.5), 1.5)
            if abs(x + ox - cx[k]) > 4.0 or abs(y + oy - cy[k]) > 4.0:
                break
            x += ox
            y += oy
            if abs(ox) + abs(oy) < 0.02:
                break
        cx[k] = x
        cy[k] = y
        flux[k] = s0


def weighted_centroids(
    stamps: Stamps,
    x: np.ndarray,
    y: np.ndarray,
    moments: Sequence[float],
    wide: float = 1.0,
    steps: int = 4,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Centroids and brightness under one common elliptical Gaussian weight.

    A weight as wide as the star gives the least noise.  On a star narrower than about
    2.3 pixels such a weight reads differently with the star's place in the pixel;
    at twice the width that error falls from e^(-pi^2 s^2) to e^(-1.6 pi^2 s^2)
    (Poisson summation, s the star's sigma in sampled pixels) at a fifth less S/N.

    Parameters
    ----------
    stamps : Stamps
        n stamps.
    x, y : ndarray, shape (n,)
        First guess, px on the frame.
    moments : sequence of float
        Of the stars, (xx, yy, xy), px^2.
    wide : float
        Width of the weight over that of the stars.
    steps : int
        Most iterations.

    Returns
    -------
    x, y : ndarray, shape (n,)
    flux : ndarray, shape (n,)
        Weighted sum, ADU, in proportion to the star's light.
    """
    xx, yy, xy = moments
    det = (xx * yy - xy * xy) * wide**2
    cx = np.asarray(x, np.float64) - stamps.x0
    cy = np.asarray(y, np.float64) - stamps.y0
    flux = np.empty(len(cx))
    # under weight W a star S off by d has its weighted mean at W / (W + S) d
    gain = 1.0 + 1.0 / wide**2
    reach = 9.0
    weight = np.empty(stamps.data.shape[2])
    _recentre(stamps.data, cx, cy, yy / det, xx / det, -xy / det, gain, steps, reach, weight, flux)
    return cx + stamps.x0, cy + stamps.y0, flux


ROUNDS = 6


@kernel
def _second(
    stamps: np.ndarray,
    cx: np.ndarray,
    cy: np.ndarray,
    ixx: float,
    iyy: float,
    ixy: float,
    weight: np.ndarray,
    out: np.ndarray,
) -> None:
    for k in range(stamps.shape[0]):
        sums = _weighted_sums(stamps[k], cx[k], cy[k], ixx, iyy, ixy, REACH, weight)
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


def pooled_moments(
    stamps: Stamps,
    x: np.ndarray,
    y: np.ndarray,
    start: tuple[float, float, float],
    least: float = 0.0,
) -> Pooled | None:
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
        x, y, _ = weighted_centroids(stamps, x, y, w, wide=2.0, steps=3)
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
    spread = max(scatter(v) for v in parts)
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
