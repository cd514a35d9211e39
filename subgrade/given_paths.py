"""Whether the paths that a run was given are there, before it measures or writes anything."""

from __future__ import annotations

import glob
import os
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice

from subgrade.errors import UnreadableFile, UsageError
from subgrade.nearest_names import did_you_mean, nearest_path
from subgrade.settings import Settings

FILES = ("limits", "dark", "bias", "flat", "guide_map", "teach", "marks")
"""Settings that name one file, as their options do."""
MOST_BYTES, MOST_TRIED = 4_000_000, 20
"""Bytes in all, and texts a folder, that are tried as the guiding record meant: a night's record
has up to three million, and a strange text takes one to two seconds a million."""


def check_paths(settings: Settings) -> None:
    """Make sure that every path named is there and may be read.

    Parameters
    ----------
    settings : Settings

    Raises
    ------
    UsageError
        Names the first that is not, and a path like it where there is one; or the results
        folder where it is that of the lights.
    """
    for path in settings.paths:
        _check_lights(os.fspath(path))
    _check_out(settings)
    folders = _around(settings.paths)
    for name in FILES:
        if (path := getattr(settings, name)) is not None:
            check_file(path, f"--{name.replace('_', '-')} ", folders)
    for path in settings.guide:
        check_file(path, "--guide ", folders, _record_near)


def check_record(path: str | os.PathLike) -> None:
    """Make sure that a guiding record is there and may be read, as `check_file` does.

    Where it is not, any record near it is suggested, whatever its name.
    """
    check_file(path, suggest=_record_near)


def check_file(
    path: str | os.PathLike,
    option: str = "",
    folders: Sequence[str] = (),
    suggest: Callable[[str, Sequence[str]], str | None] | None = None,
) -> None:
    """Make sure that a file is there and may be read.

    Parameters
    ----------
    path : path-like
    option : str
        What names it on the command line, with a blank behind it.
    folders : sequence of str
        Where else it may lie.
    suggest : callable, optional
        Given path and folders, the file that may be meant; by the name alone if not given.

    Raises
    ------
    UsageError
        If it is not there, is a folder, or may not be read.
    """
    path = os.fspath(path)
    suggest = suggest or _file_near
    try:
        mode = os.stat(path).st_mode
        if stat.S_ISREG(mode):  # a pipe would lose what is read of it
            with open(path, "rb"):
                return
    except FileNotFoundError as error:
        near = did_you_mean(suggest(path, folders))
        raise UsageError(f"{option}{path}: no such file{near}") from error
    except OSError as error:
        raise UsageError(f"{option}{path}: cannot be read: {error.strerror or error}") from error
    if stat.S_ISDIR(mode):
        near = did_you_mean(suggest(path, folders) if suggest is not _file_near else None)
        raise UsageError(f"{option}{path}: is a folder, not a file{near}")


def records_in(folders: Iterable[str]) -> Iterator[str]:
    """The files of some folders that can be read as guiding records, folder by folder, by name."""
    from subgrade.record import read_guide

    left = MOST_BYTES
    for path, size in (
        text for folder in dict.fromkeys(folders) for text in islice(_texts(folder), MOST_TRIED)
    ):
        if size > left:
            continue
        left -= size
        try:
            read_guide(path)
        except (UnreadableFile, UsageError):
            continue
        yield path


def _check_lights(path: str) -> None:
    """Make sure that a folder or file of lights is there; patterns are left to the search."""
    wanted = os.path.expanduser(path)
    if not os.path.exists(wanted) and not glob.has_magic(wanted):
        near = nearest_path(wanted, os.path.exists)
        raise UsageError(f"{path}: no such file or folder{did_you_mean(near)}")


def _check_out(settings: Settings) -> None:
    """Make sure that results do not come to lie among the lights."""
    out = os.path.realpath(os.path.expanduser(settings.out))
    for path in map(os.path.expanduser, map(os.fspath, settings.paths)):
        found = [path] if os.path.exists(path) else glob.iglob(path, recursive=True)
        for place in found:
            folder = place if os.path.isdir(place) else os.path.dirname(place) or os.curdir
            if os.path.realpath(folder) == out:
                raise UsageError(
                    f"--out {settings.out}: is the folder of the lights; give the results a "
                    "folder of their own"
                )


def _file_near(path: str, folders: Sequence[str]) -> str | None:
    return nearest_path(path, os.path.isfile, folders)


def _record_near(path: str, folders: Sequence[str]) -> str | None:
    """A file named alike, or else one that can be read as a guiding record."""
    inside = os.path.isdir(path)
    near = None if inside else _file_near(path, folders)
    where = [path] if inside else [os.path.dirname(path), *folders]
    return near or next(records_in(where), None)


def _around(paths: Iterable[str]) -> list[str]:
    """The folders of the lights and those above them, where a night's other files lie."""
    inner = [os.path.expanduser(os.fspath(p)) for p in paths]
    inner = [p if os.path.isdir(p) else os.path.dirname(p) for p in inner]
    return list(dict.fromkeys([*inner, *(os.path.dirname(p.rstrip("/" + os.sep)) for p in inner)]))


def _texts(folder: str) -> Iterator[tuple[str, int]]:
    """Path and bytes of the texts in a folder that are small enough to try, by name."""
    try:
        names = sorted(os.listdir(folder or os.curdir))
    except OSError:
        return
    for path in (os.path.join(folder, name) for name in names if name.isprintable()):
        try:
            state = os.stat(path)
        except OSError:  # a link in a circle, or gone by now
            continue
        if stat.S_ISREG(state.st_mode) and 0 < state.st_size <= MOST_BYTES and _is_text(path):
            yield path, state.st_size


def _is_text(path: str) -> bool:
    try:
        with open(path, "rb") as stream:
            start = stream.read(4096)
    except OSError:
        return False
    return b"\0" not in start and not start.startswith(b"SIMPLE  =")
