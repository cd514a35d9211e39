"""Good frames that a person leaves out by choice: the best share of the passing time is kept."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from subgrade.choosing.best_first import best_first
from subgrade.judging.evidence import evidence
from subgrade.judging.features import PLACE_AMONG_PASSING
from subgrade.judging.limits import Limits
from subgrade.judging.model import Judgement
from subgrade.judging.reasons import SURPLUS
from subgrade.judging.weights import weighed_again
from subgrade.night.model import Group, Night

EXACT = 1e-9
"""Relative room for the rounding of sums of exposure times."""


@dataclass(frozen=True, slots=True)
class Choice:
    """How much of what passes a person keeps.

    Attributes
    ----------
    share : float or None
        Of each group's passing exposure time, above 0 to 1; None keeps all.
    prefer : str
        One of `subgrade.choosing.PREFERENCES`: what makes a frame the better one.
    """

    share: float | None = None
    prefer: str = "depth"

    @property
    def text(self) -> str:
        """The share as a person writes it.

        >>> Choice(0.8).text, Choice(0.665).text
        ('80%', '66.5%')
        """
        return f"{100 * (self.share or 1.0):.6g}%"


def share_kept(exposure_s: Sequence[float], share: float) -> int:
    """How many of some frames, the best first, hold the share of their exposure time.

    Parameters
    ----------
    exposure_s : sequence of float
        Best first; where no time is known every frame counts alike.
    share : float
        Above 0 to 1.

    Returns
    -------
    int
        The fewest that hold at least the share; one at least where there are any.

    >>> share_kept([60, 60, 60, 60, 60], 0.8), share_kept([300, 60, 60], 0.5)
    (4, 1)
    """
    times = np.asarray(exposure_s, dtype=float)
    if not times.sum() > 0:
        times = np.ones(len(times))
    held = np.cumsum(times) >= share * times.sum() * (1 - EXACT)
    return min(int(np.argmax(held)) + 1, len(times)) if len(times) else 0


def leave_surplus(
    night: Night,
    verdicts: tuple[Judgement, ...],
    limits: Limits,
    choice: Choice,
    held: Collection[str] = (),
) -> tuple[Judgement, ...]:
    """The verdicts with what the person's choice leaves out, weighed anew.

    Parameters
    ----------
    night : Night
    verdicts : tuple of Judgement
        In the order of ``night.frames``.
    limits : Limits
        Those of the verdicts.
    choice : Choice
    held : collection of str
        Frames that a mark keeps: they count to the share and are never left out.
    """
    if choice.share is None:
        return verdicts
    found = list(verdicts)
    for group in night.groups:
        order = _passing(night, group, verdicts, choice.prefer)
        count = _kept(night, order, verdicts, choice.share, held)
        for place, i in enumerate(order):
            if i not in count:
                points = limits.verdict.points_cap
                where = (place + 1, len(order), len(count))
                found[i] = _left_out(verdicts[i], choice, where, points)
        weighed_again(night, group, found)
    return tuple(found)


def _passing(night: Night, group: Group, verdicts: Sequence[Judgement], prefer: str) -> list[int]:
    """The group's kept frames, best first."""
    kept = [i for i in sorted(group.members) if verdicts[i].verdict == "keep"]
    light = [night.compared[i].transparency for i in kept]
    order = best_first([night.frames[i].stars for i in kept], light, prefer)
    return [kept[k] for k in order]


def _kept(
    night: Night,
    order: list[int],
    verdicts: Sequence[Judgement],
    share: float,
    held: Collection[str],
) -> set[int]:
    """Those of the passing frames that stay: what a mark keeps, then the best."""
    first = sorted(order, key=lambda i: verdicts[i].frame not in held)
    times = [night.frames[i].facts.exposure_s or 0.0 for i in first]
    marked = sum(verdicts[i].frame in held for i in order)
    return set(first[: max(share_kept(times, share), marked)])


def _left_out(
    own: Judgement, choice: Choice, where: tuple[int, int, int], points: float
) -> Judgement:
    """One good frame rejected by choice; ``where`` is its place, of how many, and how many stay."""
    place, passing, kept = where
    ordered = f"it passes, but is {_ordinal(place)} of {passing} by {choice.prefer}"
    found = f"{ordered}, and {'only the best is' if kept == 1 else f'the best {kept} are'} kept"
    item = evidence(SURPLUS, PLACE_AMONG_PASSING, points, found, value=place, limit=kept)
    sentence = f"{found}. {own.found[:1].upper()}{own.found[1:]}"
    return replace(
        own,
        verdict="reject",
        reasons=(SURPLUS, *own.reasons),
        explanation=f"Left out by your choice to keep {choice.text}: {sentence}",
        confidence=1.0,
        cause_confidence=1.0,
        weight=0.0,
        evidence=(item, *own.evidence),
        found=sentence,
    )


def _ordinal(n: int) -> str:
    """
    >>> [_ordinal(n) for n in (1, 2, 3, 4, 11, 22, 113)]
    ['1st', '2nd', '3rd', '4th', '11th', '22nd', '113th']
    """
    ending = "th" if n % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"
