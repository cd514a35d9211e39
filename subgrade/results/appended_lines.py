"""A file that only grows: each line is on the disk before it counts."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path


class AppendedLines:
    """Lines of a journal, and room for more.

    No step follows a line that is not whole: what a crash left of one is as if it had not been
    written, and is cut off before the next.  Everything goes through functions of `os`, so that
    a test can stop the program at any of them.

    Parameters
    ----------
    path : Path
        Made with the first line.

    Attributes
    ----------
    lines : list of bytes
        The whole lines that it held when it was read, without line ends.

    Raises
    ------
    OSError
        If there is a file that cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = Path(path)
        self._handle: int | None = None
        self._closed = False
        try:
            content = self.path.read_bytes()
        except FileNotFoundError:
            content = b""
        self._whole = content.rfind(b"\n") + 1
        self.lines = content[: self._whole].split(b"\n")[:-1]

    def open(self) -> None:
        """Make ready to add.

        Raises
        ------
        OSError
        """
        new = not os.path.lexists(self.path)
        flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
        self._handle = os.open(self.path, flags, 0o666)
        try:
            os.ftruncate(self._handle, self._whole)
        except OSError:
            self._let_go()
            raise
        if new:
            sync_folder(self.path.parent)

    def add(self, line: bytes) -> None:
        """Add a line; on the disk when this returns.

        Raises
        ------
        OSError
            If the disk does not take it; then no part of it is left, or is cut off before
            another line is added.
        """
        if self._closed:  # another may add to it by now
            raise OSError("closed")
        if self._handle is None:
            self.open()
        rest = memoryview(line + b"\n")
        size = len(rest)
        try:
            while rest:
                rest = rest[os.write(self._handle, rest) :]
            os.fsync(self._handle)
        except OSError:
            self._cut_back()
            raise
        self._whole += size

    def close(self) -> None:
        """Close the file; nothing can be added from here on."""
        self._closed = True
        self._let_go()

    def _let_go(self) -> None:
        if self._handle is not None:
            handle, self._handle = self._handle, None
            os.close(handle)

    def _cut_back(self) -> None:
        try:
            os.ftruncate(self._handle, self._whole)
        except OSError:
            with suppress(OSError):
                self._let_go()  # to be opened, and cut, before the next line


def sync_folder(folder: str | os.PathLike) -> None:
    """Bring a folder's names to the disk, where the system allows it."""
    if os.name == "nt":
        return
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
