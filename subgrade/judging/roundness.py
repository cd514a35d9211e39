"""Oval, trailed, doubled and hollow stars: how far past the limit, and the likely motion."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from subgrade.constants import SIDEREAL_RATE
from subgrade.figures import (
    beside,
    eccentricity_text,
    figure,
    length_text,
    lengths_beside,
    likely,
    lost_in_noise,
    on_sky,
)
from subgrade.judging.criteria import (
    TAIL,
    eccentricity_limit,
    fwhm_limit,
    points_beyond,
    thrown_by_ellipse,
)
from subgrade.judging.evidence import Finding, evidence
from subgrade.judging.features import (
    ECCENTRICITY,
    FWHM_WITH_MOTION,
    IMAGE_SEPARATION,
    LIGHT_OUTSIDE_CORE,
    RING_CENTRE,
    STAR_TRAIL_LENGTH,
)
from subgrade.judging.field_shape import judge_turning
from subgrade.judging.guided_series import GuidedSeries
from subgrade.judging.likelihoods import strongest, weigh
from subgrade.judging.limits import Limits
from subgrade.judging.model import Evidence, Shares
from subgrade.judging.motion_causes import motion_numbers
from subgrade.judging.reasons import REASONS
from subgrade.judging.record_events import record_context
from subgrade.judging.star_numbers import star_width
from subgrade.lights.model import HeaderFacts
from subgrade.night import moved_otherwise
from subgrade.night.series import TYPICAL_FROM
from subgrade.stars.model import FrameStars

CERTAIN = 0.5
"""Share of the likeliest cause below which the sentence says that the cause is uncertain."""


def judge_roundness(
    series: GuidedSeries, position: int, stars: FrameStars, facts: HeaderFacts, limits: Limits
) -> list[Finding]:
    """What the shape of the stars shows, oval or broken.

    Returns
    -------
    list of Finding
        Turning of the field is judged here too, since off its centre it draws the
        whole frame oval.
    """
    if stars.shape_status == "doubled":
        return [_doubled(series, position, stars, facts, limits)]
    if stars.shape_status == "hollow" and _wider(series, stars):
        return [_hollow(stars, limits)]
    if stars.shape_status == "trailed":
        return [_trailed(series, position, stars, facts, limits)]
    turning = judge_turning(series, position, stars, limits)
    if not np.isfinite(stars.eccentricity):
        return turning
    return _in_order(_oval(series, position, stars, limits), turning)


def _in_order(oval: list[Finding], turning: list[Finding]) -> list[Finding]:
    """Of an oval frame the cause that all numbers were weighed for comes first."""
    first = max((f.points for f in oval if f.rejects and f.shares), default=None)
    if first is None:
        return [*oval, *turning]
    return [*oval, *(replace(f, points=min(f.points, 0.99 * first)) for f in turning)]


def _oval(series, position, stars, limits) -> list[Finding]:
    usual = series.usual("eccentricity")
    limit = eccentricity_limit(usual, limits)
    points = points_beyond(
        stars.eccentricity,
        limit,
        stars.eccentricity_error,
        limits.roundness.softness,
        limits.verdict.points_cap,
    )
    own, bar = _beside_limit(stars, limit)
    brief = f"eccentricity {own} (limit {bar})"
    typical = series.typical("eccentricity")
    measured = f"eccentricity {own} ({typical}, limit {bar})" if typical else brief
    thrown = [*_thrown(series, position, limits), *_widened(series, position, limits)]
    numbers = {
        "value": stars.eccentricity,
        "usual": usual.centre,
        "error": stars.eccentricity_error,
        "limit": limit,
    }
    error = stars.eccentricity_error if np.isfinite(stars.eccentricity_error) else 0.0
    remark = stars.eccentricity - error > max(limits.roundness.remark, usual.centre + 0.05)
    most = max([points, *(e.points for e in thrown)])
    if not (most > 0 or remark):
        # Evidence for keeping still needs a word to stand under; the commonest will do.
        item = evidence("wind_trail", ECCENTRICITY, points, measured, **numbers)
        items = (item, *thrown, *record_context(series, position, "wind_trail"))
        return [Finding("wind_trail", most, False, measured, items, brief=brief)]
    shares, why = weigh(motion_numbers(series, position, limits))
    reason = shares[0][0]
    items = (
        evidence(reason, ECCENTRICITY, points, measured, **numbers),
        *(replace(e, reason=reason) for e in thrown),
        *why,
        *record_context(series, position, reason),
    )
    sentence = f"stars are elongated at {figure(stars.angle_deg, '°')}: {measured}"
    if most > points:
        sentence += f", and {max(thrown, key=lambda e: e.points).text}"
    sentence += _likeliest(shares, why)
    return [Finding(reason, most, bool(remark), sentence, items, brief, shares)]


def _beside_limit(stars: FrameStars, limit: float) -> tuple[str, str]:
    """Eccentricity and its limit; an upper bound in place of one lost in its noise."""
    if lost_in_noise(stars.eccentricity, stars.eccentricity_error):
        bound = eccentricity_text(stars.eccentricity, stars.eccentricity_error)
        return bound, figure(limit)
    return beside(stars.eccentricity, limit)


def _thrown(series: GuidedSeries, position: int, limits: Limits) -> list[Evidence]:
    """Light that motion threw out of the core, which the core's own shape hardly shows."""
    stray, r = series["stray"], limits.roundness
    usual = float(np.nanmedian(stray)) if np.isfinite(stray).any() else float("nan")
    if not math.isfinite(stray[position]):
        return []
    # What every frame shows alike is the optics' or the night's, up to a point.
    limit = _stray_limit(series, position, limits) + float(np.clip(usual, 0.0, 0.5 * r.stray))
    points = points_beyond(stray[position], limit, 0.0, r.stray_softness, limits.verdict.points_cap)
    share, bar = beside(100 * stray[position], 100 * limit, "%")
    enough = np.isfinite(stray).sum() >= TYPICAL_FROM
    typical = f"typical {figure(100 * usual, '%')}, " if enough else ""
    text = f"{share} of the light lies outside the core along the long axis ({typical}limit {bar})"
    return [
        evidence(
            "wind_trail",
            LIGHT_OUTSIDE_CORE,
            points,
            text,
            value=stray[position],
            usual=usual,
            limit=limit,
        )
    ]


