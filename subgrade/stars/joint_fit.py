"""One profile fitted to the pixels of many stars at once, each star with its own place and light.

Where pixels are coarser than the star, one star's centroid and width trade places with where
it fell on the lattice, and moments read a width that is the lattice's.  Here the profile is
integrated over the pixel (a unit square) and shared by all stars, while place and brightness of
each are fitted with it, so that the lattice is part of the model.  The profile is Moffat's (1969,
A&A 3, 455).  Gauss-Newton steps are damped as by Marquardt (1963); what is each star's own is
eliminated star by star (Schur complement), so that the cost grows with the number of stars only.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.stars.compiled import kernel
from subgrade.stars.ellipse import moments_from_ellipse
from subgrade.stars.moments import moments_of_image
from subgrade.stars.raster import Stamps

USUAL_WING = 0.3
"""Prior of 1/beta and its spread: seeing gives 0.4 to 0.2, a Gaussian is the limit 0.  Coarse
pixels hardly show the wings.  Common practice, no source."""
WING_SPREAD = 0.1
LEAST_WING = 0.02
MODEL_SHARE = 0.02
"""Share of a pixel by which stars differ from one profile; common practice, no source."""
PROFILE_SHARE = 0.003
"""Error of the width beside noise, relative: measured on GalSim stars (Moffat, Gaussian)."""
MISFIT = 3.0
"""Mean square of a pixel's misfit, in its error, to which a star has the common profile: 1 is
noise; cosmic rays and hot pixels of some S/N leave 10 and more; a choice."""
AGREED = 0.4
"""Least share of the stars that must; junk shares no profile."""
STEPS = 30
ENOUGH = 1e-3
"""Fall of the sum of squares, per star, at which the fit has settled."""
LEAST_STARS = 3
NARROWEST_PX = 0.2
"""Width before the pixel at which the fit stops: light narrower than that is a single pixel's."""

_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(3)
_NODES, _NODE_WEIGHTS = 0.5 * _NODES, 0.5 * _NODE_WEIGHTS


@dataclass(frozen=True, slots=True)
class JointFit:
    """The profile that many stars share, and where the stars are.

    Attributes
    ----------
    major, minor : float
        Full widths at half maximum along and across, px, as the pixels see the star.
    moments : tuple of float
        Its adaptive xx, yy, xy, px^2.
    beta : float
        Of a Moffat profile of these widths, pixel included.
    error, shear_error : float
        One sigma of the relative width, and of a component of half the logarithm of the axis
        ratio, from the scatter of the stars.
    x, y : ndarray, shape (n,)
        px.
    peak : ndarray, shape (n,)
        Brightness at the centre as a pixel there would see it, ADU.
    kept : ndarray of bool, shape (n,)
        Stars that agree with the profile.
    """

    major: float
    minor: float
    moments: tuple[float, float, float]
    beta: float
    error: float
    shear_error: float
    x: np.ndarray
    y: np.ndarray
    peak: np.ndarray
    kept: np.ndarray


