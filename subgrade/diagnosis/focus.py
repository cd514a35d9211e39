"""Findings on sharpness: focus and temperature, how often to refocus, seeing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from subgrade.diagnosis.model import Advised, NightFinding, Quantity
from subgrade.diagnosis.night_view import NightView, finding
from subgrade.diagnosis.wording import duration, number
from subgrade.figures import counted
from subgrade.night import fullest_night
from subgrade.robust import pair_slopes

NAN = float("nan")
LOW_IN_THE_SKY = 1.2
"""Airmass from which it widens stars by more than a tenth and is worth a word: a choice."""
LEAST_COOLING_C = 1.0
"""Change of temperature below which no slope is sought: a choice."""
LEAST_STEP_C = 0.5
"""Change of temperature below which refocusing by hand is not asked for: a choice."""
LEAST_SUBS = 5.0
"""Frames between two focus runs below which more of them cost too much: a choice."""
FEW = 5
"""Frames below which a change of star size shows no manner of coming and going: a choice."""
PLAIN = 1.05
"""Ratio to the typical width from which the ratio is stated: a choice."""


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
    x, y = x[known], y[known]
    slopes = np.sort(pair_slopes(x, y))
    return Slope(float(np.median(slopes)), 0.5 * _interval(x, y, slopes), len(x))


def _interval(x: np.ndarray, y: np.ndarray, slopes: np.ndarray) -> float:
    """Width of the 68 % interval among the sorted slopes (Sen 1968, JASA 63, 1379); NaN unknown."""
    n = len(x)
    ties = [np.unique(v, return_counts=True)[1] for v in (x, y)]
    tied = sum(float(np.sum(t * (t - 1) * (2 * t + 5))) for t in ties)
    variance = (n * (n - 1) * (2 * n + 5) - tied) / 18
    if variance < 0:
        return NAN
    reach = NormalDist().inv_cdf(0.5 * (1 + 0.6827)) * math.sqrt(variance)
    high = min(round((len(slopes) + reach) / 2), len(slopes) - 1)
    low = max(round((len(slopes) - reach) / 2) - 1, 0)
    return float(slopes[high] - slopes[low])


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
    # where some frames state it, one that does not cannot be set beside them
    reduced = airmass if np.isfinite(airmass).any() else np.ones(len(good))
    width = view.stars("fwhm_px")[good] / reduced**0.6
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
    """Seconds from good focus until the growth in width reaches its rejecting limit, and one sigma.

    Blur and seeing add in quadrature, ``FWHM^2 = typical^2 + blur^2`` (exact for Gaussians),
    and a drifting focus blurs in proportion to time: ``blur = rate (t - t0)``.
    """
    width, time = view.stars("fwhm_px")[run], 0.5 * (view.start + view.end)[run]
    typical = view.usual(run[0], "fwhm_px")
    good = np.isfinite(width) & np.isfinite(time) & (width > typical)
    if good.sum() < 3:
        return NAN, NAN
    blur = np.sqrt(width[good] ** 2 - typical**2)
    slope = robust_slope(time[good], blur, 3)
    if not (slope.value > 2.0 * slope.error):
        return NAN, NAN
    limit = typical * math.sqrt(view.limits.sharpness.ratio_low**2 - 1.0)
    return limit / slope.value, limit / slope.value * slope.error / slope.value


def focus(view: NightView) -> NightFinding | None:
    """Focus over the night: what it cost, its trend, how often to refocus."""
    affected, lost = view.affected("focus"), view.lost_to("focus")
    members = _one_night(view, _largest(view))
    warm, steps = width_with_temperature(view, members), steps_with_temperature(view, members)
    waits = [w for run in view.runs(affected) if math.isfinite((w := time_to_limit(view, run))[0])]
    if not affected and not warm.plain:
        return None
    numbers, evidence, sentences = [], [], []
    if affected:
        typical = np.array([view.usual(k, "fwhm_px") for k in affected])
        ratio = view.stars("fwhm_px")[affected] / typical
        worst = float(np.nanmax(ratio)) if np.isfinite(ratio).any() else NAN
        most = "up to " if len(affected) > 1 else ""
        sentences.append(
            f"Focus was off in {counted(len(affected))}"
            + (
                f", stars {most}{number(worst)} times their typical width."
                if worst > PLAIN
                else "."
            )
        )
        numbers.append(Quantity("widest FWHM / typical", worst))
        if worst < 1.0:
            evidence.append("no frame's stars are wider than typical, as defocus would make them")
    if warm.plain:
        sentences.append(
            f"Stars {'shrink' if warm.value > 0 else 'grow'} by {_per_degree(view, warm)} as the "
            "air cools."
        )
        evidence.append("widths reduced to airmass 1; slow changes of seeing look the same")
    scale, unit = _length_unit(view)
    numbers.append(
        Quantity("FWHM with temperature", scale * warm.value, scale * warm.error, f"{unit}/°C")
    )
    numbers.append(Quantity("focuser with temperature", steps.value, steps.error, "steps/°C"))
    wait = min(waits) if waits else (NAN, NAN)
    numbers.append(Quantity("time until focus is out", *wait, "s"))
    sureness = view.sureness("focus", affected) if affected else 0.5
    if affected and worst < 1.0:
        sureness = min(sureness, 0.5)
    return finding(
        view,
        "focus",
        " ".join(sentences),
        reason="focus",
        frames=affected,
        lost=lost,
        numbers=numbers,
        evidence=evidence,
        sureness=sureness,
        advice=_refocus(view, warm, steps, wait, bool(affected)),
    )


def _refocus(
    view: NightView, warm: Slope, steps: Slope, wait, affected: bool
) -> tuple[Advised, ...]:
    """Advice on when to refocus; none where the night's whole change cost little sharpness."""
    when, because = [], []
    interval = 0.7 * wait[0]
    too_often = interval < LEAST_SUBS * _spacing(view)
    if math.isfinite(interval) and interval < _length(view):
        if not too_often:
            when.append(f"every {duration(max(60.0, interval))}")
        because.append(
            f"the FWHM passed the limit of {number(view.limits.sharpness.ratio_low)} times the "
            f"typical {number(wait[0] / 60.0, wait[1] / 60.0, 'min')} after focus started to "
            "drift"
        )
    typical = _typical_width(view)
    if warm.plain and math.isfinite(typical):
        degrees = (view.limits.sharpness.ratio_low - 1.0) * typical / abs(warm.value)
        # A step that the night hardly saw is no advice drawn from it.
        if 0.5 * degrees < 0.5 * _seen_change(view):
            too_often |= 0.5 * degrees < LEAST_STEP_C
            if 0.5 * degrees >= LEAST_STEP_C:
                when.append(f"whenever the air has changed by {0.5 * degrees:.1f} °C")
            because.append(
                f"at {_per_degree(view, warm)} a change of {degrees:.1f} °C uses up the allowed "
                "increase in FWHM"
            )
    if not affected and not because:
        return ()
    action = f"Refocus {' and '.join(when)}" if when else "Refocus more often"
    if too_often or not when:
        action += ", and let the focuser compensate for temperature if it can"
    if abs(steps.value) > 3.0 * steps.error:
        moved = number(steps.value, steps.error, "steps/°C")
        action += f"; as a first value for temperature compensation take {moved}, as this night did"
    return (Advised(action, "; ".join(because) or "stars stayed large and round"),)


