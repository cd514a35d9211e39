"""Where target, Sun and Moon stood when a night's frames were taken.

Target by hour angle and declination; Sun and Moon from the SOFA routines epv00 and moon98 turned
to the equator of date (pmat06), UTC taken for the other time scales: good to 0.1 degrees, and
nothing has to be fetched.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.season.by_series import for_each_frame
from subgrade.season.model import NAN, GradedNight

DARK_DEG = -18.0
"""The Sun below this leaves the sky dark: astronomical twilight by definition."""


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
        """Of the target; NaN below 5 degrees."""
        return airmass_at(self.altitude)


def airmass_at(altitude_deg: np.ndarray) -> np.ndarray:
    """Airmass at an altitude above 5 degrees, NaN below.

    Kasten & Young 1989, Applied Optics 28, 4735, eq. 3 (from memory).
    """
    h = np.where(altitude_deg > 5.0, altitude_deg, NAN)
    return 1.0 / (np.sin(np.radians(h)) + 0.50572 * (h + 6.07995) ** -1.6364)


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
    sun, moon = (nothing.copy() for _ in range(2))
    lit, altitude = nothing.copy(), nothing.copy()
    bodies = _sun_and_moon(time[known])
    sun[known] = _altitude(time[known], *bodies[0], latitude, longitude)
    high = _altitude(time[known], *bodies[1], latitude, longitude)
    moon[known] = high - 0.95 * np.cos(np.radians(high))  # its parallax
    lit[known] = 0.5 * (1.0 - np.cos(np.radians(_apart(*bodies[0], *bodies[1]))))
    altitude[known] = _altitude(time[known], ra[known], dec[known], latitude, longitude)
    return Places(altitude, hour, local, sun, moon, lit)


def _sun_and_moon(unix: np.ndarray):
    """(ra, dec) of Sun and Moon, degrees, equator of date."""
    import erfa

    day = unix / 86400.0
    earth, _ = erfa.epv00(2440587.5, day)
    turned = erfa.pmat06(2440587.5, day)
    out = []
    for place in (-earth["p"], erfa.moon98(2440587.5, day)["p"]):
        ra, dec = erfa.c2s(np.einsum("...ij,...j->...i", turned, place))
        out.append((np.degrees(ra), np.degrees(dec)))
    return out


def _altitude(unix, ra_deg, dec_deg, latitude_deg: float, longitude_deg: float) -> np.ndarray:
    from subgrade.guiding import hour_angles

    hour = np.radians(hour_angles(unix, longitude_deg, ra_deg))
    lat, dec = math.radians(latitude_deg), np.radians(dec_deg)
    sine = np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour)
    return np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))


def _apart(ra1, dec1, ra2, dec2) -> np.ndarray:
    """Angle between two directions, degrees."""
    a, b, c, d = (np.radians(v) for v in (ra1, dec1, ra2, dec2))
    cosine = np.sin(b) * np.sin(d) + np.cos(b) * np.cos(d) * np.cos(a - c)
    return np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
