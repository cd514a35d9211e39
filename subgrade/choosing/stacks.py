"""What the stack of each choice would show: of all, of the kept, and of the n best frames.

S/N is over that of a plain mean of all frames, as only its ratio between stacks means anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.choosing.best_first import best_first
from subgrade.night.model import FrameCompared
from subgrade.night.stack_forecast import StackForecast, forecast
from subgrade.night.weights import sky_limited_weights
from subgrade.stars.model import FrameStars

MOST_POINTS = 40
"""Stacks worked out along a curve: the eye needs no more."""


@dataclass(frozen=True, slots=True)
class Stack:
    """One predicted stack.

    Attributes
    ----------
    frames : int
    fwhm_px, eccentricity, angle_deg : float
        Of its star; NaN for a stack of no frame.
    snr : float
        As `StackForecast.star_snr`.
    """

    frames: int
    fwhm_px: float = float("nan")
    eccentricity: float = float("nan")
    angle_deg: float = float("nan")
    snr: float = float("nan")


@dataclass(frozen=True, slots=True)
class StackCurve:
    """Stacks of the best frames of a group, by how many are taken.

    Attributes
    ----------
    prefer : str
        What the order goes by, one of `PREFERENCES`.
    order : tuple of int
        Places of the group's frames as given: those that pass, best first, then the others,
        best first.
    counts : tuple of int
        How many of ``order`` each pair of stacks holds, rising.
    mean, weighted : tuple of Stack
        A plain mean and one weighted by `sky_limited_weights`, at each count.
    """

    prefer: str
    order: tuple[int, ...]
    counts: tuple[int, ...]
    mean: tuple[Stack, ...]
    weighted: tuple[Stack, ...]


@dataclass(frozen=True, slots=True)
class _Numbers:
    """What a forecast needs of some frames; arrays with one entry a frame."""

    light: np.ndarray
    noise: np.ndarray
    width: np.ndarray
    moments: tuple[np.ndarray, np.ndarray, np.ndarray]
    turn: np.ndarray

    @classmethod
    def of(cls, stars: Sequence[FrameStars], compared: Sequence[FrameCompared]) -> _Numbers:
        noise, width, *moments = (
            np.array([getattr(s, name) for s in stars])
            for name in ("noise_adu", "fwhm_px", "xx", "yy", "xy")
        )
        light = np.array([c.transparency for c in compared])
        turn = np.array([c.registration.rotation_deg for c in compared])
        return cls(light, noise, width, tuple(moments), turn)

    @property
    def weights(self) -> np.ndarray:
        return sky_limited_weights(self.light, self.noise, self.width)

    def stacks(self, weights: np.ndarray) -> list[Stack]:
        """The stack of each row of weights."""
        counts = (weights > 0).sum(axis=1)
        found = [Stack(0)] * len(weights)
        some = np.flatnonzero(counts)
        if not some.size:
            return found
        seen = forecast(weights[some], self.light, self.noise, *self.moments, self.turn, self.width)
        for k, row in enumerate(some):
            found[row] = Stack(int(counts[row]), *_row(seen, k))
        return found


def _row(seen: StackForecast, k: int) -> tuple[float, float, float, float]:
    names = ("fwhm_px", "eccentricity", "angle_deg", "star_snr")
    return tuple(float(getattr(seen, name)[k]) for name in names)


def stackable(stars: FrameStars, compared: FrameCompared) -> bool:
    """Whether a frame can be laid on the others and has a star to predict with."""
    laid = compared.registration is not None and compared.registration.ok
    numbers = (compared.transparency, stars.noise_adu, stars.fwhm_px, stars.xx, stars.yy, stars.xy)
    return bool(
        laid
        and np.isfinite(numbers).all()
        and not compared.transparency_is_limit
        and min(compared.transparency, stars.noise_adu, stars.fwhm_px) > 0
        and stars.xx * stars.yy > stars.xy**2
    )


def stacks_of(
    stars: Sequence[FrameStars], compared: Sequence[FrameCompared], kept: np.ndarray
) -> dict[str, Stack]:
    """The stacks of all and of the kept frames, as a plain mean and weighted.

    Parameters
    ----------
    stars, compared : sequence, length n
        Of frames that are `stackable`.
    kept : ndarray of bool, shape (n,)

    Returns
    -------
    dict of str to Stack
        ``all``, ``kept``, ``all_weighted``, ``kept_weighted``.
    """
    numbers = _Numbers.of(stars, compared)
    rows = [np.ones(len(kept)), kept, numbers.weights, np.where(kept, numbers.weights, 0.0)]
    names = ("all", "kept", "all_weighted", "kept_weighted")
    return dict(zip(names, numbers.stacks(np.array(rows, dtype=float)), strict=True))


def stack_curve(
    stars: Sequence[FrameStars],
    compared: Sequence[FrameCompared],
    passing: np.ndarray,
    prefer: str,
    counts: Sequence[int] = (),
) -> StackCurve:
    """Stacks of the n best frames of a group, for as many n as the eye needs.

    Parameters
    ----------
    stars, compared : sequence, length n
        Of every frame of the group, in the order taken.  Those that are not `stackable` have a
        place in the order, and add nothing to a stack.
    passing : ndarray of bool, shape (n,)
        Frames that no limit rejects.
    prefer : str
        One of `subgrade.choosing.PREFERENCES`.
    counts : sequence of int
        Numbers of frames that must be among those worked out.
    """
    usable = np.array([stackable(s, c) for s, c in zip(stars, compared, strict=True)], bool)
    by_worth = best_first(stars, [c.transparency for c in compared], prefer)
    # what cannot be stacked comes last of its kind
    order = sorted(by_worth, key=lambda k: (not passing[k], not usable[k]))
    points = _points(len(order), int(passing.sum()), counts)
    places = np.flatnonzero(usable)
    rank = np.empty(len(order), int)
    rank[order] = np.arange(len(order))
    numbers = _Numbers.of([stars[k] for k in places], [compared[k] for k in places])
    within = np.array(points)[:, None] > rank[places][None, :]
    stacks = numbers.stacks(np.vstack([within, within * numbers.weights]).astype(float))
    return StackCurve(
        prefer,
        tuple(int(k) for k in order),
        tuple(points),
        tuple(stacks[: len(points)]),
        tuple(stacks[len(points) :]),
    )


def _points(total: int, passing: int, more: Sequence[int]) -> list[int]:
    """Counts along the curve: evenly spread, and where a choice lies."""
    even = np.linspace(1, total, min(total, MOST_POINTS)).round().astype(int)
    chosen = [n for n in (passing, *more) if 1 <= n <= total]
    return sorted({*even.tolist(), *chosen})
