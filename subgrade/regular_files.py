"""Open files that are files: a pipe or a device would hang a night's run, or never end."""

from __future__ import annotations

import os
import stat
from io import FileIO
from pathlib import Path

from subgrade.errors import UnreadableFile


def open_regular(path: str | Path) -> FileIO:
    """Open a file for reading bytes, unbuffered.

    Raises
    ------
    UnreadableFile
        A missing file, a folder, a pipe, a socket, a device, or no permission.
    """
    try:
        mode = os.stat(path).st_mode  # asked first: opening a pipe waits for its writer
        if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
            raise UnreadableFile(path, f"is {_kind(mode)}, not a file")
        return open(path, "rb", buffering=0)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        cause = getattr(error, "strerror", None) or error
        raise UnreadableFile(path, f"cannot be opened: {cause}") from None


def _kind(mode: int) -> str:
    if stat.S_ISFIFO(mode):
        return "a pipe"
    return "a socket" if stat.S_ISSOCK(mode) else "a device"
