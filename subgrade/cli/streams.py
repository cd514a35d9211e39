"""stdin, stdout and stderr as a shell may leave them: closed, full, or no longer read."""

from __future__ import annotations

import errno
import os
import sys

OF_OUTPUT = (errno.EPIPE, errno.ENOSPC, errno.EBADF, errno.EIO)
"""Errors by which a stream can fail that is written to."""


def prepare_streams() -> None:
    """Make sure that there is something to print to, and that any name can be printed.

    A descriptor that was closed would be taken by the next file opened, and a table would
    receive the summary.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest that is free
    for name, number in (("stdout", 1), ("stderr", 2)):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, os.fdopen(number, "w", encoding="utf-8", closefd=False))
        elif hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


def is_of_output(error: OSError) -> bool:
    """Whether an error is one of printing, which names no file as those of files do."""
    return error.filename is None and error.errno in OF_OUTPUT


def finish() -> str | None:
    """Hand over what is left to print; why that is impossible, or None.

    A pipe that nobody reads any more has been read far enough.
    """
    lost = None
    for number, stream in ((1, sys.stdout), (2, sys.stderr)):
        try:
            stream.flush()
        except (OSError, ValueError) as error:
            broken = isinstance(error, BrokenPipeError) or number == 2
            lost = lost if broken else getattr(error, "strerror", None) or str(error)
            _drop(number)
    return lost


def _drop(number: int) -> None:
    """Keep the interpreter from trying again when it ends."""
    place = os.open(os.devnull, os.O_WRONLY)
    os.dup2(place, number)
    os.close(place)
