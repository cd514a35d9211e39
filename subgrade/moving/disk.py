"""The few ways in which a file is touched; none can overwrite one.

Everything goes through functions of `os`, one system call each, so that a test can stop
the program at any of them.
"""

from __future__ import annotations

import ctypes
import errno
import os
import shutil
import stat
import sys
import unicodedata
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from hashlib import sha256

from subgrade.results import sync_folder

BLOCK = 1 << 20
"""Bytes read and written at a time."""

_BINARY = getattr(os, "O_BINARY", 0)
_UNSUPPORTED = {
    errno.EINVAL,
    errno.ENOSYS,
    errno.EPERM,
    errno.EACCES,
    errno.EMLINK,
    getattr(errno, "ENOTSUP", errno.ENOSYS),
    getattr(errno, "EOPNOTSUPP", errno.ENOSYS),
}
"""How file systems report that they lack hard links or the exclusive rename."""


class NoExclusiveRename(OSError):
    """The file system cannot rename without the danger of overwriting."""


class Differs(OSError):
    """A file does not hold what it should."""


def state_of(path: str) -> os.stat_result | None:
    """What is at a path, links not followed; None where nothing is.

    Raises
    ------
    OSError
        If that cannot be found out: no permission, a disk error.
    """
    try:
        return os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        return None


def is_file(state: os.stat_result | None) -> bool:
    """Whether it is a plain file, not a link, folder or device."""
    return state is not None and stat.S_ISREG(state.st_mode)


def same_entry(one: str, other: str) -> bool:
    """Whether two paths lead to the same name in the same folder.

    Of two such paths neither may be removed in favour of the other.  Names that some
    file systems hold for the same (capitals, composed letters) count as such.
    """
    names = [unicodedata.normalize("NFC", os.path.basename(p)).casefold() for p in (one, other)]
    if names[0] != names[1]:
        return False
    folders = os.path.dirname(one), os.path.dirname(other)
    real = [os.path.normcase(os.path.realpath(folder)) for folder in folders]
    return real[0] == real[1] or os.path.samestat(os.stat(folders[0]), os.stat(folders[1]))


def digest(path: str) -> str:
    """SHA-256 of a file's bytes, in hexadecimal.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    handle = os.open(path, os.O_RDONLY | _BINARY)
    try:
        _from_disk(handle)
        made = sha256()
        while block := os.read(handle, BLOCK):
            made.update(block)
    finally:
        os.close(handle)
    return made.hexdigest()


def begins_like(path: str, whole: str) -> bool:
    """Whether all of a file's bytes are the first bytes of another file."""
    with open(path, "rb") as short, open(whole, "rb") as long:
        while block := short.read(BLOCK):
            if long.read(len(block)) != block:
                return False
    return True


def rename_new(origin: str, place: str) -> None:
    """Give a file another name on the same file system, never over another file.

    Raises
    ------
    FileExistsError
        If the name is taken.
    NoExclusiveRename
        If the file system offers no safe way.
    OSError
        EXDEV if the name is on another file system; other errors as they come.
    """
    try:
        exclusive_rename(origin, place)
    except OSError as error:
        if error.errno not in _UNSUPPORTED or os.name == "nt":
            raise
        _link_then_unlink(origin, place)
    sync_folder(os.path.dirname(place))
    sync_folder(os.path.dirname(origin))


def exclusive_rename(origin: str, place: str) -> None:
    """Rename in one step that fails where the new name is taken.

    Raises
    ------
    OSError
        ENOSYS where the system has no such call.

    References
    ----------
    rename(2) of Linux (RENAME_NOREPLACE, since 3.15) and of macOS (RENAME_EXCL); the
    plain rename of Windows already refuses.
    """
    if os.name == "nt":
        os.rename(origin, place)
        return
    call = _native_rename()
    if call is None:
        raise OSError(errno.ENOSYS, os.strerror(errno.ENOSYS), place)
    if call(os.fsencode(origin), os.fsencode(place)):
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number), place)


