"""Rows that are shifted along themselves, from star positions held against another frame's.

Stars of shifted rows all lie one and the same distance beside their places, at their own
rows, and no star of those rows lies in its place.  A shift too small to part a star from its
place shows as a step: the stars of one row and those of the next disagree by far more than
either scatter.  Optics and the atmosphere move stars smoothly, so that
neighbouring rows agree.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from subgrade.constants import MAD_TO_SIGMA

CHANCE = 1e-6
"""Probability below which chance does not bring so many stars to one shift, a pair of frames."""
ALONG_PX = 1.2
"""Half width within which shifts are one, and within which a star stays in its row, px."""
BY_CHANCE = 1e-3
"""Probability below which rows are not empty by chance; their common shift is held to `CHANCE`."""
EMPTIED = 0.75
"""Least share of the rows' stars that are missing; blends and noise leave some a false place."""
NEXT = 6
"""Stars next to the rows on either side of which most must be in their place."""
SIDES = (10, 20)
"""Stars on either side of a row that show a step: few for thin blocks, more for small steps."""
STEP_SIGMA = 8.0
"""Standard errors of a step: far below 1e-6 a frame for normal errors, since some are not."""
LEAST_STEP_PX = 0.35
"""Steps smaller than this do no harm to a stack; a choice."""


@dataclass(frozen=True, slots=True)
class Shifted:
    """Rows and how far their stars lie from their places, px."""

    first_row: int
    last_row: int
    stars: int
    expected: int
    dx: float
    dy: float


def far_shift(at: np.ndarray, hit: np.ndarray, strange: np.ndarray, width: int) -> Shifted | None:
    """Rows shifted by more than the reach within which a star counts as in its place.

    Parameters
    ----------
    at : ndarray of complex, shape (n,)
        Where stars must lie, x + iy, px.
    hit : ndarray of bool, shape (n,)
        Whether one does.
    strange : ndarray of complex, shape (m,)
        Stars that lie where none must.
    width : int
        Of the frame.

    Returns
    -------
    Shifted or None
        None unless more missing stars have a stranger at one common distance along their rows
        than chance brings (Poisson, all distances tried), in rows that hold hardly another star.
    """
    from scipy.special import pdtrc

    lost = at[~hit]
    if len(lost) < 3 or len(strange) < 3:
        return None
    gap = strange[None, :] - lost[:, None]
    star, other = np.nonzero(np.abs(gap.imag) < ALONG_PX)
    if len(star) < 3:
        return None
    dx = gap.real[star, other]
    order = np.argsort(dx)
    star, dx, dy = star[order], dx[order], gap.imag[star, other][order]
    # pairs within one window of shifts, begun at each pair in turn
    first = np.arange(len(dx))
    end = np.searchsorted(dx, dx + 2 * ALONG_PX, side="right")
    for k in np.argsort(first - end, kind="stable")[:20]:
        members = np.unique(star[k : end[k]])
        # of pairs at random within the frame, 1 - |dx| / width have room for such a shift
        mean = len(dx) * 2 * ALONG_PX / width
        if len(dx) * pdtrc(len(members) - 2.0, mean) > CHANCE:
            return None
        rows = _emptied(at.imag, hit, np.sort(lost[members].imag))
        if rows is not None:
            top, bottom, count, expected = rows
            middle = slice(k, end[k])
            shift = float(np.median(dx[middle])), float(np.median(dy[middle]))
            return Shifted(int(top), math.ceil(bottom), count, expected, *shift)
    return None


