"""Bloated stars: how far past the limit, and whether focus or the air did it."""

from __future__ import annotations

import numpy as np

from subgrade.constants import MAD_TO_SIGMA
from subgrade.figures import figure, length_text, lengths_beside, on_sky
from subgrade.judging.causes import WIDE, shares_of
from subgrade.judging.criteria import fwhm_limit, points_beyond
from subgrade.judging.evidence import Finding, clue, evidence
from subgrade.judging.features import (
    AIRMASS,
    FOCUSER_MOVE,
    FRAMES_BLOATED,
    FWHM,
    FWHM_ACROSS_AXIS,
    FWHM_ACROSS_MOTION,
    FWHM_EXPECTED,
    WIDTH_TREND,
    WINGS,
)
from subgrade.judging.limits import Limits
from subgrade.judging.reasons import REASONS
from subgrade.night import moved_otherwise, narrowest
from subgrade.night.series import GroupSeries, unbroken

AIRMASS_EXPONENT = 0.6
"""Air alone widens stars as airmass^0.6 (Kolmogorov; Fried 1966, JOSA 56, 1372, from memory)."""
EPISODE_SHARE = 0.4
"""Neighbours bloated by this share of a frame's own increase in FWHM belong to its episode."""


def judge_sharpness(series: GroupSeries, position: int, scale, limits: Limits) -> list[Finding]:
    """Whether the frame's stars are bloated, and by what.

    Parameters
    ----------
    series : GroupSeries
    position : int
        The frame's place in the series.
    scale : float or None
        Arcseconds per pixel.
    limits : Limits

    Returns
    -------
    list of Finding
        None or one.  An oval frame is judged by its narrow axis, which motion along
        the long one leaves alone.
    """
    usual = series.usual("fwhm_px")
    limit = fwhm_limit(usual, scale, limits)
    value, error = series["fwhm"][position], series["fwhm_error"][position]
    oval = series["eccentricity"][position] > limits.roundness.floor
    width, column = FWHM, series["fwhm"]
    if oval and np.isfinite(series["minor"][position]):
        # Scaled so that the group's usual narrow axis stands for its usual FWHM.
        column = series["minor"] * usual.centre / np.nanmedian(series["minor"])
        value, width = column[position], FWHM_ACROSS_AXIS
    if moved_otherwise(series, position, limits.roundness.remark):
        column = usual.centre * narrowest(series)
        value, width = column[position], FWHM_ACROSS_MOTION
    if not (np.isfinite(value) and np.isfinite(limit)):
        return []
    points = points_beyond(
        value, limit, error, limits.sharpness.softness * limit, limits.verdict.points_cap
    )
    why = _focus_or_seeing(series, column, position, usual.centre)
    shares = shares_of(why, WIDE)
    reason = shares[0][0]
    own, bar = lengths_beside(value, limit, scale)
    brief = f"{width.label} {own}, limit {bar}"
    typical = series.typical("fwhm_px", *_unit(scale))
    measured = f"{width.label} {own}, {typical}, limit {bar}" if typical else brief
    main = evidence(
        reason,
        width,
        points,
        measured,
        value=value,
        usual=usual.centre,
        error=error,
        limit=limit,
    )
    bloated = value > usual.centre * min(limits.sharpness.remark_ratio, limits.sharpness.ratio_low)
    strongest = max(why, key=lambda e: e.points, default=None) if bloated else None
    spread = usual.spread if np.isfinite(usual.spread) else 0.0
    sure = value - (error if np.isfinite(error) else 0.0)
    remark = sure > usual.centre * limits.sharpness.remark_ratio and (
        sure > usual.centre + 3 * spread and bloated
    )
    sentence = measured
    if points > 0 or remark:
        sentence = f"stars are bloated: {measured}"
        if strongest is not None and strongest.reason == reason:
            sentence += f". Most likely {REASONS[reason].noun}: {strongest.text}"
    items = (main, *_expected(series, position, usual.centre, scale), *(why if bloated else ()))
    return [Finding(reason, points, bool(remark), sentence, items, brief, shares)]


