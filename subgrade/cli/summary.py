"""The one-screen summary of a graded night on stdout."""

from __future__ import annotations

from subgrade.cli.nightline import letters_of, night_line
from subgrade.cli.particulars import LABEL, command, particulars
from subgrade.cli.screen import HARD, Screen, padded, printer, screen_of
from subgrade.diagnosis.wording import duration
from subgrade.results.model import Graded
from subgrade.results.run_notes import culled_line
from subgrade.results.session import causes_counted, totals

FEWEST_CAUSES = 3

Line = tuple[str, str]
"""Text and the style it is printed in."""


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
    say = printer(screen)
    for text, style in summary_lines(graded, out, screen):
        say(text, style)


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
        if left < min(len(causes), FEWEST_CAUSES + 1):
            blank, left = [], left + 2
        room = max(left, FEWEST_CAUSES)
    return top + blank + _causes(graded, causes, letters, screen, room) + blank + below


def _headline(graded: Graded, screen: Screen) -> list[Line]:
    counts = totals(graded)
    count, kept = counts["frames"], counts["kept"]
    text = f"{count} {'file' if count == 1 else 'files'}: "
    if kept == count:
        text += f"{'all ' if kept > 1 else ''}kept{_time(counts['kept_s'])}"
        return [(line, "bold") for line in screen.folded(text, 0)]
    text += (
        f"{kept} kept{_time(counts['kept_s'])}, "
        f"{counts['rejected']} rejected{_time(_rejected_s(graded))}"
        + (f", {counts['unreadable']} could not be graded" if counts["unreadable"] else "")
    )
    total = counts["kept_s"] + counts["lost_s"]
    if total > 0:
        text += f"; {counts['kept_s'] / total:.0%} of the time kept"
    return [(line, "bold") for line in screen.folded(text, 0)]


def _time(seconds: float) -> str:
    return f" ({duration(seconds)})" if seconds > 0 else ""


def _culled(graded: Graded, out: str, screen: Screen) -> list[Line]:
    """The frames that a cull took away before this grade, and how to have them back."""
    line = culled_line(graded)
    if line is None:
        return []
    text = f"{line}; {command('restore', out)} brings them back"
    return [(line, "") for line in screen.folded(text, LABEL, "Left out")]


def _night(graded: Graded, letters: dict[str, str], screen: Screen) -> list[Line]:
    line = night_line(graded, letters, screen, screen.width - LABEL)
    if line is None:
        return []
    lost = [(f"{'Lost':<{LABEL}}{line.losses}", "red")] if letters else []
    return [
        (f"{'Night':<{LABEL}}{line.widths}", "green"),
        *lost,
        *((text, "dim") for text in screen.folded(line.key, LABEL)),
    ]


def _causes(
    graded: Graded, causes: list[dict], letters: dict[str, str], screen: Screen, room: int
) -> list[Line]:
    """A row a cause, the costliest first; those without room in a line of their own.

    Without exposure times the share is of the frames, and no time is shown.
    """
    counts = totals(graded)
    total_s, frames = counts["kept_s"] + counts["lost_s"], counts["frames"]
    rows = [
        (
            letters[row["reason"]], row["reason"], row["text"], str(row["frames"]),
            duration(row["lost_s"]) if row["lost_s"] else "",
            f"{row['lost_s'] / total_s if total_s > 0 else row['frames'] / frames:.0%}",
        )
        for row in causes
    ]  # fmt: skip
    shown, rest = _fitted(rows, room, screen)
    titles = ("", "lost to", "", "frames", "time" if total_s else "", "share")
    table = [titles, *rows[:shown]]
    wide = [max(len(row[k]) for row in table) for k in range(len(titles))]
    if screen.folds:
        wide[2] = min(wide[2], screen.width - sum(wide) + wide[2] - 2 * (len(wide) - 1))
    lines = []
    for row in table:
        cells = [
            padded(screen.shortened(cell, wide[k]), wide[k], right=k > 2)
            for k, cell in enumerate(row)
            if wide[k]
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
    """Everything below the table, the label in front of the first line of each kind."""
    lines, before = [], ""
    for label, text in particulars(graded, out, screen):
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
