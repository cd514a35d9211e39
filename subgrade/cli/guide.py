"""``subgrade guide``."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from subgrade.cli import EXIT_NOTHING, EXIT_PARTLY
from subgrade.cli.option_types import Number, number_option
from subgrade.cli.terminal import Screen, screen_of
from subgrade.settings import RANGES

if TYPE_CHECKING:
    from rich.text import Text

LABEL, LEAST_WHY = 14, 30
"""Columns of the words in front of a line, and the least left to a reason beside its column."""
EVENTS = {
    "dither": "dithers",
    "settle_start": "settling started",
    "settle_end": "settled after a dither",
    "star_missing": "guide star missing",
    "pause": "guiding paused",
    "resume": "guiding resumed",
    "reference_moved": "reference position moved",
    "other": "other",
}
"""What remarks of each kind are called, in the order shown."""
RMS = (
    ("rms", "over the whole record"),
    ("settled_rms", "without dithers and settling"),
    ("calm_rms", "in its quiet stretches (quietest quarter)"),
)
"""Each RMS of a record and what it is of."""
ROLES = {
    "ra": "RA error",
    "dec": "Dec error",
    "x": "x error",
    "y": "y error",
    "ra_pulse": "RA correction",
    "dec_pulse": "Dec correction",
    "ra_side": "RA direction",
    "dec_side": "Dec direction",
    "snr": "S/N",
}
"""What a column was read as, where its name in a guide map is no word."""
UNITS = {"iso": "date, time"}


@click.command(
    "guide",
    epilog="""
    \b
    Example: what is in last night's guiding record?
      subgrade guide ~/astro/m31/guiding.csv
    \b
    Errors in pixels, and the file does not state the scale
      subgrade guide ~/astro/m31/guiding.csv --guide-scale 2.14
    \b
    A column was misread: put this into map.toml and add --guide-map map.toml
      [columns]
      ra = "Error 1"
      [units]
      ra = "px"

    Records are read by what is in them; docs/guiding-record.md explains how,
    docs/guide-map.md how to correct a misread column. Exit code 1: no file could be read, 3:
    some could not.
    """,
)
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@click.option("--guide-map", metavar="FILE.toml", help="States which column is which.")
@number_option(
    "--guide-scale",
    Number(*RANGES["guide_scale"]),
    metavar="ARCSEC_PER_PX",
    text="Arcseconds per pixel of the guide camera, for a record in pixels.",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(
    files: tuple[str, ...], guide_map: str | None, guide_scale: float | None, as_json: bool
) -> int:
    """Show what was understood of guiding records.

    Prints each column with its meaning, its unit and the confidence in both, then clock,
    sections, time between guide exposures, scale, RMS and peak error, remarks, gaps, and how
    long the guide star was missing.
    """
    from subgrade.errors import UnreadableFile
    from subgrade.given_paths import check_file, check_record
    from subgrade.record import describe_record, load_guide_map, read_guide

    for path in files:
        check_record(path)
    if guide_map:
        check_file(guide_map, "--guide-map ")
    fixed = load_guide_map(guide_map) if guide_map else None
    shown, failed = [], []
    for path in files:
        try:
            record = read_guide(path, scale_arcsec_px=guide_scale, guide_map=fixed)
        except UnreadableFile as error:
            failed.append({"path": str(path), "cause": error.cause})
            continue
        shown.append((record, describe_record(record)))
    if as_json:
        import json

        found = {"records": [d for _, d in shown], "unreadable": failed}
        click.echo(json.dumps(found, indent=1, allow_nan=False))
    else:
        for k, (_, description) in enumerate(shown):
            _print(description, first=k == 0)
    _complain(failed)
    if failed:
        return EXIT_PARTLY if shown else EXIT_NOTHING
    return 0


def _complain(failed: list[dict]) -> None:
    from subgrade.plaintext import printable

    for item in failed:
        click.echo(f"subgrade: {printable(item['path'])}: {printable(item['cause'])}", err=True)


def _print(found: dict, first: bool) -> None:
    screen = screen_of()
    blank = screen.folded("")
    screen.show([*([] if first else blank), *screen.folded(found["path"], style="bold"), *blank])
    screen.show([*column_lines(found["columns"], screen), *blank])
    for name, text in _lines(found):
        screen.show(screen.folded(text, LABEL, name))
    for note in found["notes"]:
        screen.show(screen.folded(note, len("note: "), "note: "))


def column_lines(columns: list[dict], screen: Screen) -> list[Text]:
    """A row a column of the record, the reason beside it or below for want of room."""
    from rich.table import Column

    titles = [
        Column("column", max_width=screen.width // 3 if screen.folds else None),
        Column("read as", no_wrap=True),
        Column("unit", no_wrap=True),
        Column("confidence", justify="right", no_wrap=True),
    ]
    rows = []
    for column in columns:
        used = column["role"] != "other"
        role = ROLES.get(column["role"], column["role"]) if used else ""
        unit = UNITS.get(column["unit"], column["unit"])
        rows.append((column["title"], role, unit, f"{column['sure']:.2f}" if used else ""))
    reasons = [column["why"] for column in columns]
    wide = max(line.cell_len for line in screen.table(titles, rows))
    if not screen.folds or screen.width - wide >= LEAST_WHY:
        beside = [(*row, why) for row, why in zip(rows, reasons, strict=True)]
        return screen.table([*titles, Column("why")], beside)
    below: list[tuple[str, ...] | Text] = []
    for row, why in zip(rows, reasons, strict=True):
        below += [row, *screen.folded(why, 2, style="dim")]
    return screen.table(titles, below)


def _lines(found: dict) -> Iterator[tuple[str, str]]:
    """Name and text of each line below the table."""
    clocks = {
        "utc": "UTC",
        "unknown": "date and time, time zone not stated",
        "relative": "seconds from a start that is not stated",
    }
    clock = clocks[found["clock"]]
    yield "clock", clock if found["dated"] else "time of day without a date"
    yield "samples", f"{found['samples']} in {found['duration_s'] / 60:.1f} min" + _every(found)
    for k, section in enumerate(found["sections"], 1):
        yield f"section {k}", f"{section['from']} to {section['to']}, {section['samples']} samples"
    if found["scale_arcsec_px"] is not None:
        yield "scale", f"{found['scale_arcsec_px']:.4g} arcsec per pixel"
    label = "RMS"
    for name, of in RMS:
        if text := _axes(found, name):
            yield label, f"{text} {of}"
            label = ""
    if found["peak_arcsec"] is not None:
        yield "peak error", f"{found['peak_arcsec']:.2f}″"
    if counts := _counts(found["events"]):
        yield "remarks", counts
    lost = found["lost_samples"]
    samples = "sample" if lost == 1 else "samples"
    yield "star missing", f"{lost} {samples}, {found['lost_s']:.0f} s" if lost else "never"
    longest = f", the longest {found['longest_gap_s']:.0f} s" if found["gaps"] else ""
    yield "gaps", f"{found['gaps']}{longest}" if longest else "none"


def _axes(found: dict, name: str) -> str:
    """A number of either axis; empty where neither is known."""
    titles = ("RA", "Dec") if found["axes"] == "ra_dec" else ("x", "y")
    values = (found[f"{name}_ra_arcsec"], found[f"{name}_dec_arcsec"])
    known = [f"{t} {v:.2f}″" for t, v in zip(titles, values, strict=True) if v is not None]
    return ", ".join(known)


def _every(found: dict) -> str:
    return f", one every {found['cadence_s']:.3g} s" if found["cadence_s"] is not None else ""


def _counts(events: dict[str, int]) -> str:
    """How many remarks there are of each kind."""
    kinds = [*EVENTS, *(kind for kind in events if kind not in EVENTS)]
    return ", ".join(f"{EVENTS.get(kind, kind)} {events[kind]}" for kind in kinds if kind in events)
