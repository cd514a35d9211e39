"""Damage of a frame's pixels that no light, sky or sensor makes.

Photon and read noise make every stretch of every row unlike any other.  Pixels that were lost
on their way to the file break that in few ways, whatever lost them, and they break it along the
order in which pixels are stored, row after row:

- a stretch of one value in a stream of noise, with noise before and after it: **empty**;
- rows alike to the last bit: **repeated**;
- rows that jump from pixel to pixel by far more than noise does: **garbled**;
- single pixels off their neighbours by a power of two: **flipped** bits;
- high and low bytes that changed places: **exchanged** (`byte_order`);
- stars that end and begin at one row boundary: rows from elsewhere, **cut** (`seams`);
- neighbours at opposite ends of the signed 16-bit range, or a sky far below zero: the sign of
  the numbers was lost, **wrapped**.

What the sensor itself does to rows it does in every frame; that is for the judging stage to see.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.constants import MAD_TO_SIGMA
from subgrade.lights.model import Pixels
from subgrade.stars.byte_order import exchanged_bytes
from subgrade.stars.compiled import kernel
from subgrade.stars.model import Flaw, StarList
from subgrade.stars.noise import grey_step
from subgrade.stars.raster import decode, sealed
from subgrade.stars.seams import cut_rows

PIECE = 64
"""Pixels of a row looked at together."""
LEAST_RUN = 8
"""Pieces: a shorter stretch of one value may be a star's saturated core.  512 px of 16 bits are
1024 bytes, a quarter of the least that disks and cards write at a time."""
LEAST_ROWS = 3
"""Rows: one or two that are dead or repaired are the sensor's; no source."""
SURE = 40.0
"""-ln of the probability by chance below which pixels are not alike by chance."""
LOOKED_AT = 2_000_000
"""Pixels in which single odd ones are looked for: every n-th row of larger frames."""
SCALED_SHARE = 0.8
"""Rows like the one before, evenly over more of the frame than this: the image was enlarged."""
RANGE_16 = 65536.0
NO_IMAGE = ("garbled", "wrapped", "exchanged")
TORN = 32.0
"""Ratio of the upper to the lower quartile of the rows' noise that no sky and no shadow makes."""


@dataclass(frozen=True, slots=True)
class Integrity:
    """What the pixels show of their own soundness.

    Attributes
    ----------
    flaws : tuple of Flaw
    row_marks : ndarray of uint32, shape (height,)
        A checksum of each row, to find the same row in another frame; 0 where rows may be
        alike by chance.
    margins_px : tuple of int
        Columns of one value on the left and on the right, as aligned or cropped frames have.
    """

    flaws: tuple[Flaw, ...]
    row_marks: np.ndarray
    margins_px: tuple[int, int]


