"""Whether the stars themselves agree on a ring or on two images, by a stated chance of error.

The stacked star is smooth and hides how many stars made it.  A dip in it is asked of the stars
one by one: the mean brightness of the pixels in the dip and in what rises around it, over all
stars, with the error from leaving out each star in turn (jackknife, Quenouille 1956, Tukey
1958; from memory).  Few stars then need a deep dip, and two can never show one.

Two images of every star: one separation and one brightness ratio shared by the field.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import pdtrc, stdtr

from subgrade.stars.stacked_image import MODEL_ERROR, Samples, StarSpline

FALSE_ALARM = 2e-3
"""Chance that stars without one pass for hollow or double, of frames whose star image has a dip."""
TRIALS = 4.0
"""Independent places that the dip could have been found at: radii one width apart."""
LEAST_RADIUS = 1.5
"""Least radius of a ring, in sampled pixels: under it ring and centre share their pixels."""
SECTORS = 8


@dataclass(frozen=True, slots=True)
class Dip:
    """A dip in the star image: how deep it is against what surrounds it.

    Attributes
    ----------
    share, error : float
        Brightness in the dip over that around it, and one sigma.
    chance : float
        That stars without a dip show one as deep (Student's t, one-sided, all trials).
    radius : float
        Of the ring, or half the distance of the two images, px.
    """

    share: float
    error: float
    chance: float
    radius: float

    @property
    def shown(self) -> bool:
        """Whether the stars show it."""
        return self.chance < FALSE_ALARM


def ring(
    samples: Samples, spline: StarSpline, axes: tuple[float, float], sampled_px: float
) -> Dip | None:
    """The dip at the centroid, enclosed on all sides; None where no ring is resolved.

    Parameters
    ----------
    samples : Samples
    spline : StarSpline
        Through the samples.
    axes : tuple of float
        Sigma of the star along and across its long axis, px; the ring may be as oval.
    sampled_px : float
        Distance of the measured pixels, px.
    """
    mean = np.sqrt(axes[0] * axes[1])
    along, across = axes[0] / mean, axes[1] / mean
    angle = (np.arange(48) + 0.5) * (2 * np.pi / 48)
    r = np.linspace(0.0, 0.95 * min(spline.reach[0] / along, spline.reach[1] / across), 120)
    profile = spline.along(
        along * r[:, None] * np.cos(angle), across * r[:, None] * np.sin(angle)
    ).mean(axis=1)
    radius = float(r[np.argmax(profile)])
    if radius * across < LEAST_RADIUS * sampled_px:
        return None
    u, v = samples.u / along, samples.v / across
    distance = np.hypot(u, v)
    sector = np.floor((np.arctan2(v, u) / (2 * np.pi) % 1.0) * SECTORS).astype(int) % SECTORS
    cell = np.where(np.abs(distance - radius) < 0.25 * radius, 1 + sector, -1)
    cell[distance < 0.4 * radius] = 0
    return _dip(samples, cell, 1 + SECTORS, radius)


def pair(samples: Samples, first: float, second: float, width: float) -> Dip | None:
    """The dip between two images.

    Parameters
    ----------
    samples : Samples
    first, second : float
        Their places along the long axis, px.
    width : float
        Of one image, px.

    Returns
    -------
    Dip or None
        None where a place holds no pixel.
    """
    low, high = sorted((first, second))
    apart = high - low
    near = np.abs(samples.v) < 0.6 * width
    cell = np.full(len(samples.u), -1)
    cell[near & (np.abs(samples.u - 0.5 * (low + high)) < 0.15 * apart)] = 0
    cell[near & (np.abs(samples.u - low) < 0.2 * apart)] = 1
    cell[near & (np.abs(samples.u - high) < 0.2 * apart)] = 2
    return _dip(samples, cell, 3, 0.5 * apart)


def _dip(samples: Samples, cell: np.ndarray, cells: int, radius: float) -> Dip | None:
    """Cell 0 against the lowest of the others; None where a cell holds no pixel."""
    stars = int(samples.star.max(initial=-1)) + 1
    inside = cell >= 0
    weight = 1.0 / (samples.variance + MODEL_ERROR**2)
    place = samples.star[inside].astype(np.int64) * cells + cell[inside]
    light = np.bincount(place, (weight * samples.d)[inside], stars * cells).reshape(stars, cells)
    total = np.bincount(place, weight[inside], stars * cells).reshape(stars, cells)
    used = total.sum(axis=1) > 0
    light, total = light[used], total[used]
    n = len(light)
    if n < 3:
        return None
    without = total.sum(axis=0) - total
    if not (without > 0).all():
        return None
    whole = light.sum(axis=0) / total.sum(axis=0)
    left = (light.sum(axis=0) - light) / without
    wall = float(whole[1:].mean())
    depth = float(whole[1:].min() - whole[0])
    depths = left[:, 1:].min(axis=1) - left[:, 0]
    error = float(np.sqrt((n - 1.0) / n * np.sum((depths - depths.mean()) ** 2)))
    if not (wall > 0 and error > 0):
        return None
    chance = min(1.0, TRIALS * float(stdtr(n - 1.0, -depth / error)))
    return Dip(float(whole[0]) / wall, error / wall, chance, radius)


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


def find_doubling(
    x: np.ndarray, y: np.ndarray, brightness: np.ndarray, star_px: float, bright: int = 100
) -> Doubling | None:
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
    mates = _second_images(points, brightness, dx, dy, np.exp(middle), tolerance)
    return Doubling(float(dx), float(dy), float(np.exp(middle)), float(share), mates)


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


def _second_images(
    points: np.ndarray, brightness: np.ndarray, dx: float, dy: float, ratio: float, tolerance: float
) -> np.ndarray:
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
