"""Header keywords turned into `HeaderFacts`.

Keywords outside the FITS standard follow common practice, no source; each fact
is tried under its spellings in order, and a value that makes no sense is passed
over with a note.
"""

from __future__ import annotations

import math
import re

from subgrade.lights.exposure_times import exposure_times, time_unit
from subgrade.lights.header_angles import degrees, longitude, right_ascension
from subgrade.lights.header_cards import Cards
from subgrade.lights.model import HeaderFacts
from subgrade.lights.mosaic import header_mosaic
from subgrade.lights.sky_orientation import header_optics

SPELLINGS: dict[str, tuple[str, ...]] = {
    "frame_type": (
        "IMAGETYP",
        "IMAGETYPE",
        "FRAME",
        "FRAMETYP",
        "FRAMETYPE",
        "IMGTYPE",
        "OBSTYPE",
    ),
    "frame_type as a number": ("PICTTYPE",),
    "frames in a stack": ("NCOMBINE", "STACKCNT", "NSTACK", "NUMSTACK"),
    "target": ("OBJECT", "TARGET", "OBJNAME", "TARGNAME"),
    "named_kind": ("OBJECT", "TARGET", "OBJNAME", "TARGNAME", "FIELD"),
    "filter": ("FILTER", "FILTER1", "FILTERS", "FILT", "FILTNAM", "FILTERID"),
    "exposure_s": (
        "XPOSURE",
        "EXPTIME",
        "EXPOSURE",
        "EXP_TIME",
        "EXPOSURETIME",
        "ITIME",
        "INTTIME",
    ),
    "exposure_s in ms": (
        "EXPTIMEMS",
        "EXPTIME_MS",
        "EXP_MS",
        "EXPOSURE_MS",
        "EXPOSUREMS",
        "EXPMS",
    ),
    "camera": ("INSTRUME", "CAMERA", "CAMERAID", "DETECTOR"),
    "gain": ("GAIN",),
    "electrons_per_adu": ("EGAIN", "E-GAIN"),
    "offset": ("OFFSET", "BLKLEVEL"),
    "temperature_c": (
        "CCD-TEMP",
        "CCDTEMP",
        "CCD_TEMP",
        "DET-TEMP",
        "DETTEMP",
        "SENSTEMP",
        "CAMTEMP",
        "CCD-TEM",
        "TEMPERAT",
        "SET-TEMP",
    ),
    "ambient_c": (
        "AMBTEMP",
        "AMB-TEMP",
        "AMBIENT",
        "TEMPAMB",
        "OUTTEMP",
        "ENVTEMP",
        "FOCTEMP",
        "FOCUSTEM",
    ),
    "focuser_steps": ("FOCPOS", "FOCUSPOS", "FOC-POS", "FOCSTEP", "TELFOCUS"),
    "pier_side": ("PIERSIDE", "PIER-SIDE", "PIER", "SIDEPIER"),
    "altitude_deg": ("CENTALT", "OBJCTALT", "TELALT", "ALTITUDE", "ALT"),
    "zenith distance": ("ZD", "ZENDIST", "ZENITHD"),
    "azimuth_deg": ("CENTAZ", "OBJCTAZ", "AZIMUTH", "TELAZ", "AZ"),
    "airmass": ("AIRMASS", "SECZ", "AMASS", "AMSTART"),
    "ra_deg": ("RA", "RA_OBS", "OBJCTRA", "TELRA", "RA-OBS", "RA_TEL"),
    "dec_deg": ("DEC", "DEC_OBS", "OBJCTDEC", "TELDEC", "DEC-OBS", "DEC_TEL"),
    "site_lat_deg": ("SITELAT", "OBSGEO-B", "LAT-OBS", "OBS-LAT", "LATITUDE", "GEOLAT"),
    "site_lon_deg": ("SITELONG", "OBSGEO-L", "LONG-OBS", "OBS-LONG", "LONGITUD", "GEOLON"),
    "saturation_adu": ("SATURATE", "SATLEVEL", "SATURATN", "MAXADU", "ADUMAX"),
    "saturation_adu or brightest pixel": ("DATAMAX",),
}
"""Keywords of each fact, in the order they are asked; docs/reading.md shows this table.

Elsewhere are those of what takes more than one keyword: times (DATE-OBS, MJD-OBS, TELAPSE, ...)
in `exposure_times`; pixel size, focal length, binning, scale and WCS (XPIXSZ, FOCALLEN,
XBINNING, CD1_1, ...) in `sky_orientation`; the colour pattern (BAYERPAT, ROWORDER, ...) in
`mosaic`; form and scaling of the pixels (BITPIX, BZERO, ...) in `fits_files`.
"""
_TYPE_NUMBERS = {1: "light", 2: "bias", 3: "dark", 4: "flat", 5: "light"}
_KIND_WORD = re.compile(r"(flat|dark|bias)(?:es|s)?")
_WORDS = (
    "flat dark bias frame frames field dither dithers sky twilight dusk dawn dome panel screen "
    "evening morning sec secs s ms c deg gain offset bin x cal calib calibration lum luminance "
    "l r g b h o ha oiii sii red green blue"
)
_BESIDE_KIND = frozenset(_WORDS.split())
"""Words of how, for which filter and how long a calibration frame was taken; common practice."""
_PER_UNIT = (
    (re.compile(r"\bms\b|\bmsec|millisec", re.I), 1e-3),
    (re.compile(r"\bus\b|µs|\busec|microsec", re.I), 1e-6),
    (re.compile(r"\[min\]|\bminutes?\b", re.I), 60.0),
)


