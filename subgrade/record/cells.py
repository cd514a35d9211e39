"""From a text file to its lines, from lines to cells, from cells to numbers."""

from __future__ import annotations

import codecs
import csv
import json
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from subgrade.errors import UnreadableFile
from subgrade.record.clock_text import CELL
from subgrade.regular_files import open_regular

NAN = float("nan")

# ---------------------------------------------------------------- a file into lines

PIECE = 1 << 20
"""Characters read at a time."""
LONGEST_LINE = 1 << 18
"""Longer lines are no rows of a record; reading on would load a whole file into memory."""
HEAD = 1 << 16

_PACKED = {b"\x1f\x8b": "gzip", b"PK\x03\x04": "zip", b"BZh": "bzip2", b"\xfd7zXZ": "xz"}
_BINARY = (b"SIMPLE  =", b"\x89PNG", b"\xff\xd8\xff", b"%PDF", b"II*\x00", b"MM\x00*", b"\x7fELF")


def _as_latin(error: UnicodeError) -> tuple[str, int]:
    """Bytes that are not UTF-8 are read as Latin-1, so that one stray byte harms one cell only."""
    if not isinstance(error, UnicodeDecodeError):
        raise error
    return error.object[error.start : error.end].decode("latin-1"), error.end


codecs.register_error("subgrade_latin", _as_latin)


def line_pieces(path: str | Path) -> Iterator[tuple[list[str], bool]]:
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


# ---------------------------------------------------------------- lines into cells


@dataclass(frozen=True, slots=True)
class Cut:
    """A way to cut lines into cells: a delimiter, blanks, fixed places, or JSON keys.

    `joined` are runs (first, length) of pieces that make one cell, such as a date and a time
    of day with a blank between.
    """

    kind: str
    spans: tuple[tuple[int, int | None], ...] = ()
    keys: tuple[str, ...] = ()
    joined: tuple[int, int] | None = None
    most: int = 0

    def cells(self, line: str) -> list[str]:
        """The cells of a line; an empty list where the line is cut another way."""
        return self.cutter()(line)

    def cutter(self) -> Callable[[str], list[str]]:
        """The function that cuts, made once for many lines."""
        kind = self.kind
        if kind == "json":
            keys, known = self.keys, frozenset(self.keys)
            return lambda line: _json_cells(line, keys, known)
        if kind == "fixed":
            spans = self.spans
            return lambda line: [line[a:b].strip() for a, b in spans]
        if kind == " ":
            joined, most = self.joined, self.most
            return lambda line: _joined(line.split(None, most), joined)
        if kind == "|":
            return lambda line: [c.strip() for c in _bars(line).split("|")]
        return lambda line: _delimited(line, kind)


def _delimited(line: str, delimiter: str) -> list[str]:
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        return line.split(delimiter)


def _bars(line: str) -> str:
    line = line.strip()
    if line.startswith("|"):
        line = line[1:]
        return line.removesuffix("|")
    return line


def _joined(pieces: list[str], joined: tuple[int, int] | None) -> list[str]:
    if joined is None or len(pieces) < joined[0] + joined[1]:
        return pieces
    first, length = joined
    # A time of day on the clock's 12-hour side has a third piece only where AM or PM stands.
    return [*pieces[:first], " ".join(pieces[first : first + length]), *pieces[first + length :]]


def json_object(line: str) -> dict | None:
    """The flat object on a line, nested ones with their keys joined; None for anything else."""
    text = line.strip().rstrip(",")
    if not text.startswith("{"):
        return None
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return None
    flat: dict = {}
    for key, value in found.items():
        if isinstance(value, dict):
            flat |= {f"{key} {inner}": v for inner, v in value.items()}
        else:
            flat[key] = value
    return flat


def _json_cells(line: str, keys: tuple[str, ...], known: frozenset[str]) -> list[str]:
    found = json_object(line)
    if found is None:
        return []
    cells = [plain_text(found.get(key)) for key in keys]
    if not found.keys() <= known:  # keys that first come later hold remarks
        cells.append(" ".join(plain_text(found[k]) for k in found if k not in known))
    return cells


