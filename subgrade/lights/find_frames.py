"""Find candidate light frames among folders, files and glob patterns."""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from subgrade.errors import UsageError
from subgrade.lights.file_kinds import FITS_SUFFIXES, RAW_SUFFIXES, TIFF_SUFFIXES, kind_of

_RESULTS_MARKERS = ("session.json", "summary.csv")
CULLED_MARKER = "subgrade_culled.txt"
"""A folder below the searched one that holds this file is passed over."""
SUFFIXES = (*FITS_SUFFIXES, *TIFF_SUFFIXES, *RAW_SUFFIXES)
_SKIPPED_FOLDERS = {"$recycle.bin", "system volume information", "__macosx"}


@dataclass(frozen=True, slots=True)
class Found:
    """Candidate files in natural order.

    Attributes
    ----------
    files : tuple of Path
        Absolute, symbolic links not resolved.
    folder : Path
        The folder all of them lie under.
    unsearched : tuple of (str, str)
        Folders that could not be looked into, and why.
    """

    files: tuple[Path, ...]
    folder: Path
    unsearched: tuple[tuple[str, str], ...] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        """The same as a line each."""
        return tuple(f"{path}: {cause}" for path, cause in self.unsearched)

    def name(self, path: str | Path) -> str:
        """A file's name relative to the common folder, ``/`` between parts."""
        path = Path(path)
        try:
            return path.relative_to(self.folder).as_posix()
        except ValueError:  # another drive
            return path.as_posix()


def natural_key(text: str) -> tuple:
    """Sort key that puts ``light_2`` before ``light_10``, capitals beside small letters."""
    parts = re.split(r"([0-9]+)", text.casefold())
    return tuple((int(p), "") if i % 2 else (-1, p) for i, p in enumerate(parts)), text


class Kinds:
    """Which files may be frames, looked into once while they stay as they are."""

    def __init__(self) -> None:
        self._known: dict[str, tuple[tuple[int, int, int, int], bool]] = {}

    def is_candidate(self, path: str) -> bool:
        """As a search that looks into every file."""
        try:
            now = os.stat(path)
            state = now.st_size, now.st_mtime_ns, now.st_ino, now.st_dev
            known = self._known.get(path)
            if known is None or known[0] != state:
                known = self._known[path] = state, kind_of(path) is not None
            return known[1]
        except OSError:
            self._known.pop(path, None)
            return _is_candidate(path)


def find_lights(
    paths: str | Path | Iterable[str | Path],
    *,
    exclude: Iterable[str | Path] = (),
    kinds: Kinds | None = None,
) -> Found:
    """Find the files that may be light frames.

    Folders are searched with their subfolders; hidden folders and files, results of
    an earlier run, culled frames and files of other kinds are passed over in silence.  Named files
    stay whatever they hold, so that reading them shows what is wrong.  Patterns
    with ``*``, ``?``, ``[]`` or ``**`` are expanded where the shell did not.

    Parameters
    ----------
    paths : path-like or iterable of path-like
        Folders, files, patterns.
    exclude : iterable of path-like
        Files and folders to leave out.
    kinds : Kinds, optional
        What an earlier search of the same process found out.

    Returns
    -------
    Found
        Each file once, in natural order.

    Raises
    ------
    UsageError
        A path does not exist or a pattern matches nothing.
    """
    search = _Search(exclude, kinds.is_candidate if kinds else _is_candidate)
    if isinstance(paths, (str, os.PathLike)):
        paths = [paths]
    for given in paths:
        text = os.path.expanduser(os.fspath(given))
        if os.path.exists(text):
            search.add(text)
            continue
        matches = sorted(glob.glob(text, recursive=True), key=natural_key)
        if not matches:
            wild = glob.has_magic(text)
            cause = "no file matches this pattern" if wild else "no such file or folder"
            raise UsageError(f"{given}: {cause}")
        for match in matches:
            search.add(match, named=False)
    return search.found()


class _Search:
    def __init__(self, exclude: Iterable[str | Path], is_candidate: Callable[[str], bool]) -> None:
        self._is_candidate = is_candidate
        self._excluded = {_real(path) for path in exclude}
        self._walked: set[str] = set()
        self._seen: dict[str, list[str]] = {}
        self._bases: list[str] = []
        self._unsearched: dict[str, str] = {}

    def add(self, path: str, named: bool = True) -> None:
        path = os.path.abspath(path)
        if os.path.isdir(path):
            self._bases.append(path)
            self._walk(path)
        elif _real(path) not in self._excluded and (named or self._is_candidate(path)):
            self._bases.append(os.path.dirname(path))
            self._take(path)

    def found(self) -> Found:
        files = sorted((f for same in self._seen.values() for f in same), key=natural_key)
        try:
            folder = os.path.commonpath(self._bases) if self._bases else os.getcwd()
        except ValueError:  # several drives have no common folder
            folder = self._bases[0]
        return Found(tuple(map(Path, files)), Path(folder), tuple(self._unsearched.items()))

    def _walk(self, folder: str) -> None:
        real = _real(folder)
        if real in self._walked or real in self._excluded:
            return  # a link back up, or a folder named twice
        self._walked.add(real)
        try:
            entries = sorted(os.scandir(folder), key=lambda entry: natural_key(entry.name))
        except OSError as error:
            self._unsearched[folder] = f"cannot be searched: {error.strerror or error}"
            return
        for entry in entries:
            if entry.name.startswith("."):
                continue
            if os.path.isdir(entry.path):  # unlike the entry's own, calm about a link to itself
                if entry.name.lower() not in _SKIPPED_FOLDERS and not _set_apart(entry.path):
                    self._walk(entry.path)
            elif (
                os.path.isfile(entry.path)
                and not (self._excluded and _real(entry.path) in self._excluded)
                and self._is_candidate(entry.path)
            ):
                self._take(entry.path)

    def _take(self, path: str) -> None:
        # the folded name alone would merge a.fits with A.fits where both may exist
        same = self._seen.setdefault(_real(path).casefold(), [])
        if not any(_same_file(path, other) for other in same):
            same.append(path)


def _is_candidate(path: str) -> bool:
    """Whether a file may be a frame; one that cannot be opened may be by its name."""
    try:
        return kind_of(path) is not None
    except OSError:
        return path.lower().endswith(SUFFIXES) and os.path.isfile(path)


def _same_file(path: str, other: str) -> bool:
    try:
        return os.path.samefile(path, other)
    except OSError:
        return _real(path) == _real(other)


def _real(path: str | Path) -> str:
    return os.path.normcase(os.path.realpath(os.path.expanduser(os.fspath(path))))


def _set_apart(folder: str) -> bool:
    """Whether it holds results, or frames that a cull moved out of the way."""

    def holds(name: str) -> bool:
        return os.path.isfile(os.path.join(folder, name))

    if holds(CULLED_MARKER):
        return True
    return all(map(holds, _RESULTS_MARKERS)) and not _holds_frames(folder)


def _holds_frames(folder: str) -> bool:
    """Whether frames lie beside results, as after a run with ``--out`` into their own folder."""
    try:
        return any(name.lower().endswith(SUFFIXES) for name in os.listdir(folder))
    except OSError:
        return False