def _stray_limit(series: GuidedSeries, position: int, limits: Limits) -> float:
    """Share of the light that may lie outside the core, less what it usually is.

    A round core throws none by its own shape, so that what lies outside it is a tail.
    """
    stray, own = limits.roundness.stray, series["eccentricity"][position]
    if series.stars[position].star_image is None or not own < limits.roundness.floor:
        return stray
    return min(stray, thrown_by_ellipse(own) + TAIL * stray)


def _widened(series: GuidedSeries, position: int, limits: Limits) -> list[Evidence]:
    """Stars wide by a motion across the way that all frames are drawn out, so rounder for it."""
    if not moved_otherwise(series, position, limits.roundness.remark):
        return []
    usual, value, scale = series.usual("fwhm_px"), series["fwhm"][position], series.scale_arcsec
    limit = fwhm_limit(usual, scale if math.isfinite(scale) else None, limits)
    error = series["fwhm_error"][position]
    if not (math.isfinite(limit) and math.isfinite(value)):
        return []
    points = points_beyond(
        value, limit, error, limits.sharpness.softness * limit, limits.verdict.points_cap
    )
    own, bar = lengths_beside(value, limit, scale)
    typical = f"typical {figure(*on_sky(usual.centre, scale))}, "
    text = f"FWHM {own}, {typical}limit {bar}, from a motion that the typical frame does not have"
    return [
        evidence(
            "wind_trail",
            FWHM_WITH_MOTION,
            points,
            text,
            value=value,
            usual=usual.centre,
            limit=limit,
        )
    ]


