"""Header facts: units, spellings, nonsense, scale and orientation, mosaic."""

from __future__ import annotations

import hashlib
import re

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import Angle, SkyCoord
from astropy.io import fits
from astropy.wcs import WCS

from subgrade.lights import green_parity, is_light, read_facts
from subgrade.lights.header_angles import degrees, longitude, right_ascension, sexagesimal
from subgrade.lights.header_cards import Cards
from subgrade.lights.header_facts import (
    SPELLINGS,
    airmass_of_altitude,
    frame_type_of,
    header_facts,
)
from subgrade.lights.mosaic import PATTERNS, pattern_word
from subgrade.lights.sky_orientation import scale_of_optics
from subgrade.stars import MEASURE_VERSION
from tests.test_lights_times import real_frame

SHAPE = (100, 150)


def cards_of(**items):
    """A header; a value may be (value, comment); ``_`` in a name other than a WCS's is ``-``."""
    return Cards(
        {
            key if re.match(r"(CD|PC)\d_|[AB]_", key) else key.replace("_", "-"): value
            if isinstance(value, tuple)
            else (value, "")
            for key, value in items.items()
        }
    )


def facts_of(shape=SHAPE, scale=None, colour=False, **items):
    return header_facts(cards_of(**items), shape, scale=scale, colour=colour)


def test_silent_header():
    facts = facts_of()
    assert facts.frame_type == "light"
    assert not facts.frame_type_stated
    assert is_light(facts)
    assert (facts.exposure_s, facts.scale_arcsec, facts.mosaic, facts.notes) == (None,) * 3 + ((),)


@pytest.mark.parametrize(
    ("word", "kind"),
    [
        ("LIGHT", "light"),
        ("Light Frame", "light"),
        ("object", "light"),
        ("Science", "light"),
        ("Dark Frame", "dark"),
        ("DARK", "dark"),
        ("DarkFlat", "dark"),
        ("Flat Dark", "dark"),
        ("FLATDARK", "dark"),
        ("Bias Frame", "bias"),
        ("zero", "bias"),
        ("Flat Field", "flat"),
        ("SKYFLAT", "flat"),
        ("dome flat", "flat"),
        ("Master Dark", "other"),
        ("masterFlat", "other"),
        ("MasterLight", "other"),
        ("stack", "other"),
        ("Focus", "other"),
        ("snapshot", "other"),
        ("gobbledygook", None),
    ],
)
def test_frame_type_words(word, kind):
    assert frame_type_of(word) == kind
    facts = facts_of(IMAGETYP=word)
    assert facts.frame_type == (kind or "light")
    assert facts.frame_type_stated == (kind is not None)
    assert is_light(facts) == (kind in (None, "light"))


def test_frame_type_from_elsewhere():
    assert facts_of(PICTTYPE=3).frame_type == "dark"
    assert facts_of(OBJECT="Flat").frame_type == "flat"
    assert facts_of(OBJECT="Dark Doodad").frame_type == "light"
    assert facts_of(OBJECT="Flat").notes
    assert facts_of(IMAGETYP="LIGHT", NCOMBINE=20).frame_type == "other"
    assert facts_of(IMAGETYP="LIGHT", STACKCNT=1).frame_type == "light"


@pytest.mark.parametrize(
    ("items", "seconds"),
    [
        ({"EXPTIME": 300.0}, 300.0),
        ({"EXPOSURE": 2}, 2.0),
        ({"XPOSURE": 9.5, "EXPTIME": 10.0}, 9.5),
        ({"XPOSURE": 0.5, "TIMEUNIT": "min"}, 30.0),
        ({"EXPTIME": (1500, "[ms] exposure")}, 1.5),
        ({"EXPTIME": (1500, "exposure in milliseconds")}, 1.5),
        ({"EXPTIME": (32000000, "microseconds")}, 32.0),
        ({"EXPTIME": (2, "[min]")}, 120.0),
        ({"EXPTIME": (30, "exposure in seconds, not ms")}, 30.0),
        ({"EXPTIMEMS": 1500}, 1.5),
        ({"EXPTIME": "300 s"}, 300.0),
        ({"EXPTIME": "250 ms"}, 0.25),
        ({"EXPTIME": "1/50"}, 0.02),
        ({"EXPTIME": "10,5"}, 10.5),
        ({"EXPTIME": -1.0}, None),
        ({"EXPTIME": float("nan")}, None),
        ({"EXPTIME": "N/A", "EXPOSURE": 60}, 60.0),
        ({"EXPTIME": -1.0, "EXPOSURE": 60}, 60.0),
        ({"EXPTIME": True}, None),
    ],
)
def test_exposure(items, seconds):
    assert facts_of(**items).exposure_s == (None if seconds is None else pytest.approx(seconds))


