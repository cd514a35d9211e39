"""What a number says of each cause: how often it occurs with it, counted on practice nights.

A number lies between two of its clue's places, or is of one or another kind.  What physics and
common practice expect of it stands in ``clues.toml`` and counts as some frames; the frames counted
are added (a multinomial with Dirichlet's prior, e.g. Gelman et al., Bayesian Data Analysis, ch. 3,
from memory).  Points are log likelihoods over the mean of all causes, times the clue's weight,
which says how far it may be believed beside others that tell in part the same.  Counts and weights
stand in ``causes.toml``, written by ``python -m tests.benchmarks.cause_weights``.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np

from subgrade.judging.evidence import clue
from subgrade.judging.features import (
    FEATURES,
    GUIDING_ERROR,
    LIGHT_LEFT,
    RECORD,
    STAR_FORM,
    SWING_SIZE,
    Feature,
)
from subgrade.judging.model import Evidence, Shares
from subgrade.judging.reasons import MOTIONS

STATED = 25.0
"""Frames of each cause that what is stated beforehand counts as; a choice, held against nights of
another simulation (tests/second_sky)."""
NONE = "none of these"
"""What takes the share of a frame that no cause explains; its likelihood is the mean of all."""
SHOWN = 0.05
"""Causes of at least this share, and the two likeliest, have their clues kept as evidence."""


@dataclass(frozen=True, slots=True)
class Number:
    """One number of a frame, with its place on the clue's scale.

    Attributes
    ----------
    feature : Feature
    text : str
        The number in a plain sentence, no full stop.
    place : float
        Where it lies on the clue's scale; NaN for a clue of kinds.
    kinds : dict of str to float
        For a clue of kinds how likely what was seen is with each, up to a common factor.
    value, usual, error, limit : float or None
        As in `Evidence`; ``value`` is the place where not given.
    named : str
    """

    feature: Feature
    text: str
    place: float = math.nan
    kinds: Mapping[str, float] | None = None
    value: float | None = None
    usual: float | None = None
    error: float | None = None
    limit: float | None = None
    named: str = ""


@dataclass(frozen=True, slots=True)
class Clue:
    """How often a number was met with each cause.

    Attributes
    ----------
    at : ndarray, shape (k,)
        Places on the number's scale, increasing; empty for a clue of kinds.
    kinds : tuple of str
        Of k kinds; empty for a clue of places.
    likelihood : ndarray, shape (causes, k)
        Each row adds up to 1.
    weight : float
    """

    at: np.ndarray
    kinds: tuple[str, ...]
    likelihood: np.ndarray
    weight: float

    def points(self, number: Number) -> np.ndarray:
        """Log likelihood of each cause over the mean of all, unweighted; shape (causes,)."""
        seen = self.likelihood @ membership(number, self.at, self.kinds)
        return np.log(seen / seen.mean())


def membership(number: Number, at: np.ndarray, kinds: tuple[str, ...]) -> np.ndarray:
    """A number's share in each place, or the likelihood of each kind; shape (k,)."""
    if kinds:
        return np.array([number.kinds.get(kind, 0.0) for kind in kinds])
    share = np.zeros(len(at))
    place = float(np.clip(number.place, at[0], at[-1]))
    above = int(np.clip(np.searchsorted(at, place), 1, len(at) - 1))
    part = (place - at[above - 1]) / (at[above] - at[above - 1])
    share[above - 1], share[above] = 1.0 - part, part
    return share


def likelihood_of(counts: np.ndarray, stated: np.ndarray) -> np.ndarray:
    """Likelihoods of each place or kind, shape (causes, k).

    Parameters
    ----------
    counts : ndarray, shape (causes, k)
        Frames with each cause that were met there.
    stated : ndarray, shape (causes, k)
        What is expected beforehand, as ``clues.toml`` states it; it counts as `STATED` frames.
    """
    own = counts / np.maximum(counts.sum(axis=1, keepdims=True), 1e-9)
    common = (own.sum(axis=0) + 0.5) / (own.sum() + 0.5 * counts.shape[1])
    expected = common * np.exp(stated)
    expected /= expected.sum(axis=1, keepdims=True)
    return (counts + STATED * expected) / (counts.sum(axis=1, keepdims=True) + STATED)


