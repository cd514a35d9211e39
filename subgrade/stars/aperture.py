"""How far from a star's centre its light is counted, whatever drew the star out.

Frames are compared, so the share of a star's light that is left out must be the same in all.
Round stars are counted to `REACH` narrow widths.  What draws a star out may be motion, which
moves light and leaves the wings as far out as they were, or a shear of the image, which draws
the wings out with the core.  The wings, where the image is as bright as it is `LEVEL` narrow
widths across, show which: a shear draws them out 2 `LEVEL` times as far as the outline at
half maximum, motion as far at most.

Computed on GalSim stars (Moffat beta 2.5 to 4) the share is that of a round star to 0.3 % for
axis ratios to 0.4, to 0.5 % for motion of up to two widths, to 0.7 % for a tail on one side
and to 1 % for both together; a circle of the narrow width loses 7 to 11 % at an axis
ratio of 0.5.
"""

from __future__ import annotations

import numpy as np

from subgrade.stars.half_maximum import HalfWidths
from subgrade.stars.stacked_image import StarSpline

REACH = 1.95
"""Narrow widths to which a round star is counted; of a Moffat star 2 to 6 % lie farther out."""
ROUND = 1.02
"""Ratio of the widths below which nothing is drawn out: of a shear of that size the share changes
by 0.1 %, and noise in the wings would decide."""
LEVEL = 1.5
"""Narrow widths across at which the image's brightness is taken: the wings, still above noise."""


def counted(
    spline: StarSpline,
    widths: HalfWidths | None,
    major: float,
    minor: float,
    x: np.ndarray,
    y: np.ndarray,
) -> np.ndarray:
    """Where a star image counts towards a star's light.

    Parameters
    ----------
    spline : StarSpline
        The star image.
    widths : HalfWidths or None
        Pairs and rings are counted whole.
    major, minor : float
        Half-maximum widths, px.
    x, y : ndarray
        From the star's centre, px.

    Returns
    -------
    ndarray of bool
    """
    if widths is not None and (widths.dip > 0.1 or widths.hollow < 0.9):
        return np.ones(x.shape, bool)
    t = np.radians(spline.angle_deg)
    along, across = x * np.cos(t) + y * np.sin(t), y * np.cos(t) - x * np.sin(t)
    radius = min(REACH * minor, spline.reach[0])
    before, behind = _drawn_out(spline, major, minor)
    beyond = np.maximum(along - before, 0.0) + np.maximum(-behind - along, 0.0)
    return np.hypot(beyond, across) <= radius


def reach_needed(spline: StarSpline, major: float, minor: float) -> float:
    """Half-length along the long axis that holds all of what `counted` takes, px.

    Parameters
    ----------
    spline : StarSpline
    major, minor : float
        Half-maximum widths, px.
    """
    return min(REACH * minor, spline.reach[1]) + max(_drawn_out(spline, major, minor))


def _drawn_out(spline: StarSpline, major: float, minor: float) -> tuple[float, float]:
    """How much farther than across the light is counted on either side of the long axis, px."""
    if major < ROUND * minor:
        return 0.0, 0.0
    t = np.radians(spline.angle_deg)
    side = LEVEL * minor
    edges = spline.at(np.array([-side, side]) * np.sin(t), np.array([side, -side]) * np.cos(t))
    level = float(np.mean(edges))
    u = np.arange(0.0, spline.reach[0], 0.05 * minor)
    core = max(0.5 * (major - minor), 1e-3)
    least = max(0.5 * major - minor, 0.0)  # lines reach beyond two widths by their core alone
    found = []
    for sign in (1.0, -1.0):
        profile = spline.at(sign * u * np.cos(t), sign * u * np.sin(t))
        wings = max(_fallen_to(level, u, profile) - side, 0.0)
        sheared = np.clip((wings / core - 1.0) / (2.0 * LEVEL - 1.0), 0.0, 1.0)
        found.append(max(float(sheared) * wings, least))
    return found[0], found[1]


def _fallen_to(level: float, u: np.ndarray, value: np.ndarray) -> float:
    """Where a profile first falls below a level; a neighbour's light lies behind that."""
    below = np.flatnonzero(value < level)
    if not len(below) or below[0] == 0:
        return float(u[-1]) if not len(below) else 0.0
    k = below[0]
    return float(u[k - 1] + (u[k] - u[k - 1]) * (value[k - 1] - level) / (value[k - 1] - value[k]))
