"""Second images of the stars, and lines that are the stars' own trails.

While the telescope settled or slipped, a star's light fell beside its place: every bright star
has a fainter companion at one and the same offset, or lines lie on the frame side by side, as
long and as steep as one another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade import memo
from subgrade.axes import axial_difference
from subgrade.stars.model import FrameStars, StarList, Streak

BRIGHTEST = 60
"""Stars asked for a companion: fainter ones have theirs below the noise."""
CHANCE = 1e-7
"""Probability by chance below which companions at one offset are second images."""


@dataclass(frozen=True, slots=True)
class SecondImage:
    """A fainter image of every bright star.

    Attributes
    ----------
    dx, dy : float
        From the star to its second image, px.
    ratio : float
        Brightness of the second over the first.
    pairs, asked : int
        Bright stars that have one, and that were looked at.
    """

    dx: float
    dy: float
    ratio: float
    pairs: int
    asked: int

    @property
    def length(self) -> float:
        """Distance of the two images, px."""
        return math.hypot(self.dx, self.dy)


def second_image(stars: FrameStars) -> SecondImage | None:
    """Look for companions that the bright stars share.

    Parameters
    ----------
    stars : FrameStars
        With its catalogue.

    Returns
    -------
    SecondImage or None
        None where no offset gathers more companions than chance: the number of bright
        stars with a companion within the tolerance of one offset is Poisson with the mean
        that pairs spread evenly over the search area would give.
    """
    width = stars.fwhm_px
    if stars.catalogue is None or not width > 0:
        return None
    c = stars.catalogue
    depends = width, c.is_star, c.flux, c.x, c.y
    found = memo.kept("second_images", depends, lambda: _second_image(c, width))
    return None if found is None else SecondImage(*found)


def _second_image(catalogue: StarList, width: float) -> tuple | None:
    """The fields of a `SecondImage`."""
    from scipy.spatial import cKDTree
    from scipy.special import pdtrc

    reach, tolerance = max(15 * width, 60.0), max(1.2, 0.35 * width)
    star, vector, ratio, asked = _pairs(catalogue, width, reach)
    if len(star) < 8:
        return None
    near = cKDTree(vector).query_ball_point(vector, tolerance)
    alike = [[k for k in n if abs(ratio[k] - ratio[i]) < 0.6] for i, n in enumerate(near)]
    counts = [len(set(star[n].tolist())) for n in alike]
    best = int(np.argmax(counts))
    mean = len(star) * (tolerance / reach) ** 2
    tried = len(star)
    if counts[best] < max(6, 0.15 * asked) or tried * pdtrc(counts[best] - 1, mean) > CHANCE:
        return None
    dx, dy = np.median(vector[alike[best]], axis=0)
    brightness = float(np.exp(np.median(ratio[alike[best]])))
    return float(dx), float(dy), brightness, counts[best], asked


def _pairs(
    catalogue: StarList, width: float, reach: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, int]:
    """(star, offset, log ratio) of every fainter detection round a bright star."""
    known = catalogue.is_star & (catalogue.flux > 0)
    order = np.flatnonzero(known)[np.argsort(-catalogue.flux[known], kind="stable")]
    x, y, flux = (np.asarray(v, float)[order] for v in (catalogue.x, catalogue.y, catalogue.flux))
    bright = slice(0, min(BRIGHTEST, len(x)))
    dx, dy = x[None, :] - x[bright, None], y[None, :] - y[bright, None]
    ratio = np.log(flux[None, :] / flux[bright, None])
    far = np.hypot(dx, dy)
    pair = (far > 1.2 * width) & (far < reach) & (ratio < -0.2) & (ratio > -4.0)
    star = np.nonzero(pair)[0]
    return star, np.column_stack((dx[pair], dy[pair])), ratio[pair], bright.stop


def star_trails(stars: FrameStars) -> tuple[Streak, ...]:
    """Streaks that are the stars' own trails: three or more, side by side and alike.

    Returns
    -------
    tuple of Streak
        Empty where the streaks differ, or lie on one line as the pieces of one trail do.
    """
    streaks = [s for s in stars.streaks if s.length_px > 0]
    if len(streaks) < 3:
        return ()
    angle = np.array([math.degrees(math.atan2(s.y2 - s.y1, s.x2 - s.x1)) for s in streaks])
    length = np.array([s.length_px for s in streaks])
    cut = np.array([_cut(s, stars) for s in streaks])
    for k in range(len(streaks)):
        as_long = (np.abs(np.log(length / length[k])) < 0.4) | cut | cut[k]
        like = (axial_difference(angle, angle[k]) < 4) & as_long
        t = math.radians(angle[k])
        aside = np.array(
            [(s.y1 + s.y2) / 2 * math.cos(t) - (s.x1 + s.x2) / 2 * math.sin(t) for s in streaks]
        )[like]
        if like.sum() >= 3 and np.ptp(aside) > 0.1 * length[k]:
            return tuple(s for s, same in zip(streaks, like, strict=True) if same)
    return ()


def whole_trails(stars: FrameStars) -> tuple[Streak, ...]:
    """Those of `star_trails` that end inside the frame, where there are three or more.

    What crosses the frame from edge to edge, several side by side, may be satellites; lines that
    begin and end by their stars are the stars' own.
    """
    whole = tuple(s for s in star_trails(stars) if not _cut(s, stars))
    return whole if len(whole) >= 3 else ()


def _cut(streak: Streak, stars: FrameStars) -> bool:
    """Whether the frame's edge cuts a streak, so that its length means little."""
    x, y = (streak.x1, streak.x2), (streak.y1, streak.y2)
    edge = 12.0
    return min(*x, *y) < edge or max(x) > stars.width - edge or max(y) > stars.height - edge
