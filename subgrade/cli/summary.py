"""The one-screen summary of a graded night on stdout."""

from __future__ import annotations

from pathlib import Path

from subgrade.cli.progress import one_line
from subgrade.results.guiding import clock_text, usable
from subgrade.results.model import Graded
from subgrade.results.night_summary import stack_lines
from subgrade.results.session import causes_counted, remarks_of, totals
from subgrade.results.teaching import person_lines

MOST_PROBLEMS = 5


def console():
    """A console for stdout: plain when piped, without colour when NO_COLOR is set."""
    from rich.console import Console

    plain = Console()
    # Piped output keeps its long lines; a file has no width.
    return plain if plain.is_terminal else Console(width=max(plain.width, 100), no_color=True)


def print_summary(graded: Graded, out: str) -> None:
    """Print counts, causes, sharpness and where the files are."""
    screen = console()
    say = lambda text="": screen.print(text, markup=False, highlight=False, soft_wrap=True)  # noqa: E731
    counts = totals(graded)
    say(
        f"{counts['frames']} files: {counts['kept']} kept ({duration(counts['kept_s'])}), "
        f"{counts['rejected']} rejected ({duration(_rejected_s(graded))})"
        + (f", {counts['unreadable']} could not be graded" if counts["unreadable"] else "")
    )
    for table in (_causes(graded), _groups(graded)):
        if table is not None:
            say()
            screen.print(table)
    if graded.guiding is not None:
        say(f"\n{guiding_line(graded)}")
    for line in stack_lines(graded):
        say(f"\n{line}")
    for remark in remarks_of(graded):
        say(f"\n{remark}")
    for line in person_lines(graded):
        say(f"\n{one_line(line)}")
    if graded.problems:
        say("\nCould not be graded:")
        for name, cause in graded.problems[:MOST_PROBLEMS]:
            say(f"  {one_line(name)}: {one_line(cause)}")
        if len(graded.problems) > MOST_PROBLEMS:
            say(f"  and {len(graded.problems) - MOST_PROBLEMS} more, in summary.csv")
    say(f"\nResults are in {one_line(str(Path(out).absolute()))}")


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
    """One line on the guiding record: its clock, what it covers, how calm the night was."""
    night = graded.guiding
    if not usable(night):
        told = clock_text(night) or night.clock.how
        return f"Guiding record: not used, its clock is not settled ({told})"
    held = [f for f in graded.frames if f.compared is not None]
    covered = sum(f.guiding is not None and f.guiding.samples > 0 for f in held)
    calm = " and ".join(
        f"{value:.2f}″ in {axis}"
        for value, axis in ((night.calm_rms_ra, "RA"), (night.calm_rms_dec, "Dec"))
        if value == value
    )
    return (
        f"Guiding record: {clock_text(night)} (confidence {night.clock.confidence:.2f}), covers "
        f"{covered} of {len(held)} frames" + (f"; calm rms {calm}" if calm else "")
    )


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


def _causes(graded: Graded):
    rows = causes_counted(graded)
    if not rows:
        return None
    table = _table(("lost to", "left"), ("", "left"), ("frames", "right"), ("time", "right"))
    for row in rows:
        table.add_row(row["reason"], row["text"], str(row["frames"]), duration(row["lost_s"]))
    return table


def _groups(graded: Graded):
    from rich.markup import escape

    if not graded.groups:
        return None
    table = _table(
        ("group", "left"), ("kept", "right"), ("FWHM usual", "right"), ("best", "right"),
        ("eccentricity", "right"),
    )  # fmt: skip
    for k, group in enumerate(graded.groups):
        members = [f for f in graded.frames if f.compared and f.compared.group == k]
        kept = sum(f.judgement.verdict == "keep" for f in members)
        scale = next((f.facts.scale_arcsec for f in members if f.facts.scale_arcsec), None)
        fwhm, oval = group.usual.get("fwhm_px"), group.usual.get("eccentricity")
        table.add_row(
            escape(one_line(group.label)),
            f"{kept} of {len(members)}",
            _width(fwhm.centre, scale) if fwhm else "",
            _width(fwhm.best, scale) if fwhm else "",
            f"{oval.centre:.2f}" if oval and oval.centre == oval.centre else "",
        )
    return table


def _width(px: float, scale: float | None) -> str:
    if px != px:
        return ""
    return f"{px:.2f} px" + (f" = {px * scale:.2f}″" if scale else "")
