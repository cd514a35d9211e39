"""What was poor from a group's first frame to its last, which its own frames cannot show.

A group that is bad throughout has nothing good to be compared with.  Limits for
any night, other groups of the same target and set-up in the same night, and a
frame that got more light than the rest can show it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.figures import beside, counted, listed
from subgrade.judging.limits import Limits
from subgrade.judging.model import rejected_otherwise
from subgrade.judging.reasons import WIDENING
from subgrade.lights.model import UNNAMED_SIP
from subgrade.night.model import Group
from subgrade.results.model import GradedFrame

SAME_NIGHT_H = 12.0
WIDER = 1.25
"""Ratio of widths at the zenith that calls for a remark.  Seeing goes as the wavelength to the
-0.2 (Fried 1966, from memory): 8 % from blue to red; hours and lenses bring as much again."""
MORE_OVAL, OVAL = 0.15, 0.45
"""Excess of the typical eccentricity, and its least value: common practice, no source."""
ALIKE = 1.15
"""Groups within this ratio of the sharpest are what the others are held against."""
AIR = 0.6
"""Width of a star's image goes as airmass to this power (Fried 1966, from memory)."""
FEWEST = 3
FEW, MOST_NAMED = 5, 3
"""Frames below which a typical value is not worth much (the median of five normal values strays by
half their scatter), and groups named for it: common practice, no source."""
TOO_BRIGHT, TOO_BRIGHT_ERROR = 1.2, 0.05
"""Light over the clear level that a clear sky cannot give, and the least error it is believed
with: a choice."""


def night_remarks(
    groups: Sequence[Group], frames: Sequence[GradedFrame], limits: Limits
) -> list[str]:
    """What was poor all night, which no comparison within a group can show.

    Parameters
    ----------
    groups : sequence of Group
    frames : sequence of GradedFrame
    limits : Limits

    Returns
    -------
    list of str
        One sentence each; nothing is rejected for them.
    """
    members = [
        [f for f in frames if f.compared is not None and f.compared.group == k]
        for k in range(len(groups))
    ]
    found = []
    for group, mine in zip(groups, members, strict=True):
        found += _beyond_limits(group, mine, limits) + _lone_clear_frames(group, mine)
    return (
        _wrong_clocks(frames)
        + _unnamed_distortions(frames)
        + found
        + _of_few(groups)
        + _beside_others(groups, members)
    )


def _wrong_clocks(frames: Sequence[GradedFrame]) -> list[str]:
    """Frames whose time cannot be right."""
    wrong = [
        (f.name, f.compared.clock_note)
        for f in frames
        if f.compared is not None and f.compared.clock_note
    ]
    if not wrong:
        return []
    named = ", ".join(f"{name} ({note})" for name, note in wrong[:MOST_NAMED])
    more = f" and {len(wrong) - MOST_NAMED} more" if len(wrong) > MOST_NAMED else ""
    return [
        f"time in the header cannot be right, against the other frames: {named}{more}; "
        "graded without it"
    ]


def _unnamed_distortions(frames: Sequence[GradedFrame]) -> list[str]:
    """Frames whose WCS has distortion terms without their name: one remark for all of them."""
    count = sum(UNNAMED_SIP in f.facts.notes for f in frames if f.facts is not None)
    return [f"{counted(count)}: {UNNAMED_SIP}"] if count else []


