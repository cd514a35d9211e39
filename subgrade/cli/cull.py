"""``subgrade cull``."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

from subgrade.cli import EXIT_INTERRUPTED, EXIT_PARTLY, EXIT_USAGE

TELL_EVERY_S = 10.0


@click.command(
    "cull",
    epilog="""
    \b
    Example: move last night's rejects out of the way, and back
      subgrade grade ~/astro/m31/lights --out ~/astro/m31/graded
      subgrade cull ~/astro/m31/graded --to ~/astro/m31/culled
      subgrade restore ~/astro/m31/graded
    \b
    Only see which they are, or look at them in one folder where nothing moves
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
    "--list", "only_list", is_flag=True,
    help="Print the paths that would be moved; change nothing.",
)  # fmt: skip
@click.option("--unreadable", is_flag=True, help="Take files along that could not be graded.")
@click.option("--quiet", "-q", is_flag=True, help="Only errors.")
@click.pass_context
def command(context, results, to, link, only_list, unreadable, quiet) -> None:
    """Move the rejects of RESULTS to DIR, in the same subfolders as among the lights.

    RESULTS is the --out folder of an earlier grade; its file cull_journal.jsonl notes
    every step, so that restore can bring all back, after a crash too.
    """
    from subgrade.moving import cull, would_cull
    from subgrade.results.files import path_line

    if only_list and link:
        raise click.UsageError("--list and --link exclude each other")
    if only_list:
        with refusable():
            for frame in would_cull(results, to, unreadable=unreadable):
                click.echo(path_line(frame.source))
        return
    if to is None:
        raise click.UsageError("--to DIR says where the rejects go; --list only names them")
    with refusable(), interruptible("the same command goes on, restore brings all back"):
        outcome = cull(
            results, to, link=link, unreadable=unreadable, advance=teller("culled", quiet)
        )
    tell_problems(outcome.problems)
    if not quiet:
        tell_culled(outcome, results, to)
    if outcome.problems:
        context.exit(EXIT_PARTLY)


def tell_culled(outcome, results: str, to: str) -> None:
    """One or two lines on stdout: how many, how much time, where, how to bring them back."""
    import os

    from subgrade.cli.progress import one_line
    from subgrade.cli.summary import duration

    place = one_line(os.path.abspath(os.path.expanduser(to)))
    if outcome.moved:
        did = "Links made to" if outcome.linked else "Moved"
        click.echo(
            f"{did} {_counted(len(outcome.moved), 'reject')} ({duration(outcome.seconds)}), "
            f"in {place}"
        )
        again = "takes the links away" if outcome.linked else "brings them back"
        click.echo(f"`subgrade restore {one_line(results)}` {again}.")
    elif not outcome.problems:
        click.echo("There are no rejects to move." if not outcome.already else "Nothing to do.")
    if outcome.already:
        click.echo(f"{_counted(outcome.already, 'reject')} went with an earlier cull.")


def tell_problems(problems) -> None:
    """What was left where it is, and why, on stderr."""
    from subgrade.cli.progress import one_line

    for path, cause in problems:
        click.echo(f"subgrade: {one_line(path)}: {one_line(cause)}", err=True)


def teller(done_word: str, quiet: bool) -> Callable[[int, int], None]:
    """Say on stderr how far it is, where it takes long."""
    last = time.monotonic()

    def advance(done: int, total: int) -> None:
        nonlocal last
        if not quiet and time.monotonic() - last > TELL_EVERY_S:
            last = time.monotonic()
            click.echo(f"{done_word} {done} of {total} frames", err=True)

    return advance


@contextmanager
def interruptible(advice: str) -> Iterator[None]:
    """Ctrl-C ends the run with the exit code of the contract and says how to go on."""
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
        tell_problems(error.problems)
        click.echo("subgrade: nothing was moved", err=True)
        sys.exit(EXIT_USAGE)


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")
