"""What became of the advice: was it followed, and was less lost since."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from subgrade.figures import listed
from subgrade.judging.reasons import REASONS, SURPLUS
from subgrade.season.changes import chance_of
from subgrade.season.dates import night_name, several_years
from subgrade.season.followed import Shown, shown
from subgrade.season.losses import lost_by_reason
from subgrade.season.model import NAN, AdviceFollowed, GradedNight, History
from subgrade.season.recorded import diagnosis_of, main_setup
from subgrade.season.written import amount

CURES = {
    "polar alignment": ("dec_drift", "field_rotation"),
    "field rotation": ("field_rotation",),
    "Dec drift": ("dec_drift",),
    "RA oscillation": ("ra_oscillation",),
    "periodic error": ("periodic_error",),
    "guide exposure": ("periodic_error", "ra_oscillation"),
    "Dec backlash": ("dec_drift",),
    "unguided mount": ("dec_drift", "periodic_error", "flexure", "ra_oscillation"),
    "alt-azimuth mount": ("field_rotation",),
    "differential flexure": ("flexure",),
    "focus": ("focus",),
    "dither": ("dither_overlap",),
    "doubled stars": ("bump",),
    "lost tracking": ("tracking_lost",),
    "damaged frames": ("incomplete",),
    "frames of another kind": ("wrong_frame",),
}
"""What the advice on a topic is to save.  Not here: what comes and goes with the weather, where
fewer losses show nothing of the advice, and what costs no frames."""
NOT_FOLLOWED = ("cloud", "poor seeing", "satellite trails")
"""Topics that plan around the sky: no number of a later night can show them."""
WEATHER = ("cloud", "dew", "wind_trail", "seeing", "sky_glow", "surplus", "unreadable")
"""Frames lost to these could not show another cause, and are not counted as exposed to it."""
CHANCE = 0.05
"""Probability below which a difference in losses is one: common practice."""
NIGHTS_SHOW = 4
"""Nights whose own scatter is a fair error of their mean: a choice."""
FEWEST_NIGHTS = 2
"""Nights before and since without which nothing is stated of what helped: a choice."""


@dataclass(frozen=True, slots=True)
class Rate:
    """Minutes lost an hour of exposure, one sigma, and over how many nights."""

    value: float = NAN
    error: float = NAN
    nights: int = 0


def advice_followed(
    nights: Sequence[GradedNight], histories: Sequence[History] = ()
) -> tuple[AdviceFollowed, ...]:
    """Each line of advice over the nights, by setup and topic.

    Parameters
    ----------
    nights : sequence of GradedNight
        In order of time.
    histories : sequence of History
        They show whether a mount is set up anew each night.

    Returns
    -------
    tuple of AdviceFollowed
        That followed first, then by the number of nights that gave it.
    """
    given: dict[tuple[str, str], list[int]] = {}
    for k, night in enumerate(nights):
        for item in diagnosis_of(night).get("advice") or ():
            if item.get("topic") in NOT_FOLLOWED:
                continue
            place = given.setdefault((_setup(night), item.get("topic") or ""), [])
            if k not in place:
                place.append(k)
    found = [_one(nights, setup, topic, which) for (setup, topic), which in given.items()]
    found = [_with_set_up(nights, item, histories) for item in found]
    order = {"yes": 0, "no": 1, "not known": 2}
    return tuple(sorted(found, key=lambda a: (order[a.followed], -len(a.nights), a.topic)))


def _with_set_up(nights, item: AdviceFollowed, histories) -> AdviceFollowed:
    """The same, with a word on a polar axis that is another one each night."""
    polar = [h for h in histories if h.key == "polar_error" and len(h.points) > 2]
    mine = [h for h in polar if h.subject in ("", _setup(nights[item.nights[0]]))]
    anew = any("set up anew" in h.verdict for h in mine)
    if item.topic != "polar alignment" or not anew:
        return item
    text = "The axis points elsewhere each night, so a better one shows no lasting cure."
    return replace(item, sentence=f"{item.sentence} {text}")


def _setup(night: GradedNight) -> str:
    setup = main_setup(night)
    return setup.label if setup is not None else ""


def _one(nights, setup: str, topic: str, which: list[int]) -> AdviceFollowed:
    first = nights[which[0]]
    item = next(a for a in diagnosis_of(first)["advice"] if a.get("topic") == topic)
    action = item.get("action") or ""
    mine = [k for k in range(len(nights)) if _setup(nights[k]) == setup]
    followed, since, seen = _followed(nights, mine, which[0], topic, action)
    reasons = CURES.get(topic, ())
    earlier = [k for k in mine if since < 0 or k < since]
    before = loss_rate([nights[k] for k in earlier], reasons)
    events = [e for k in earlier for e in _events(nights[k], reasons)]
    later = [nights[k] for k in mine if k not in earlier]
    after = loss_rate(later, reasons, float(np.mean(events)) if events else NAN)
    helped = _helped(before, after) if since >= 0 and reasons else "not known"
    cause = reasons[0] if reasons else _reason(first, topic)
    because = seen.because if seen is not None else ""
    made = AdviceFollowed(
        topic,
        cause,
        action,
        tuple(which),
        followed,
        since,
        because,
        before.value,
        before.error,
        after.value,
        after.error,
        helped,
    )
    sentence = _sentence(nights, made, reasons, before, after, mine[-1] == which[0])
    return replace(made, sentence=sentence)


def _reason(night: GradedNight, topic: str) -> str:
    findings = diagnosis_of(night).get("findings") or ()
    return next((f.get("reason") or "" for f in findings if f.get("topic") == topic), "")


def _followed(nights, mine, start: int, topic: str, action: str) -> tuple[str, int, Shown | None]:
    """``yes``, ``no`` or ``not known``, the first night since when it shows, and what shows it.

    What counts is the last nights: an axis that was put right and moved back is not right.
    """
    seen = [(k, shown(topic, action, nights[start], nights[k])) for k in mine if k > start]
    known = [(k, s) for k, s in seen if s is not None]
    if not known:
        return "not known", -1, None
    if not known[-1][1].followed:
        return "no", -1, known[-1][1]
    since, what = known[-1]
    for k, s in reversed(known):
        if not s.followed:
            break
        since, what = k, s
    return "yes", since, what


def loss_rate(nights: Sequence[GradedNight], reasons: Sequence[str], event_s: float = NAN) -> Rate:
    """Minutes lost to some reasons in an hour of exposure, over several nights.

    Its error is the nights' own scatter about the mean rate, no less than one frame.  Of fewer
    than `NIGHTS_SHOW` nights it is not below that of a Poisson number of events whose sizes are as
    found (a compound Poisson sum: the root of the sum of their squares); frames in a row are one
    event.  Where nothing was lost, it is one event of ``event_s``, or one frame.
    """
    lost, exposed, events = [], [], []
    for night in nights:
        by_reason = lost_by_reason(night)
        away = sum(by_reason.get(w, (0, 0.0))[1] for w in WEATHER if w not in reasons)
        taken = np.array([r != SURPLUS for r in night.frames.reason], bool)
        exposed.append(float(np.nansum(night.frames.exposure_s[taken])) - away)
        lost.append(sum(by_reason.get(w, (0, 0.0))[1] for w in reasons))
        events += _events(night, reasons)
    lost, exposed = np.array(lost), np.array(exposed)
    whole = float(exposed.sum())
    if not reasons or not whole > 0:
        return Rate(nights=len(nights))
    rate, own = float(lost.sum()) / whole, 0.0
    if len(nights) > 1:
        square = float(np.sum((lost - rate * exposed) ** 2))
        own = math.sqrt(square * len(lost) / (len(lost) - 1))
    if len(nights) < NIGHTS_SHOW or not events:
        one = event_s if math.isfinite(event_s) else _frame_s(nights)
        own = max(own, math.sqrt(sum(e**2 for e in events)) if events else one)
    own = max(own, _frame_s(nights))
    return Rate(60.0 * rate, 60.0 * own / whole, len(nights))


def _frame_s(nights) -> float:
    """Exposure time of a typical frame."""
    known = np.concatenate([n.frames.exposure_s for n in nights])
    return float(np.nanmedian(known)) if np.isfinite(known).any() else 0.0


def _events(night: GradedNight, reasons: Sequence[str]) -> list[float]:
    """Seconds lost in each run of frames in a row that one of the reasons cost."""
    table, found, last = night.frames, [], ""
    seconds = np.nan_to_num(table.exposure_s)
    for verdict, reason, exposure in zip(table.verdict, table.reason, seconds, strict=True):
        hit = reason if verdict != "keep" and reason in reasons else ""
        if hit and hit == last:
            found[-1] += float(exposure)
        elif hit:
            found.append(float(exposure))
        last = hit
    return found


def _helped(before: Rate, after: Rate) -> str:
    """Whether less was lost since; of too few nights or events that is not known."""
    both = math.hypot(before.error, after.error)
    if not both > 0 or min(before.nights, after.nights) < FEWEST_NIGHTS:
        return "not known"
    less = (before.value - after.value) / both
    # Welch 1947, Biometrika 34, 28: two means whose scatter differs
    parts = [r.error**4 / (r.nights - 1) for r in (before, after)]
    if chance_of(less, both**4 / sum(parts)) < CHANCE:
        return "yes" if less > 0 else "worse"
    at_most = before.value - after.value + 2.0 * both
    return "no" if before.value > 0 and at_most < 0.5 * before.value else "not known"


def _sentence(
    nights, made: AdviceFollowed, reasons, before: Rate, after: Rate, is_last: bool
) -> str:
    labels = [n.label for n in nights]
    year = several_years(labels)
    topic = made.topic[:1].upper() + made.topic[1:]
    first = night_name(labels[made.nights[0]], year)
    count = len(made.nights)
    when = f"on {first}" if count == 1 else f"on {count} nights, first on {first}"
    text = f"{topic}: advised {when}"
    because = f" ({made.because})" if made.because else ""
    if made.followed == "not known":
        why = (
            "no later night with this setup" if is_last else "later nights' numbers do not show it"
        )
        return f"{text}; whether it was followed is not known: {why}."
    if made.followed == "no":
        return f"{text}; later nights do not show that it was followed{because}."
    text += f"; followed since {night_name(labels[made.since], year)}{because}"
    if not reasons or not math.isfinite(after.value):
        return f"{text}; what it saved is not known."
    words = listed([REASONS[w].noun for w in reasons])
    if before.value == after.value == 0.0:
        return f"{text}; no frame was lost to {words} before or since."
    then = f"{amount(before.value, before.error)} min an hour"
    now = f"{amount(after.value, after.error)}"
    ending = {
        "yes": "so it seems to have helped",
        "no": "so it did not help much",
        "worse": "more than before",
        "not known": _why_not(before, after),
    }[made.helped]
    return f"{text}; {words} cost {then} before and {now} since: {ending}."


def _why_not(before: Rate, after: Rate) -> str:
    if min(before.nights, after.nights) < FEWEST_NIGHTS:
        side = "since" if after.nights < FEWEST_NIGHTS else "before"
        return f"one night {side} is too few to judge whether it helped"
    return "too few events to judge whether it helped"
