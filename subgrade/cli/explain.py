"""``subgrade explain``."""

from __future__ import annotations

import math

import click

REASON_ROWS, RIVAL_ROWS, ROWS = 4, 2, 10
"""Rows shown of each reason given, of the cause next likeliest, and of all together."""
SILENT = 0.2
"""Points below which a row hardly counts and waits for ``--all``."""
TITLES = ("reason", "measured", "value", "compare with", "limit", "points")
Section = tuple[str, list[dict]]
"""A heading and its rows of evidence."""


@click.command(
    "explain",
    epilog="""
    \b
    Example: why did frame 42 go?
      subgrade explain subgrade_results light_0042
    \b
    Every measurement that was taken into account:
      subgrade explain subgrade_results light_0042 --all
    \b
    The same for a script:
      subgrade explain subgrade_results light_0042.fits --json

    Points are log odds: positive supports the reason in front, negative counts against
    it. A number beyond its limit earns more than 0 and rejects the frame.
    """,
)
@click.argument("results", metavar="RESULTS")
@click.argument("frame", metavar="FRAME", required=False)
@click.option("--all", "everything", is_flag=True, help="Print every measurement.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON, with every measurement.")
def command(results, frame, everything, as_json) -> None:
    """Print why FRAME was kept or rejected, from the RESULTS folder alone.

    FRAME is its name in summary.csv, its path, its file name, or any part of it that no
    other frame has.
    """
    from subgrade.cli.which_frame import frame_missing, opened

    session = opened(results, frame)
    if frame is None:
        raise frame_missing(results, session)
    record = session.frame(frame)
    if as_json:
        import json

        click.echo(json.dumps(record, indent=1, allow_nan=False))
    else:
        _print(record, everything, session)


def _print(record: dict, everything: bool, session) -> None:
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
    if stars := stars_line(record):
        paragraph(stars)
    guiding = record.get("guiding")
    if guiding and guiding["samples"]:
        axes = (session.record.get("guiding") or {}).get("axes")
        paragraph(guiding_line(guiding, session.frames, axes))
    parts = all_sections(record) if everything else chosen_sections(record)
    if parts:
        say("")
        for line, style in table_lines(parts, screen, record.get("scale_arcsec")):
            say(line, style)
        say("")
        paragraph(
            "Points are log odds: positive supports the reason in front, negative counts "
            "against it.",
            "dim",
        )
    for note in record["notes"]:
        paragraph(f"note: {note}")
    left = len(_numbered(record)) - sum(len(rows) for _, rows in parts)
    if left:
        things = "measurement" if left == 1 else "measurements"
        paragraph(f"{left} more {things}: add --all.", "dim")


def stars_line(record: dict) -> str:
    """How many stars a frame has, their width and eccentricity; empty if it was not measured."""
    from subgrade.figures import eccentricity_text
    from subgrade.judging.features import FWHM
    from subgrade.results.night_summary import width_text

    values, scale = record["values"], record.get("scale_arcsec")
    parts = [] if values["stars"] is None else [f"{values['stars']}"]
    width = values["fwhm_px"]
    if width is not None:
        # the evidence has it unrounded, as the explanation was written from it
        width = next((e["value"] for e in record["evidence"] if e["quantity"] == FWHM.name), width)
        pixels = f" ({width:.2f} px)" if scale else ""
        parts.append(f"FWHM {width_text(width, scale)}{pixels}")
    if values["eccentricity"] is not None:
        error = record.get("eccentricity_error")
        text = eccentricity_text(values["eccentricity"], math.nan if error is None else error)
        parts.append(f"eccentricity {text}")
    return f"stars: {', '.join(parts)}" if parts else ""


def guiding_line(guiding: dict, frames: list[dict], axes: str | None = "ra_dec") -> str:
    """The record inside this exposure, in one line, beside the median of the kept frames.

    Parameters
    ----------
    guiding : dict
        Of this frame in session.json.
    frames : list of dict
        All frames there.
    axes : str or None
        ``xy`` where the record's axes are the guide camera's.
    """
    from subgrade.figures import figure
    from subgrade.results.guiding import recorded_rms

    names = ("x", "y") if axes == "xy" else ("RA", "Dec")
    others = [f for f in frames if f["guiding"] != guiding]
    typical = recorded_rms(frames) if any(map(math.isfinite, recorded_rms(others))) else ()
    parts = []
    for k, (title, name) in enumerate(zip(names, ("rms_ra", "rms_dec"), strict=True)):
        if guiding[name] is not None:
            beside = f" (typical {figure(typical[k], '″')})" if typical else ""
            parts.append(f"{title} {figure(guiding[name], '″')}{beside}")
    parts = [f"RMS {', '.join(parts)}"] if parts else []
    if guiding["peak"] is not None:
        parts.append(f"peak {figure(guiding['peak'], '″')}")
    for title, name in (
        ("guide star missing", "lost_s"), ("not settled after a dither", "settle_overlap_s")
    ):  # fmt: skip
        if guiding[name]:
            parts.append(f"{title} for {figure(guiding[name], 's')}")
    samples = "sample" if guiding["samples"] == 1 else "samples"
    parts.append(
        f"{guiding['samples']} {samples} over {100 * guiding['coverage']:.0f}% of the exposure"
    )
    return "guiding: " + ", ".join(parts)


