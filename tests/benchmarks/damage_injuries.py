"""What happens to pixels between sensor and file, at several sizes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from astropy.io import fits

from tests.benchmarks.damage_frames import FORMS, Field, image

SHARES = (1, 2, 5, 10, 20, 50)
ROWS = (16, 32, 64, 128, 256, 512)
SHIFTS = (1, 3, 10, 30, 100, 300)
PLAIN = ("16 bit", "float", "8 bit", "mosaic")
WORDS = ("16 bit", "mosaic")


@dataclass
class Case:
    """One sound image to damage, the frame before it in the night, and how much."""

    image: np.ndarray
    before: np.ndarray
    form: str
    size: float | tuple
    rng: np.random.Generator

    def block(self, rows: int) -> tuple[int, int]:
        """(first, end) of so many rows somewhere inside the frame."""
        first = int(self.rng.integers(5, len(self.image) - rows - 5))
        return first, first + rows


@dataclass(frozen=True)
class Injury:
    """One kind of damage; to the pixels, and then perhaps to the bytes of the file."""

    name: str
    sizes: tuple
    pixels: Callable
    unit: str = "%"
    forms: tuple = FORMS
    cards: dict = field(default_factory=dict)
    bytes: Callable | None = None

    def label(self, size) -> str:
        if isinstance(size, tuple):
            return f"{size[0]} rows by {size[1]} px"
        return f"{size:g} {self.unit}"


def same(case: Case) -> np.ndarray:
    return case.image


def tail(value):
    def damage(case: Case) -> np.ndarray:
        out = case.image.copy()
        fill = np.median(out) if value is None else value
        out.ravel()[out.size - round(case.size / 100 * out.size) :] = fill
        return out

    return damage


def last_rows(case: Case) -> np.ndarray:
    out = case.image.copy()
    out[-max(1, round(case.size / 100 * len(out))) :] = 0
    return out


def first_rows(case: Case) -> np.ndarray:
    out = case.image.copy()
    out[: round(case.size / 100 * len(out))] = 0
    return out


def hole(case: Case) -> np.ndarray:
    out = case.image.copy()
    first, end = case.block(int(case.size))
    cut = int(case.rng.integers(out.shape[1]))
    out.ravel()[first * out.shape[1] + cut : end * out.shape[1] + cut] = 0
    return out


def repeated_block(case: Case) -> np.ndarray:
    out = case.image.copy()
    rows = int(case.size)
    first, end = case.block(rows)
    source = first + rows if first < len(out) - 2 * rows else max(first - rows, 0)
    out[first:end] = case.image[source : source + rows]
    return out


def last_row_held(case: Case) -> np.ndarray:
    out = case.image.copy()
    count = round(case.size / 100 * len(out))
    out[-count:] = out[-count - 1]
    return out


def shifted_block(case: Case) -> np.ndarray:
    rows, dx = case.size
    out = case.image.copy()
    first, end = case.block(rows)
    out[first:end] = np.roll(out[first:end], dx, axis=1)
    return out


def pixels_dropped(case: Case) -> np.ndarray:
    """From some row on everything comes ``size`` pixels early; the end is filled with zeros."""
    out = case.image.copy()
    flat, n = out.ravel(), int(case.size)
    at = int(case.rng.uniform(0.15, 0.85) * flat.size)
    flat[at : flat.size - n] = flat[at + n :].copy()
    flat[flat.size - n :] = 0
    return out


def rows_of_the_frame_before(case: Case) -> np.ndarray:
    out = case.image.copy()
    count = round(case.size / 100 * len(out))
    out[-count:] = case.before[-count:]
    return out


def block_of_the_frame_before(case: Case) -> np.ndarray:
    out = case.image.copy()
    first, end = case.block(int(case.size))
    out[first:end] = case.before[first:end]
    return out


_OTHER: dict[str, np.ndarray] = {}


def block_of_another_night(case: Case) -> np.ndarray:
    """Rows of another field, which no frame at hand holds."""
    if case.form not in _OTHER:
        _OTHER[case.form] = image(Field(seed=31), 2, case.form)
    out = case.image.copy()
    first, end = case.block(int(case.size))
    out[first:end] = _OTHER[case.form][first:end]
    return out


def random_rows(case: Case) -> np.ndarray:
    out = case.image.copy()
    first, end = case.block(int(case.size))
    raw = case.rng.integers(0, 256, (end - first) * out.shape[1] * out.itemsize, np.uint8)
    out[first:end] = raw.view(out.dtype).reshape(end - first, -1)
    return out


def flipped_bits(case: Case) -> np.ndarray:
    out = case.image.copy()
    raw = out.view(np.uint8).ravel()
    at = case.rng.integers(0, raw.size, int(case.size))
    np.bitwise_xor.at(raw, at, (1 << case.rng.integers(0, 8, len(at))).astype(np.uint8))
    return out


def bytes_swapped_rows(case: Case) -> np.ndarray:
    """A byte lost on the way: from there on high and low bytes have changed places."""
    out = case.image.copy()
    count = round(case.size / 100 * len(out))
    out[-count:] = out[-count:].byteswap()
    return out


def without_bzero(raw: bytes, case: Case) -> bytes:
    at = raw.find(b"BZERO   =")
    return raw[:at] + b"COMMENT  ".ljust(80) + raw[at + 80 :]


def _data_span(raw: bytes) -> tuple[int, int]:
    from io import BytesIO

    with fits.open(BytesIO(raw)) as hdus:
        info = hdus[-1]._header_offset, hdus[-1]._data_offset, hdus[-1]._data_size
    return info[1], info[1] + info[2]


def swapped_file(raw: bytes, case: Case) -> bytes:
    start, end = _data_span(raw)
    return raw[:start] + np.frombuffer(raw[start:end], "<u2").byteswap().tobytes() + raw[end:]


def zero_bytes(raw: bytes, case: Case) -> bytes:
    """The end of the file never written: zero bytes, which are no zero ADU where BZERO is."""
    start, end = _data_span(raw)
    lost = round(case.size / 100 * (end - start))
    return raw[: end - lost] + bytes(lost) + raw[end:]


def bytes_dropped(raw: bytes, case: Case) -> bytes:
    start, end = _data_span(raw)
    at = start + int(case.rng.uniform(0.15, 0.85) * (end - start))
    n = int(case.size)
    return raw[:at] + raw[at + n : end] + bytes(n) + raw[end:]


def _tiles(raw: bytes):
    """(offset in the file, bytes) of each compressed tile, and where the table's rows start."""
    from io import BytesIO

    with fits.open(BytesIO(raw), disable_image_compression=True) as hdus:
        head, start = hdus[1].header, hdus[1]._data_offset
    rows, width = head["NAXIS2"], head["NAXIS1"]
    heap = start + head.get("THEAP", rows * width)
    wide = "Q" in head["TFORM1"]
    kind, step = (">i8", 16) if wide else (">i4", 8)
    table = [np.frombuffer(raw, kind, 2, start + k * width) for k in range(rows)]
    return [(heap + int(at), int(count)) for count, at in table], start, width, step


