"""Rows whose bytes have changed places: read in the wrong order, or after an odd number was lost.

The high byte of a 16-bit pixel is nearly the same in neighbours and the low byte is noise.  Where
they are exchanged, neighbours differ by hundreds of times as much as they would with the bytes
put back; in sound pixels it is the other way round.
"""

from __future__ import annotations

import numpy as np

from subgrade.lights.model import Pixels
from subgrade.stars.model import Flaw

COLUMNS = 1024
"""Columns of each row that are looked at."""
LARGER = 16
"""Times by which a step must shrink with its bytes exchanged; exchanged noise shrinks 256-fold."""
ROWS_SHARE = 0.8
"""Share of a row's steps that must shrink."""
LEAST_ROWS = 3


def exchanged_bytes(pixels: Pixels, rows: np.ndarray) -> list[Flaw]:
    """Look for rows whose bytes are in the wrong order.

    Parameters
    ----------
    pixels : Pixels
        As stored; floats have no such order to look at.
    rows : ndarray of int, shape (n,)
        Rows to look at, evenly spaced.

    Returns
    -------
    list of Flaw
        One at most, of kind ``exchanged``.
    """
    if pixels.data.dtype != np.uint16 or len(rows) < LEAST_ROWS:
        return []
    height, width = pixels.shape
    first = max(0, (width - COLUMNS) // 2)
    words = np.ascontiguousarray(pixels.data[rows, first : first + COLUMNS])
    words = words.byteswap() if pixels.swapped else words
    flip = np.uint16(0x8000 if pixels.sign_flip else 0)
    low = words & np.uint16(255)
    if np.all(low == low[0, 0]):
        return []  # eight bits that were moved up
    read, other = _steps(words ^ flip), _steps(words.byteswap() ^ flip)
    share = ((read > LARGER * other) & (read > LARGER)).mean(axis=1)
    wrong = np.flatnonzero(share > ROWS_SHARE)
    # rows of one value have no steps at all
    live = np.flatnonzero((read > 0).mean(axis=1) > 0.5)
    step = int(np.diff(rows).min())
    top, bottom = (int(rows[wrong[k]]) for k in (0, -1)) if len(wrong) else (0, 0)
    between = np.count_nonzero((live >= wrong[0]) & (live <= wrong[-1])) if len(wrong) else 0
    if len(wrong) * step < LEAST_ROWS or len(wrong) < 0.8 * between:
        return []
    bottom = min(bottom + step - 1, height - 1)
    return [Flaw("exchanged", top, bottom, (bottom - top + 1) / height, bottom - top + 1)]


def _steps(words: np.ndarray) -> np.ndarray:
    """Absolute steps between pixels two apart, which are of one colour on a mosaic."""
    values = words.astype(np.int32)
    return np.abs(values[:, 2:] - values[:, :-2])
