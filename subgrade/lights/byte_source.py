"""A file's bytes in order, as they lie on disk or out of a wrapper, no more than asked for.

Files are read and not mapped: one that another program cuts short, or a network drive that
goes away, would end a process that has it mapped.
"""

from __future__ import annotations

import os
from io import FileIO
from pathlib import Path

from subgrade.errors import UnreadableFile
from subgrade.lights.unpacking import Wrapper, wrapper_of
from subgrade.regular_files import open_regular

MOST_PASSED = 1 << 30
"""Unpacked bytes that may lie before the image, or be passed over to look for more images."""
MOST_CHECKED = 1 << 26
"""Unpacked bytes behind the image that are run through for the checksum at their end."""
_PIECE = 1 << 18


def open_source(path: Path) -> PlainSource | PackedSource:
    """A file as a source of bytes, to be closed by its ``close``.

    Returns
    -------
    PlainSource or PackedSource

    Raises
    ------
    UnreadableFile
        A file that cannot be opened, or is empty.
    """
    file = open_regular(path)
    try:
        size = os.fstat(file.fileno()).st_size
        if size == 0:
            raise UnreadableFile(path, "the file is empty")
        wrapper = wrapper_of(file.read(4))
        file.seek(0)
        if wrapper is None:
            return PlainSource(path, file, size)
        return PackedSource(path, file, size, wrapper)
    except OSError as error:
        file.close()
        raise UnreadableFile(path, f"cannot be read: {error.strerror or error}") from None
    except BaseException:
        file.close()
        raise


class PlainSource:
    """A file as it is; errors of the disk or the network name the file."""

    def __init__(self, path: Path, file: FileIO, size: int) -> None:
        self.path, self._file, self._size = path, file, size

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def most(self, start: int) -> int:
        """Bytes that the file can hold from a place on."""
        return max(0, self._size - start)

    def seek(self, at: int) -> None:
        """Go to a place, which may lie behind the end."""
        self._file.seek(at)

    def read(self, count: int) -> bytes:
        """The next bytes; fewer at the end."""
        room = bytearray(count)
        return bytes(room[: self.read_into(room)])

    def read_into(self, room: bytearray | memoryview) -> int:
        """Fill a buffer with the next bytes; how many there were.

        Raises
        ------
        UnreadableFile
            The disk fails.
        """
        view, done = memoryview(room), 0
        try:
            while done < len(view) and (got := self._file.readinto(view[done:])):
                done += got
        except OSError as error:
            raise UnreadableFile(self.path, f"cannot be read: {error.strerror or error}") from None
        return done

    def check_rest(self) -> str | None:
        """A plain file has no checksum."""
        return None


class PackedSource:
    """What a wrapper holds, unpacked as far as it is read."""

    def __init__(self, path: Path, file: FileIO, size: int, wrapper: Wrapper) -> None:
        self.path, self._size, self._wrapper = path, size, wrapper
        self._packed = PlainSource(path, file, size)
        self._restart()

    def close(self) -> None:
        """Let go of the file."""
        self._packed.close()

    def most(self, start: int) -> int:
        """Bytes that the file can hold from a place on, however well they were packed."""
        return max(0, self._wrapper.most_inflation * self._size - start)

    def seek(self, at: int) -> None:
        """Go to a place, which may lie behind the end; what lies between is unpacked.

        Raises
        ------
        UnreadableFile
            The wrapper is damaged, or holds too much before that place.
        """
        if at < self._at:
            self._restart()
        if at - self._at > MOST_PASSED:
            limit = MOST_PASSED >> 30
            raise UnreadableFile(
                self.path, f"the {self._wrapper.name} file holds over {limit} GiB beside its image"
            )
        while self._at < at and self._unpacked(min(_PIECE, at - self._at)):
            pass

    def read(self, count: int) -> bytes:
        """The next bytes; fewer at the end."""
        parts = []
        while count > 0 and (part := self._unpacked(min(_PIECE, count))):
            parts.append(part)
            count -= len(part)
        return b"".join(parts)

    def read_into(self, room: bytearray | memoryview) -> int:
        """Fill a buffer with the next bytes; how many there were."""
        view, done = memoryview(room), 0
        while done < len(view) and (part := self._unpacked(min(_PIECE, len(view) - done))):
            view[done : done + len(part)] = part
            done += len(part)
        return done

    def check_rest(self) -> str | None:
        """Run on to the checksum at the end; a remark where that was not reached.

        Raises
        ------
        UnreadableFile
            The checksum does not fit.
        """
        passed = 0
        while passed < MOST_CHECKED and (part := self._unpacked(_PIECE)):
            passed += len(part)
        if passed >= MOST_CHECKED:
            return (
                f"much more data follow the image in the {self._wrapper.name} file: "
                "its end was not reached"
            )
        if self._stray:
            return f"the {self._wrapper.name} file is followed by other bytes, which were ignored"
        return None

    def _restart(self) -> None:
        self._packed.seek(0)
        self._unpacker = self._wrapper.unpacker()
        self._waiting = b""
        self._at = 0
        self._stray = self._ended = False

    def _unpacked(self, most: int) -> bytes:
        """The next unpacked bytes, at most so many and at least one; none at the end."""
        while not self._ended:
            if self._unpacker.eof and not self._next_member():
                break
            if not self._waiting:
                self._waiting = self._packed.read(_PIECE)
            try:
                part = self._unpacker.decompress(self._waiting, most)
            except self._wrapper.errors as error:
                raise self._damaged(error) from None
            if not (part or self._waiting or self._unpacker.eof):
                raise self._damaged("it ends too early")
            self._waiting = self._unpacker.unconsumed_tail or self._unpacker.unused_data
            if part:
                self._at += len(part)
                return part
        return b""

    def _next_member(self) -> bool:
        """Go on to a wrapper behind the first, as the formats allow."""
        magic = self._wrapper.magic
        while not (rest := self._waiting.lstrip(b"\0")):  # zeros are padding
            self._waiting = self._packed.read(_PIECE)
            if not self._waiting:
                self._ended = True
                return False
        rest += self._packed.read(len(magic)) if len(rest) < len(magic) else b""
        if not rest.startswith(magic):
            self._stray = self._ended = True
            return False
        self._waiting = rest
        self._unpacker = self._wrapper.unpacker()
        return True

    def _damaged(self, error: Exception | str) -> UnreadableFile:
        return UnreadableFile(
            self.path, f"the {self._wrapper.name} file is damaged or cut short ({error})"
        )
