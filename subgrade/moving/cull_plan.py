"""What a cull would move, and every reason not to start."""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path, PurePath

from subgrade.errors import NotMoved, ResultsError
from subgrade.lights import CULLED_MARKER
from subgrade.moving import disk
from subgrade.moving.disk import error_text
from subgrade.moving.model import BEGUN, DONE, LINK, MOVE, Away, Entry, Planned
from subgrade.moving.steps import is_our_link
from subgrade.results import FileIdentity, Session

OLD = "was graded by a version that did not note what its files are; run grade again into it"


@dataclass(frozen=True, slots=True)
class Plan:
    """Frames to move, in the order taken.

    Attributes
    ----------
    frames : tuple of Planned
    identities : dict of str to FileIdentity
        By source: what each was when it was graded.
    over : tuple of Entry
        Earlier steps that are over before these start: frames brought back by hand, and
        links that give way to a move or are gone.
    """

    frames: tuple[Planned, ...]
    identities: dict[str, FileIdentity]
    over: tuple[Entry, ...]

    def as_graded(self, frame: Planned) -> bool:
        """Whether the file is, at this moment, the one that was graded."""
        return not self.identities[frame.source].unlike(frame.source)


def make_plan(
    session: Session, active: list[Entry], to: str | None, kind: str, unreadable: bool
) -> Plan:
    """Choose the frames to move and make sure that all of them can be.

    Parameters
    ----------
    session : Session
    active : list of Entry
        What earlier culls moved or linked and no restore brought back.
    to : str or None
        The cull folder; None plans without targets.
    kind : str
        `MOVE` or `LINK`.
    unreadable : bool
        Take the files along that could not be graded.

    Raises
    ------
    NotMoved
        If a file is not the one that was graded, or a target is taken.
    ResultsError
        If the session does not state what its files were.
    """
    to = os.path.abspath(os.path.expanduser(to)) if to is not None else None
    wanted = ("reject", "unreadable") if unreadable else ("reject",)
    over = tuple(entry for entry in active if _is_over(entry, kind))
    ended = {entry.number for entry in over}
    away = {e.source: e for e in active if e.state != BEGUN and e.number not in ended}
    problems: list[tuple[str, str]] = []
    if cause := _folder_problem(session, to):
        raise NotMoved("nothing was moved", [(to, cause)])
    frames, identities = [], {}
    for record in session.frames:
        path, chosen = record["path"], record["values"]["verdict"] in wanted
        earlier = away.get(path) if chosen else None
        if earlier and (earlier.kind == LINK or not os.path.lexists(path)):
            continue
        identity = _identity(session, record)
        try:
            cause = _mismatch(session, record, identity, chosen)
        except OSError as error:
            cause = f"cannot be looked at: {error_text(error)}"
        if earlier and not cause and _is_back(earlier):
            cause = f"is at {earlier.target} too, where a cull moved it; run restore first"
        if cause:
            problems.append((path, cause))
        elif chosen:
            frames.append(_planned(record, to))
            identities[path] = identity
    if to is not None:
        problems += _taken(frames, to, {entry.target for entry in over if is_our_link(entry)})
    if problems:
        raise NotMoved("nothing was moved", problems)
    if to is not None and kind == MOVE:
        _enough_space(frames, to)
    return Plan(tuple(frames), identities, over)


def where_away(session: Session, active: list[Entry]) -> tuple[Away, ...]:
    """The folders that hold what earlier culls moved or linked, as the disk shows it now."""
    count: dict[tuple[str, str], int] = {}
    for entry in active:
        if is_our_link(entry) if entry.kind == LINK else not os.path.lexists(entry.source):
            place = _cull_folder(session, entry), entry.kind
            count[place] = count.get(place, 0) + 1
    return tuple(Away(*place, number) for place, number in sorted(count.items()))


def _cull_folder(session: Session, entry: Entry) -> str:
    """The folder that was named to a cull; where that is not known, the one of the frame."""
    name = os.path.relpath(entry.source, session.record["folder"])
    folder = entry.target.removesuffix(os.sep + name)
    return folder if folder != entry.target else os.path.dirname(entry.target)


def _is_over(entry: Entry, kind: str) -> bool:
    if entry.kind == LINK:
        return kind == MOVE or not is_our_link(entry)
    try:
        back = entry.state == DONE and disk.state_of(entry.target) is None
        return back and disk.is_file(disk.state_of(entry.source)) and _is_back(entry)
    except OSError:
        return False


