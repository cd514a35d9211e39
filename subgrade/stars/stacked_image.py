"""The frame's stacked star: a smooth surface through the pixels of many stars.

Each pixel of a star is one sample of the star image at that pixel's offset from
the star's centroid (the pixel's own width is part of the image, as observed).
Stars fall on the pixel grid at random, so a few hundred of them sample the
image far finer than the pixel.  A bicubic B-spline is fitted to all samples by
weighted least squares; unlike shift-and-add it adds no width of its own.
The axes of the spline lie along and across the star's long axis, so that a
long trail costs a strip of knots and not a square of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.robust import scatter
from subgrade.stars.compiled import kernel
from subgrade.stars.raster import Stamps

MODEL_ERROR = 0.005
"""Share of the peak by which stars differ from their common image."""


@kernel
def _basis(t: float, b: np.ndarray) -> None:
    """The four cubic B-splines that are not zero at fraction t of a knot interval."""
    s = 1.0 - t
    b[0] = s * s * s / 6.0
    b[1] = (3.0 * t * t * t - 6.0 * t * t + 4.0) / 6.0
    b[2] = (3.0 * s * s * s - 6.0 * s * s + 4.0) / 6.0
    b[3] = t * t * t / 6.0


@kernel
def _accumulate(
    u: np.ndarray,
    v: np.ndarray,
    d: np.ndarray,
    w: np.ndarray,
    hu: float,
    hv: float,
    nu: int,
    nv: int,
    width: int,
    bu: np.ndarray,
    bv: np.ndarray,
    both: np.ndarray,
    band: np.ndarray,
    rhs: np.ndarray,
) -> None:
    """Add samples to the banded normal equations (v runs fastest)."""
    # ``band[width * row + k]`` couples coefficients row and row + k: a sample then writes to
    # sixteen short rows, which stay in the cache. Unsigned places save compiled code the look for
    # negative ones.
    one, two, three = np.uint64(1), np.uint64(2), np.uint64(3)
    wide = np.uint64(nv)
    for k in range(len(u)):
        weight = w[k]
        if weight <= 0.0:
            continue
        su = u[k] / hu + 0.5 * (nu - 3)
        sv = v[k] / hv + 0.5 * (nv - 3)
        iu = int(np.floor(su))
        iv = int(np.floor(sv))
        if iu < 0 or iv < 0 or iu > nu - 4 or iv > nv - 4:
            continue
        _basis(su - iu, bu)
        _basis(sv - iv, bv)
        for a in range(4):
            for c in range(4):
                both[4 * a + c] = bu[a] * bv[c]
        value_d = d[k]
        for p in range(16):
            value = weight * both[p]
            row = (iu + (p >> 2)) * nv + iv + (p & 3)
            rhs[row] += value * value_d
            at = np.uint64(row * width)
            following = at + wide - np.uint64(p & 3)
            for q in range(p, (p | 3) + 1):
                band[at] += value * both[q]
                at += one
            for q in range((p | 3) + 1, 16, 4):
                b0, b1, b2, b3 = both[q], both[q + 1], both[q + 2], both[q + 3]
                band[following] += value * b0
                band[following + one] += value * b1
                band[following + two] += value * b2
                band[following + three] += value * b3
                following += wide


@kernel
def _solve_banded(band: np.ndarray, rhs: np.ndarray) -> bool:
    """Solve the banded system in place by Cholesky's method; False if it is not definite."""
    # a library's solver shares this small a system among threads, which starves other workers
    n, width = band.shape
    for j in range(n):
        pivot = band[j, 0]
        if not pivot > 0.0:
            return False
        pivot = np.sqrt(pivot)
        line = band[j]
        line[0] = pivot
        last = min(width, n - j)
        for k in range(1, last):
            line[k] /= pivot
        for k in range(1, last):
            factor = line[k]
            if factor != 0.0:
                target = band[j + k]
                for m in range(k, last):
                    target[m - k] -= factor * line[m]
    for j in range(n):
        rhs[j] /= band[j, 0]
        for k in range(1, min(width, n - j)):
            rhs[j + k] -= band[j, k] * rhs[j]
    for j in range(n - 1, -1, -1):
        total = rhs[j]
        for k in range(1, min(width, n - j)):
            total -= band[j, k] * rhs[j + k]
        rhs[j] = total / band[j, 0]
    return True


