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
    say = lambda text: screen.print(text, markup=False, highlight=False, soft_wrap=True)  # noqa: E731
    reasons = f" ({values['reasons'].replace(';', ', ')})" if values["reasons"] else ""
    say(f"{one_line(values['frame'])}: {values['verdict']}{reasons}")
    say(one_line(values["explanation"]))
    say(f"confidence {values['confidence']:.2f}, weight {values['weight']:.2f}")
    table = _table(
        ("speaks of", "left"), ("quantity", "left"), ("value", "right"), ("usual", "right"),
        ("limit", "right"), ("points", "right"),
    )  # fmt: skip
    for item in sorted(record["evidence"], key=lambda e: -abs(e["points"])):
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


def number(value: float | None, unit: str) -> str:
    """A value for a table cell, empty where there is none."""
    from subgrade.causes.evidence import said

    return "" if value is None else said(value, unit)