def tiles_zeroed(raw: bytes, case: Case) -> bytes:
    tiles, *_ = _tiles(raw)
    out = bytearray(raw)
    first = int(case.rng.integers(0, len(tiles) - case.size))
    for at, count in tiles[first : first + int(case.size)]:
        out[at : at + count] = bytes(count)
    return bytes(out)


def tiles_unwritten(raw: bytes, case: Case) -> bytes:
    """Rows of the table that point to no bytes."""
    tiles, start, width, step = _tiles(raw)
    out = bytearray(raw)
    first = int(case.rng.integers(0, len(tiles) - case.size))
    for k in range(first, first + int(case.size)):
        out[start + k * width : start + k * width + step] = bytes(step)
    return bytes(out)


def tiles_flipped(raw: bytes, case: Case) -> bytes:
    tiles, *_ = _tiles(raw)
    out = bytearray(raw)
    for _ in range(int(case.size)):
        at, count = tiles[int(case.rng.integers(len(tiles)))]
        out[at + int(case.rng.integers(count))] ^= 1 << int(case.rng.integers(8))
    return bytes(out)


INJURIES = (
    Injury("last rows zero", SHARES, last_rows),
    Injury("first rows zero", SHARES, first_rows),
    Injury("tail zero", SHARES, tail(0)),
    Injury("tail white", SHARES, tail(255)),
    Injury("tail at the sky's level", SHARES, tail(None)),
    Injury("tail of the file zero bytes", SHARES, same, bytes=zero_bytes, forms=PLAIN),
    Injury("hole inside", ROWS, hole, "rows"),
    Injury("rows repeated", ROWS, repeated_block, "rows"),
    Injury("last row held", SHARES, last_row_held),
    Injury("block shifted", tuple((r, s) for r in ROWS for s in SHIFTS), shifted_block),
    Injury("pixels dropped", SHIFTS, pixels_dropped, "px"),
    Injury("bytes dropped", (1, 2, 7, 512, 4096), same, "bytes", bytes=bytes_dropped, forms=PLAIN),
    Injury("end of the frame before", SHARES, rows_of_the_frame_before),
    Injury("block of the frame before", ROWS, block_of_the_frame_before, "rows"),
    Injury("block of another field", ROWS, block_of_another_night, "rows"),
    Injury("random rows", ROWS, random_rows, "rows"),
    Injury("bits flipped", (100, 1000, 10_000, 100_000), flipped_bits, "bits"),
    Injury("bytes swapped from a row on", SHARES, bytes_swapped_rows, forms=WORDS),
    Injury("bytes swapped in the whole file", (100,), same, bytes=swapped_file, forms=WORDS),
    Injury("BZERO lost", (100,), same, bytes=without_bzero, forms=WORDS),
    Injury(
        "compressed tiles zeroed",
        (1, 4, 16, 64),
        same,
        "tiles",
        ("compressed",),
        bytes=tiles_zeroed,
    ),
    Injury(
        "compressed tiles unwritten",
        (1, 4, 16, 64),
        same,
        "tiles",
        ("compressed",),
        bytes=tiles_unwritten,
    ),
    Injury(
        "compressed bits flipped",
        (10, 100, 1000),
        same,
        "bits",
        ("compressed",),
        bytes=tiles_flipped,
    ),
)