@dataclass(frozen=True, slots=True)
class Scale:
    """Where on a number's scale likelihoods stand, and what is expected there.

    Attributes
    ----------
    at : ndarray, shape (k,)
        Places, increasing; empty for a clue of kinds.
    kinds : tuple of str
        Of k kinds; empty for a clue of places.
    stated : ndarray, shape (causes, k)
    """

    at: np.ndarray
    kinds: tuple[str, ...]
    stated: np.ndarray


@dataclass(frozen=True, slots=True)
class CauseTable:
    """All clues of motion, and what "none of these" starts from; all causes start alike."""

    clues: dict[str, Clue]
    none: float


@lru_cache(maxsize=1)
def stated_clues() -> dict[str, Scale]:
    """Every clue's scale, as ``clues.toml`` states it."""
    scales = {}
    for name, row in _file("clues.toml").items():
        if name not in FEATURES:
            raise ValueError(f"clues.toml: {name!r} is no registered number of evidence")
        at, kinds = np.array(row.pop("at", ()), float), tuple(row.pop("kinds", ()))
        nothing = [0.0] * (len(at) or len(kinds))
        unknown = set(row) - set(MOTIONS)
        if unknown:
            raise ValueError(f"clues.toml: {name!r}: {min(unknown)!r} is no cause of motion")
        stated = np.array([row.get(word, nothing) for word in MOTIONS], float)
        scales[name] = Scale(at, kinds, stated)
    return scales


def _file(name: str) -> dict:
    return tomllib.loads(files("subgrade.judging").joinpath(name).read_text(encoding="utf-8"))


@lru_cache(maxsize=1)
def cause_table() -> CauseTable:
    """The clues as stated, with the counts and weights of ``causes.toml``."""
    scales = stated_clues()
    counted = _file("causes.toml")
    clues = {}
    for name, row in counted["clue"].items():
        scale = scales[name]
        counts = np.array([row[word] for word in MOTIONS], float)
        if counts.shape != scale.stated.shape:
            raise ValueError(f"causes.toml: {name!r} was counted on another scale")
        likelihood = likelihood_of(counts, scale.stated)
        clues[name] = Clue(scale.at, scale.kinds, likelihood, float(row["weight"]))
    return CauseTable(clues, float(counted["none"]))


def weigh(numbers: Iterable[Number], table: CauseTable | None = None) -> tuple[Shares, list]:
    """How likely each motion is, and what every number says of it.

    Parameters
    ----------
    numbers : iterable of Number
        What is not known is left out and counts nothing.
    table : CauseTable, optional
        The shipped one unless given.

    Returns
    -------
    tuple of (str, float)
        Motions with their shares, likeliest first; what they lack to 1 is the share of `NONE`.
    list of Evidence
        Clues for and against the causes worth showing, number by number.
    """
    table = table or cause_table()
    asked = [n for n in numbers if n.feature.name in table.clues]
    points = np.array(
        [table.clues[n.feature.name].weight * table.clues[n.feature.name].points(n) for n in asked]
    ).reshape(len(asked), len(MOTIONS))
    total = points.sum(axis=0)
    total = np.append(total, table.none)
    chance = np.exp(total - total.max())
    chance /= chance.sum()
    order = sorted(range(len(MOTIONS)), key=lambda k: -chance[k])
    shares = tuple((MOTIONS[k], float(chance[k])) for k in order)
    shown = [k for r, k in enumerate(order) if r < 2 or chance[k] >= SHOWN]
    return shares, [
        _clue(number, MOTIONS[k], float(points[row, k]))
        for row, number in enumerate(asked)
        for k in shown
        if abs(points[row, k]) >= 0.005
    ]


def _clue(number: Number, word: str, points: float) -> Evidence:
    value = number.place if number.value is None else number.value
    return clue(
        word,
        number.feature,
        points,
        number.text,
        value=value,
        usual=number.usual,
        error=number.error,
        limit=number.limit,
        named=number.named,
    )


def strongest(clues: Iterable[Evidence], word: str) -> Evidence | None:
    """The clue to name beside a cause: of the record where it supports it, else of the images.

    None where none does by more than a trace.
    """
    mine = [e for e in clues if e.reason == word and e.points > TRACE and e.quantity not in QUIET]
    recorded = [e for e in mine if FEATURES[e.quantity].origin == RECORD]
    return max(recorded or mine, key=lambda e: e.points, default=None)


QUIET = {f.name for f in (GUIDING_ERROR, LIGHT_LEFT, STAR_FORM, SWING_SIZE)}
"""Numbers that count and explain little to a reader, so that no sentence names them."""
TRACE = 0.3
"""Points below which a clue is not worth a sentence; a choice."""
