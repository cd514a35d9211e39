"""Move the rejects of a RESULTS folder out of the way."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from subgrade.errors import NotMoved, ResultsError
from subgrade.lights import CULLED_MARKER
from subgrade.moving import disk
from subgrade.moving.cull_plan import Plan, hides_others, make_plan, where_away
from subgrade.moving.disk import error_text
from subgrade.moving.journal import Journal
from subgrade.moving.lock import locked
from subgrade.moving.model import (
    LINK,
    MOVE,
    OPEN_STATES,
    UNDONE,
    Away,
    Entry,
    Outcome,
    Planned,
)
from subgrade.moving.steps import (
    FULL,
    is_our_link,
    link_out,
    make_folders,
    move_out,
    settle,
    unlink,
    worded,
)
from subgrade.results import Session, open_results

MARK = "Frames that subgrade cull moved out of the way.\n"
"""The first line of the marker; a file that starts otherwise is not ours to remove."""


def would_cull(
    results: str | Path, to: str | Path | None = None, *, unreadable: bool = False
) -> tuple[Planned, ...]:
    """The frames that `cull` would move; nothing is changed.

    Raises
    ------
    ResultsError
        If the results cannot be read.
    NotMoved
        If `cull` would refuse.
    """
    session = open_results(results)
    journal = Journal(session.folder)
    return _plan(session, journal, to, MOVE, unreadable).frames


def where_culled(results: str | Path) -> tuple[Away, ...]:
    """Where the frames and links of earlier culls are; nothing is changed.

    Raises
    ------
    ResultsError
        If the results cannot be read.
    """
    session = open_results(results)
    return where_away(session, Journal(session.folder).active())


def cull(
    results: str | Path,
    to: str | Path,
    *,
    link: bool = False,
    unreadable: bool = False,
    advance: Callable[[int, int], None] = lambda done, total: None,
) -> Outcome:
    """Move the rejects to a folder, laid out as among the lights.

    Links that an earlier cull made to them are removed, as they would lead nowhere.

    Parameters
    ----------
    results : path-like
        The RESULTS folder of a grade.
    to : path-like
        Made if missing.
    link : bool
        Make symbolic links to the rejects there instead; nothing is moved.
    unreadable : bool
        Take the files along that could not be graded.
    advance : callable
        Called with how many of how many frames are done.

    Returns
    -------
    Outcome

    Raises
    ------
    ResultsError
        If the results cannot be read, or another cull is at work.
    NotMoved
        If a file is not the one that was graded, or a target is taken; nothing was moved.
    """
    session, kind = open_results(results), LINK if link else MOVE
    with locked(session.folder), Journal(session.folder) as journal:
        if journal.damaged:
            lines = ", ".join(map(str, journal.damaged[:5]))
            raise ResultsError(
                f"{journal.path}: line {lines} cannot be read; run restore, which brings "
                "back what it can"
            )
        problems = settle_all(journal)
        try:
            plan = _plan(session, journal, to, kind, unreadable)
        except NotMoved as error:
            raise NotMoved("nothing was moved", [*problems, *error.problems]) from error
        moved, unlinked = [], 0
        if plan.frames:
            unlinked, stuck = _end(journal, plan.over)
            problems += stuck
        earlier = where_away(session, journal.active())
        if plan.frames:
            _mark_folder(journal, os.path.abspath(os.path.expanduser(to)), session)
        for number, frame in enumerate(plan.frames):
            try:
                if link:
                    link_out(journal, frame)
                else:
                    move_out(journal, frame, lambda frame=frame: plan.as_graded(frame))
            except OSError as error:
                problems.append((frame.source, _why(error, frame, link)))
                if error.errno in FULL:
                    break
            except ResultsError as error:
                problems.append((frame.source, f"stays, as all that follow: {error}"))
                break
            else:
                moved.append(frame)
            advance(number + 1, len(plan.frames))
        return Outcome(tuple(moved), tuple(problems), earlier, link, unlinked)


def _plan(
    session: Session, journal: Journal, to: str | Path | None, kind: str, unreadable: bool
) -> Plan:
    try:
        return make_plan(session, journal.active(), _text(to), kind, unreadable)
    except OSError as error:
        path = str(error.filename or to)
        raise NotMoved(
            "nothing was moved", [(path, f"cannot be looked at: {error_text(error)}")]
        ) from error


def _end(journal: Journal, over: tuple[Entry, ...]) -> tuple[int, list[tuple[str, str]]]:
    """Note earlier steps as over, and remove what is left of them; links removed, and trouble."""
    unlinked, problems = 0, []
    for entry in over:
        if not is_our_link(entry):
            journal.mark(entry, UNDONE)
            continue
        try:
            unlink(journal, entry)
        except OSError as error:
            problems.append((entry.target, f"this link stays: {error_text(error)}"))
        else:
            unlinked += 1
    if unlinked:
        clear_folders(journal)
    return unlinked, problems


def settle_all(journal: Journal) -> list[tuple[str, str]]:
    """Settle every step that a stopped run left open; what cannot be settled, and why."""
    problems = []
    for entry in [e for e in journal.entries.values() if e.state in OPEN_STATES]:
        try:
            settle(journal, entry)
        except OSError as error:
            problems.append((entry.source, worded(error, entry.source)))
    return problems


def _mark_folder(journal: Journal, to: str, session: Session) -> None:
    """Make the cull folder, and its marker unless files of another night's lights are there."""
    try:
        make_folders(to, journal.folder)
        if hides_others(to):
            return
        text = (
            f"{MARK}\nThis brings them back:\n  subgrade restore {_shown(session.folder)}\n\n"
            "While this file is here, subgrade grade passes over this folder when it searches\n"
            "a folder above it.\n"
        )
        with open(os.path.join(to, CULLED_MARKER), "x", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        disk.sync_folder(to)
    except FileExistsError:
        return
    except OSError as error:
        raise NotMoved(
            "nothing was moved", [(to, f"cannot be used: {error_text(error)}")]
        ) from error


def clear_folders(journal: Journal) -> None:
    """Remove the folders that culls made and that are empty now, with their marker."""
    made = tuple(journal.folders)
    for folder in reversed(made):
        with suppress(OSError):
            marker = os.path.join(folder, CULLED_MARKER)
            if os.listdir(folder) == [CULLED_MARKER] and _ours(marker):
                os.unlink(marker)
            os.rmdir(folder)
    journal.cleared()
    if journal.active():
        for folder in filter(os.path.isdir, made):
            journal.folder(folder)


def _ours(marker: str) -> bool:
    with open(marker, "rb") as stream:
        return MARK.encode().startswith(stream.read(len(MARK)))  # one cut short by a crash too


def _shown(folder: Path) -> str:
    return os.path.abspath(folder).encode("utf-8", "backslashreplace").decode()


def _text(path: str | Path | None) -> str | None:
    return None if path is None else os.fspath(path)


def _why(error: OSError, frame: Planned, link: bool) -> str:
    if isinstance(error, FileExistsError):
        return f"{frame.target} is there already; nothing is overwritten"
    if link and error.errno in (errno.EPERM, errno.EACCES, errno.ENOSYS, errno.EOPNOTSUPP):
        cause = f"no link could be made in this folder: {error_text(error)}"
        return f"{cause}; move instead, or use --list"
    return worded(error, frame.source)
