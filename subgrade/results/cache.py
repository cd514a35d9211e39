"""Measurements kept by file content, so that a second run measures only what changed."""

from __future__ import annotations

import json
from hashlib import blake2b
from pathlib import Path

from subgrade.errors import ResultsError, UnreadableFile
from subgrade.lights.model import HeaderFacts
from subgrade.results.codec import Codec
from subgrade.results.files import write_whole
from subgrade.stars.model import FrameStars, ShapeField, StarImage, StarList, Streak

ENDS = 64 * 1024
BLOCK = 4 * 1024
BLOCKS = 64

CODEC = Codec(HeaderFacts, FrameStars, StarList, StarImage, ShapeField, Streak)


def content_identity(path: str | Path) -> str:
    """A short text that changes when a file's content does.

    Size, time of last change, and a hash of the first and last 64 KiB and of 64 blocks
    of 4 KiB evenly between.  Reading all of a large frame would cost as much as
    measuring it.

    Raises
    ------
    UnreadableFile
        If the file cannot be read.
    """
    path = Path(path)
    digest = blake2b(digest_size=20)
    try:
        state = path.stat()
        digest.update(f"{state.st_size} {state.st_mtime_ns}".encode())
        with path.open("rb") as stream:
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
    """The folder ``measured`` in RESULTS, one file a frame.

    Parameters
    ----------
    folder : Path
        Made on the first write.
    settings : dict
        Whatever else a measurement depends on: the measuring version, the scale, the
        masters.  Another setting is another file.
    """

    def __init__(self, folder: Path, settings: dict):
        self.folder = Path(folder)
        self._settings = json.dumps(settings, sort_keys=True, default=str)

    def key(self, path: str | Path) -> str:
        """The name a file's measurement goes by.

        Raises
        ------
        UnreadableFile
            If the file cannot be read.
        """
        return blake2b(
            f"{content_identity(path)} {self._settings}".encode(), digest_size=20
        ).hexdigest()

    def load(self, key: str) -> tuple[HeaderFacts, FrameStars] | None:
        """The measurement under a key; None where there is none or it is damaged."""
        try:
            stored = CODEC.decode(self._file(key).read_bytes())
        except (OSError, ValueError):
            return None
        held, facts, stars = stored if isinstance(stored, tuple) and len(stored) == 3 else (0, 0, 0)
        return (facts, stars) if held == key else None

    def save(self, key: str, facts: HeaderFacts, stars: FrameStars) -> None:
        """Keep a measurement.

        Raises
        ------
        ResultsError
            If it cannot be written.
        """
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise ResultsError(
                f"{self.folder}: cannot be made: {error.strerror or error}"
            ) from error
        write_whole(self._file(key), CODEC.encode((key, facts, stars)))

    def _file(self, key: str) -> Path:
        return self.folder / f"{key}.npz"
