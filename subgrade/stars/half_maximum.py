"""Widths of the star image at half its maximum, and a profile fit for the fainter cases."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.stars.stacked_image import Samples, StarSpline


@dataclass(frozen=True, slots=True)
class HalfWidths:
    """Full widths at half maximum along and across the long axis, px.

    ``hollow`` is the brightness at the centroid over the highest; ``dip`` the
    depth of the deepest valley between two maxima along the long axis, as a share
    of the lower maximum (0 for none), and ``separation`` their distance, px.
    """

    major: float
    minor: float
    hollow: float
    dip: float
    separation: float
    tops: tuple[float, float] = (float("nan"), float("nan"))
    """Where the two maxima lie along the long axis, px."""


def _outer_width(t: np.ndarray, profile: np.ndarray, level: float) -> float:
    """Distance between the outermost crossings of ``level``; NaN when it runs off the end."""
    above = np.flatnonzero(profile >= level)
    if not len(above) or above[0] == 0 or above[-1] == len(t) - 1:
        return float("nan")
    i, j = above[0], above[-1]
    left = t[i - 1] + (t[i] - t[i - 1]) * (level - profile[i - 1]) / (profile[i] - profile[i - 1])
    right = t[j] + (t[j + 1] - t[j]) * (profile[j] - level) / (profile[j] - profile[j + 1])
    return float(right - left)


def half_widths(spline: StarSpline) -> HalfWidths:
    """Half-maximum widths of a star image along both axes through its brightest point.

    The profile is taken as it is: no assumed form.  Outermost crossings count,
    so that a hollow star or a double is as wide as it looks.

    Parameters
    ----------
    spline : StarSpline

    Returns
    -------
    HalfWidths
    """
    reach_u, reach_v = spline.reach
    fine = min(spline.step_u, spline.step_v) / 8.0
    nu = int(2 * reach_u / (4 * fine)) | 1
    nv = int(2 * reach_v / (4 * fine)) | 1
    u = np.linspace(-0.98 * reach_u, 0.98 * reach_u, nu)
    v = np.linspace(-0.98 * reach_v, 0.98 * reach_v, nv)
    grid = spline.along(u[:, None], v[None, :])
    core = (np.abs(u)[:, None] < 0.8 * reach_u) & (np.abs(v)[None, :] < 0.8 * reach_v)
    i, j = np.unravel_index(np.argmax(np.where(core, grid, -np.inf)), grid.shape)
    du, dv = u[1] - u[0], v[1] - v[0]
    uu = u[i] + np.linspace(-du, du, 17)
    vv = v[j] + np.linspace(-dv, dv, 17)
    patch = spline.along(uu[:, None], vv[None, :])
    pi, pj = np.unravel_index(np.argmax(patch), patch.shape)
    peak, top_u, top_v = patch[pi, pj], uu[pi], vv[pj]
    tu = np.arange(-0.99 * reach_u, 0.99 * reach_u, fine)
    tv = np.arange(-0.99 * reach_v, 0.99 * reach_v, fine)
    along = spline.along(tu, top_v)
    across = spline.along(top_u, tv)
    centre = float(spline.along(0.0, 0.0))
    hollow = centre / peak
    if hollow < 0.8:
        # a ring, a pair or an uneven line has no one centre: its outline counts, which is
        # the brightest of each cut
        along = spline.along(tu[:, None], v[None, :]).max(axis=1)
        across = spline.along(u[:, None], tv[None, :]).max(axis=0)
    dip, separation, tops = _valley(tu, along)
    return HalfWidths(
        _outer_width(tu, along, 0.5 * peak),
        _outer_width(tv, across, 0.5 * peak),
        float(hollow),
        dip,
        separation,
        tops,
    )


def _valley(t: np.ndarray, profile: np.ndarray) -> tuple[float, float, tuple[float, float]]:
    """Deepest valley between the highest maximum and any other at least 15 % as high."""
    inner = profile[1:-1]
    tops = 1 + np.flatnonzero((inner > profile[:-2]) & (inner >= profile[2:]))
    tops = tops[profile[tops] > 0.15 * profile.max()]
    if len(tops) < 2:
        return 0.0, float("nan"), (float("nan"), float("nan"))
    first = tops[np.argmax(profile[tops])]
    best = (0.0, float("nan"), (float("nan"), float("nan")))
    for other in tops:
        if other == first:
            continue
        low, high = sorted((first, other))
        lower = min(profile[first], profile[other])
        quarter = (high - low) // 4
        # the middle half's mean: noise dents a long line deeply, but not widely
        depth = 1.0 - profile[low + quarter : high - quarter + 1].mean() / lower
        if depth > best[0]:
            best = (float(depth), float(t[high] - t[low]), (float(t[low]), float(t[high])))
    return best


PROFILE_ERROR = 0.02
"""Share of the peak by which a true star differs from a Moffat profile."""
LEAST_WIDTH_PX = 0.9
"""Narrowest width believed, px: that of the pixel itself is 1."""
LEAST_BETA = 2.2
"""Least Moffat exponent fitted.  Seeing gives 2.5 to 4.8; a fit to a few undersampled
stars would trade the width for wings below it.  Common practice, no source."""


@dataclass(frozen=True, slots=True)
class ProfileFit:
    """Elliptical Moffat profile fitted to the samples of a few stars."""

    major: float
    minor: float
    beta: float
    error: float
    """One sigma of the geometric-mean width, px."""


def fit_profile(samples: Samples, start_major: float, start_minor: float) -> ProfileFit | None:
    """Fit a Moffat profile, FWHM = 2 alpha sqrt(2^(1/beta) - 1) (Moffat 1969, A&A 3, 455).

    Parameters
    ----------
    samples : Samples
        In axes along and across the long axis.
    start_major, start_minor : float
        First guess of the widths, px.

    Returns
    -------
    ProfileFit or None
        None when the fit does not settle on a sound star.
    """
    from scipy.optimize import least_squares

    if len(samples.d) < 20:
        return None
    root = np.sqrt(samples.variance + PROFILE_ERROR**2)

    def model(p: np.ndarray) -> np.ndarray:
        beta = LEAST_BETA + np.exp(p[5])
        k = 2.0 ** (1.0 / beta) - 1.0
        r2 = (2 * (samples.u - p[1]) / np.exp(p[3])) ** 2
        r2 = r2 + (2 * (samples.v - p[2]) / np.exp(p[4])) ** 2
        return p[0] * (1.0 + k * r2) ** -beta

    start = [1.0, 0.0, 0.0, np.log(start_major), np.log(start_minor), np.log(2.5)]
    bounds = (
        [0.2, -3, -3, np.log(0.8), np.log(0.8), np.log(0.2)],
        [5.0, 3, 3, np.log(400), np.log(400), np.log(40)],
    )
    try:
        fit = least_squares(
            lambda p: (model(p) - samples.d) / root, start, bounds=bounds, loss="soft_l1"
        )
    except ValueError:
        return None
    if not fit.success:
        return None
    major, minor = float(np.exp(fit.x[3])), float(np.exp(fit.x[4]))
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac)
    relative = 0.5 * np.sqrt(max(covariance[3, 3] + covariance[4, 4] + 2 * covariance[3, 4], 0))
    error = float(relative * np.sqrt(major * minor))
    if not np.isfinite(error) or error > 0.3 * np.sqrt(major * minor):
        return None
    if max(major, minor) > 390 or min(major, minor) < LEAST_WIDTH_PX:
        return None  # at a bound of the fit
    return ProfileFit(
        max(major, minor), min(major, minor), float(LEAST_BETA + np.exp(fit.x[5])), error
    )
