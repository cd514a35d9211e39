"""Which series of all nights show one target through one filter, and may be stacked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from subgrade.night import separation_deg
from subgrade.season.model import GradedNight, NightSeries
from subgrade.season.names import alike
from subgrade.season.placing import place_on_one

SAME_FIELD_DEG = 0.5
"""Pointings of a series without a target closer than this to a named one's are that target's:
amateurs' fields are about that wide and wider; the stars have the last word (a choice)."""


@dataclass(frozen=True, slots=True)
class FieldSeries:
    """Series of one target and filter.

    Attributes
    ----------
    target, filter : str or None
        As most of them spell it.
    members : tuple of (int, int)
        Night, and series in it; in the order of the nights.
    """

    target: str | None
    filter: str | None
    members: tuple[tuple[int, int], ...]


def fields_of(nights: Sequence[GradedNight]) -> list[FieldSeries]:
    """Sort the series of all nights by target and filter.

    Series without a target go by their pointing to a named target of the same filter, else
    together.

    Parameters
    ----------
    nights : sequence of GradedNight
    """
    every = [(n, s) for n, night in enumerate(nights) for s in range(len(night.series))]
    of = {key: nights[key[0]].series[key[1]] for key in every}
    named: dict[tuple, list[tuple[int, int]]] = {}
    silent = []
    for key in every:
        target = alike(of[key].target)
        if target is None:
            silent.append(key)
        else:
            named.setdefault((target, alike(of[key].filter)), []).append(key)
    for key in silent:
        home = _pointed_alike(of[key], named, of) or (None, alike(of[key].filter))
        named.setdefault(home, []).append(key)
    return [
        FieldSeries(
            _spelling(of[m].target for m in members),
            _spelling(of[m].filter for m in members),
            tuple(sorted(members)),
        )
        for members in named.values()
    ]


def fields_by_stars(
    fields: Sequence[FieldSeries], lists: Mapping, setups: Mapping
) -> list[FieldSeries]:
    """Fields without a target parted, or joined to those of a target, by their stars.

    Parameters
    ----------
    fields : sequence of FieldSeries
    lists : mapping of (int, int) to ClearStars or None
        Stars of each member.
    setups : mapping of (int, int) to Setup
    """
    named = [field for field in fields if field.target is not None]
    nameless = []
    for field in fields:
        if field.target is not None:
            continue
        bare = [m for m in field.members if lists[m] is None]
        left = [m for m in field.members if lists[m] is not None]
        while left:
            mine = _matching(left[0], left, lists, setups)
            left = [m for m in left if m not in mine]
            home = next(
                (k for k, f in enumerate(named) if _joins(mine[0], field, f, lists, setups)), -1
            )
            if home < 0:
                nameless.append(FieldSeries(None, field.filter, tuple(mine)))
            else:
                members = tuple(sorted((*named[home].members, *mine)))
                named[home] = replace(named[home], members=members)
        if bare:
            nameless.append(FieldSeries(None, field.filter, tuple(bare)))
    return named + nameless


def in_one_spelling(
    nights: Sequence[GradedNight], fields: Sequence[FieldSeries]
) -> tuple[GradedNight, ...]:
    """The nights with the target and filter of each series as its field has them.

    What is held side by side by target and filter then finds the same series as the stacks.
    """
    names = {member: (f.target, f.filter) for f in fields for member in f.members}
    return tuple(
        replace(
            night,
            series=tuple(
                replace(series, target=target, filter=through)
                for s, series in enumerate(night.series)
                for target, through in (names.get((n, s), (series.target, series.filter)),)
            ),
        )
        for n, night in enumerate(nights)
    )


def _matching(first, members, lists, setups) -> list[tuple[int, int]]:
    """Members whose stars match those of the first, directly or through others; it among them."""
    order = [first, *(m for m in members if m != first)]
    placed, _ = place_on_one([lists[m] for m in order], [setups[m] for m in order], root=0)
    return sorted(m for m, place in zip(order, placed, strict=True) if place is not None)


def _joins(member, field: FieldSeries, named: FieldSeries, lists, setups) -> bool:
    """Whether a nameless series shows the stars of a named field of its filter."""
    if alike(named.filter) != alike(field.filter):
        return False
    others = [m for m in named.members if lists[m] is not None]
    if not others:
        return False
    fullest = max(others, key=lambda m: len(lists[m]))
    return len(_matching(fullest, [fullest, member], lists, setups)) == 2


def _pointed_alike(series: NightSeries, named: dict, of: dict) -> tuple | None:
    """Key of the named field whose pointing a silent series shares; None where none is near."""
    best, least = None, SAME_FIELD_DEG
    for key, members in named.items():
        if key[0] is None or key[1] != alike(series.filter):
            continue
        apart = min(_apart_deg(series, of[m]) for m in members)
        if apart < least:
            best, least = key, apart
    return best


def _apart_deg(one: NightSeries, other: NightSeries) -> float:
    """Angle between two pointings; infinite where one is unknown."""
    apart = separation_deg(one.ra_deg, one.dec_deg, other.ra_deg, other.dec_deg)
    return apart if np.isfinite(apart) else np.inf


def _spelling(names) -> str | None:
    """The commonest spelling, without blanks at its ends."""
    stated = [name.strip() for name in names if name and name.strip()]
    return max(stated, key=stated.count) if stated else None
