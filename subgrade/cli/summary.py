"""The one-screen summary of a graded night on stdout."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from subgrade.cli.night_chart import letters_of, night_chart
from subgrade.cli.terminal import HARD, Screen, screen_of
from subgrade.diagnosis.wording import duration
from subgrade.figures import eccentricity_text
from subgrade.judging.model import DOUBTFUL
from subgrade.lights import FrameNames
from subgrade.results.command_line import quoted
from subgrade.results.guiding_record import ambiguous, clock_sentence, clock_text, night_rms, usable
from subgrade.results.model import Graded, GradedFrame
from subgrade.results.night_summary import group_scales, stack_lines, width_text
from subgrade.results.run_notes import culled_line, problems_parted
from subgrade.results.session import causes_counted, remarks_of, totals
from subgrade.results.teaching import person_lines

if TYPE_CHECKING:
    from rich.text import Text

FEWEST_CAUSES = 3
LABEL = 12
"""Columns of the words in front of a line."""
MOST_PROBLEMS = 5
MOST_GROUPS, MOST_STACKS = 8, 3
"""Lines on a screen, that which names the rest included."""
LISTED = ("report.html", "summary.csv", "keeps.txt", "rejects.txt")

Part = tuple[str, str]
"""A label and what stands behind it."""


def print_summary(graded: Graded, out: str, screen: Screen | None = None) -> None:
    """Print what was kept and lost, to what and when, and what to do next.

    Parameters
    ----------
    graded : Graded
    out : str
        The results folder as the user named it.
    screen : Screen, optional
        In place of what stdout can show.
    """
    screen = screen or screen_of()
    screen.show(summary_lines(graded, out, screen))


def summary_lines(graded: Graded, out: str, screen: Screen) -> list[Text]:
    """The lines of the summary; the table of causes takes the lines that the rest leaves."""
    causes = causes_counted(graded)
    letters = letters_of(causes)
    top = screen.folded(_headline(graded), style="bold")
    top += _culled(graded, out, screen) + _night(graded, letters, screen)
    below = _below(graded, out, screen)
    blank = screen.folded("")
    if not causes:
        return top + blank + below
    room = math.inf
    if screen.lines is not None:
        # two blank lines and the prompt that follows
        room = screen.lines - _height(top + below, screen) - 3
        if room <= min(len(causes), FEWEST_CAUSES + 1):
            blank, room = [], room + 2
    return top + blank + _causes(graded, causes, letters, screen, room) + blank + below


def _height(lines: list[Text], screen: Screen) -> int:
    """Lines of the terminal, a path that was left whole counted as the terminal breaks it."""
    return sum(max(1, math.ceil(line.cell_len / screen.width)) for line in lines)


def _headline(graded: Graded) -> str:
    counts = totals(graded)
    count, kept = counts["frames"], counts["kept"]
    text = f"{count} {'file' if count == 1 else 'files'}: "
    if kept == count:
        return f"{text}{'all ' if kept > 1 else ''}kept{_time(counts['kept_s'])}"
    text += (
        f"{kept} kept{_time(counts['kept_s'])}, "
        f"{counts['rejected']} rejected{_time(_rejected_s(graded))}"
        + (f", {counts['surplus']} of them by your choice" if counts["surplus"] else "")
        + (f", {counts['unreadable']} could not be graded" if counts["unreadable"] else "")
    )
    total = counts["kept_s"] + counts["lost_s"]
    return f"{text}; {counts['kept_s'] / total:.0%} of the time kept" if total > 0 else text


def _rejected_s(graded: Graded) -> float:
    return sum(
        (f.facts.exposure_s or 0.0)
        for f in graded.frames
        if f.facts is not None and f.judgement.verdict == "reject"
    )


def _time(seconds: float) -> str:
    return f" ({duration(seconds)})" if seconds > 0 else ""


def _culled(graded: Graded, out: str, screen: Screen) -> list[Text]:
    """The frames that a cull took away before this grade, and how to have them back."""
    line = culled_line(graded)
    if line is None:
        return []
    text = f"{line}; {command('restore', out)} brings them back"
    return screen.folded(text, LABEL, "Left out")


def _night(graded: Graded, letters: dict[str, str], screen: Screen) -> list[Text]:
    from rich.text import Text

    chart = night_chart(graded, letters, screen, screen.width - LABEL)
    if chart is None:
        return []
    rows = [("Night", chart.widths, "green"), ("Lost", chart.losses if letters else "", "red")]
    lines = [Text(f"{label:<{LABEL}}{row}".rstrip(), style) for label, row, style in rows if row]
    return lines + screen.folded(chart.key, LABEL, style="dim")


def _causes(
    graded: Graded, causes: list[dict], letters: dict[str, str], screen: Screen, room: float
) -> list[Text]:
    """The causes, the costliest first; those without room in a paragraph of their own.

    Without exposure times the share is of the frames, and no time is shown.
    """
    from rich.table import Column

    counts = totals(graded)
    total_s, frames = counts["kept_s"] + counts["lost_s"], counts["frames"]
    columns = [Column(no_wrap=True), Column("lost to", no_wrap=True), Column()]
    titles = ("frames", "time", "share") if total_s else ("frames", "share")
    columns += [Column(title, justify="right", no_wrap=True) for title in titles]
    rows = []
    for row in causes:
        share = row["lost_s"] / total_s if total_s > 0 else row["frames"] / frames
        time = [duration(row["lost_s"]) if row["lost_s"] else ""] if total_s else []
        words = (letters[row["reason"]], row["reason"], row["text"], str(row["frames"]))
        rows.append((*words, *time, f"{share:.0%}"))
    for shown in range(len(rows), 0, -1):
        lines = screen.table(columns, rows[:shown])
        if shown < len(rows):
            more = ", ".join(HARD.join((row[0], row[1], row[3])) for row in rows[shown:])
            lines += screen.folded(f"and {more}", 3, style="dim")
        if len(lines) <= room or shown <= FEWEST_CAUSES:
            break
    return lines


def _below(graded: Graded, out: str, screen: Screen) -> list[Text]:
    """Typical values, best and worst frames, record, stack, remarks, advice, files, next steps."""
    lines = _groups(graded, screen) + _best_and_worst(graded, screen)
    before = ""
    for label, text in _particulars(graded, out, screen):
        style = "bold" if label == "Advice" else ""
        lines += screen.folded(text, LABEL, "" if label == before else label, style)
        before = label
    return lines


def _particulars(graded: Graded, out: str, screen: Screen) -> list[Part]:
    """Each line below the tables with its label."""
    problems = problems_parted(graded.problems)
    parts = [("Guiding", guiding_line(graded))] if graded.guiding is not None else []
    parts += [("Guiding", f"record not used: {name}: {cause}") for name, cause in problems.records]
    parts += [("Stack", text) for text in _at_most(stack_lines(graded), MOST_STACKS, screen)]
    parts += [("Remark", text) for text in (*_kept_remarks(graded), *_night_remarks(graded))]
    parts += [("Your marks", text) for text in person_lines(graded)]
    left = problems.frames[:MOST_PROBLEMS]
    parts += [("Not graded", f"{name}: {cause}") for name, cause in left]
    if more := len(problems.frames) - len(left):
        parts.append(("Not graded", f"and {more} more, in summary.csv"))
    parts += [("Missing", f"{name}: {cause}") for name, cause in problems.parts]
    return parts + _advice(graded) + _where(graded, out)


def command(*words: str) -> str:
    """A call as a shell takes it, not to be folded."""
    return quoted(["subgrade", *words]).replace(" ", HARD)


def guiding_line(graded: Graded) -> str:
    """The night's guiding RMS, what the record covers, and its clock."""
    night = graded.guiding
    if not usable(night):
        candidates = clock_text(night)
        if not candidates:
            return f"record not used: {night.clock.how}"
        return f"record not used, {ambiguous(night)}"
    held = [f for f in graded.frames if f.compared is not None]
    covered = sum(f.guiding is not None and f.guiding.samples > 0 for f in held)
    names = ("x", "y") if night.record.axes == "xy" else ("RA", "Dec")
    rms = ", ".join(
        f"{axis} {value:.2f}″"
        for axis, value in zip(names, night_rms(graded), strict=True)
        if value == value
    )
    of = f"all {len(held)}" if covered == len(held) > 1 else f"{covered} of {len(held)}"
    parts = [f"RMS {rms}, median of the kept frames"] if rms else []
    frames = "frame" if len(held) == 1 else "frames"
    parts.append(f"the record covers {of} {frames}, {clock_sentence(night)}")
    return "; ".join(parts)


