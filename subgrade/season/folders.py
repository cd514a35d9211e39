"""Which results folders are meant by those that were given."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator

from subgrade.season.write import SESSION

DEEPEST = 6
"""Levels below a given folder that are searched for results: a choice."""


def results_folders(given: Iterable[str | os.PathLike]) -> tuple[str, ...]:
    """Every results folder that is given, or lies within a folder that is.

    A folder of results is taken as it is; another is searched, hidden folders and links left out.
    What holds none stays as it was given, so that it can be named.

    Parameters
    ----------
    given : iterable of path-like
        A leading ``~`` is the home folder.

    Returns
    -------
    tuple of str
        In the order given, those of one folder by name; each once.
    """
    found: dict[str, str] = {}
    for path in given:
        path = os.path.expanduser(os.fspath(path))
        for folder in sorted(_within(path)) or [path]:
            found.setdefault(os.path.realpath(folder), folder)
    return tuple(found.values())


def _within(path: str) -> Iterator[str]:
    deep = path.rstrip(os.sep).count(os.sep)
    for folder, inner, files in os.walk(path):
        if SESSION in files:
            yield folder
            inner.clear()
        elif folder.count(os.sep) - deep >= DEEPEST:
            inner.clear()
        inner[:] = [name for name in inner if not name.startswith(".")]
