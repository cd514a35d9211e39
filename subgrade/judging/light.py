"""Starlight lost and sky gained: cloud, dew, sky glow, and frames without stars."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from subgrade.figures import beside, figure
from subgrade.judging.causes import CAUSES_OF_DIMMING, shares_of
from subgrade.judging.criteria import points_beyond
from subgrade.judging.depth import Depth, depth_limit, depth_of, points_of_depth
from subgrade.judging.dimming_clues import dimming_clues
from subgrade.judging.evidence import Finding, evidence
from subgrade.judging.features import BACKGROUND, DEPTH, NOISE, STAR_COUNT, TRANSPARENCY, UNEVENNESS
from subgrade.judging.guided_series import GuidedSeries
from subgrade.judging.limits import Limits
from subgrade.judging.reasons import DIMMING, REASONS
from subgrade.judging.record_events import by_interruption, guide_star_dimmed
from subgrade.judging.star_numbers import trails_text
from subgrade.night.model import FrameCompared
from subgrade.night.series import BROKEN
from subgrade.stars.model import FrameStars
from subgrade.stars.motion import star_trails


def judge_light(
    series: GuidedSeries, position: int, compared: FrameCompared, limits: Limits
) -> list[Finding]:
    """Whether too little starlight came through for the sky's noise, and why.

    Returns
    -------
    list of Finding
        Where transparency was not measured, or has an upper limit only, the depth has one
        too: it can count against the frame and hardly for it.
    """
    depth = depth_of(series, position, compared)
    if depth is None:
        return []
    points = points_of_depth(series, position, depth, limits)
    # whether the air or the focus widened stars is for `judge_sharpness` to say
    reason = "seeing" if depth.widened else "cloud" if depth.dimmed else "sky_glow"
    dim = depth.dimmed and depth.share < limits.light.remark_transparency
    remark = dim or (points > 0 and not depth.dimmed)
    if dim and points <= 0:
        reason = "cloud"
    finding = _shallow(series, position, compared, depth, reason, points, limits)
    finding = replace(finding, remark=bool(remark))
    if reason != "seeing" and (remark or points > 0):
        if depth.dimmed:
            finding = _what_dimmed(series, position, compared, limits, finding)
        named = f"{REASONS[finding.reason].noun}: {finding.sentence}"
        finding = replace(finding, sentence=named)
    return [finding, *_uneven(compared, depth.share, limits)]


def _shallow(
    series: GuidedSeries,
    position: int,
    compared: FrameCompared,
    depth: Depth,
    reason: str,
    points: float,
    limits: Limits,
) -> Finding:
    """What is found of a frame's depth, before its cause has a name."""
    parts = f"transparency {_came(series, position, depth.share, compared)}"
    if series.typical("noise_adu"):
        parts += f", sky noise {figure(depth.noise)} times typical"
    if depth.widened:
        parts += f", FWHM {figure(depth.width)} times the good frames'"
    limit = depth_limit(depth.others, limits)
    own, bar = beside(depth.relative, limit)
    own = own if depth.measured else f"at most {own}"
    weighed = f"limit {bar}" if limit > 0 else "no limit in a weighted stack"
    numbers = f"{parts}; depth (S/N²) is {own} of the good frames' ({weighed})"
    item = evidence(
        reason,
        DEPTH,
        points,
        numbers,
        value=depth.relative,
        usual=depth.usual,
        error=depth.error,
        limit=limit if limit > 0 else None,
    )
    # a frame by itself is its own yardstick
    brief = f"depth {own} ({weighed}): {parts}" if len(series) > 1 else ""
    items = (item, *_context(series, position, depth.share, compared))
    return Finding(reason, points, False, numbers, items, brief)


def _came(series: GuidedSeries, position: int, share: float, compared: FrameCompared) -> str:
    """The transparency in words; with why, where it is unknown or an upper limit."""
    if np.isfinite(share):
        return f"at most {figure(share)}" if compared.transparency_is_limit else figure(share)
    status = series.stars[position].shape_status
    if np.isfinite(compared.transparency):
        why = f"{status} stars" if status in BROKEN else "it reads brighter than a clear sky"
    else:
        why = compared.transparency_note or "its stars could not be compared"
    return f"not measured ({why})"


def judge_star_count(
    series: GuidedSeries,
    position: int,
    stars: FrameStars,
    compared: FrameCompared,
    limits: Limits,
) -> list[Finding]:
    """Frames whose stars are all but gone, where matched starlight shows nothing."""
    usual = series.usual("stars").centre
    lost = stars.shape_status in ("few", "none")
    if not lost and np.isfinite(series["transparency"][position]):
        return []
    rich = np.isfinite(usual) and usual >= limits.stars.usual_at_least
    gone = rich and stars.stars < limits.stars.few_share * usual
    if not lost and not gone:
        return []
    light = series["transparency"][position]
    lit = compared.matched_stars and not compared.transparency_is_limit
    lit = bool(lit and light >= limits.light.remark_transparency)
    if lit:
        reason, why = (
            "few_stars",
            (
                f"yet {compared.matched_stars} stars of the other frames give {figure(light)} of "
                "their light at their places, so it is their shape that cannot be judged"
            ),
        )
    else:
        reason, why = _where_stars_went(series, position, stars, gone, limits)
    asked = by_interruption(series, position, limits)
    known = max(asked, key=lambda e: e.points, default=None)
    if known is not None and known.points > 2 and reason in (*DIMMING, "few_stars"):
        reason, why = known.reason, known.text
    barren = (stars.shape_status == "none" or gone) and not lit
    points = 4.0 if barren else -0.5
    typical = series.typical("stars", "stars").removesuffix(" stars")
    text = figure(stars.stars, "stars") + (f" ({typical})" if typical else "")
    text += f"; {why}" if why else ""
    item = evidence(
        reason,
        STAR_COUNT,
        points,
        text,
        value=stars.stars,
        usual=usual,
        limit=limits.stars.few_share * usual if rich else None,
    )
    return [Finding(reason, points, True, text, (item, *asked))]