def _emptied(
    y: np.ndarray, hit: np.ndarray, rows: np.ndarray
) -> tuple[float, float, int, int] | None:
    """(top, bottom, missing, expected) of the rows of most of these stars; None if others fit."""
    from scipy.special import bdtrc

    best = None
    for top in rows[:-2]:
        for bottom in rows[2:][::-1]:
            if bottom <= top:
                break
            inside = (y >= top) & (y <= bottom)
            missing, expected = int((inside & ~hit).sum()), int(inside.sum())
            if missing >= EMPTIED * expected and np.sum((rows >= top) & (rows <= bottom)) >= 3:
                if best is None or missing > best[2]:
                    best = float(top), float(bottom), missing, expected
                break
    if best is None:
        return None
    outside = (y < best[0]) | (y > best[1])
    if outside.sum() < 8 or hit[outside].mean() < 0.4:
        return None
    rate = (1 + (~hit[outside]).sum()) / (1 + outside.sum())
    if bdtrc(best[2] - 1, best[3], rate) * len(rows) ** 2 / 2 > BY_CHANCE:
        return None
    taken = int(np.sum((rows >= best[0]) & (rows <= best[1])))
    # where optics move stars, those next to the rows are moved nearly as far
    for beside in _beside(y, hit, best[0], best[1], max(2, taken // 10)):
        if len(beside) >= 3 and beside.mean() < 0.6:
            return None
    return best if taken >= max(3, 0.5 * best[2]) else None


def _beside(
    y: np.ndarray, hit: np.ndarray, top: float, bottom: float, skipped: int
) -> Iterator[np.ndarray]:
    """Whether stars next to the rows are in place, leaving out a few that the seam may have cut."""
    order = np.argsort(y)
    first, end = np.searchsorted(y[order], [top, bottom + 1e-6])
    for side in (hit[order[:first]][::-1], hit[order[end:]]):
        near = int(np.argmax(side[: skipped + 1])) if side[: skipped + 1].any() else skipped
        yield side[near : near + NEXT]


def near_shift(y: np.ndarray, off: np.ndarray) -> Shifted | None:
    """Rows shifted by so little that their stars still count as in their places.

    Parameters
    ----------
    y : ndarray of float, shape (n,)
        Rows of the stars that were found, px.
    off : ndarray of complex, shape (n,)
        How far each lies from its place, px.

    Returns
    -------
    Shifted or None
    """
    order = np.argsort(y)
    y, off = y[order], off[order]
    for side in (s for s in SIDES if len(y) >= 4 * s):
        step, sigma, around = _steps_in_lines(y, off.real, side)
        found = np.flatnonzero(np.abs(step) > np.maximum(STEP_SIGMA * sigma, LEAST_STEP_PX))
        rows = _between(y, off, _edges(found, step, side), around) if len(found) else None
        if rows is not None:
            return rows
    return None


def _steps_in_lines(
    y: np.ndarray, off: np.ndarray, side: int
) -> tuple[np.ndarray, np.ndarray, float]:
    """Step and its sigma at each place, and the scatter of one star, px."""
    # between straight lines of one slope on either side: distortion and refraction change over the
    # frame, hardly over the rows of so few stars
    view = np.lib.stride_tricks.sliding_window_view
    rows, values = view(y, side), view(off, side)
    middle = np.median(values, axis=1, keepdims=True)
    mad = MAD_TO_SIGMA * np.median(np.abs(values - middle), axis=1, keepdims=True)
    around = max(float(np.median(mad)), 0.03)
    room = 3 * np.maximum(mad, around)
    values = np.clip(values, middle - room, middle + room)
    y_mean, mean = rows.mean(axis=1), values.mean(axis=1)
    rows, values = rows - y_mean[:, None], values - mean[:, None]
    ss_y, ss_xy, ss = (np.sum(v, axis=1) for v in (rows**2, rows * values, values**2))
    ss_y, ss_xy, ss = (v[:-side] + v[side:] for v in (ss_y, ss_xy, ss))
    slope = ss_xy / np.maximum(ss_y, 1e-6)
    apart = y_mean[side:] - y_mean[:-side]
    step = mean[side:] - mean[:-side] - slope * apart
    scatter = np.sqrt(np.maximum(ss - slope * ss_xy, 0) / (2 * side - 3))
    scatter = np.maximum(scatter, around)
    return step, scatter * np.sqrt(2 / side + apart**2 / np.maximum(ss_y, 1e-6)), around


def _edges(found: np.ndarray, step: np.ndarray, side: int) -> list[int]:
    """Stars at which steps lie: the largest of each run of places."""
    groups = np.split(found, np.flatnonzero(np.diff(found) > side) + 1)
    return [int(g[np.argmax(np.abs(step[g]))]) + side for g in groups]


def _between(y: np.ndarray, off: np.ndarray, edges: list[int], around: float) -> Shifted | None:
    """The rows between steps that leave the frame's own place; the most stars are right."""
    cuts = [0, *edges, len(y)]
    parts = [slice(a, b) for a, b in pairwise(cuts) if b > a]
    places = [float(np.median(off.real[p])) for p in parts]
    sizes = [p.stop - p.start for p in parts]
    home = places[int(np.argmax(sizes))]
    away = [k for k, v in enumerate(places) if abs(v - home) > max(LEAST_STEP_PX, 3 * around)]
    if not away or len(parts) > 9:
        return None
    largest = max(away, key=lambda k: sizes[k])
    part = parts[largest]
    shift = off[part] - np.median(off[parts[int(np.argmax(sizes))]])
    middle = float(np.median(shift.real)), float(np.median(shift.imag))
    rows = int(y[part.start]), int(y[part.stop - 1])
    return Shifted(*rows, sizes[largest], sizes[largest], *middle)