def _groups(graded: Graded, screen: Screen) -> list[Text]:
    """A line a group, in columns where there are several."""
    rows = [_group(graded, k) for k in range(len(graded.groups))]
    if len(rows) == 1:
        name, counted, width, pixels, shape = rows[0]
        numbers = ", ".join(filter(None, (counted, f"{width} {pixels}".strip(), shape)))
        text = f"{name}: {numbers}" if numbers else name
        return screen.folded(text, LABEL, "Group")
    most = MOST_GROUPS - 1 if screen.folds and len(rows) > MOST_GROUPS else len(rows)
    for with_pixels in (True, False):  # the pixels give way where a line has no room for them
        cells = []
        for name, counted, width, pixels, shape in rows[:most]:
            width += f" {pixels}" if pixels and with_pixels else ""
            numbers = [f"{counted}," if width else counted, f"{width}," if shape else width, shape]
            label = "" if cells else "Group"
            cells.append((label, f"{name}:" if any(numbers) else name, *numbers))
        lines = _in_columns(cells, "right", screen)
        if len(lines) == most:
            break
    if most < len(rows):
        lines += screen.folded(f"and {len(rows) - most} more, in session.json", LABEL)
    return lines


def _group(graded: Graded, index: int) -> tuple[str, str, str, str, str]:
    """Name, frames kept, typical width, the same in px, typical eccentricity."""
    group = graded.groups[index]
    members = [f for f in graded.frames if f.compared and f.compared.group == index]
    kept = sum(f.judgement.verdict == "keep" for f in members)
    scale = group_scales(graded)[index]
    # the headline has counted all frames already
    counted = f"{kept} of {len(members)} kept" if len(members) < len(graded.frames) else ""
    fwhm, oval = group.usual.get("fwhm_px"), group.usual.get("eccentricity")
    width = pixels = shape = ""
    if fwhm and fwhm.centre == fwhm.centre:
        width = f"{'typical ' if len(members) > 1 else ''}FWHM {width_text(fwhm.centre, scale)}"
        pixels = f"({fwhm.centre:.2f} px)" if scale else ""
    if oval and oval.centre == oval.centre:
        shape = f"ecc. {oval.centre:.2f}"
    return group.label, counted, width, pixels, shape