def _where_stars_went(series, position, stars, gone, limits) -> tuple[str, str]:
    sky, noise = series["sky"][position], series["noise"][position]
    usual_sky, usual_noise = series.usual("background_adu"), series.usual("noise_adu")
    usual_stars = series.usual("stars").centre
    usual_stars = usual_stars if np.isfinite(usual_stars) else 0.0
    typical = series.typical("background_adu", "ADU")
    levels = f"sky {figure(sky, 'ADU')}" + (f" ({typical})" if typical else "")
    if _sky_raised(series, position, limits) and (
        noise > 1.41 * usual_noise.centre or sky > 2 * usual_sky.centre
    ):
        return "sky_glow", levels
    trails = star_trails(stars)
    if trails:
        return "tracking_lost", trails_text(trails)
    # Hot pixels stand out under the thickest cloud.
    hot = float(np.median([s.hot_pixels for s in series.stars]))
    if stars.bright_places - 2 * hot >= max(limits.stars.few_share * usual_stars, 8):
        return "tracking_lost", (
            f"yet {stars.bright_places} places stand out of the sky without the shape of a star, "
            "so light came through and was smeared"
        )
    if gone and sky > 0.6 * usual_sky.centre:
        return "cloud", f"{levels}, so the shutter was open and something took the starlight"
    return "few_stars", levels


def _sky_raised(series: GuidedSeries, position: int, limits: Limits) -> bool:
    usual = series.usual("background_adu")
    spread = usual.spread if np.isfinite(usual.spread) else 0.0
    return bool(series["sky"][position] > usual.centre + limits.light.sky_spread_factor * spread)


def _context(series, position, share, compared) -> list:
    """The two parts of the depth, kept for `explain`; they carry no points of their own."""
    usual, noise, sky = (series.usual(q) for q in ("transparency", "noise_adu", "background_adu"))
    return [
        evidence(
            "cloud",
            TRANSPARENCY,
            0.0,
            _beside(f"transparency {figure(share)}", series.typical("transparency")),
            value=share,
            usual=usual.centre,
            error=compared.transparency_error,
        ),
        evidence(
            "sky_glow",
            NOISE,
            0.0,
            _beside(
                f"sky noise {figure(series['noise'][position], 'ADU')}",
                series.typical("noise_adu", "ADU"),
            ),
            value=series["noise"][position],
            usual=noise.centre,
        ),
        evidence(
            "sky_glow",
            BACKGROUND,
            0.0,
            _beside(
                f"sky {figure(series['sky'][position], 'ADU')}",
                series.typical("background_adu", "ADU"),
            )
            + _expected_sky(series, position),
            value=series["sky"][position],
            usual=sky.centre,
        ),
    ]


def _beside(text: str, typical: str) -> str:
    return f"{text}, {typical}" if typical else text


def _expected_sky(series: GuidedSeries, position: int) -> str:
    """What the night's slow trend (the moon, the sky's turning) gives at this hour."""
    expected = series["sky_expected"][position]
    if not np.isfinite(expected):
        return ""
    return f", expected at this hour {figure(expected, 'ADU')}"


def _what_dimmed(series, position, compared, limits, finding: Finding) -> Finding:
    share = series["transparency"][position]
    items = [
        *dimming_clues(series, position, compared, limits),
        *guide_star_dimmed(series, position, share, limits),
    ]
    finding = finding.named(shares_of(items, CAUSES_OF_DIMMING)[0][0])
    best = max(
        (e for e in items if e.reason == finding.reason), key=lambda e: e.points, default=None
    )
    text = finding.sentence if best is None else f"{finding.sentence}; {best.text}"
    return replace(finding, sentence=text, evidence=(*finding.evidence, *items))


def _uneven(compared: FrameCompared, share: float, limits: Limits) -> list[Finding]:
    """Starlight lost in one quarter of the frame only leaves a gradient that scaling keeps."""
    quarters = np.array(compared.quarters, dtype=float)
    if not np.isfinite(quarters).all() or not share > 0:
        return []
    spread = float((quarters.max() - quarters.min()) / share)
    # A quarter's mean rests on a quarter of the stars; twice the frame's error each.
    error = 2 * np.sqrt(2) * compared.transparency_error / share
    points = points_beyond(
        spread, limits.light.uneven, error, 0.15 * limits.light.uneven, limits.verdict.points_cap
    )
    uneven, bar = beside(spread, limits.light.uneven)
    text = (
        f"transparency is uneven across the frame, {figure(quarters.min())} to "
        f"{figure(quarters.max())} by quarter: a spread of {uneven} (limit {bar})"
    )
    item = evidence(
        "cloud",
        UNEVENNESS,
        points,
        text,
        value=spread,
        error=error,
        limit=limits.light.uneven,
    )
    return [Finding("cloud", points, False, text, (item,))]
