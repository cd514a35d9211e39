"""Memory for a frame's bytes, kept from one frame to the next.

A fresh array of that size is cleared by the system page by page, which takes as long as
reading the file into it.
"""

from __future__ import annotations

import sys

import numpy as np

_kept: list[np.ndarray] = []
_UNUSED = 2
"""References to an array that only a local name and the call asking for them hold."""


def room_for(size: int) -> np.ndarray:
    """An array of bytes with any content.

    Parameters
    ----------
    size : int

    Returns
    -------
    ndarray of uint8, shape (size,)
        In the memory of an earlier frame, if nothing refers to that any more.
    """
    room = _kept.pop() if _kept else None
    if room is None or sys.getrefcount(room) > _UNUSED or not size <= len(room) <= 2 * size:
        room = None  # frees what is too small before more is taken
        room = np.empty(size, np.uint8)
    if not _kept:
        _kept.append(room)
    return room[:size]
