"""``subgrade diagnose``."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from subgrade.cli.terminal import HARD, Screen, screen_of

if TYPE_CHECKING:
    from rich.text import Text

Say = Callable[..., None]
"""Prints a paragraph behind its first words, in a style."""

CONFIDENCE = {"sure": "high", "likely": "fair", "possible": "low"}
"""How the confidence in a finding is shown for the word in session.json."""
MOST_TIMES = 3
"""Runs of frames whose times a loss lists."""


@click.command(
    "diagnose",
    epilog="""
    \b
    Example: what went wrong last night, and what to change?
      subgrade grade ~/astro/2024-03-08/lights --guide guiding.csv --out graded
      subgrade diagnose graded
    \b
    The same for a script:
      subgrade diagnose graded --json

    Findings are in the order of the integration time they cost; errors are one sigma.
    """,
)
@click.argument("results", metavar="RESULTS")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(results: str, as_json: bool) -> None:
    """Print what went wrong over the night and what to change next, with the numbers.

    RESULTS is the --out folder of an earlier grade.
    """
    from subgrade.errors import ResultsError
    from subgrade.results import open_results

    diagnosis = open_results(results).record.get("diagnosis")
    if not isinstance(diagnosis, dict):
        raise ResultsError(f"{results}: holds no diagnosis; run grade again with this --out folder")
    if as_json:
        import json

        click.echo(json.dumps(diagnosis, indent=1, allow_nan=False))
    else:
        _print(diagnosis)


def _print(diagnosis: dict) -> None:
    screen = screen_of()

    def say(text: str = "", first: str = "", style: str = "") -> None:
        """A paragraph behind its first words, a number not parted from its error."""
        together = text.replace(" ±", f"{HARD}±").replace("± ", f"±{HARD}")
        screen.show(screen.folded(together, len(first), first, style))

    say(diagnosis["summary"], style="bold")
    if diagnosis["losses"]:
        say()
        screen.show(loss_lines(diagnosis["losses"], screen))
    if diagnosis["findings"]:
        say()
        say("Findings", style="bold")
    for item in diagnosis["findings"]:
        say()
        _finding(say, item)
    if diagnosis["advice"]:
        say()
        say("What to change, in the order of the time it would have saved", style="bold")
    cautioned: dict[str, int] = {}
    for k, item in enumerate(diagnosis["advice"], 1):
        say()
        _advice(say, item, k, cautioned)
    if diagnosis["notes"]:
        say()
    for note in diagnosis["notes"]:
        say(f"note: {note}")


def loss_lines(losses: list[dict], screen: Screen) -> list[Text]:
    """The table of what the night lost, to what, and when."""
    from rich.table import Column

    from subgrade.diagnosis.wording import duration

    known = any(span["start_utc"] and span["end_utc"] for row in losses for span in row["spans"])
    columns = [
        Column("lost to", no_wrap=True),
        Column(),
        Column("frames", justify="right", no_wrap=True),
        Column("time", justify="right", no_wrap=True),
        Column("when (UTC)" if known else "when"),
    ]
    rows = []
    for row in losses:
        lost = duration(row["lost_s"]) if row["lost_s"] else ""
        when = [_span(span) for span in row["spans"][:MOST_TIMES]]
        when += ["…"] * (len(row["spans"]) > MOST_TIMES)
        rows.append((row["reason"], row["text"], str(row["frames"]), lost, ", ".join(when)))
    return screen.table(columns, rows)


def _span(span: dict) -> str:
    """A run of frames as times where known, else as frame names."""
    if span["start_utc"] and span["end_utc"]:
        return f"{span['start_utc'][11:16]}-{span['end_utc'][11:16]}"
    first, last = span["first_frame"], span["last_frame"]
    return first if first == last else f"{first}{HARD}to{HARD}{last}"


def _finding(say: Say, item: dict) -> None:
    from subgrade.diagnosis.wording import duration
    from subgrade.figures import counted

    known = [f"{CONFIDENCE[item['sure']]} confidence"]
    if item["cost_s"]:
        known.append(f"cost {duration(item['cost_s'])}")
    say(f"{item['topic']} ({', '.join(known)})", "  ", "bold")
    say(item["sentence"], " " * 4)
    for text in item["evidence"]:
        say(text, "    - ", "dim")
    spans = item["spans"]
    # A finding on the whole night needs no list of frames.
    if item["reason"] and 0 < len(spans) <= 4:
        runs = [
            s["first_frame"] if s["frames"] == 1 else f"{s['first_frame']} to {s['last_frame']}"
            for s in spans
        ]
        say(f"{counted(len(item['frames']))}: {', '.join(runs)}", "    - ", "dim")


def _advice(say: Say, item: dict, k: int, cautioned: dict[str, int]) -> None:
    """One piece of advice; a caution that was given above is only referred to."""
    from subgrade.diagnosis.wording import sure_word

    known = [saves] if (saves := item.get("saves")) else []
    if sure_word(item["sureness"]) == "possible":
        known.append("low confidence in the cause")
    saves = f" ({', '.join(known)})" if known else ""
    first = f"  {k}. "
    action = item["action"]
    stop = action[-1:] if action[-1:] in "?!." else "."
    action = action.removesuffix(stop)
    say(f"{action}{saves}{stop}", first)
    say(f"Because {item['because']}.", " " * len(first), "dim")
    if item["caution"]:
        above = cautioned.setdefault(item["caution"], k)
        text = item["caution"] if above == k else f"as for {above}."
        say(f"Caution: {text}", " " * len(first), "yellow")
