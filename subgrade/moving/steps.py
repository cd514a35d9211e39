"""One frame's step, forth or back, and what to make of one that a crash cut short.

The journal is written before each step.  At any moment the frame's bytes are whole under
its old name, its new name, or both; the old name is removed only after the new one holds
the same bytes on the disk, read back where they were copied.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable

from subgrade.moving import disk
from subgrade.moving.disk import Differs, NoExclusiveRename, error_text
from subgrade.moving.journal import Journal
from subgrade.moving.model import BEGUN, DONE, DROPPED, LINK, MOVE, UNDOING, UNDONE, Entry, Planned

GONE = "is not there; was it moved or removed, or is its disk not attached?"
FULL = {errno.ENOSPC, errno.EROFS, getattr(errno, "EDQUOT", errno.ENOSPC)}
"""Errors that the next file would meet too."""


def move_out(journal: Journal, frame: Planned, matches: Callable[[], bool]) -> Entry:
    """Move one frame to its target.

    Parameters
    ----------
    journal : Journal
    frame : Planned
    matches : callable
        Whether the file is, at this moment, the one that was graded.

    Returns
    -------
    Entry

    Raises
    ------
    OSError
        If it could not be moved; then it is where it was.
    ResultsError
        If the journal cannot be written.
    """
    known = os.lstat(frame.source)
    sha256 = disk.digest(frame.source)
    if not disk.is_file(known) or not matches():
        raise Differs(errno.EBUSY, "was changed since it was checked", frame.source)
    make_folders(os.path.dirname(frame.target), journal.folder)
    entry = journal.begin(MOVE, frame, known.st_size, sha256, known.st_mtime_ns)
    return _step(journal, entry, known)


def link_out(journal: Journal, frame: Planned) -> Entry:
    """Make a symbolic link to one frame at its target; raises as `move_out`."""
    make_folders(os.path.dirname(frame.target), journal.folder)
    entry = journal.begin(LINK, frame)
    try:
        os.symlink(frame.source, frame.target)
    except OSError:
        journal.mark(entry, DROPPED)
        raise
    disk.sync_folder(os.path.dirname(frame.target))
    return journal.mark(entry, DONE)


def bring_back(journal: Journal, entry: Entry) -> Entry:
    """Bring one frame back to its original place, or remove the link to it.

    Raises
    ------
    OSError
        If it could not be brought back; then it is where it was.
    ResultsError
        If the journal cannot be written.
    """
    if entry.kind == LINK:
        return unlink(journal, entry)
    known, there = disk.state_of(entry.target), disk.state_of(entry.source)
    if known is None:
        if disk.is_file(there) and disk.digest(entry.source) == entry.sha256:
            return journal.mark(entry, UNDONE)  # somebody brought it back by hand
        raise FileNotFoundError(errno.ENOENT, GONE, entry.target)
    if not disk.is_file(known) or disk.digest(entry.target) != entry.sha256:
        raise Differs(
            errno.EBUSY, "was changed since it was moved there; move it back yourself", entry.target
        )
    if there is not None:
        if not disk.is_file(there) or disk.digest(entry.source) != entry.sha256:
            raise FileExistsError(
                errno.EEXIST,
                f"{entry.source} is taken by another file; move that, then restore again",
                entry.target,
            )
        entry = journal.mark(entry, UNDOING)
        return settle(journal, entry)
    make_folders(os.path.dirname(entry.source))
    return _step(journal, journal.mark(entry, UNDOING), known)


def settle(journal: Journal, entry: Entry) -> Entry:
    """Find out where a step ended that was cut short, and note it.

    A frame under both names loses the new one where it goes out, the culled one where it
    comes back, so that afterwards it is at its original place.

    Raises
    ------
    OSError
        If it is under neither name, or a disk cannot be read.
    """
    if entry.kind == LINK:
        return journal.mark(entry, DONE if is_our_link(entry) else DROPPED)
    home, away = disk.state_of(entry.source), disk.state_of(entry.target)
    at_home = disk.is_file(home) and disk.digest(entry.source) == entry.sha256
    if at_home and entry.in_place and entry.state == UNDOING and _is_whole(entry, away):
        at_home = False  # its bytes are there, its time and mode perhaps not yet
    if at_home:
        _drop_away(entry, home, away)
    elif not _is_whole(entry, away):
        out = entry.state == BEGUN
        if disk.is_file(home if out else away) and (away if out else home) is None:
            # changed by somebody since; it is where it was, and nothing was moved
            return journal.mark(entry, DROPPED if out else DONE)
        text = f"is neither here nor at {entry.target} (is its disk attached?)"
        raise FileNotFoundError(errno.ENOENT, text, entry.source)
    else:
        _drop_partial(entry, home)
    disk.remove(entry.part)
    if at_home:
        return journal.mark(entry, UNDONE if entry.state == UNDOING else DROPPED)
    return journal.mark(entry, DONE)


def _is_whole(entry: Entry, away: os.stat_result | None) -> bool:
    return disk.is_file(away) and disk.digest(entry.target) == entry.sha256


def _drop_away(entry: Entry, home: os.stat_result, away: os.stat_result | None) -> None:
    """Remove the culled copy of a frame that is whole at its original place."""
    if not disk.is_file(away) or disk.same_entry(entry.source, entry.target):
        return
    if os.path.samestat(home, away):
        ours = home.st_nlink > 1
    elif _is_whole(entry, away):
        ours = True
    else:
        ours = entry.in_place and entry.state == BEGUN
        ours = ours and disk.begins_like(entry.target, entry.source)
    if ours:
        disk.remove(entry.target)


def _drop_partial(entry: Entry, home: os.stat_result | None) -> None:
    """Remove the started copy back, where the whole is at the culled place."""
    if not (entry.in_place and entry.state == UNDOING and disk.is_file(home)):
        return
    if not disk.same_entry(entry.source, entry.target) and disk.begins_like(
        entry.source, entry.target
    ):
        disk.remove(entry.source)


def make_folders(path: str, note: Callable[[str], None] = lambda path: None) -> None:
    """Make a folder and what is missing above it, each noted before it is made."""
    missing = []
    while disk.state_of(path) is None and os.path.dirname(path) != path:
        missing.append(path)
        path = os.path.dirname(path)
    for folder in reversed(missing):
        note(folder)
        os.mkdir(folder)
        disk.sync_folder(os.path.dirname(folder))


def _step(journal: Journal, entry: Entry, known: os.stat_result) -> Entry:
    after, before = (DONE, DROPPED) if entry.state == BEGUN else (UNDONE, DONE)
    try:
        _carry(journal, entry, known)
    except Differs:
        raise  # both may hold bytes worth keeping; the next run settles it
    except OSError:
        journal.mark(journal.entries[entry.number], before)
        raise
    return journal.mark(journal.entries[entry.number], after)


def _carry(journal: Journal, entry: Entry, known: os.stat_result) -> None:
    origin, place = entry.way
    try:
        disk.rename_new(origin, place)
        return
    except NoExclusiveRename:
        _copy_in_place(journal, entry)
    except OSError as error:
        if error.errno != errno.EXDEV:
            raise
        _copy_beside(journal, entry)
    disk.drop_origin(origin, place, known)
    disk.sync_folder(os.path.dirname(origin))


def _copy_beside(journal: Journal, entry: Entry) -> None:
    origin, place = entry.way
    disk.copy_new(origin, entry.part, entry.sha256, entry.mtime_ns)
    try:
        disk.rename_new(entry.part, place)
    except NoExclusiveRename:
        disk.remove(entry.part)
        _copy_in_place(journal, entry)
    except BaseException:
        disk.remove(entry.part)
        raise


def _copy_in_place(journal: Journal, entry: Entry) -> None:
    journal.mark_in_place(entry)
    disk.copy_new(*entry.way, entry.sha256, entry.mtime_ns)


def unlink(journal: Journal, entry: Entry) -> Entry:
    """Remove the link that a cull made, if it is still that.

    Raises
    ------
    Differs
        If something else has its name, which stays and is not looked at again.
    OSError
        If it cannot be removed.
    """
    if disk.state_of(entry.target) is None:
        return journal.mark(entry, UNDONE)
    if not is_our_link(entry):
        journal.mark(entry, UNDONE)
        raise Differs(
            errno.EBUSY, "is no longer the link that was made there; left alone", entry.target
        )
    entry = journal.mark(entry, UNDOING)
    disk.remove(entry.target)
    return journal.mark(entry, UNDONE)


def is_our_link(entry: Entry) -> bool:
    """Whether the link that a cull made is still in its place."""
    if entry.kind != LINK:
        return False
    try:
        return os.readlink(entry.target) == entry.source
    except OSError:
        return False


def worded(error: OSError, path: str) -> str:
    """Why a step failed, naming the other file where the error is about one."""
    other = error.filename if isinstance(error.filename, str) else None
    text = f"{other}: {error_text(error)}" if other and other != path else error_text(error)
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        text += "; its folder and the other one must be writable"
    return text
