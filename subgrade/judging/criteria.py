"""The numbers that decide a verdict: the limit each is held against, and how far it is past it.

Points are natural-log odds.  A value measured with Gaussian error s lies beyond a
limit with probability Phi(z), z = (value - limit) / s, and 1.702 z is its log odds to
within 0.01 in probability (the logistic approximation of the normal integral;
from memory, Camilli 1994).  Judging and teaching use the same; the limits themselves stand in
`limits.toml`.
"""

from __future__ import annotations

import math

import numpy as np

from subgrade.constants import FWHM_PER_SIGMA
from subgrade.judging.limits import Limits
from subgrade.night.model import Usual

LOGIT_PER_SIGMA = 1.702
TAIL = 0.45
"""Share of the limit on light outside the core that may lie there as a tail, beyond what the core's
own ellipse throws.  Of 840 clean frames of two simulations all are below 0.38 of it, and nearly all
tails with a tenth of the light and more are above 0.45."""


def eccentricity_limit(usual: Usual, limits: Limits) -> float:
    """The eccentricity beyond which a frame is rejected."""
    r = limits.roundness
    if not np.isfinite(usual.centre):
        return r.ceiling
    spread = usual.spread if np.isfinite(usual.spread) else 0.0
    limit = usual.centre + min(r.spread_factor * spread, r.usual_margin)
    if np.isfinite(usual.best):
        limit = min(limit, usual.best + r.best_margin)
    return float(min(max(limit, r.floor), r.ceiling))


def fwhm_limit(usual: Usual, scale_arcsec: float | None, limits: Limits) -> float:
    """The FWHM beyond which a frame is rejected, px.

    Parameters
    ----------
    usual : Usual
        The group's usual FWHM, px.
    scale_arcsec : float or None
        Arcseconds per pixel.
    limits : Limits

    Returns
    -------
    float
        NaN where the group has no usual value.
    """
    s = limits.sharpness
    if not np.isfinite(usual.centre):
        return float("nan")
    spread = usual.spread if np.isfinite(usual.spread) else 0.0
    limit = np.clip(
        usual.centre + s.spread_factor * spread,
        usual.centre * s.ratio_low,
        usual.centre * s.ratio_high,
    )
    if np.isfinite(usual.best):
        limit = min(limit, max(usual.best * s.best_ratio, usual.best * s.ratio_low))
    floors = [s.floor_px]
    if scale_arcsec:
        floors.append(s.floor_arcsec / scale_arcsec)
    return float(max(limit, min(max(floors), usual.centre * s.floor_ratio)))


def thrown_by_ellipse(eccentricity: float) -> float:
    """Share of an elliptical Gaussian's light more than one short-axis FWHM out, along less across.

    That is 2 (Phi(-2.355 q) - Phi(-2.355)), q the axis ratio [derived].
    """
    q = math.sqrt(1.0 - eccentricity**2)
    at = FWHM_PER_SIGMA / math.sqrt(2.0)
    return math.erfc(at * q) - math.erfc(at)


def points_beyond(value: float, limit: float, error: float, width: float, cap: float) -> float:
    """Log odds that the true value lies beyond the limit.

    Parameters
    ----------
    value, limit : float
    error : float
        One sigma of the value; NaN counts as none.
    width : float
        How exactly the limit itself is meant, in the value's unit, > 0.
    cap : float
        Largest size of the answer.

    Returns
    -------
    float
        0 at the limit, positive beyond it.  0 where the value is not finite.
    """
    if not (math.isfinite(value) and math.isfinite(limit)):
        return 0.0
    sigma = math.hypot(error if math.isfinite(error) else 0.0, width)
    return max(-cap, min(cap, LOGIT_PER_SIGMA * (value - limit) / sigma))


def probability(points: float) -> float:
    """Probability that belongs to log odds."""
    return 1.0 / (1.0 + math.exp(-points))
