"""Writing files whole or not at all, and paths that survive a line-based list."""

from __future__ import annotations

import json
import os
import tempfile
from pathlib import Path

from subgrade.errors import ResultsError


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
    ResultsError
        If the file cannot be written; the temporary file is removed.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    temporary = None
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        os.chmod(temporary, 0o666 & ~_umask())  # mkstemp's 0600 would shut others out
        os.replace(temporary, path)
    except OSError as error:
        raise ResultsError(f"{path}: cannot be written: {error.strerror or error}") from error
    finally:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)


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


def printable(text: str) -> str:
    """A sentence that stays on its line and steers no terminal, whatever a frame is called.

    >>> printable("a\\nb")
    'a\\\\nb'
    """
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


def line_path(line: str) -> str:
    """The path that `path_line` wrote."""
    return json.loads(line) if line.startswith('"') else line


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
