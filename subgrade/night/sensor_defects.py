"""Defects that stay put on the sensor while the sky moves with the dither.

An uncalibrated frame's hot pixels are detections like any other.  They give
themselves away over a night: a star keeps its place on the sky, a hot pixel its
place on the sensor.  Without dither nothing can be distinguished, and no claim is
made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

RADIUS_PX = 0.7
"""Recurrence this close counts as the same sensor pixel."""
SKY_STEP_PX = 2.0
"""Pointings further apart than this are distinct: no star can stay in its pixel."""
MIN_POINTINGS = 3
FALSE_ALARMS = 1e-3
"""Expected number of stars wrongly called defects over the whole sensor."""


@dataclass(frozen=True, slots=True)
class SensorDefects:
    """Fixed places on the sensor that look like stars.

    Attributes
    ----------
    x, y : ndarray, shape (n,)
        Where, px.
    seen : ndarray of int
        In how many frames.
    pointings : int
        How many distinct pointings could be distinguished; below `MIN_POINTINGS`
        no claim is made and the lists are empty.
    masks : tuple of ndarray of bool, or None
        Per frame, True at detections that are such defects.
    """

    x: np.ndarray
    y: np.ndarray
    seen: np.ndarray
    pointings: int
    masks: tuple[np.ndarray | None, ...]


def distinct_pointings(centres: np.ndarray, step: float = SKY_STEP_PX) -> int:
    """How many pointings are more than ``step`` apart from one another.

    Counted greedily in the given order.  All frames that hold one star in one
    pixel lie within twice `RADIUS_PX` of each other, so a star never counts
    for more than one.

    Parameters
    ----------
    centres : ndarray of complex, shape (n,)
        Where the frames' centres lie on the reference, px.
    """
    left = centres[np.isfinite(centres)]
    count = 0
    while len(left):
        left = left[np.abs(left - left[0]) > step]
        count += 1
    return count


def find_defects(
    lists: Sequence[np.ndarray | None], centres: np.ndarray, area_px: float
) -> SensorDefects:
    """Detections that recur in one pixel while the pointing changes.

    Parameters
    ----------
    lists : sequence of (ndarray of complex, shape (n_i,)) or None
        Detected positions of each frame on its own sensor.
    centres : ndarray of complex, shape (frames,)
        The frame centre's place on the group's reference; NaN where unknown.
    area_px : float
        Sensor area, for the chance that different stars fall in one pixel.

    Notes
    -----
    A place is a defect when detections fall there in at least three distinct
    pointings and in so many that chance alone (Poisson sky, at the night's
    density of detections) would do it for fewer than `FALSE_ALARMS` places.
    """
    from scipy.spatial import cKDTree
    from scipy.special import bdtrc

    known = np.isfinite(centres)
    usable = [i for i, z in enumerate(lists) if known[i] and z is not None and len(z)]
    pointings = distinct_pointings(centres[usable])
    empty = np.zeros(0)
    nothing = SensorDefects(empty, empty, empty.astype(int), pointings, (None,) * len(lists))
    if pointings < MIN_POINTINGS:
        return nothing
    z = np.concatenate([lists[i] for i in usable])
    frame = np.concatenate([np.full(len(lists[i]), i) for i in usable])
    spots = np.column_stack([z.real, z.imag])
    places = _recurring_places(spots, cKDTree(spots))
    if not len(places):
        return nothing
    near = cKDTree(spots).query_ball_point(places, RADIUS_PX)
    frames_at = [np.unique(frame[hits]) for hits in near]
    seen = np.array([len(at) for at in frames_at])
    distinct = np.array([distinct_pointings(centres[at]) for at in frames_at])
    # Several frames of one pointing give a star several chances, hence the sum over frames.
    chance = np.pi * RADIUS_PX**2 * len(z) / pointings / area_px
    alarms = len(z) * bdtrc(distinct - 1, pointings, min(1.0, chance))
    bad = (distinct >= MIN_POINTINGS) & (alarms < FALSE_ALARMS)
    places, seen = places[bad], seen[bad]
    if not len(places):
        return nothing
    tree = cKDTree(places)
    masks = tuple(
        None
        if pos is None or not len(pos)
        else np.isfinite(
            tree.query(np.column_stack([pos.real, pos.imag]), distance_upper_bound=RADIUS_PX)[0]
        )
        for pos in lists
    )
    return SensorDefects(places[:, 0], places[:, 1], seen, pointings, masks)


def _recurring_places(spots: np.ndarray, tree: cKDTree) -> np.ndarray:
    """One place for each knot of detections, fullest knot first, knots apart."""
    crowd = tree.query_ball_point(spots, RADIUS_PX, return_length=True)
    order = np.argsort(-crowd, kind="stable")
    order = order[crowd[order] >= MIN_POINTINGS]
    taken = np.zeros(len(spots), dtype=bool)
    places = []
    for i in order:
        if taken[i]:
            continue
        hits = tree.query_ball_point(spots[i], RADIUS_PX)
        hits = [h for h in hits if not taken[h]]
        taken[hits] = True
        if len(hits) >= MIN_POINTINGS:
            places.append(np.median(spots[hits], axis=0))
    return np.array(places).reshape(-1, 2)