@cache
def _native_rename() -> Callable[[bytes, bytes], int] | None:
    try:
        library = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "darwin":
            macos = library.renamex_np
            return lambda a, b: macos(a, b, 4)
        linux, here = library.renameat2, -100
        return lambda a, b: linux(here, a, here, b, 1)
    except (OSError, AttributeError):
        return None


def _link_then_unlink(origin: str, place: str) -> None:
    try:
        os.link(origin, place)
    except OSError as error:
        if isinstance(error, FileExistsError) or error.errno not in _UNSUPPORTED:
            raise
        raise NoExclusiveRename(error.errno, error.strerror, place) from error
    sync_folder(os.path.dirname(place))
    drop_origin(origin, place, os.lstat(place))


def drop_origin(origin: str, place: str, known: os.stat_result) -> None:
    """Remove a file whose bytes are safe under another name; if that fails, that name.

    Parameters
    ----------
    origin, place : str
    known : os.stat_result
        Of the origin when its bytes were known.

    Raises
    ------
    Differs
        If the origin is another file by now; both are left.
    OSError
        If it cannot be removed; then the other name is removed.
    """
    if same_entry(origin, place):
        raise Differs(errno.EBUSY, "both places are one and the same", origin)
    now = state_of(origin)
    if now is None:
        return
    if not _unchanged(now, known):
        raise Differs(errno.EBUSY, "was changed while it was moved", origin)
    try:
        os.unlink(origin)
    except FileNotFoundError:
        return
    except OSError:
        if _unchanged(os.lstat(origin), known):
            remove(place)
        raise


def _unchanged(now: os.stat_result, known: os.stat_result) -> bool:
    return (
        os.path.samestat(now, known)
        and now.st_size == known.st_size
        and now.st_mtime_ns == known.st_mtime_ns
    )


def copy_new(origin: str, place: str, wanted: str, mtime_ns: int) -> None:
    """Copy a file to a new name, to the disk, and read it back.

    Parameters
    ----------
    origin, place : str
    wanted : str
        SHA-256 that both must have.
    mtime_ns : int
        Time of last change that the copy gets.

    Raises
    ------
    Differs
        If either does not have the wanted bytes.
    OSError
        If the name is taken (FileExistsError) or copying fails.  What was written is
        removed.
    """
    handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o600)
    try:
        try:
            _copy_bytes(origin, handle, wanted)
            with suppress(OSError):  # a file system without permissions keeps its own
                shutil.copystat(origin, place)
            with suppress(OSError):
                os.utime(place, ns=(mtime_ns, mtime_ns))
            os.fsync(handle)
        finally:
            os.close(handle)
        if digest(place) != wanted:
            raise Differs(errno.EIO, "the copy, read back, is not the same", place)
    except BaseException:
        remove(place)
        raise
    sync_folder(os.path.dirname(place))


def _copy_bytes(origin: str, handle: int, wanted: str) -> None:
    source = os.open(origin, os.O_RDONLY | _BINARY)
    try:
        made = sha256()
        while block := os.read(source, BLOCK):
            made.update(block)
            rest = memoryview(block)
            while rest:
                rest = rest[os.write(handle, rest) :]
    finally:
        os.close(source)
    if made.hexdigest() != wanted:
        raise Differs(errno.EBUSY, "changed while it was copied", origin)


def remove(path: str) -> None:
    """Remove a name whose bytes are known to be elsewhere; no error if it is gone.

    Raises
    ------
    OSError
        If it cannot be removed.
    """
    try:
        os.unlink(path)
    except (FileNotFoundError, NotADirectoryError):
        return
    except PermissionError:
        if os.name != "nt":
            raise
        os.chmod(path, stat.S_IWRITE)  # there a read-only copy cannot be removed
        os.unlink(path)
    sync_folder(os.path.dirname(path))


def _from_disk(handle: int) -> None:
    """Ask for the bytes on the disk, not those still in memory."""
    with suppress(OSError, AttributeError):
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)


def error_text(error: OSError) -> str:
    """An error as the user reads it, without number and path."""
    return error.strerror or str(error) or type(error).__name__
