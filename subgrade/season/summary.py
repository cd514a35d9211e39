"""The season in a few sentences, most worth knowing first."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from subgrade.figures import counted, listed
from subgrade.judging.reasons import SURPLUS
from subgrade.season.advice import CURES, WEATHER
from subgrade.season.dates import night_name, several_years
from subgrade.season.losses import exposed_s
from subgrade.season.model import AdviceFollowed, Season, SeasonLoss
from subgrade.season.names import stack_name
from subgrade.season.recorded import diagnosis_of, hours, main_setup

MOST_CHANGES = 2
"""Changes named: a choice."""
WORTH_SHARE = 0.005
"""Share of the exposure time from which a cause is worth a sentence: a choice."""
OF_THE_SETUP = (
    "polar_error",
    "guiding_ra",
    "guiding_dec",
    "worm_amplitude",
    "worm_period",
    "focus_slope",
    "flexure",
)
"""Histories whose changes a person can act on; those of the sky come after."""


def summary(season: Season) -> tuple[str, ...]:
    """What was kept, what cost most, what changed, what the advice did, what to do next.

    Parameters
    ----------
    season : Season
        Its other parts filled in.

    Returns
    -------
    tuple of str
        Up to six sentences.
    """
    if not any(len(night.frames) for night in season.nights):
        return ()
    made = (
        _kept(season),
        _poorest(season),
        _costliest(season),
        _changed(season),
        _advice(season.advice),
        _next(season),
    )
    return tuple(filter(None, made))


def _kept(season: Season) -> str:
    """Hours kept, on how many nights, of what."""
    nights = [n for n in season.nights if len(n.frames)]
    kept = sum(float(np.nansum(n.frames.exposure_s[n.frames.kept])) for n in nights)
    frames = sum(int(n.frames.kept.sum()) for n in nights)
    total = sum(r != SURPLUS for n in nights for r in n.frames.reason)
    exposed = exposed_s(nights)
    dates = {n.label[:10] for n in nights}
    count = counted(len(dates), "night")
    text = f"{frames} of {total} frames kept on {count}"
    if kept > 0 and frames == total:
        text = f"All of {hours(kept)} kept on {count}, {frames} frames"
    elif kept > 0:
        text = f"{hours(kept)} of {hours(exposed)} kept on {count}, {frames} of {total} frames"
    best = season.stacks[0] if len(season.stacks) > 1 else None
    if best is not None and best.kept_s > 0:
        name = stack_name(best.target, best.filter)
        text += f"; most of it, {hours(best.kept_s)}, of {name}"
    return f"{text}."


def _poorest(season: Season) -> str:
    """Stacks of which a plain mean is better without a night."""
    year = several_years([n.label for n in season.nights])
    found = [
        f"A plain mean of {stack_name(s.target, s.filter)} is better "
        f"without {night_name(season.nights[s.poorest].label, year)}"
        + ("; by weight it may stay in" if "by weight" in s.verdict else "")
        for s in season.stacks
        if 0 <= s.poorest < len(season.nights)
    ]
    if not found:
        return ""
    more = f", and {len(found) - 1} more like it" if len(found) > 1 else ""
    return f"{found[0]}{more}."


def _costliest(season: Season) -> str:
    """The costliest cause, and the costliest that can be cured where that is another."""
    lost = [row for row in season.losses if row.lost_s > 0]
    if not lost:
        return ""
    first = lost[0]
    text = f"Most was lost to {first.text}: {_lost(first)}"
    curable = next((r for r in lost if _curable(r) and r.share >= WORTH_SHARE), None)
    if curable is not None and curable is not first:
        text += f"; of what can be cured, to {curable.text}: {_lost(curable)}"
    return f"{text}."


def _curable(row: SeasonLoss) -> bool:
    return row.reason not in WEATHER


def _lost(row: SeasonLoss) -> str:
    nights = counted(len(row.by_night), "night")
    return f"{hours(row.lost_s)} ({100 * row.share:.2g}%) on {nights}"


def _changed(season: Season) -> str:
    """The most significant changes of the setup, or that nothing changed."""
    held = [h for h in season.histories if h.key in OF_THE_SETUP]
    changes = sorted((c for h in held for c in h.changes), key=lambda c: -c.sigma)
    found = list(dict.fromkeys(c.sentence for c in changes))
    if found:
        rest = len(found) - MOST_CHANGES
        more = f" {rest} more change{'s' * (rest > 1)} below." if rest > 0 else ""
        return " ".join(found[:MOST_CHANGES]) + more
    drifting = [h for h in held if math.isfinite(h.slope)]
    if drifting:
        best = max(drifting, key=lambda h: abs(h.slope) / h.slope_error)
        return best.verdict
    steady = [h for h in held if len(h.points) > 2 and math.isfinite(h.mean)]
    if len(steady) > 1 and len(season.nights) > 2:
        return f"None of {len(steady)} quantities of mount and optics changed for good."
    return ""


def _advice(advice: Sequence[AdviceFollowed]) -> str:
    """What the advice that was followed did."""
    done = [a for a in advice if a.followed == "yes"]
    parts = []
    for word, text in (
        ("yes", "less lost since"),
        ("worse", "more lost since"),
        ("no", "no less lost since"),
        ("nothing", "it had cost no frame"),
        ("not known", "what it saved is not known yet"),
    ):
        topics = [a.topic for a in done if _outcome(a) == word]
        parts += [f"{listed(topics)} ({text})"] if topics else []
    return f"Advice that shows as followed: {', '.join(parts)}." if parts else ""


def _outcome(item: AdviceFollowed) -> str:
    return "nothing" if item.before == item.after == 0.0 else item.helped


def _next(season: Season) -> str:
    """The open advice that would save most, by what its causes cost since it was given."""
    losses = {row.reason: row for row in season.losses}
    best, saves = None, 0.0
    for item in season.advice:
        still = item.followed != "yes" or item.nights[-1] >= item.since >= 0
        if item.topic not in CURES or not still or item.helped == "yes":
            continue
        rows = [losses[w] for w in CURES[item.topic] if w in losses]
        setup = main_setup(season.nights[item.nights[0]])
        recent = max(item.since, item.nights[0]) if item.followed == "yes" else item.nights[0]
        cost = sum(
            seconds
            for row in rows
            for k, _, seconds in row.by_night
            if k >= recent and main_setup(season.nights[k]) == setup
        )
        if cost > saves:
            best, saves = item, cost
    if best is None or not math.isfinite(saves):
        return ""
    action = _latest_action(season, best)
    year = several_years([n.label for n in season.nights])
    since = night_name(season.nights[best.nights[0]].label, year)
    return f"Next: {action} ({hours(saves)} lost to its causes since {since})."


def _latest_action(season: Season, item: AdviceFollowed) -> str:
    """The action as the last night that gave it has it: its numbers are the present ones."""
    for given in diagnosis_of(season.nights[item.nights[-1]]).get("advice") or ():
        if given.get("topic") == item.topic:
            action = (given.get("action") or item.action).rstrip(".")
            return action[:1].lower() + action[1:] if action[:2] not in ("RA", "De") else action
    return item.action
