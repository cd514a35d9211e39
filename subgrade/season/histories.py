"""What was steady over the nights, what changed, and when."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from subgrade.season.changes import Levels, chance_of, levels_of
from subgrade.season.dates import between_nights, night_name, several_years
from subgrade.season.history_points import Quantity, all_points
from subgrade.season.model import NAN, Change, GradedNight, History, HistoryPoint, Tie
from subgrade.season.names import DAY_S
from subgrade.season.polar_history import polar_histories
from subgrade.season.written import UNKNOWN, amount, per_month, roughly

MONTH_DAYS = 30.44
ORDER = (
    "polar_error",
    "polar_altitude",
    "polar_azimuth",
    "guiding_ra",
    "guiding_dec",
    "guiding_quiet_ra",
    "guiding_quiet_dec",
    "worm_amplitude",
    "worm_period",
    "flexure",
    "focus_slope",
    "seeing",
    "sky",
    "clear_level",
)
RELATIVE = ("sky", "clear_level")
"""Quantities counted from the best night, which alone they say nothing of."""
SLIGHT = 0.02
"""Scatter from night to night, of the mean, below which a quantity is called steady: a choice."""
RETURNS = 1 / 3
"""Part of a step that may be left after the step back for the night between to be called an odd
one: a choice."""
AGREE = 2.0
"""Two nights that differ by less than this many errors agree: a choice."""


def histories(nights: Sequence[GradedNight], ties: Sequence[Tie] = ()) -> tuple[History, ...]:
    """Every quantity that any night shows, over the nights.

    Parameters
    ----------
    nights : sequence of GradedNight
        In order of time.
    ties : sequence of Tie
        Of their series; without them sky and clear level are left out.

    Returns
    -------
    tuple of History
        The polar axis first, the sky last.
    """
    found = list(polar_histories(nights))
    points = all_points(nights, ties)
    for (quantity, subject), its_points in points.items():
        if quantity.key in RELATIVE and len(its_points) < 2:
            continue
        found.append(history_of(nights, quantity, _named(quantity, subject, points), its_points))
    return tuple(sorted(found, key=lambda h: (ORDER.index(h.key), h.subject)))


def _named(quantity: Quantity, subject: tuple[str, ...], points) -> str:
    """The parts of a subject that distinguish it from others of the same quantity."""
    others = [s for q, s in points if q.key == quantity.key]
    parts = [part for k, part in enumerate(subject) if len({s[k] for s in others}) > 1 and part]
    return ", ".join(parts)


def history_of(
    nights: Sequence[GradedNight], quantity: Quantity, subject: str, points: Sequence[HistoryPoint]
) -> History:
    """One quantity of one coordinate: its levels, changes and a sentence."""
    value, error = (np.array([getattr(p, n) for p in points], float) for n in ("value", "error"))
    levels = levels_of(value, error, night_days(nights, points), quantity.steady)
    changes = tuple(
        changed(nights, points, levels, k, quantity.changed, quantity.unit)
        for k in range(len(levels.sigma))
    )
    changes = odd_nights(nights, quantity, changes)
    one = not changes
    return History(
        quantity.key,
        quantity.title,
        quantity.unit,
        subject,
        tuple(points),
        float(levels.mean[0, 0]) if one else NAN,
        float(levels.error[0, 0]) if one and _has_error(levels) else NAN,
        levels.scatter,
        changes,
        _verdict(nights, quantity, points, levels, changes),
        levels.slope * MONTH_DAYS,
        levels.slope_error * MONTH_DAYS,
    )


def odd_nights(
    nights: Sequence[GradedNight], quantity: Quantity, changes: Sequence[Change]
) -> tuple[Change, ...]:
    """A step and the step back of a single night, each with the one sentence that states both."""
    found = list(changes)
    unit, year = quantity.unit, several_years([night.label for night in nights])
    for k, (there, back) in enumerate(pairwise(changes)):
        returns = abs(back.new - there.old) < RETURNS * abs(there.new - there.old)
        if there.before != back.after or not returns or found[k] is not there:
            continue
        odd, before, after = (
            amount(value, error, unit)
            for value, error in (
                (there.new, there.new_error),
                (there.old, there.old_error),
                (back.new, back.new_error),
            )
        )
        name = night_name(nights[there.before].label, year)
        text = f"{quantity.title} stood out on {name}: {odd}, "
        text += f"against {before} before and {after} after."
        found[k : k + 2] = [replace(change, sentence=text) for change in (there, back)]
    return tuple(found)


def _has_error(levels: Levels) -> bool:
    return bool(levels.error[0, 0] > UNKNOWN * abs(levels.mean[0, 0]))


def night_days(nights: Sequence[GradedNight], points: Sequence[HistoryPoint]) -> np.ndarray | None:
    """When each point's night was, in days; None where one has no time."""
    day = np.array([nights[p.night].start_unix for p in points]) / DAY_S
    return day if np.isfinite(day).all() else None


def changed(nights, points, levels: Levels, k: int, what: str, unit: str) -> Change:
    """The step between two stretches."""
    after, before = points[levels.first[k + 1] - 1].night, points[levels.first[k + 1]].night
    old, new = (float(v) for v in levels.mean[k : k + 2, 0])
    old_error, new_error = (float(v) for v in levels.error[k : k + 2, 0])
    when = between_nights([night.label for night in nights], after, before)
    sentence = f"{what} {when}: {amount(old, old_error, unit)} → {amount(new, new_error, unit)}."
    return Change(after, before, old, old_error, new, new_error, float(levels.sigma[k]), sentence)


def _verdict(nights, quantity: Quantity, points, levels: Levels, changes) -> str:
    """One sentence: steady, changed and when, or why that is not known."""
    unit, title = quantity.unit, quantity.title
    mean = amount(float(levels.mean[0, 0]), float(levels.error[0, 0]), unit)
    if len(points) == 1:
        name = night_name(nights[points[0].night].label)
        return f"Known of one night only, {name}: {mean}."
    if changes:
        return " ".join(dict.fromkeys(c.sentence for c in changes))
    if math.isfinite(levels.slope):
        way = "rose" if levels.slope > 0 else "fell"
        slope = per_month(levels.slope * MONTH_DAYS, levels.slope_error * MONTH_DAYS, unit)
        return f"{title} {way} steadily, by {slope}."
    if len(points) == 2:
        return _of_two(quantity, points)
    count = f"{len(points)} nights"
    varies = levels.scatter > SLIGHT * abs(float(levels.mean[0, 0]))
    if varies and (levels.excess or not quantity.steady):
        return (
            f"No lasting change over {count}: {mean} on average, and "
            f"{roughly(levels.scatter, unit)} of scatter from night to night."
        )
    if len(points) == 3 and not quantity.steady:
        return f"Three nights are too few to judge a change: {mean} on average."
    return f"Steady over {count}: {mean}."


def _of_two(quantity: Quantity, points) -> str:
    """Two nights that no change is proved between."""
    one, two = (amount(p.value, p.error, quantity.unit) for p in points)
    both = math.hypot(points[0].error, points[1].error)
    apart = abs(points[1].value - points[0].value) / both if both > 0 else NAN
    if quantity.steady and apart < AGREE:
        return f"The two nights agree within their errors: {one} and {two}."
    if quantity.steady and math.isfinite(apart):
        chance = chance_of(apart, 4.0)
        return (
            f"Whether it changed cannot be judged: {one} and {two} differ by {apart:.1f} times "
            f"the error, which chance does in {100 * chance:.0f}% of such pairs."
        )
    return f"Whether it changed cannot be judged from two nights: {one} and {two}."
