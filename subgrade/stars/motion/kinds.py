"""What the stacked star image shows: how wide its wings are, and which motion drew it out.

Motion convolves the star image, so each kind of motion leaves its own profile along
the long axis: steady creep a box (excess kurtosis -1.2), a swing an arcsine piled up at
both ends (-1.5), random shaking a Gaussian (0), a step two places, a gust a rest with a
displaced, fainter part (positive) [derived; see docs/limits.md].  The star across that
axis, where nothing moved, shows the still star; the motions are fitted to the whole image
with it and weighed by their evidence.  `tests/benchmarks/motion.py` measures how often the
likeliest is the true one.
"""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass

import numpy as np

from subgrade.memo import kept
from subgrade.stars.model import FrameStars, StarImage
from subgrade.stars.motion.families import FAMILIES, share_of
from subgrade.stars.motion.fit import Fitter, Solved
from subgrade.stars.motion.folded_star import FoldedStar, fold

MODELS = ("creep", "swing", "shake", "step", "gust")
TEMPER = 3.0
"""What log evidence is divided by: fits to rendered stars are this much too sure of
themselves (`tests/benchmarks/motion.py`)."""
STRANGE = 0.02
"""Probability that is shared out evenly, for a motion that is none of these; no source."""
STILL_STRETCH = 0.02
"""Sigma of the still star's own stretch where nothing is known of it; no source."""
KNOWN_STRETCH = 0.01
"""The same about what the group's still frames have; no source."""
STRETCH_STEP = KNOWN_STRETCH / 2


@dataclass(frozen=True, slots=True)
class MotionFit:
    """One motion fitted to a star image.

    Attributes
    ----------
    model : str
        ``creep`` (box), ``swing`` (arcsine), ``shake`` (Gaussian), ``step`` (two places) or
        ``gust`` (a rest and a displaced, spread-out part).
    extent_px : float
        Length of the box, full swing, rms of the shaking, or mean displacement.
    share : float
        Share of the light displaced by a step or gust; 1 for the others.
    spread_px : float
        Rms width of the displaced part; 0 for the others.
    residual : float
        Rms of image minus model where the star is bright, in units of its peak.
    log_evidence : float
        Natural logarithm, up to a constant of the frame, of the image's probability under
        this kind of motion, its parameters integrated out.
    points : float
        Log-likelihood behind the best kind, 0 for the best; tempered so that it can be
        added to other evidence.
    probability : float
        From the points, all kinds equally common beforehand.
    rms_px, skewness, kurtosis : float
        Of the motion, in closed form from its parameters; excess kurtosis.
    """

    model: str
    extent_px: float
    share: float
    spread_px: float
    residual: float
    log_evidence: float
    points: float
    probability: float
    rms_px: float
    skewness: float
    kurtosis: float


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


def weigh_motions(
    stars: FrameStars, still: tuple[float, float, float] | None = None
) -> tuple[MotionFit, ...]:
    """Fit every kind of motion to a frame's star image and weigh them.

    Parameters
    ----------
    stars : FrameStars
    still : (float, float, float), optional
        Usual second moments (xx, yy, xy) of the group's frames, px^2: how oval the still
        star is.  Taken for nearly round where not given.

    Returns
    -------
    tuple of MotionFit
        One of each of `MODELS`, likeliest first; empty where there is no image or no
        long axis.
    """
    if stars.star_image is None:
        return ()
    found = kept("motions", image_depends(stars, still), lambda: _fitted(stars, still))
    return tuple(MotionFit(*fit) for fit in found)


def image_depends(stars: FrameStars, still: tuple[float, float, float] | None) -> tuple:
    """All that a motion read off a frame's star image depends on."""
    image = stars.star_image
    own = image.image, image.step_px, stars.angle_deg, stars.fwhm_minor_px
    # the stretch is that along the axis which the image has, a little off the frame's
    angle = kept("image_axes", own, lambda: _image_axis(stars))
    return *own, None if angle is None else _stretch(angle, still)


def _image_axis(stars: FrameStars) -> float | None:
    star = fold(stars)
    return None if star is None else star.angle_deg


def _fitted(stars: FrameStars, still: tuple[float, float, float] | None) -> tuple[tuple, ...]:
    star = fold(stars)
    fits = () if star is None else _weighed(solve_motions(star, still), star.samples)
    return tuple(astuple(fit) for fit in fits)


def solve_motions(
    star: FoldedStar, still: tuple[float, float, float] | None = None
) -> tuple[Solved, ...]:
    """Every family fitted to a folded star, most evidence first; ``still`` as `weigh_motions`."""
    fitter = Fitter(star, _stretch(star.angle_deg, still))
    solved = (fitter.fit(family) for family in FAMILIES)
    return tuple(sorted(solved, key=lambda s: -s.log_evidence))


def _stretch(angle_deg: float, still: tuple[float, float, float] | None) -> tuple[float, float]:
    """Variance of the still star along the axis over that across it, less 1, and its sigma."""
    if still is None or not np.isfinite(still).all() or not still[0] + still[1] > 0:
        return 0.0, STILL_STRETCH
    xx, yy, xy = still
    turn = 2 * math.radians(angle_deg)
    lean = (xx - yy) * math.cos(turn) + 2 * xy * math.sin(turn)
    stretch = float(np.clip(lean / (0.5 * (xx + yy)), -0.2, 0.2))
    # in steps far below its sigma: one more frame in the group seldom asks for another fit
    return round(stretch / STRETCH_STEP) * STRETCH_STEP, KNOWN_STRETCH


def _weighed(solved: tuple[Solved, ...], samples: int) -> tuple[MotionFit, ...]:
    best = solved[0]
    # What even the best leaves beyond noise makes all differences less sure.
    scale = TEMPER * max(1.0, min(s.chi2 for s in solved) / samples)
    kinds: dict[str, Solved] = {}
    for found in solved:
        kinds.setdefault(found.family.name, found)
    points = {
        name: (found.log_evidence - best.log_evidence) / scale for name, found in kinds.items()
    }
    whole = sum(math.exp(p) for p in points.values())
    return tuple(
        _described(
            found,
            points[name],
            (1 - STRANGE) * math.exp(points[name]) / whole + STRANGE / len(kinds),
        )
        for name, found in kinds.items()
    )


def _described(found: Solved, points: float, probability: float) -> MotionFit:
    name, p = found.family.name, found.parameters
    _, variance, skewness, kurtosis = found.family.moments(p)
    extent, share, spread = abs(float(p[0])), 1.0, 0.0
    if found.family.sided:
        share = share_of(float(p[1]))
        extent, spread = _displaced_part(found)
    odds = found.log_evidence, points, probability
    form = math.sqrt(variance), float(skewness), float(kurtosis)
    return MotionFit(name, extent, share, spread, found.residual, *odds, *form)


def _displaced_part(found: Solved) -> tuple[float, float]:
    """Mean displacement and rms width of the part that a step or gust threw aside, px."""
    # The whole has mean s d and variance s (w^2 + d^2) - s^2 d^2 [derived].
    share = share_of(float(found.parameters[1]))
    mean, variance, _, _ = found.family.moments(found.parameters)
    away = mean / share
    width2 = (variance + mean**2) / share - away**2
    return abs(float(away)), math.sqrt(max(float(width2), 0.0))


def _area_above(image: np.ndarray, level: float) -> float:
    """Elements above a level, the border counted by linear interpolation."""
    gradient = np.hypot(*np.gradient(image.astype(float)))
    near = np.maximum(gradient, 1e-6)
    return float(np.clip((image - level) / near + 0.5, 0.0, 1.0).sum())