def test_plain_facts():
    facts = facts_of(
        OBJECT="M 27",
        FILTER="Ha",
        INSTRUME="Invented 26C",
        GAIN=100,
        OFFSET=50,
        EGAIN=0.25,
        CCD_TEMP=-10.0,
        AMBTEMP=7.5,
        FOCPOS=12345,
        PIERSIDE="West",
        CENTALT=60.0,
        CENTAZ=210.0,
        RA=299.9,
        DEC=22.72,
        SITELAT=48.1,
        SITELONG=11.6,
    )
    assert (facts.target, facts.filter, facts.camera) == ("M 27", "Ha", "Invented 26C")
    assert (facts.gain, facts.electrons_per_adu, facts.offset) == (100.0, 0.25, 50.0)
    assert (facts.temperature_c, facts.ambient_c, facts.focuser_steps) == (-10.0, 7.5, 12345.0)
    assert facts_of(TELFOCUS=12345).focuser_steps == 12345.0
    assert (facts.pier_side, facts.altitude_deg, facts.azimuth_deg) == ("west", 60.0, 210.0)
    assert (facts.ra_deg, facts.dec_deg) == (299.9, 22.72)
    assert (facts.site_lat_deg, facts.site_lon_deg) == (48.1, pytest.approx(11.6))
    # Kasten & Young 1989 at 30 deg from the zenith (published_checks 5)
    assert facts.airmass == pytest.approx(1.153992, abs=1e-6)


@pytest.mark.parametrize(
    ("zenith", "airmass"),
    [(0, 1.0), (30, 1.153992), (60, 1.994293), (75, 3.812912), (85, 10.305791), (90, 37.919608)],
)
def test_airmass_of_kasten_and_young(zenith, airmass):
    """Table of published_checks 5; the formula is 0.9997 at the zenith and clamped."""
    assert airmass_of_altitude(90.0 - zenith) == pytest.approx(airmass, abs=1e-5)


def test_heights_are_told_apart():
    assert facts_of(ALTITUDE=(520.0, "[m] above sea level")).altitude_deg is None
    assert facts_of(ALTITUDE=(52.0, "site elevation")).altitude_deg is None
    assert facts_of(ALTITUDE=(52.0, "[deg]")).altitude_deg == 52.0
    assert facts_of(ZD=(30.0, "zenith distance")).altitude_deg == 60.0
    assert facts_of(OBJCTALT="45 30 00").altitude_deg == 45.5


def test_temperatures():
    assert facts_of(CCD_TEMP=263.15).temperature_c == pytest.approx(-10.0)
    assert facts_of(CCD_TEMP="-10,0 C").temperature_c == -10.0
    assert facts_of(CCD_TEMP="N/A").temperature_c is None
    assert facts_of(CCD_TEMP=-999.0).temperature_c is None


def test_a_sensor_temperature_is_read_from_the_next_keyword_where_the_first_holds_none():
    alone = facts_of(SENSTEMP=-12.5)
    assert (alone.temperature_c, alone.ambient_c) == (-12.5, None)
    assert facts_of(CCD_TEMP=-10.0, SENSTEMP=-12.5).temperature_c == -10.0
    assert facts_of(CCD_TEMP="N/A", SENSTEMP=-12.5).temperature_c == -12.5
    nonsense = facts_of(CCD_TEMP=-999.0, SENSTEMP=-12.5)
    assert nonsense.temperature_c == -12.5
    assert "CCD-TEMP = -999 is not a temperature" in nonsense.notes


SINCE_VERSION, DIGEST = 15, "b407c8441af54a1c"


