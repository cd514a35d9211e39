"""What a worker of a cluster is asked: whether it is like the client, and to measure one frame.

A worker measures one frame at a time, however many threads it has, so that its memory stays that
of one frame. It looks at each frame before it measures it: storage that is not mounted, or holds
another file under the same name, is the worker's fault and not the frame's. It writes into RESULTS
only where it sees the client's own mark in the same folder, and never makes a folder.
"""

from __future__ import annotations

import os
import pickle
import platform
import threading
import uuid
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from subgrade.errors import ResultsError, UnreadableFile
from subgrade.results.file_identity import FileIdentity
from subgrade.results.measurement_cache import MeasurementCache, content_identity
from subgrade.results.memo_files import program_identity
from subgrade.workers import Failure, guarded

MTIME_SLACK_NS = 2_000_000_000
"""Systems that share files keep times of change to 1 ns, 100 ns, or 2 s (FAT; common practice)."""
PACKAGES = ("numpy", "numba", "llvmlite", "scipy", "astropy", "rawpy", "tifffile", "exifread")
"""What a measurement can depend on besides the program: its arithmetic, and reading files."""
PROCESS = uuid.uuid4().hex
"""Differs from process to process: one that was restarted has the address of the one before."""

_ONE_AT_A_TIME = threading.Lock()


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a worker must be like.

    Attributes
    ----------
    program : dict of str to str
        `program_here` of the client.
    files : tuple of (str, FileIdentity)
        Files that it must see as they are.
    """

    program: dict[str, str]
    files: tuple[tuple[str, FileIdentity], ...]


@dataclass(frozen=True, slots=True)
class Prepared:
    """What a worker is like.

    Attributes
    ----------
    process : str
        `PROCESS` of it.
    program : dict of str to str
    unseen : str
        The first file that it does not see as it is, and why; empty where it sees all.
    """

    process: str
    program: dict[str, str]
    unseen: str = ""


@dataclass(frozen=True, slots=True)
class Asked:
    """One frame to measure.

    Attributes
    ----------
    path : str
        Absolute.
    identity : FileIdentity or None
        What the client sees there; None where it cannot be read there either.
    key : str
        What the measurement is to be kept under; empty where nothing is kept.
    process : str
        The process that was looked over for it.
    mark : str
        Name and content of the client's mark in the folder of measurements; empty where nothing
        is kept.
    """

    path: str
    identity: FileIdentity | None
    key: str
    process: str
    mark: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a frame.

    Attributes
    ----------
    outcome : object
        What was measured, or a `Failure`.
    files : tuple of (str, bytes)
        Names and contents to be written into the folder of measurements by the client.
    unseen : str
        Why the frame was not measured: the worker does not see it as the client does.
    stranger : bool
        The process is not the one that was looked over.
    """

    outcome: object = None
    files: tuple[tuple[str, bytes], ...] = ()
    unseen: str = ""
    stranger: bool = False


def program_here() -> dict[str, str]:
    """Versions of all that a measurement depends on; an empty text for what is not installed."""
    import subgrade

    found = {"subgrade": subgrade.__version__, "its code": program_identity()[:12]}
    found["python"] = ".".join(platform.python_version_tuple()[:2])
    return found | {name: _version(name) for name in PACKAGES}


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return ""


def prepare(wanted: bytes) -> bytes:
    """Look this worker over, and have it ready to measure where nothing is wrong with it.

    Parameters
    ----------
    wanted : bytes
        A pickled `Wanted`: the scheduler in between need not know the class.

    Returns
    -------
    bytes
        A pickled `Prepared`.
    """
    known: Wanted = pickle.loads(wanted)
    program = program_here()
    if program != known.program:
        return pickle.dumps(Prepared(PROCESS, program))
    for path, identity in known.files:
        if unseen := unlike(path, identity):
            return pickle.dumps(Prepared(PROCESS, program, f"{path} {unseen}"))
    with _ONE_AT_A_TIME:
        from subgrade.stars import warm_up

        warm_up()
    return pickle.dumps(Prepared(PROCESS, program))


def measure_frame(measure: bytes, asked: bytes) -> bytes:
    """Measure one frame.

    Parameters
    ----------
    measure : bytes
        The pickled callable that `subgrade.workers.measure_each` takes.
    asked : bytes
        A pickled `Asked`.

    Returns
    -------
    bytes
        A pickled `Answer`: arrays arrive as those of a local process do.
    """
    with _ONE_AT_A_TIME:
        return pickle.dumps(_answer(_loaded(measure), pickle.loads(asked)))


@lru_cache(maxsize=4)
def _loaded(measure: bytes) -> Callable:
    return pickle.loads(measure)


def _answer(measure: Callable, asked: Asked) -> Answer:
    if asked.process != PROCESS:
        return Answer(stranger=True)
    if asked.identity is not None and (unseen := unlike(asked.path, asked.identity)):
        return Answer(unseen=unseen)
    cache = None
    if asked.key:
        cache = _Elsewhere(measure.cache, asked.key, asked.mark)
        measure = replace(measure, cache=cache)
    outcome = guarded(measure, Path(asked.path))
    failed = isinstance(outcome, Failure) and asked.identity is not None
    # storage may have gone away while the frame was read
    if failed and (unseen := unlike(asked.path, asked.identity)):
        return Answer(unseen=unseen)
    return Answer(outcome, tuple(cache.sent) if cache else ())


def unlike(path: str, identity: FileIdentity) -> str:
    """Why a file is not the one that the client sees; empty where it is.

    The content counts, and the time of change as exactly as systems that share files keep it.
    """
    try:
        state = os.stat(path)
        if state.st_size != identity.size:
            return f"has {state.st_size} bytes there, {identity.size} here"
        if abs(state.st_mtime_ns - identity.mtime_ns) > MTIME_SLACK_NS:
            return "was changed at another time there than here"
        if content_identity(path, identity.mtime_ns) != identity.content:
            return "has other content there than here"
    except FileNotFoundError:
        return "is not there"
    except OSError as error:
        return f"cannot be read there: {error.strerror or error}"
    except UnreadableFile as error:
        return f"cannot be read there: {error.cause}"
    return ""


class _Elsewhere(MeasurementCache):
    """The client's folder of measurements, as a worker that may or may not see it uses it.

    What cannot be written there is held in ``sent``.
    """

    def __init__(self, cache: MeasurementCache, key: str, mark: str) -> None:
        vars(self).update(vars(cache))
        self.sent: list[tuple[str, bytes]] = []
        self._key, self._mark = key, mark

    def key(self, path: str | Path, known: FileIdentity | None = None) -> str:
        """What the client keeps it under: its own key may rest on a rounded time of change."""
        return self._key

    def write(self, name: str, content: bytes) -> None:
        """Write a file where the folder is the client's own, hold it for sending elsewhere."""
        if not self.writes:
            return
        try:
            if (self.folder / self._mark).read_text(encoding="ascii") == self._mark:
                super().write(name, content)
                return
        except (OSError, ResultsError, ValueError):
            pass
        self.sent.append((name, content))
