"""The FITS file: what the standard names, and the fewest customary keywords grading needs."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np

from .exposure import Exposure
from .geometry import iso_utc
from .motion import Timeline
from .scenario import Scenario
from .sky_and_focus import Conditions

Cards = tuple[tuple[str, object, str], ...]


def header_cards(
    scenario: Scenario, line: Timeline, index: int, weather: Conditions, exposure: Exposure
) -> Cards:
    """Header cards (keyword, value, comment) of one frame.

    The pixel pitch is the one after binning or, where the scenario asks for it, that of the
    sensor's own pixels; files state either, and the comment says which it is here.
    docs/practice.md lists the keywords and what each is needed for.
    """
    camera, target, site = scenario.camera, scenario.target, scenario.site
    start = line.origin_unix + line.begin[index]
    unbinned = camera.header_pitch == "unbinned"
    pitch = round(camera.pixel_um / (camera.binning if unbinned else 1), 4)
    which = "[um] unbinned pixel pitch" if unbinned else "[um] pixel pitch after binning"
    cards = [
        ("OBJECT", target.name, "name of the target"),
        ("OBSTYPE", "OBJECT", "an exposure of the sky"),
        ("TIMESYS", "UTC", "time scale"),
        ("DATE-OBS", iso_utc(start), "start of the exposure"),
        ("DATE-AVG", iso_utc(start + exposure.seconds / 2), "middle of the exposure"),
        ("XPOSURE", exposure.seconds, "[s] exposure time"),
        ("FILTER", scenario.plan.filter, "filter"),
        ("OBSGEO-B", site.latitude_deg, "[deg] latitude of the site, north positive"),
        ("OBSGEO-L", site.longitude_deg, "[deg] longitude of the site, east positive"),
        ("OBSGEO-H", 0.0, "[m] height of the site"),
        ("RADESYS", "ICRS", "celestial reference system"),
        ("RA", round(target.ra_deg, 6), "[deg] right ascension of the field"),
        ("DEC", round(target.dec_deg, 6), "[deg] declination of the field"),
        ("AIRMASS", round(weather.airmass, 5), "relative optical path length"),
        ("CCDSUM", f"{camera.binning} {camera.binning}", "binning, columns and rows"),
        ("PIXSIZE1", pitch, which),
        ("PIXSIZE2", pitch, which),
        ("FOCALLEN", scenario.optics.focal_mm, "[mm] focal length"),
        ("SATURATE", _saturation(scenario), "[adu] saturation level"),
        ("OUTTEMP", round(weather.ambient_c, 2), "[degC] air temperature"),
        ("TELFOCUS", weather.focuser, "[step] focuser position"),
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
