"""The FITS file: standard and widely used header words only, never a program's own."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np

from .conditions import Conditions
from .exposure import Exposure
from .geometry import iso_utc
from .motion import Timeline
from .scenario import Scenario

Cards = tuple[tuple[str, object, str], ...]


def header_cards(
    scenario: Scenario, line: Timeline, index: int, weather: Conditions, exposure: Exposure
) -> Cards:
    """Header cards (keyword, value, comment) of one frame.

    The pitch XPIXSZ states what the sensor delivers after binning, as most
    files do; a scenario may ask for the unbinned pitch instead, because some do.
    """
    camera, target = scenario.camera, scenario.target
    start = line.origin_unix + line.begin[index]
    pitch = camera.pixel_um / (camera.binning if camera.header_pitch == "unbinned" else 1)
    cards = [
        ("IMAGETYP", "Light Frame", "kind of exposure"),
        ("OBJECT", target.name, "name of the target"),
        ("DATE-OBS", iso_utc(start), "start of the exposure, UTC"),
        ("DATE-AVG", iso_utc(start + exposure.seconds / 2), "middle of the exposure, UTC"),
        ("TIMESYS", "UTC", "time scale"),
        ("EXPTIME", exposure.seconds, "[s] exposure time"),
        ("FILTER", scenario.plan.filter, "filter"),
        ("XBINNING", camera.binning, "binning along x"),
        ("YBINNING", camera.binning, "binning along y"),
        ("XPIXSZ", round(pitch, 4), "[um] pixel pitch along x"),
        ("YPIXSZ", round(pitch, 4), "[um] pixel pitch along y"),
        ("FOCALLEN", scenario.optics.focal_mm, "[mm] focal length"),
        ("GAIN", 100, "camera gain setting"),
        ("EGAIN", camera.gain_e_per_adu, "[electron/adu] conversion"),
        ("CCD-TEMP", camera.temperature_c, "[degC] sensor temperature"),
        ("AMBTEMP", round(weather.ambient_c, 2), "[degC] air temperature"),
        ("FOCUSPOS", weather.focuser, "[step] focuser position"),
        ("PIERSIDE", "WEST" if exposure.flipped else "EAST", "side of pier"),
        ("RA", round(target.ra_deg, 6), "[deg] right ascension of the field"),
        ("DEC", round(target.dec_deg, 6), "[deg] declination of the field"),
        ("CENTALT", round(weather.altitude_deg, 4), "[deg] altitude of the field"),
        ("AIRMASS", round(weather.airmass, 5), "relative optical path length"),
        ("SITELAT", scenario.site.latitude_deg, "[deg] latitude, north positive"),
        ("SITELONG", scenario.site.longitude_deg, "[deg] longitude, east positive"),
        ("SATURATE", _saturation(scenario), "[adu] saturation level"),
    ]
    if camera.mosaic:
        cards.append(("BAYERPAT", camera.mosaic, "colour pattern from the first stored row"))
    if camera.wcs:
        cards += _solution(scenario, exposure)
    return tuple(cards)


def _saturation(scenario: Scenario) -> int:
    camera = scenario.camera
    return int(min(65535, camera.full_well_e / camera.gain_e_per_adu + camera.bias_adu))


def _solution(scenario: Scenario, exposure: Exposure) -> list[tuple[str, object, str]]:
    """A tangent-plane solution that follows the field's mean shift in this exposure."""
    shift = exposure.path.mean(axis=0) @ exposure.matrix.T
    x, y = exposure.centre + shift + 1.0
    cd = np.linalg.inv(exposure.matrix) / 3600.0
    return [
        ("CTYPE1", "RA---TAN", "projection"),
        ("CTYPE2", "DEC--TAN", "projection"),
        ("CRVAL1", scenario.target.ra_deg, "[deg] right ascension at the reference"),
        ("CRVAL2", scenario.target.dec_deg, "[deg] declination at the reference"),
        ("CRPIX1", float(x), "[px] reference column"),
        ("CRPIX2", float(y), "[px] reference row"),
        ("CD1_1", float(cd[0, 0]), "[deg/px]"),
        ("CD1_2", float(cd[0, 1]), "[deg/px]"),
        ("CD2_1", float(cd[1, 0]), "[deg/px]"),
        ("CD2_2", float(cd[1, 1]), "[deg/px]"),
    ]


def write_frame(
    path: Path, data: np.ndarray, cards: Cards, compress: bool = False, damaged: bool = False
) -> None:
    """Write a frame as 16-bit FITS; never over an existing file.

    Parameters
    ----------
    path : Path
    data : ndarray of uint16
    cards : header cards
    compress : bool
        Rice tile compression (lossless for whole numbers).
    damaged : bool
        Leave out the file's last third, as a full disk or a broken transfer does.
    """
    from astropy.io import fits

    header = fits.Header()
    for keyword, value, comment in cards:
        header[keyword] = (value, comment)
    if compress:
        second = fits.CompImageHDU(data, header, compression_type="RICE_1")
        parts = fits.HDUList([fits.PrimaryHDU(), second])
    else:
        parts = fits.HDUList([fits.PrimaryHDU(data, header)])
    buffer = io.BytesIO()
    parts.writeto(buffer)
    content = buffer.getvalue()
    if damaged:
        content = content[: 2 * len(content) // 3]
    with path.open("xb") as out:
        out.write(content)
