"""What a file was when it was graded, so that a later command knows it from another."""

from __future__ import annotations

import os
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from subgrade.errors import UnreadableFile
from subgrade.results.measurement_cache import content_identity

LOOKS_AT_ONCE = 8
"""Files looked into at once: one not in memory took 2.6 to 4.8 ms so, by itself 8.6 to 20."""


@dataclass(frozen=True, slots=True)
class FileIdentity:
    """A file as it was.

    Attributes
    ----------
    size : int
        Bytes.
    mtime_ns : int
        Time of last change, nanoseconds since 1970.
    content : str
        `subgrade.results.measurement_cache.content_identity`.
    """

    size: int
    mtime_ns: int
    content: str

    def unlike(self, path: str | Path, content: bool = True) -> str:
        """Why a file is not this one; empty where it is.

        Parameters
        ----------
        path : path-like
        content : bool
            Look into the file too, not only at its size and time.
        """
        try:
            now = os.stat(path)
            if now.st_size != self.size:
                return f"has {now.st_size} bytes, had {self.size} when it was graded"
            if now.st_mtime_ns != self.mtime_ns:
                return "was changed since it was graded"
            if content and content_identity(path) != self.content:
                return "has other content than when it was graded"
        except FileNotFoundError:
            return "is gone"
        except OSError as error:
            return f"cannot be read: {error.strerror or error}"
        except UnreadableFile as error:
            return error.cause
        return ""


def file_identity(path: str | Path) -> FileIdentity | None:
    """What a file is now; None where it cannot be read."""
    try:
        content = content_identity(path)
        state = os.stat(path)
    except (OSError, UnreadableFile):
        return None
    return FileIdentity(state.st_size, state.st_mtime_ns, content)


def file_identities(paths: Iterable[Path]) -> dict[Path, FileIdentity]:
    """What files are now, those left out that cannot be read."""
    paths = list(paths)
    # most of it is waiting for a disk or a network
    with ThreadPoolExecutor(LOOKS_AT_ONCE) as pool:
        found = zip(paths, pool.map(file_identity, paths), strict=True)
        return {path: identity for path, identity in found if identity}
