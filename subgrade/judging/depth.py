"""What one frame adds to the depth of its group's stack: starlight against noise and width.

Frames are scaled to equal starlight.  Under the filter of the good frames' star a frame brings
the signal ``r``, 1 where its star is as theirs, and the noise variance ``y`` of one pixel, theirs
being 1.  A plain mean of N of them has S/N^2 = N, and with the frame

    (N + r)^2 / (N + y),

which is more only while ``depth = r / y`` is above ``1 / (2 + r / N)`` [derived].  Stars as wide
as theirs have r = 1, and depth is then the frame's S/N^2 over theirs, its weight.  Stars k times as
wide have r = 2 / (1 + k^2) (Gaussian stars, derived); beyond `WIDEST`, where a mean loses by them
alone, they are left to the limit on widths.  A weighted mean gains by every frame.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from subgrade.judging.criteria import points_beyond
from subgrade.judging.guided_series import GuidedSeries
from subgrade.judging.limits import Limits
from subgrade.night.model import FrameCompared
from subgrade.night.series import BROKEN

COUNT_SLOPE = 0.75
"""Number of stars beyond a brightness over that brightness, dex a dex (0.3 a magnitude); common
practice, no source."""
COUNT_ERROR = 0.3
"""Error of light read off a star count beside that of counting, relative; no source."""
UNSURE = -1.0
"""Points at best for a frame of a group in which no frame's starlight is known, so that a keep is
0.62 sure.  A choice."""
MOST_LIGHT = 1.3
"""Starlight beyond which a measurement is held for wrong: nothing outshines the clear sky."""
WIDEST = 3.0**0.5
"""Stars so many times as wide bring half the signal [derived]."""
ROUNDS = 5
"""Times that the good frames and the width of their star are sought by each other, at most."""


@dataclass(frozen=True, slots=True)
class Depth:
    """What one frame adds to a plain mean of the group's good frames."""

    share: float
    """Starlight, of the clear level; NaN where not measured."""
    measured: bool
    """Whether that is a measurement and no upper limit."""
    known_of_some: bool
    """Whether starlight was measured on any frame of the group."""
    relative: float
    """Signal over noise variance, the other good frames 1; where starlight was not measured, at
    best."""
    error: float
    usual: float
    """The group's median of the same."""
    noise: float
    """The sky's, over the typical."""
    width: float
    """Of the stars, over the good frames'; 1 where not measured."""
    others: int
    """Other good frames that it is held against."""

    @property
    def dimmed(self) -> bool:
        """Whether starlight that was lost costs no less than noise that was added."""
        return -2 * np.log(max(self.share, 1e-6)) >= 2 * np.log(max(self.noise, 1e-6))

    @property
    def widened(self) -> bool:
        """Whether wide stars cost more than either."""
        lost = max(1 / max(self.share, 1e-6), self.noise) if np.isfinite(self.share) else self.noise
        return -np.log(overlap(self.width)) > 2 * np.log(max(lost, 1e-6))


def overlap(width: np.ndarray | float) -> np.ndarray | float:
    """Signal of a star so many times as wide under the filter of the narrower, over its own."""
    return 2.0 / (1.0 + np.square(width))


def depth_limit(others: int, limits: Limits) -> float:
    """Depth below which a frame makes a plain mean of so many others noisier.

    1 / (2 + 1/N) as `subgrade.judging.limits` has it; 0, so that none does, for a weighted mean.
    """
    d = limits.light.depth
    return d / (1.0 + d / others) if others else d


