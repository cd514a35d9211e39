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
MOST_PAIRS = 20_000_000
"""Pairs of detections that are looked up at once, at 32 bytes each."""
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
    crowded = _crowded(z)
    spots, frame = np.column_stack([z.real, z.imag])[crowded], frame[crowded]
    tree = cKDTree(spots)
    places = _recurring_places(spots, tree)
    if not len(places):
        return nothing
    near = tree.query_ball_point(places, RADIUS_PX)
    seen, distinct = _seen_and_distinct(near, frame, centres)
    # Several frames of one pointing give a star several chances, hence the sum over frames.
    chance = np.pi * RADIUS_PX**2 * len(z) / pointings / area_px
    alarms = len(z) * bdtrc(distinct - 1, pointings, min(1.0, chance))
    bad = (distinct >= MIN_POINTINGS) & (alarms < FALSE_ALARMS)
    places, seen = places[bad], seen[bad]
    if not len(places):
        return nothing
    tree = cKDTree(places)
    masks = tuple(None if pos is None or not len(pos) else _within(tree, pos) for pos in lists)
    return SensorDefects(places[:, 0], places[:, 1], seen, pointings, masks)


def _within(tree: cKDTree, spots: np.ndarray) -> np.ndarray:
    """Which places (complex) lie within `RADIUS_PX` of one in the tree."""
    distance, _ = tree.query(
        np.column_stack([spots.real, spots.imag]), distance_upper_bound=RADIUS_PX
    )
    return np.isfinite(distance)


def _crowded(z: np.ndarray) -> np.ndarray:
    """Which detections share a cell with two others: all that any recurring place is made of.

    Cells are four times `RADIUS_PX` wide, on four lattices half a cell apart, so that a circle of
    that radius lies wholly inside a cell of one of them.  The others need no tree.
    """
    cell = 4.0 * RADIUS_PX
    found = np.zeros(len(z), bool)
    for shift in (0.0, 0.5 + 0.5j, 0.5, 0.5j):
        place = z / cell + shift
        column = np.floor(place.real).astype(np.int64)
        row = np.floor(place.imag).astype(np.int64)
        column -= column.min()
        name = (row - row.min()) * (int(column.max()) + 1) + column
        found |= (np.bincount(name) >= MIN_POINTINGS)[name]
    return found


def _recurring_places(spots: np.ndarray, tree: cKDTree) -> np.ndarray:
    """One place for each knot of detections, fullest knot first, knots apart."""
    crowd = tree.query_ball_point(spots, RADIUS_PX, return_length=True)
    order = np.argsort(-crowd, kind="stable")
    order = order[crowd[order] >= MIN_POINTINGS]
    if crowd.sum() > MOST_PAIRS:
        owner = _owners_one_by_one(spots, tree, order)
    else:
        owner = _owners(tree.query_pairs(RADIUS_PX, output_type="ndarray"), order, len(spots))
    held = np.flatnonzero(owner < len(order))
    held = held[np.argsort(owner[held], kind="stable")]
    sizes = np.bincount(owner[held], minlength=len(order))
    held = held[sizes[owner[held]] >= MIN_POINTINGS]
    sizes = sizes[sizes >= MIN_POINTINGS]
    return np.column_stack([_medians(spots[held, axis], sizes) for axis in (0, 1)])


def _owners_one_by_one(spots: np.ndarray, tree: cKDTree, order: np.ndarray) -> np.ndarray:
    """As `_owners`, in little memory."""
    owner = np.full(len(spots), len(order))
    for number, i in enumerate(order.tolist()):
        if owner[i] == len(order):
            hits = np.array(tree.query_ball_point(spots[i], RADIUS_PX))
            owner[hits[owner[hits] == len(order)]] = number
    return owner


def _owners(pairs: np.ndarray, order: np.ndarray, count: int) -> np.ndarray:
    """Which detection's knot each one belongs to, by its place in the order.

    In that order each detection that is still free takes all free ones around it.

    Parameters
    ----------
    pairs : ndarray of int, shape (n, 2)
        Detections that lie near one another.
    order : ndarray of int
        Those that may begin a knot, fullest first.
    count : int
        Of all detections.

    Returns
    -------
    ndarray of int, shape (count,)
        ``len(order)`` where it belongs to none.
    """
    nobody = len(order)
    rank = np.full(count, nobody)
    rank[order] = np.arange(nobody)
    first, later = np.where(
        (rank[pairs[:, 0]] < rank[pairs[:, 1]])[:, None], pairs, pairs[:, ::-1]
    ).T
    begins, open_ = np.zeros(count, dtype=bool), rank < nobody
    early, late = (part[rank[later] < nobody] for part in (first, later))
    # whoever has no open neighbour earlier in the order begins a knot, and closes those around it
    while open_.any():
        waits = np.zeros(count, dtype=bool)
        waits[late] = True
        new = open_ & ~waits
        begins |= new
        open_ &= ~new
        open_[late[new[early]]] = False
        left = open_[early] & open_[late]
        early, late = early[left], late[left]
    owner = np.where(begins, rank, nobody)
    taken = begins[first]
    around, by = later[taken], rank[first[taken]]
    falling = np.argsort(-by, kind="stable")  # of several the last one written stays
    owner[around[falling]] = by[falling]
    return owner


def _medians(flat: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    """Median of each run of so many values, shape (runs,)."""
    flat = flat[np.lexsort((flat, np.repeat(np.arange(len(sizes)), sizes)))]
    starts = np.cumsum(sizes) - sizes
    return 0.5 * (flat[starts + (sizes - 1) // 2] + flat[starts + sizes // 2])


def _seen_and_distinct(
    near: Sequence[Sequence[int]], frame: np.ndarray, centres: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """How many frames have a detection at each place, and in how many distinct pointings."""
    sizes = np.array([len(hits) for hits in near])
    flat = frame[np.concatenate([np.asarray(hits, dtype=int) for hits in near])]
    span = int(frame.max()) + 1
    pairs = np.unique(np.repeat(np.arange(len(near)), sizes) * span + flat)
    at = centres[pairs % span]
    seen = np.bincount(pairs // span, minlength=len(near))
    starts = np.cumsum(seen) - seen
    wide = [
        np.maximum.reduceat(part, starts) - np.minimum.reduceat(part, starts)
        for part in (at.real, at.imag)
    ]
    distinct = np.ones(len(near), dtype=int)
    # frames that all lie within a step of one another are one pointing
    for k in np.flatnonzero((np.hypot(*wide) > SKY_STEP_PX) & (seen >= MIN_POINTINGS)):
        distinct[k] = distinct_pointings(at[starts[k] : starts[k] + seen[k]])
    return seen, distinct
