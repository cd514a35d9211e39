"""Starlight that went elsewhere on the frame: second images and trails are no cloud.

A star's light that lands beside it, while the telescope settled or slipped, is missing
from its place just as cloud would have it.  Three signs give it away: every bright star has a
fainter companion at one and the same offset; more stars are counted than so much lost
light would leave; and lines lie on the frame side by side, as long and as steep as one
another.  A fourth: it is missing in one frame alone, and the sky is as bright as in the frames
beside it.  Cloud that takes so much starlight changes the sky.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.figures import beside, figure, length_text
from subgrade.judging.criteria import points_beyond
from subgrade.judging.dimming_clues import CLEAR_FROM
from subgrade.judging.evidence import clue, evidence
from subgrade.judging.features import SECOND_IMAGE_LIGHT, SKY_WITH_LOSS, STARS_LEFT
from subgrade.judging.guided_series import GuidedSeries
from subgrade.judging.likelihoods import strongest, weigh
from subgrade.judging.limits import Limits
from subgrade.judging.model import Evidence, Shares
from subgrade.judging.motion_causes import motion_numbers
from subgrade.judging.record_events import by_interruption, guide_star_dimmed
from subgrade.judging.star_numbers import trails_text
from subgrade.night.model import FrameCompared
from subgrade.stars.model import FrameStars
from subgrade.stars.motion import SecondImage, second_image, star_trails, whole_trails

SKY_STILL = 0.1
"""Change of the sky that is none, in its noise a pixel.  A sky of S electrons that changes by a
share x does so by x sqrt(S) of it [derived], 20 % by 0.1 only where there is hardly a sky."""
UNSEEN = 2.0
"""Light that nothing shows beside the star counts from so many times `light.moved`; no source."""
AT_REST = 0.7
"""Share of the light that must be left at rest for it; less is rejected by its depth, whatever took
the rest."""
BESIDE = 6
"""Frames of a group from which one of them can be alone: a choice."""


@dataclass(frozen=True, slots=True)
class Displaced:
    """Light found beside the stars: the likeliest reason and what supports each."""

    reason: str
    share: float
    """Share of the light that left the star's place."""
    points: float
    """Log odds that it ruins the frame; NaN where only the depth decides."""
    text: str
    evidence: tuple[Evidence, ...]
    shares: Shares
    """Of the causes of displaced light, the reason first."""


def light_displaced(
    series: GuidedSeries,
    position: int,
    stars: FrameStars,
    compared: FrameCompared,
    limits: Limits,
) -> Displaced | None:
    """Whether starlight left its place rather than being lost.

    Returns
    -------
    Displaced or None
    """
    share = series["transparency"][position]
    second = second_image(stars) if stars.shape_status == "measured" else None
    counted = _stars_kept(series, position, stars, share) if _even(compared, limits) else None
    trails = star_trails(stars)
    recorded = by_interruption(series, position, limits)
    undimmed = guide_star_dimmed(series, position, share, limits)
    lines = whole_trails(stars)
    alone = _missing_alone(series, position, compared, limits)
    if sum(e.points for e in undimmed) > 0:
        alone = None
    if second is None and not lines:
        kept = counted is not None and counted.points < 0
        known = sum(e.points for e in undimmed) <= -1 and any(e.points > 2 for e in recorded)
        if not (share < 1 - limits.guiding.star_loss and (kept or trails or known or alone)):
            return None
    items = [e for e in (counted, alone) if e is not None]
    points, text = math.nan, counted.text if counted and counted.points < 0 else ""
    if alone is not None:
        text = f"{alone.text}; {text}" if text else alone.text
        points = _unseen(share, compared.transparency_error, limits)
    if second is not None:
        moved = second.ratio / (1 + second.ratio)
        # What lies between the two images left the star too.
        moved = max(moved, min(1 - share, 0.5)) if share < 1 else moved
        points = points_beyond(
            moved, limits.light.moved, 0.02, 0.2 * limits.light.moved, limits.verdict.points_cap
        )
        text = _second_text(second, moved, series.scale_arcsec, limits)
    if lines:
        # nobody wants lines in a stack, however little light they took
        points = limits.verdict.points_cap
    if trails:
        seen = trails_text(trails)
        text = f"{seen}; {text}" if text else seen
    shares, why = weigh(motion_numbers(series, position, limits))
    reason = shares[0][0]
    if second is not None:
        items.append(
            evidence(
                reason, SECOND_IMAGE_LIGHT, points, text, value=moved, limit=limits.light.moved
            )
        )
    best = strongest([e for e in why if e.text not in text], reason)
    if best is not None:
        text = "; ".join(filter(None, (text, best.text)))
    return Displaced(reason, 1 - share, points, text, (*items, *why, *undimmed), shares)