def header_facts(
    cards: Cards,
    shape: tuple[int, int],
    *,
    colour: bool = False,
    scale: float | None = None,
    exposure: float | None = None,
) -> HeaderFacts:
    """Read a header.

    Parameters
    ----------
    cards : Cards
    shape : tuple of int
        (height, width) of the stored plane.
    colour : bool
        Whether the file holds three colour planes.
    scale : float, optional
        Arcsec per pixel that overrides the header's.
    exposure : float, optional
        Seconds, where the header states no exposure time.

    Returns
    -------
    HeaderFacts
    """
    notes: list[str] = []
    frame_type, type_stated = _header_frame_type(cards, notes)
    stated = _header_exposure(cards, notes)
    if stated is None and exposure is not None:
        notes.append(f"the header states no exposure time: {exposure:g} s as given")
    exposure = exposure if stated is None else stated
    times = exposure_times(cards, exposure)
    optics = header_optics(cards, shape, scale, notes)
    altitude = _altitude(cards)
    ra, dec = _pointing(cards, optics.centre)
    return HeaderFacts(
        frame_type=frame_type,
        frame_type_stated=type_stated,
        named_kind=_named_kind(cards) if frame_type == "light" else None,
        target=cards.text(*SPELLINGS["target"]),
        filter=cards.text(*SPELLINGS["filter"]),
        exposure_s=exposure,
        elapsed_s=times.elapsed_s,
        start_utc=times.start_utc,
        mid_utc=times.mid_utc,
        start_unix=times.start_unix,
        mid_unix=times.mid_unix,
        start_local=times.start_local,
        time_source=times.source,
        camera=cards.text(*SPELLINGS["camera"]),
        gain=cards.number(*SPELLINGS["gain"]),
        electrons_per_adu=_electrons_per_adu(cards),
        offset=cards.number(*SPELLINGS["offset"]),
        temperature_c=_temperature(cards, notes),
        ambient_c=cards.number(*SPELLINGS["ambient_c"]),
        focuser_steps=cards.number(*SPELLINGS["focuser_steps"]),
        pier_side=_pier_side(cards),
        altitude_deg=altitude,
        azimuth_deg=degrees(cards, 360.0, *SPELLINGS["azimuth_deg"]),
        airmass=_airmass(cards, altitude),
        ra_deg=ra,
        dec_deg=dec,
        site_lat_deg=degrees(cards, 90.0, *SPELLINGS["site_lat_deg"]),
        site_lon_deg=longitude(cards, *SPELLINGS["site_lon_deg"]),
        pixel_um=optics.pixel_um,
        focal_mm=optics.focal_mm,
        binning=optics.binning,
        mosaic=header_mosaic(cards, shape[0], colour, notes),
        saturation_adu=_header_saturation(cards),
        scale_arcsec=optics.scale_arcsec,
        scale_source=optics.scale_source,
        sky_axes=optics.sky_axes,
        notes=(*notes, *times.notes),
    )


