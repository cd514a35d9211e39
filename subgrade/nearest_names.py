"""Which path a person may have meant by one that is not there."""

from __future__ import annotations

import difflib
import os
from collections.abc import Callable, Iterable, Sequence

ALIKE = 0.6
"""Least likeness of two names, as `difflib` counts it, endings aside."""
MOST_LOOKED_AT = 5000
"""Entries of a folder that are compared; a suggestion is not worth more."""


def nearest_path(
    wanted: str, fits: Callable[[str], bool], folders: Iterable[str] = ()
) -> str | None:
    """A path like one that is not there.

    Parameters
    ----------
    wanted : str
        As the person wrote it.
    fits : callable
        Whether a path is of the kind that is asked for.
    folders : iterable of str
        Where else a file of that name may lie.

    Returns
    -------
    str or None
        Written as ``wanted`` is, relative or absolute; None where nothing is like it.
    """
    head, tail = os.path.split(wanted.rstrip("/" + os.sep))
    if not tail:
        return None
    here = _nearest_folder(head)
    return _nearest_in([*([here] if here is not None else []), *folders], tail, fits)


def _nearest_folder(wanted: str) -> str | None:
    """The folder itself, or one like it below the folders that are there or like those named."""
    here, missing = wanted, []
    while not os.path.isdir(here or os.curdir):
        here, tail = os.path.split(here.rstrip("/" + os.sep))
        if not tail:
            return None
        missing.append(tail)
    for tail in reversed(missing):
        found = _nearest_in([here], tail, os.path.isdir)
        if found is None:
            return None
        here = found
    return here


def _nearest_in(folders: Iterable[str], tail: str, fits: Callable[[str], bool]) -> str | None:
    for folder in dict.fromkeys(folders):
        same = os.path.join(folder, tail)
        if fits(same):
            return same
        found = like(tail, [name for name in _names(folder) if fits(os.path.join(folder, name))])
        if found:
            return os.path.join(folder, found)
    return None


def like(wanted: str, names: Sequence[str]) -> str | None:
    """The name most like another; None where none is."""
    stem = _stem(wanted)
    likeness = {
        name: difflib.SequenceMatcher(None, stem, _stem(name)).ratio()
        for name in names
        if name.isprintable()  # nothing is suggested that could steer the terminal
    }
    near = [name for name, ratio in likeness.items() if ratio >= ALIKE]
    whole = wanted.casefold()
    return max(
        near,
        key=lambda n: (likeness[n], difflib.SequenceMatcher(None, whole, n.casefold()).ratio()),
        default=None,
    )


def did_you_mean(path: str | None) -> str:
    """The end of a message that suggests a path; empty without one."""
    return f"; did you mean {path}?" if path else ""


def _stem(name: str) -> str:
    return name.casefold().split(".")[0] or name.casefold()


def _names(folder: str) -> list[str]:
    try:
        names = sorted(os.listdir(folder or os.curdir))
    except OSError:
        return []
    return [name for name in names if not name.startswith(".")][:MOST_LOOKED_AT]