def _likeliest(shares: Shares, why: list[Evidence]) -> str:
    """The likeliest motion and what shows it, or that it is uncertain."""
    (reason, share), runner_up = shares[:2]
    best = strongest(why, reason)
    text = f". Most likely {REASONS[reason].noun} ({likely(share)})"
    if share < CERTAIN:
        text = f". The cause is uncertain; most likely {REASONS[reason].noun} ({likely(share)})"
    if best is not None:
        text += f": {best.text}"
    if runner_up[1] > 0.2:
        joint = ", next" if best is None else ". Next"
        text += f"{joint} most likely: {REASONS[runner_up[0]].noun} ({likely(runner_up[1])})"
    return text


def _trailed(series, position, stars, facts, limits) -> Finding:
    length = stars.length_px
    width = star_width(series, stars)
    drawn = length_text(length, facts.scale_arcsec)
    text = f"stars are trailed, {drawn} long at {figure(stars.angle_deg, '°')}"
    item = evidence(
        "tracking_lost",
        STAR_TRAIL_LENGTH,
        limits.verdict.points_cap,
        text,
        value=length,
        usual=width,
    )
    finding = Finding("tracking_lost", limits.verdict.points_cap, True, text, (item,))
    shares, why = weigh(motion_numbers(series, position, limits))
    if shares[0][0] == "tracking_lost":
        text += _against_sidereal(length, facts)
    text += _likeliest(shares, why)
    named = finding.named(shares[0][0], shares)
    return replace(named, sentence=text, evidence=(*named.evidence, *why))


def _against_sidereal(length_px: float, facts: HeaderFacts) -> str:
    """How the trail compares with that of a mount standing still."""
    if not (facts.scale_arcsec and facts.exposure_s):
        return ""
    dec = facts.dec_deg if facts.dec_deg is not None else 0.0
    still = SIDEREAL_RATE * facts.exposure_s * math.cos(math.radians(dec))
    share = length_px * facts.scale_arcsec / still if still > 1e-6 else float("inf")
    if not math.isfinite(share):
        return ""
    if share > 1.2:
        return f", {figure(share)} times the trail a stopped mount would leave: the mount slewed"
    part = f", {figure(100 * share, '%')} of the trail a stopped mount would leave"
    if share >= 0.8:
        return f"{part}: the mount did not track at all"
    if share < 0.05:
        return f"{part}: the mount slipped slowly or briefly"
    return f"{part}: the mount stopped or slipped for part of the exposure"


def _doubled(series, position, stars: FrameStars, facts: HeaderFacts, limits: Limits) -> Finding:
    text = (
        f"every star is doubled, with {length_text(stars.length_px, facts.scale_arcsec)} between "
        f"the two images at "
        f"{figure(stars.angle_deg, '°')}"
    )
    shares, why = weigh(motion_numbers(series, position, limits))
    reason, best = shares[0][0], strongest(why, shares[0][0])
    if best is not None:
        text += f"; {best.text}"
    item = evidence(
        reason,
        IMAGE_SEPARATION,
        limits.verdict.points_cap,
        text,
        value=stars.length_px,
    )
    return Finding(reason, limits.verdict.points_cap, True, text, (item, *why), shares=shares)


def _wider(series: GuidedSeries, stars: FrameStars) -> bool:
    """Whether rings are as wide as defocus must make them: wider than the night's filled stars.

    A defocused star is its usual self spread over a ring.  Where hardly a frame of the night has
    filled stars there is nothing to ask, and the ring stands.
    """
    filled = [s.fwhm_px for s in series.stars if s.shape_status in ("measured", "few")]
    filled = [w for w in filled if np.isfinite(w)]
    if len(filled) < TYPICAL_FROM or not np.isfinite(stars.fwhm_px):
        return True
    error = stars.fwhm_error_px if np.isfinite(stars.fwhm_error_px) else 0.0
    return bool(stars.fwhm_px - error > np.median(filled))


def _hollow(stars: FrameStars, limits: Limits) -> Finding:
    text = f"stars are rings: the centre is {figure(100 * stars.hollow, '%')} as bright as the ring"
    item = evidence(
        "focus",
        RING_CENTRE,
        limits.verdict.points_cap,
        text,
        value=stars.hollow,
        limit=1.0,
    )
    return Finding("focus", limits.verdict.points_cap, True, text, (item,))
