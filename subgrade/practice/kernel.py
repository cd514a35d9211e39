"""What a path does to a point of light: its moments and its transfer function.

A star that moves during the exposure is the star at rest convolved with the
time spent at each place.  That kernel is never put on a grid here: its Fourier
transform is the mean of exp(-2 pi i k.p) over the path, exact at any sub-pixel
step, and the rendering works in Fourier space anyway.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class PathMoments:
    """Time-weighted moments of a path, px and px^2, and its greatest extent, px."""

    x: float
    y: float
    xx: float
    yy: float
    xy: float
    extent: float


def path_moments(path: np.ndarray) -> PathMoments:
    """Moments of equally timed positions.

    Parameters
    ----------
    path : ndarray, shape (n, 2)
        Positions in px at the middle of n equal time steps.
    """
    centre = path.mean(axis=0)
    off = path - centre
    span = np.ptp(path, axis=0)
    return PathMoments(
        x=float(centre[0]),
        y=float(centre[1]),
        xx=float(np.mean(off[:, 0] ** 2)),
        yy=float(np.mean(off[:, 1] ** 2)),
        xy=float(np.mean(off[:, 0] * off[:, 1])),
        extent=float(np.hypot(*span)),
    )


def transfer(
    points: np.ndarray, kx: np.ndarray, ky: np.ndarray, weights: np.ndarray | None = None
) -> np.ndarray:
    """Fourier transform of points of light.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
        Positions in px; a path in time or a spot diagram.
    kx, ky : ndarray, shapes (nx,), (ny,)
        Spatial frequencies, cycles per px.
    weights : ndarray, shape (n,), optional
        Light of each point, in all 1; equal when not given.

    Returns
    -------
    ndarray of complex128, shape (ny, nx)
    """
    ex = np.exp((-2j * np.pi) * points[:, 0][:, None] * kx)
    ey = np.exp((-2j * np.pi) * points[:, 1][:, None] * ky)
    share = np.full(len(points), 1.0 / len(points)) if weights is None else weights
    return ey.T @ (ex * share[:, None])


def gather(path: np.ndarray, cell_px: float = 0.1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Replace the positions within each small cell by their mean.

    Returns
    -------
    points : ndarray, shape (m, 2)
    weights : ndarray, shape (m,)
        Share of the time spent in each cell.
    within : ndarray, shape (3,)
        Mean scatter inside the cells (xx, yy, xy), px^2.  Given back to the star as a
        Gaussian it keeps second moments exact; what is lost is of order cell^4.
    """
    column, row = np.floor(path / cell_px).astype(np.int64).T
    # One whole number a cell sorts many times faster than pairs do.
    _, label = np.unique((row << 32) + column, return_inverse=True)
    count = np.bincount(label)
    points = np.column_stack([np.bincount(label, path[:, a]) / count for a in (0, 1)])
    off = path - points[label]
    within = np.array(
        [np.mean(off[:, 0] ** 2), np.mean(off[:, 1] ** 2), np.mean(off[:, 0] * off[:, 1])]
    )
    return points, count / len(path), within


def motion_transfer(path: np.ndarray, kx: np.ndarray, ky: np.ndarray) -> np.ndarray:
    """Fourier transform of the time spent along a path, shape (ny, nx).

    Parameters
    ----------
    path : ndarray, shape (n, 2)
        Positions in px at the middle of n equal time steps.
    kx, ky : ndarray
        Cycles per px.
    """
    points, weights, (xx, yy, xy) = gather(path)
    spread = xx * kx[None, :] ** 2 + yy * ky[:, None] ** 2 + 2 * xy * kx[None, :] * ky[:, None]
    return transfer(points, kx, ky, weights) * np.exp(-2.0 * np.pi**2 * spread)


def split_path(path: np.ndarray, longest_px: float) -> list[np.ndarray]:
    """Cut a path in time so that no piece reaches wider than ``longest_px``.

    Long trails are rendered piece by piece, each on a small stamp, instead of
    on one stamp as large as the trail.

    Returns
    -------
    list of ndarray, shape (n_i, 2)
        In order of time; their lengths add up to that of ``path``.
    """
    if np.ptp(path, axis=0).max() <= longest_px:
        return [path]
    pieces, start = [], 0
    while start < len(path):
        rest = path[start:]
        reach = np.maximum.accumulate(rest, axis=0) - np.minimum.accumulate(rest, axis=0)
        stop = start + max(1, int(np.searchsorted(reach.max(axis=1), longest_px, side="right")))
        pieces.append(path[start:stop])
        start = stop
    return pieces


def refine(path: np.ndarray, step_px: float) -> np.ndarray:
    """Insert points on the straight lines between positions until steps are below ``step_px``."""
    if len(path) < 2:
        return path
    widest = float(np.hypot(*np.diff(path, axis=0).T).max())
    times = max(1, int(np.ceil(widest / step_px)))
    if times == 1:
        return path
    # Midpoints of sub-steps keep every original time step equally represented.
    index = (np.arange(len(path) * times) + 0.5) / times - 0.5
    whole = np.arange(len(path))
    return np.column_stack([np.interp(index, whole, path[:, a]) for a in (0, 1)])