def test_a_change_of_what_headers_give_raises_the_measuring_version():
    """Facts are kept with the measurements: raise MEASURE_VERSION, put it and the digest here."""
    rich = facts_of(
        IMAGETYP="Light Frame",
        OBJECT="M 33",
        FILTER="Ha",
        EXPTIME=(300, "[s]"),
        TELAPSE=301.5,
        DATE_OBS="2030-03-17T20:15:30.25",
        INSTRUME="camera",
        GAIN=(1.2, "e-/ADU"),
        OFFSET=50,
        CCD_TEMP=-999.0,
        SET_TEMP=-10.0,
        AMBTEMP=4.5,
        FOCPOS=12345,
        PIERSIDE="West",
        OBJCTALT="51 30 00",
        OBJCTAZ="182 15 00",
        RA=(23.4621, "deg"),
        DEC=30.6599,
        AIRMASS=1.27,
        SITELAT="+48 10 00",
        SITELONG="11 30 00 E",
        SATURATE=65535,
        XPIXSZ=7.52,
        FOCALLEN=800,
        XBINNING=2,
        YBINNING=2,
        BAYERPAT="RGGB",
        ROWORDER="TOP-DOWN",
        XBAYROFF=1,
    )
    odd = facts_of(CCD_TEMP=(263.15, "[K]"), EXPTIME="250 ms", IMAGETYP="?", DATAMAX=65000)
    digest = hashlib.sha256(repr((SPELLINGS, rich, odd)).encode()).hexdigest()[:16]
    assert MEASURE_VERSION >= SINCE_VERSION
    assert digest == DIGEST, f"raise MEASURE_VERSION above {SINCE_VERSION}; digest {digest}"


def test_no_keyword_stands_for_two_facts():
    """But the target's, which may also name a kind of frame."""
    keys = [key for fact, keys in SPELLINGS.items() if fact != "named_kind" for key in keys]
    assert len(keys) == len(set(keys))


def test_pier_side_words():
    for text, side in (("pierEast", "east"), ("W", "west"), ("Unknown", None), ("", None)):
        assert facts_of(PIERSIDE=text).pier_side == side


def test_electrons_per_adu_needs_its_unit():
    assert facts_of(GAIN=(1.9, "e-/ADU")).electrons_per_adu == 1.9
    assert facts_of(GAIN=(200, "sensor gain")).electrons_per_adu is None


@pytest.mark.parametrize(
    ("text", "value"),
    [("-00:55:31", -0.9252777778), ("+51 30 00", 51.5), ("12h30m", 12.5), ("5.25", 5.25)],
)
def test_sexagesimal_against_astropy(text, value):
    assert sexagesimal(text)[0] == pytest.approx(value, abs=1e-9)
    if "h" not in text:
        expected = Angle(text, unit=u.deg).deg
        assert degrees(Cards({"DEC": (text, "")}), 90.0, "DEC") == pytest.approx(expected)


@pytest.mark.parametrize(
    ("value", "comment", "expected"),
    [
        (" 22:04:08", "ra", 331.0333333),
        ("22 04 08", "", 331.0333333),
        ("331.0333", "", 331.0333),
        (331.0333, "[deg]", 331.0333),
        (22.0689, "[hours]", 331.0335),
        ("22h04m08s", "", 331.0333333),
        ("331d02m00s", "", 331.0333333),
        ("nowhere", "", None),
        (-999.0, "", None),
    ],
)
def test_right_ascension(value, comment, expected):
    found = right_ascension(Cards({"RA": (value, comment)}), "RA")
    assert found == (None if expected is None else pytest.approx(expected, abs=1e-5))


@pytest.mark.parametrize(
    ("value", "comment", "expected"),
    [
        (-117.682, "", -117.682),
        (242.318, "", -117.682),
        ("-117 40 55.2", "", -117.682),
        ("117 40 55.2 W", "", -117.682),
        ("W 117 40 55.2", "", -117.682),
        ("E 11.6", "", 11.6),
        (117.682, "degrees, west positive", -117.682),
        (-117.682, "west negative", -117.682),
        (180.0, "", 180.0),
        ("unknown", "", None),
    ],
)
def test_longitude(value, comment, expected):
    found = longitude(Cards({"SITELONG": (value, comment)}), "SITELONG")
    assert found == (None if expected is None else pytest.approx(expected, abs=1e-9))


def test_latitude_south():
    assert facts_of(SITELAT="32 22 46 S").site_lat_deg == pytest.approx(-32.379444, abs=1e-6)


@pytest.mark.parametrize(
    ("items", "level"),
    [
        ({"SATURATE": 60000}, 60000.0),
        ({"DATAMAX": 65535}, 65535.0),
        ({"DATAMAX": 16383}, 16383.0),
        ({"DATAMAX": 31648.0}, None),
        ({"DATAMAX": (31648.0, "saturation level")}, 31648.0),
        ({"SATURATE": -1, "DATAMAX": 4095}, 4095.0),
    ],
)
def test_saturation(items, level):
    assert facts_of(**items).saturation_adu == level