def plain_text(value: object) -> str:
    """A JSON value as the text of a cell."""
    if value is None:
        return ""
    if type(value) is str:
        return value
    return str(int(value)) if isinstance(value, bool) else str(value)


def is_datum(cell: str) -> bool:
    """Whether a cell holds a number or a clock reading."""
    text = cell.strip()
    if not text or is_number(text):
        return bool(text)
    if CELL.fullmatch(text):
        return True
    number = to_number(text.replace(",", ".", 1))  # with a unit or a direction beside it
    return number == number


# ---------------------------------------------------------------- cells into numbers

HUGE = 1e16
"""Larger numbers are damage; microseconds since 1970, the largest of use, stay below."""


def listed(text: str) -> tuple[str, ...]:
    """The words of a text: a long table of words on few lines."""
    return tuple(text.split())


NOTHING = {"", *listed("- -- --- ---- nan n/a na none null ? * inf -inf . lost x")}
"""Words that stand for a number that is not there."""

SIDES = {
    **dict.fromkeys(listed("e east ea right r + plus ost est n north no up u nord"), 1),
    **dict.fromkeys(listed("w west we left l - minus ouest s south so down d sud süd"), -1),
}
"""Sign of a direction word: east, north, right and up are positive (a choice, no source)."""

_NUMBER = re.compile(
    r"\s*([A-Za-z+\-−]{1,5}\s+|[A-Za-z])?\s*([+\-−]?\s?(?:\d+\.?\d*|\.\d+)(?:[eE][+\-]?\d+)?)"
    r"\s*(?:ms|px|pix|pixels?|arcsec|as|\"|″|''|s|adu|dB|%)?\s*([A-Za-z]{1,5})?\s*"
)


def to_numbers(cells: Sequence[str], comma: bool = False) -> np.ndarray:
    """A column of cells as floats, NaN where a cell holds no number.

    Parameters
    ----------
    cells : sequence of str
    comma : bool
        Whether the decimal mark is a comma.
    """
    if comma:
        cells = [c.replace(",", ".") for c in cells]
    try:
        values = np.array([float(c) if c else NAN for c in cells])
    except ValueError:
        return np.array([to_number(c) for c in cells])
    values[~(np.abs(values) < HUGE)] = NAN
    return values


def to_number(cell: str) -> float:
    """One cell as a float; a direction letter beside the number gives its sign."""
    if not cell:
        return NAN
    try:
        value = float(cell)
        return value if abs(value) < HUGE else NAN
    except ValueError:
        pass
    text = cell.strip().strip('"').strip()
    if text.lower() in NOTHING:
        return NAN
    found = _NUMBER.fullmatch(text)
    if found is None:
        return NAN
    side = (found[1] or found[3] or "").strip().lower()
    if side and side not in SIDES:
        return NAN
    try:
        value = float(found[2].replace("−", "-").replace(" ", ""))
    except (ValueError, OverflowError):
        return NAN
    if abs(value) > HUGE:
        return NAN
    return value * SIDES[side] if side else value


def to_signs(cells: Sequence[str]) -> np.ndarray:
    """Direction words as +1, -1; NaN for anything else (no pulse)."""
    known: dict[str, float] = {}
    for cell in set(cells):
        word = cell.strip().strip('"').lower()
        known[cell] = SIDES.get(word, NAN)
        if word not in SIDES:
            number = to_number(word)
            known[cell] = float(np.sign(number)) if number == number and number else NAN
    return np.array([known[c] for c in cells])


def is_number(cell: str) -> bool:
    """Whether a cell, of either decimal mark, holds a plain number."""
    try:
        float(cell.replace(",", ".", 1))
    except ValueError:
        return False
    return True


_COMMA = re.compile(r"\s*[+\-−]?\d+,\d+\s*")


def has_decimal_commas(rows: Iterable[Sequence[str]]) -> bool:
    """Whether cells hold numbers with a decimal comma."""
    comma = sum(bool(_COMMA.fullmatch(c)) for row in rows for c in row)
    point = sum("." in c and is_number(c) for row in rows for c in row)
    return comma > point
