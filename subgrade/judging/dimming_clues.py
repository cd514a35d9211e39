"""Cloud or dew: starlight that was lost above the telescope, or on its glass.

Dew settles slowly and evenly: starlight falls one way, alike over the whole frame, while
scattered light widens the stars and gives them halos, and the sky, scattered just as well,
stays as bright.  Cloud comes and goes, is patchy, dims without widening, and shines in
ground light.  Points without a source are this module's judgement.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from subgrade.figures import figure
from subgrade.judging.evidence import clue
from subgrade.judging.features import (
    FRAMES_DIMMED,
    GROWTH_WITH_LOSS,
    HALO,
    ONE_WAY_LOSS,
    PATCHINESS,
    RECOVERY,
    SKY_WITH_LOSS,
    Feature,
)
from subgrade.judging.limits import Limits
from subgrade.judging.model import Evidence
from subgrade.night.model import FrameCompared
from subgrade.night.series import GroupSeries, unbroken
from subgrade.robust import scatter

CLEAR_FROM = 0.95
"""Share of the clear level below which a frame belongs to a stretch of lost light."""


def dimming_clues(
    series: GroupSeries, position: int, compared: FrameCompared, limits: Limits
) -> list[Evidence]:
    """What supports dew and what supports cloud, the whole stretch of dim frames taken together.

    Returns
    -------
    list of Evidence
        Each with positive points for its own word.
    """
    stretch = dim_stretch(series["transparency"], position)
    found = [
        *_one_way(series, stretch, limits),
        *_halo(series, stretch),
        *_swelling(series, stretch),
        *_patchy(compared),
        *_sky(series, position, limits),
        *_came_back(series["transparency"], stretch),
    ]
    return [e for e in found if e.points > 0.05]


def dim_stretch(light: np.ndarray, position: int) -> tuple[int, int]:
    """First and last frame of the unbroken stretch of lost light round one frame."""
    return unbroken(~(light > CLEAR_FROM), position)


def _one_way(series: GroupSeries, stretch: tuple[int, int], limits: Limits) -> list[Evidence]:
    light = series["transparency"][stretch[0] : stretch[1] + 1]
    light = light[np.isfinite(light)]
    count = len(light)
    if count < 3:
        text = f"the loss lasted {figure(count, 'frames')}"
        points = 1.5 if len(series) >= 6 else 0.3
        return [clue("cloud", FRAMES_DIMMED, points, text, value=count)]
    trend = rank_trend(light.tobytes())
    order = f"over {count} frames (rank correlation with time {figure(trend)})"
    if trend < -0.75:
        text = f"starlight fell steadily {order}"
        # Three frames fall in order by chance once in six, six hardly ever.
        full = limits.light.dew_frames
        points = float(np.interp(count, [3, full], [0.8, 2.0]))
        return [clue("dew", ONE_WAY_LOSS, points, text, value=trend)]
    text = f"starlight did not fall steadily {order}"
    points = float(np.interp(trend, [-0.75, -0.3], [0.5, 2.0]))
    return [clue("cloud", ONE_WAY_LOSS, points, text, value=trend)]


@lru_cache(maxsize=64)
def rank_trend(values: bytes) -> float:
    """Rank correlation of values with their order, tau-b (Kendall 1945, Biometrika 33, 239).

    Parameters
    ----------
    values : bytes
        Of an array of float64, all finite: every frame of a stretch asks for the same.

    Returns
    -------
    float
        NaN where all are the same.
    """
    light = np.frombuffer(values)
    rising, level = 0, 0
    for k in range(len(light) - 1):
        later = light[k + 1 :]
        rising += np.count_nonzero(later > light[k]) - np.count_nonzero(later < light[k])
        level += np.count_nonzero(later == light[k])
    pairs = len(light) * (len(light) - 1) // 2
    return rising / math.sqrt(pairs * (pairs - level)) if pairs > level else math.nan


def _halo(series: GroupSeries, stretch: tuple[int, int]) -> list[Evidence]:
    """Wings over core where most light is lost, against the frames that lost none."""
    wings, light = series["wings"], series["transparency"]
    clear = wings[np.isfinite(wings) & (light > CLEAR_FROM)]
    worst = _deepest(light, stretch)
    if len(clear) < 4 or worst is None or not np.isfinite(wings[worst]):
        return []
    usual = float(np.median(clear))
    spread = max(scatter(clear, usual), 0.015)
    z = (wings[worst] - usual) / spread
    text = (
        f"on the dimmest frame a star's width at 20% of its peak is {figure(wings[worst])} times "
        f"that at half maximum (clear frames {figure(usual)})"
    )
    word = "dew" if z > 1 else "cloud"
    points = float(np.interp(z, [1.0, 2.5, 5.0], [0.0, 1.5, 3.0])) if z > 1 else 0.4
    return [clue(word, HALO, points, text, value=wings[worst], usual=usual, error=spread)]


def _swelling(series: GroupSeries, stretch: tuple[int, int]) -> list[Evidence]:
    """Do stars grow wider as the light goes?"""
    worst, usual = _deepest(series["transparency"], stretch), series.usual("fwhm_px")
    if worst is None:
        return []
    change = float(series["fwhm"][worst] / usual.centre - 1)
    if not np.isfinite(change):
        return []
    spread = usual.spread / usual.centre if np.isfinite(usual.spread) else 0.03
    z = change / max(spread, 0.02)
    compared = f"{figure(100 * abs(change), '%')} {'wider' if change >= 0 else 'narrower'}"
    text = f"on the dimmest frame stars are {compared} than typical"
    word = "dew" if z > 1 else "cloud"
    points = float(np.interp(z, [1.0, 4.0], [0.0, 1.5])) if z > 1 else 0.2
    return [clue(word, GROWTH_WITH_LOSS, points, text, value=change)]


def _patchy(compared: FrameCompared) -> list[Evidence]:
    quarters, share = np.array(compared.quarters, dtype=float), compared.transparency
    lost = 1 - share
    if not (np.isfinite(quarters).all() and lost > 0.05):
        return []
    spread = float(np.ptp(quarters))
    # The range of four means, each of a quarter of the stars: 2.06 sigma (order statistics).
    noise = 2.06 * 2 * compared.transparency_error
    text = (
        f"starlight is down {figure(100 * lost, '%')}, with a difference of "
        f"{figure(100 * spread, '%')} between the best and the worst quarter of the frame"
    )
    beyond = max(spread - noise, 0.0) / lost
    points = float(np.interp(beyond, [0.05, 0.12, 0.4], [-0.6, 0.3, 2.5]))
    return [_either(-points, PATCHINESS, text, spread)]


def _sky(series: GroupSeries, position: int, limits: Limits) -> list[Evidence]:
    """Cloud shines in ground light or hides the sky; a wet lens leaves its brightness."""
    sky, expected = series["sky"][position], series["sky_expected"][position]
    usual = series.usual("background_adu")
    level = expected if np.isfinite(expected) else usual.centre
    spread = usual.spread if np.isfinite(usual.spread) else 0.0
    if not (np.isfinite(sky) and level > 0):
        return []
    off = (sky - level) / max(spread, 0.003 * level)
    text = f"sky background {figure(sky, 'ADU')} (expected {figure(level, 'ADU')})"
    points = float(np.interp(abs(off), [2.0, limits.light.sky_spread_factor, 15], [-0.4, 0.3, 1]))
    return [_either(-points, SKY_WITH_LOSS, text, sky)]


def _came_back(light: np.ndarray, stretch: tuple[int, int]) -> list[Evidence]:
    last = stretch[1]
    after = light[last + 1 : last + 3]
    if not (np.isfinite(light[last]) and np.isfinite(after).any()):
        return []
    back = float(np.nanmax(after) - light[last])
    if back < 0.2:
        return []
    text = (
        f"transparency recovered from {figure(light[last])} to {figure(np.nanmax(after))} within "
        "two frames"
    )
    # A heater dries slowly; a person with a cloth does not.
    return [clue("cloud", RECOVERY, 0.7, text, value=back)]


def _deepest(light: np.ndarray, stretch: tuple[int, int]) -> int | None:
    inside = light[stretch[0] : stretch[1] + 1]
    return stretch[0] + int(np.nanargmin(inside)) if np.isfinite(inside).any() else None


def _either(points: float, feature: Feature, text: str, value: float) -> Evidence:
    return clue("dew" if points > 0 else "cloud", feature, abs(points), text, value=value)