def _best_and_worst(graded: Graded, screen: Screen) -> list[Text]:
    """The kept frames of most and of least weight, of equal ones the sharper first."""
    kept = [f for f in graded.frames if f.judgement.verdict == "keep" and f.stars is not None]
    if len(kept) < 2:
        return []
    kept.sort(key=lambda f: (-f.judgement.weight, f.stars.fwhm_px))
    pairs = (("Best", kept[0]), ("Worst kept", kept[-1]))
    scales = group_scales(graded)
    cells = [(label, f"{frame.name}:", _numbers(frame, scales)) for label, frame in pairs]
    return _in_columns(cells, "left", screen)


def _in_columns(rows: list[tuple[str, ...]], justify: str, screen: Screen) -> list[Text]:
    """Rows of a label, a name that is folded, and numbers."""
    from rich.table import Column

    numbers = [Column(justify=justify) for _ in rows[:1] for _ in rows[0][2:]]
    columns = [Column(min_width=LABEL - 1, no_wrap=True), Column(), *numbers]
    return screen.table(columns, rows, gap=1)


def _at_most(lines: list[str], most: int, screen: Screen) -> list[str]:
    """The lines, or the first of them and how many more there are, where there is a screen."""
    if not screen.folds or len(lines) <= most:
        return lines
    return [*lines[: most - 1], f"and {len(lines) - most + 1} more, in session.json"]


