"""FITS header records as a tolerant mapping.

A record is 80 bytes: keyword, ``= ``, value, ``/`` comment (FITS 4.0, section 4).
The grammar is small, and a header from the field must never stop a night's
run nor print warnings, so it is split here instead of through a validating
library; what is split agrees with astropy on every header astropy writes
(``tests/test_lights_cards.py``).
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterable, Iterator

from subgrade.plaintext import clean

CARD = 80
BLOCK = 2880
MAX_HEADER_BLOCKS = 2000
"""72000 records; a header without END is given up there."""

_KEY = re.compile(r"[A-Za-z0-9_\-]{1,8}\s*\Z")
_INT = re.compile(r"[+-]?\d+\Z")
_FLOAT = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][+-]?\d+)?\Z")
_LEADING_NUMBER = re.compile(r"\s*([+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[Ee][+-]?\d+)?)")
_NO_VALUE = {"", "n/a", "na", "none", "null", "nan", "unknown", "undefined", "-", "--", "?"}


class Cards:
    """Values and comments of a header by keyword; the first of a repeated keyword counts.

    A value is ``str`` (trailing blanks off), ``bool``, ``int``, ``float`` or None
    (keyword present without a value).  Text that fits no FITS type stays text; characters
    that would steer a screen or end a line of a table are written out.
    """

    __slots__ = ("_items",)

    def __init__(self, items: dict[str, tuple[object, str]] | None = None) -> None:
        self._items = {k: _shown(value, comment) for k, (value, comment) in (items or {}).items()}

    @classmethod
    def from_bytes(cls, header: bytes) -> Cards:
        """Split the bytes of a header (a multiple of 80, END may be left out)."""
        text = header.decode("latin-1")
        return cls.from_records(text[i : i + CARD] for i in range(0, len(text), CARD))

    @classmethod
    def from_records(cls, records: Iterable[str]) -> Cards:
        """Split text records; longer or shorter ones than 80 characters are taken as they are."""
        items: dict[str, tuple[object, str]] = {}
        unfinished = None
        for record in records:
            if unfinished is not None:
                if record.startswith("CONTINUE"):
                    text, comment = _split_value(record[8:])
                    value = items[unfinished][0][:-1] + (text if isinstance(text, str) else "")
                    items[unfinished] = (value, (items[unfinished][1] + " " + comment).strip())
                    if not value.endswith("&"):
                        unfinished = None
                    continue
                unfinished = None
            key, value, comment = _split_record(record)
            if key == "END" and value is None and not comment:
                break
            if key is None or key in items:
                continue
            items[key] = (value, comment)
            if isinstance(value, str) and value.endswith("&"):
                unfinished = key
        return cls(items)

    def __contains__(self, key: str) -> bool:
        return key in self._items

    def __iter__(self) -> Iterator[str]:
        return iter(self._items)

    def __len__(self) -> int:
        return len(self._items)

    def get(self, key: str, default: object = None) -> object:
        """The value of a keyword, `default` where it is absent."""
        item = self._items.get(key)
        return default if item is None else item[0]

    def comment(self, key: str) -> str:
        """The comment of a keyword, empty where there is none."""
        item = self._items.get(key)
        return "" if item is None else item[1]

    def over(self, below: Cards) -> Cards:
        """These records, and those of `below` (a primary header) where these are silent."""
        return Cards({**below._items, **self._items})

    def without(self, keys: Collection[str]) -> Cards:
        """A copy without some keywords."""
        return Cards({k: v for k, v in self._items.items() if k not in keys})

    def number(self, *keys: str) -> float | None:
        """The first of the keywords that holds a finite number, as float.

        A number at the start of a text counts (``'300 s'``, ``'10,5'``); ``'N/A'``,
        logical values, NaN and infinities do not.
        """
        return self.number_and_key(*keys)[0]

    def number_and_key(self, *keys: str) -> tuple[float | None, str | None]:
        """Like `number`, with the keyword it came from."""
        for key in keys:
            item = self._items.get(key)
            if item is not None:
                value = as_number(item[0])
                if value is not None:
                    return value, key
        return None, None

    def whole(self, key: str) -> int | None:
        """A keyword's value where it is a whole number, else None."""
        value = self.get(key)
        if isinstance(value, bool):
            return None
        if isinstance(value, float) and value.is_integer():
            return int(value)
        return value if isinstance(value, int) else None

    def text(self, *keys: str) -> str | None:
        """The first of the keywords that holds a meaningful text; numbers become text."""
        return self.text_and_key(*keys)[0]

    def text_and_key(self, *keys: str) -> tuple[str | None, str | None]:
        """Like `text`, with the keyword it came from."""
        for key in keys:
            item = self._items.get(key)
            if item is None or item[0] is None or isinstance(item[0], bool):
                continue
            value = str(item[0]).strip().strip("\x00").strip()
            if value.lower() not in _NO_VALUE:
                return value, key
        return None, None