def _second_text(second: SecondImage, moved: float, scale: float, limits: Limits) -> str:
    share, limit = beside(100 * moved, 100 * limits.light.moved, "%")
    return (
        f"{second.pairs} of the {second.asked} brightest stars have a second image "
        f"{length_text(second.length, scale)} away, {figure(100 * second.ratio, '%')} as bright; "
        f"{share} of the light is displaced (limit {limit})"
    )


def _missing_alone(
    series: GuidedSeries, position: int, compared: FrameCompared, limits: Limits
) -> Evidence | None:
    """Evidence that light is missing in this frame alone, under a sky as bright as beside it.

    Stars wider than usual may have it in their wings, where nobody looked.
    """
    light, sky, near = series["transparency"], series["sky"], series.near(position, 1)
    if len(series) < BESIDE or len(near) < 2 or not (light[near] > CLEAR_FROM).all():
        return None
    if not (light[position] > AT_REST and _even(compared, limits)):
        return None
    before = float(np.mean(sky[near]))
    wide = limits.sharpness.ratio_low * series.usual("fwhm_px").centre
    still = abs(sky[position] - before) < SKY_STILL * series["noise"][position]
    if not (still and series["fwhm"][position] < wide):
        return None
    lost, limit = beside(100 * (1 - light[position]), 100 * UNSEEN * limits.light.moved, "%")
    text = (
        f"{lost} of the starlight is missing (limit {limit}) in this frame alone, under a sky as "
        f"bright as in the frames beside it ({figure(before, 'ADU')}), as no cloud leaves it"
    )
    return clue("cloud", SKY_WITH_LOSS, -2.0, text, value=sky[position], usual=before)


def _unseen(share: float, error: float, limits: Limits) -> float:
    """Log odds that light whose new place is not seen ruins the frame."""
    limit = UNSEEN * limits.light.moved
    return points_beyond(1 - share, limit, error, 0.2 * limit, limits.verdict.points_cap)


def _even(compared: FrameCompared, limits: Limits) -> bool:
    """Whether all quarters lost alike, as they do when the telescope moves.

    Under patchy cloud the clear part keeps its stars, so that their count means nothing.
    """
    quarters = np.array(compared.quarters, dtype=float)
    if not np.isfinite(quarters).all() or not compared.transparency > 0:
        return False
    spread = np.ptp(quarters) / compared.transparency
    noise = 4 * compared.transparency_error / compared.transparency
    return bool(spread < 0.5 * limits.light.uneven + noise)


def _stars_kept(series: GuidedSeries, position: int, stars: FrameStars, share: float):
    """Evidence that more stars are counted than the loss of light would leave."""
    usual = series.usual("stars")
    if stars.catalogue is None or not (0 < share < 0.97 and usual.count >= 4):
        return None
    expected = _expected_stars(series, position, stars, share)
    if not expected > 5:
        return None
    spread = usual.spread if np.isfinite(usual.spread) else 0.0
    error = math.hypot(spread, 0.04 * expected)
    z = (stars.stars - expected) / error
    text = (
        f"{figure(stars.stars, 'stars')} counted, where transparency {figure(share)} would leave "
        f"{expected:.0f} of the typical {usual.centre:.0f}"
    )
    points = -float(np.clip(1.7 * (z - 2.5), 0.0, 4.0))
    return clue(
        "cloud",
        STARS_LEFT,
        points,
        text,
        value=stars.stars,
        usual=expected,
        error=error,
    )


def _expected_stars(series, position, stars: FrameStars, share: float) -> float:
    """Stars of the clear frames that would stay countable with this share of their light."""
    light = series["transparency"]
    counts = []
    for other in series.near(position, 6):
        clear = series.stars[other]
        if not light[other] > 0.9 or clear.catalogue is None:
            continue
        dimmed = share / light[other] * clear.noise_adu / stars.noise_adu
        # S/N of a matched filter goes as 1 / (noise FWHM): a sharper frame shows more stars.
        wider = clear.fwhm_px / stars.fwhm_px
        dimmed *= wider if np.isfinite(wider) else 1.0
        counted = clear.catalogue.is_star & (clear.catalogue.snr * dimmed > clear.stars_snr_limit)
        counts.append(np.count_nonzero(counted))
    return float(np.median(counts)) if counts else float("nan")
