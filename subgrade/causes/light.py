"""Starlight lost and sky gained: cloud, dew, sky glow, and frames without stars."""

from __future__ import annotations

import numpy as np

from subgrade.causes.displaced import bright_places, of_trails, star_trails
from subgrade.causes.evidence import Finding, evidence, points_beyond, said
from subgrade.causes.limits import Limits
from subgrade.causes.record_events import by_interruption, guide_star_dimmed
from subgrade.causes.series import GroupSeries
from subgrade.night.model import FrameCompared
from subgrade.stars.model import FrameStars


def depth_reference(depth: np.ndarray) -> float:
    """Mean noise variance, inverted, of the frames that an equal-weight stack should hold.

    Parameters
    ----------
    depth : ndarray
        (transparency / noise)^2 of every frame; NaN left out.

    Returns
    -------
    float
        In the unit of ``depth``; NaN where nothing was measured.

    Notes
    -----
    n frames scaled to equal starlight and averaged have S/N^2 ~ n^2 / sum(1/depth).
    Sorted best first, the stack that makes this largest is a prefix; its harmonic mean
    depth is the reference, and a further frame deepens the stack only while its depth
    is above half of it.  [Derived; compare the S/N rows of the published checks.]
    """
    variance = np.sort(1.0 / depth[np.isfinite(depth) & (depth > 0)])
    if variance.size == 0:
        return float("nan")
    count = np.arange(1, variance.size + 1)
    gain = count**2 / np.cumsum(variance)
    best = int(np.argmax(gain)) + 1
    return float(best / variance[:best].sum())


def judge_light(
    series: GroupSeries, position: int, compared: FrameCompared, limits: Limits
) -> list[Finding]:
    """Whether too little starlight came through for the sky's noise, and why.

    Returns
    -------
    list of Finding
        Where transparency was not measured the sky's noise speaks alone.
    """
    light = series["transparency"]
    depth = (np.where(np.isfinite(light), light, 1.0) / series["noise"]) ** 2
    reference = depth_reference(depth)
    relative = float(depth[position] / reference) if reference > 0 else float("nan")
    if not np.isfinite(relative):
        return []
    share = light[position]
    error = 2 * compared.transparency_error / share * relative if share > 0 else np.nan
    points = points_beyond(
        -relative,
        -limits.light.depth,
        error,
        limits.light.softness * limits.light.depth,
        limits.verdict.points_cap,
    )
    usual_noise = series.usual("noise_adu").centre
    noise = series["noise"][position] / usual_noise
    dimmed = -2 * np.log(max(share, 1e-6)) >= 2 * np.log(max(noise, 1e-6))
    reason = "cloud" if dimmed else "sky_glow"
    came = f"{said(share)} of the clear level" if np.isfinite(share) else "not measured"
    numbers = (
        f"starlight {came} and sky noise {said(noise)} times the usual "
        f"leave {said(relative)} of the depth of the frames worth stacking "
        f"(limit {said(limits.light.depth)})"
    )
    items = [
        evidence(
            reason,
            "depth",
            points,
            numbers,
            value=relative,
            usual=_median_ratio(depth, reference),
            error=error,
            limit=limits.light.depth,
        ),
        *_context(series, position, share, compared),
    ]
    remark = share < limits.light.remark_transparency if dimmed else points > 0
    brief = f"depth {said(relative)} (limit {said(limits.light.depth)}) from starlight " + (
        f"{said(share)} and sky noise {said(noise)} times the usual"
    )
    finding = Finding(reason, points, bool(remark), numbers, tuple(items), brief)
    if reason == "cloud" and (remark or points > 0):
        finding = _cloud_or_dew(series, position, compared, limits, finding)
    return [finding, *_uneven(compared, share, limits)]


def judge_star_count(
    series: GroupSeries, position: int, stars: FrameStars, limits: Limits
) -> list[Finding]:
    """Frames whose stars are all but gone, where matched starlight cannot speak."""
    usual = series.usual("stars").centre
    lost = stars.shape_status in ("few", "none")
    if not lost and np.isfinite(series["transparency"][position]):
        return []
    rich = np.isfinite(usual) and usual >= limits.stars.usual_at_least
    gone = rich and stars.stars < limits.stars.few_share * usual
    if not lost and not gone:
        return []
    reason, why = _where_stars_went(series, position, stars, gone, limits)
    asked = by_interruption(series, position, limits)
    known = max(asked, key=lambda e: e.points, default=None)
    if known is not None and known.points > 2 and reason in ("cloud", "few_stars"):
        reason, why = known.reason, known.text
    barren = stars.shape_status == "none" or gone
    points = 4.0 if barren else -0.5
    text = f"{stars.stars} stars (usual {said(usual)})" + (f"; {why}" if why else "")
    item = evidence(
        reason,
        "stars",
        points,
        text,
        value=stars.stars,
        usual=usual,
        limit=limits.stars.few_share * usual if rich else None,
        unit="stars",
    )
    return [Finding(reason, points, True, text, (item, *asked))]


