"""``subgrade explain``."""

from __future__ import annotations

import click

REASON_ROWS, RIVAL_ROWS, ROWS = 4, 2, 10
"""Rows shown of each reason given, of the motion next likeliest, and of all together."""
SILENT = 0.2
"""Points below which a row says next to nothing and waits for ``--all``."""
TITLES = ("speaks of", "measured", "value", "usual", "limit", "points")
Section = tuple[str, list[dict]]
"""A heading and its rows of evidence."""


@click.command(
    "explain",
    epilog="""
    \b
    Example: why did frame 42 go?
      subgrade explain subgrade_results light_0042
    \b
    Everything that was looked at:
      subgrade explain subgrade_results light_0042 --all
    \b
    The same for a script:
      subgrade explain subgrade_results light_0042.fits --json

    Points are log odds: positive speaks for the reason, negative against it; a reason
    whose deciding number earns more than 0 rejects the frame.
    """,
)
@click.argument("results", metavar="RESULTS")
@click.argument("frame", metavar="FRAME")
@click.option("--all", "everything", is_flag=True, help="Print every piece of evidence.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, every piece of evidence in it.")
def command(results, frame, everything, as_json) -> None:
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
        _print(record, everything)


def _print(record: dict, everything: bool) -> None:
    from subgrade.cli.screen import printer, screen_of

    screen = screen_of()
    say = printer(screen)
    values = record["values"]
    graded = values["verdict"] != "unreadable"
    reasons = f" ({', '.join(_reasons(record))})" if graded and _reasons(record) else ""

    def paragraph(text: str, style: str = "") -> None:
        for line in screen.folded(text, 0):
            say(line, style)

    paragraph(f"{values['frame']}: {values['verdict']}{reasons}", "bold")
    if record.get("culled"):
        paragraph(record["culled"])
    paragraph(values["explanation"])
    if graded:
        paragraph(f"confidence {values['confidence']:.2f}, weight {values['weight']:.2f}")
    guiding = record.get("guiding")
    if guiding and guiding["samples"]:
        paragraph(guiding_line(guiding))
    parts = all_sections(record) if everything else chosen_sections(record)
    if parts:
        say("")
        for line, style in table_lines(parts, screen):
            say(line, style)
        say("")
        paragraph(
            "Points are log odds: positive speaks for the reason in front, negative against.",
            "dim",
        )
    for note in record["notes"]:
        paragraph(f"note: {note}")
    left = len(_numbered(record)) - sum(len(rows) for _, rows in parts)
    if left:
        paragraph(f"{left} more {'row' if left == 1 else 'rows'} of evidence: add --all.", "dim")


def guiding_line(guiding: dict) -> str:
    """The record inside this exposure, in one line."""
    from subgrade.causes.figures import figure

    parts = [f"{guiding['samples']} samples over {100 * guiding['coverage']:.0f}% of the exposure"]
    for title, name in (("rms RA", "rms_ra"), ("rms Dec", "rms_dec"), ("peak", "peak")):
        if guiding[name] is not None:
            parts.append(f"{title} {figure(guiding[name], '″')}")
    for title, name in (("without a star", "lost_s"), ("unsettled", "settle_overlap_s")):
        if guiding[name]:
            parts.append(f"{title} {figure(guiding[name], 's')}")
    return "guiding: " + ", ".join(parts)


def in_reading_order(record: dict) -> list[dict]:
    """The evidence with the numbers that decided first, then by how much each says.

    A frame just past its limit is decided by a number of few points, which would stand
    far down the table.
    """
    reasons = _reasons(record)
    return sorted(record["evidence"], key=lambda r: (not _decided(r, reasons), -abs(r["points"])))


def next_likeliest(record: dict) -> str | None:
    """The motion that the evidence speaks for most after the one given; None for no motion."""
    from subgrade.causes.motion import PRIOR

    given = next((r for r in _reasons(record) if r in PRIOR), None)
    if given is None:
        return None
    summed: dict[str, float] = {}
    for item in record["evidence"]:
        word = item["reason"]
        if word in PRIOR and word not in _reasons(record):
            summed[word] = summed.get(word, PRIOR[word]) + item["points"]
    return max(summed, key=summed.get, default=None)