def _header_frame_type(cards: Cards, notes: list[str]) -> tuple[str, bool]:
    """Kind of frame and whether the header states it; see `HeaderFacts.frame_type`."""
    count, key = cards.number_and_key(*SPELLINGS["frames in a stack"])
    if count is not None and count > 1:
        notes.append(f"{key} = {count:g}: a stack of frames")
        return "other", True
    number = cards.whole(*SPELLINGS["frame_type as a number"])
    for name in SPELLINGS["frame_type"]:
        text = cards.text(name)
        if text is None:
            continue
        kind = frame_type_of(text)
        if kind is not None:
            return kind, True
        notes.append(f"{name} = {text!r} is not a known frame type: taken as a light")
        return "light", False
    if number in _TYPE_NUMBERS:
        return _TYPE_NUMBERS[number], True
    kind = frame_type_of(cards.text("OBJECT") or "", whole=True)
    if kind in ("dark", "bias", "flat"):
        notes.append(f"OBJECT = {cards.text('OBJECT')!r}: taken as a {kind}")
        return kind, False
    return "light", False


def frame_type_of(text: str, whole: bool = False) -> str | None:
    """Kind of frame that a word names, None for an unknown word.

    Parameters
    ----------
    text : str
    whole : bool
        Let only a text that is nothing but the word count.
    """
    words = set(re.findall(r"[a-z]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", text).lower()))
    if whole:
        words -= {"frame", "frames"}
        if len(words) != 1:
            return None
    whole_image = {"stack", "stacked", "integration", "integrated", "combined", "coadd"}
    if words & whole_image or any("master" in word for word in words):
        return "other"
    if words & {"focus", "focusing", "pointing", "test", "acquisition"}:
        return "other"
    if words & {"zero", "offset"} or any("bias" in word for word in words):
        return "bias"
    if any("dark" in word for word in words):  # a dark taken for the flats is a dark too
        return "dark"
    if "twilight" in words or any("flat" in word for word in words):
        return "flat"
    if words & {"align", "solve", "guide", "preview", "snapshot", "arc", "lamp"}:
        return "other"
    if words & {"object", "science", "sci", "target", "exposure"}:
        return "light"
    if any(word.startswith("light") for word in words):
        return "light"
    return None


def calibration_named(text: str) -> str | None:
    """``flat``, ``dark`` or ``bias`` for a name of nothing but a calibration frame.

    Beside the kind there may stand how, for which filter and how long it was taken
    (``FlatDither00``, ``dark_300s_-10C_0007``); ``Dark Shark`` is a nebula.
    """
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text).lower()
    words = set(re.findall(r"[^\W\d_]+", _KIND_WORD.sub(r" \1 ", parted)))
    found = [kind for kind in ("dark", "flat", "bias") if kind in words]
    # a dark taken for the flats is a dark
    return found[0] if found and words <= _BESIDE_KIND else None


def _named_kind(cards: Cards) -> tuple[str, str] | None:
    for key in SPELLINGS["named_kind"]:
        text = cards.text(key)
        if text and (kind := calibration_named(text)):
            return kind, f"{key} = {text!r}"
    return None


def _header_exposure(cards: Cards, notes: list[str]) -> float | None:
    """Exposure time in seconds; the unit may stand in keyword, value or comment."""
    in_ms = SPELLINGS["exposure_s in ms"]
    for key in (*SPELLINGS["exposure_s"], *in_ms):
        value = cards.number(key)
        if value is None:
            if isinstance(cards.get(key), str):
                notes.append(f"{key} = {cards.get(key)!r} is not a number")
            continue
        text = str(cards.get(key))
        fraction = re.match(r"\s*(\d+)\s*/\s*(\d+)", text)
        if fraction and int(fraction.group(2)):
            value = int(fraction.group(1)) / int(fraction.group(2))
        factor = 1e-3 if key in in_ms else _unit(text, cards, key)
        if "," in text:
            notes.append(f"{key} has a comma for the decimal point")
        if 0.0 <= value * factor < 1e6:
            return value * factor
        notes.append(f"{key} = {cards.get(key)} is not an exposure time")
    return None


