"""Measurements kept by file content, so that a second run measures only what changed."""

from __future__ import annotations

import json
import os
from contextlib import suppress
from dataclasses import dataclass
from hashlib import blake2b
from pathlib import Path

from subgrade.errors import ResultsError, UnreadableFile
from subgrade.lights.model import HeaderFacts
from subgrade.regular_files import open_regular
from subgrade.results.codec import Codec, read_encoded, stands_whole
from subgrade.results.files import write_whole
from subgrade.stars import PICTURES_VERSION
from subgrade.stars.model import (
    CutOut,
    Flaw,
    FramePictures,
    FrameStars,
    Picture,
    ShapeField,
    StarImage,
    StarList,
    Streak,
)

ENDS = 64 * 1024
BLOCK = 4 * 1024
BLOCKS = 64

CODEC = Codec(HeaderFacts, FrameStars, StarList, StarImage, ShapeField, Streak, Flaw)
PICTURES_CODEC = Codec(FramePictures, CutOut, Picture)


def content_identity(path: str | Path, mtime_ns: int | None = None) -> str:
    """A short text that changes when a file's content does.

    Size, time of last change, and a hash of the first and last 64 KiB and of 64 blocks
    of 4 KiB evenly between.  Reading all of a large frame would cost as much as
    measuring it.

    Parameters
    ----------
    path : path-like
    mtime_ns : int, optional
        Time of last change to take in place of the file's own: another machine that sees the same
        file may keep it rounded.

    Raises
    ------
    UnreadableFile
        If the file cannot be read.
    """
    path = Path(path)
    digest = blake2b(digest_size=20)
    try:
        with open_regular(path) as stream:
            state = os.fstat(stream.fileno())
            changed = state.st_mtime_ns if mtime_ns is None else mtime_ns
            digest.update(f"{state.st_size} {changed}".encode())
            digest.update(stream.read(ENDS))
            for k in range(BLOCKS):
                stream.seek(k * state.st_size // BLOCKS)
                digest.update(stream.read(BLOCK))
            stream.seek(max(0, state.st_size - ENDS))
            digest.update(stream.read(ENDS))
    except OSError as error:
        raise UnreadableFile(path, f"cannot be read: {error.strerror or error}") from error
    return digest.hexdigest()


class MeasurementCache:
    """The folder ``measured`` in RESULTS, one file a frame and one for its pictures.

    Parameters
    ----------
    folder : Path
        Made on the first write.
    settings : dict
        Whatever else a measurement depends on: the measuring version, the scale, the
        masters.  Another setting is another file.
    writes : bool
        Whether anything is kept; without, what an earlier run kept is still read.
    """

    def __init__(self, folder: Path, settings: dict, writes: bool = True):
        self.folder = Path(folder)
        self.writes = writes
        self.damaged = 0
        self._settings = json.dumps(settings, sort_keys=True, default=str)

    def key(self, path: str | Path, known=None) -> str:
        """The name a file's measurement goes by.

        Parameters
        ----------
        path : path-like
        known : FileIdentity, optional
            What the file is, where that was just looked up.

        Raises
        ------
        UnreadableFile
            If the file cannot be read.
        """
        content = content_identity(path) if known is None else known.content
        return blake2b(f"{content} {self._settings}".encode(), digest_size=20).hexdigest()

    def load(self, key: str) -> tuple[HeaderFacts, FrameStars] | None:
        """The measurement under a key; None where there is none or it is damaged.

        A damaged one is counted in ``damaged``.
        """
        try:
            stored = CODEC.decode(read_encoded(self._file(key)))
            held, facts, stars = stored
            if held == key and isinstance(facts, HeaderFacts):
                return facts, stars
        except FileNotFoundError:
            return None
        except Exception:
            # whatever is wrong with it, the frame itself is still there to be measured
            pass
        self.damaged += 1
        return None

    def kept_at(self, key: str) -> int:
        """When a measurement was kept, nanoseconds since 1970; 0 where there is none."""
        try:
            return self._file(key).stat().st_mtime_ns
        except OSError:
            return 0

    def save(self, key: str, facts: HeaderFacts, stars: FrameStars) -> None:
        """Keep a measurement.

        Raises
        ------
        ResultsError
            If it cannot be written.
        """
        self.write(self._file(key).name, CODEC.encode((key, facts, stars)))

    def save_missing(self, key: str, facts: HeaderFacts, stars: FrameStars) -> None:
        """Keep a measurement that could not be kept when it was made, if that can be done now."""
        if self.writes and not self._file(key).exists():
            with suppress(ResultsError):
                self.save(key, facts, stars)

    def has_pictures(self, key: str) -> bool:
        """Whether whole pictures were kept under a key, by their length."""
        return stands_whole(self._pictures(key))

    def load_pictures(self, key: str) -> FramePictures | None:
        """The pictures under a key; None where there are none or they are damaged."""
        try:
            held, pictures = PICTURES_CODEC.decode(read_encoded(self._pictures(key)))
        except Exception:  # pictures are never worth an error
            return None
        return pictures if held == key and isinstance(pictures, FramePictures) else None

    def save_pictures(self, key: str, pictures: FramePictures) -> None:
        """Keep a frame's pictures.

        Raises
        ------
        ResultsError
            If they cannot be written.
        """
        self.write(self._pictures(key).name, PICTURES_CODEC.encode((key, pictures)))

    def write(self, name: str, content: bytes) -> None:
        """Write a file of the folder, unless nothing is kept.

        Raises
        ------
        ResultsError
            If it cannot be written.
        """
        if not self.writes:
            return
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ResultsError(
                f"{self.folder}: cannot be made: {error.strerror or error}"
            ) from error
        write_whole(self.folder / name, content)

    def _file(self, key: str) -> Path:
        return self.folder / f"{key}.kept"

    def _pictures(self, key: str) -> Path:
        return self.folder / f"{key}.drawn{PICTURES_VERSION}"


@dataclass(frozen=True, slots=True)
class KeptPictures:
    """Where one frame's pictures are kept: they stay on disk until asked for."""

    cache: MeasurementCache
    key: str

    def load(self) -> FramePictures | None:
        """The pictures, read anew at every call; None where there are none."""
        return self.cache.load_pictures(self.key)
