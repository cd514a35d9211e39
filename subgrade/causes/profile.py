"""What the stacked star image says: how wide its wings are, and which motion drew it out.

Motion convolves the star image, so each kind of motion leaves its own profile along
the long axis: steady creep a box (excess kurtosis -1.2), a swing an arcsine piled up at
both ends (-1.5), random shaking a Gaussian (0), a knock that settles a core with a
displaced, fainter part (positive) [derived; see docs/limits.md].  Each is fitted to
the image as a round Moffat star drawn along the known axis; what is left over tells
them apart.  Cumulants taken straight from the image would hang on its cut-off wings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.stars.model import FrameStars, StarImage

NODES = 9
_EVEN = (np.arange(NODES) + 0.5) / NODES
_NORMAL = np.array([-1.593, -0.967, -0.589, -0.282, 0.0, 0.282, 0.589, 0.967, 1.593])
"""Quantiles of the normal distribution at `_EVEN`."""

MODELS = ("creep", "swing", "shake", "knock")


@dataclass(frozen=True, slots=True)
class MotionFit:
    """One motion fitted to a star image.

    Attributes
    ----------
    model : str
        ``creep`` (box), ``swing`` (arcsine), ``shake`` (Gaussian) or ``knock``.
    extent_px : float
        Length of the box, full swing, rms of the shaking, or displacement of the knock.
    share : float
        Share of the light displaced by the knock; 1 for the others.
    spread_px : float
        Rms width of the displaced part of a knock; 0 for the others.
    residual : float
        Rms of image minus model where the star is bright, in units of its peak.
    """

    model: str
    extent_px: float
    share: float
    spread_px: float
    residual: float


def wing_ratio(image: StarImage | None) -> float:
    """Width at a fifth of the peak over width at half of it.

    1.52 for a Gaussian, larger for wider wings, smaller for a flat, defocused core.
    From the areas inside the two contours, so it needs no centre and holds for oval
    stars too.  NaN without an image.
    """
    if image is None:
        return float("nan")
    peak = float(image.image.max())
    if not peak > 0:
        return float("nan")
    half = _area_above(image.image, 0.5 * peak)
    fifth = _area_above(image.image, 0.2 * peak)
    return float(np.sqrt(fifth / half)) if half > 0 else float("nan")


def fit_motions(stars: FrameStars) -> tuple[MotionFit, ...]:
    """Fit every kind of motion to a frame's star image.

    Parameters
    ----------
    stars : FrameStars

    Returns
    -------
    tuple of MotionFit
        Best first; empty where there is no image or no long axis.
    """
    image = stars.star_image
    if image is None or not np.isfinite([stars.angle_deg, stars.fwhm_minor_px]).all():
        return ()
    along, across, value = _bright_pixels(
        image, stars.angle_deg, stars.fwhm_minor_px, stars.fwhm_major_px
    )
    if len(value) < 40:
        return ()
    motion_rms = math.sqrt(max(stars.fwhm_major_px**2 - stars.fwhm_minor_px**2, 0.0)) / 2.3548
    fits = [
        _fit(model, along, across, value, stars.fwhm_minor_px, max(motion_rms, 0.05))
        for model in MODELS
    ]
    return tuple(sorted(fits, key=lambda f: f.residual))


def _bright_pixels(image: StarImage, angle_deg: float, fwhm: float, long_fwhm: float):
    """Offsets along and across the long axis, and values, where the star is bright.

    Thinned to about five samples a FWHM: closer ones repeat one another.  The image's
    corners, which few stars reach, stay out.
    """
    n = image.image.shape[0]
    stride = max(1, round(fwhm / 5 / image.step_px))
    grid = (np.arange(n) - (n - 1) / 2) * image.step_px
    x, y = np.meshgrid(grid[::stride], grid[::stride])
    value = image.image[::stride, ::stride].astype(float)
    angle = np.radians(angle_deg)
    along = x * np.cos(angle) + y * np.sin(angle)
    across = -x * np.sin(angle) + y * np.cos(angle)
    keep = (value > 0.03) & (np.hypot(along / long_fwhm, across / fwhm) < 1.8)
    return along[keep], across[keep], value[keep]


def _kernel(model: str, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Places along the axis and their shares of the time."""
    if model == "creep":
        return p[0] * (_EVEN - 0.5), np.full(NODES, 1 / NODES)
    if model == "swing":
        return 0.5 * p[0] * np.cos(np.pi * _EVEN), np.full(NODES, 1 / NODES)
    if model == "shake":
        return p[0] * _NORMAL, np.full(NODES, 1 / NODES)
    share = 1 / (1 + math.exp(-p[1]))
    return (
        np.append(p[0] + p[2] * _NORMAL, 0.0),
        np.append(np.full(NODES, share / NODES), 1 - share),
    )


def _fit(model, along, across, value, fwhm, rms) -> MotionFit:
    from scipy.optimize import least_squares

    def drawn(p):
        # p: centre, log width, log(beta - 1), then the motion's own
        places, shares = _kernel(model, p[3:])
        alpha2 = math.exp(2 * p[1])
        beta = 1 + math.exp(p[2])
        r2 = (along[:, None] - p[0] - places) ** 2 + across[:, None] ** 2
        return (1 + r2 / alpha2) ** -beta @ shares

    def left(p):
        shape = drawn(p)
        # The brightness that fits best, in closed form.
        return shape * (shape @ value) / (shape @ shape) - value

    own = {
        "creep": [[3.46 * rms]],
        "swing": [[2.83 * rms]],
        "shake": [[rms]],
        "knock": [[side * 2.5 * rms, -1.5, rms] for side in (1, -1)],
    }[model]
    core = [0.0, math.log(fwhm), math.log(2.0)]
    low = [-2 * fwhm, math.log(0.2 * fwhm), math.log(0.2)]
    high = [2 * fwhm, math.log(10 * fwhm), math.log(20.0)]
    reach = 20 * max(rms, fwhm)
    bounds = {
        "knock": ([-reach, -5.0, 0.0], [reach, 0.0, reach]),
    }.get(model, ([0.0], [reach]))
    solved = [
        least_squares(
            left, core + start, bounds=(low + bounds[0], high + bounds[1]), xtol=1e-4, ftol=1e-4,
            max_nfev=40, loss="soft_l1", f_scale=0.01,
        )
        for start in own
    ]  # fmt: skip
    best = min(solved, key=lambda s: s.cost)
    # Mean size, not mean square, so that one element cannot rule; 1.2533 makes it an rms.
    residual = float(1.2533 * np.mean(np.abs(best.fun)))
    share, spread = 1.0, 0.0
    if model == "knock":
        share, spread = 1 / (1 + math.exp(-best.x[4])), float(best.x[5])
    return MotionFit(model, float(abs(best.x[3])), share, spread, residual)


def _area_above(image: np.ndarray, level: float) -> float:
    """Elements above a level, the border counted by linear interpolation."""
    gradient = np.hypot(*np.gradient(image.astype(float)))
    near = np.maximum(gradient, 1e-6)
    return float(np.clip((image - level) / near + 0.5, 0.0, 1.0).sum())