def _unit(text: str, cards: Cards, key: str) -> float:
    """Seconds in the unit that the value's text or the comment names."""
    if key == "XPOSURE":
        return time_unit(cards)
    for where in (text, cards.comment(key)):
        if re.search(r"\[s\]|\bseconds?\b|\bsecs?\b", where, re.I):
            return 1.0
        for pattern, factor in _PER_UNIT:
            if pattern.search(where):
                return factor
    return 1.0


def _header_saturation(cards: Cards) -> float | None:
    """Level at which pixels are full, ADU."""
    # DATAMAX counts only where its comment says so or it is just under a power of two: many files
    # hold the brightest pixel of the frame there
    value = cards.number(*SPELLINGS["saturation_adu"])
    if value is not None and value > 0.0:
        return value
    value = cards.number("DATAMAX")
    if value is None or value <= 0.0:
        return None
    full = any(0.99 * 2**bits <= value <= 2**bits for bits in range(8, 17))
    return value if full or re.search(r"satur|full|clip", cards.comment("DATAMAX"), re.I) else None


def airmass_of_altitude(altitude_deg: float) -> float:
    """Airmass at an apparent altitude (degrees), 1 or more."""
    return max(1.0, airmass_formula(math.sin(math.radians(altitude_deg)), altitude_deg))


def airmass_formula(sine: float, altitude_deg: float) -> float:
    """Airmass at an apparent altitude and its sine, down to the horizon; arrays as well.

    References
    ----------
    Kasten & Young 1989, Applied Optics 28, 4735.
    """
    return 1.0 / (sine + 0.50572 * (altitude_deg + 6.07995) ** -1.6364)


def _airmass(cards: Cards, altitude: float | None) -> float | None:
    for key in SPELLINGS["airmass"]:
        value = cards.number(key)
        if value is not None and 0.99 <= value <= 40.0:
            return max(1.0, value)
    return airmass_of_altitude(altitude) if altitude is not None and altitude > 0.0 else None


def _altitude(cards: Cards) -> float | None:
    for key in SPELLINGS["altitude_deg"]:
        if re.search(
            r"\[m\]|met(?:er|re)s|sea level|site|elevation above", cards.comment(key), re.I
        ):
            continue  # the observer's height above the sea
        value = degrees(cards, 90.0, key)
        if value is not None:
            return value
    zenith = degrees(cards, 90.0, *SPELLINGS["zenith distance"])
    return None if zenith is None else 90.0 - abs(zenith)


def _pointing(
    cards: Cards, centre: tuple[float, float] | None
) -> tuple[float | None, float | None]:
    if centre is not None:
        return centre
    for ra_key, dec_key in zip(SPELLINGS["ra_deg"], SPELLINGS["dec_deg"], strict=True):
        ra, dec = right_ascension(cards, ra_key), degrees(cards, 90.0, dec_key)
        if ra is not None and dec is not None:
            return ra, dec
    return None, None


def _pier_side(cards: Cards) -> str | None:
    text = (cards.text(*SPELLINGS["pier_side"]) or "").lower()
    for side in ("east", "west"):
        if side in text or text == side[0]:
            return side
    return None


def _electrons_per_adu(cards: Cards) -> float | None:
    value = cards.number(*SPELLINGS["electrons_per_adu"])
    if value is None and re.search(r"e-?\s*/\s*(adu|dn)|electrons", cards.comment("GAIN"), re.I):
        value = cards.number("GAIN")
    return value if value is not None and 0.0 < value < 1000.0 else None


def _temperature(cards: Cards, notes: list[str]) -> float | None:
    """Of the sensor, degrees Celsius."""
    for key in SPELLINGS["temperature_c"]:
        value = cards.number(key)
        if value is None:
            continue
        kelvin = value > 100.0 or re.search(r"\[k\]|kelvin", cards.comment(key), re.I)
        celsius = value - 273.15 if kelvin else value
        if not -273.15 <= celsius <= 100.0:
            notes.append(f"{key} = {value:g} is not a temperature")
            continue
        if kelvin:
            notes.append(f"{key} = {value:g} was read as kelvin")
        return round(celsius, 6)
    return None