def good_frames(signal: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """The frames whose plain mean is deepest.

    Parameters
    ----------
    signal, variance : ndarray, shape (n,)
        Of every frame scaled to equal starlight; NaN left out.

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    (sum of signal)^2 / (sum of variance) grows with a frame only while its signal over variance
    is above some level, so the best set is a prefix of the frames sorted by that [derived].
    """
    ratio = np.where(np.isfinite(variance) & (variance > 0), signal / variance, np.nan)
    known = np.flatnonzero(np.isfinite(ratio))
    found = np.zeros(len(signal), bool)
    if known.size:
        order = known[np.argsort(-ratio[known], kind="stable")]
        gain = np.cumsum(signal[order]) ** 2 / np.cumsum(variance[order])
        found[order[: int(np.argmax(gain)) + 1]] = True
    return found


def depth_of(series: GuidedSeries, position: int, compared: FrameCompared) -> Depth | None:
    """None where the frame or the group has no noise to hold starlight against."""
    light = trusted(series["transparency"], series)
    # an empty or a full frame has no noise
    noise = np.where(series["noise"] > 0, series["noise"], np.nan)
    fwhm = np.where(series["whole"] > 0, series["fwhm"], np.nan)
    signal, variance, good, width = _group(light.tobytes(), noise.tobytes(), fwhm.tobytes())
    others = good.copy()
    others[position] = False
    if not others.any():
        others = good
    count = int(others.sum()) if not others[position] else 0
    if not (others.any() and np.isfinite(variance[position])):
        return None
    depth = signal / variance * (np.mean(variance[others]) / np.mean(signal[others]))
    relative, share = float(depth[position]), light[position]
    measured = bool(np.isfinite(share) and not compared.transparency_is_limit)
    wide = width[position]
    # of 2 / (1 + k^2): 2 k^2 / (1 + k^2) times the relative error of k
    of_width = 2 * wide**2 / (1 + wide**2) * series["fwhm_error"][position] / fwhm[position]
    of_light = 2 * compared.transparency_error / share if share > 0 else np.nan
    return Depth(
        share,
        measured,
        bool(np.isfinite(light).any()),
        relative,
        float(np.hypot(of_light, np.nan_to_num(of_width)) * relative) if measured else np.nan,
        float(np.nanmedian(depth)),
        series["noise"][position] / series.usual("noise_adu").centre,
        float(wide),
        count,
    )


@lru_cache(maxsize=4)
def _group(light: bytes, noise: bytes, fwhm: bytes) -> tuple[np.ndarray, ...]:
    """Signal, variance, whether good, and width over the good frames', of a group's frames."""
    light, noise, fwhm = (np.frombuffer(v) for v in (light, noise, fwhm))
    variance = (noise / np.where(np.isfinite(light), light, 1.0)) ** 2
    # what is unknown sets no yardstick, unless it is unknown of all
    known = np.isfinite(light) if np.isfinite(light).any() else np.ones(len(light), bool)
    good = known & np.isfinite(variance)
    for _ in range(ROUNDS):
        mine = fwhm[good & np.isfinite(fwhm)]
        star = float(np.median(mine)) if mine.size else np.nan
        width = np.where(np.isfinite(fwhm / star), fwhm / star, 1.0)
        signal = overlap(np.minimum(width, WIDEST))
        found = good_frames(signal, np.where(known, variance, np.nan))
        if (found == good).all():
            break
        good = found
    return signal, variance, good, width


def trusted(light: np.ndarray, series: GuidedSeries) -> np.ndarray:
    """Transparency where stars were whole; no template fits lines, pairs and rings.

    A wild value would make every other frame look dim.
    """
    return np.where((series["whole"] > 0) & (light < MOST_LIGHT), light, np.nan)


def points_of_depth(series: GuidedSeries, position: int, depth: Depth, limits: Limits) -> float:
    """Log odds that a stack of the good frames is the worse for this one."""
    points = _points(depth.relative, depth.error, depth.others, limits)
    if not depth.measured and depth.known_of_some:
        return _unsure(series, position, depth, points, limits)
    if not depth.measured and len(series) > 1:
        return max(points, UNSURE)
    return points


def _points(relative: float, error: float, others: int, limits: Limits) -> float:
    limit = depth_limit(others, limits)
    if not limit > 0:
        return -limits.verdict.points_cap
    return points_beyond(
        -relative, -limit, error, limits.light.softness * limit, limits.verdict.points_cap
    )


def _unsure(
    series: GuidedSeries, position: int, depth: Depth, points: float, limits: Limits
) -> float:
    """Points where starlight was not measured: the depth at best, and what the stars' number says.

    Star counts go as the light to the power `COUNT_SLOPE`, and seeing moves them besides, so
    that they take away from a keep's confidence and reject nothing.
    """
    stars, usual = series.stars[position], series.usual("stars").centre
    if points > 0 or stars.shape_status in BROKEN or not usual > 0:
        return points
    light = min((stars.stars + 1.0) / (usual + 1.0), 1.0) ** (1.0 / COUNT_SLOPE)
    error = np.hypot(1.0 / (COUNT_SLOPE * np.sqrt(stars.stars + 1.0)), COUNT_ERROR)
    guess = depth.relative * light**2
    return float(np.clip(_points(guess, 2 * error * guess, depth.others, limits), points, -0.01))
