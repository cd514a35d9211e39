"""Which series of all nights show one target through one filter, and may be stacked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.season.model import GradedNight, NightSeries
from subgrade.season.names import alike

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


def _pointed_alike(series: NightSeries, named: dict, of: dict) -> tuple | None:
    """Key of the named field whose pointing a silent series shares; None where none is near."""
    best, least = None, SAME_FIELD_DEG
    for key, members in named.items():
        if key[0] is None or key[1] != alike(series.filter):
            continue
        apart = min(separation_deg(series, of[m]) for m in members)
        if apart < least:
            best, least = key, apart
    return best


def separation_deg(one: NightSeries, other: NightSeries) -> float:
    """Angle between two pointings, deg; infinite where one is unknown."""
    ra, dec = np.radians([one.ra_deg, other.ra_deg]), np.radians([one.dec_deg, other.dec_deg])
    # haversine, exact for small angles
    h = np.sin((dec[1] - dec[0]) / 2) ** 2
    h += np.cos(dec[0]) * np.cos(dec[1]) * np.sin((ra[1] - ra[0]) / 2) ** 2
    return float(np.degrees(2 * np.arcsin(np.sqrt(h)))) if np.isfinite(h) else np.inf


def _spelling(names) -> str | None:
    """The commonest spelling, without blanks at its ends."""
    stated = [name.strip() for name in names if name and name.strip()]
    return max(stated, key=stated.count) if stated else None
