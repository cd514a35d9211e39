"""The one-screen summary of a graded night on stdout."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from subgrade.cli.nightline import letters_of, night_line
from subgrade.cli.screen import HARD, Screen, padded, screen_of
from subgrade.results.culled import culled_line
from subgrade.results.guiding import NOT_USED, clock_text, usable
from subgrade.results.model import Graded, GradedFrame
from subgrade.results.night_summary import stack_lines
from subgrade.results.session import causes_counted, remarks_of, totals
from subgrade.results.teaching import person_lines

MOST_PROBLEMS = 5
FEWEST_CAUSES = 3
MOST_GROUPS = 8
LABEL = 12
"""Columns of the words in front of a line."""
LISTED = ("rejects.txt", "summary.csv", "report.html")

Line = tuple[str, str]
"""Text and the style it is printed in."""


def console():
    """A console for stdout: plain when piped, without colour when NO_COLOR is set."""
    from rich.console import Console

    plain = Console()
    # Piped output keeps its long lines; a file has no width.
    return plain if plain.is_terminal else Console(width=max(plain.width, 100), no_color=True)


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
    from rich.console import Console
    from rich.text import Text

    screen = screen or screen_of()
    printer = Console(
        width=screen.width, force_terminal=screen.styled, highlight=False, soft_wrap=True,
        color_system="standard" if screen.styled else None,
    )  # fmt: skip
    for text, style in summary_lines(graded, out, screen):
        printer.print(Text(text.rstrip(), style))


def summary_lines(graded: Graded, out: str, screen: Screen) -> list[Line]:
    """The lines of the summary; the table of causes takes the lines that the rest leaves."""
    causes = causes_counted(graded)
    letters = letters_of(causes)
    top = _headline(graded, screen) + _culled(graded, out, screen) + _night(graded, letters, screen)
    below = _below(graded, out, screen)
    blank = [("", "")]
    if not causes:
        return top + blank + below
    room = len(causes)
    if screen.lines is not None:
        # the heading, two blank lines and the prompt that follows
        left = screen.lines - len(top) - len(below) - 4
        room = max(left, FEWEST_CAUSES)
    return top + blank + _causes(graded, causes, letters, screen, room) + blank + below


def duration(seconds: float) -> str:
    """Integration time as hours and minutes.

    >>> duration(5400), duration(240), duration(12)
    ('1 h 30 min', '4 min', '12 s')
    """
    if seconds < 60:
        return f"{seconds:.0f} s"
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def guiding_line(graded: Graded) -> str:
    """The guiding record: its clock, what it covers, how calm the night was."""
    night = graded.guiding
    if not usable(night):
        told = clock_text(night) or night.clock.how
        return f"not used, the record's clock is not settled ({told})"
    held = [f for f in graded.frames if f.compared is not None]
    covered = sum(f.guiding is not None and f.guiding.samples > 0 for f in held)
    calm = ", ".join(
        f"{axis} {value:.2f}″"
        for value, axis in ((night.calm_rms_ra, "RA"), (night.calm_rms_dec, "Dec"))
        if value == value
    )
    return f"clock {clock_text(night)}, covers {covered} of {len(held)} frames" + (
        f"; calm rms {calm}" if calm else ""
    )


def _headline(graded: Graded, screen: Screen) -> list[Line]:
    counts = totals(graded)
    text = (
        f"{counts['frames']} files: {counts['kept']} kept ({duration(counts['kept_s'])}), "
        f"{counts['rejected']} rejected ({duration(_rejected_s(graded))})"
        + (f", {counts['unreadable']} could not be graded" if counts["unreadable"] else "")
    )
    total = counts["kept_s"] + counts["lost_s"]
    if total > 0:
        text += f"; {counts['kept_s'] / total:.0%} of the time kept"
    return [(line, "bold") for line in screen.folded(text, 0)]


def _culled(graded: Graded, out: str, screen: Screen) -> list[Line]:
    """The frames that a cull took away before this grade, and how to have them back."""
    told = culled_line(graded)
    if told is None:
        return []
    text = f"{told}; {_command('restore', out)} brings them back"
    return [(line, "") for line in screen.folded(text, LABEL, "Left out")]


def _night(graded: Graded, letters: dict[str, str], screen: Screen) -> list[Line]:
    line = night_line(graded, letters, screen, screen.width - LABEL)
    if line is None:
        return []
    return [
        (f"{'Night':<{LABEL}}{line.widths}", "green"),
        (f"{'Lost':<{LABEL}}{line.losses}", "red"),
        *((text, "dim") for text in screen.folded(line.key, LABEL)),
    ]


def _causes(
    graded: Graded, causes: list[dict], letters: dict[str, str], screen: Screen, room: int
) -> list[Line]:
    """A row a cause, the costliest first; those without room in a line of their own."""
    counts = totals(graded)
    total_s, frames = counts["kept_s"] + counts["lost_s"], counts["frames"]
    rows = [
        (
            letters[row["reason"]], row["reason"], row["text"], str(row["frames"]),
            duration(row["lost_s"]),
            f"{row['lost_s'] / total_s if total_s > 0 else row['frames'] / frames:.0%}",
        )
        for row in causes
    ]  # fmt: skip
    shown, rest = _fitted(rows, room, screen)
    titles = ("", "lost to", "", "frames", "time", "share")
    table = [titles, *rows[:shown]]
    wide = [max(len(row[k]) for row in table) for k in range(len(titles))]
    if screen.folds:
        wide[2] = min(wide[2], screen.width - sum(wide) + wide[2] - 2 * (len(wide) - 1))
    lines = []
    for row in table:
        cells = [
            padded(screen.shortened(cell, wide[k]), wide[k], right=k > 2)
            for k, cell in enumerate(row)
        ]
        lines.append(("  ".join(cells), "" if lines else "bold"))
    return lines + [(line, "dim") for line in rest]


def _fitted(rows: list[tuple], room: int, screen: Screen) -> tuple[int, list[str]]:
    """How many rows have room, and the lines that hold the others."""
    shown = len(rows)
    while True:
        more = ", ".join(HARD.join((row[0], row[1], row[3])) for row in rows[shown:])
        rest = screen.folded(f"and {more}", 3) if more else []
        if shown + len(rest) <= room or shown <= FEWEST_CAUSES:
            return shown, rest
        shown -= 1


def _below(graded: Graded, out: str, screen: Screen) -> list[Line]:
    """Everything below the table, a labelled line each."""
    parts = [("Group", text) for text in _groups(graded, screen)]
    parts += _best_and_worst(graded, screen)
    if graded.guiding is not None:
        parts.append(("Guiding", guiding_line(graded)))
    parts += [("Guiding", text) for text in _unread_records(graded, screen)]
    parts += [("Stack", text) for text in stack_lines(graded)]
    parts += [("Remark", text) for text in (*_kept_remarks(graded), *remarks_of(graded))]
    parts += [("Your marks", text) for text in person_lines(graded)]
    parts += [("Not graded", text) for text in _problems(graded, screen)]
    parts += _advice(graded)
    parts += _where(graded, out)
    lines, before = [], ""
    for label, text in parts:
        folded = screen.folded(text, LABEL, "" if label == before else label)
        lines += [(line, "bold" if label == "Advice" else "") for line in folded]
        before = label
    return lines


def _rejected_s(graded: Graded) -> float:
    return sum(
        (f.facts.exposure_s or 0.0)
        for f in graded.frames
        if f.facts is not None and f.judgement.verdict == "reject"
    )


def _table(*columns: tuple[str, str]):
    from rich import box
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False)
    for title, justify in columns:
        table.add_column(title, justify=justify)
    return table


def _groups(graded: Graded, screen: Screen) -> list[str]:
    told = []
    for k, group in enumerate(graded.groups):
        members = [f for f in graded.frames if f.compared and f.compared.group == k]
        kept = sum(f.judgement.verdict == "keep" for f in members)
        scale = next((f.facts.scale_arcsec for f in members if f.facts.scale_arcsec), None)
        fwhm, oval = group.usual.get("fwhm_px"), group.usual.get("eccentricity")
        label = screen.shortened(group.label, max(screen.width - LABEL - 48, 12))
        text = f"{label}: {kept} of {len(members)} kept"
        if fwhm and fwhm.centre == fwhm.centre:
            arcsec = f" = {fwhm.centre * scale:.2f}″" if scale else ""
            text += f", FWHM {fwhm.centre:.2f} px{arcsec}"
        if oval and oval.centre == oval.centre:
            text += f", ecc. {oval.centre:.2f}"
        told.append(text)
    if screen.folds and len(told) > MOST_GROUPS:
        told = [
            *told[: MOST_GROUPS - 1],
            f"and {len(told) - MOST_GROUPS + 1} more, in session.json",
        ]
    return told


def _best_and_worst(graded: Graded, screen: Screen) -> list[Line]:
    """The kept frames of most and of least weight, of equal ones the sharper first."""
    kept = [f for f in graded.frames if f.judgement.verdict == "keep" and f.stars is not None]
    if len(kept) < 2:
        return []
    kept.sort(key=lambda f: (-f.judgement.weight, f.stars.fwhm_px))
    return [
        ("Best", _numbers(kept[0], screen)),
        ("Worst kept", _numbers(kept[-1], screen)),
    ]


def _numbers(frame: GradedFrame, screen: Screen) -> str:
    name = screen.shortened(frame.name, max(screen.width - LABEL - 39, 12))
    stars = frame.stars
    told = [f"FWHM {stars.fwhm_px:.2f} px"] if stars.fwhm_px == stars.fwhm_px else []
    if stars.eccentricity == stars.eccentricity:
        told.append(f"ecc. {stars.eccentricity:.2f}")
    return f"{name}: {', '.join([*told, f'weight {frame.judgement.weight:.2f}'])}"


def _kept_remarks(graded: Graded) -> list[str]:
    count = Counter(
        reason
        for f in graded.frames
        if f.judgement.verdict == "keep"
        for reason in f.judgement.reasons
    )
    told = ", ".join(f"{word} {frames}" for word, frames in count.most_common())
    return [f"on kept frames: {told}"] if told else []


def _unread_records(graded: Graded, screen: Screen) -> list[str]:
    """The records that could not be understood, each with its cause."""
    return [
        f"record not used: {screen.shortened(name, screen.width - LABEL - 20)}: "
        f"{cause.removeprefix(NOT_USED)}"
        for name, cause in graded.problems
        if cause.startswith(NOT_USED)
    ]


def _problems(graded: Graded, screen: Screen) -> list[str]:
    problems = [p for p in graded.problems if not p[1].startswith(NOT_USED)]
    told = [
        f"{screen.shortened(name, screen.width - LABEL - 20)}: {cause}"
        for name, cause in problems[:MOST_PROBLEMS]
    ]
    if len(problems) > MOST_PROBLEMS:
        told.append(f"and {len(problems) - MOST_PROBLEMS} more, in summary.csv")
    return told


def _advice(graded: Graded) -> list[Line]:
    """What would have saved most, with the first sentence of its caution."""
    advice = graded.diagnosis.advice if graded.diagnosis is not None else ()
    if not advice:
        return []
    first = advice[0]
    saves = f" (up to {duration(first.saves_s)})" if first.saves_s else ""
    parts = [("Advice", f"{first.action}{saves}")]
    if first.caution:
        parts.append(("Caution", first.caution.split(". ")[0].rstrip(".") + "."))
    return parts


def _where(graded: Graded, out: str) -> list[Line]:
    """Where the files are and what to type next."""
    if graded.settings.get("dry_run"):
        return [
            ("Files", "none: a dry run writes nothing, no measurements either"),
            ("Next", "the same command without --dry-run; the rejects would be:"),
        ]
    folder = Path(out).absolute()
    files = [name for name in LISTED if (folder / name).is_file()]
    if not graded.settings.get("report", True):
        files = [name for name in files if name != "report.html"]  # of an earlier run
    parts = [("Files", f"{folder}: {', '.join(files)}" if files else f"{folder}")]
    doubtful = _least_sure(graded.frames)
    cull = f"; {_command('cull', out, '--to', 'DIR')}" if doubtful is not None else ""
    parts.append(("Next", f"{_command('diagnose', out)}{cull}"))
    if doubtful is not None:
        asked = _command("explain", out, doubtful.name)
        sure = f"(least sure reject, {doubtful.judgement.confidence:.2f})"
        parts.append(("Next", f"{asked}  {sure.replace(' ', HARD)}"))
    return parts


def _least_sure(frames: Sequence[GradedFrame]) -> GradedFrame | None:
    rejects = [f for f in frames if f.judgement.verdict == "reject"]
    return min(rejects, key=lambda f: f.judgement.confidence, default=None)


def _command(*words: str) -> str:
    """A call as a shell takes it, not to be folded."""
    import shlex

    return shlex.join(["subgrade", *words]).replace(" ", HARD)
