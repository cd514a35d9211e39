"""``subgrade grade``."""

from __future__ import annotations

import sys
from os.path import expanduser

import click

from subgrade.cli import EXIT_INTERRUPTED, EXIT_PARTLY
from subgrade.cli.option_types import Motion, Number, Share, number_option
from subgrade.settings import CHOICES, PATHS, RANGES, Settings


def settings_of(paths: tuple[str, ...], no_report: bool, options: dict[str, object]) -> Settings:
    """What a command that grades is asked, from its options by name."""
    # a shell leaves the ~ in --guide=~/guiding.csv
    for name in PATHS:
        given = options[name]
        many = isinstance(given, tuple)
        options[name] = tuple(map(expanduser, given)) if many else given and expanduser(given)
    return Settings(paths, report=not no_report, **options)


@click.command(
    "grade",
    epilog="""
    \b
    Example: grade a night into its own folder, on three processes
      subgrade grade ~/astro/m31/lights --out ~/astro/m31/graded --workers 3
    \b
    With the night's guiding record, to find out what moved the stars
      subgrade grade ~/astro/m31/lights --guide ~/astro/m31/guiding.csv
    \b
    A comet that the mount followed, 95 arcseconds an hour towards position angle 214
      subgrade grade ~/astro/comet/lights --expected-motion 95,214
    \b
    Then open report.html there in a browser, or ask about one frame:
      subgrade explain ~/astro/m31/graded light_0042
    \b
    Stricter on round stars: put this into strict.toml and add --limits strict.toml
      [roundness]
      floor = 0.45

    \b
    Keep the sharpest four fifths of the time that passes
      subgrade grade ~/astro/m31/lights --keep 80% --prefer sharpness

    \b
    Teach it your own limits: marks.csv has the columns frame,verdict
      subgrade grade ~/astro/m31/lights --teach marks.csv

    \b
    Only see what would be rejected, as paths for another program
      subgrade grade ~/astro/m31/lights --dry-run --quiet --list-style paths

    Frames are only read, never changed. A second run measures only what is new.
    """,
)
@click.argument("paths", nargs=-1, required=True, metavar="PATH...")
@click.option(
    "--out",
    default="subgrade_results",
    show_default=True,
    metavar="DIR",
    help="Folder for the results.",
)
@click.option("--limits", metavar="FILE.toml", help="Limits to use instead of the shipped ones.")
@number_option(
    "--workers",
    Number(*RANGES["workers"], whole=True),
    metavar="N",
    text="Processes that measure; chosen for this machine if not given.",
)
@click.option(
    "--engine",
    default="local",
    show_default=True,
    metavar="ENGINE",
    help="Where frames are measured: local, on this machine, or dask://HOST:PORT, on the workers "
    "of the cluster whose scheduler is there; --workers is then the most of them to use.",
)
@number_option(
    "--scale",
    Number(*RANGES["scale"]),
    metavar="ARCSEC_PER_PX",
    text="Arcseconds per pixel, instead of the header's.",
)
@number_option(
    "--exposure",
    Number(*RANGES["exposure"]),
    metavar="SECONDS",
    text="Exposure time of the frames whose header states none.",
)
@click.option("--dark", metavar="FILE", help="Master dark to subtract from every frame.")
@click.option("--bias", metavar="FILE", help="Master bias, when there is no dark or for the flat.")
@click.option("--flat", metavar="FILE", help="Master flat to divide every frame by.")
@click.option(
    "--guide",
    multiple=True,
    metavar="FILE",
    help="Guiding record of the night; may be given more than once.",
)
@number_option(
    "--guide-utc-offset",
    Number(*RANGES["guide_utc_offset"]),
    metavar="HOURS",
    text="How far the guiding record's clock is ahead of UTC, if grade cannot find it.",
)
@click.option(
    "--guide-map", metavar="FILE.toml", help="States which column of the record is which."
)
@number_option(
    "--guide-scale",
    Number(*RANGES["guide_scale"]),
    metavar="ARCSEC_PER_PX",
    text="Arcseconds per pixel of the guide camera, for a record in pixels.",
)
@click.option(
    "--expected-motion",
    type=Motion(),
    metavar="RATE,PA",
    help="Motion of the comet or asteroid that the mount followed, in arcseconds an hour and "
    "degrees east of north: star trailing at that rate is allowed for.",
)
@click.option(
    "--stack",
    type=click.Choice(CHOICES["stack"]),
    default="mean",
    show_default=True,
    help="How you will average the frames: a frame too faint or noisy for a plain mean still "
    "deepens one weighted by weights.csv, and is then kept.",
)
@click.option(
    "--keep",
    type=Share(),
    metavar="SHARE",
    help="Keep only the best share of the exposure time that passes, as 80%, within each group; "
    "the rest is left out as surplus.",
)
@click.option(
    "--prefer",
    type=click.Choice(CHOICES["prefer"]),
    default="depth",
    show_default=True,
    help="What makes a frame the better one for --keep: the depth it adds, or its sharp, round "
    "stars.",
)
@click.option(
    "--teach",
    metavar="FILE",
    help="Your marks, a CSV of frame,verdict: adapt the limits to them, and list which moved.",
)
@click.option(
    "--marks",
    metavar="FILE",
    help="Your marks, a CSV of frame,verdict: they overrule the verdicts.",
)
@click.option("--no-report", is_flag=True, help="Do not write the page report.html.")
@click.option(
    "--list-style",
    type=click.Choice(CHOICES["list_style"]),
    default="relative",
    show_default=True,
    help="How keeps.txt and rejects.txt name frames: relative to the folder on their first line, "
    "by absolute paths, or by bare file names; the last two have no first line.",
)
@click.option(
    "--dry-run",
    is_flag=True,
    help="Measure, judge and print the rejects; write nothing, not even the measurements.",
)
@click.option("--remeasure", is_flag=True, help="Measure again what an earlier run measured.")
@click.option(
    "--quiet",
    "-q",
    is_flag=True,
    help="No progress or summary: only errors, and limits that --teach moved.",
)
@click.pass_context
def command(
    context: click.Context, paths: tuple[str, ...], quiet: bool, no_report: bool, **options: object
) -> None:
    """Measure the light frames in PATH..., keep or reject each, and explain why.

    PATH is a folder (searched with its subfolders), a file or a pattern. Results go to
    the --out folder: summary.csv, keeps.txt, rejects.txt, weights.csv and more.
    """
    from subgrade.cli.progress import progress_for
    from subgrade.pipeline import grade

    settings = settings_of(paths, no_report, options)
    try:
        graded = grade(settings, progress_for(quiet))
    except KeyboardInterrupt:
        kept = "what was measured is kept, run the same command again to go on from there"
        click.echo(
            f"subgrade: interrupted; {'nothing was written' if settings.dry_run else kept}",
            err=True,
        )
        sys.exit(EXIT_INTERRUPTED)
    if not quiet:
        from subgrade.cli.summary import print_summary

        try:
            print_summary(graded, settings.out)
        except OSError:
            raise
        except Exception as error:
            # the results are written; only their summary is not shown
            from subgrade.cli import crashed

            crashed(error, sys.argv[1:], settings.out)
            context.exit(EXIT_PARTLY)
    if settings.dry_run:
        from subgrade.results.lists import path_list

        click.echo(path_list(graded, ("reject",), settings.list_style), nl=False)
    if graded.problems:
        context.exit(EXIT_PARTLY)
