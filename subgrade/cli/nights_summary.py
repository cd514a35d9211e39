"""The one-screen summary of several nights on stdout."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from subgrade.cli.summary import LABEL, Part, command
from subgrade.cli.terminal import HARD, Screen, screen_of
from subgrade.diagnosis.wording import duration
from subgrade.figures import counted
from subgrade.season.model import AdviceFollowed, HoursRow, Season, SeasonStack
from subgrade.season.names import stack_name

if TYPE_CHECKING:
    from rich.text import Text

MOST_STACKS, MOST_POOREST, MOST_CHANGES, MOST_ADVICE = 8, 2, 3, 2
"""Lines of a kind on a screen."""
POLE, OF_THE_POLE = "polar_error", ("polar_altitude", "polar_azimuth")
OF_THE_SKY = ("seeing", "sky", "clear_level")
"""Keys of histories."""
FILES = ("nights.html", "nights.csv", "weights.csv", "nights.json")


def print_nights(season: Season, out: str, screen: Screen | None = None) -> None:
    """Print the hours, what the stacks give, what changed and what it cost.

    Parameters
    ----------
    season : Season
    out : str
        Folder of its files as the user named it.
    screen : Screen, optional
        In place of what stdout can show.
    """
    screen = screen or screen_of()
    screen.show(nights_lines(season, out, screen))


def nights_lines(season: Season, out: str, screen: Screen) -> list[Text]:
    """The lines of the summary."""
    blank = screen.folded("")
    lines = screen.folded(_headline(season), style="bold") + blank
    if season.stacks:
        lines += hours_table(season, screen) + blank
    before = ""
    for label, text in _particulars(season, out):
        style = "bold" if label == "Poorest" else ""
        text = text.replace(" ±", f"{HARD}±").replace("± ", f"±{HARD}")
        lines += screen.folded(text, LABEL, "" if label == before else label, style)
        before = label
    return lines


def _headline(season: Season) -> str:
    kept, lost = (sum(getattr(s, name) for s in season.stacks) for name in ("kept_s", "lost_s"))
    dates = [n.label[:10] for n in season.nights if n.start_unix == n.start_unix]
    span = f", {dates[0]}" if dates else ""
    span += f" to {dates[-1]}" if len(set(dates)) > 1 else ""
    text = f"{counted(season.evenings, 'night')}{span}: {duration(kept)} kept"
    if lost > 0:
        text += f", {duration(lost)} lost; {kept / (kept + lost):.0%} of the time kept"
    return text


def hours_table(season: Season, screen: Screen) -> list[Text]:
    """A line a stack, most kept time first: hours, and what its stack gives."""
    from rich.table import Column

    columns = [Column("target"), Column("filter")]
    titles = ("exposure", "nights", "kept", "lost", "FWHM", "S/N")
    columns += [Column(title, justify="right", no_wrap=True) for title in titles]
    most = MOST_STACKS - 1 if screen.folds and len(season.stacks) > MOST_STACKS else None
    shown = season.stacks[:most]
    lines = screen.table(columns, [_stack_cells(stack) for stack in shown])
    if more := len(season.stacks) - len(shown):
        lines += screen.folded(f"and {more} more, in nights.html and nights.json", style="dim")
    if any(stack.snr == stack.snr for stack in shown):
        key = "FWHM and S/N are those of the weighted stack; S/N against its best frame"
        lines += screen.folded(key, style="dim")
    return lines


def _stack_cells(stack: SeasonStack) -> tuple[str, ...]:
    return (
        stack.target or "no target",
        stack.filter or "",
        _exposures(stack.rows),
        str(len({row.night for row in stack.rows if row.kept})),
        _time(stack.kept_s),
        _time(stack.lost_s),
        f"{stack.fwhm:.2f}{'″' if stack.unit == '″' else ' ' + stack.unit}".replace(" ", HARD)
        if math.isfinite(stack.fwhm)
        else "",
        f"×{stack.snr:.1f}" if math.isfinite(stack.snr) else "",
    )


def _time(seconds: float) -> str:
    return duration(seconds).replace(" ", HARD) if seconds > 0 else "-"


def _exposures(rows: tuple[HoursRow, ...]) -> str:
    """The exposure times in seconds, shortest first; of many the ends."""
    times = sorted({row.exposure_s for row in rows if row.exposure_s})
    if not times:
        return ""
    if len(times) > 2:
        return f"{times[0]:g} to {times[-1]:g} s".replace(" ", HARD)
    return f"{', '.join(f'{t:g}' for t in times)} s".replace(" ", HARD)


def _particulars(season: Season, out: str) -> list[Part]:
    """Each line below the table with its label."""
    parts = [("Poorest", text) for text in _at_most(_poorest(season), MOST_POOREST)]
    parts += [("Changed", text) for text in _at_most(_changes(season), MOST_CHANGES)]
    parts += _costliest(season)
    followed = [a for a in season.advice if a.followed == "yes"]
    open_still = [a for a in season.advice if a.followed == "no"]
    advice = [_advised(season, a) for a in (*followed, *open_still)]
    parts += [("Advice", text) for text in _at_most(advice, MOST_ADVICE)]
    folder = Path(out).absolute()
    files = [name for name in FILES if (folder / name).is_file()]
    parts.append(("Files", f"{folder}: {', '.join(files)}" if files else f"{folder}"))
    return parts + _next(season)


def _poorest(season: Season) -> list[str]:
    """A sentence for each stack that has a night which harms it; one where none has."""
    named = [s for s in season.stacks if s.poorest >= 0]
    if not named:
        tied = [s for s in season.stacks if sum(p.depth > 0 for p in s.parts) > 1]
        return ["no night: no plain mean is better without one"] if tied else []
    return [f"{stack_name(stack.target, stack.filter)}: {stack.verdict}" for stack in named]


def _changes(season: Season) -> list[str]:
    """What changed of the equipment, the polar axis once; of the sky where nothing else did."""
    changed = [h for h in season.histories if h.changes]
    if any(h.key == POLE for h in changed):
        changed = [h for h in changed if h.key not in OF_THE_POLE]
    changed = [h for h in changed if h.key not in OF_THE_SKY] or changed
    return list(dict.fromkeys(change.sentence for h in changed for change in h.changes))


def _costliest(season: Season) -> list[Part]:
    if not season.losses or not season.losses[0].lost_s > 0:
        return []
    first = season.losses[0]
    nights = counted(len(first.by_night), "night")
    text = f"{first.text}: {duration(first.lost_s)} on {nights}, {first.share:.0%} of the time"
    return [("Costliest", text)]


def _advised(season: Season, advice: AdviceFollowed) -> str:
    """What became of a line of advice, in one sentence."""
    if advice.sentence.casefold().startswith(advice.topic.casefold()):
        return advice.sentence
    if advice.sentence:
        return f"{advice.action}: {advice.sentence[:1].lower()}{advice.sentence[1:]}"
    since = f" since {season.nights[advice.since].label}" if advice.since >= 0 else ""
    return f"{advice.action}: {'not ' if advice.followed == 'no' else ''}followed{since}"


def _at_most(lines: list[str], most: int) -> list[str]:
    if len(lines) <= most:
        return lines
    return [*lines[:most], f"and {len(lines) - most} more, in nights.html"]


def _next(season: Season) -> list[Part]:
    """The night that lost most, which is worth a look."""
    lost: dict[int, float] = {}
    for loss in season.losses:
        for night, _, seconds in loss.by_night:
            lost[night] = lost.get(night, 0.0) + seconds
    if not lost:
        return []
    worst = max(lost, key=lost.__getitem__)
    asked = command("diagnose", str(season.nights[worst].folder))
    why = f"  ({season.nights[worst].label} lost most, {duration(lost[worst])})"
    return [("Next", f"{asked}{why[:2]}{why[2:].replace(' ', HARD)}")]