def chosen_sections(record: dict) -> list[Section]:
    """About ten rows: of the reasons given, of the next likeliest motion, and against the rest."""
    numbered = _numbered(record)
    given, rival = _reasons(record), next_likeliest(record)
    rows = [r for r in numbered if abs(r["points"]) >= SILENT or _decided(r, given)]
    most = REASON_ROWS if len(given) == 1 else REASON_ROWS - 1
    # a remark may earn no points at all
    mine = [r for word in given for r in (_of(rows, word) or _of(numbered, word))[:most]]
    next_rows = _of(rows, rival)[:RIVAL_ROWS]
    left = max(ROWS - len(mine) - len(next_rows), 2)
    rest = [r for r in rows if r["points"] < 0 and not _among(r, [*mine, *next_rows])]
    if given and record["values"]["verdict"] != "keep":
        rest = [r for r in rest if r["reason"] not in (*given, rival)]
    return _titled(record, mine, rival, next_rows, rest[:left], "Strongest against")


def all_sections(record: dict) -> list[Section]:
    """Every row, in the same order."""
    rows, given, rival = _numbered(record), _reasons(record), next_likeliest(record)
    mine = [r for word in given for r in _of(rows, word)]
    rest = [r for r in rows if r["reason"] not in (*given, rival)]
    return _titled(record, mine, rival, _of(rows, rival), rest, "For and against")


def _titled(record, mine, rival, next_rows, rest, against: str) -> list[Section]:
    given = _reasons(record)
    kept = record["values"]["verdict"] == "keep"
    parts = [
        (f"{'Reason' if len(given) == 1 else 'Reasons'} given: {', '.join(given)}", mine),
        (f"Next likeliest motion: {rival}", next_rows),
        (f"{against} {'rejecting it' if kept else 'other reasons'}", rest),
    ]
    return [(title, rows) for title, rows in parts if rows]


def table_lines(parts: list[Section], screen) -> list[tuple[str, str]]:
    """The rows under their headings, columns lined up, with the style of each line."""
    from subgrade.cli.screen import elided, padded

    cells = [[_cells(item) for item in rows] for _, rows in parts]
    shown = [[[screen.shown(c) for c in row] for row in part] for part in cells]
    every = [list(TITLES), *(row for part in shown for row in part)]
    wide = [max(len(row[k]) for row in every) for k in range(len(TITLES))]
    if screen.folds:
        wide[1] = max(min(wide[1], screen.width - sum(wide) + wide[1] - 2 * (len(wide) - 1)), 12)

    def line(row) -> str:
        row = [row[0], elided(row[1], wide[1], screen.shown("…")), *row[2:]]
        return "  ".join(padded(cell, wide[k], right=k > 1) for k, cell in enumerate(row))

    lines = [(line(TITLES), "bold")]
    for (title, _), part in zip(parts, shown, strict=True):
        lines.append((title, "cyan"))
        lines += [(line(row), "") for row in part]
    return lines


def _cells(item: dict) -> list[str]:
    from subgrade.results import quantity_text, quantity_words

    name, unit = item["quantity"], item["unit"]
    numbers = [quantity_text(name, item[key], unit) for key in ("value", "usual", "limit")]
    points = round(item["points"], 1) or 0.0  # no minus before a zero
    return [item["reason"], quantity_words(name), *numbers, f"{points:+.1f}"]


def _numbered(record: dict) -> list[dict]:
    """Evidence with a number to show; the rest is told by the explanation."""
    return [item for item in in_reading_order(record) if item["value"] is not None]


def _reasons(record: dict) -> list[str]:
    return [word for word in (record["values"]["reasons"] or "").split(";") if word]


def _decided(row: dict, reasons: list[str]) -> bool:
    return row["limit"] is not None and row["points"] > 0 and row["reason"] in reasons


def _of(rows: list[dict], word: str | None) -> list[dict]:
    return [r for r in rows if r["reason"] == word]


def _among(row: dict, rows: list[dict]) -> bool:
    return any(row is other for other in rows)
