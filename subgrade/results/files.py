"""Writing files whole or not at all, and paths that survive a line-based list."""

from __future__ import annotations

import errno
import json
import os
import platform
import re
import secrets
import shutil
import tempfile
from collections.abc import Iterable
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

from subgrade.errors import NotWritten
from subgrade.installed import alive

HERE = sha256(platform.node().encode()).hexdigest()[:6]
"""Stands for this machine in the names of temporary files: a share has those of others too, whose
processes nobody here knows."""
_TEMPORARY = re.compile(r"\..+\.(?P<here>[0-9a-f]{6})-(?P<pid>\d+)\.[a-z0-9_]{8}")


def write_whole(path: Path, content: str | bytes) -> None:
    """Write a file so that a reader sees the old one or the new one, never half of it.

    Parameters
    ----------
    path : Path
        Written through a temporary file in the same folder.
    content : str or bytes
        Text is written as UTF-8 with ``\\n`` line ends.

    Raises
    ------
    NotWritten
        If the file cannot be written; the temporary file is removed.
    """
    with Staged(path.parent) as staged:
        staged.add(path.name, content, to_disk=False)
        staged.install()


class Staged:
    """Files of one folder that take their places together, once all of them are on the disk.

    A disk that is full is met before the first of the earlier files has gone.

    Parameters
    ----------
    folder : Path
        Existing folder.
    """

    def __init__(self, folder: Path):
        self._folder = Path(folder)
        self._waiting: dict[str, str] = {}

    def __enter__(self) -> Staged:
        return self

    def __exit__(self, *error) -> None:
        for name in list(self._waiting):
            self.drop(name)

    def add(self, name: str, content: str | bytes, to_disk: bool = True) -> None:
        """Write a file beside its place; ``to_disk`` waits until the disk has it.

        Raises
        ------
        NotWritten
        """
        data = content.encode("utf-8") if isinstance(content, str) else content
        path = self._folder / name
        temporary = None
        try:
            if path.is_dir():
                raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
            handle, temporary = tempfile.mkstemp(
                prefix=f".{name}.{HERE}-{os.getpid()}.", dir=self._folder
            )
            self._waiting[name] = temporary
            with os.fdopen(handle, "wb") as stream:
                stream.write(data)
                stream.flush()
                if to_disk:
                    os.fsync(stream.fileno())
            os.chmod(temporary, 0o666 & ~_umask())  # mkstemp's 0600 would shut others out
        except OSError as error:
            self.drop(name)
            raise NotWritten(f"{path}: cannot be written: {error.strerror or error}") from error

    def drop(self, name: str) -> None:
        """Forget a file that was added."""
        temporary = self._waiting.pop(name, None)
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)

    def install(self, gone: Iterable[str] = ()) -> None:
        """Move every file into its place, and remove what an earlier run left of ``gone``.

        Where one place refuses, the earlier files are put back: new and old are never mixed.

        Raises
        ------
        NotWritten
        """
        there = [name for name in gone if _is_file_or_link(self._folder / name)]
        changed = [*self._waiting, *there]
        aside: dict[str, Path] = {}
        done: list[str] = []
        path = self._folder
        try:
            if len(changed) > 1:  # one alone is replaced in one step
                for name in changed:
                    path = self._folder / name
                    if os.path.lexists(path):
                        aside[name] = _second_name(path)
            for name in changed:
                path = self._folder / name
                if name in self._waiting:
                    os.replace(self._waiting[name], path)
                    del self._waiting[name]
                else:
                    path.unlink()
                done.append(name)
        except OSError as error:
            left = self._put_back(done, aside)
            cause = f"{path}: cannot be written: {error.strerror or error}"
            raise NotWritten("; ".join([cause, *left])) from error
        finally:
            for earlier in aside.values():
                with suppress(OSError):
                    earlier.unlink()

    def _put_back(self, done: list[str], aside: dict[str, Path]) -> list[str]:
        """Undo what was done; a text for each file for which that failed.

        What such a file held before stays under its second name.
        """
        left = []
        for name in reversed(done):
            path = self._folder / name
            try:
                if name in aside:
                    os.replace(aside[name], path)
                else:
                    path.unlink()
            except OSError:
                earlier = aside.get(name)
                left.append(
                    f"{name} is new already" + (f", {earlier} the earlier" if earlier else "")
                )
            aside.pop(name, None)
        return left


def _is_file_or_link(path: Path) -> bool:
    return path.is_file() or path.is_symlink()


def _second_name(path: Path) -> Path:
    """Another name for a file, beside it; a copy where the file system has no second names."""
    other = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        os.link(path, other, follow_symlinks=False)
    except (OSError, NotImplementedError):
        shutil.copy2(path, other, follow_symlinks=False)
    return other


def sweep(folder: Path) -> None:
    """Remove the temporary files that runs of this machine left when they were killed.

    Parameters
    ----------
    folder : Path
        Where `Staged` wrote; nothing is done where it cannot be looked into.
    """
    with suppress(OSError):
        for entry in os.scandir(folder):
            left = _TEMPORARY.fullmatch(entry.name)
            if left and left["here"] == HERE and not alive(int(left["pid"])):
                with suppress(OSError):
                    os.unlink(entry.path)


def room_for(folder: Path, wanted: int) -> None:
    """Make sure that a folder can be written to and that its disk has room.

    Parameters
    ----------
    folder : Path
    wanted : int
        Bytes.

    Raises
    ------
    NotWritten
    """
    try:
        with tempfile.TemporaryFile(prefix=".probe.", dir=folder) as stream:
            stream.write(b"\0" * 4096)
            stream.flush()
        free = shutil.disk_usage(folder).free
    except OSError as error:
        raise NotWritten(f"{folder}: cannot be written to: {error.strerror or error}") from error
    if free < wanted:
        raise NotWritten(
            f"{folder}: the results need about {wanted / 1e6:.1f} MB and its disk has "
            f"{free / 1e6:.1f} MB free; make room, or choose another folder with --out"
        )


def path_line(name: str) -> str:
    """A path as one line of a list.

    Almost every path stands as it is.  One that would not survive (a line break, a
    leading ``#`` or quote, blanks at an end, bytes that are not UTF-8) is written as a
    JSON string in double quotes.
    """
    plain = (
        name.isprintable()
        and name == name.strip()
        and not name.startswith(("#", '"'))
        and "\ufffd" not in name
        and not any("\ud800" <= c <= "\udfff" for c in name)
    )
    return name if plain and name else json.dumps(name)


def line_path(line: str) -> str:
    """The path that `path_line` wrote."""
    return json.loads(line) if line.startswith('"') else line


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
