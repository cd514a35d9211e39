"""Whether a night's advice shows in a later night's numbers: in what the advice is about.

Each check holds a later night against the night that gave the advice.  It answers yes, no, or
nothing where the records show neither.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from subgrade.season.model import NAN, GradedNight
from subgrade.season.polar_history import SIZE, WHOLE, part_known
from subgrade.season.recorded import (
    as_number,
    diagnosis_of,
    guided_number,
    guiding_of,
    main_series,
    numbers_of,
    pole_of,
    unit_of,
)
from subgrade.season.written import amount

PLAIN = 3.0
"""Errors by which a number must differ from one night to another to be another: a choice."""
SETTING = 0.1
"""Relative change that shows a setting was changed; the mount's answer varies by less: a choice."""
SENT = 0.1
"""Share of the samples with a correction from which an axis is guided, as in the diagnosis."""
GAP_S = 2.0
"""Longer time between exposures that shows a longer wait: a choice."""


@dataclass(frozen=True, slots=True)
class Shown:
    """Whether the advice shows as followed, and what shows it, with numbers."""

    followed: bool
    because: str


Check = Callable[[GradedNight, GradedNight, str], Shown | None]


def shown(topic: str, action: str, first: GradedNight, later: GradedNight) -> Shown | None:
    """What a later night shows of the advice of an earlier one; None where it shows nothing.

    Parameters
    ----------
    topic, action : str
        Of the advice.
    first, later : GradedNight
    """
    against = None
    for check in _CHECKS.get(topic, ()):
        found = check(first, later, action)
        if found is not None and found.followed:
            return found
        against = against or found
    return against


def _pole(first, later, action) -> Shown | None:
    """The misalignment fell beyond its error."""
    old, new = pole_of(first), pole_of(later)
    if SIZE not in old or SIZE not in new:
        return None
    (was, was_error), (now, now_error) = old[SIZE], new[SIZE]
    both = math.hypot(was_error, now_error)
    if not both > 0:
        return None
    text = f"polar error {amount(was, was_error, '′')} → {amount(now, now_error, '′')}"
    if was - now > PLAIN * both:
        if part_known(new) not in (WHOLE, part_known(old)):
            return None  # a lower bound below the old size shows nothing
        return Shown(True, text)
    if PLAIN * now_error > was:
        return None  # it could not have shown a fall to nothing
    return Shown(False, text)


def _number(name: str, what: str, unit: str, down: bool = True, error: str = "") -> Check:
    """A number of the guiding record that the advice asks to lower, or to raise."""

    def check(first, later, action) -> Shown | None:
        was, now = (_corrections(n, name) for n in (first, later))
        if not (was > 0 and math.isfinite(now)):
            return None
        both = math.hypot(*(np.nan_to_num(_corrections(n, error)) for n in (first, later)))
        need = max(SETTING * was, PLAIN * both)
        by = was - now if down else now - was
        text = f"{what} {amount(was, NAN, unit)} → {amount(now, NAN, unit)}"
        return Shown(bool(by > need), text)

    return check


def _corrections(night: GradedNight, name: str) -> float:
    guiding = guiding_of(night)
    if name in ("cadence_s", "backlash_s"):
        return guided_number(night, name)
    return as_number((guiding.get("corrections") or {}).get(name))


def _any_way(name: str, what: str, unit: str, error: str) -> Check:
    """A number that the advice asks to change, up or down as the mount needs."""
    checks = [_number(name, what, unit, down, error) for down in (True, False)]

    def check(first, later, action) -> Shown | None:
        found = [c(first, later, action) for c in checks]
        return next((f for f in found if f is not None and f.followed), found[0])

    return check


def _asked(words: str, check: Check) -> Check:
    """A check that counts only where the action asks for it."""

    def asked(first, later, action) -> Shown | None:
        return check(first, later, action) if words in action.lower() else None

    return asked


def _dec_guided(first, later, action) -> Shown | None:
    """Dec corrections are sent, both ways."""
    share, rarer = (_corrections(later, n) for n in ("dec_share", "dec_rarer_share"))
    if not math.isfinite(share):
        return None
    text = f"{100 * share:.0f}% of the guide samples hold a Dec correction"
    if share < SENT:
        return Shown(False, text)
    return Shown(
        bool(rarer > 0), f"{text}, {100 * np.nan_to_num(rarer):.0f}% of them the rarer way"
    )


def _guided(first, later, action) -> Shown | None:
    """The mount is guided: a record of that night holds corrections."""
    share = _corrections(later, "ra_share")
    if math.isfinite(share):
        text = f"{100 * share:.0f}% of the guide samples hold an RA correction"
        return Shown(share >= SENT, text)
    topics = [f.get("topic") for f in diagnosis_of(later).get("findings") or ()]
    return Shown(False, "the mount was unguided again") if "unguided mount" in topics else None


