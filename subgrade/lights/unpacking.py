"""What files are packed with: gzip, bzip2 and the old compress, unpacked a piece at a time."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from subgrade.lights.compress_codes import Unpacker

MOST_INFLATION = 1032
"""Bytes that one byte of deflated data can stand for (RFC 1951: 258 for every two bits)."""


@dataclass(frozen=True, slots=True)
class Wrapper:
    """A way to pack a file.

    Attributes
    ----------
    name : str
    magic : bytes
        What it starts with.
    most_inflation : int
        Bytes that one packed byte can stand for.
    unpacker : callable
        Makes an object that works like ``zlib.decompressobj()``.
    errors : tuple of type
        What that raises on damage.
    """

    name: str
    magic: bytes
    most_inflation: int
    unpacker: Callable
    errors: tuple[type[Exception], ...]


def wrapper_of(start: bytes) -> Wrapper | None:
    """The wrapper that a file's first four bytes tell of, None for none."""
    for wrapper in _WRAPPERS:
        if start.startswith(wrapper.magic):
            # text that starts with BZh goes on otherwise than with the size of a block
            return wrapper if wrapper.magic != b"BZh" or start[3:4] in b"123456789" else None
    return None


class _Bzip2:
    """A bzip2 stream; what it does not take in yet is left with the caller."""

    def __init__(self) -> None:
        import bz2

        self._stream = bz2.BZ2Decompressor()
        self.unconsumed_tail = self.unused_data = b""
        self.eof = False

    def decompress(self, data: bytes, most: int) -> bytes:
        """The next unpacked bytes, at most so many."""
        fed = self._stream.needs_input
        out = self._stream.decompress(data if fed else b"", most)
        left = b"" if fed else data
        self.eof = self._stream.eof
        self.unconsumed_tail = b"" if self.eof else left
        self.unused_data = self._stream.unused_data + left if self.eof else b""
        return out


def _compress_unpacker() -> Unpacker:
    # its compiled loop is loaded for such files alone
    from subgrade.lights.compress_codes import Unpacker

    return Unpacker()


_WRAPPERS = (
    Wrapper(
        "gzip", b"\x1f\x8b", MOST_INFLATION, lambda: zlib.decompressobj(wbits=31), (zlib.error,)
    ),
    # a block of 900,000 runs of 255 bytes in 5 takes some 40 bytes; from memory
    Wrapper("bzip2", b"BZh", 1_300_000, _Bzip2, (OSError, ValueError)),
    # a code of 16 bits stands for at most all the entries before it
    Wrapper("compress", b"\x1f\x9d", 32_768, _compress_unpacker, (ValueError,)),
)
