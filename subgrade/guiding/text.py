"""Lines of a text file, in pieces of bounded size, whatever its encoding and line ends."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from pathlib import Path

from subgrade.errors import UnreadableFile
from subgrade.regular_files import open_regular

PIECE = 1 << 20
"""Characters read at a time."""
LONGEST_LINE = 1 << 18
"""Longer lines are no rows of a record; reading on would load a whole file into memory."""
HEAD = 1 << 16

_PACKED = {b"\x1f\x8b": "gzip", b"PK\x03\x04": "zip", b"BZh": "bzip2", b"\xfd7zXZ": "xz"}
_BINARY = (b"SIMPLE  =", b"\x89PNG", b"\xff\xd8\xff", b"%PDF", b"II*\x00", b"MM\x00*", b"\x7fELF")


def _as_latin(error: UnicodeError):
    """Bytes that are not UTF-8 are read as Latin-1, so that one stray byte harms one cell only."""
    if not isinstance(error, UnicodeDecodeError):
        raise error
    return error.object[error.start : error.end].decode("latin-1"), error.end


codecs.register_error("subgrade_latin", _as_latin)


def line_pieces(path) -> Iterator[tuple[list[str], bool]]:
    """Read a text file as lists of lines.

    Parameters
    ----------
    path : path-like

    Yields
    ------
    lines : list of str
        Without line ends.
    whole : bool
        False in the last piece when the file does not end in a line end.

    Raises
    ------
    UnreadableFile
        Empty, missing or binary files, and lines beyond any row's length.
    """
    path = Path(path)
    encoding = _encoding(path)
    errors = "subgrade_latin" if encoding.startswith("utf-8") else "replace"
    rest = ""
    try:
        with open(path, encoding=encoding, errors=errors, newline=None) as file:
            while piece := file.read(PIECE):
                lines = (rest + piece).split("\n")
                rest = lines.pop()
                if len(rest) > LONGEST_LINE or max(map(len, lines), default=0) > LONGEST_LINE:
                    raise UnreadableFile(path, "has lines far too long for a guiding record")
                yield lines, True
    except (OSError, UnicodeError) as error:
        raise UnreadableFile(path, f"cannot be read: {error}") from error
    if rest:
        yield [rest], False


def _encoding(path: Path) -> str:
    try:
        with open_regular(path) as file:
            head = file.read(HEAD)
    except OSError as error:
        raise UnreadableFile(path, f"cannot be read: {error.strerror or error}") from error
    if not head.strip(b"\x00 \t\r\n\xef\xbb\xbf\xff\xfe"):
        raise UnreadableFile(path, "is empty")
    for mark, name in _PACKED.items():
        if head.startswith(mark):
            raise UnreadableFile(path, f"is compressed ({name}): decompress it first")
    if head.startswith(_BINARY):
        raise UnreadableFile(path, "is not a text file")
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    nuls = head.count(0)
    if nuls:
        # Latin text in UTF-16 has a NUL as every other byte, always on the same side.
        even, odd = head[::2].count(0), head[1::2].count(0)
        if max(even, odd) > 0.35 * len(head) and min(even, odd) < 0.02 * len(head):
            return "utf-16-be" if even > odd else "utf-16-le"
        raise UnreadableFile(path, "is not a text file: it holds NUL bytes")
    odd = sum(byte < 32 and byte not in b"\t\n\r\f\x1a\x1b" for byte in head)
    if odd > 0.02 * len(head):
        raise UnreadableFile(path, "is not a text file: it holds control bytes")
    return "utf-8"