def _beyond_limits(group: Group, mine: Sequence[GradedFrame], limits: Limits) -> list[str]:
    found, judgements = [], [f.judgement for f in mine]
    # of a single frame nothing is typical
    long, typical = (" all night", "typical ") if len(mine) > 1 else ("", "")
    scales = sorted(f.facts.scale_arcsec for f in mine if f.facts.scale_arcsec)
    fwhm, round_ = group.usual.get("fwhm_px"), group.usual.get("eccentricity")
    if fwhm and scales and not rejected_otherwise(judgements, WIDENING):
        arcsec = fwhm.centre * scales[len(scales) // 2]
        if arcsec > limits.sharpness.night_poor_arcsec:
            value, poor = beside(arcsec, limits.sharpness.night_poor_arcsec, "″")
            found.append(
                f"{group.label}: stars were wide{long}, {typical}FWHM {value} (poor from {poor}); "
                "check focus and seeing first"
            )
    drawn = round_ and round_.centre > limits.roundness.night_poor
    if drawn and not rejected_otherwise(judgements):
        value, poor = beside(round_.centre, limits.roundness.night_poor)
        found.append(
            f"{group.label}: stars were elongated{long}, {typical}eccentricity {value} "
            f"(poor from {poor}){_of_the_kept(mine)}"
        )
    return found


def _of_the_kept(mine: Sequence[GradedFrame]) -> str:
    """How oval the stars of the kept frames are, where some were rejected and some not."""
    kept = [f.stars.eccentricity for f in mine if f.judgement.verdict == "keep"]
    if not kept or len(kept) == len(mine):
        return ""
    which = "only" if len(kept) == 1 else f"{len(kept)}"
    return f", {_median(kept):.2f} in the {which} kept frame{'s' if len(kept) > 1 else ''}"


def _of_few(groups: Sequence[Group]) -> list[str]:
    """Groups too small for their typical values to be trusted."""
    few = {g.label: g.usual["fwhm_px"].count for g in groups if "fwhm_px" in g.usual}
    few = {label: count for label, count in few.items() if 0 < count < FEW}
    if len(few) > MOST_NAMED:
        return [f"the typical values of {len(few)} groups rest on fewer than {FEW} frames each"]
    return [
        f"{label}: the typical values rest on only {count} frames"
        if count > 1
        else f"{label}: only one frame: nothing to compare it with"
        for label, count in few.items()
    ]


def _lone_clear_frames(group: Group, mine: Sequence[GradedFrame]) -> list[str]:
    bright = [
        f
        for f in mine
        if f.compared.transparency > TOO_BRIGHT
        and f.compared.transparency_error < TOO_BRIGHT_ERROR * f.compared.transparency
    ]
    if not bright or len(mine) < FEWEST:
        return []
    most = max(f.compared.transparency for f in bright)
    who = f"{bright[0].name} received"
    if len(bright) > 1:
        who = f"{len(bright)} frames received up to"
    return [
        f"{group.label}: {who} {most:.2f} times the starlight of the others, more than a clear "
        "sky gives; either cloud dimmed all the others, which were only compared with each "
        "other, or the exposure time in the header is wrong"
    ]


@dataclass(frozen=True, slots=True)
class _Usual:
    """One group's typical values; ``least_*`` is what a quarter of its frames stay below.

    ``zenith`` is the width at the zenith, arcsec, or px without a scale.
    """

    name: str
    of: tuple
    hour: float
    width_px: float
    width_arcsec: float
    zenith: float
    least_zenith: float
    eccentricity: float
    least_eccentricity: float


def _beside_others(groups, members) -> list[str]:
    """Groups that differ from others of the same target and set-up in the same night."""
    filters = [g.filter for g in groups]
    short = None not in filters and len(set(filters)) == len(filters)
    usual = [
        _usual(g, m, g.filter if short else g.label)
        for g, m in zip(groups, members, strict=True)
        if len(m) >= FEWEST
    ]
    found = []
    for one in usual:
        alike = [u for u in usual if u.of == one.of and not abs(u.hour - one.hour) > SAME_NIGHT_H]
        if len(alike) < 2:
            continue
        # What stretches stars also widens them: the shape is the better sign.
        found += _more_oval(one, alike) or _wider(one, alike)
    return found


def _usual(group: Group, mine: Sequence[GradedFrame], name: str) -> _Usual:
    scale = _median([f.facts.scale_arcsec for f in mine])
    width = np.array([f.stars.fwhm_px for f in mine], float)
    air = np.array([f.facts.airmass or np.nan for f in mine], float)
    air = air if np.isfinite(air).all() else np.ones(len(mine))
    first = mine[0].facts
    zenith = width / air**AIR * (scale if np.isfinite(scale) else 1.0)
    oval = [f.stars.eccentricity for f in mine]
    return _Usual(
        name=name,
        of=(group.target, group.binning, group.shape, first.camera, bool(np.isfinite(scale))),
        hour=_median([f.facts.mid_unix or f.facts.start_unix for f in mine]) / 3600.0,
        width_px=_median(width),
        width_arcsec=_median(width) * scale,
        zenith=_median(zenith),
        least_zenith=_quantile(zenith, 0.25),
        eccentricity=_median(oval),
        least_eccentricity=_quantile(oval, 0.25),
    )


def _wider(one: _Usual, alike: Sequence[_Usual]) -> list[str]:
    sharp = min((u.zenith for u in alike if np.isfinite(u.zenith)), default=np.nan)
    best = [u for u in alike if u.zenith <= ALIKE * sharp]
    if not best or not one.least_zenith > WIDER * _median([u.zenith for u in best]):
        return []
    if np.isfinite(one.width_arcsec):
        own, others, unit = one.width_arcsec, _median([u.width_arcsec for u in best]), "″"
    else:
        own, others, unit = one.width_px, _median([u.width_px for u in best]), " px"
    return [
        f"{one.name}: stars were {own:.2f}{unit} wide throughout, against {others:.2f}{unit} in "
        f"{_listed(best)}; this filter was out of focus or the seeing was poorer in its hours, "
        f"which {one.name} frames compared with each other cannot show"
    ]


def _more_oval(one: _Usual, alike: Sequence[_Usual]) -> list[str]:
    least = min((u.eccentricity for u in alike if np.isfinite(u.eccentricity)), default=np.nan)
    best = [u for u in alike if u.eccentricity <= least + 0.5 * MORE_OVAL]
    if not best or not one.least_eccentricity > max(
        OVAL, MORE_OVAL + _median([u.eccentricity for u in best])
    ):
        return []
    return [
        f"{one.name}: stars had an eccentricity of {one.eccentricity:.2f} throughout, against "
        f"{_median([u.eccentricity for u in best]):.2f} in {_listed(best)}; the stars trailed in "
        f"its hours only or this filter sits tilted, which {one.name} frames compared with each "
        "other cannot show"
    ]


def _listed(groups: Sequence[_Usual]) -> str:
    return listed([u.name for u in groups])


def _median(values) -> float:
    return _quantile(values, 0.5)


def _quantile(values, share: float) -> float:
    known = np.array([np.nan if v is None else v for v in values], float)
    known = known[np.isfinite(known)]
    return float(np.quantile(known, share)) if len(known) else float("nan")
