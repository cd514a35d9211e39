"""Bring back what culls moved, by the journal alone."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from subgrade.errors import ResultsError
from subgrade.moving.culling import clear_folders, settle_all
from subgrade.moving.journal import Journal
from subgrade.moving.lock import locked
from subgrade.moving.model import DONE, JOURNAL, MOVE, Outcome, Planned
from subgrade.moving.steps import bring_back, is_our_link, worded


def restore(
    results: str | Path, *, advance: Callable[[int, int], None] = lambda done, total: None
) -> Outcome:
    """Bring every culled frame back to its place, the last one moved first.

    Parameters
    ----------
    results : path-like
        The RESULTS folder whose rejects were culled.  Only its journal is needed.
    advance : callable
        Called with how many of how many frames are done.

    Returns
    -------
    Outcome
        ``moved`` are the frames that came back, ``unlinked`` counts links that were removed.
        A frame whose place is taken by another file stays where it is and is a problem.

    Raises
    ------
    ResultsError
        If it is no results folder, or another run is at work.
    """
    folder = Path(results)
    if not any((folder / name).is_file() for name in (JOURNAL, "session.json")):
        raise ResultsError(f"{folder}: is no results folder; name the --out folder of a grade")
    if not (folder / JOURNAL).is_file():
        return Outcome()
    with locked(folder), Journal(folder) as journal:
        problems = [
            (f"{journal.path}", f"line {number} cannot be understood and was passed over")
            for number in journal.damaged
        ]
        problems += settle_all(journal)
        waiting = [e for e in reversed(journal.active()) if e.state == DONE]
        back, unlinked, made = [], 0, []
        for number, entry in enumerate(waiting):
            frame = Planned(
                os.path.basename(entry.source), entry.source, entry.target, entry.exposure_s
            )
            linked, missing = is_our_link(entry), _missing_above(entry.source)
            try:
                bring_back(journal, entry)
            except OSError as error:
                problems.append((entry.target, worded(error, entry.target)))
            except ResultsError as error:
                problems.append((entry.target, f"stays, as all that follow: {error}"))
                break
            else:
                unlinked += linked
                if entry.kind == MOVE:
                    back.append(frame)
                    made += [missing] if missing and not _below(missing, made) else []
            advance(number + 1, len(waiting))
        if journal.folders and not journal.active():
            clear_folders(journal)
        return Outcome(tuple(back), tuple(problems), unlinked=unlinked, made=tuple(made))


def _below(path: str, folders: list[str]) -> bool:
    return any(Path(path).is_relative_to(folder) for folder in folders)


def _missing_above(path: str) -> str:
    """The outermost folder above a path that is not there; empty where all are."""
    missing = ""
    while (path := os.path.dirname(path)) and not os.path.lexists(path):
        missing = path
    return missing
