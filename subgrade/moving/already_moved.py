"""Which frames earlier culls moved away, for a grade of those that are left."""

from __future__ import annotations

import os
from collections.abc import Collection
from pathlib import Path

from subgrade.errors import ResultsError
from subgrade.moving.journal import Journal
from subgrade.moving.model import MOVE, OPEN_STATES, Entry
from subgrade.results import CulledFrame, open_results


def culled_away(results: str | Path, graded: Collection[Path]) -> tuple[CulledFrame, ...]:
    """Frames that culls of a RESULTS folder moved and no restore brought back.

    Parameters
    ----------
    results : path-like
        Its session.json is that of the grade before.
    graded : collection of Path
        Files that are graded now; a culled frame among them is left out.

    Returns
    -------
    tuple of CulledFrame
        In the order moved, each with what that grade, or one before, noted of it; empty where
        nothing was culled or the journal cannot be read.
    """
    try:
        moved = [e for e in Journal(Path(results)).active() if e.kind == MOVE]
    except ResultsError:
        return ()
    now = {os.path.realpath(path) for path in graded}
    moved = [e for e in moved if _is_away(e) and os.path.realpath(e.target) not in now]
    noted = _noted(results) if moved else {}
    return tuple(
        CulledFrame(_name(record, e.source), Path(e.source), Path(e.target), record)
        for e in moved
        for record in (noted.get(e.source),)
    )


def moved_to(results: str | Path, path: str | Path) -> Path | None:
    """Where a cull of a RESULTS folder moved a file; None where it did not."""
    try:
        entries = Journal(Path(results)).active()
    except ResultsError:
        return None
    found = [e for e in entries if e.kind == MOVE and e.source == str(path) and _is_away(e)]
    return Path(found[-1].target) if found else None


def _is_away(entry: Entry) -> bool:
    if entry.state in OPEN_STATES and os.path.lexists(entry.source):
        return False  # a cull stopped before it took the original away
    # neither is there while the cull folder's disk is not attached
    return os.path.lexists(entry.target) or not os.path.lexists(entry.source)


def _noted(results: str | Path) -> dict[str, dict]:
    """Records of the earlier session by path, of its culled frames too."""
    try:
        session = open_results(results)
    except ResultsError:
        return {}
    earlier = {c["path"]: c["record"] for c in session.culled if c["record"]}
    return earlier | {frame["path"]: frame for frame in session.frames}


def _name(record: dict | None, source: str) -> str:
    return record["values"]["frame"] if record else os.path.basename(source)
