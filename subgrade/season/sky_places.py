"""Where target, Sun and Moon stood when a night's frames were taken, to 0.1 degrees."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.diagnosis import altitude_of, sun_and_moon, sun_and_moon_places
from subgrade.lights import airmass_formula
from subgrade.night import separation_deg
from subgrade.season.by_series import for_each_frame
from subgrade.season.model import NAN, GradedNight

LOWEST_DEG = 5.0
"""Altitude below which refraction and haze leave no meaningful airmass: a choice."""


@dataclass(frozen=True, slots=True)
class Places:
    """Degrees for each frame of a night, shape (n,); NaN where time, site or pointing is unknown.

    ``hour`` is the local mean solar time in hours from midnight, -12..12, UTC where the longitude
    is unknown (``local`` False); ``moon_lit`` the illuminated share of the Moon's disc.
    """

    altitude: np.ndarray
    hour: np.ndarray
    local: bool
    sun: np.ndarray
    moon: np.ndarray
    moon_lit: np.ndarray

    @property
    def airmass(self) -> np.ndarray:
        """Of the target; NaN below `LOWEST_DEG`."""
        return airmass_at(self.altitude)


def airmass_at(altitude_deg: np.ndarray) -> np.ndarray:
    """Airmass at an altitude above `LOWEST_DEG`, NaN below."""
    known = np.where(altitude_deg > LOWEST_DEG, altitude_deg, NAN)
    return airmass_formula(np.sin(np.radians(known)), known)


def places_of(night: GradedNight) -> Places:
    """Places of a night's frames at the middle of each exposure."""
    table = night.frames
    time = table.start_unix + 0.5 * np.nan_to_num(table.exposure_s)
    nothing = np.full(len(time), NAN)
    longitude, latitude = night.site_lon_deg, night.site_lat_deg
    local = math.isfinite(longitude)
    hour = (time / 3600.0 + (longitude / 15.0 if local else 0.0) + 12.0) % 24.0 - 12.0
    known = np.isfinite(time)
    if not (local and math.isfinite(latitude) and known.any()):
        return Places(nothing, hour, local, nothing, nothing, nothing)
    ra = for_each_frame(night, [series.ra_deg for series in night.series])
    dec = for_each_frame(night, [series.dec_deg for series in night.series])
    sun, moon, lit, altitude = (nothing.copy() for _ in range(4))
    time = time[known]
    sun[known], moon[known] = sun_and_moon(time, latitude, longitude)
    apart = separation_deg(*(np.degrees(v) for place in sun_and_moon_places(time) for v in place))
    lit[known] = 0.5 * (1.0 - np.cos(np.radians(apart)))
    pointing = np.radians([ra[known], dec[known]])
    altitude[known] = altitude_of(time, *pointing, latitude, longitude)
    return Places(altitude, hour, local, sun, moon, lit)
