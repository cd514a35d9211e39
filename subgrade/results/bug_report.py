"""bug_report.txt: what whoever mends the program needs to know of a crash."""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

from subgrade import __version__
from subgrade.installed import description
from subgrade.plaintext import printable

FILE = "bug_report.txt"
MARK = "subgrade bug report"
"""First words of the file, by which it is known as the program's own."""
MOST = 20
"""Crashes written out; a hundred frames that fail alike say no more."""


def bug_report(crashes: Mapping[str, str], settings: Mapping[str, object]) -> str:
    """The report as text.

    Parameters
    ----------
    crashes : mapping of str to str
        What failed, and the traceback.
    settings : mapping
        What the run was asked for.
    """
    lines = [
        f"{MARK}: send this file along when you report the fault; it names your files and folders.",
        "",
        f"subgrade {__version__}",
        *description(),
        f"called as: {printable(json.dumps(sys.argv))}",
        f"settings: {printable(json.dumps(dict(settings), default=str))}",
    ]
    for name, trace in list(crashes.items())[:MOST]:
        lines += ["", f"--- {printable(name)}", *map(printable, trace.rstrip().split("\n"))]
    if len(crashes) > MOST:
        lines += ["", f"and {len(crashes) - MOST} more: {printable(', '.join(crashes))}"]
    return "\n".join(lines) + "\n"


def is_own(path: Path) -> bool:
    """Whether a file is a bug report of an earlier run."""
    try:
        with path.open("rb") as stream:
            return stream.read(len(MARK)) == MARK.encode()
    except OSError:
        return False


def write_somewhere(text: str, folder: str | os.PathLike | None) -> str | None:
    """Write a report into a folder, or else where temporary files go; None where nowhere can be.

    Parameters
    ----------
    text : str
    folder : path-like or None
        Existing folder.
    """
    if folder is not None and os.path.isdir(folder):
        path = Path(folder, FILE)
        try:
            if is_own(path) or not os.path.lexists(path):
                path.write_text(text, encoding="utf-8")
                return str(path)
        except OSError:
            pass
    try:
        handle, name = tempfile.mkstemp(prefix="subgrade_bug_report_", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            stream.write(text)
    except OSError:
        return None
    return name