def _numbers(frame: GradedFrame, scales: Sequence[float | None]) -> str:
    stars, group = frame.stars, frame.compared.group if frame.compared is not None else -1
    scale = scales[group] if group >= 0 else None
    parts = [f"FWHM {width_text(stars.fwhm_px, scale)}"] if stars.fwhm_px == stars.fwhm_px else []
    if stars.eccentricity == stars.eccentricity:
        parts.append(f"ecc. {eccentricity_text(stars.eccentricity, stars.eccentricity_error)}")
    parts.append(f"weight {frame.judgement.weight:.2f}")
    return ", ".join(part.replace(" ", HARD) for part in parts)


def _kept_remarks(graded: Graded) -> list[str]:
    count = Counter(
        reason
        for f in graded.frames
        if f.judgement.verdict == "keep"
        for reason in f.judgement.reasons
    )
    counted = ", ".join(f"{word} {frames}" for word, frames in count.most_common())
    return [f"on kept frames: {counted}"] if counted else []


def _night_remarks(graded: Graded) -> list[str]:
    """Remarks on the whole night; the only group need not be named again."""
    only = f"{graded.groups[0].label}: " if len(graded.groups) == 1 else ""
    return [text.removeprefix(only) for text in remarks_of(graded)]


def _advice(graded: Graded) -> list[Part]:
    """What would have saved most, with the first sentence of its caution."""
    advice = graded.diagnosis.advice if graded.diagnosis is not None else ()
    if not advice:
        return []
    first = advice[0]
    saves = f" ({first.saves})" if first.saves else ""
    parts = [("Advice", f"{first.action}{saves}")]
    if first.caution:
        parts.append(("Caution", first.caution.split(". ")[0].rstrip(".") + "."))
    return parts


def _where(graded: Graded, out: str) -> list[Part]:
    """Where the files are and what to type next."""
    if graded.settings.get("dry_run"):
        return [
            ("Files", "none: a dry run writes nothing, measurements included"),
            ("Next", "the same command without --dry-run; the rejects would be:"),
        ]
    folder = Path(out).absolute()
    files = [name for name in LISTED if (folder / name).is_file()]
    if not graded.settings.get("report", True):
        files = [name for name in files if name != "report.html"]  # of an earlier run
    parts = [("Files", f"{folder}: {', '.join(files)}" if files else f"{folder}")]
    parts.append(("Next", command("diagnose", out)))
    doubtful = _lowest_confidence(graded.frames)
    if doubtful is not None and doubtful.name.isprintable():  # else it cannot be typed
        asked = command("explain", out, _short_name(graded, doubtful))
        confidence = doubtful.judgement.confidence
        why = f"  (lowest-confidence reject, {confidence:.2f})" if confidence < DOUBTFUL else ""
        parts.append(("Next", f"{asked}{why[:2]}{why[2:].replace(' ', HARD)}"))
    if doubtful is not None:
        parts.append(("Next", command("cull", out, "--to", "DIR")))
    return parts


def _lowest_confidence(frames: Sequence[GradedFrame]) -> GradedFrame | None:
    rejects = [f for f in frames if f.judgement.verdict == "reject"]
    return min(
        rejects, key=lambda f: (not f.name.isprintable(), f.judgement.confidence), default=None
    )


def _short_name(graded: Graded, frame: GradedFrame) -> str:
    """As little of a frame's name as `explain` takes for it alone."""
    names = dict.fromkeys(f.name for f in (*graded.frames, *graded.culled))
    return FrameNames(names).shortest(frame.name)
