"""What happens to files: on disks, in transfers, in other programs, and by ill will."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np

ODD_VALUES = (
    "0",
    "-1",
    "1",
    "2",
    "3",
    "999",
    "1000",
    "32768",
    "65535",
    "2147483647",
    "4294967296",
    "99999999999999999999",
    "-2147483648",
    "1E400",
    "-1E308",
    "1E-320",
    "NaN",
    "inf",
    "T",
    "F",
    "''",
    "'text'",
    "",
    "0.0",
    "-32",
    "64",
    "8",
    "'RICE_1'",
    "'GZIP_1'",
    "'HCOMPRESS_1'",
    "'1PB(9999999)'",
    "'\x1b[31m'",
    "'=1+1'",
    "1970-01-01",
    "'2099-13-45T99:99:99'",
    "(1,2)",
)
ODD_TOML = (
    *ODD_VALUES[:18],
    "nan",
    "-inf",
    "true",
    "[]",
    "[[1]]",
    "{}",
    "{a = 1}",
    '"text"',
    '""',
    "1979-05-27",
    "07:32:00",
    "9" * 5000,
    "[" * 400 + "]" * 400,
    "0x1F",
    '"\\u0007"',
    "'''",
    "1e",
)
ODD_CELLS = (
    "",
    "nan",
    "-nan",
    "inf",
    "1e308",
    "-1e308",
    "99999999999999",
    "0",
    "-0",
    "abc",
    "---",
    "24:60:61",
    "2031-02-30",
    "1,5",
    "\x00",
    "\x1b[2J",
    "=cmd",
    "é",
    "٣",
    "9" * 400,
    "1.2.3",
)
STRUCTURE = (
    "SIMPLE",
    "XTENSION",
    "BITPIX",
    "NAXIS",
    "NAXIS1",
    "NAXIS2",
    "NAXIS3",
    "PCOUNT",
    "GCOUNT",
    "TFIELDS",
    "TFORM1",
    "TTYPE1",
    "TFORM2",
    "TTYPE2",
    "THEAP",
    "ZIMAGE",
    "ZCMPTYPE",
    "ZBITPIX",
    "ZNAXIS",
    "ZNAXIS1",
    "ZNAXIS2",
    "ZTILE1",
    "ZTILE2",
    "ZNAME1",
    "ZVAL1",
    "ZVAL2",
    "ZQUANTIZ",
    "ZDITHER0",
    "ZBLANK",
    "BZERO",
    "BSCALE",
    "BLANK",
    "EXTEND",
    "END",
)
ODD_FLOATS = (
    np.nan,
    np.inf,
    -np.inf,
    0.0,
    -0.0,
    1.0,
    -1.0,
    1e-45,
    3e38,
    -3e38,
    1e30,
    65535.0,
    1e-3,
    -1000.0,
)
ODD_WORDS = (0, 1, -1, 32767, -32768, 255, 100, -31768)
HARMLESS = ("OBJECT", "FILTER", "SITELAT", "SITELONG", "DATE-OBS")
"""Cards that no pixel and no star width hangs on."""


# ---------------------------------------------------------------- any bytes


def flips(rng, data: bytes) -> bytes:
    out = bytearray(data)
    for _ in range(int(rng.choice([1, 1, 3, 20, 200]))):
        place = int(rng.integers(len(out)))
        out[place] ^= 1 << int(rng.integers(8))
    return bytes(out)


def truncation(rng, data: bytes) -> bytes:
    return data[: int(rng.integers(len(data)))]


def cut_at_a_block(rng, data: bytes) -> bytes:
    step = int(rng.choice([80, 512, 2880, 4096]))
    return data[: step * int(rng.integers(len(data) // step + 1))]


def splice(rng, data: bytes) -> bytes:
    """Some bytes taken out, doubled, moved, or written over by others of the file."""
    size = int(min(rng.choice([1, 4, 80, 512, 2880, 20000]), len(data) // 2 or 1))
    a, b = (int(v) for v in rng.integers(0, max(len(data) - size, 1), 2))
    piece = data[a : a + size]
    way = rng.integers(4)
    if way == 0:
        return data[:a] + data[a + size :]
    if way == 1:
        return data[:b] + piece + data[b:]
    if way == 2:
        return data[:b] + piece + data[b + size :]
    rest = data[:a] + data[a + size :]
    return rest[:b] + piece + rest[b:]


def filled(rng, data: bytes) -> bytes:
    """A stretch of zeros, ones or noise, as a bad sector leaves."""
    size = int(min(rng.choice([16, 512, 4096, len(data) // 3 or 1]), len(data)))
    a = int(rng.integers(0, len(data) - size + 1))
    fill = (bytes(size), b"\xff" * size, rng.bytes(size))[int(rng.integers(3))]
    return data[:a] + fill + data[a + size :]


def numbers(rng, data: bytes) -> bytes:
    """A 16- or 32-bit word at an odd value: sizes, offsets and counts of binary formats."""
    width = int(rng.choice([2, 4, 8]))
    reach = len(data) if rng.random() < 0.5 else min(len(data), 600)
    a = int(rng.integers(0, max(reach - width, 1)))
    value = int(rng.choice([0, 1, 0x7F, 0xFF, 0x7FFF, 0xFFFF, 2**31 - 1, 2**32 - 1]))
    order = "little" if rng.random() < 0.5 else "big"
    return data[:a] + (value % 256**width).to_bytes(width, order) + data[a + width :]


def nothing_left(rng, data: bytes) -> bytes:
    return (b"", b"\x00", data[:1], bytes(len(data)), rng.bytes(len(data)))[int(rng.integers(5))]


# ---------------------------------------------------------------- FITS headers


def card(rng, data: bytes) -> bytes:
    """The value of one header card replaced."""
    places = _cards(data)
    if not places:
        return flips(rng, data)
    named = [k for k in places if k[1] in STRUCTURE]
    place, key = _one(rng, named if named and rng.random() < 0.7 else places)
    return _with_card(data, place, f"{key:<8}= {_one(rng, ODD_VALUES):>20}")


def card_count(rng, data: bytes) -> bytes:
    """A size a little or much off."""
    places = [k for k in _cards(data) if re.fullmatch(r"Z?(NAXIS|TILE)\d|BITPIX|.COUNT", k[1])]
    if not places:
        return flips(rng, data)
    place, key = _one(rng, places)
    stated = re.search(rb"= *(-?\d+)", data[place : place + 80])
    value = int(stated[1]) if stated else 1
    off = (value + 1, value - 1, 2 * value, value // 2, -value, value * 1000, value + 2880)
    return _with_card(data, place, f"{key:<8}= {_one(rng, off):>20}")


def card_moved(rng, data: bytes) -> bytes:
    """A card taken away, doubled, swapped or made illegible."""
    places = _cards(data)
    if len(places) < 2:
        return flips(rng, data)
    (a, _), (b, _) = _one(rng, places), _one(rng, places)
    one, other = data[a : a + 80], data[b : b + 80]
    way = rng.integers(5)
    if way == 0:
        return _with_card(data, a, "")
    if way == 1:
        return data[:b] + one + data[b + 80 :]
    if way == 2:
        low, high = sorted((a, b))
        first, second = data[low : low + 80], data[high : high + 80]
        return data[:low] + second + data[low + 80 : high] + first + data[high + 80 :]
    if way == 3:
        return data[:a] + rng.bytes(80) + data[a + 80 :]
    return data[:a] + other[:40] + one[40:] + data[a + 80 :]


def end_moved(rng, data: bytes) -> bytes:
    """The END card gone, or too early."""
    end = data.find(b"END" + b" " * 77)
    if end >= 0 and rng.random() < 0.5:
        return _with_card(data, end, "COMMENT")
    places = _cards(data)
    return _with_card(data, _one(rng, places)[0], "END") if places else flips(rng, data)


def harmless_card(rng, data: bytes) -> bytes:
    """Text that no pixel hangs on."""
    places = [k for k in _cards(data) if k[1] in HARMLESS]
    if not places:
        return data
    place, key = _one(rng, places)
    text = _one(rng, ("'other'", "''", "'NGC 7000'", "'a''b'", "'x" + "y" * 60 + "'", "12.5"))
    return _with_card(data, place, f"{key:<8}= {text}")


def blocks_behind(rng, data: bytes) -> bytes:
    """Empty blocks behind the end, as some disks and programs leave."""
    return data + bytes(2880 * int(rng.integers(1, 4)))


def pixel_words(rng, data: bytes) -> bytes:
    """Pixels of odd values under a sound header: all of them, some rows, every other, a few.

    Behind a tile-compressed header they damage the table.
    """
    end = data.find(b"END" + b" " * 77)
    if end < 0:
        return flips(rng, data)
    while (more := data.find(b"END" + b" " * 77, end + 80)) > 0:
        end = more
    start = (end // 2880 + 1) * 2880
    bits = re.search(rb"BITPIX *= *(-?\d+)", data)
    kind = {8: "u1", 16: ">i2", 32: ">i4", -32: ">f4", -64: ">f8"}.get(
        int(bits[1]) if bits else 16, ">i2"
    )
    size = np.dtype(kind).itemsize
    words = np.frombuffer(data[start : len(data) - (len(data) - start) % size], kind).copy()
    if not len(words):
        return data
    value = _one(rng, ODD_FLOATS if "f" in kind else ODD_WORDS)
    with np.errstate(all="ignore"):
        value = np.array(value).astype(kind)
    length = int(_one(rng, (1, 5, 112, 1120, len(words) // 2, len(words), len(words))))
    first = int(rng.integers(0, max(len(words) - length, 0) + 1))
    words[first : first + length : int(_one(rng, (1, 1, 1, 2, 7)))] = value
    return data[:start] + words.tobytes() + data[start + words.nbytes :]


def _cards(data: bytes) -> list[tuple[int, str]]:
    out = []
    for place in range(0, min(len(data), 60 * 2880) - 79, 80):
        if found := re.match(rb"([A-Z0-9_\-]{1,8}) *= ", data[place : place + 10]):
            out.append((place, found[1].decode()))
    return out


def _with_card(data: bytes, place: int, text: str) -> bytes:
    record = text.encode("latin-1", "replace")[:80].ljust(80)
    return data[:place] + record + data[place + 80 :]


# ---------------------------------------------------------------- TIFF directories


def tag(rng, data: bytes) -> bytes:
    """One entry of the first image directory: tag, type, count or value."""
    order = "big" if data[:2] == b"MM" else "little"
    start = int.from_bytes(data[4:8], order)
    if start + 2 > len(data):
        return flips(rng, data)
    count = int.from_bytes(data[start : start + 2], order)
    entry = start + 2 + 12 * int(rng.integers(max(min(count, 100), 1)))
    at, width = _one(rng, ((0, 2), (2, 2), (4, 4), (8, 4), (8, 2)))
    value = int(_one(rng, (0, 1, 2, 5, 8, 255, 32773, 65535, 2**31 - 1, 2**32 - 1)))
    place = entry + at
    changed = (value % 256**width).to_bytes(width, order)
    return data[:place] + changed + data[place + width :]


# ---------------------------------------------------------------- text


def cell(rng, data: bytes) -> bytes:
    """Some numbers or words of a text replaced."""
    pieces = re.split(rb"([,;|\t\n ]+)", data)
    for _ in range(int(rng.choice([1, 2, 20]))):
        pieces[2 * int(rng.integers((len(pieces) + 1) // 2))] = _one(rng, ODD_CELLS).encode()
    return b"".join(pieces)


def rows(rng, data: bytes) -> bytes:
    """Rows taken away, doubled, shuffled or turned round."""
    lines = data.splitlines(keepends=True)
    way, k = rng.integers(5), int(rng.integers(len(lines) or 1))
    if way == 0:
        lines = lines[:k] + lines[k + 1 :]
    elif way == 1:
        lines = lines[:k] + lines[k : k + 1] * int(rng.choice([2, 50])) + lines[k + 1 :]
    elif way == 2:
        lines = [lines[i] for i in rng.permutation(len(lines))]
    elif way == 3:
        lines = lines[::-1]
    else:
        lines = lines[k:]
    return b"".join(lines)


def another_form(rng, data: bytes) -> bytes:
    """Another delimiter, encoding or quoting."""
    way = rng.integers(6)
    if way == 0:
        return data.replace(b",", b";")
    if way == 1:
        return data.decode("utf-8", "replace").encode("utf-16")
    if way == 2:
        return data.replace(b".", b",")
    if way == 3:
        return data.replace(b"\n", b" ")
    if way == 4:
        return data.replace(b",", b',"', 1)
    return data.replace(b" ", b"\x00")


def same_text(rng, data: bytes) -> bytes:
    """Line ends, a mark of UTF-8, empty lines behind: the same text."""
    text = data.replace(b"\n", b"\r\n") if rng.random() < 0.5 else data
    return (b"\xef\xbb\xbf" if rng.random() < 0.5 else b"") + text + b"\n" * int(rng.integers(3))


def toml_value(rng, data: bytes) -> bytes:
    """The value of one key replaced, or the key."""
    found = list(re.finditer(rb"(?m)^(\w+)( = )([^\n#]+)", data))
    if not found:
        return flips(rng, data)
    one = found[int(rng.integers(len(found)))]
    key, value = one[1], _one(rng, ODD_TOML).encode()
    if rng.random() < 0.15:
        key, value = _one(rng, (b"unknown", b'""', b"a.b", b"\xff")), one[3]
    return data[: one.start()] + key + one[2] + value + b"\n" + data[one.end() :]


def toml_table(rng, data: bytes) -> bytes:
    """The head of a table changed, doubled or taken away."""
    found = list(re.finditer(rb"(?m)^\[[^\]\n]+\]", data))
    if not found:
        return flips(rng, data)
    one = found[int(rng.integers(len(found)))]
    heads = (b"", one[0] + b"\n" + one[0], b"[" + one[0] + b"]", b"[other]", b"[a" + b".a" * 300)
    return data[: one.start()] + _one(rng, heads) + data[one.end() :]


def _one(rng, options):
    return options[int(rng.integers(len(options)))]


ANY: tuple[Callable, ...] = (
    flips,
    flips,
    truncation,
    cut_at_a_block,
    splice,
    filled,
    numbers,
    nothing_left,
)
TEXT = (cell, cell, cell, rows, rows, another_form)
OF_FAMILY: dict[str, tuple[Callable, ...]] = {
    "fits": (
        card,
        card,
        card_count,
        card_moved,
        end_moved,
        *(pixel_words,) * 5,
        harmless_card,
        flips,
        filled,
    ),
    "tiff": (tag, tag, tag, numbers),
    "text": TEXT,
    "marks": TEXT,
    "limits": (toml_value, toml_value, toml_value, toml_table, rows),
    "map": (toml_value, toml_value, toml_value, toml_table, rows),
    "cache": (numbers, numbers, splice, flips),
}
SAME: dict[str, tuple[Callable, ...]] = {
    "fits": (harmless_card, blocks_behind),
    "text": (same_text,),
    "marks": (same_text,),
}
"""Mutations after which every number must be what it was."""


def mutated(rng, family: str, data: bytes) -> tuple[bytes, tuple[str, ...], bool]:
    """A mutation of a file's content, or two or three.

    Returns
    -------
    bytes
    tuple of str
        Names of the mutations.
    bool
        Whether the numbers must stay what they were.
    """
    if family in SAME and rng.random() < 0.1:
        change = _one(rng, SAME[family])
        return change(rng, data), (change.__name__,), True
    names = []
    for _ in range(int(rng.choice([1, 1, 1, 2, 3]))):
        pool = OF_FAMILY[family] if rng.random() < 0.65 else ANY
        change = _one(rng, pool)
        if data:
            data = change(rng, data)
            names.append(change.__name__)
    return data, tuple(names), False


def seeded(seed: int, number: int) -> np.random.Generator:
    """The random numbers of one case."""
    return np.random.default_rng([seed, number])