@kernel
def _normal(
    stamps: np.ndarray,
    place: np.ndarray,
    use: np.ndarray,
    q: np.ndarray,
    dq: np.ndarray,
    beta: float,
    noise: float,
    share: float,
    reach: float,
    nodes: np.ndarray,
    node_w: np.ndarray,
    matrix: np.ndarray,
    slope: np.ndarray,
    cost: np.ndarray,
) -> None:
    """Normal matrix and gradient of each star's (x, y, amplitude) and the four shared numbers."""
    k = 2.0 ** (1.0 / beta) - 1.0
    dk = -(2.0 ** (1.0 / beta)) * np.log(2.0) / beta**2
    size = stamps.shape[1]
    row = np.empty(7)
    for star in range(len(place)):
        matrix[star] = 0.0
        slope[star] = 0.0
        cost[star] = 0.0
        if not use[star]:
            continue
        cx, cy, amplitude = place[star]
        for j in range(size):
            for i in range(size):
                value = stamps[star, j, i]
                if value != value:
                    continue
                ox, oy = i - cx, j - cy
                if ox * ox + oy * oy > reach * reach:
                    continue
                row[:] = 0.0
                for a in range(len(nodes)):
                    v = oy + nodes[a]
                    for b in range(len(nodes)):
                        u = ox + nodes[b]
                        r2 = q[0] * u * u + q[1] * v * v + 2.0 * q[2] * u * v
                        base = 1.0 + k * r2
                        log = np.log(base)
                        f = node_w[a] * node_w[b] * np.exp(-beta * log)
                        down = -beta * k * f / base
                        row[0] -= down * 2.0 * (q[0] * u + q[2] * v)
                        row[1] -= down * 2.0 * (q[1] * v + q[2] * u)
                        row[2] += f
                        for p in range(3):
                            row[3 + p] += down * (
                                dq[p, 0] * u * u + dq[p, 1] * v * v + 2.0 * dq[p, 2] * u * v
                            )
                        row[6] += beta * beta * f * (log + beta * r2 * dk / base)
                model = amplitude * row[2]
                for p in range(7):
                    if p != 2:
                        row[p] *= amplitude
                sigma = np.sqrt(noise * noise + (share * model) ** 2)
                left = value - model
                scaled = abs(left) / sigma
                # Huber's weights (1964, Ann. Math. Stat. 35, 73), turning over at two sigma
                weight = min(1.0, 2.0 / max(scaled, 1e-9)) / sigma**2
                cost[star] += scaled**2 if scaled < 2.0 else 4.0 * scaled - 4.0
                cost[star] += 2.0 * np.log(sigma / noise)
                for p in range(7):
                    slope[star, p] += weight * row[p] * left
                    for r in range(7):
                        matrix[star, p, r] += weight * row[p] * row[r]


def _form(parameters: np.ndarray) -> np.ndarray:
    """(uu, vv, uv) of the quadratic form that is 1 at half maximum."""
    s, one, two = parameters[:3]
    g = np.hypot(one, two)
    ratio = np.sinh(2 * g) / g if g > 1e-9 else 2.0
    return np.exp(-2 * s) * np.array(
        [np.cosh(2 * g) - ratio * one, np.cosh(2 * g) + ratio * one, -ratio * two]
    )


