"""Defects that stay put on the sensor while the sky moves with the dither.

An uncalibrated frame's hot pixels are detections like any other.  They give
themselves away over a night: a star keeps its place on the sky, a hot pixel its
place on the sensor.  Without dither nothing can be distinguished, and no claim is
made.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
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
    spots = np.column_stack([z.real, z.imag])
    places = _recurring_places(spots, cKDTree(spots))
    if not len(places):
        return nothing
    near = cKDTree(spots).query_ball_point(places, RADIUS_PX)
    seen, distinct = _seen_and_distinct(near, frame, centres)
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
    around = _neighbours(spots, tree, crowd)
    taken = np.zeros(len(spots), dtype=bool)
    knots = []
    for i in order.tolist():
        if taken[i]:
            continue
        hits = around(i)
        hits = hits[~taken[hits]]
        taken[hits] = True
        if len(hits) >= MIN_POINTINGS:
            knots.append(hits)
    if not knots:
        return np.zeros((0, 2))
    sizes, flat = np.array([len(knot) for knot in knots]), spots[np.concatenate(knots)]
    return np.column_stack([_medians(flat[:, axis], sizes) for axis in (0, 1)])


def _neighbours(spots: np.ndarray, tree: cKDTree, crowd: np.ndarray) -> Callable[[int], np.ndarray]:
    """Looks up the detections within `RADIUS_PX` of one, itself among them."""
    if crowd.sum() > MOST_PAIRS:
        return lambda i: np.array(tree.query_ball_point(spots[i], RADIUS_PX))
    pairs = tree.query_pairs(RADIUS_PX, output_type="ndarray")
    itself = np.arange(len(spots))
    one = np.concatenate([itself, pairs[:, 0], pairs[:, 1]])
    other = np.concatenate([itself, pairs[:, 1], pairs[:, 0]])[np.argsort(one, kind="stable")]
    ends = np.cumsum(np.bincount(one, minlength=len(spots)))
    cuts = [0, *ends.tolist()]
    return lambda i: other[cuts[i] : cuts[i + 1]]


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
