"""The one way compiled functions are made: cached on disk, free of the interpreter lock."""

from __future__ import annotations

from numba import njit

WAYS = {"nogil": True, "error_model": "numpy"}


def kernel(function):
    """Decorate a compiled function; division by zero gives infinity or NaN as in numpy."""
    try:
        return njit(cache=True, **WAYS)(function)
    except RuntimeError:
        # neither beside the source nor in a home folder can compiled code be kept
        return njit(**WAYS)(function)
