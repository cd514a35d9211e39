"""Finding on wind: how often gusts hit, how hard, and what shorter exposures would give."""

from __future__ import annotations

import math

import numpy as np

from subgrade.diagnosis.model import Finding, Quantity
from subgrade.diagnosis.view import NightView, finding
from subgrade.diagnosis.words import counted, duration, number

SWING = "A tube can swing in wind: lock the axes before you work on it."
SPELL = 3
"""Frames lost to wind that make a windy spell: a choice."""


def surviving(rate: float, exposure: float) -> float:
    """Share of exposures without a gust: exp(-rate * exposure), Poisson."""
    return math.exp(-rate * exposure)


def gust_rate(hit: int, frames: int, exposure: float) -> tuple[float, float]:
    """Spoiling gusts a second from the share of exposures hit, and one sigma.

    ``1 - hit/frames = exp(-rate * exposure)``; error from the binomial.  Where every frame
    was hit, half a frame is taken to have been spared.
    """
    spared = max(frames - hit, 0.5) / frames
    error = math.sqrt((1.0 - spared) / (spared * frames)) / exposure
    return -math.log(spared) / exposure, error


def usable_share(rate: float, exposure: float, overhead: float) -> float:
    """Share of the clock that ends up in unspoilt frames."""
    return surviving(rate, exposure) * exposure / (exposure + overhead)


def wind(view: NightView) -> Finding | None:
    """Gusts: exposures hit, sizes, settling, and whether half the exposure pays."""
    told, lost = view.told("wind_trail"), view.lost_to("wind_trail")
    if not told:
        return None
    sizes, settle = view.guided(told, "gust_size"), view.guided(told, "gust_settle_s")
    numbers, evidence = [], []
    sentence = f"Wind knocked the telescope in {counted(len(told))}"
    kept = len(told) - len(lost)
    if kept:
        sentence += f", {kept} of them kept" if lost else ", kept all the same"
    if len(sizes):
        sentence += f"; the hardest knock was {number(float(sizes.max()), None, '″')}"
        numbers.append(Quantity("largest knock", float(sizes.max()), None, "″"))
        numbers.append(Quantity("usual knock", float(np.median(sizes)), None, "″"))
    if len(settle):
        sentence += f", settling took {float(np.median(settle)):.0f} s"
        numbers.append(Quantity("settling", float(np.median(settle)), None, "s"))
    # Gusts come in spells: the rate is that of the spell, with the frame at either end.
    # One or two knocks make no spell: they are held against the whole night.
    first, last = max(min(told) - 1, 0), min(max(told) + 1, len(view) - 1)
    spell = len(lost) >= SPELL
    if not spell:
        first, last = 0, len(view) - 1
    exposure = float(np.median(view.exposure_s[told]))
    frames = last - first + 1
    because = "single frames are knocked while their neighbours are not"
    action = (
        "Shelter the telescope, take off a long dew shield if dew allows, tie loose cables, set "
        "the tripod low and firm"
    )
    if exposure > 0 and lost:
        because, extra = _shorter(view, len(lost), frames, exposure, numbers)
        action += extra
    if lost:
        where = " from just before the first knock to just after the last" if spell else ""
        were = "was" if len(lost) == 1 else "were"
        evidence.append(f"{len(lost)} of {counted(frames)}{where} {were} lost to it")
    if not len(sizes):
        seen = "the guiding record shows no knock: " if view.recorded(told) else ""
        evidence.append(f"{seen}told from the images alone")
    return finding(
        view, "wind", sentence + ".", reason="wind_trail", frames=told, lost=lost,
        numbers=numbers, evidence=evidence, sureness=view.sureness("wind_trail", told),
        advice=((action, because, SWING),),
    )  # fmt: skip


def _shorter(view: NightView, hit: int, frames: int, exposure: float, numbers: list):
    """Why, and what is added to the advice, from the Poisson rate of gusts."""
    rate, error = gust_rate(hit, frames, exposure)
    overhead = _overhead(view)
    full, half = surviving(rate, exposure), surviving(rate, exposure / 2.0)
    numbers += [
        Quantity("spoiling gusts", 3600.0 * rate, 3600.0 * error, "an hour"),
        Quantity(f"frames surviving at {exposure:.0f} s", full),
        Quantity(f"frames surviving at {exposure / 2:.0f} s", half),
    ]
    often = f"gusts that spoil a frame came {number(3600 * rate, 3600 * error)} times an hour"
    if not math.isfinite(overhead):
        return (
            f"{often}: they spare {100 * full:.0f}% of exposures of {exposure:.0f} s and would "
            f"spare {100 * half:.0f}% of {exposure / 2:.0f} s", "",
        )  # fmt: skip
    now, then = (usable_share(rate, t, overhead) for t in (exposure, exposure / 2.0))
    because = (
        f"{often}; with {duration(overhead)} between exposures {100 * now:.0f}% of the time goes "
        f"into good frames of {exposure:.0f} s, and {100 * then:.0f}% would at {exposure / 2:.0f} s"
    )
    if then > now:
        return because, f"; on such a night expose {exposure / 2:.0f} s"
    return because, f"; shorter exposures would not pay, stay at {exposure:.0f} s"


def _overhead(view: NightView) -> float:
    """Median time between exposures, s; NaN unknown."""
    gaps = view.start[1:] - view.end[:-1]
    gaps = gaps[np.isfinite(gaps) & (gaps >= 0) & (gaps < 600)]
    return float(np.median(gaps)) if len(gaps) else math.nan
