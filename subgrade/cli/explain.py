"""``subgrade explain``, and what it answers where no frame is named."""

from __future__ import annotations

import math
import os
from typing import TYPE_CHECKING

import click

from subgrade.cli.terminal import HARD, Screen, screen_of
from subgrade.errors import ResultsError

if TYPE_CHECKING:
    from rich.text import Text

    from subgrade.results import Session

REASON_ROWS, RIVAL_ROWS, ROWS = 4, 2, 10
"""Rows shown of each reason given, of the cause next likeliest, and of all together."""
SILENT = 0.2
"""Points below which a row hardly counts and waits for ``--all``."""
TITLES = ("reason", "measured", "value", "compare with", "limit", "points")
MOST_DOUBTFUL = 5
"""Frames offered where none was named."""
ORDER = "RESULTS comes first, then FRAME"
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
def command(results: str, frame: str | None, everything: bool, as_json: bool) -> None:
    """Print why FRAME was kept or rejected, from the RESULTS folder alone.

    FRAME is its name in summary.csv, its path, its file name, or any part of it that no
    other frame has.
    """
    session = opened(results, frame)
    if frame is None:
        raise frame_missing(results, session)
    record = session.frame(frame)
    if as_json:
        import json

        click.echo(json.dumps(record, indent=1, allow_nan=False))
    else:
        _print(record, everything, session)


def _print(record: dict, everything: bool, session: Session) -> None:
    screen = screen_of()
    values = record["values"]
    graded = values["verdict"] != "unreadable"
    reasons = f" ({', '.join(_reasons(record))})" if graded and _reasons(record) else ""

    def paragraph(text: str, style: str = "") -> None:
        screen.show(screen.folded(text, style=style))

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
        paragraph("")
        screen.show(table_lines(parts, screen, record.get("scale_arcsec")))
        paragraph("")
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
    from subgrade.results.guiding_record import recorded_rms

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
        ("guide star missing", "lost_s"),
        ("not settled after a dither", "settle_overlap_s"),
    ):
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


def next_likeliest(record: dict) -> tuple[str | None, float]:
    """The likeliest cause after those given and its share; None where no clue supports one."""
    given, shares = _reasons(record), record.get("shares", {})  # none of an early version
    weighed = next((shares[word] for word in given if word in shares), {})
    # what is only ruled out is no rival
    supported = {e["reason"] for e in record["evidence"] if e.get("clue") and e["points"] > 0}
    left = (pair for pair in weighed.items() if pair[0] not in given and pair[0] in supported)
    return next(left, (None, 0.0))


def chosen_sections(record: dict) -> list[Section]:
    """About ten rows: of the reasons given, the next most likely cause, and against."""
    from subgrade.results import decided

    numbered = _numbered(record)
    given, (rival, _) = _reasons(record), next_likeliest(record)
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
    rows, given, (rival, _) = _numbered(record), _reasons(record), next_likeliest(record)
    mine = [r for word in given for r in _for(rows, word)]
    rest = [r for r in rows if r["reason"] != rival and not _among(r, mine)]
    return _titled(record, mine, _of(rows, rival), rest, "For and against")


def _titled(
    record: dict, mine: list[dict], next_rows: list[dict], rest: list[dict], against: str
) -> list[Section]:
    from subgrade.figures import likely

    given, (rival, share) = _reasons(record), next_likeliest(record)
    kept = record["values"]["verdict"] == "keep"
    parts = [
        (
            f"{'Remark' if kept else 'Reason'}{'' if len(given) == 1 else 's'}: {', '.join(given)}",
            mine,
        ),
        (f"Next most likely cause: {rival} ({likely(share)})", next_rows),
        (f"{against}{' rejecting it' if kept else ''}", rest),
    ]
    return [(title, rows) for title, rows in parts if rows]


