"""Finding on wind: how often gusts hit, how hard, and what shorter exposures would give."""

from __future__ import annotations

import math

import numpy as np

from subgrade.diagnosis.model import Advised, NightFinding, Quantity
from subgrade.diagnosis.mount_kind import tracking_of
from subgrade.diagnosis.night_view import NightView, finding
from subgrade.diagnosis.wording import duration, number
from subgrade.figures import counted

MOVING_TUBE = "A tube can turn in the wind: lock the axes before you work on it."
SPELL = 3
"""Frames lost to wind that make a windy spell: a choice."""
RATED = 5
"""Frames from which a rate of gusts is worth stating: a spell and the frame at either end."""


def surviving(rate: float, exposure: float) -> float:
    """Share of exposures without a gust: exp(-rate * exposure), Poisson."""
    return math.exp(-rate * exposure)


def gust_rate(hit: int, frames: int, exposure: float) -> tuple[float, float]:
    """Gusts a second that cost a frame, from the share of exposures hit, and one sigma.

    ``1 - hit/frames = exp(-rate * exposure)``; error from the binomial.  Where every frame
    was hit, half a frame is taken to have been spared.
    """
    spared = max(frames - hit, 0.5) / frames
    error = math.sqrt((1.0 - spared) / (spared * frames)) / exposure
    return -math.log(spared) / exposure, error


def usable_share(rate: float, exposure: float, overhead: float) -> float:
    """Share of the clock time that ends up in frames without a gust."""
    return surviving(rate, exposure) * exposure / (exposure + overhead)


def wind(view: NightView) -> NightFinding | None:
    """Gusts: exposures hit, sizes, settling, and whether half the exposure pays."""
    affected, lost = view.affected("wind_trail"), view.lost_to("wind_trail")
    if not affected:
        return None
    sizes, settle = view.guided(affected, "gust_size"), view.guided(affected, "gust_settle_s")
    numbers, evidence = [], []
    sentence = f"Wind moved the telescope during {counted(len(affected))}"
    kept = len(affected) - len(lost)
    if kept:
        sentence += f", {kept} of them kept" if lost else ", kept all the same"
    if len(sizes):
        gust = "largest gust" if len(affected) > 1 else "a gust of"
        sentence += f"; {gust} {number(float(sizes.max()), None, '″')}"
        numbers.append(Quantity("largest gust", float(sizes.max()), None, "″"))
        numbers.append(Quantity("median gust", float(np.median(sizes)), None, "″"))
    if len(settle):
        of = "median settling time" if len(settle) > 1 else "settling time"
        sentence += f"; {of} {float(np.median(settle)):.0f} s"
        numbers.append(Quantity("settling", float(np.median(settle)), None, "s"))
    # Gusts come in spells: the rate is that of the spell, with the frame at either end.
    # One or two gusts make no spell: they are held against the whole night.
    first, last = max(min(affected) - 1, 0), min(max(affected) + 1, len(view) - 1)
    spell = len(lost) >= SPELL
    if not spell:
        first, last = 0, len(view) - 1
    exposure = float(np.median(view.exposure_s[affected]))
    frames = last - first + 1
    because = "a setup that catches less wind moves less"
    shield = "" if view.affected("dew") else "take off a long dew shield if dew allows, "
    action = f"Shelter the telescope, {shield}tie down loose cables, set the tripod low and firm"
    if exposure > 0 and lost and frames >= RATED:
        because, extra = _shorter(view, len(lost), frames, exposure, numbers)
        if tracking_of(view).kind not in ("unguided", "altazimuth"):  # which set the exposure
            action += extra
    if lost and frames > 1:
        where = (
            " from just before the first gust to just after the last"
            if spell and frames < len(view)
            else ""
        )
        were = "was" if len(lost) == 1 else "were"
        evidence.append(f"{len(lost)} of {counted(frames)}{where} {were} lost to wind")
    if not len(sizes):
        unseen = "; the guiding record shows no gust" if view.recorded(affected) else ""
        evidence.append(f"from the images alone{unseen}")
    return finding(
        view,
        "wind",
        sentence + ".",
        reason="wind_trail",
        frames=affected,
        lost=lost,
        numbers=numbers,
        evidence=evidence,
        sureness=view.sureness("wind_trail", affected),
        advice=(Advised(action, because, MOVING_TUBE),),
    )


def _shorter(view: NightView, hit: int, frames: int, exposure: float, numbers: list):
    """Why, and what is added to the advice, from the Poisson rate of gusts."""
    rate, error = gust_rate(hit, frames, exposure)
    overhead = _overhead(view)
    full, half = surviving(rate, exposure), surviving(rate, exposure / 2.0)
    numbers += [
        Quantity("gusts that cost a frame", 3600.0 * rate, 3600.0 * error, "an hour"),
        Quantity(f"frames spared at {exposure:.3g} s", 100.0 * full, None, "%"),
        Quantity(f"frames spared at {exposure / 2:.3g} s", 100.0 * half, None, "%"),
    ]
    long, short = f"{exposure:.3g} s", f"{exposure / 2:.3g} s"
    if hit >= frames:
        return (
            f"gusts hit every exposure, which takes at least {3600 * rate:.0f} an hour; no more "
            f"than {100 * half:.0f}% of exposures of {short} would escape them",
            "; where every exposure is hit, wait until the wind drops",
        )
    often = f"gusts that cost a frame came {number(3600 * rate, 3600 * error)} times an hour"
    if not math.isfinite(overhead):
        return (
            f"{often}: {100 * full:.0f}% of exposures of {long} escape them, and "
            f"{100 * half:.0f}% would at {short}",
            "",
        )
    now, then = (usable_share(rate, t, overhead) for t in (exposure, exposure / 2.0))
    because = (
        f"{often}; with {duration(overhead)} between exposures, {100 * now:.0f}% of the time goes "
        f"into good frames of {long}, and {100 * then:.0f}% would at {short}"
    )
    if then > now:
        return because, f"; in such wind expose {short}"
    return because, f"; shorter exposures would not pay: stay at {long}"


def _overhead(view: NightView) -> float:
    """Median time between exposures, s; NaN unknown."""
    gaps = view.start[1:] - view.end[:-1]
    gaps = gaps[np.isfinite(gaps) & (gaps >= 0) & (gaps < 600)]
    return float(np.median(gaps)) if len(gaps) else math.nan
