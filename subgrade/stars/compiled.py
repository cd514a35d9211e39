"""The one way compiled functions are made: cached on disk, free of the interpreter lock."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from numba import njit
from numba.core.caching import FunctionCache

WAYS = {"nogil": True, "error_model": "numpy"}


def kernel(function: Callable) -> Callable:
    """Decorate a compiled function; division by zero gives infinity or NaN as in numpy."""
    try:
        compiled = njit(cache=True, **WAYS)(function)
    except RuntimeError:
        # neither beside the source nor in a home folder can compiled code be kept
        return njit(**WAYS)(function)
    compiled._cache = _Spared(compiled._cache)
    return compiled


class _Spared:
    """numba's folder of compiled code, whose disk may be full, locked or damaged.

    What cannot be read there is compiled anew, and what cannot be written there is compiled
    again by the next run.
    """

    def __init__(self, cache: FunctionCache) -> None:
        self._cache = cache

    def __getattr__(self, name: str) -> object:
        return getattr(self._cache, name)

    def load_overload(self, signature: tuple, target: object) -> object:
        """Compiled code for a signature, or None."""
        try:
            return self._cache.load_overload(signature, target)
        except Exception:
            return None  # unpickling raises any type on damaged content

    def save_overload(self, signature: tuple, data: object) -> None:
        """Keep compiled code if that can be done."""
        with suppress(OSError):  # a disk that is full or locked
            try:
                self._cache.save_overload(signature, data)
            except OSError:
                raise
            except Exception:  # a damaged list of what is kept begins anew
                self._cache.flush()
                self._cache.save_overload(signature, data)