def _expected(series: GroupSeries, position: int, usual: float, scale) -> list:
    """The width that hour, altitude and side of the pier account for; carries no points."""
    expected = series["fwhm_expected"][position]
    if not np.isfinite(expected):
        return []
    text = f"FWHM expected at that hour, altitude and pier side: {length_text(expected, scale)}"
    air = _airmass_excess(series)[position]
    if air:
        more = f"{figure(100 * abs(np.expm1(air)), '%')} {'wider' if air > 0 else 'narrower'}"
        text += f"; its airmass of {figure(series['airmass'][position])} alone makes stars {more}"
    return [evidence("seeing", FWHM_EXPECTED, 0.0, text, value=expected, usual=usual)]


def _airmass_excess(series: GroupSeries) -> np.ndarray:
    """ln of the widening by airmass against the group's middle one; 0 where it plays no part."""
    airmass, trends = series["airmass"], series.group.trends
    exponent = AIRMASS_EXPONENT if trends is None else trends.airmass_exponent
    if not np.isfinite(exponent) or np.isfinite(airmass).sum() < 4:
        return np.zeros(len(series))
    return np.nan_to_num(exponent * np.log(airmass / np.nanmedian(airmass)))


def _focus_or_seeing(series: GroupSeries, fwhm: np.ndarray, position: int, usual: float) -> list:
    """Evidence for one or the other, each with positive points for its own word."""
    excess = np.log(fwhm / usual)
    if not excess[position] > 0:
        return []
    air = _airmass_excess(series)
    found = [*_by_profile(series, position), *_by_airmass(series, excess, air, position)]
    if air[position] < 0.5 * excess[position]:
        # A rising or setting target's stars grow slowly too; only what is left can be the focus.
        found += _by_time(series, excess - air, position)
        found += _by_trend(series, excess, air, position)
    return [item for item in found if item.points > 0.05]


def _lean(points: float) -> tuple[str, float]:
    return ("focus", points) if points > 0 else ("seeing", -points)


def _by_profile(series: GroupSeries, position: int) -> list:
    """A defocused star is flatter in the core and steeper at the edge than the usual one."""
    wings = series["wings"]
    if np.isfinite(wings).sum() < 4 or not np.isfinite(wings[position]):
        return []
    usual = float(np.nanmedian(wings))
    spread = MAD_TO_SIGMA * float(np.nanmedian(np.abs(wings - usual)))
    z = (usual - wings[position]) / np.hypot(spread, 0.03)
    # Defocus lowers the ratio by about a fifth of the increase [read off practice frames],
    # so that a wide star with its usual core points to the air.
    due = 0.2 * (series["fwhm"][position] / series.usual("fwhm_px").centre - 1)
    due /= np.hypot(spread, 0.03)
    reason, points = _lean(float(min(z, 3.0)) if z > 0.5 else -float(np.clip(due / 2, 0, 1.2)))
    text = (
        f"a star's width at 20% of its peak is {figure(wings[position])} times that at half "
        f"maximum (typical {figure(usual)}): "
        + ("a flat core" if z > 0.5 else "no flat core, so probably not defocus")
    )
    return [clue(reason, WINGS, points, text, value=wings[position], usual=usual)]


def _by_time(series: GroupSeries, excess: np.ndarray, position: int) -> list:
    first, last = _episode(excess, position)
    found = []
    if len(series) < 4:
        return found
    points, text = _manner(series, excess, first, last)
    reason, size = _lean(points)
    found.append(clue(reason, FRAMES_BLOATED, size, text, value=last - first + 1))
    focuser = series["focuser"]
    if last + 1 < len(series) and np.isfinite(focuser[[last, last + 1]]).all():
        moved = focuser[last + 1] - focuser[last]
        if moved != 0 and excess[last + 1] < EPISODE_SHARE * excess[position]:
            text = f"it ended when the focuser moved by {figure(moved, 'steps')}"
            found.append(clue("focus", FOCUSER_MOVE, 3.0, text, value=moved))
    return found


