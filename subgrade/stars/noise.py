"""Noise of single sky pixels, from differences that neither sky nor crowded stars enter."""

from __future__ import annotations

import numpy as np

from subgrade.constants import MAD_TO_SIGMA
from subgrade.lights.model import Pixels
from subgrade.stars.background import Sky, _select
from subgrade.stars.compiled import kernel
from subgrade.stars.raster import NO_FLOATS, NO_WORDS, _sky_at, decode, sealed

REGIONS = 5
"""Regions a side in which the noise is taken."""
DARK_SHARE = 0.35
"""Share of the runs of pixels that the noise is taken from, the darkest: what crowded stars
leave free at 4,000 a megapixel (measured on GalSim frames)."""
BESIDE = np.array([(0, x) for x in (-4, -2, -1, 1, 2, 4)])
"""Rows and columns of the pixels that say how dark a place is, from its middle one."""
BESIDE_GREEN = np.array([(y, x) for y in (-1, 1) for x in (-3, -1, 1, 3)] + [(0, -4), (0, 4)])
"""The same on the green lattice of a mosaic."""


def pixel_noise(
    pixels: Pixels, sky: Sky, parity: int, exclude: np.ndarray | None, wanted: int
) -> float:
    """Robust noise of single sky pixels.

    Taken from second differences of pixels 3 px apart in a row (2 on a mosaic's
    lattice): neither sky nor nebula leaves a trace in them, and noise that neighbours share
    through resampling is not taken out.  Where stars are crowded, differences hold starlight;
    so only the darkest places count, by the mean of the pixels between and beside those three:
    where there is noise alone, they know nothing of it, and the choice favours no value.
    The median over 5 x 5 regions is the noise at the frame's typical sky level.

    Parameters
    ----------
    pixels : Pixels
    sky : Sky
    parity : int
        Green lattice of a mosaic, or -1.
    exclude : ndarray of bool, optional
        Star mask in blocks of 4 px.
    wanted : int
        Samples to take, about.

    Returns
    -------
    float
        ADU; NaN where no pixel holds a number.
    """
    height, width = pixels.shape
    lag = 3 if parity < 0 else 2
    if width < 6 * lag:
        return float("nan")
    rows = max(1, min(height, int(np.sqrt(wanted * height / width))))
    step = max(1, height // rows)
    row_index = np.arange(max(1, step // 2), height - 1, step)
    stride = max(1, width * len(row_index) // wanted)
    # an odd stride visits both columns of a mosaic cell
    stride += 1 - stride % 2
    edge = 2 * lag + 2
    columns = np.arange(edge + (stride // 2) % (width - 2 * edge), width - edge, stride)
    room = (len(row_index) // REGIONS + 2) * (len(columns) // REGIONS + 2)
    data, words = sealed(pixels.data), pixels.data.dtype == np.uint16
    out = np.full((REGIONS, REGIONS), np.nan)
    stored = (data, NO_FLOATS) if words else (NO_WORDS, data)
    form = pixels.swapped, pixels.sign_flip, float(pixels.zero), float(pixels.scale)
    where = row_index, columns, lag, BESIDE if parity < 0 else BESIDE_GREEN
    mask = exclude if exclude is not None else np.zeros((0, 0), np.bool_)
    grey, store = grey_step(decode(pixels.data[row_index[::8]], pixels)), np.empty((4, room))
    _region_noise(*stored, *form, *where, sky.level, sky.mesh_px, parity, mask, grey, store, out)
    good = np.isfinite(out)
    return float(np.median(out[good])) if good.any() else float("nan")


def grey_step(values: np.ndarray) -> float:
    """Smallest difference between values of a sample, ADU; 0 for what is as good as continuous."""
    some = values.ravel()[: 4 * 4096 : 4]
    levels = np.unique(some[np.isfinite(some)])
    if len(levels) < 2 or len(levels) > 2000:
        return 0.0
    return float(np.min(np.diff(levels)))


@kernel
def _stored(
    words: np.ndarray, floats: np.ndarray, swapped: bool, flip: bool, y: int, x: int
) -> float:
    """The number stored in a pixel, before zero and scale."""
    if words.shape[0] == 0:
        value = float(floats[y, x])
        return value + (value - value)  # infinite to NaN
    word = int(words[y, x])
    if swapped:
        word = ((word & 255) << 8) | (word >> 8)
    if flip:
        word ^= 0x8000
    return float(word)


@kernel
def _region_noise(
    words: np.ndarray,
    floats: np.ndarray,
    swapped: bool,
    flip: bool,
    zero: float,
    scale: float,
    rows: np.ndarray,
    columns: np.ndarray,
    lag: int,
    beside: np.ndarray,
    level: np.ndarray,
    mesh: int,
    parity: int,
    mask: np.ndarray,
    grey: float,
    store: np.ndarray,
    out: np.ndarray,
) -> None:
    height, width = words.shape if words.shape[0] > 0 else floats.shape
    regions = out.shape[0]
    masked = mask.shape[0] > 0
    values, above, work, few = store
    share = 1.0 / len(beside)
    j0 = 0
    for rj in range(regions):
        j1 = j0
        while j1 < len(rows) and rows[j1] * regions < (rj + 1) * height:
            j1 += 1
        i0 = 0
        for ri in range(regions):
            i1 = i0
            while i1 < len(columns) and columns[i1] * regions < (ri + 1) * width:
                i1 += 1
            n = 0
            for j in range(j0, j1):
                y = rows[j]
                for i in range(i0, i1):
                    x = columns[i]
                    if parity >= 0 and ((x + y) & 1) != parity:
                        continue
                    if masked and mask[y // 4, x // 4]:
                        continue
                    left = _stored(words, floats, swapped, flip, y, x - lag)
                    middle = _stored(words, floats, swapped, flip, y, x)
                    right = _stored(words, floats, swapped, flip, y, x + lag)
                    bend = left - 2.0 * middle + right
                    total = 0.0
                    for k in range(len(beside)):
                        at, on = y + beside[k, 0], x + beside[k, 1]
                        total += _stored(words, floats, swapped, flip, at, on)
                    if total + bend != total + bend or n == len(values):
                        continue
                    values[n] = scale * bend / np.sqrt(6.0)
                    here = _sky_at(level, mesh, float(x), float(y))
                    above[n] = scale * total * share + zero - here
                    n += 1
            out[rj, ri] = _dark_spread(values, above, n, work, few, grey)
            i0 = i1
        j0 = j1


@kernel
def _dark_spread(
    values: np.ndarray, above: np.ndarray, n: int, work: np.ndarray, few: np.ndarray, grey: float
) -> float:
    """Clipped spread of the ``values`` where ``above`` is among the lowest `DARK_SHARE`."""
    some = min(n, 400)
    for i in range(some):
        work[i] = abs(values[i])
    if n < 64 or not MAD_TO_SIGMA * _select(work, some, some // 2) > grey:
        # where pixels hold few steps of grey, dark runs are also calm ones
        return _clipped_spread(values, n, work, grey)
    for i in range(n):
        work[i] = above[i]
    limit = _select(work, n, int(DARK_SHARE * n))
    kept = 0
    for i in range(n):
        if above[i] <= limit:
            few[kept] = values[i]
            kept += 1
    return _clipped_spread(few, kept, work, grey)


@kernel
def _clipped_spread(values: np.ndarray, n: int, work: np.ndarray, grey: float) -> float:
    """Standard deviation of values[:n] clipped at 3 sigma, but never closer than two grey steps."""
    if n < 16:
        return np.nan
    for i in range(n):
        work[i] = values[i]
    centre = _select(work, n, n // 2)
    for i in range(n):
        work[i] = abs(values[i] - centre)
    spread = MAD_TO_SIGMA * _select(work, n, n // 2)
    for _ in range(12):
        total = 0.0
        square = 0.0
        kept = 0
        for i in range(n):
            d = values[i] - centre
            if abs(d) <= max(3.0 * spread, 2.2 * grey):
                total += d
                square += d * d
                kept += 1
        if kept < 8:
            break
        mean = total / kept
        # variance of a Gaussian cut at 3 sigma: rounding to whole ADU counts as the noise it is
        whole = 0.97334 if 3.0 * spread > 2.2 * grey else 1.0
        new = np.sqrt(max(square / kept - mean * mean, 0.0) / whole)
        centre += mean
        settled = abs(new - spread) < 5e-4 * spread
        spread = new
        if settled or spread == 0.0:
            break
    return spread