def _is_back(entry: Entry) -> bool:
    """Whether the file in a culled frame's old place has its bytes."""
    return disk.digest(entry.source) == entry.sha256


def marked(to: str) -> bool:
    """Whether a folder has the file by which grade passes over it."""
    return disk.state_of(os.path.join(to, CULLED_MARKER)) is not None


def hides_others(to: str) -> bool:
    """Whether the marker would keep files from grade that no cull put there."""
    try:
        others = any(not name.startswith(".") for name in os.listdir(to))
    except FileNotFoundError:
        return False
    return others and not marked(to)


def _planned(record: dict, to: str | None) -> Planned:
    name = record["values"]["frame"]
    target = os.path.join(to, *PurePath(name).parts) if to is not None else ""
    return Planned(name, record["path"], target, record["values"]["exposure_s"] or 0.0)


def _identity(session: Session, record: dict) -> FileIdentity | None:
    if "identity" not in record:
        raise ResultsError(f"{session.folder}: {OLD}")
    return FileIdentity(**record["identity"]) if record["identity"] else None


def _mismatch(session: Session, record: dict, identity: FileIdentity | None, chosen: bool) -> str:
    path, name = record["path"], record["values"]["frame"]
    if not chosen:
        if identity is None or disk.state_of(path) is None:
            return ""  # a kept frame may have been taken to the stack already
        return _and_now(identity.unlike(path, content=False))
    parts = PurePath(name).parts
    inside = not PurePath(name).is_absolute() and parts and ".." not in parts
    if not inside or os.path.join(session.record["folder"], *parts) != path:
        return f"does not lie under {session.record['folder']}; grade its folder by itself"
    state = disk.state_of(path)
    if state is not None and not disk.is_file(state):
        return "is a link or no plain file, which are not moved; use --list and move it yourself"
    if identity is None:
        return "could not be read when it was graded, so it may be another file now"
    return _and_now(identity.unlike(path))


def _and_now(cause: str) -> str:
    """A cause, with what to do where another grade helps."""
    helps = cause and not cause.startswith("cannot be")
    return f"{cause}; run grade again" if helps else cause


def _taken(frames: list[Planned], to: str, freed: set[str]) -> list[tuple[str, str]]:
    problems = {}
    for frame in frames:
        try:
            if frame.target not in freed and disk.state_of(frame.target) is not None:
                problems[frame.target] = "is there already; name another folder with --to"
            folder = os.path.dirname(frame.target)
            while folder != to:
                if os.path.lexists(folder) and not os.path.isdir(folder):
                    problems[folder] = "is a file where a folder must be; name another with --to"
                folder = os.path.dirname(folder)
        except OSError as error:
            problems[frame.target] = f"cannot be looked at: {error_text(error)}"
    return list(problems.items())


def _folder_problem(session: Session, to: str | None) -> str:
    """Why the cull folder cannot be one; empty where it can."""
    if to is None:
        return ""
    lights, real = os.path.realpath(session.record["folder"]), os.path.realpath(to)
    if real == lights:
        return "is the folder of the lights themselves; name another with --to"
    if _within(real, os.path.realpath(session.folder)):
        return "lies in the results folder, which may be deleted one day; name another with --to"
    if os.path.lexists(to) and not os.path.isdir(to):
        kind = "a file" if os.path.exists(to) else "a link that leads nowhere"
        return f"is {kind}; --to must name a folder"
    try:
        if _within(real, lights) and hides_others(to):
            return (
                "lies among the lights and holds other files, so the next grade would take the "
                "rejects for lights; name a new or empty folder"
            )
        disk.state_of(os.path.join(to, CULLED_MARKER))
    except OSError as error:
        return f"cannot be used: {error_text(error)}"
    return ""


def _within(path: str, folder: str) -> bool:
    return Path(path).is_relative_to(folder)


def _enough_space(frames: list[Planned], to: str) -> None:
    """Refuse where copies to another disk cannot all fit."""
    existing = to
    while not os.path.exists(existing) and os.path.dirname(existing) != existing:
        existing = os.path.dirname(existing)
    device = os.stat(existing).st_dev
    states = [os.stat(frame.source) for frame in frames]
    needed = sum(state.st_size for state in states if state.st_dev != device)
    free = shutil.disk_usage(existing).free
    if needed > free:
        cause = f"its disk has {_size(free)} free and {_size(needed)} are needed; make room"
        raise NotMoved("nothing was moved", [(to, cause)])


def _size(count: int) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.1f} MB"