@pytest.mark.parametrize(
    ("pixel", "focal", "scale"),
    [
        (3.75, 1154, 0.670271),
        (3.76, 530, 1.463313),
        (3.76, 1000, 0.775556),
        (9, 2000, 0.928192),
        (4.63, 135, 7.074119),
    ],
)
def test_scale_of_pixel_and_focal_length(pixel, focal, scale):
    """206.264806 x um / mm (published_checks 6)."""
    assert scale_of_optics(pixel, focal) == pytest.approx(scale, abs=1e-5)
    facts = facts_of(XPIXSZ=pixel, FOCALLEN=focal)
    assert facts.scale_arcsec == pytest.approx(scale, abs=1e-5)
    assert facts.scale_source == "header"


def test_scale_of_one_colour_plane_of_a_mosaic():
    """published_checks 6: 2 x 0.670271 = 1.340543 arcsec/px."""
    facts = read_facts(real_frame("astrowisp", "tests", "test_data", "XO1_test_img.fits"))
    assert facts.scale_arcsec == pytest.approx(1.340543, abs=1e-5)
    assert facts.mosaic is None


@pytest.mark.parametrize(
    ("items", "binning"),
    [
        ({"XBINNING": 2, "YBINNING": 3}, (2, 3)),
        ({"XBINNING": 2}, (2, 2)),
        ({"BINNING": "2x2"}, (2, 2)),
        ({"BINNING": "3 1"}, (3, 1)),
        ({"BINNING": 2}, (2, 2)),
        ({"CCDSUM": "2 4"}, (2, 4)),
        ({"XBINNING": 0, "YBINNING": 0}, (1, 1)),
        ({"XBINNING": "N/A"}, (1, 1)),
    ],
)
def test_binning(items, binning):
    assert facts_of(**items).binning == binning


def test_whether_the_pixel_size_has_the_binning_in_it():
    binned = {"XBINNING": 2, "YBINNING": 2, "FOCALLEN": 500.0}
    as_read = facts_of(XPIXSZ=7.52, **binned)
    assert as_read.pixel_um == 7.52
    assert any("include the binning" in note for note in as_read.notes)
    sensor = facts_of(PIXSIZE1=3.76, **binned)
    assert sensor.pixel_um == 7.52
    assert facts_of(XPIXSZ=(3.76, "unbinned pixel size"), **binned).pixel_um == 7.52
    assert facts_of(PIXSIZE1=(7.52, "after binning"), **binned).pixel_um == 7.52
    shown = facts_of(XPIXSZ=3.76, SCALE=206.264806 * 7.52 / 500, **binned)
    assert shown.pixel_um == 7.52
    assert any("image scale fits" in note for note in shown.notes)
    agreeing = facts_of(XPIXSZ=7.52, SCALE=206.264806 * 7.52 / 500, **binned)
    assert agreeing.pixel_um == 7.52
    assert not agreeing.notes


@pytest.mark.parametrize(
    "items",
    [
        {"XPIXSZ": "N/A", "FOCALLEN": 500},
        {"XPIXSZ": -1, "FOCALLEN": 500},
        {"XPIXSZ": 3.76, "FOCALLEN": 0},
        {"XPIXSZ": 3.76},
        {"XPIXSZ": 3.76, "FOCALLEN": 0.01},
    ],
)
def test_no_scale(items):
    assert facts_of(**items).scale_arcsec is None


def test_scale_keyword_and_option():
    assert facts_of(SECPIX=1.25).scale_arcsec == 1.25
    facts = facts_of(scale=2.0, XPIXSZ=3.76, FOCALLEN=530.0)
    assert (facts.scale_arcsec, facts.scale_source) == (2.0, "option")


def wcs_header(kind, angle_deg=25.0, scale=1.4, flip=1.0):
    """A tangent-plane WCS in one of FITS's three linear forms."""
    t = np.radians(angle_deg)
    c, s, step = np.cos(t), np.sin(t), scale / 3600.0
    matrix = np.array([[-flip * c, s], [flip * s, c]])
    header = {
        "CTYPE1": "RA---TAN",
        "CTYPE2": "DEC--TAN",
        "CRVAL1": 150.0,
        "CRVAL2": 40.0,
        "CRPIX1": SHAPE[1] / 2 + 0.5,
        "CRPIX2": SHAPE[0] / 2 + 0.5,
    }
    if kind == "cd":
        names = ("CD1_1", "CD1_2", "CD2_1", "CD2_2")
        header |= dict(zip(names, (step * matrix).ravel(), strict=True))
    elif kind == "pc":
        header |= {"CDELT1": -step, "CDELT2": step}
        pc = matrix * np.array([[-1.0], [1.0]])
        header |= dict(zip(("PC1_1", "PC1_2", "PC2_1", "PC2_2"), pc.ravel(), strict=True))
    else:
        header |= {"CDELT1": -step * flip, "CDELT2": step, "CROTA2": angle_deg}
    return header, scale * matrix


