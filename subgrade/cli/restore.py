"""``subgrade restore``."""

from __future__ import annotations

import click

from subgrade.cli import EXIT_PARTLY


@click.command(
    "restore",
    epilog="""
    \b
    Example: bring back what was culled
      subgrade cull ~/astro/m31/graded --to ~/astro/m31/culled
      subgrade restore ~/astro/m31/graded

    Nothing is overwritten: a frame whose place is taken by another file stays in the cull
    folder and is named. It can be run again at any time, even after a crash.
    """,
)
@click.argument("results", metavar="RESULTS")
@click.option("--quiet", "-q", is_flag=True, help="Only errors.")
@click.pass_context
def command(context: click.Context, results: str, quiet: bool) -> None:
    """Bring every frame that cull moved back to its place, byte for byte; remove its links.

    RESULTS is the folder that was given to cull; only its cull_journal.jsonl is needed.
    """
    import os

    from subgrade.cli.cull import interruptible, print_problems, progress_lines
    from subgrade.diagnosis.wording import duration
    from subgrade.figures import counted
    from subgrade.moving import restore
    from subgrade.moving.model import JOURNAL
    from subgrade.plaintext import printable
    from subgrade.results.read import SESSION, must_be_results

    results = must_be_results(results, (JOURNAL, SESSION))
    with interruptible("the same command goes on from there"):
        outcome = restore(results, advance=progress_lines("brought back", quiet))
    print_problems(outcome.problems)
    if not quiet:
        if outcome.moved:
            count = counted(len(outcome.moved), "frame")
            click.echo(f"Brought back {count} ({duration(outcome.seconds)}).")
        for folder in outcome.made:
            click.echo(f"{printable(folder)} was gone and is made again; were the lights moved?")
        if outcome.unlinked:
            rest = "the subs they led to" if outcome.moved else "the subs"
            click.echo(f"Removed {counted(outcome.unlinked, 'link')}; {rest} were never moved.")
        if not (outcome.moved or outcome.unlinked or outcome.problems):
            culled = os.path.exists(os.path.join(results, JOURNAL))
            why = "" if culled else ": nothing was culled with these results"
            click.echo(f"Nothing to restore{why}.")
    if outcome.problems:
        context.exit(EXIT_PARTLY)