def table_lines(parts: list[Section], screen: Screen, scale: float | None = None) -> list[Text]:
    """The rows under their headings.

    Parameters
    ----------
    parts : list of Section
    screen : Screen
    scale : float, optional
        Arcseconds per pixel: lengths are shown in arcseconds.

    Returns
    -------
    list of rich.text.Text
        One a line, folded within the column of the measurements.
    """
    from rich.table import Column
    from rich.text import Text

    columns = [Column(TITLES[0], no_wrap=True), Column(TITLES[1])]
    columns += [Column(title, justify="right") for title in TITLES[2:]]
    rows: list[list[str] | Text] = []
    for title, items in parts:
        rows += [Text(title, "cyan"), *(_cells(item, scale) for item in items)]
    return screen.table(columns, rows)


def _cells(item: dict, scale: float | None) -> list[str]:
    from subgrade.results import evidence_words, quantity_texts

    points = round(item["points"], 1) or 0.0  # no minus before a zero
    numbers = [text.replace(" ", HARD) for text in quantity_texts(item, scale)]
    return [item["reason"], evidence_words(item), *numbers, f"{points:+.1f}"]


def _numbered(record: dict) -> list[dict]:
    """Evidence with a number to show; the rest is in the explanation."""
    return [item for item in in_reading_order(record) if item["value"] is not None]


def _reasons(record: dict) -> list[str]:
    return [word for word in (record["values"]["reasons"] or "").split(";") if word]


def _of(rows: list[dict], word: str | None) -> list[dict]:
    return [r for r in rows if r["reason"] == word]


def _for(rows: list[dict], word: str) -> list[dict]:
    """Rows of a reason that was given, without those that count against it."""
    return [r for r in _of(rows, word) if r["points"] >= 0]


def _among(row: dict, rows: list[dict]) -> bool:
    return any(row is other for other in rows)


def opened(results: str, frame: str | None) -> Session:
    """The results; where a frame was given in their place, an error that states the order.

    Parameters
    ----------
    results, frame : str
        As the person gave them; ``frame`` is None if there was one word only.

    Returns
    -------
    subgrade.results.Session

    Raises
    ------
    ResultsError
    """
    from subgrade.results import open_results

    try:
        return open_results(results)
    except ResultsError as error:
        if os.path.isdir(os.path.expanduser(results)):
            raise
        folder = _folder_for(results, frame)
        if folder is not None:
            typed = _typed(folder, results)
            raise ResultsError(f"{results}: is no results folder. {ORDER}: {typed}") from None
        if frame is None:
            end = "" if str(error).endswith("?") else "."
            raise ResultsError(f"{error}{end} {ORDER}.") from None
        raise


def frame_missing(results: str, session: Session) -> ResultsError:
    """What to type where no frame was named, and the frames whose verdict is least certain."""
    from subgrade.judging.model import DOUBTFUL
    from subgrade.lights import FrameNames
    from subgrade.plaintext import printable

    graded = [f["values"] for f in session.frames if f["values"]["confidence"] is not None]
    graded.sort(key=lambda v: v["confidence"])
    doubtful = [v for v in graded if v["confidence"] < DOUBTFUL][:MOST_DOUBTFUL]
    names = FrameNames(f["values"]["frame"] for f in session.frames)
    example = next((names.shortest(v["frame"]) for v in doubtful or graded), "FRAME")
    lines = [f"which frame? For instance: {_typed(results, example)}"]
    if doubtful:
        lines.append("The verdicts of lowest confidence are")
    for v in doubtful:
        reasons = f" ({v['reasons'].replace(';', ', ')})" if v["reasons"] else ""
        name = printable(names.shortest(v["frame"]))
        lines.append(f"{name}: {v['verdict']}{reasons}, {v['confidence']:.2f}")
    return ResultsError("\n  ".join(lines))


def _folder_for(results: str, frame: str | None) -> str | None:
    """The results that a frame given first belongs to; None where it is no frame."""
    from subgrade.results import open_results
    from subgrade.results.read import nearest_results

    folder = nearest_results(results) if frame is None else frame
    try:
        session = open_results(folder or "")
        if frame is None:
            session.frame(results)
    except ResultsError:
        return None
    return folder


def _typed(*words: str) -> str:
    from subgrade.cli.summary import command as as_typed

    return as_typed("explain", *words).replace(HARD, " ")
