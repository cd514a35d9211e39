"""One self-contained page: data, look and behaviour put together."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from subgrade.report.page_values import page_record, review_record
from subgrade.report.self_contained import filled, json_block, one_script, page_part, policy
from subgrade.results import Graded, write_whole

FILE = "report.html"
STYLES = ("common.css", "page.css")
SCRIPTS = (
    "common.js",
    "base.js",
    "clock.js",
    "head.js",
    "scales.js",
    "axes.js",
    "events.js",
    "timeline.js",
    "plot.js",
    "plot_frame.js",
    "pointer.js",
    "drawings.js",
    "evidence.js",
    "frame.js",
    "names.js",
    "columns.js",
    "table.js",
    "filters.js",
    "find.js",
    "marks.js",
    "choice.js",
    "choice_curve.js",
    "choice_panel.js",
    "night.js",
    "paper.js",
    "start.js",
)

SHOWN_LATER = frozenset(
    ("evidence", "shares", "notes", "star", "whiskers", "motion", "path", "thumbnail", "crops")
)
"""Parts of a frame that are read only when it is shown: most of the page."""


def write_report(graded: Graded, out: str | Path) -> Path:
    """Write the page into a results folder, whole or not at all.

    Parameters
    ----------
    graded : Graded
    out : path-like
        Existing folder.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    ResultsError
        If it cannot be written.
    """
    path = Path(out).absolute() / FILE
    write_whole(path, report_page(graded))
    return path


def report_page(graded: Graded, session: dict | None = None) -> str:
    """The page as text: no address outside it is needed, and its policy allows none.

    Parameters
    ----------
    graded : Graded
    session : dict, optional
        As for `page_record`.

    Returns
    -------
    str
    """
    return assemble(page_record(graded, session))


@dataclass(frozen=True, slots=True)
class ReviewedPage:
    """The page as a server of this machine shows it.

    Attributes
    ----------
    before, behind : str
        The page round the state of the marks.
    policy : str
        Content-Security-Policy of the page, for its header.
    """

    before: str
    behind: str
    policy: str

    def text(self, state: dict) -> str:
        """The page with the state of the marks as it is: ``review`` of its record."""
        return f"{self.before}{json_block(state)}{self.behind}"


def reviewed_page(
    graded: Graded,
    folder: Path,
    marks: str,
    scripts: Sequence[str] = (),
    styles: Sequence[str] = (),
) -> ReviewedPage:
    """The page for a server, which has more to look at.

    Parameters
    ----------
    graded : Graded
    folder : Path
        RESULTS, absolute.
    marks : str
        Name of the file in it where the server keeps the marks.
    scripts, styles : sequence of str
        As for `assemble`.
    """
    mark = secrets.token_hex(16)
    record = page_record(graded) | review_record(graded.settings, folder, marks)
    record["review"] = mark
    before, behind = assemble(record, scripts, styles, served=True).split(f'"{mark}"')
    return ReviewedPage(before, behind, f"{policy(_script(scripts), True)}; frame-ancestors 'none'")


def assemble(
    record: dict, scripts: Sequence[str] = (), styles: Sequence[str] = (), served: bool = False
) -> str:
    """Put a record into the page's frame.

    Parameters
    ----------
    record : dict
        As from `page_record`; plain values only.
    scripts, styles : sequence of str
        Texts that come after the page's own.
    served : bool
        Whether the page comes from a server, which it may ask for pictures and numbers.
    """
    frames, later = parted(record["frames"])
    behaviour = _script(scripts)
    pieces = {
        "POLICY": policy(behaviour, served),
        "STYLE": "\n".join([*map(page_part, STYLES), *styles]),
        "DATA": json_block({**record, "frames": frames}),
        "BEHAVIOUR": behaviour,
        "LATER": "".join(map(_later_block, later)),
    }
    return filled(page_part("page.html"), pieces)


def parted(frames: list[dict]) -> tuple[list[dict], list[dict]]:
    """What is needed of every frame at once, and what only when a frame is shown."""
    now = [{k: v for k, v in frame.items() if k not in SHOWN_LATER} for frame in frames]
    later = [{k: v for k, v in frame.items() if k in SHOWN_LATER} for frame in frames]
    return now, later


def _later_block(frame: dict) -> str:
    """Behind the script that uses it, so that the page is usable before it has been read."""
    return f'<script type="application/json" class="later">{json_block(frame)}</script>\n'


def _script(more: Sequence[str]) -> str:
    """The page's own script, and what comes after it."""
    return one_script([*map(page_part, SCRIPTS), *more])