def examine(pixels: Pixels, stars: StarList | None = None, fwhm: float = math.nan) -> Integrity:
    """Look for damage in one frame.

    Parameters
    ----------
    pixels : Pixels
        As stored: calibration gives repeated rows different values.
    stars : StarList, optional
        Every detection, to see whether rows cut them.
    fwhm : float
        Of the stars, px; NaN unknown.

    Returns
    -------
    Integrity
    """
    height, width = pixels.shape
    empty, marks = _rows(pixels)
    barren = empty.mean(axis=1) > 0.5
    flaws = _empty_runs(empty, pixels)
    marks[barren] = 0
    marks[_alike_by_chance(pixels)] = 0
    flaws += _repeated(marks)
    step = max(1, height * width // LOOKED_AT)
    rows = np.arange(0, height, step)
    rows = rows[~barren[rows]]
    sample = decode(sealed(pixels.data)[rows], pixels)
    noise = _noise(sample, abs(pixels.scale) if pixels.integer else 0.0)
    exchanged = exchanged_bytes(pixels, rows)
    flaws += exchanged or _odd_pixels(pixels, sample, rows, noise)
    if stars is not None and not any(f.kind in NO_IMAGE for f in flaws):
        flaws += cut_rows(pixels, stars, noise, fwhm if fwhm > 0 else 3.0, marks)
    return Integrity(tuple(flaws), marks, _margins(sample))


@kernel
def _row_sums(
    words: np.ndarray, weights: np.ndarray, piece: int, empty: np.ndarray, marks: np.ndarray
) -> None:
    """Pieces of rows of one value, and a weighted sum of each row; a word holds several pixels."""
    height, width = words.shape
    pieces = empty.shape[1]
    for y in range(height):
        line = words[y]
        total = np.uint64(0)
        for x in range(width):
            total += line[x] * weights[x]
        marks[y] = np.uint32(total >> np.uint64(32))
        for k in range(pieces):
            x = k * piece
            stop = x + piece if k + 1 < pieces else width
            x += 1
            while x < stop and line[x] == line[x - 1]:
                x += 1  # live pieces differ at once
            empty[y, k] = x == stop


def _rows(pixels: Pixels) -> tuple[np.ndarray, np.ndarray]:
    """(empty pieces, checksum of each row); up to three last columns are left out."""
    data = sealed(pixels.data)
    height, width = data.shape
    in_word = 8 // data.dtype.itemsize
    whole = width // in_word * in_word
    words = np.ascontiguousarray(data[:, :whole]).view(np.uint64)
    weights = np.random.default_rng(1).integers(1 << 40, 1 << 62, words.shape[1], np.uint64) * 2 + 1
    empty = np.zeros((height, max(1, whole // PIECE)), np.bool_)
    marks = np.zeros(height, np.uint32)
    _row_sums(sealed(words), weights.astype(np.uint64), PIECE // in_word, empty, marks)
    return empty, marks


def _alike(rows: np.ndarray) -> np.ndarray:
    """Share of each row's pixels that equal the one two to the left: its chance of a repeat."""
    return (rows[:, 2:] == rows[:, :-2]).mean(axis=1)


def _alike_by_chance(pixels: Pixels) -> np.ndarray | slice:
    """Rows that noise could make twice: of few grey steps, clipped at zero."""
    data = pixels.data
    needed = np.exp(-SURE / data.shape[1])
    some = _alike(data[:: max(1, len(data) // 64)])
    # blocks of 256 rows, since the comparison takes as much memory as the rows
    if some.max(initial=0.0) < min(needed, 0.5):
        return slice(0)
    parts = [_alike(data[y : y + 256]) for y in range(0, len(data), 256)]
    return np.concatenate(parts) > needed


def _empty_runs(empty: np.ndarray, pixels: Pixels) -> list[Flaw]:
    """Stretches of one value in the order of storage, with live pixels for a row on each side."""
    # margins of aligned frames, overscan and dead columns come back in the next row
    if not empty.any() or empty.all():
        return []
    never = empty[~empty.all(axis=1)].mean(axis=0) > 0.9
    if never.mean() > 0.5:
        return []
    stream, live = empty[:, ~never].ravel(), int((~never).sum())
    edges = np.flatnonzero(np.diff(np.concatenate(([False], stream, [False])).astype(np.int8)))
    found = [
        (int(first), int(end))
        for first, end in edges.reshape(-1, 2)
        if end - first >= min(LEAST_RUN, live)
        and not _dead_rows(first, end, live)
        and stream[max(first - live, 0) : first].sum() <= 0.05 * live
        and stream[end : end + live].sum() <= 0.05 * live
        and _needs_a_cause(pixels, first // live, (end - 1) // live, end - first)
    ]
    lost = sum(end - first for first, end in found)
    if lost < LEAST_ROWS * live:
        return []
    first, end = found[0][0] // live, (found[-1][1] - 1) // live
    full = empty.all(axis=1)
    if (full[0] or full[-1]) and _framed(pixels, full):
        return []
    return [Flaw("empty", first, end, lost / len(stream), len(found))]


def _dead_rows(first: int, end: int, live: int) -> bool:
    """Whether a stretch is one or two whole rows: those the sensor loses, a file any stretch."""
    return first % live == 0 and end % live == 0 and end - first < LEAST_ROWS * live


def _framed(pixels: Pixels, full: np.ndarray) -> bool:
    """Whether the value of the empty first or last rows runs down a side, as in aligned frames."""
    words = pixels.data.view(f"u{pixels.data.dtype.itemsize}")
    value = words[0 if full[0] else -1, words.shape[1] // 2]
    sides = words[~full][:, [0, -1]]
    return bool(((sides == value).mean(axis=0) > 0.9).any())


def _needs_a_cause(pixels: Pixels, first: int, last: int, pieces: int) -> bool:
    """Whether the rows beside a stretch would not be of one value by chance for so long."""
    beside = [y for y in (first - 1, last + 1) if 0 <= y < len(pixels.data)]
    if not beside:
        return False
    alike = max(float(_alike(pixels.data[beside]).max()), 1e-3)
    return pieces * PIECE * -np.log(alike) > SURE


def _repeated(marks: np.ndarray) -> list[Flaw]:
    """Rows that the frame holds twice, in runs; noise never repeats."""
    where = np.flatnonzero(marks)
    if len(where) < 2:
        return []
    _, group, counts = np.unique(marks[where], return_inverse=True, return_counts=True)
    twice = np.zeros(len(marks), bool)
    twice[where[counts[group] > 1]] = True
    if not twice.any():
        return []
    same = (marks[1:] == marks[:-1]) & (marks[1:] != 0)
    if _enlarged(np.flatnonzero(same), len(marks)):
        return []
    first, end = _longest_run(twice)
    if end - first < LEAST_ROWS:
        return []
    rows = np.flatnonzero(twice)
    extra = len(rows) - len(np.unique(marks[rows]))
    return [Flaw("repeated", int(rows[0]), int(rows[-1]), extra / len(marks), extra)]


def _enlarged(rows: np.ndarray, height: int) -> bool:
    """Whether rows like the one before lie evenly over the frame: the image was enlarged."""
    if len(rows) < LEAST_RUN or rows[-1] - rows[0] < SCALED_SHARE * height:
        return False
    gaps = np.diff(rows)
    return bool(gaps.max() <= 3 * np.median(gaps) + 2)


def _longest_run(flags: np.ndarray) -> tuple[int, int]:
    """(first, end) of the longest run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    runs = edges.reshape(-1, 2)
    if not len(runs):
        return 0, 0
    first, end = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    return int(first), int(end)


@kernel
def _lone_pixels(
    values: np.ndarray,
    jump: float,
    level: float,
    residual: np.ndarray,
    around: np.ndarray,
    rough: np.ndarray,
) -> tuple[int, int]:
    """How many pixels stand off agreeing neighbours two apart, and how many steps nearly wrap."""
    # fills ``residual`` and ``around`` (value less the neighbours' mean, and that mean), and
    # ``rough`` with the share of each row's steps that exceed ``level``
    height, width = values.shape
    found = 0
    wraps = 0
    for y in range(height):
        line = values[y]
        steep = 0
        for x in range(width - 2):
            far, near = line[x + 2], line[x]
            # a pixel without a value beside one with a value is a step, too
            steep += 1 if abs(far - near) > level or (far != far) != (near != near) else 0
        rough[y] = steep / max(width - 2, 1)
        if steep == 0:
            continue
        for x in range(2, width - 2):
            value = line[x]
            left = value - line[x - 2]
            if not abs(left) > jump:
                continue
            if abs(left) > 49152.0 and value * line[x - 2] < -16384.0 * 16384.0:
                wraps += 1
            right = value - line[x + 2]
            lone = abs(right) > jump and left * right > 0 and abs(left - right) < 0.5 * level
            if lone and found < len(residual):
                residual[found] = 0.5 * (left + right)
                around[found] = value - residual[found]
                found += 1
    return found, wraps


def _odd_pixels(pixels: Pixels, sample: np.ndarray, rows: np.ndarray, noise: float) -> list[Flaw]:
    """Garbled rows, flipped bits and lost signs, from some of the frame's rows."""
    height, width = sample.shape
    if height < 8 or width < 8:
        return []
    step = int(np.diff(rows).min())
    noise = max(noise, 0.5 * grey_step(sample[len(sample) // 2]))
    if not noise > 0:
        return []
    room = 1 << 17
    residual, around = np.zeros(room), np.zeros(room)
    rough = np.zeros(height)
    level = 12.0 * noise
    found, wraps = _lone_pixels(sample, 20.0 * noise, level, residual, around, rough)
    residual, around = residual[:found], around[:found]
    flaws = _garbled(rough, rows, step, pixels.shape[0])
    flipped = _flipped_words(residual / pixels.scale, noise / abs(pixels.scale), step, sample)
    if not flipped and pixels.data.dtype != np.uint16:
        flipped = _flipped_floats(residual, around, noise, step, sample)
    flaws += flipped
    if pixels.sign_flip and pixels.zero == -0.5 * RANGE_16 * pixels.scale:
        sky = float(np.median(sample[:: max(1, height // 64), :: max(1, width // 64)]))
        if wraps >= 5 or sky < -RANGE_16 / 8 * pixels.scale:
            flaws.append(Flaw("wrapped", 0, pixels.shape[0] - 1, 1.0, wraps * step))
    return flaws


def _noise(sample: np.ndarray, grey: float) -> float:
    """Noise of one pixel from differences two apart, not under what rounding makes."""
    part = sample[:: max(1, sample.shape[0] // 32)]
    part = part[:, : max(part.shape[1] // 2 * 2, 4)] if part.shape[1] < 4096 else part[:, 512:3584]
    with np.errstate(all="ignore"):
        gap = np.abs(part[:, 2:] - part[:, :-2])
    valued = np.isfinite(gap).mean(axis=1)
    # rows of numbers that are no image hold values that no pixel has, which were left out
    whole = gap[valued > 0.95] if (valued > 0.95).any() else gap[valued > 0]
    rows = [np.median(g[np.isfinite(g)]) for g in whole]
    if not rows:
        return float("nan")
    low, middle, high = np.quantile(rows, [0.25, 0.5, 0.75])
    # where up to three quarters of the rows are no image the others say what noise is
    typical = low if high > TORN * low > 0 else middle
    return max(MAD_TO_SIGMA * float(typical) / np.sqrt(2), 0.5 * grey)


def _garbled(rough: np.ndarray, rows: np.ndarray, step: int, height: int) -> list[Flaw]:
    """Rows mostly of steps over 12 sigma between rows with few: numbers, but no image."""
    if np.quantile(rough, 0.25) > 0.2:
        return []
    first, end = _longest_run(rough > 0.5)
    if (end - first) * step < LEAST_ROWS:
        return []
    # the rows in which it starts and ends may be garbled in part
    beside = rough[[k for k in (first - 2, end + 1) if 0 <= k < len(rough)]]
    if len(beside) == 0 or beside.max() > 0.25:
        return []
    top, bottom = int(rows[first]), min(int(rows[end - 1]) + step - 1, height - 1)
    return [Flaw("garbled", top, bottom, (bottom - top + 1) / height, bottom - top + 1)]


def _flipped_words(residual: np.ndarray, noise: float, step: int, sample: np.ndarray) -> list[Flaw]:
    """Excess of lone pixels at powers of two; hot pixels and cosmic rays have every brightness."""
    size = np.abs(residual)
    half = 5.0 * noise + 0.6  # the neighbours' mean adds half a pixel's variance: 4 sigma
    powers, inside, chance = 0, 0, 0.0
    for centre in (float(1 << k) for k in range(3, 16) if (1 << k) > 6.0 * half):
        off = np.abs(size - centre)
        near = np.count_nonzero(off < half)
        others = np.count_nonzero(off < 0.3 * centre) - near
        expected = others * half / (0.3 * centre - half)
        powers += near > expected + 2.0 * np.sqrt(expected + 1.0) + 1.0
        inside, chance = inside + near, chance + expected
    # a saturated hot pixel may lie near one power
    if powers < 3 or inside < 1.5 * chance + 6.0 * np.sqrt(chance + 1.0) + 8.0:
        return []
    bits = round(16 * (inside - chance) / powers * step)
    return [Flaw("flipped", 0, sample.shape[0] * step - 1, bits / (sample.size * step), bits)]


def _flipped_floats(
    residual: np.ndarray, around: np.ndarray, noise: float, step: int, sample: np.ndarray
) -> list[Flaw]:
    """A flipped sign mirrors a pixel at zero, a flipped exponent makes it huge: both, not one."""
    mirrored = (np.abs(around) > 20.0 * noise) & (np.abs(residual + 2.0 * around) < 5.0 * noise)
    huge = np.abs(residual) > 32768.0 * np.maximum(np.abs(around), noise)
    if mirrored.sum() < 3 or huge.sum() < 3:
        return []
    bits = int(32 * mirrored.sum() * step)
    return [Flaw("flipped", 0, sample.shape[0] * step - 1, bits / (sample.size * step), bits)]


def _margins(sample: np.ndarray) -> tuple[int, int]:
    """Typical columns of one value at each side of the sampled rows."""
    if not len(sample):
        return 0, 0
    sides = []
    for part in (sample, sample[:, ::-1]):
        part = np.ascontiguousarray(part[:: max(1, len(part) // 50)])
        other = (part != part[:, :1]) & ~(np.isnan(part) & np.isnan(part[:, :1]))
        runs = np.where(other.any(axis=1), other.argmax(axis=1), part.shape[1])
        length = int(np.median(runs))
        sides.append(length if length >= 4 else 0)
    return sides[0], sides[1]
