"""Connected groups of bright blocks, and their local maxima.

Most of a frame is dark: one comparison a block finds the few bright ones, and
all further work is on their list.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.stars.compiled import kernel
from subgrade.stars.raster import _sky_at


@dataclass(frozen=True, slots=True)
class Blobs:
    """Connected groups of blocks above threshold, brightest peak first.

    Positions and moments are in blocks of the image searched; ``size`` counts
    blocks; moments with the ``half_`` prefix are those of the blocks above
    three tenths of the blob's own peak, each counted alike (a footprint).
    """

    size: np.ndarray
    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray
    peak: np.ndarray
    half_size: np.ndarray
    half_xx: np.ndarray
    half_yy: np.ndarray
    half_xy: np.ndarray
    x0: np.ndarray
    x1: np.ndarray
    y0: np.ndarray
    y1: np.ndarray

    def __len__(self) -> int:
        return len(self.size)


@dataclass(frozen=True, slots=True)
class Bright:
    """Blocks above threshold (raster order), the blob each belongs to, and the peaks among them."""

    x: np.ndarray
    y: np.ndarray
    value: np.ndarray
    """Above the local sky, ADU."""
    blob: np.ndarray
    is_peak: np.ndarray
    blobs: Blobs


@kernel
def threshold_line(level: np.ndarray, cell: int, y: float, out: np.ndarray) -> None:
    """One row of a mesh map, interpolated between cell centres and continued beyond.

    Parameters
    ----------
    level : ndarray of float32, shape (rows, columns)
    cell : int
        Side of a mesh cell, blocks.
    y : float
        The row, blocks.
    out : ndarray of float32, shape (w,)
        Filled.
    """
    columns = level.shape[1]
    width = len(out)
    left = 0
    value = np.float32(_sky_at(level, cell, 0.0, y))
    for i in range(columns + 1):
        right = int((i + 0.5) * cell - 0.5) if i < columns else width - 1
        right = min(width - 1, right)
        right_value = np.float32(_sky_at(level, cell, float(right), y))
        if right > left:
            slope = (right_value - value) / np.float32(right - left)
            for x in range(left, right + 1):
                out[x] = value + slope * np.float32(x - left)
        left = right
        value = right_value
    out[width - 1] = value


@kernel
def _collect(
    image: np.ndarray,
    threshold: np.ndarray,
    cell: int,
    line: np.ndarray,
    xs: np.ndarray,
    ys: np.ndarray,
) -> int:
    """Fill ``xs`` and ``ys`` with the bright blocks; how many, -1 where there is no room."""
    height, width = image.shape
    most = len(xs)
    found = 0
    group = 16
    for y in range(height):
        if y % 4 == 0:  # a cell spans 16 rows and more: four rows share one threshold
            threshold_line(threshold, cell, min(y + 1.5, height - 1.0), line)
        row = image[y]
        for start in range(0, width - group + 1, group):
            hits = 0
            for i in range(group):
                hits += row[start + i] > line[start + i]
            if hits > 0:
                for i in range(start, start + group):
                    if row[i] > line[i]:
                        if found == most:
                            return -1
                        xs[found] = i
                        ys[found] = y
                        found += 1
        for i in range(width - width % group, width):
            if row[i] > line[i]:
                if found == most:
                    return -1
                xs[found] = i
                ys[found] = y
                found += 1
    return found


@kernel
def _root(parent: np.ndarray, i: int) -> int:
    while parent[i] != i:
        parent[i] = parent[parent[i]]
        i = parent[i]
    return i


@kernel
def _label(xs: np.ndarray, ys: np.ndarray, scratch: np.ndarray, labels: np.ndarray) -> int:
    """Label 8-connected blocks given in raster order; labels are 0..count-1."""
    n = len(xs)
    run_of = scratch[0]
    runs = 0
    for k in range(n):
        if k == 0 or ys[k] != ys[k - 1] or xs[k] != xs[k - 1] + 1:
            runs += 1
        run_of[k] = runs - 1
    first = scratch[1]
    last = scratch[2]
    row = scratch[3]
    for k in range(n - 1, -1, -1):
        first[run_of[k]] = xs[k]
    for k in range(n):
        last[run_of[k]] = xs[k]
        row[run_of[k]] = ys[k]
    parent = scratch[4]
    number = scratch[5]
    for r in range(runs):
        parent[r] = r
        number[r] = -1
    above = 0
    for r in range(runs):
        while above < r and (row[above] < row[r] - 1):
            above += 1
        a = above
        while a < r and row[a] == row[r] - 1 and first[a] <= last[r] + 1:
            if last[a] >= first[r] - 1:
                one = _root(parent, a)
                two = _root(parent, r)
                if one < two:
                    parent[two] = one
                elif two < one:
                    parent[one] = two
            a += 1
    count = 0
    for r in range(runs):
        root = _root(parent, r)
        if number[root] < 0:
            number[root] = count
            count += 1
        number[r] = number[root]
    for k in range(n):
        labels[k] = number[run_of[k]]
    return count


@kernel
def _values_and_peaks(
    image: np.ndarray,
    level: np.ndarray,
    cell: int,
    xs: np.ndarray,
    ys: np.ndarray,
    values: np.ndarray,
    peaks: np.ndarray,
) -> None:
    height, width = image.shape
    for k in range(len(xs)):
        x = xs[k]
        y = ys[k]
        v = image[y, x]
        values[k] = v - _sky_at(level, cell, float(x), float(y))
        is_peak = True
        for j in range(max(y - 1, 0), min(y + 2, height)):
            for i in range(max(x - 1, 0), min(x + 2, width)):
                if j == y and i == x:
                    continue
                other = image[j, i]
                # of equal neighbours the first in raster order is the peak
                if other > v or (other == v and (j < y or (j == y and i < x))):
                    is_peak = False
        peaks[k] = is_peak


@kernel
def _measure(
    xs: np.ndarray,
    ys: np.ndarray,
    values: np.ndarray,
    labels: np.ndarray,
    size: np.ndarray,
    flux: np.ndarray,
    peak: np.ndarray,
    sums: np.ndarray,
    box: np.ndarray,
    half: np.ndarray,
) -> None:
    for k in range(len(xs)):
        b = labels[k]
        v = values[k]
        size[b] += 1
        flux[b] += v
        sums[b, 0] += v * xs[k]
        sums[b, 1] += v * ys[k]
        peak[b] = max(peak[b], v)
        box[b, 0] = min(box[b, 0], xs[k])
        box[b, 1] = max(box[b, 1], xs[k])
        box[b, 2] = min(box[b, 2], ys[k])
        box[b, 3] = max(box[b, 3], ys[k])
    for k in range(len(xs)):
        b = labels[k]
        if values[k] >= 0.3 * peak[b]:
            x = float(xs[k] - box[b, 0])
            y = float(ys[k] - box[b, 2])
            half[b, 0] += 1
            half[b, 1] += x
            half[b, 2] += y
            half[b, 3] += x * x
            half[b, 4] += y * y
            half[b, 5] += x * y


def find_bright(
    image: np.ndarray,
    level: np.ndarray,
    threshold: np.ndarray,
    cell: int,
    most: int | None = None,
) -> Bright:
    """Blocks above a local threshold, grouped.

    Parameters
    ----------
    image : ndarray of float32, shape (h, w)
        Block means, ADU.  NaN blocks are never bright.
    level, threshold : ndarray of float32, shape (rows, columns)
        Sky and detection threshold as mesh maps, ADU.
    cell : int
        Side of a mesh cell in blocks.
    most : int, optional
        Stop when more blocks than this are bright; default a third of all.

    Returns
    -------
    Bright

    Raises
    ------
    OverflowError
        More blocks are bright than ``most``: the threshold does not fit the image.
    """
    most = most or image.size // 3 + 16
    room = np.empty((2, most), np.int32)
    line = np.empty(image.shape[1], np.float32)
    n = _collect(image, threshold.astype(np.float32), cell, line, *room)
    if n < 0:
        raise OverflowError("more than a third of the frame is brighter than its sky")
    xs, ys = room[:, :n].copy()
    labels = np.empty(n, np.int32)
    count = _label(xs, ys, np.empty((6, n), np.int32), labels)
    values, peaks = np.empty(n, np.float32), np.empty(n, np.bool_)
    _values_and_peaks(image, level, cell, xs, ys, values, peaks)
    size, flux, peak = np.zeros(count, np.int32), np.zeros(count), np.zeros(count, np.float32)
    sums, half = np.zeros((count, 2)), np.zeros((count, 6))
    box = np.tile(np.array([1 << 30, -1, 1 << 30, -1], np.int32), (count, 1))
    _measure(xs, ys, values, labels, size, flux, peak, sums, box, half)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_x = half[:, 1] / half[:, 0]
        mean_y = half[:, 2] / half[:, 0]
        blobs = Blobs(
            size=size,
            x=sums[:, 0] / flux,
            y=sums[:, 1] / flux,
            flux=flux,
            peak=peak,
            half_size=half[:, 0].astype(np.int32),
            half_xx=half[:, 3] / half[:, 0] - mean_x**2,
            half_yy=half[:, 4] / half[:, 0] - mean_y**2,
            half_xy=half[:, 5] / half[:, 0] - mean_x * mean_y,
            x0=box[:, 0],
            x1=box[:, 1],
            y0=box[:, 2],
            y1=box[:, 3],
        )
    return Bright(xs, ys, values, labels, peaks, blobs)
