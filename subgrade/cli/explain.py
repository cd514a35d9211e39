"""``subgrade explain``."""

from __future__ import annotations

import click


@click.command(
    "explain",
    epilog="""
    \b
    Example: why did frame 42 go?
      subgrade explain subgrade_results light_0042
    \b
    The same for a script:
      subgrade explain subgrade_results light_0042.fits --json

    Points are log odds: positive speaks for the reason, negative against it; a reason
    whose deciding number earns more than 0 rejects the frame.
    """,
)
@click.argument("results", metavar="RESULTS")
@click.argument("frame", metavar="FRAME")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(results, frame, as_json) -> None:
    """Print why FRAME was kept or rejected, from the RESULTS folder alone.

    FRAME is its name in summary.csv, its path, its file name, or any part of it that no
    other frame has.
    """
    from subgrade.results import open_results

    session = open_results(results)
    record = session.frame(frame)
    if as_json:
        import json

        click.echo(json.dumps(record, indent=1, allow_nan=False))
    else:
        _print(record)


def _print(record: dict) -> None:
    from rich.markup import escape

    from subgrade.cli.progress import one_line
    from subgrade.cli.summary import _table, console

    screen = console()
    values = record["values"]

    def say(text: str) -> None:
        # a terminal would break long lines within words; elsewhere they stay whole
        screen.print(text, markup=False, highlight=False, soft_wrap=not screen.is_terminal)

    reasons = f" ({values['reasons'].replace(';', ', ')})" if values["reasons"] else ""
    say(f"{one_line(values['frame'])}: {values['verdict']}{reasons}")
    say(one_line(values["explanation"]))
    say(f"confidence {values['confidence']:.2f}, weight {values['weight']:.2f}")
    guiding = record.get("guiding")
    if guiding and guiding["samples"]:
        say(guiding_line(guiding))
    table = _table(
        ("speaks of", "left"), ("quantity", "left"), ("value", "right"), ("usual", "right"),
        ("limit", "right"), ("points", "right"),
    )  # fmt: skip
    for item in in_reading_order(record):
        table.add_row(
            item["reason"],
            escape(item["quantity"]),
            *(number(item[name], item["unit"]) for name in ("value", "usual", "limit")),
            f"{item['points']:+.1f}",
        )
    if record["evidence"]:
        say("")
        screen.print(table)
    for note in record["notes"]:
        say(f"note: {one_line(note)}")


def guiding_line(guiding: dict) -> str:
    """The record inside this exposure, in one line."""
    from subgrade.causes.evidence import said

    parts = [f"{guiding['samples']} samples over {100 * guiding['coverage']:.0f}% of the exposure"]
    for title, name in (("rms RA", "rms_ra"), ("rms Dec", "rms_dec"), ("peak", "peak")):
        if guiding[name] is not None:
            parts.append(f"{title} {said(guiding[name], '″')}")
    for title, name in (("without a star", "lost_s"), ("unsettled", "settle_overlap_s")):
        if guiding[name]:
            parts.append(f"{title} {said(guiding[name], 's')}")
    return "guiding: " + ", ".join(parts)


def in_reading_order(record: dict) -> list[dict]:
    """The evidence with the numbers that decided first, then by how much each says.

    A frame just past its limit is decided by a number of few points, which would stand
    far down the table.
    """
    reasons = (record["values"]["reasons"] or "").split(";")

    def place(item):
        decided = item["limit"] is not None and item["points"] > 0 and item["reason"] in reasons
        return not decided, -abs(item["points"])

    return sorted(record["evidence"], key=place)


def number(value: float | None, unit: str) -> str:
    """A value for a table cell, empty where there is none."""
    from subgrade.causes.evidence import said

    return "" if value is None else said(value, unit)