@kernel
def _evaluate(
    coefficients: np.ndarray,
    hu: float,
    hv: float,
    u: np.ndarray,
    v: np.ndarray,
    bu: np.ndarray,
    bv: np.ndarray,
    out: np.ndarray,
) -> None:
    """Spline values at offsets u, v (px); 0 outside its square."""
    nu, nv = coefficients.shape
    for k in range(len(u)):
        su = u[k] / hu + 0.5 * (nu - 3)
        sv = v[k] / hv + 0.5 * (nv - 3)
        iu = int(np.floor(su))
        iv = int(np.floor(sv))
        if iu < 0 or iv < 0 or iu > nu - 4 or iv > nv - 4:
            out[k] = 0.0
            continue
        _basis(su - iu, bu)
        _basis(sv - iv, bv)
        total = 0.0
        for a in range(4):
            for c in range(4):
                total += coefficients[iu + a, iv + c] * bu[a] * bv[c]
        out[k] = total


@kernel
def _gather(
    stamps: np.ndarray,
    cx: np.ndarray,
    cy: np.ndarray,
    amplitude: np.ndarray,
    sky_variance: float,
    cos: float,
    sin: float,
    ru: float,
    rv: float,
    stride: int,
    u: np.ndarray,
    v: np.ndarray,
    d: np.ndarray,
    var: np.ndarray,
    star: np.ndarray,
) -> int:
    size = stamps.shape[1]
    n = 0
    for k in range(stamps.shape[0]):
        shift = k % stride
        scale = 1.0 / amplitude[k]
        for j in range(shift, size, stride):
            dy = j - cy[k]
            for i in range((shift * 2) % stride, size, stride):
                value = stamps[k, j, i]
                if value != value:
                    continue
                dx = i - cx[k]
                uu = dx * cos + dy * sin
                vv = -dx * sin + dy * cos
                if (uu / ru) ** 2 + (vv / rv) ** 2 >= 1.0:
                    continue
                if n == len(u):
                    return n
                u[n] = uu
                v[n] = vv
                d[n] = value * scale
                var[n] = sky_variance * scale * scale
                star[n] = k
                n += 1
    return n


@dataclass(frozen=True, slots=True)
class StarSpline:
    """A fitted star image in axes along (u) and across (v) its long axis.

    Attributes
    ----------
    coefficients : ndarray, shape (nu, nv)
        Bicubic B-spline coefficients.
    step_u, step_v : float
        Knot intervals, px.
    angle_deg : float
        Direction of u, counter-clockwise from +x.
    stars_used : int
    residual : float
        Robust rms of (sample - spline) in units of the expected error.
    fitted : tuple of float
        Half-axes of the ellipse that holds samples, px; beyond it the image is 0.
    """

    coefficients: np.ndarray
    step_u: float
    step_v: float
    angle_deg: float
    stars_used: int
    residual: float
    fitted: tuple[float, float]

    @property
    def reach(self) -> tuple[float, float]:
        """Half-lengths of the fitted rectangle along u and v, px."""
        nu, nv = self.coefficients.shape
        return 0.5 * (nu - 3) * self.step_u, 0.5 * (nv - 3) * self.step_v

    def along(self, u: float | np.ndarray, v: float | np.ndarray) -> np.ndarray:
        """Values at offsets along and across the long axis, px."""
        u, v = np.broadcast_arrays(np.asarray(u, np.float64), np.asarray(v, np.float64))
        out = np.empty(u.size)
        steps = self.step_u, self.step_v
        _evaluate(self.coefficients, *steps, u.ravel(), v.ravel(), np.empty(4), np.empty(4), out)
        reach_u, reach_v = self.fitted
        outside = (u / reach_u) ** 2 + (v / reach_v) ** 2 >= 1.0
        return np.where(outside, 0.0, out.reshape(u.shape))

    def at(self, dx: np.ndarray, dy: np.ndarray) -> np.ndarray:
        """Values at offsets in frame axes, px."""
        c, s = np.cos(np.radians(self.angle_deg)), np.sin(np.radians(self.angle_deg))
        dx, dy = np.asarray(dx, np.float64), np.asarray(dy, np.float64)
        return self.along(dx * c + dy * s, -dx * s + dy * c)


@dataclass(frozen=True, slots=True)
class Samples:
    """Pixels of many stars, each star scaled to one brightness.

    ``u, v`` are offsets along and across the long axis (px), ``d`` the scaled
    value, ``variance`` its expected variance, ``star`` the index of its star.
    """

    u: np.ndarray
    v: np.ndarray
    d: np.ndarray
    variance: np.ndarray
    star: np.ndarray