def _shown(value: object, comment: str) -> tuple[object, str]:
    """A value and its comment without control characters; NULs only fill up."""
    if isinstance(value, str) and not value.isprintable():
        value = clean(value.strip("\x00")).rstrip()
    return value, clean(comment)


def as_number(value: object) -> float | None:
    """A header value as a finite float, None where it is none."""
    if isinstance(value, bool) or value is None:
        return None
    if isinstance(value, str):
        found = _LEADING_NUMBER.match(value)
        if found is None:
            return None
        value = found.group(1).replace(",", ".")
    try:
        number = float(value)
    except (OverflowError, ValueError):
        return None
    return number if math.isfinite(number) else None


def header_length(data: bytes, start: int, end: int) -> int | None:
    """Bytes of the header that begins at `start`, padding included.

    Parameters
    ----------
    data : bytes-like
    start, end : int
        Where the header begins; where the data ends.

    Returns
    -------
    int or None
        None where no END record is found.
    """
    stop = min(end, start + MAX_HEADER_BLOCKS * BLOCK)
    for block in range(start, stop, BLOCK):
        piece = bytes(data[block : min(block + BLOCK, end)])
        at = piece.find(b"END")
        while at >= 0:
            if at % CARD == 0 and not piece[at + 3 : at + CARD].strip(b" \x00"):
                return block + BLOCK - start
            at = piece.find(b"END", at + 1)
    return None


def _split_record(record: str) -> tuple[str | None, object, str]:
    if record.startswith("HIERARCH "):
        key, equals, rest = record[9:].partition("=")
        key = " ".join(key.split()).upper()
        return (key, *_split_value(rest)) if equals and key else (None, None, "")
    key, equals, rest = record.partition("=")
    if not equals or not _KEY.match(key):
        word = record.strip(" \x00\r\n")
        return ("END", None, "") if word == "END" else (None, None, "")
    key = key.strip().upper()
    if key in ("COMMENT", "HISTORY", "CONTINUE"):
        return None, None, ""
    return (key, *_split_value(rest))


def _split_value(text: str) -> tuple[object, str]:
    text = text.strip(" \x00\r\n\t")
    if text.startswith("'"):
        return _split_quoted(text)
    value, _, comment = text.partition("/")
    value = value.strip()
    return _typed(value), comment.strip()


def _split_quoted(text: str) -> tuple[str, str]:
    parts = []
    at = 1
    while True:
        close = text.find("'", at)
        if close < 0:  # a closing quote is missing: all of it is the value
            parts.append(text[at:])
            return "".join(parts).rstrip(), ""
        parts.append(text[at:close])
        if text[close + 1 : close + 2] != "'":
            break
        parts.append("'")
        at = close + 2
    _, _, comment = text[close + 1 :].partition("/")
    return "".join(parts).rstrip(), comment.strip()


def _typed(value: str) -> bool | int | float | str | None:
    if not value:
        return None
    if value == "T":
        return True
    if value == "F":
        return False
    if _INT.match(value):
        return int(value)
    if _FLOAT.match(value):
        return float(value.upper().replace("D", "E"))
    return value
