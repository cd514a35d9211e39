"""Two images of every star: one separation and one brightness ratio shared by the field."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import pdtrc


@dataclass(frozen=True, slots=True)
class Doubling:
    """The shared separation, and which detections are the second images.

    Attributes
    ----------
    dx, dy : float
        From the first to the second image, px.
    ratio : float
        Brightness of the second over the first.
    share : float
        Share of the bright detections that belong to such a pair.
    second : ndarray of bool, shape (n,)
        Detections that are second images.
    """

    dx: float
    dy: float
    ratio: float
    share: float
    second: np.ndarray


def find_doubling(x, y, brightness, star_px: float, bright: int = 100) -> Doubling | None:
    """Look for a separation vector shared by most of the bright detections.

    Chance pairs spread evenly over all vectors; a field in which every star is
    doubled piles up at one.  Half of the bright detections must belong to such
    pairs, with brightness ratios alike within a factor 1.5, and their number must be
    beyond chance (Poisson, one in 10^6).

    Parameters
    ----------
    x, y, brightness : ndarray, shape (n,)
        Detections, brightest first.
    star_px : float
        Width of one image, px.
    bright : int
        How many of the brightest to ask.

    Returns
    -------
    Doubling or None
    """
    n = len(x)
    asked = min(bright, n)
    if asked < 8:
        return None
    points = np.column_stack((x, y))
    reach = max(30.0 * star_px, 60.0)
    tree = cKDTree(points)
    first, second = [], []
    for i, mates in enumerate(tree.query_ball_point(points[:asked], reach)):
        mates = [j for j in mates if j != i and abs(np.log(brightness[j] / brightness[i])) < 2.5]
        first += [i] * len(mates)
        second += mates
    if len(first) < 4:
        return None
    first, second = np.array(first), np.array(second)
    vector = points[second] - points[first]
    fold = (vector[:, 0] < 0) | ((vector[:, 0] == 0) & (vector[:, 1] < 0))
    first, second = np.where(fold, second, first), np.where(fold, first, second)
    vector = points[second] - points[first]
    ratio = np.log(brightness[second] / brightness[first])
    tolerance = max(1.2, 0.35 * star_px)
    vectors = cKDTree(vector)
    near = vectors.query_ball_point(vector, tolerance)
    best = max(range(len(near)), key=lambda k: len(near[k]))
    members = np.array(near[best])
    middle = np.median(ratio[members])
    members = members[np.abs(ratio[members] - middle) < np.log(1.5)]
    if not len(members):
        return None
    members = members[_disjoint(first[members], second[members])]
    involved = np.unique(np.concatenate((first[members], second[members])))
    share = np.count_nonzero(involved < asked) / asked
    expected = len(vector) * tolerance**2 / reach**2 * 2
    # the best of all vectors was taken
    chance = len(vector) * pdtrc(len(members) - 1, expected)
    if share < 0.5 or _in_a_row(points[first[members]]) or chance > 1e-6:
        return None
    dx, dy = np.median(vector[members], axis=0)
    if middle > 0:  # point from the brighter image to the fainter
        dx, dy, middle = -dx, -dy, -middle
    return Doubling(
        float(dx), float(dy), float(np.exp(middle)), float(share),
        _second_images(points, brightness, dx, dy, np.exp(middle), tolerance),
    )  # fmt: skip


def _disjoint(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Which pairs to count so that no detection is in two: a trail's dashes pair up in a chain."""
    taken: set[int] = set()
    kept = np.zeros(len(first), bool)
    for k, (a, b) in enumerate(zip(first.tolist(), second.tolist(), strict=True)):
        if a not in taken and b not in taken:
            taken.update((a, b))
            kept[k] = True
    return kept


def _in_a_row(places: np.ndarray) -> bool:
    """Whether the pairs lie on one line: the dashes of one trail, not the stars of a field."""
    if len(places) < 3:
        return True
    narrow, wide = np.linalg.svd(places - places.mean(axis=0), compute_uv=False)[::-1]
    return bool(narrow < 0.05 * wide)


def _second_images(points, brightness, dx, dy, ratio, tolerance) -> np.ndarray:
    """Detections with a mate one separation back that is brighter by the shared ratio."""
    tree = cKDTree(points)
    distance, mate = tree.query(points - (dx, dy), distance_upper_bound=tolerance)
    second = np.zeros(len(points), bool)
    for i in np.argsort(-brightness[np.minimum(mate, len(points) - 1)], kind="stable"):
        if not np.isfinite(distance[i]):
            continue
        j = mate[i]
        alike = abs(np.log(brightness[i] / (brightness[j] * ratio))) < np.log(2.0)
        if alike and not second[j]:
            second[i] = True
    return second
