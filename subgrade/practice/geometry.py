"""Where the sky falls on the sensor, and where the target stands in the sky."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

from .scenario import SIDEREAL_ARCSEC_PER_S, Camera, Scenario, Site, Target


def pixels_per_arcsec(
    camera: Camera, scale_arcsec: float, flipped: bool = False, turn_deg: float = 180.0
) -> np.ndarray:
    """Matrix that turns a displacement (east, north) in arcsec into (x, y) in pixels.

    Parameters
    ----------
    camera : Camera
        Gives the direction of north and whether the picture is mirrored.
    scale_arcsec : float
        Arcseconds per pixel.
    flipped : bool
        Whether the mount stands on the other side of the pier.
    turn_deg : float
        How far the picture is turned there.

    Returns
    -------
    ndarray, shape (2, 2)
    """
    turn = np.deg2rad(camera.angle_deg + (turn_deg if flipped else 0.0))
    north = np.array([-np.sin(turn), np.cos(turn)])
    # Seen from inside the sphere, east is a quarter turn counter-clockwise of north.
    east = np.array([-np.cos(turn), -np.sin(turn)])
    if camera.mirrored:
        east = -east
    return np.column_stack([east, north]) / scale_arcsec


def unix_seconds(utc: str) -> float:
    """POSIX seconds of an ISO 8601 UTC time without zone."""
    return datetime.fromisoformat(utc).replace(tzinfo=UTC).timestamp()


def iso_utc(unix: float) -> str:
    """ISO 8601 UTC to the millisecond, without zone, as FITS wants it."""
    moment = datetime.fromtimestamp(round(unix, 3), UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}"


def hour_angle_deg(unix, site: Site, target: Target):
    """Hour angle, degrees, west positive.

    Mean sidereal time by the US Naval Observatory's short formula (from memory):
    GMST = 18.697374558 + 24.06570982441908 D hours, D days from 2000-01-01 12:00 UT.
    """
    days = (np.asarray(unix, float) - 946728000.0) / 86400.0
    gmst = 15.0 * (18.697374558 + 24.06570982441908 * days)
    return (gmst + site.longitude_deg - target.ra_deg + 180.0) % 360.0 - 180.0


def altitude_deg(unix, site: Site, target: Target):
    """Altitude above the horizon without refraction, degrees."""
    hour = np.deg2rad(hour_angle_deg(unix, site, target))
    lat, dec = np.deg2rad(site.latitude_deg), np.deg2rad(target.dec_deg)
    sine = np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour)
    return np.rad2deg(np.arcsin(sine))


def parallactic_deg(hour_deg, latitude_deg: float, dec_deg: float):
    """Position angle of the zenith, degrees north through east, 0 on the meridian south of it.

    tan q = sin h / (tan(latitude) cos(dec) - sin(dec) cos h) (Meeus, Astronomical Algorithms,
    ch. 14, from memory).

    Parameters
    ----------
    hour_deg : float or ndarray
        Hour angle, west positive.
    latitude_deg, dec_deg : float
    """
    h, lat, dec = (np.deg2rad(a) for a in (hour_deg, latitude_deg, dec_deg))
    across = np.tan(lat) * np.cos(dec) - np.sin(dec) * np.cos(h)
    return np.rad2deg(np.arctan2(np.sin(h), across))


def first_axis_cosine(scenario: Scenario, unix: float) -> float:
    """Arcsec on the sky for one of turn about the mount's first axis: cos dec, or cos altitude."""
    angle = scenario.target.dec_deg
    if scenario.mount.altazimuth:
        angle = altitude_deg(unix, scenario.site, scenario.target)
    return np.cos(np.deg2rad(angle))


def airmass(altitude):
    """Airmass at an altitude in degrees; Kasten & Young 1989 Appl. Opt. 28, 4735, at least 1."""
    h = np.maximum(np.asarray(altitude, float), 2.0)
    x = 1.0 / (np.sin(np.deg2rad(h)) + 0.50572 * (h + 6.07995) ** -1.6364)
    return np.maximum(x, 1.0)


def polar_rates(high_arcmin, east_arcmin, hour_deg, dec_deg, guided: bool = True):
    """Drift and rotation from a misaligned polar axis, first order.

    Parameters
    ----------
    high_arcmin, east_arcmin : float
        Axis too high, and too far east measured on the sky (northern hemisphere).
    hour_deg, dec_deg : float or ndarray
        Hour angle (west positive) and declination.
    guided : bool
        Whether a star in the field is held: each correction in right ascension turns the field.

    Returns
    -------
    east, north : ndarray
        Rate of a star in the mount's frame left to itself, arcsec per second on the sky.
    rotation : ndarray
        Turn of the field, north through east, arcsec per second: by 1 / cos(dec) of what it is
        about the celestial equator where guided, by cos(dec) of it where left to itself.

    Notes
    -----
    Derived from the pole's displacement and checked by rotation matrices; same
    small-angle theory as the pointing terms delta-dec = ME cos h + MA sin h (Wallace).
    """
    h, dec = np.deg2rad(hour_deg), np.deg2rad(dec_deg)
    a, e = np.deg2rad(high_arcmin / 60.0), np.deg2rad(east_arcmin / 60.0)
    w = SIDEREAL_ARCSEC_PER_S
    north = -w * (a * np.sin(h) + e * np.cos(h))
    cross = -w * (a * np.cos(h) - e * np.sin(h))
    turn = cross / np.cos(dec) if guided else cross * np.cos(dec)
    return cross * np.sin(dec), north, turn
