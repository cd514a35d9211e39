"""``subgrade nights``."""

from __future__ import annotations

import sys
from os.path import expanduser

import click

from subgrade.cli import EXIT_INTERRUPTED, EXIT_PARTLY


@click.command(
    "nights",
    epilog="""
    \b
    Example: all nights on one target, each graded into its own folder
      subgrade grade ~/astro/m31/2024-11-03 --out ~/astro/m31/graded/2024-11-03
      subgrade grade ~/astro/m31/2024-11-09 --out ~/astro/m31/graded/2024-11-09
      subgrade nights ~/astro/m31/graded --out ~/astro/m31/season
    \b
    Then open nights.html there in a browser.
    \b
    The same for a script
      subgrade nights ~/astro/m31/graded --out ~/astro/m31/season --json --no-report

    weights.csv there holds the weights of every kept frame on one scale, for a stack of all
    nights. Nothing is measured again: only results are read, and the subs may be elsewhere.
    """,
)
@click.argument("results", nargs=-1, required=True, metavar="RESULTS...")
@click.option(
    "--out",
    default="subgrade_nights",
    show_default=True,
    metavar="DIR",
    help="Folder for what the nights come to; not one of the RESULTS.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of the summary.")
@click.option("--no-report", is_flag=True, help="Do not write the page nights.html.")
@click.option("--quiet", "-q", is_flag=True, help="No progress or summary: only errors.")
@click.pass_context
def command(
    context: click.Context,
    results: tuple[str, ...],
    out: str,
    as_json: bool,
    no_report: bool,
    quiet: bool,
) -> None:
    """Put several graded nights side by side: hours, one weight scale, what changed.

    RESULTS are --out folders of earlier grades, or folders that hold some. nights.csv,
    weights.csv, nights.json and the page nights.html go to the --out folder.
    """
    from subgrade.cli.progress import progress_for
    from subgrade.season.record import season_json
    from subgrade.season.season import season_of_results
    from subgrade.season.side_by_side import pages_for
    from subgrade.season.write import never_into_results, write_season

    out = expanduser(out)
    never_into_results(out)
    pages = {} if no_report else pages_for(out)
    try:
        season = season_of_results(results, progress_for(quiet))
        write_season(season, out, pages)
    except KeyboardInterrupt:
        click.echo("subgrade: interrupted; nothing was written", err=True)
        sys.exit(EXIT_INTERRUPTED)
    if as_json:
        click.echo(season_json(season), nl=False)
    elif not quiet:
        from subgrade.cli.nights_summary import print_nights

        print_nights(season, out)
    for name, cause in season.problems:
        _say_not_used(name, cause)
    if season.problems:
        context.exit(EXIT_PARTLY)


def _say_not_used(name: str, cause: str) -> None:
    from subgrade.plaintext import printable

    click.echo(f"not used: {printable(name)}: {printable(cause)}", err=True)
