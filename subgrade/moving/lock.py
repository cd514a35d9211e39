"""One cull or restore, or one review, at a time on a RESULTS folder."""

from __future__ import annotations

import json
import os
import platform
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from subgrade.errors import ResultsError
from subgrade.installed import alive
from subgrade.moving.disk import NoExclusiveRename, error_text, rename_new
from subgrade.moving.model import LOCK

MOVING = "cull or restore"
EMPTY_IS_STALE_S = 10.0
"""A lock is filled at once after it is made; common practice, no source."""
_HELD: set[str] = set()
"""Locks that this process holds."""


@contextmanager
def locked(folder: Path, name: str = LOCK, what: str = MOVING) -> Iterator[None]:
    """Hold a lock of a RESULTS folder; one left by a process that died is taken over.

    Parameters
    ----------
    folder : Path
    name : str
        File name of the lock.
    what : str
        What may hold it, for the message.

    Raises
    ------
    ResultsError
        If another run holds it, or it cannot be made.
    """
    path = os.path.abspath(Path(folder) / name)
    try:
        if not _made(path):
            _set_aside(path, what)
            if not _made(path):
                raise ResultsError(_busy(path, _holder(path), what))
    except OSError as error:
        raise ResultsError(
            f"{folder}: cannot be written to, and the journal must be kept there: "
            f"{error_text(error)}"
        ) from error
    _sweep(path)
    try:
        yield
    finally:
        _HELD.discard(path)
        with suppress(OSError):
            os.unlink(path)


def is_locked(folder: Path, name: str = LOCK) -> bool:
    """Whether a run that is not known to be dead holds a lock."""
    path = os.path.abspath(Path(folder) / name)
    try:
        holder = _holder(path)
        return holder is not None and not _dead(path, holder)
    except OSError:
        return False


def _made(path: str) -> bool:
    """Make the lock with its content in one step; False where it is there."""
    draft = f"{path}.{os.getpid()}"
    _fill(draft, os.O_TRUNC)
    try:
        rename_new(draft, path)
    except FileExistsError:
        os.unlink(draft)
        return False
    except NoExclusiveRename:
        os.unlink(draft)
        try:
            _fill(path, os.O_EXCL)
        except FileExistsError:
            return False
    _HELD.add(path)
    return True


def _fill(path: str, how: int) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | how, 0o666)
    try:
        os.write(handle, json.dumps({"pid": os.getpid(), "host": platform.node()}).encode())
    finally:
        os.close(handle)


def _sweep(path: str) -> None:
    """Remove what runs that were killed left beside the lock."""
    for left in Path(path).parent.glob(f"{os.path.basename(path)}.*"):
        pid = left.suffix[1:]
        if pid.isdigit() and int(pid) != os.getpid() and not alive(int(pid)):
            with suppress(OSError):
                left.unlink()


def _holder(path: str) -> dict | None:
    """Who holds it; empty where that was not written, None where nobody does."""
    try:
        holder = json.loads(Path(path).read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValueError):
        return {}
    return holder if isinstance(holder, dict) else {}


def _set_aside(path: str, what: str) -> None:
    """Move a dead run's lock out of the way; refused where it is not known to be dead."""
    holder = _holder(path)
    if holder is None:
        return
    if not _dead(path, holder):
        raise ResultsError(_busy(path, holder, what))
    aside = f"{path}.{os.getpid()}"
    with suppress(FileNotFoundError):
        os.unlink(aside)
    try:
        os.rename(path, aside)
    except FileNotFoundError:
        return  # another run was quicker
    taken = _holder(aside)
    if taken != holder:  # that other run's own lock: give it back
        rename_new(aside, path)
        raise ResultsError(_busy(path, taken, what))
    os.unlink(aside)


def _dead(path: str, holder: dict) -> bool:
    if not holder:
        return time.time() - os.stat(path).st_mtime > EMPTY_IS_STALE_S
    if holder.get("host") != platform.node() or not isinstance(holder.get("pid"), int):
        return False
    if holder["pid"] == os.getpid():  # in a container a later run often has the same number
        return path not in _HELD
    return not alive(holder["pid"])


def _busy(path: str, holder: dict | None, what: str) -> str:
    who = f"process {holder['pid']} on {holder['host']}" if holder else "another process"
    return (
        f"another {what} of these results is at work ({who}); wait for it, or remove "
        f"{path} if it is not running"
    )
