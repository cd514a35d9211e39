"""Findings on sharpness: focus and temperature, how often to refocus, seeing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.diagnosis.model import Finding, Quantity
from subgrade.diagnosis.view import NightView, finding
from subgrade.diagnosis.words import counted, duration, number

NAN = float("nan")
LOW_IN_THE_SKY = 1.2
"""Airmass from which it widens stars by more than a tenth and is worth a word: a choice."""
LEAST_COOLING_C = 1.0
"""Change of temperature below which no slope is sought: a choice."""


@dataclass(frozen=True, slots=True)
class Slope:
    """Slope of one thing against another, one sigma, and how many points."""

    value: float = NAN
    error: float = NAN
    points: int = 0

    @property
    def plain(self) -> bool:
        """Beyond four of its errors: slow seeing makes white-noise errors too small."""
        return bool(abs(self.value) > 4.0 * self.error)


def robust_slope(x: np.ndarray, y: np.ndarray, least: int = 6) -> Slope:
    """Median of the slopes between points, and half its 68 % interval (Theil 1950, Sen 1968)."""
    known = np.isfinite(x) & np.isfinite(y)
    if known.sum() < least or np.ptp(x[known]) <= 0:
        return Slope()
    from scipy.stats import theilslopes

    slope, _, low, high = theilslopes(y[known], x[known], alpha=0.6827)
    return Slope(float(slope), 0.5 * float(high - low), int(known.sum()))


def width_with_temperature(view: NightView, members) -> Slope:
    """Change of FWHM with the air's temperature, px per degree, at airmass 1.

    Frames that were moved, clouded or trailed do not count; seeing goes as airmass^0.6
    (Kolmogorov, Fried 1966).
    """
    good = [
        k
        for k in members
        if view.verdicts[k].verdict == "keep" or view.verdicts[k].reasons[:1] == ("focus",)
    ]
    temperature = view.facts("ambient_c")[good]
    seen = np.isfinite(temperature)
    if not seen.any() or np.ptp(temperature[seen]) < LEAST_COOLING_C:
        return Slope()
    airmass = view.facts("airmass")[good]
    width = view.stars("fwhm_px")[good] / np.where(np.isfinite(airmass), airmass, 1.0) ** 0.6
    return robust_slope(temperature, width, 8)


def steps_with_temperature(view: NightView, members) -> Slope:
    """Focuser steps per degree over the positions that the night used."""
    kept = [k for k in members if view.verdicts[k].verdict == "keep"]
    steps, temperature = view.facts("focuser_steps")[kept], view.facts("ambient_c")[kept]
    known = np.isfinite(steps) & np.isfinite(temperature)
    if len(np.unique(steps[known])) < 3 or np.ptp(temperature[known]) < LEAST_COOLING_C:
        return Slope()
    places = np.unique(steps[known])
    mean = np.array([temperature[known][steps[known] == p].mean() for p in places])
    return robust_slope(mean, places, 3)


def time_to_limit(view: NightView, run: list[int]) -> tuple[float, float]:
    """Seconds from good focus until the swelling reaches its rejecting limit, and one sigma.

    Blur and seeing add in quadrature, ``FWHM^2 = usual^2 + blur^2`` (exact for Gaussians),
    and a drifting focus blurs in proportion to time: ``blur = rate (t - t0)``.
    """
    width, time = view.stars("fwhm_px")[run], 0.5 * (view.start + view.end)[run]
    usual = view.usual(run[0], "fwhm_px")
    good = np.isfinite(width) & np.isfinite(time) & (width > usual)
    if good.sum() < 3:
        return NAN, NAN
    blur = np.sqrt(width[good] ** 2 - usual**2)
    slope = robust_slope(time[good], blur, 3)
    if not (slope.value > 2.0 * slope.error):
        return NAN, NAN
    limit = usual * math.sqrt(view.limits.sharpness.ratio_low**2 - 1.0)
    return limit / slope.value, limit / slope.value * slope.error / slope.value


def focus(view: NightView) -> Finding | None:
    """Focus over the night: what it cost, its trend, how often to refocus."""
    told, lost = view.told("focus"), view.lost_to("focus")
    members = _largest(view)
    warm, steps = width_with_temperature(view, members), steps_with_temperature(view, members)
    waits = [w for run in view.runs(told) if math.isfinite((w := time_to_limit(view, run))[0])]
    if not told and not warm.plain:
        return None
    numbers, evidence, said = [], [], []
    if told:
        usual = np.array([view.usual(k, "fwhm_px") for k in told])
        ratio = view.stars("fwhm_px")[told] / usual
        worst = float(np.nanmax(ratio)) if np.isfinite(ratio).any() else NAN
        said.append(f"Focus was off in {counted(len(told))}" + (
            f", stars up to {number(worst)} times their usual width." if worst == worst else "."
        ))  # fmt: skip
        numbers.append(Quantity("worst width over the usual", worst))
    if warm.plain:
        said.append(
            f"Stars {'shrink' if warm.value > 0 else 'swell'} by "
            f"{number(abs(warm.value), warm.error, 'px')} for every degree of cooling."
        )
        evidence.append("widths at airmass 1; slow seeing can pass for it")
    numbers.append(Quantity("width with temperature", warm.value, warm.error, "px/°C"))
    numbers.append(Quantity("focuser with temperature", steps.value, steps.error, "steps/°C"))
    wait = min(waits) if waits else (NAN, NAN)
    numbers.append(Quantity("time until focus is out", *wait, "s"))
    sureness = view.sureness("focus", told) if told else 0.5
    return finding(
        view, "focus", " ".join(said), reason="focus", frames=told, lost=lost, numbers=numbers,
        evidence=evidence, sureness=sureness, advice=_refocus(view, warm, steps, wait, bool(told)),
    )  # fmt: skip


def _refocus(view: NightView, warm: Slope, steps: Slope, wait, told: bool):
    often, because = "", []
    if math.isfinite(wait[0]):
        often = f" every {duration(max(60.0, 0.7 * wait[0]))}"
        because.append(
            f"stars passed the limit of {number(view.limits.sharpness.ratio_low)} times the usual "
            f"width {number(wait[0] / 60.0, wait[1] / 60.0, 'min')} after focus began to go"
        )
    usual = _usual_width(view)
    if warm.plain and math.isfinite(usual):
        degrees = (view.limits.sharpness.ratio_low - 1.0) * usual / abs(warm.value)
        often += " and" if often else ""
        often += f" whenever the air has changed by {0.5 * degrees:.1f} °C"
        because.append(
            f"at {number(abs(warm.value), warm.error, 'px/°C')} a change of {degrees:.1f} °C uses "
            "up the allowed swelling"
        )
    if not told and not warm.plain:
        return ()
    action = f"Refocus{often}" if often else "Refocus more often, and as the temperature changes"
    if abs(steps.value) > 3.0 * steps.error:
        moved = number(steps.value, steps.error, "steps/°C")
        action += f"; for a start move the focuser by {moved}, as this night did"
    return ((action, "; ".join(because) or "stars stayed swollen and round", ""),)


def seeing(view: NightView) -> Finding | None:
    """Frames that turbulent air swelled."""
    told, lost = view.told("seeing"), view.lost_to("seeing")
    if not told:
        return None
    airmass = view.facts("airmass")[told]
    evidence = ["the swelling comes and goes from frame to frame, which focus does not"]
    x = float(np.nanmedian(airmass)) if np.isfinite(airmass).any() else 1.0
    if x > LOW_IN_THE_SKY:
        evidence.append(
            f"airmass {number(x)} alone widens stars to {number(x**0.6)} times the zenith's "
            "(X^0.6, Kolmogorov)"
        )
    return finding(
        view, "seeing", f"Turbulent air swelled the stars of {counted(len(told))}.",
        reason="seeing", frames=told, lost=lost, evidence=evidence,
        sureness=view.sureness("seeing", told),
        advice=((
            "Image high up, near the meridian; let the tube reach the air's temperature; keep "
            "roofs and warm ground out of the line of sight",
            "no set-up cures the air itself", "",
        ),),
    )  # fmt: skip


def _largest(view: NightView) -> list[int]:
    groups = view.night.groups
    return list(max(groups, key=lambda g: len(g.members)).members) if groups else []


def _usual_width(view: NightView) -> float:
    members = _largest(view)
    return view.usual(members[0], "fwhm_px") if members else NAN