def _per_degree(view: NightView, warm: Slope) -> str:
    """The slope without its sign, in arcsec where the scale is known."""
    scale, unit = _length_unit(view)
    return number(scale * abs(warm.value), scale * warm.error, f"{unit} per °C")


def _length_unit(view: NightView) -> tuple[float, str]:
    """What turns pixels into the unit that widths are shown in, and that unit."""
    scale = view.common("scale_arcsec")
    return (scale, "″") if math.isfinite(scale) else (1.0, "px")


def _spacing(view: NightView) -> float:
    """Median time from one frame to the next, else the exposure, s."""
    steps = np.diff(view.start)
    steps = steps[np.isfinite(steps) & (steps > 0)]
    exposure = float(np.median(view.exposure_s)) if len(view) else 0.0
    return float(np.median(steps)) if len(steps) else exposure


def _length(view: NightView) -> float:
    """Time from the first exposure to the last of the fullest night, s; NaN unknown."""
    known = fullest_night(view.start)
    return float(view.end[known].max() - view.start[known].min()) if known.any() else NAN


def _seen_change(view: NightView) -> float:
    """Change of the air's temperature over the largest group's night, degrees; 0 unknown."""
    seen = view.facts("ambient_c")[_one_night(view, _largest(view))]
    seen = seen[np.isfinite(seen)]
    return float(np.ptp(seen)) if len(seen) else 0.0


def seeing(view: NightView) -> NightFinding | None:
    """Frames that poor seeing enlarged the stars of."""
    affected, lost = view.affected("seeing"), view.lost_to("seeing")
    if not affected:
        return None
    airmass = view.facts("airmass")[affected]
    evidence = []
    if len(view) >= FEW:
        evidence.append("star size comes and goes from frame to frame, unlike a focus error")
    elif len(view) > 1:
        evidence.append("too few frames to tell seeing from focus")
    x = float(np.nanmedian(airmass)) if np.isfinite(airmass).any() else 1.0
    if x > LOW_IN_THE_SKY:
        evidence.append(
            f"airmass {number(x)} alone makes stars {number(x**0.6)} times as wide as at the "
            "zenith (X^0.6, Kolmogorov)"
        )
    return finding(
        view,
        "poor seeing",
        f"Poor seeing enlarged the stars in {counted(len(affected))}.",
        reason="seeing",
        frames=affected,
        lost=lost,
        evidence=evidence,
        sureness=view.sureness("seeing", affected),
        advice=(
            Advised(
                "Image high up, near the meridian; let the telescope cool to the air's "
                "temperature; avoid looking over roofs and warm ground",
                "these reduce local seeing; the rest is the atmosphere",
            ),
        ),
    )


def _largest(view: NightView) -> list[int]:
    groups = view.night.groups
    return list(max(groups, key=lambda g: len(g.members)).members) if groups else []


def _one_night(view: NightView, members: list[int]) -> list[int]:
    """Those of the fullest night; all where no header states a time."""
    main = fullest_night(view.start[members])
    return [k for k, mine in zip(members, main, strict=True) if mine] or members


def _typical_width(view: NightView) -> float:
    members = _largest(view)
    return view.usual(members[0], "fwhm_px") if members else NAN