def gather_samples(
    stamps: Stamps,
    x: np.ndarray,
    y: np.ndarray,
    amplitude: np.ndarray,
    noise: float,
    angle_deg: float,
    reach_u: float,
    reach_v: float,
    most: int,
) -> Samples:
    """Collect the pixels of stars as samples of one star image.

    Parameters
    ----------
    stamps : Stamps
        n stamps.
    x, y : ndarray, shape (n,)
        Star centroids on the frame, px.
    amplitude : ndarray, shape (n,)
        Brightness each star is divided by, ADU.
    noise : float
        Sky noise of a pixel, ADU.
    angle_deg : float
        Direction of u.
    reach_u, reach_v : float
        Half-axes of the ellipse to fill, px.
    most : int
        About the most samples to take; large stars are sampled on a coarser,
        star-by-star shifted lattice.

    Returns
    -------
    Samples
    """
    size = stamps.data.shape[1]
    available = len(stamps) * min(np.pi * reach_u * reach_v, float(size) ** 2)
    stride = max(1, int(np.sqrt(available / most)))
    count = int(len(stamps) * (size // stride + 2) ** 2)
    columns = *(np.empty(count) for _ in range(4)), np.empty(count, np.int32)
    t = np.radians(angle_deg)
    frame = np.cos(t), np.sin(t), reach_u, reach_v
    light = np.asarray(amplitude, np.float64)
    cx, cy = x - stamps.x0, y - stamps.y0
    n = _gather(stamps.data, cx, cy, light, noise**2, *frame, stride, *columns)
    return Samples(*(column[:n] for column in columns))


def fit_spline(
    samples: Samples,
    step_u: float,
    step_v: float,
    reach_u: float,
    reach_v: float,
    angle_deg: float,
    stars_used: int,
    rounds: int = 2,
) -> StarSpline | None:
    """Weighted least-squares bicubic B-spline through samples, outliers left out.

    The weights allow for 0.5 % of the peak beside the sky noise: shot noise, and
    star-to-star differences, so that one bright star does not decide alone.

    Parameters
    ----------
    samples : Samples
    step_u, step_v : float
        Knot intervals along and across the long axis, px.
    reach_u, reach_v : float
        Half-lengths of the rectangle fitted, px.
    angle_deg : float
        Long axis, counter-clockwise from +x.
    stars_used : int
        Of how many stars the samples are.
    rounds : int
        Fits, the later ones without outliers of the one before.

    Returns
    -------
    StarSpline or None
        None when the samples do not determine the surface.
    """
    nu = 2 * int(np.ceil(reach_u / step_u)) + 3
    nv = 2 * int(np.ceil(reach_v / step_v)) + 3
    if len(samples.d) < 2 * nu * nv:
        return None
    weight = 1.0 / (samples.variance + MODEL_ERROR**2)
    out = np.empty(len(samples.d))
    coefficients = None
    residual = np.nan
    for step in range(rounds):
        band = np.zeros((nu * nv, 3 * nv + 4))
        rhs = np.zeros(nu * nv)
        data = samples.u, samples.v, samples.d, weight
        work = np.empty(4), np.empty(4), np.empty(16)
        grid = step_u, step_v, nu, nv, band.shape[1]
        _accumulate(*data, *grid, *work, band.reshape(-1), rhs)
        if step == 0 and _has_holes(band[:, 0].reshape(nu, nv)):
            return None
        # corners of the rectangle may hold no sample: a faint pull to zero keeps
        # the system definite without a measurable effect elsewhere
        band[:, 0] += 1e-6 * np.max(band[:, 0])
        if not _solve_banded(band, rhs):
            return None
        coefficients = rhs.reshape(nu, nv)
        basis = np.empty(4), np.empty(4)
        _evaluate(coefficients, step_u, step_v, samples.u, samples.v, *basis, out)
        scaled = (samples.d - out) / np.sqrt(samples.variance + MODEL_ERROR**2)
        residual = scatter(scaled, 0.0)
        if step < rounds - 1:
            limit = 4.0 * max(residual, 1.0)
            variance = samples.variance + MODEL_ERROR**2
            weight = np.where(np.abs(scaled) < limit, 1.0 / variance, 0.0)
    return StarSpline(
        coefficients, step_u, step_v, angle_deg, stars_used, residual, (reach_u, reach_v)
    )


def _has_holes(coverage: np.ndarray) -> bool:
    """Whether coefficients inside the fitted ellipse hardly gathered weight."""
    nu, nv = coverage.shape
    u = (np.arange(nu) - 0.5 * (nu - 1)) / (0.5 * (nu - 3))
    v = (np.arange(nv) - 0.5 * (nv - 1)) / (0.5 * (nv - 3))
    inside = coverage[u[:, None] ** 2 + v[None, :] ** 2 < 0.8]
    return bool(np.mean(inside < 0.04 * np.median(inside)) > 0.02)
