"""Outcomes of the stages behind measuring, kept so that another run need not make them again."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from hashlib import blake2b
from pathlib import Path
from typing import TypeVar

import numpy as np

import subgrade
from subgrade.errors import ResultsError
from subgrade.guiding import model as guiding
from subgrade.judging import Evidence, Finding
from subgrade.lights.model import HeaderFacts
from subgrade.night import model as night
from subgrade.optional_parts import watched
from subgrade.record import model as record
from subgrade.results.codec import Codec, read_encoded
from subgrade.results.files import write_whole

Made = TypeVar("Made")

ENDING = ".outcomes"
CODEC = Codec(
    Evidence,
    Finding,
    HeaderFacts,
    night.Registration,
    night.FrameCompared,
    night.Usual,
    night.Trends,
    night.Group,
    night.DriftSegment,
    night.GroupGeometry,
    night.NightGeometry,
    record.Column,
    record.GuideEvent,
    record.GuideRecord,
    guiding.ClockFit,
    guiding.ExposureGuiding,
    guiding.Prediction,
    guiding.PathFit,
    guiding.PathMember,
    guiding.MountMotion,
    guiding.GuideNight,
)


@cache
def program_identity() -> str:
    """A short text that changes with the program's code: any change may change an outcome.

    Versions of single stages would be cheaper to compare and easy to forget.
    """
    digest = blake2b(f"{subgrade.__version__} {np.__version__}".encode(), digest_size=20)
    place = Path(subgrade.__file__).parent
    for path in sorted(p for kind in ("*.py", "*.toml") for p in place.rglob(kind)):
        digest.update(path.relative_to(place).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()


class KeptOutcomes:
    """The outcomes in the folder ``measured`` in RESULTS, one file a kind.

    Outcomes that a run does not use stay until they outnumber those it does, so that going
    back to other limits, or taking a frame out again, costs nothing.

    Parameters
    ----------
    folder : Path
        Made on the first write.
    reads, writes : bool
        Whether what an earlier run kept is used, and whether anything is kept.
    say : callable, optional
        Takes a line for the user: that something kept is made anew.
    """

    def __init__(
        self,
        folder: Path,
        reads: bool = True,
        writes: bool = True,
        say: Callable[[str], None] = lambda text: None,
    ):
        self._folder = Path(folder)
        self._reads, self._writes, self._say = reads, writes, say
        self._earlier: dict[str, dict[str, bytes]] = {}
        self._used: dict[str, dict[str, bytes]] = {}
        self._changed: set[str] = set()
        self._outdated = False

    def outcome(self, kind: str, key: str, make: Callable[[], Made]) -> Made:
        """What is kept under a key, else what ``make`` returns, kept from now on.

        What was made where a part of it failed is not kept.
        """
        known = self._known(kind, key)
        if known is not None:
            value, self._used[kind][key] = known
            return value
        value, whole = watched(make)
        if not whole:
            return value
        known = CODEC.encode(value)
        self._used[kind][key] = known
        self._changed.add(kind)
        # what a later run will read, so that both see the same
        return CODEC.decode(known)

    def earlier(self, kind: str, key: str) -> tuple | None:
        """What an earlier run kept, as a tuple of one; None where it kept nothing.

        It does not count as used.
        """
        known = self._known(kind, key)
        return None if known is None else known[:1]

    def put(self, kind: str, key: str, value: object) -> None:
        """Keep an outcome that was made elsewhere."""
        if kind not in self._used:
            self._earlier[kind], self._used[kind] = self._read(kind), {}
        self._used[kind][key] = self._earlier[kind].get(key) or CODEC.encode(value)
        self._changed.add(kind)

    def _known(self, kind: str, key: str) -> tuple[object, bytes] | None:
        """What is kept under a key, and its bytes."""
        if kind not in self._used:
            self._earlier[kind], self._used[kind] = self._read(kind), {}
        known = self._used[kind].get(key) or self._earlier[kind].get(key)
        if known is None:
            return None
        try:
            return CODEC.decode(known), known
        except ValueError:
            self._say(f"a kept outcome ({kind}) was damaged and is made anew")
            return None

    def write(self) -> None:
        """Put what was made on the disk.

        Raises
        ------
        ResultsError
            If it cannot be written.
        """
        for kind in sorted(self._changed if self._writes else ()):
            used = self._used[kind]
            other = [pair for pair in self._earlier[kind].items() if pair[0] not in used]
            pairs = [*used.items(), *other[: len(used)]]
            content = CODEC.encode((program_identity(), kind, tuple(pairs)))
            try:
                self._folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                cause = error.strerror or error
                raise ResultsError(f"{self._folder}: cannot be made: {cause}") from error
            write_whole(self._file(kind), content)
            self._changed.discard(kind)

    def _read(self, kind: str) -> dict[str, bytes]:
        """What earlier runs kept of a kind; nothing where it is damaged or another program's."""
        if not self._reads:
            return {}
        try:
            program, held, pairs = CODEC.decode(read_encoded(self._file(kind)))
            if held != kind:
                raise ValueError("another kind")
            found = dict(pairs)
        except FileNotFoundError:
            return {}
        except Exception:
            # whatever is wrong with it, all of it can be made again
            self._say(f"the kept outcomes ({kind}) were damaged and are made anew")
            return {}
        if program != program_identity():
            if not self._outdated:  # one line for all kinds
                self._say("what was kept of the comparison is of another version and is made anew")
            self._outdated = True
            return {}
        return found

    def _file(self, kind: str) -> Path:
        return self._folder / f"{kind}{ENDING}"
