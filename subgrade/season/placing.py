"""Star lists of many series laid on one of them, and every star given one number."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from subgrade.season.model import Setup
from subgrade.season.scale_guess import scale_guesses
from subgrade.season.star_lists import MATCHED, ClearStars, nearest

if TYPE_CHECKING:
    from subgrade.night import Similarity

PATTERN_STARS = 1200
"""Brightest stars of all lists together that a list is matched with."""
LOOSER = 2.0
"""Between two setups a star may lie so many times farther off: optics distort differently."""


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a series' stars lie on the first list.

    Attributes
    ----------
    fit : Similarity
        From the series' pixels, turned over first where ``mirrored``, to those of the first list.
    mirrored : bool
        Whether y is reversed before: another direction of reading out, or a mirror.
    star : ndarray of int, shape (n,)
        Number of each of its stars among those of all series.
    """

    fit: Similarity
    mirrored: bool
    star: np.ndarray


def place_on_one(
    lists: Sequence[ClearStars | None], setups: Sequence[Setup], root: int = -1
) -> tuple[list[Placed | None], int]:
    """Lay the lists on the one with most stars, directly or through others.

    Parameters
    ----------
    lists : sequence of ClearStars or None
    setups : sequence of Setup
    root : int
        The one to lay them on; -1 for that with most stars.

    Returns
    -------
    list of Placed or None
        None where nothing matches.
    int
        The list that the others lie on; -1 where there is none.
    """
    from subgrade.night import Similarity

    have = [k for k, stars in enumerate(lists) if stars is not None]
    if not have:
        return [None] * len(lists), -1
    root = max(have, key=lambda k: len(lists[k])) if root < 0 else root
    fits: dict[int, tuple[Similarity, bool]] = {root: (Similarity(1 + 0j, 0j), False)}
    waiting = sorted((k for k in have if k != root), key=lambda k: -len(lists[k]))
    sky = _Sky(lists[root].z, lists[root].flux)
    while waiting:
        found = {k: fit for k in waiting if (fit := _onto(k, root, sky, lists, setups)) is not None}
        if not found:
            break
        fits.update(found)
        waiting = [k for k in waiting if k not in found]
        if waiting:  # what was found may reach farther over the sky
            for k, (fit, mirrored) in found.items():
                sky.add(fit(_seen(lists[k].z, mirrored)), lists[k].flux, lists[k].radius_px)
    return _numbered(lists, fits, root), root


class _Sky:
    """Stars of all lists placed so far, each once, on the first list's pixels."""

    def __init__(self, z: np.ndarray, brightness: np.ndarray) -> None:
        self.z, self.brightness = z, brightness
        self._pattern = None

    @property
    def pattern(self):
        """The brightest of them to match with."""
        from subgrade.night import Pattern

        if self._pattern is None:
            order = np.argsort(-self.brightness, kind="stable")[:PATTERN_STARS]
            self._pattern = Pattern(self.z[order])
        return self._pattern

    def add(self, z: np.ndarray, brightness: np.ndarray, radius: float) -> np.ndarray:
        """Add the stars that are new; the numbers of all that are given, shape (n,)."""
        number = nearest(z, self.z, radius)
        new = np.flatnonzero(number < 0)
        both = number >= 0
        # fluxes of other series on this scale, so that brightest stars come first
        level = np.median(self.brightness[number[both]] / brightness[both]) if both.any() else 1.0
        number[new] = len(self.z) + np.arange(len(new))
        self.z = np.concatenate([self.z, z[new]])
        self.brightness = np.concatenate([self.brightness, brightness[new] * level])
        self._pattern = None
        return number


def _seen(z: np.ndarray, mirrored: bool) -> np.ndarray:
    return np.conj(z) if mirrored else z


def _onto(
    k: int, root: int, sky: _Sky, lists: Sequence[ClearStars | None], setups: Sequence[Setup]
) -> tuple[Similarity, bool] | None:
    """How one list lies on the sky; None where it matches nowhere."""
    stars, same = lists[k], setups[k] == setups[root]
    radius = stars.radius_px, lists[root].radius_px
    sizes = _sizes(setups[k], setups[root])
    if not same and not _both_known(setups[k], setups[root]):
        sizes = [*scale_guesses(stars.z, sky.pattern.z), *sizes]
    return _tried(stars, sky, sizes, radius, same)


def _tried(
    stars: ClearStars, sky: _Sky, sizes: Sequence[float], radius: tuple[float, float], same: bool
) -> tuple[Similarity, bool] | None:
    """The first of some sizes at which a list matches, as it is or turned over."""
    from subgrade.night import Similarity, match_stars

    for mirrored in (False, True):
        for size in sizes:
            reach = max(radius[0] * size, radius[1]) * (1.0 if same else LOOSER)
            z = size * _seen(stars.z[:MATCHED], mirrored)
            match = match_stars(z, stars.flux[:MATCHED], sky.pattern, reach)
            if match is not None:
                fit = match.transform
                return Similarity(fit.a * size, fit.b), mirrored
    return None


def _both_known(mine: Setup, other: Setup) -> bool:
    return bool(np.isfinite(mine.scale_arcsec) and np.isfinite(other.scale_arcsec))


def _sizes(mine: Setup, other: Setup) -> list[float]:
    """Pixels of the other setup for one of this that are worth trying, likeliest first."""
    found = []
    if np.isfinite(mine.scale_arcsec) and np.isfinite(other.scale_arcsec):
        found.append(mine.scale_arcsec / other.scale_arcsec)
    else:
        found += [mine.binning[0] / other.binning[0], 1.0]
    return list({round(size, 3): size for size in found if size > 0}.values())


def _numbered(lists, fits: dict, root: int) -> list[Placed | None]:
    """Every list with the numbers of its stars, those of one star the same."""
    placed: list[Placed | None] = [None] * len(lists)
    sky = _Sky(lists[root].z, lists[root].flux)
    for k, (fit, mirrored) in fits.items():
        if k == root:
            number = np.arange(len(lists[root]))
        else:
            radius = max(lists[k].radius_px * fit.scale, lists[root].radius_px)
            number = sky.add(fit(_seen(lists[k].z, mirrored)), lists[k].flux, radius)
        placed[k] = Placed(fit, mirrored, number)
    return placed