@pytest.mark.parametrize("kind", ["cd", "pc"])
@pytest.mark.parametrize("flip", [1.0, -1.0])
@pytest.mark.parametrize("angle", [0.0, 25.0, 100.0, -170.0])
def test_wcs_scale_and_axes(kind, flip, angle):
    header, expected = wcs_header(kind, angle, flip=flip)
    facts = facts_of(**header)
    assert facts.scale_arcsec == pytest.approx(1.4, rel=1e-6)
    assert facts.scale_source == "wcs"
    np.testing.assert_allclose(facts.sky_axes, expected, atol=1e-5)
    assert (facts.ra_deg, facts.dec_deg) == (pytest.approx(150.0), pytest.approx(40.0))


@pytest.mark.parametrize("kind", ["cd", "pc", "crota", "sip", "swapped"])
def test_wcs_axes_against_astropy_offsets(kind):
    """East and north per pixel as astropy.coordinates measures them on the sphere."""
    header, _ = wcs_header("cd" if kind in ("sip", "swapped") else kind, 33.0)
    if kind == "sip":
        header |= {
            "CTYPE1": "RA---TAN-SIP",
            "CTYPE2": "DEC--TAN-SIP",
            "A_ORDER": 2,
            "B_ORDER": 2,
            "A_2_0": 1e-4,
            "B_1_1": -2e-4,
            "CRPIX1": 10.0,
        }
    if kind == "swapped":
        header["CTYPE1"], header["CTYPE2"] = header["CTYPE2"], header["CTYPE1"]
        header["CRVAL1"], header["CRVAL2"] = header["CRVAL2"], header["CRVAL1"]
    facts = facts_of(**header)
    wcs = WCS(fits.Header(list(header.items())))
    x, y = (SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2

    def sky(px, py):
        return SkyCoord(wcs.pixel_to_world(px, py))

    for i, (dx, dy) in enumerate(((0.5, 0.0), (0.0, 0.5))):
        before, after = sky(x - dx, y - dy), sky(x + dx, y + dy)
        east, north = before.spherical_offsets_to(after)
        np.testing.assert_allclose(
            [facts.sky_axes[0][i], facts.sky_axes[1][i]], [east.arcsec, north.arcsec], atol=2e-4
        )


def test_wcs_at_right_ascension_zero():
    header, expected = wcs_header("cd", 0.0)
    header["CRVAL1"] = 0.0
    np.testing.assert_allclose(facts_of(**header).sky_axes, expected, atol=1e-5)


def test_option_rescales_the_axes_and_keeps_their_direction():
    header, expected = wcs_header("cd")
    facts = facts_of(scale=2.8, **header)
    assert (facts.scale_arcsec, facts.scale_source) == (2.8, "option")
    np.testing.assert_allclose(facts.sky_axes, 2.0 * expected, atol=1e-5)


def test_wcs_decides_on_the_binning_and_contradictions_are_noted():
    header, _ = wcs_header("cd", scale=scale_of_optics(7.52, 1000.0))
    facts = facts_of(XPIXSZ=3.76, FOCALLEN=1000.0, XBINNING=2, YBINNING=2, **header)
    assert facts.pixel_um == 7.52
    wrong = facts_of(XPIXSZ=3.76, FOCALLEN=1000.0, **header)
    assert wrong.scale_source == "wcs"
    assert any("disagree on the scale" in note for note in wrong.notes)


@pytest.mark.parametrize(
    "change",
    [
        {"CD1_1": 0.0, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 0.0},
        {"CD1_1": 1.0, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": 1.0},
        {"CRVAL2": 500.0},
        {"CRVAL1": "N/A"},
        {"CTYPE1": "LINEAR", "CTYPE2": "LINEAR"},
        {"CTYPE1": "RA---XYZ"},
        {"CTYPE1": 7},
        {"CD1_1": float("nan")},
        {"CUNIT1": "furlong"},
        {"CD1_1": 4e-4, "CD1_2": 4e-4, "CD2_1": 4e-4, "CD2_2": 4.1e-4},
        {"CRPIX1": 1e30},
    ],
)
def test_dummy_or_broken_wcs_is_not_used(change):
    header, _ = wcs_header("cd")
    facts = facts_of(XPIXSZ=3.76, FOCALLEN=530.0, **{**header, **change})
    assert facts.scale_source == "header"
    assert facts.sky_axes is None


def test_incomplete_wcs_is_not_used():
    header, _ = wcs_header("cd")
    del header["CRPIX1"]
    assert facts_of(**header).scale_arcsec is None


def test_green_parity_marks_the_green_pixels():
    for pattern in PATTERNS:
        parity = green_parity(pattern)
        for y in (0, 1):
            for x in (0, 1):
                assert (pattern[2 * y + x] == "G") == ((x + y) % 2 == parity)
    with pytest.raises(ValueError, match="RGB"):
        green_parity("RGB")


@pytest.mark.parametrize(
    ("text", "pattern"),
    [
        ("RGGB", "RGGB"),
        ("bggr ", "BGGR"),
        ("GR/BG", "GRBG"),
        ("BAYER_GBRG16", "GBRG"),
        ("RGB", None),
        ("XTRANS", None),
    ],
)
def test_pattern_words(text, pattern):
    assert pattern_word(text) == pattern


def cut(pattern, x, y, rows, bottom_up):
    """First cell of an array cut out of a sensor of that pattern, by building the sensor."""
    sensor = np.array(list(pattern)).reshape(2, 2)
    sensor = np.tile(sensor, (10, 10))
    array = sensor[y : y + rows, x : x + 8]
    array = array[::-1] if bottom_up else array
    return "".join(array[:2, :2].ravel())


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("offset", [(0, 0), (1, 0), (0, 1), (1, 1), (3, 2)])
@pytest.mark.parametrize("rows", [8, 9])
@pytest.mark.parametrize("order", [None, "TOP-DOWN", "BOTTOM-UP"])
def test_mosaic_of_the_stored_array(pattern, offset, rows, order):
    items = {"BAYERPAT": pattern, "XBAYROFF": offset[0], "YBAYROFF": offset[1]}
    items |= {} if order is None else {"ROWORDER": order}
    facts = facts_of(shape=(rows, 8), **items)
    assert facts.mosaic == cut(pattern, *offset, rows, order == "BOTTOM-UP")


def test_no_mosaic():
    assert facts_of(colour=True, BAYERPAT="RGGB").mosaic is None
    assert facts_of(COLORTYP="MONO").mosaic is None
    assert facts_of(COLORTYP="RGB").notes == ()
    odd = facts_of(BAYERPAT="XTRANS")
    assert odd.mosaic is None
    assert any("XTRANS" in note for note in odd.notes)


EVERY_KEY = (
    "IMAGETYP",
    "EXPTIME",
    "GAIN",
    "OFFSET",
    "XPIXSZ",
    "FOCALLEN",
    "XBINNING",
    "BINNING",
    "RA",
    "DEC",
    "SITELAT",
    "SITELONG",
    "CENTALT",
    "AIRMASS",
    "SATURATE",
    "DATAMAX",
    "CCD-TEMP",
    "SCALE",
    "BAYERPAT",
    "XBAYROFF",
    "ROWORDER",
    "TIMESYS",
    "TELAPSE",
    "DATE-OBS",
    "DATE-AVG",
    "MJD-OBS",
    "TSTART",
    "MJDREF",
    "PIERSIDE",
    "FOCPOS",
    "EGAIN",
    "CRVAL1",
    "CRVAL2",
    "CRPIX1",
    "CRPIX2",
    "CTYPE1",
    "CTYPE2",
    "CD1_1",
    "CDELT1",
    "CHNLXSTP",
    "NCOMBINE",
    "PICTTYPE",
    "UT",
    "TIMEUNIT",
)


def test_nonsense_everywhere_is_tolerated():
    nonsense = ["N/A", "", True, -1e300, float("nan"), None, "1e999", "'", "12:99:99", 10**30]
    for value in nonsense:
        facts = header_facts(Cards(dict.fromkeys(EVERY_KEY, (value, ""))), SHAPE)
        assert facts.sky_axes is None
        for name in ("exposure_s", "start_unix", "scale_arcsec", "airmass", "temperature_c"):
            found = getattr(facts, name)
            assert found is None or np.isfinite(found)