def _manner(series: GroupSeries, excess: np.ndarray, first: int, last: int) -> tuple[float, str]:
    """Points for focus (positive) or the air, by how the increase came and went.

    Focus drifts through many frames, or is bumped and then stays; the air jumps both
    ways and is soon as before.  Points without a source.
    """
    inside = excess[first : last + 1]
    known = inside[np.isfinite(inside)]
    count, most = len(known), float(np.max(known))
    to_the_end = last + 1 >= len(series)
    if count <= 2:
        points = -1.5 if len(series) >= 6 and not to_the_end else -0.5
        ended = "up to the end" if to_the_end else "and then cleared"
        return points, f"it lasted {figure(count, 'frames')} {ended}"
    # The largest share of the increase that came, within it or at its start, at one step.
    before = excess[first - 1] if first > 0 else np.nan
    steps = np.diff(np.append(max(before, 0.0) if np.isfinite(before) else [], known))
    onset = float(np.max(steps)) / most if first > 0 and len(steps) else 0.5
    rough = float(np.median(np.abs(np.diff(known)))) / most
    slow = float(np.interp(onset, [0.35, 0.5, 0.7], [1.5, 0.5, -1.0]))
    uneven = float(np.interp(rough, [0.2, 0.4], [0.0, 1.5])) if onset > 0.5 else 0.0
    # A jump that stays is a bumped focuser; the air's is over before long.
    staying = float(np.interp(count, [3, 8, 15], [0.0, 1.0, 2.0]))
    if to_the_end:
        staying += 0.7
    came = "slowly" if slow > 0.5 else "at once" if slow < 0 else "in a few steps"
    went = "and stayed to the end" if to_the_end else "and then cleared"
    text = f"it lasted {count} frames, came on {came} {went}"
    return slow - uneven + staying, text


def _by_airmass(series: GroupSeries, excess: np.ndarray, air: np.ndarray, position: int) -> list:
    if air[position] < 0.5 * excess[position]:
        return []
    airmass = series["airmass"]
    text = (
        f"airmass {figure(airmass[position])} alone widens stars by "
        f"{figure(100 * np.expm1(air[position]), '%')}"
    )
    return [
        clue(
            "seeing",
            AIRMASS,
            2.0,
            text,
            value=airmass[position],
            usual=float(np.nanmedian(airmass)),
        )
    ]


def _by_trend(series: GroupSeries, excess: np.ndarray, air: np.ndarray, position: int) -> list:
    """A width that follows temperature, focuser or time all night is focus drift."""
    trends = series.group.trends
    if trends is None or not np.isfinite(trends.focus_slope):
        return []
    crept = np.log(series["fwhm_expected"]) - air
    share = crept[position] - np.nanmedian(crept)
    if not share > 0.5 * (excess - air)[position]:
        return []
    per = {"h": "hour", "step": "focuser step"}.get(trends.focus_unit, trends.focus_unit)
    slope = f"{100 * trends.focus_slope:+.2g}%"
    text = (
        f"FWHM changes by {slope} per {per} all night, which makes this frame "
        f"{figure(100 * np.expm1(share), '%')} wider"
    )
    return [clue("focus", WIDTH_TREND, 1.5, text, value=trends.focus_slope)]


def _episode(excess: np.ndarray, position: int) -> tuple[int, int]:
    """First and last frame of the unbroken increase round a frame; gaps are bridged."""
    bar = EPISODE_SHARE * excess[position]
    return unbroken(~(excess < bar), position)  # not measured counts as inside


def _unit(scale: float | None) -> tuple[str, float]:
    """Unit of a width and what turns pixels into it."""
    value, unit = on_sky(1.0, scale)
    return unit, value
