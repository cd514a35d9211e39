"""The old compress format (``.Z``): codes of 9 to 16 bits for texts seen before.

Codes come in groups of eight, as many bytes as a code has bits; where their width changes or
the table is cleared, what is left of the group is passed over.  A text is as long as the
table is large at most, so what a piece unpacks to is bounded by the room given.

References
----------
Welch 1984, IEEE Computer 17 (6), 8; the layout of groups from memory, held by tests to what
gzip unpacks.
"""

from __future__ import annotations

import numpy as np
from numba import njit

HEADER = 3
FIRST_WIDTH, MOST_WIDTH = 9, 16
_CLEAR = 256
_WIDTH, _FREE, _OLD, _FIRST, _PLACE, _HELD = range(6)


class Unpacker:
    """Unpacks like ``zlib.decompressobj()``; the format has no end but the file's."""

    def __init__(self) -> None:
        self.unconsumed_tail = self.unused_data = b""
        self.eof = False
        self._flags: int | None = None
        self._data = b""

    def decompress(self, data: bytes, most: int) -> bytes:
        """The next unpacked bytes, at most so many.

        Raises
        ------
        ValueError
            A code that no text has yet.
        """
        last = not data
        hungry = len(self._data) < HEADER + MOST_WIDTH
        self._data += data if hungry else b""
        self.unconsumed_tail = b"" if hungry else data
        if self._flags is None and not self._started():
            if last:
                raise ValueError("it ends too early")
            return b""
        out = np.empty(most, np.uint8)
        codes = np.frombuffer(self._data, np.uint8)
        kind = bool(self._flags & 0x80), self._flags & 0x1F
        table = self._state, self._before, self._letter, self._text
        used, done = _expand(codes, last, *kind, *table, out)
        if used < 0:
            raise ValueError("a code stands for nothing yet")
        self._data = self._data[used:]
        self.eof = last and not done
        return out[:done].tobytes()

    def _started(self) -> bool:
        if len(self._data) < HEADER:
            return False
        self._flags, self._data = self._data[2], self._data[HEADER:]
        width = self._flags & 0x1F
        if not FIRST_WIDTH <= width <= MOST_WIDTH:
            raise ValueError(f"codes of {width} bits are not possible")
        free = _CLEAR + 1 if self._flags & 0x80 else _CLEAR
        self._state = np.array([FIRST_WIDTH, free, -1, 0, 0, 0], np.int64)
        self._before = np.zeros(1 << width, np.int32)
        self._letter = np.zeros(1 << width, np.uint8)
        self._text = np.empty((1 << width) + 1, np.uint8)
        return True


@njit(nogil=True)
def _expand(
    data: np.ndarray,
    last: int,
    clears: bool,
    most_width: int,
    state: np.ndarray,
    before: np.ndarray,
    letter: np.ndarray,
    text: np.ndarray,
    out: np.ndarray,
) -> tuple[int, int]:
    """Bytes used and bytes written; -1 used for a code without a text."""
    width, free, old, first, place, held = state
    at = 0
    done = 0
    while done < len(out):
        if held > 0:  # a text lies backwards
            held -= 1
            out[done] = text[held]
            done += 1
            continue
        if free >= 1 << width and width < most_width:
            at, place = (at + width, 0) if place else (at, 0)
            width += 1
        if (at + width > len(data) and not last) or 8 * (len(data) - at) < width * (place + 1):
            break
        code = 0
        for k in range(width):
            bit = place * width + k
            code |= ((data[at + (bit >> 3)] >> (bit & 7)) & 1) << k
        place += 1
        if place == 8:
            at, place = at + width, 0
        if clears and code == _CLEAR:
            at, place = (at + width, 0) if place else (at, 0)
            width, free, old = FIRST_WIDTH, _CLEAR + 1, -1
            continue
        if code > free or (code >= _CLEAR and old < 0) or (code == free and old < 0):
            return -1, 0
        entry = code
        if code == free:  # the text before, and its own first letter once more
            text[held] = first
            held += 1
            code = old
        while code >= _CLEAR:
            text[held] = letter[code]
            held += 1
            code = before[code]
        first = code
        text[held] = first
        held += 1
        if old >= 0 and free < 1 << most_width:
            before[free] = old
            letter[free] = first
            free += 1
        old = entry
    state[:] = np.array([width, free, old, first, place, held])
    return min(at, len(data)), done
