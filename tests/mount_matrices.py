"""A mount with a misaligned axis that follows the sky by exact rotations; no small-angle formula.

x points to hour angle 0 on the equator, y to the east, z to the pole; angles in radians.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

ARCMIN = np.pi / 10800.0
W = 2 * np.pi / 86164.0905
"""Turn of the sky, radians a second (mean sidereal day)."""


@dataclass(frozen=True)
class Seen:
    """Field of a mount over the night: hour angles, seconds, and what the sensor shows of it.

    ``east``, ``north`` are the way of the field's middle, arcsec; ``turn`` its turn, radians,
    north through east.
    """

    hour: np.ndarray
    time: np.ndarray
    east: np.ndarray
    north: np.ndarray
    turn: np.ndarray


def place(hour: float, dec: float) -> np.ndarray:
    """Unit vector of a star that stands at an hour angle."""
    return np.array([np.cos(dec) * np.cos(hour), -np.cos(dec) * np.sin(hour), np.sin(dec)])


def follow(high: float, east: float, hour: float, dec: float, seconds, guided: bool) -> Seen:
    """Follow a field from hour angle ``hour`` on with an axis that is arcminutes off the pole.

    The mount turns about its own axis at the sidereal rate.  Guided, it also turns about that
    axis and about its declination axis to bring the star in the field's middle back.
    """
    axis = np.array([high * ARCMIN, east * ARCMIN, 1.0])
    axis /= np.linalg.norm(axis)
    seconds = np.asarray(seconds, float)
    middle = place(hour, dec)
    # The axes of the sensor at the start: declination and right ascension of the mount.
    east_way = np.cross(axis, middle)
    east_way /= np.linalg.norm(east_way)
    north_way = np.cross(middle, east_way)
    other = middle + 1e-5 * north_way
    rows = []
    for t in seconds:
        sky = Rotation.from_rotvec([0, 0, -W * t])
        back = Rotation.from_rotvec(axis * W * t)
        star, beside = (back.apply(sky.apply(v)) for v in (middle, other))
        if guided:
            star, beside = _brought_back(star, beside, middle, axis)
        offset = beside - star
        turned = np.arctan2(offset @ east_way, offset @ north_way)
        rows.append(((star - middle) @ east_way, (star - middle) @ north_way, turned))
    x, y, turn = np.array(rows).T
    x, y = (v / np.pi * 648000.0 for v in (x, y))
    return Seen(hour + W * seconds, seconds, x, y, np.unwrap(turn))


def _brought_back(star, beside, middle, axis):
    """Corrections about the mount's two axes, right ascension first, then declination."""
    for _ in range(3):
        east_way = np.cross(axis, star)
        off = (star - middle) @ east_way / (east_way @ east_way)
        ra = Rotation.from_rotvec(-off * axis)
        star, beside = ra.apply(star), ra.apply(beside)
        hinge = np.cross(axis, star)
        hinge /= np.linalg.norm(hinge)
        off = np.arcsin(star @ axis) - np.arcsin(middle @ axis)
        # A turn about east lowers the declination.
        dec = Rotation.from_rotvec(off * hinge)
        star, beside = dec.apply(star), dec.apply(beside)
    return star, beside