def _where_stars_went(series, position, stars, gone, limits) -> tuple[str, str]:
    sky, noise = series["sky"][position], series["noise"][position]
    usual_sky, usual_noise = series.usual("background_adu"), series.usual("noise_adu")
    usual_stars = series.usual("stars").centre
    usual_stars = usual_stars if np.isfinite(usual_stars) else 0.0
    levels = f"sky {said(sky, 'ADU')} (usual {said(usual_sky.centre, 'ADU')})"
    if _sky_raised(series, position, limits) and (
        noise > 1.41 * usual_noise.centre or sky > 2 * usual_sky.centre
    ):
        return "sky_glow", levels
    trails = star_trails(stars)
    if trails:
        return "tracking_lost", of_trails(trails).text
    places = bright_places(stars)
    # Hot pixels stand out under the thickest cloud.
    hot = float(np.median([s.hot_pixels for s in series.stars]))
    if places - 2 * hot >= max(limits.stars.few_share * usual_stars, 8):
        return "tracking_lost", (
            f"yet {places} places stand out of the sky without a star's shape, so light came "
            "through and was smeared"
        )
    if gone and sky > 0.6 * usual_sky.centre:
        return "cloud", f"{levels}, so the shutter was open and the light was lost above it"
    return "few_stars", levels


def _sky_raised(series: GroupSeries, position: int, limits: Limits) -> bool:
    usual = series.usual("background_adu")
    spread = usual.spread if np.isfinite(usual.spread) else 0.0
    return bool(series["sky"][position] > usual.centre + limits.light.sky_spread_factor * spread)


def _context(series, position, share, compared) -> list:
    """The two parts of the depth, kept for `explain`; they carry no points of their own."""
    usual, noise, sky = (series.usual(q) for q in ("transparency", "noise_adu", "background_adu"))
    return [
        evidence(
            "cloud",
            "transparency",
            0.0,
            f"transparency {said(share)}, usual {said(usual.centre)}",
            value=share,
            usual=usual.centre,
            error=compared.transparency_error,
        ),
        evidence(
            "sky_glow",
            "noise_adu",
            0.0,
            f"sky noise {said(series['noise'][position], 'ADU')}, usual "
            f"{said(noise.centre, 'ADU')}",
            value=series["noise"][position],
            usual=noise.centre,
            unit="ADU",
        ),
        evidence(
            "sky_glow",
            "background_adu",
            0.0,
            f"sky {said(series['sky'][position], 'ADU')}, usual {said(sky.centre, 'ADU')}"
            + _expected_sky(series, position),
            value=series["sky"][position],
            usual=sky.centre,
            unit="ADU",
        ),
    ]


def _expected_sky(series: GroupSeries, position: int) -> str:
    """What the night's slow trend (the moon, the sky's turning) gives at this hour."""
    expected = series["sky_expected"][position]
    if not np.isfinite(expected):
        return ""
    return f", by the night's slow trend {said(expected, 'ADU')} at this hour"


def _cloud_or_dew(series, position, compared, limits, finding: Finding) -> Finding:
    items = _dew_evidence(series, position, compared, limits)
    share = series["transparency"][position]
    items = [*items, *guide_star_dimmed(series, position, share, limits)]
    lean = sum(e.points if e.reason == "dew" else -e.points for e in items)
    if lean > 0:
        finding = finding.named("dew")
    texts = [e.text for e in items if e.reason == finding.reason]
    return Finding(
        finding.reason,
        finding.points,
        finding.remark,
        "; ".join([finding.sentence, *texts[:1]]),
        (*finding.evidence, *items),
        finding.brief,
    )


def _dew_evidence(series, position, compared, limits) -> list:
    """Dew goes one way, slowly, with swelling stars; cloud is patchy in time and place."""
    light = series["transparency"]
    first, last = _dim_episode(light, position)
    run = light[first : last + 1]
    run = run[np.isfinite(run)]
    if len(run) < limits.light.dew_frames:
        text = f"the loss lasted {len(run)} frame{'s' if len(run) != 1 else ''}"
        return [
            evidence("cloud", "frames dimmed in a row", 2.0, text, value=len(run), unit="frames")
        ]
    from scipy.stats import kendalltau

    trend = float(kendalltau(np.arange(len(run)), run).statistic)
    found = [
        _either(
            trend < -0.75,
            2.0,
            "one-way loss",
            f"starlight fell through {len(run)} frames with rank correlation {said(trend)} in time",
            trend,
        )
    ]
    swelling = (series["fwhm"] / series.usual("fwhm_px").centre)[max(first, last - 4) : last + 1]
    if np.isfinite(swelling).any():
        change = float(np.nanmedian(swelling) - 1)
        text = f"at its end stars were {said(100 * change, '%')} wider than usual"
        found.append(_either(change > 0.06, 1.5, "swelling with the loss", text, change))
    after = light[last + 1 : last + 4]
    if np.isfinite(after).any() and np.nanmax(after) > 0.9:
        text = f"starlight came back to {said(np.nanmax(after))} at once"
        found.append(evidence("cloud", "recovery", 2.0, text, value=float(np.nanmax(after))))
    return found


def _either(is_dew: bool, points: float, quantity: str, text: str, value: float):
    return evidence("dew" if is_dew else "cloud", quantity, points, text, value=value)


def _dim_episode(light: np.ndarray, position: int) -> tuple[int, int]:
    """The unbroken stretch of frames below 0.95 of the clear level round one frame."""
    dim = ~(light > 0.95)
    first = last = position
    while first > 0 and dim[first - 1]:
        first -= 1
    while last + 1 < len(light) and dim[last + 1]:
        last += 1
    return first, last


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
    text = (
        f"starlight over the four quarters runs from {said(quarters.min())} to "
        f"{said(quarters.max())} of the clear level, a spread of {said(spread)} "
        f"(limit {said(limits.light.uneven)})"
    )
    item = evidence(
        "cloud",
        "transparency over quarters",
        points,
        text,
        value=spread,
        error=error,
        limit=limits.light.uneven,
    )
    return [Finding("cloud", points, False, text, (item,))]


def _median_ratio(depth: np.ndarray, reference: float) -> float:
    return float(np.nanmedian(depth) / reference)
