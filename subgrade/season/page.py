"""The season as one self-contained page."""

from __future__ import annotations

from pathlib import Path

from subgrade.report import filled, json_block, one_script, page_part, policy
from subgrade.season.model import Season
from subgrade.season.page_values import page_record

FILE = "nights.html"
HERE = "subgrade.season"
SHARED = ("common.js", "scales.js")
"""Scripts that the page of a night has as well."""
SCRIPTS = (
    "season.js",
    "outcome.js",
    "strip.js",
    "stacks.js",
    "trends.js",
    "hours.js",
    "lists.js",
    "begin.js",
)


def season_page(season: Season, out: str | Path) -> str:
    """The page as text: no address outside it is needed, and its policy allows none.

    Parameters
    ----------
    season : Season
    out : path-like
        Folder where it will stand, from which it links to the nights' own pages.

    Returns
    -------
    str
    """
    return assemble(page_record(season, out))


def assemble(record: dict) -> str:
    """Put a record, as from `page_record`, into the page's frame."""
    scripts = [*map(page_part, SHARED), *(page_part(name, HERE) for name in SCRIPTS)]
    behaviour = one_script(scripts)
    pieces = {
        "POLICY": policy(behaviour),
        "STYLE": page_part("common.css") + page_part("nights.css", HERE),
        "DATA": json_block(record),
        "BEHAVIOUR": behaviour,
    }
    return filled(page_part("page.html", HERE), pieces)
