"""What must be alike here and on a worker: program, files, paths, and the kept measurements."""

from __future__ import annotations

import os
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

from subgrade.errors import ResultsError
from subgrade.results.file_identity import FileIdentity, file_identity

FOLDERS = 20
"""Input folders of which a worker must see a frame before it is used."""


@contextmanager
def marked(cache: object) -> Iterator[str]:
    """A mark in the folder of measurements, by which a worker knows that it sees that folder."""
    if cache is None or not cache.writes:
        yield ""
        return
    name = f".seen.{uuid.uuid4().hex}"
    with suppress(ResultsError):  # what cannot be written is reported with the first measurement
        cache.write(name, name.encode())
    try:
        yield name
    finally:
        with suppress(OSError):
            os.unlink(cache.folder / name)


def samples(paths: Sequence[Path], measure: Callable) -> tuple[tuple[str, FileIdentity], ...]:
    """A frame of each folder, and the masters: what a worker must see before it is used."""
    folders: dict[Path, Path] = {}
    for path in paths:
        folders.setdefault(path.parent, path)
    masters = [Path(m) for m in getattr(measure, "masters", ()) if m]
    found = ((p, file_identity(p)) for p in (*list(folders.values())[:FOLDERS], *masters))
    return tuple((os.path.abspath(p), identity) for p, identity in found if identity)


def time_of(mark: Path) -> int:
    """When the mark was made, by the clock of its disk; past all times where it was not."""
    try:
        return mark.stat().st_mtime_ns
    except OSError:
        return 2**63


def everywhere(measure: Callable) -> Callable:
    """The same with the paths of its masters as they are in every folder."""
    masters = getattr(measure, "masters", None)
    if masters is None:
        return measure
    return replace(measure, masters=tuple(m and os.path.abspath(m) for m in masters))


def differences(there: Mapping[str, str], here: Mapping[str, str]) -> str:
    """What differs between two programs; empty where nothing does."""
    return ", ".join(
        f"{name} {there.get(name) or 'missing'} (here {here.get(name) or 'missing'})"
        for name in dict.fromkeys((*here, *there))
        if there.get(name) != here.get(name)
    )