class _Problem:
    """The sum of squares and its normal equations for one set of stars."""

    def __init__(
        self, stamps: Stamps, x: np.ndarray, y: np.ndarray, noise: float, reach: float
    ) -> None:
        self.data = np.ascontiguousarray(stamps.data)
        self.noise, self.reach = noise, reach
        size = stamps.data.shape[1]
        middle = np.column_stack((x - stamps.x0, y - stamps.y0))
        jj, ii = np.mgrid[0:size, 0:size]
        near = np.hypot(ii - middle[:, 0, None, None], jj - middle[:, 1, None, None]) < 0.6 * reach
        inside = np.where(near & np.isfinite(self.data), self.data, 0.0).astype(np.float64)
        top = inside.max(axis=(1, 2))
        # half of the peak sets the centre free of sky and neighbours
        light = np.clip(inside - 0.1 * top[:, None, None], 0.0, None)
        total = np.maximum(light.sum(axis=(1, 2)), 1e-9)
        self.place = np.column_stack(
            (
                (light * ii).sum(axis=(1, 2)) / total,
                (light * jj).sum(axis=(1, 2)) / total,
                1.3 * top,
            )
        )
        self.use = top > 0
        within = np.hypot(ii - middle[:, 0, None, None], jj - middle[:, 1, None, None]) <= reach
        self.pixels = np.maximum((within & np.isfinite(self.data)).sum(axis=(1, 2)), 1)
        self._fresh()

    def _fresh(self) -> None:
        n = len(self.place)
        self.matrix, self.slope = np.empty((n, 7, 7)), np.empty((n, 7))
        self.cost = np.empty(n)

    def at(self, place: np.ndarray, shared: np.ndarray, use: np.ndarray | None = None) -> float:
        """Evaluate there; the cost, the prior included."""
        use = self.use if use is None else use
        step = 1e-4
        dq = np.array(
            [(_form(shared[:3] + d) - _form(shared[:3] - d)) / (2 * step) for d in step * np.eye(3)]
        )
        profile = _form(shared), dq, 1.0 / float(shared[3])
        pixel = self.noise, MODEL_SHARE, self.reach, _NODES, _NODE_WEIGHTS
        _normal(self.data, place, use, *profile, *pixel, self.matrix, self.slope, self.cost)
        return float(self.cost[use].sum() + _off(shared) ** 2)

    def step(
        self, damping: float, shared: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Changes of the stars' own and of the shared parameters; the stars' reduced matrices."""
        m = self.matrix[self.use] * (1.0 + damping * np.eye(7))
        g = self.slope[self.use]
        own = np.linalg.pinv(m[:, :3, :3], hermitian=True)
        cross = m[:, :3, 3:]
        carried = np.einsum("nij,njk->nik", own, cross)
        reduced = m[:, 3:, 3:] - np.einsum("nij,nik->njk", cross, carried)
        pull = g[:, 3:] - np.einsum("nij,ni->nj", carried, g[:, :3])
        matrix, slope = reduced.sum(axis=0), pull.sum(axis=0)
        matrix[3, 3] += 1.0 / WING_SPREAD**2
        slope[3] -= _off(shared) / WING_SPREAD
        change = np.linalg.lstsq(matrix, slope, rcond=None)[0]
        mine = np.zeros_like(self.place)
        mine[self.use] = np.einsum("nij,nj->ni", own, g[:, :3]) - carried @ change
        return mine, change, matrix, pull

    def settle(self, shared: np.ndarray) -> np.ndarray | None:
        """Shared parameters at the least cost; None where they leave all bounds."""
        cost, damping = self.at(self.place, shared), 1e-2
        for _ in range(STEPS):
            mine, change, *_ = self.step(damping, shared)
            place = self.place + np.clip(mine, [-0.5, -0.5, -np.inf], [0.5, 0.5, np.inf])
            place[:, 2] = np.maximum(place[:, 2], 0.3 * self.place[:, 2])
            new = shared + np.clip(change, -0.3, 0.3)
            new[0], new[3] = max(new[0], np.log(NARROWEST_PX / 2)), max(new[3], LEAST_WING)
            before = self.matrix, self.slope, self.cost
            self._fresh()
            trial = self.at(place, new)
            if trial < cost:
                done = cost - trial < ENOUGH * self.use.sum()
                self.place, shared, cost, damping = place, new, trial, 0.1 * damping
                if done:
                    break
            else:
                self.matrix, self.slope, self.cost = before
                damping = max(10.0 * damping, 1e-3)
                if damping > 1e4:
                    break
        return shared if np.isfinite(shared).all() else None


def _off(shared: np.ndarray) -> float:
    """How far 1/beta lies from the usual one, in sigma of the prior."""
    return (shared[3] - USUAL_WING) / WING_SPREAD


def joint_fit(
    stamps: Stamps, x: np.ndarray, y: np.ndarray, noise: float, start_px: float
) -> JointFit | None:
    """Fit one profile to all stars in stamps; stars unlike the others are left out.

    Parameters
    ----------
    stamps : Stamps
        n stamps; NaN pixels are left out.
    x, y : ndarray, shape (n,)
        Where the stars are to about a pixel, px on the frame.
    noise : float
        Of one sky pixel, ADU.
    start_px : float
        First guess of the full width at half maximum, px.

    Returns
    -------
    JointFit or None
        None where fewer than three stars agree on a profile.
    """
    if len(stamps) < LEAST_STARS:
        return None
    half = 0.5 * (stamps.data.shape[1] - 1)
    problem = _Problem(stamps, x, y, noise, min(half, 1.5 + 1.8 * start_px))
    shared = np.array([np.log(max(0.4 * start_px, 0.4)), 0.0, 0.0, USUAL_WING])
    able = problem.use.copy()
    shared = problem.settle(shared)
    for share in (0.5, 1.0):  # the better half first, so that junk among the stars does not lead
        if shared is None:
            return None
        problem.at(problem.place, shared, able)
        misfit = np.where(able, problem.cost / problem.pixels, np.inf)
        limit = MISFIT if share == 1.0 else np.quantile(misfit[able], share)
        problem.use = misfit <= limit
        if problem.use.sum() < max(LEAST_STARS, AGREED * able.sum()):
            return None
        shared = problem.settle(shared)
    if shared is None:
        return None
    problem.at(problem.place, shared)
    _, _, matrix, pull = problem.step(0.0, shared)
    inverse = np.linalg.pinv(matrix, hermitian=True)
    n = len(pull)
    covariance = inverse @ (pull.T @ pull) @ inverse * n / (n - 1.0)
    return _as_seen(shared, np.sqrt(np.diag(covariance)[:3]), problem, stamps)


def _as_seen(shared: np.ndarray, errors: np.ndarray, problem: _Problem, stamps: Stamps) -> JointFit:
    """The profile behind the pixel: its half-maximum widths, found on a fine grid."""
    q, beta = _form(shared), 1.0 / float(shared[3])
    k = 2.0 ** (1.0 / beta) - 1.0
    theta = float(np.degrees(0.5 * np.arctan2(shared[2], shared[1])) % 180.0)
    t = np.radians(theta)

    def seen(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        u, v = x[..., None, None] + _NODES, y[..., None, None] + _NODES[:, None]
        r2 = q[0] * u * u + q[1] * v * v + 2.0 * q[2] * u * v
        return ((1.0 + k * r2) ** -beta * _NODE_WEIGHTS * _NODE_WEIGHTS[:, None]).sum(axis=(-2, -1))

    r = np.linspace(0.0, 3.0 * np.exp(shared[0] + np.hypot(*shared[1:3])) + 1.5, 400)
    peak = float(seen(r[:1], r[:1])[0])
    widths, fall = [], 0.0
    for c, s in ((np.cos(t), np.sin(t)), (-np.sin(t), np.cos(t))):
        profile = seen(r * c, r * s) / peak
        widths.append(2.0 * float(np.interp(-0.5, -profile, r)))
        fall += 0.5 * float(np.interp(widths[-1], r, profile))
    step = min(widths) / 10.0
    n = int(np.ceil(1.8 * max(widths) / step))
    axis = np.arange(-n, n + 1) * step
    image = np.stack([seen(axis, np.full_like(axis, y)) for y in axis])
    a2, b2 = (w**2 / FWHM_PER_SIGMA**2 for w in widths)
    gauss = moments_from_ellipse(np.sqrt(a2), np.sqrt(b2), theta)
    # the pixel widens less than what lies under it, by how much of the width is its own
    share = min(np.exp(2 * shared[0]) * 4.0 / (widths[0] * widths[1]), 1.0)
    error = float(np.hypot(share * errors[0], PROFILE_SHARE))
    shear_error = share * float(np.hypot(*errors[1:])) / np.sqrt(2.0)
    x, y = problem.place[:, 0] + stamps.x0, problem.place[:, 1] + stamps.y0
    stars = x, y, problem.place[:, 2] * peak, problem.use
    moments = moments_of_image(image, step, gauss) or gauss
    return JointFit(*widths, moments, _beta_of(fall), error, shear_error, *stars)


def _beta_of(fall: float) -> float:
    """The Moffat exponent whose profile has this height one full width from the centre."""
    beta = np.geomspace(2.2, 40.0, 200)
    heights = (1.0 + 4.0 * (2.0 ** (1.0 / beta) - 1.0)) ** -beta
    return float(np.interp(-fall, -heights, beta))
