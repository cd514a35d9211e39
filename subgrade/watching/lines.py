"""One line a frame, as someone at three in the morning reads it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from subgrade.diagnosis import duration
from subgrade.figures import eccentricity_text, figure, on_sky
from subgrade.judging.reasons import REASONS
from subgrade.lights import FrameNames
from subgrade.plaintext import printable
from subgrade.results import Graded, GradedFrame, is_surplus, totals
from subgrade.watching.alarm_facts import AlarmFacts
from subgrade.watching.night_so_far import Update

GOOD, LOST, CHANGED, ALARM, PLAIN = "good", "lost", "changed", "alarm", "plain"
"""What a line is about; whoever prints it chooses how that looks."""
MOST_CHANGED = 6
"""Earlier frames whose verdict changed that are named one by one."""
NO_TIME = "--:--:--"
VERDICTS = {"keep": "keep", "reject": "REJECT", "unreadable": "UNREADABLE"}


@dataclass(frozen=True, slots=True)
class Line:
    """A line to print, and what it is about."""

    text: str
    about: str = PLAIN


def lines_of(update: Update) -> list[Line]:
    """What an update has to say.

    Parameters
    ----------
    update : Update

    Returns
    -------
    list of Line
        New frames in the order taken, the running totals behind the last of them, then earlier
        frames that are judged otherwise now.
    """
    graded = update.graded
    if graded is None:
        return []
    called = FrameNames([frame.name for frame in graded.frames])
    named = [*update.fresh, *(frame for frame, _ in update.changed[:MOST_CHANGED])]
    shown = {frame.name: printable(called.shortest(frame.name)) for frame in named}
    width = max((len(shown[frame.name]) for frame in update.fresh), default=0)
    lines = [frame_line(frame, shown[frame.name], width) for frame in update.fresh]
    lines += _changed(update.changed, shown)
    for names, what in ((update.again, "is being written again"), (update.gone, "is gone")):
        lines += [Line(f"{printable(name)} {what}", CHANGED) for name in names[:MOST_CHANGED]]
    if len(update.gone) > MOST_CHANGED:
        lines.append(Line(f"and {len(update.gone) - MOST_CHANGED} more are gone", CHANGED))
    if lines:
        last = Line(f"{lines[-1].text}   [{running_totals(graded)}]", lines[-1].about)
        lines[-1] = last
    return lines


def frame_line(frame: GradedFrame, name: str, width: int = 0) -> Line:
    """Time begun (UTC), name, verdict, star width, eccentricity, transparency, reason.

    Parameters
    ----------
    frame : GradedFrame
    name : str
        How it is called.
    width : int
        Characters of the longest name beside it.
    """
    start = (frame.facts.start_utc if frame.facts else None) or ""
    time = start[11:19] or NO_TIME
    verdict = frame.judgement.verdict
    parts = [f"{time}  {name:<{width}}  {VERDICTS[verdict]:<6}", *_numbers(frame), _reason(frame)]
    return Line("  ".join(part for part in parts if part), GOOD if verdict == "keep" else LOST)


def _numbers(frame: GradedFrame) -> list[str]:
    if frame.stars is None:
        return []
    scale = frame.facts.scale_arcsec if frame.facts else None
    width = figure(*on_sky(frame.stars.fwhm_px, scale))
    round_ = eccentricity_text(frame.stars.eccentricity, frame.stars.eccentricity_error)
    through = frame.compared.transparency if frame.compared else math.nan
    light = f"{through:.2f}" if math.isfinite(through) else "-"
    return [f"FWHM {_or_dash(width):<7}", f"ecc {_or_dash(round_):<5}", f"light {light:<4}"]


def _or_dash(text: str) -> str:
    return "-" if text == "unknown" else text


def _reason(frame: GradedFrame) -> str:
    judgement = frame.judgement
    if frame.stars is None:
        return judgement.explanation
    if not judgement.reasons:
        return ""
    words = ", ".join(REASONS[word].short for word in judgement.reasons[:2])
    return words if judgement.verdict != "keep" else f"({words})"


def _changed(changed: Sequence[tuple[GradedFrame, str]], shown: dict[str, str]) -> list[Line]:
    lines = []
    for frame, before in changed[:MOST_CHANGED]:
        now = frame.judgement.verdict
        why = f": {_reason(frame)}" if now != "keep" and _reason(frame) else ""
        lines.append(
            Line(
                f"beside the later subs {shown[frame.name]} is now {VERDICTS[now]}, "
                f"was {VERDICTS[before]}{why}",
                CHANGED,
            )
        )
    if len(changed) > MOST_CHANGED:
        kept = sum(frame.judgement.verdict == "keep" for frame, _ in changed[MOST_CHANGED:])
        rest = len(changed) - MOST_CHANGED
        lines.append(Line(f"and {rest} more, {kept} of them keep now", CHANGED))
    return lines


def running_totals(graded: Graded) -> str:
    """What is kept and lost so far, in a few words."""
    counts = totals(graded)
    chosen = sum(map(is_surplus, graded.frames))
    lost = counts["frames"] - counts["kept"] - chosen
    text = f"kept {counts['kept']}, {duration(counts['kept_s'])}; lost {lost}"
    if lost:
        text += f", {duration(counts['lost_s'] - counts['surplus_s'])}"
    return f"{text}; left out {chosen}" if chosen else text


def alarm_lines(facts: AlarmFacts) -> list[Line]:
    """An alarm: what was seen, and what to do."""
    lines = [Line(f"ALARM ({facts.condition}): {facts.sentence}", ALARM)]
    if facts.cure:
        lines.append(Line(f"  likely cure: {facts.cure}", ALARM))
    if facts.caution:
        lines.append(Line(f"  take care: {facts.caution}", ALARM))
    return lines