def _finding(topic: str, name: str, what: str) -> Check:
    """A number of a finding that fell; the finding's absence shows nothing."""

    def check(first, later, action) -> Shown | None:
        old, new = (numbers_of(n, topic).get(name) for n in (first, later))
        unit = unit_of(first, topic, name)
        if old is None or new is None or unit != unit_of(later, topic, name):
            return None
        both = math.hypot(*(np.nan_to_num(v[1]) for v in (old, new)))
        if not both > 0:
            return None
        text = f"{what} {amount(*old, unit)} → {amount(*new, unit)}"
        return Shown(old[0] - new[0] > PLAIN * both, text)

    return check


def _focus_slope(first, later, action) -> Shown | None:
    """The star's width follows the temperature less."""
    old, new = (_slopes(n) for n in (first, later))
    unit = next((u for u in ("°C", "step") if u in old and u in new), None)
    if unit is None:
        return None
    (was, was_error), (now, now_error) = old[unit], new[unit]
    text = f"FWHM changed by {amount(was, was_error)} → {amount(now, now_error)}% per {unit}"
    return Shown(abs(was) - abs(now) > PLAIN * math.hypot(was_error, now_error), text)


def _slopes(night: GradedNight) -> dict[str, tuple[float, float]]:
    found = {}
    for series in night.series:
        trends = series.trends or {}
        if trends.get("focus_slope") is not None and trends.get("focus_error"):
            value, error = (100.0 * trends[n] for n in ("focus_slope", "focus_error"))
            found.setdefault(trends.get("focus_unit") or "", (value, error))
    return found


def _waits(first, later, action) -> Shown | None:
    """More time passes between exposures."""
    was, now = (_between_exposures(n) for n in (first, later))
    if not (math.isfinite(was) and math.isfinite(now)):
        return None
    text = f"time between exposures {was:.0f} s → {now:.0f} s"
    return Shown(now - was > GAP_S, text)


def _between_exposures(night: GradedNight) -> float:
    start, exposure = night.frames.start_unix, night.frames.exposure_s
    gap = np.diff(start) - exposure[:-1]
    gap = gap[np.isfinite(gap) & (gap >= 0) & (gap < 600)]
    return float(np.median(gap)) if len(gap) >= 5 else NAN


def _exposes_shorter(first, later, action) -> Shown | None:
    was, now = (s.exposure_s if (s := main_series(n)) else None for n in (first, later))
    if not was or not now:
        return None
    return Shown(now < (1 - SETTING) * was, f"exposures of {was:g} s → {now:g} s")


_STRENGTH = ("ra_ms_per_arcsec", "RA correction for each arcsecond of error", "ms")
_WEAKER = _number(*_STRENGTH, True, "ra_ms_per_arcsec_error")
_STRONGER = _number(*_STRENGTH, False, "ra_ms_per_arcsec_error")
_QUICKER = _number("cadence_s", "guide interval", "s")
_FEWER = _number("ra_share", "share of the guide samples with an RA correction", "")
_CHECKS: dict[str, tuple[Check, ...]] = {
    "polar alignment": (_pole,),
    "field rotation": (_pole,),
    "Dec drift": (
        _asked("switch dec guiding on", _dec_guided),
        _asked("check that dec guiding", _dec_guided),
        _asked(
            "larger share of each dec error",
            _number(
                "dec_ms_per_arcsec",
                "Dec correction for each arcsecond of error",
                "ms",
                False,
                "dec_ms_per_arcsec_error",
            ),
        ),
    ),
    "RA oscillation": (
        _asked("smaller share of each ra error", _WEAKER),
        _asked("ra correction strength", _WEAKER),
        _asked("shorten the guide exposure", _QUICKER),
        _asked("smallest ra correction", _FEWER),
    ),
    "guide exposure": (
        _asked("shorter exposures", _QUICKER),
        _asked("larger share", _STRONGER),
        _asked("smallest ra correction", _FEWER),
        _asked("smaller share", _WEAKER),
        _asked("expose the guide star longer", _number("cadence_s", "guide interval", "s", False)),
    ),
    "periodic error": (
        _finding("periodic error", "amplitude on the sky", "amplitude of the periodic error"),
        _asked("of each ra error", _any_way(*_STRENGTH, "ra_ms_per_arcsec_error")),
        _asked("shorter exposures", _QUICKER),
        _asked("guide the mount", _guided),
    ),
    "unguided mount": (_guided, _asked("expose no longer", _exposes_shorter)),
    "alt-azimuth mount": (_asked("expose no longer", _exposes_shorter),),
    "Dec backlash": (_number("backlash_s", "delay of a reversal in Dec", "s"),),
    "differential flexure": (_finding("differential flexure", "drift", "drift"),),
    "focus": (_focus_slope,),
    "dither": (_asked("settle longer", _waits), _number("settling_s", "settling of a dither", "s")),
}
"""What shows each topic's advice as followed; the first that does counts."""
