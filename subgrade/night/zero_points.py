"""One zero point per frame and one brightness per star, from all sightings at once.

The model is ``ln flux = z[frame] + m[star]``.  Its least-squares solution is
found by eliminating the star terms (Schur complement) and solving for the
frames; outliers are weighted down (Huber) and the solution repeated.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.constants import MAD_TO_SIGMA

HUBER = 2.0
"""Residuals beyond this many sigmas pull with constant force."""
FLOOR = 0.004
"""Least relative error of one flux: flat-field and sampling residues (common practice)."""
ROUNDS = 10


@dataclass(frozen=True, slots=True)
class ZeroPoints:
    """Solution of the model; natural-log units.

    Attributes
    ----------
    frame : ndarray, shape (frames,)
        z; NaN for frames that share no stars with the others.
    frame_error : ndarray, shape (frames,)
        One sigma, including the frame's own extra scatter.
    star : ndarray, shape (stars,)
        m; NaN for stars without a sound sighting.
    floor : float
        Scatter of bright stars that the sky noise does not explain.
    frame_extra : ndarray, shape (frames,)
        Additional scatter of each frame (patchy cloud).
    """

    frame: np.ndarray
    frame_error: np.ndarray
    star: np.ndarray
    floor: float
    frame_extra: np.ndarray


def solve_zero_points(
    frame: np.ndarray,
    star: np.ndarray,
    value: np.ndarray,
    variance: np.ndarray,
    frames: int,
    stars: int,
) -> ZeroPoints:
    """Fit frame and star terms robustly.

    Parameters
    ----------
    frame, star : ndarray of int, shape (n,)
        Which frame and star each sighting belongs to.
    value : ndarray, shape (n,)
        ln flux.
    variance : ndarray, shape (n,)
        Of ``value``, from the sky noise: 1 / SNR^2.
    frames, stars : int
        How many of each there are.
    """
    main = _largest_component(frame, star, frames, stars)
    use = main[frame]
    f, s, y, var = frame[use], star[use], value[use], variance[use]
    floor2, extra2 = FLOOR**2, np.zeros(frames)
    robust = np.ones(len(y))
    z, m = np.full(frames, np.nan), np.full(stars, np.nan)
    if not len(y):
        return ZeroPoints(z, z.copy(), m, FLOOR, extra2)
    for _ in range(ROUNDS):
        total = var + floor2 + extra2[f]
        z, m = _solve_weighted(f, s, y, robust / total, main, frames, stars, np.nan_to_num(z))
        residual = y - z[f] - m[s]
        floor2 = _floor(residual, var)
        extra2 = _frame_extra(residual, var + floor2, f, frames)
        t = np.abs(residual) / np.sqrt(var + floor2 + extra2[f])
        robust = np.minimum(1.0, HUBER / np.maximum(t, 1e-12))
    weight = np.bincount(f, robust / (var + floor2 + extra2[f]), minlength=frames)
    with np.errstate(divide="ignore"):
        error = np.where(weight > 0, 1 / np.sqrt(weight), np.nan)
    return ZeroPoints(z, error, m, float(np.sqrt(floor2)), np.sqrt(extra2))


def _largest_component(frame: np.ndarray, star: np.ndarray, frames: int, stars: int) -> np.ndarray:
    """True for the frames tied to one another through common stars (the largest such set)."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    link = coo_matrix((np.ones(len(frame)), (frame, star + frames)), shape=(frames + stars,) * 2)
    label = connected_components(link, directed=False)[1][:frames]
    present = np.bincount(frame, minlength=frames) > 0
    if not present.any():
        return present
    return present & (label == np.argmax(np.bincount(label[present])))


def _solve_weighted(
    f: np.ndarray,
    s: np.ndarray,
    y: np.ndarray,
    w: np.ndarray,
    main: np.ndarray,
    frames: int,
    stars: int,
    start: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """Frame and star terms by conjugate gradients; work and memory go with the sightings."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.linalg import LinearOperator, cg

    per_star = np.bincount(s, w, minlength=stars)
    per_frame = np.bincount(f, w, minlength=frames)
    star_sum = np.bincount(s, w * y, minlength=stars)
    frame_sum = np.bincount(f, w * y, minlength=frames)
    seen = per_star > 0
    inverse = np.where(seen, 1 / np.where(seen, per_star, 1), 0)
    cross = csr_matrix((w, (f, s)), shape=(frames, stars))
    back = cross.T.tocsr()
    alone = np.where(per_frame > 0, per_frame, 1.0)
    # Scaled by each frame's total weight, so that rich and poor frames converge alike.
    root = 1 / np.sqrt(alone)

    def reduced(v: np.ndarray) -> np.ndarray:
        u = root * v
        return root * (per_frame * u - cross @ (inverse * (back @ u)))

    target = root * (frame_sum - cross @ (inverse * star_sum))
    operator = LinearOperator((frames, frames), matvec=reduced, dtype=float)
    solution, _ = cg(operator, target, x0=start / root, rtol=1e-7, maxiter=300)
    z = root * solution
    # The model knows z only up to a constant: its mean is set to zero.
    z = np.where(main & (per_frame > 0), z - z[main].mean(), np.nan)
    m = np.full(stars, np.nan)
    m[seen] = (star_sum - back @ np.nan_to_num(z))[seen] * inverse[seen]
    return z, m


def _floor(residual: np.ndarray, var: np.ndarray) -> float:
    """Variance of bright stars' residuals beyond the sky noise, with the fit's share returned."""
    bright = var <= np.quantile(var, 0.3)
    scale2 = (MAD_TO_SIGMA * np.median(np.abs(residual[bright]))) ** 2
    return float(np.clip(scale2 - np.median(var[bright]), FLOOR**2, 0.1**2))


def _frame_extra(
    residual: np.ndarray, expected: np.ndarray, frame: np.ndarray, frames: int
) -> np.ndarray:
    """Variance of a frame's residuals beyond what its stars' errors explain."""
    order = np.argsort(frame, kind="stable")
    cuts = np.searchsorted(frame[order], np.arange(frames + 1))
    extra = np.zeros(frames)
    for k in range(frames):
        rows = order[cuts[k] : cuts[k + 1]]
        if len(rows) < 5:
            continue
        t2 = np.median(residual[rows] ** 2 / expected[rows]) / 0.454937  # chi-square_1 median
        # A tenth of the variance is within the scatter of the estimate itself.
        extra[k] = max(0.0, t2 - 1.1 - 2 / np.sqrt(len(rows))) * np.median(expected[rows])
    return extra
