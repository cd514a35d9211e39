"""``subgrade simulate``: a practice night with known causes."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from subgrade.cli.option_types import Number, number_option

if TYPE_CHECKING:
    from subgrade.practice.scenario import Scenario
    from subgrade.practice.truth import FrameTruth

EPILOG = """\b
Example: a small night of twelve frames, then grade it
  subgrade simulate practice_night --frames 12 --seed 4
  subgrade grade practice_night
"""


@click.command("simulate", epilog=EPILOG)
@click.argument("directory", metavar="DIR", type=click.Path(file_okay=False))
@number_option(
    "--seed", Number(0, whole=True), metavar="N", text="Same seed, same bytes; 1 if not given."
)
@number_option(
    "--frames",
    Number(1, whole=True),
    metavar="N",
    text="How many exposures; 34 if not given, 24 with --random.",
)
@number_option(
    "--width", Number(32, whole=True), metavar="PX", text="Pixels along x; 720 if not given."
)
@number_option(
    "--height", Number(32, whole=True), metavar="PX", text="Pixels along y; 540 if not given."
)
@click.option(
    "--mosaic/--mono",
    default=None,
    help="Colour sensor (RGGB) or mono; mono if not given.",
)
@click.option(
    "--record/--no-record",
    default=None,
    help="Write the guiding record, or not; written if not given.",
)
@click.option(
    "--scenario",
    metavar="FILE.toml",
    help="TOML file that describes the night; the built-in night if not given.",
)
@click.option("--random", "drawn", is_flag=True, help="Draw night and causes from the seed.")
@click.option("--wide", is_flag=True, help="With --random: mounts, skies and faults of many kinds.")
@click.option("--compress", is_flag=True, help="Tile-compressed .fits.fz (Rice, lossless).")
def command(
    directory: str,
    seed: int | None,
    frames: int | None,
    width: int | None,
    height: int | None,
    mosaic: bool | None,
    record: bool | None,
    scenario: str | None,
    drawn: bool,
    wide: bool,
    compress: bool,
) -> None:
    """Render a practice night into DIR, a new or empty folder.

    Writes light frames with known causes, truth.csv with each frame's true
    numbers and intended verdict, and the guiding record guiding.csv.
    """
    from subgrade.errors import UsageError
    from subgrade.given_paths import check_file
    from subgrade.practice import scenario_file as nights
    from subgrade.practice.night import must_be_free, simulate_night
    from subgrade.practice.random_night import random_scenario
    from subgrade.practice.wide_night import wide_scenario

    if scenario:
        check_file(scenario, "--scenario ")
    try:
        if drawn and scenario:
            raise UsageError("--random and --scenario exclude each other")
        if wide and not drawn:
            raise UsageError("--wide says how --random draws; give both")
        if drawn:
            draw = wide_scenario if wide else random_scenario
            night = draw(seed or 0, frames or 24)
            frames = None
        else:
            night = nights.load_scenario(scenario) if scenario else nights.default_scenario()
        night = nights.adapt(night, seed, frames, width, height, mosaic, record)
        must_be_free(directory)  # before the bar is drawn
        with click.progressbar(length=night.plan.frames, label="Rendering", file=sys.stderr) as bar:
            truths = simulate_night(
                directory, night, progress=lambda *_: bar.update(1), compress=compress
            )
    except UsageError as err:
        raise click.UsageError(str(err)) from None
    _summary(directory, truths, night)


def _summary(directory: str, truths: list[FrameTruth], night: Scenario) -> None:
    """Report on stdout what lies where and what to expect."""
    from collections import Counter

    verdicts = Counter(t.verdict for t in truths)
    reasons = Counter(t.reason for t in truths if t.reason)
    meant = ", ".join(f"{verdict} {n}" for verdict, n in verdicts.most_common())
    frames = f"{len(truths)} {'frame' if len(truths) == 1 else 'frames'}"
    click.echo(f"Rendered {frames} in {directory}; intended verdicts: {meant}.")
    if reasons:
        click.echo("Causes: " + ", ".join(f"{r} {n}" for r, n in sorted(reasons.items())) + ".")
    record = " and the guiding record guiding.csv" if night.record.write else ""
    click.echo(f"Beside them: the truth table truth.csv{record}.")
