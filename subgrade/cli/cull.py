"""``subgrade cull``."""

from __future__ import annotations

import os
import shlex
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

from subgrade.cli import EXIT_INTERRUPTED, EXIT_PARTLY, EXIT_USAGE
from subgrade.plaintext import printable

if TYPE_CHECKING:
    from subgrade.moving.model import Away, Outcome

REPORT_EVERY_S = 10.0
MOST_NAMED = 5
"""Files named that have the same cause."""


@click.command(
    "cull",
    epilog="""
    \b
    Example: move last night's rejects out of the way, and back
      subgrade grade ~/astro/m31/lights --out ~/astro/m31/graded
      subgrade cull ~/astro/m31/graded --to ~/astro/m31/culled
      subgrade restore ~/astro/m31/graded
    \b
    Only list them, or look at them in one folder without moving any
      subgrade cull ~/astro/m31/graded --list
      subgrade cull ~/astro/m31/graded --to ~/astro/m31/look --link

    Nothing is deleted or overwritten. A file that is no longer as it was graded, or whose
    place is taken, stops the cull before anything moves.
    """,
)
@click.argument("results", metavar="RESULTS")
@click.option("--to", metavar="DIR", help="Folder for the rejects; made if missing.")
@click.option("--link", is_flag=True, help="Make symbolic links there; move nothing.")
@click.option(
    "--list",
    "only_list",
    is_flag=True,
    help="Print the paths that would be moved; change nothing.",
)
@click.option("--unreadable", is_flag=True, help="Move files that could not be graded, too.")
@click.option("--quiet", "-q", is_flag=True, help="Only errors.")
@click.pass_context
def command(
    context: click.Context,
    results: str,
    to: str | None,
    link: bool,
    only_list: bool,
    unreadable: bool,
    quiet: bool,
) -> None:
    """Move the rejects of RESULTS to DIR, into subfolders as among the lights.

    RESULTS is the --out folder of an earlier grade; its file cull_journal.jsonl records
    every step, so that restore can bring everything back, even after a crash.
    """
    from subgrade.moving import cull, where_culled, would_cull
    from subgrade.results.files import path_line

    if only_list and link:
        raise click.UsageError("--list and --link exclude each other")
    if only_list:
        with refusable():
            frames = would_cull(results, to, unreadable=unreadable)
            for frame in frames:
                click.echo(path_line(frame.source))
            if not frames and not quiet:
                print_none(where_culled(results), results, err=True)
        return
    if not to:
        raise click.UsageError(
            "give the folder for the rejects with --to DIR, or print them with --list"
        )
    with (
        refusable(),
        interruptible("the same command goes on from there, restore brings everything back"),
    ):
        outcome = cull(
            results, to, link=link, unreadable=unreadable, advance=progress_lines("culled", quiet)
        )
    print_problems(outcome.problems)
    if not quiet:
        print_culled(outcome, results, to)
    if outcome.problems:
        context.exit(EXIT_PARTLY)


def print_culled(outcome: Outcome, results: str, to: str) -> None:
    """A few lines on stdout: how many, how much time, where, how to bring them back."""
    from subgrade.diagnosis.wording import duration
    from subgrade.figures import counted

    place = printable(os.path.abspath(os.path.expanduser(to)))
    if outcome.unlinked:
        click.echo(f"Removed {counted(outcome.unlinked, 'link')} that an earlier cull made.")
    if not outcome.moved:
        if not outcome.problems:
            print_none(outcome.earlier, results)
        return
    count = f"{counted(len(outcome.moved), 'reject')} ({duration(outcome.seconds)})"
    if outcome.linked:
        click.echo(f"Made links to {count} in {place}; no sub moved.")
        click.echo(f"To remove the links: {_command('restore', results)}")
        return
    click.echo(f"Moved {count} to {place}")
    for away in outcome.earlier:
        click.echo(_where(away))
    back = "all of them" if outcome.earlier else "them"
    click.echo(f"To bring {back} back: {_command('restore', results)}")


def print_none(earlier: Sequence[Away], results: str, err: bool = False) -> None:
    """Why there is nothing to move, and where the frames of earlier culls are."""
    click.echo("There are no rejects to move." if not earlier else "Nothing to do.", err=err)
    for away in earlier:
        click.echo(_where(away), err=err)
    kinds = {away.kind for away in earlier}
    if "move" in kinds:
        click.echo(f"To bring them back: {_command('restore', results)}", err=err)
    elif kinds:
        click.echo(f"To remove the links: {_command('restore', results)}", err=err)


def _where(away: Away) -> str:
    """Where earlier culls put something."""
    from subgrade.figures import counted

    moved, made = counted(away.count, "frame"), counted(away.count, "link")
    did = f"moved {moved} to" if away.kind == "move" else f"made {made} in"
    text = f"An earlier cull {did} {printable(away.folder)}"
    return text if os.path.isdir(away.folder) else f"{text}, which is not there now"


def _command(name: str, results: str) -> str:
    return f"subgrade {name} {printable(shlex.quote(results))}"


def print_problems(problems: Sequence[tuple[str, str]]) -> None:
    """What was left where it is, and why, on stderr; of one cause for many some are named."""
    whole = Counter(cause for _, cause in problems)
    printed = Counter()
    for path, cause in problems:
        printed[cause] += 1
        if printed[cause] <= MOST_NAMED or whole[cause] == MOST_NAMED + 1:
            click.echo(f"subgrade: {printable(path)}: {printable(cause)}", err=True)
        elif printed[cause] == whole[cause]:
            more = whole[cause] - MOST_NAMED
            click.echo(f"subgrade: and {more} more: {printable(cause)}", err=True)


def progress_lines(done_word: str, quiet: bool) -> Callable[[int, int], None]:
    """Print on stderr how far it is, where it takes long."""
    last = time.monotonic()

    def advance(done: int, total: int) -> None:
        nonlocal last
        if not quiet and time.monotonic() - last > REPORT_EVERY_S:
            last = time.monotonic()
            click.echo(f"{done_word} {done} of {total} frames", err=True)

    return advance


@contextmanager
def interruptible(advice: str) -> Iterator[None]:
    """Ctrl-C ends the run with the exit code of the contract and prints how to go on."""
    try:
        yield
    except KeyboardInterrupt:
        click.echo(f"subgrade: interrupted; {advice}", err=True)
        sys.exit(EXIT_INTERRUPTED)


@contextmanager
def refusable() -> Iterator[None]:
    """A refusal names every file at fault, on a line each."""
    from subgrade.errors import NotMoved

    try:
        yield
    except NotMoved as error:
        print_problems(error.problems)
        click.echo("subgrade: nothing was moved", err=True)
        sys.exit(EXIT_USAGE)
