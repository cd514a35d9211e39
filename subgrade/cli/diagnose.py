"""``subgrade diagnose``."""

from __future__ import annotations

import click


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

    Findings stand in the order of the integration time they cost; errors are one sigma.
    """,
)
@click.argument("results", metavar="RESULTS")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(results, as_json) -> None:
    """Print what spoilt frames over the night and what to change the next, with the numbers.

    RESULTS is the --out folder of an earlier grade.
    """
    from subgrade.errors import ResultsError
    from subgrade.results import open_results

    diagnosis = open_results(results).record.get("diagnosis")
    if not isinstance(diagnosis, dict):
        raise ResultsError(f"{results}: holds no diagnosis; run grade again into this folder")
    if as_json:
        import json

        click.echo(json.dumps(diagnosis, indent=1, allow_nan=False))
    else:
        _print(diagnosis)


def _print(diagnosis: dict) -> None:
    from rich.text import Text

    from subgrade.cli.progress import one_line
    from subgrade.cli.summary import console

    screen = console()

    def say(text: str = "", indent: int = 0, style: str = "", hang: int = 0) -> None:
        # A terminal gets lines folded between words; elsewhere they stay whole.
        lines = [" " * indent + one_line(text)]
        if screen.is_terminal:
            lines = folded(one_line(text), screen.width, indent, hang)
        for line in lines:
            screen.print(Text(line, style), soft_wrap=True)

    say(diagnosis["summary"], style="bold")
    if diagnosis["losses"]:
        say()
        screen.print(_losses(diagnosis["losses"]))
    for title, name, show in (
        ("What was found", "findings", _finding),
        ("What to change, by the time it would have saved", "advice", _advice),
    ):
        if diagnosis[name]:
            say()
            say(title, style="bold")
        for k, item in enumerate(diagnosis[name], 1):
            say()
            show(say, item, k)
    if diagnosis["notes"]:
        say()
    for note in diagnosis["notes"]:
        say(f"note: {note}")


def folded(text: str, width: int, indent: int, hang: int) -> list[str]:
    """Lines of a paragraph, the first indented, the others by ``hang`` more.

    A number is not parted from its error.
    """
    import textwrap

    lines = textwrap.wrap(
        text.replace(" ± ", "\u00a0±\u00a0"),
        max(width, 20 + indent + hang),
        initial_indent=" " * indent,
        subsequent_indent=" " * (indent + hang),
    )
    return [line.replace("\u00a0", " ") for line in lines] or [""]


def _losses(losses: list[dict]):
    from subgrade.cli.summary import _table, duration

    table = _table(
        ("lost to", "left"), ("", "left"), ("frames", "right"), ("time", "right"), ("when", "left")
    )
    for row in losses:
        table.add_row(
            row["reason"], row["text"], str(row["frames"]), duration(row["lost_s"]),
            ", ".join(_span(s) for s in row["spans"][:3])
            + (", …" if len(row["spans"]) > 3 else ""),
        )  # fmt: skip
    return table


def _span(span: dict) -> str:
    """A run of frames as times where known, else as frame names."""
    from rich.markup import escape

    from subgrade.cli.progress import one_line

    if span["start_utc"] and span["end_utc"]:
        return f"{span['start_utc'][11:16]}-{span['end_utc'][11:16]}"
    first, last = (escape(one_line(span[k])) for k in ("first_frame", "last_frame"))
    return first if first == last else f"{first} to {last}"


def _finding(say, item: dict, _: int) -> None:
    from subgrade.cli.summary import duration
    from subgrade.diagnosis.words import counted

    told = [item["sure"]]
    if item["cost_s"]:
        told.append(f"cost {duration(item['cost_s'])}")
    say(f"{item['topic']} ({', '.join(told)})", 2, "bold")
    say(item["sentence"], 4)
    for text in item["evidence"]:
        say(f"- {text}", 4, "dim", 2)
    spans = item["spans"]
    # A finding on the whole night needs no list of frames.
    if item["reason"] and 0 < len(spans) <= 4:
        runs = [
            s["first_frame"] if s["frames"] == 1 else f"{s['first_frame']} to {s['last_frame']}"
            for s in spans
        ]
        say(f"- {counted(len(item['frames']))}: {', '.join(runs)}", 4, "dim", 2)


def _advice(say, item: dict, k: int) -> None:
    from subgrade.cli.summary import duration
    from subgrade.diagnosis.words import sure_word

    told = [f"up to {duration(item['saves_s'])}"] if item["saves_s"] else []
    if sure_word(item["sureness"]) == "possible":
        told.append("a possible cause")
    saves = f" [{', '.join(told)}]" if told else ""
    say(f"{k}. {item['action']}.{saves}", 2, hang=len(f"{k}. "))
    say(f"Because {item['because']}.", 5, "dim")
    if item["caution"]:
        say(f"Caution: {item['caution']}", 5, "yellow")
