"""``subgrade diagnose``."""

from __future__ import annotations

import click

from subgrade.cli.screen import HARD

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
def command(results, as_json) -> None:
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
    from subgrade.cli.screen import printer, screen_of

    screen = screen_of()
    show = printer(screen)

    def say(text: str = "", first: str = "", style: str = "") -> None:
        """A paragraph behind its first words, a number not parted from its error."""
        together = text.replace(" ±", f"{HARD}±").replace("± ", f"±{HARD}")
        for line in screen.folded(together, len(first), first):
            show(line, style)

    say(diagnosis["summary"], style="bold")
    if diagnosis["losses"]:
        say()
        for line, style in loss_lines(diagnosis["losses"], screen):
            show(line, style)
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


def loss_lines(losses: list[dict], screen) -> list[tuple[str, str]]:
    """The table of losses and the style of each line; as many times a row as have room."""
    from subgrade.cli.screen import padded
    from subgrade.diagnosis.wording import duration

    known = any(span["start_utc"] and span["end_utc"] for row in losses for span in row["spans"])
    titles = ("lost to", "", "frames", "time", "when (UTC)" if known else "when")
    rows = [
        (
            row["reason"],
            row["text"],
            str(row["frames"]),
            duration(row["lost_s"]) if row["lost_s"] else "",
        )
        for row in losses
    ]
    wide = [max(len(row[k]) for row in (titles, *rows)) for k in range(4)]
    whens = [[_span(span) for span in row["spans"]] for row in losses]
    least = max((len(_fitted(when, 0)) for when in whens if when), default=0)
    if screen.folds:
        room = screen.width - sum(wide) - 2 * len(wide)
        # one time a row always has room, where the words must be cut for it
        wide[1] = max(wide[1] - max(least - room, 0), 12)
    room = screen.width - sum(wide) - 2 * len(wide) if screen.folds else None
    lines = []
    for row, when in zip((titles[:4], *rows), (titles[4:], *whens), strict=True):
        cells = [
            padded(_cut(screen.shown(cell), wide[k]), wide[k], right=k > 1)
            for k, cell in enumerate(row)
        ]
        style = "" if lines else "bold"
        lines.append(("  ".join([*cells, screen.shown(_fitted(when, room))]).rstrip(), style))
    return lines


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1].rstrip() + "…"


def _fitted(when: list[str], room: int | None) -> str:
    """Some of the times, and dots for the others."""
    for count in range(min(len(when), MOST_TIMES), 0, -1):
        text = ", ".join([*when[:count], *["…"] * (count < len(when))])
        if room is None or len(text) <= room or count == 1:
            return text
    return ""


def _span(span: dict) -> str:
    """A run of frames as times where known, else as frame names."""
    if span["start_utc"] and span["end_utc"]:
        return f"{span['start_utc'][11:16]}-{span['end_utc'][11:16]}"
    first, last = span["first_frame"], span["last_frame"]
    return first if first == last else f"{first} to {last}"


def _finding(say, item: dict) -> None:
    from subgrade.diagnosis.wording import counted, duration

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


def _advice(say, item: dict, k: int, cautioned: dict[str, int]) -> None:
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