def in_reading_order(record: dict) -> list[dict]:
    """The evidence with the numbers that decided first, then by how much each counts.

    A frame just past its limit is decided by a number of few points, which would stand
    far down the table.
    """
    from subgrade.results import decided

    reasons = _reasons(record)
    return sorted(record["evidence"], key=lambda r: (not decided(r, reasons), -abs(r["points"])))


def next_likeliest(record: dict) -> tuple[str, float] | None:
    """The likeliest cause after those given and its share; None where no clue supports one."""
    from subgrade.results.read import rivals

    given = _reasons(record)
    weighed = next((found for word in given if (found := rivals(record, word))), {})
    # what is only ruled out is no rival
    supported = {e["reason"] for e in record["evidence"] if e.get("clue") and e["points"] > 0}
    left = ((w, s) for w, s in weighed.items() if w not in given and w in supported)
    return next(left, None)


def chosen_sections(record: dict) -> list[Section]:
    """About ten rows: of the reasons given, the next most likely cause, and against."""
    from subgrade.results import decided

    numbered = _numbered(record)
    given, rival = _reasons(record), _word(next_likeliest(record))
    rows = [r for r in numbered if abs(r["points"]) >= SILENT or decided(r, given)]
    most = REASON_ROWS if len(given) == 1 else REASON_ROWS - 1
    # a remark may earn no points at all
    mine = [r for word in given for r in (_for(rows, word) or _for(numbered, word))[:most]]
    next_rows = _of(rows, rival)[:RIVAL_ROWS]
    left = max(ROWS - len(mine) - len(next_rows), 2)
    rest = [r for r in rows if r["points"] < 0 and not _among(r, [*mine, *next_rows])]
    if given and record["values"]["verdict"] != "keep":
        rest = [r for r in rest if r["reason"] != rival]
    return _titled(record, mine, next_rows, rest[:left], "Strongest against")


def all_sections(record: dict) -> list[Section]:
    """Every row, in the same order."""
    rows, given, rival = _numbered(record), _reasons(record), _word(next_likeliest(record))
    mine = [r for word in given for r in _for(rows, word)]
    rest = [r for r in rows if r["reason"] != rival and not _among(r, mine)]
    return _titled(record, mine, _of(rows, rival), rest, "For and against")


def _titled(record, mine, next_rows, rest, against: str) -> list[Section]:
    from subgrade.figures import likely

    given, rival = _reasons(record), next_likeliest(record)
    kept = record["values"]["verdict"] == "keep"
    parts = [
        (
            f"{'Remark' if kept else 'Reason'}{'' if len(given) == 1 else 's'}: {', '.join(given)}",
            mine,
        ),
        (f"Next most likely cause: {rival[0]} ({likely(rival[1])})" if rival else "", next_rows),
        (f"{against}{' rejecting it' if kept else ''}", rest),
    ]
    return [(title, rows) for title, rows in parts if rows]


def table_lines(parts: list[Section], screen, scale: float | None = None) -> list[tuple[str, str]]:
    """The rows under their headings, columns lined up, with the style of each line.

    Lengths are in arcseconds where the frame's scale is given.
    """
    from subgrade.cli.screen import elided, padded

    cells = [[_cells(item, scale) for item in rows] for _, rows in parts]
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


def _cells(item: dict, scale: float | None) -> list[str]:
    from subgrade.results import evidence_words, quantity_texts

    points = round(item["points"], 1) or 0.0  # no minus before a zero
    numbers = quantity_texts(item, scale)
    return [item["reason"], evidence_words(item), *numbers, f"{points:+.1f}"]


def _numbered(record: dict) -> list[dict]:
    """Evidence with a number to show; the rest is in the explanation."""
    return [item for item in in_reading_order(record) if item["value"] is not None]


def _reasons(record: dict) -> list[str]:
    return [word for word in (record["values"]["reasons"] or "").split(";") if word]


def _word(rival: tuple[str, float] | None) -> str | None:
    return rival[0] if rival else None


def _of(rows: list[dict], word: str | None) -> list[dict]:
    return [r for r in rows if r["reason"] == word]


def _for(rows: list[dict], word: str) -> list[dict]:
    """Rows of a reason that was given, without those that count against it."""
    return [r for r in _of(rows, word) if r["points"] >= 0]


def _among(row: dict, rows: list[dict]) -> bool:
    return any(row is other for other in rows)
