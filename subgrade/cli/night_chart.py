"""The night in two rows of characters: how wide the stars were, and what was lost to what."""

from __future__ import annotations

import math
import string
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from subgrade.cli.terminal import HARD, Screen
from subgrade.results.model import Graded, GradedFrame
from subgrade.results.night_summary import group_scales

BLOCKS, DIGITS = "▁▂▃▄▅▆▇█", "12345678"
LEAST_SPAN, MOST_SPAN = 1.25, 1.6
"""Widest over narrowest that the eight levels span: a steady night is not blown up, and one
bloated frame does not flatten the others.  A choice."""
DAY_S = 86400.0


@dataclass(frozen=True, slots=True)
class NightChart:
    """``widths`` and ``losses`` have a character a frame or run of frames; ``key`` explains how
    to read them."""

    widths: str
    losses: str
    key: str


def letters_of(causes: Sequence[Mapping]) -> dict[str, str]:
    """A capital for each cause, in the order of the table; ``*`` when they run out."""
    capitals = [*string.ascii_uppercase, *"*" * len(causes)]
    return {row["reason"]: capitals[k] for k, row in enumerate(causes)}


def night_chart(
    graded: Graded, letters: Mapping[str, str], screen: Screen, width: int
) -> NightChart | None:
    """Draw the frames in the order taken.

    Parameters
    ----------
    graded : Graded
    letters : mapping
        Reason word to the letter that stands for it.
    screen : Screen
    width : int
        Most characters.

    Returns
    -------
    NightChart or None
        None without frames.
    """
    frames = graded.frames
    if not frames:
        return None
    each = math.ceil(len(frames) / max(width, 1))
    runs = [frames[k : k + each] for k in range(0, len(frames), each)]
    levels, kept = (BLOCKS, "·") if screen.can_show(BLOCKS + "·") else (DIGITS, ".")
    scale = group_scales(graded)[0] if len(graded.groups) == 1 else None
    sizes = [_middle([_width(graded, frame, scale) for frame in run]) for run in runs]
    marks = _marks(sizes, levels)
    losses = [_loss(run, letters, kept) for run in runs]
    key = [when] if (when := _when(frames)) else []
    if drawn := _drawn(sizes, marks, levels):
        if len(graded.groups) == 1:
            key.append(f"star width (FWHM) {drawn}{'″' if scale else ' px'}")
        else:
            key.append(f"FWHM over the typical of its group {drawn}")
    if each > 1:
        key.append(f"{each} frames a character, capital where half or more are lost")
    return NightChart("".join(marks), "".join(losses), "; ".join(key))


def _middle(values: Sequence[float]) -> float:
    """The middle one of the known values, itself one of them."""
    known = sorted(v for v in values if math.isfinite(v))
    return known[len(known) // 2] if known else math.nan


def _marks(sizes: Sequence[float], levels: str) -> list[str]:
    """A level for each width, evenly spaced from the narrowest; a blank for an unknown one."""
    low = min((s for s in sizes if math.isfinite(s)), default=math.nan)
    widest = max((s for s in sizes if math.isfinite(s)), default=math.nan)
    high = min(max(widest, LEAST_SPAN * low), MOST_SPAN * low)
    return [_level(s, low, high, levels) if math.isfinite(s) else " " for s in sizes]


def _drawn(sizes: Sequence[float], marks: Sequence[str], levels: str) -> str:
    """What the lowest and the highest mark stand for, in widths of this night."""
    by_mark: dict[str, list[float]] = {}
    for size, mark in zip(sizes, marks, strict=True):
        if mark != " ":
            by_mark.setdefault(mark, []).append(size)
    if not by_mark:
        return ""
    order = sorted(by_mark, key=levels.index)
    bottom, top = order[0], order[-1]
    least, first, last = min(by_mark[bottom]), min(by_mark[top]), max(by_mark[top])
    equals = HARD if levels == BLOCKS else "="  # digits beside digits
    text = f"{bottom}{equals}{least:.2f}"
    if last > MOST_SPAN * least:  # beyond the scale the top mark holds more than a step
        return f"{text}, {top}{equals}{first:.2f}" + (f" to {last:.2f}" if first < last else "")
    if bottom == top:
        text = f"{least:.2f}"
        return text if f"{last:.2f}" == text else f"{text} to {last:.2f}"
    return f"{text} to {top}{equals}{last:.2f}"


def _width(graded: Graded, frame: GradedFrame, scale: float | None) -> float:
    """FWHM, arcsec or else px; over the group's typical one where there are several groups."""
    group = frame.compared.group if frame.compared is not None else -1
    if frame.stars is None or group < 0:
        return math.nan
    if len(graded.groups) == 1:
        return frame.stars.fwhm_px * (scale or 1.0)
    usual = graded.groups[group].usual.get("fwhm_px")
    return frame.stars.fwhm_px / usual.centre if usual and usual.centre > 0 else math.nan


def _level(size: float, low: float, high: float, levels: str) -> str:
    step = (size - low) / (high - low) * len(levels)
    return levels[min(max(int(step), 0), len(levels) - 1)]


def _loss(run: Sequence[GradedFrame], letters: Mapping[str, str], kept: str) -> str:
    lost = Counter(f.judgement.reasons[0] for f in run if f.judgement.verdict != "keep")
    if not lost:
        return kept
    letter = letters.get(lost.most_common(1)[0][0], "*")
    return letter if 2 * lost.total() >= len(run) else letter.lower()


def _when(frames: Sequence[GradedFrame]) -> str:
    timed = [f.facts for f in frames if f.facts and f.facts.start_unix and f.facts.start_utc]
    if not timed:
        return ""
    first, last = timed[0], timed[-1]
    if last.start_unix - first.start_unix >= DAY_S:
        return f"{first.start_utc[:10]} to {last.start_utc[:10]}"
    times = dict.fromkeys(f.start_utc[11:16] for f in (first, last))
    return f"{' to '.join(times)} UTC"
