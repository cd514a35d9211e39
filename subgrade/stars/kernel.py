"""The one way compiled functions are made: cached on disk, free of the interpreter lock."""

from __future__ import annotations

from numba import njit

kernel = njit(cache=True, nogil=True, error_model="numpy")
"""Decorator; division by zero gives infinity or NaN as in numpy."""
