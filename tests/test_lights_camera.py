"""TIFF and camera raw; the raw sample is a minimal DNG written here."""

from __future__ import annotations

import struct
import sys
import warnings

import numpy as np
import pytest

from subgrade.errors import UnreadableFile
from subgrade.lights import find_lights, read_facts, read_light

tifffile = pytest.importorskip("tifffile")
SHAPE = (64, 96)


@pytest.fixture
def words():
    return np.random.default_rng(1).integers(0, 65536, SHAPE).astype(np.uint16)


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"byteorder": ">"},
        {"byteorder": "<"},
        {"tile": (32, 32)},
        {"compression": "zlib"},
        {"compression": "zlib", "predictor": True, "rowsperstrip": 8},
        {"bigtiff": True},
    ],
)
def test_16_bit_tiff_of_any_layout(tmp_path, words, how):
    if how.get("predictor"):
        pytest.importorskip("imagecodecs")
    path = tmp_path / "a.TIF"
    tifffile.imwrite(path, words, photometric="minisblack", metadata=None, **how)
    light = read_light(path)
    assert light.pixels.data.dtype == np.uint16
    assert light.pixels.integer
    np.testing.assert_array_equal(light.pixels.physical(), words)
    assert read_facts(path).frame_type == "light"


@pytest.mark.parametrize("planar", ["contig", "separate"])
@pytest.mark.parametrize("samples", [3, 4])
def test_colour_tiff_is_averaged_without_its_transparency(tmp_path, planar, samples):
    data = np.random.default_rng(2).integers(0, 65536, (*SHAPE, samples)).astype(np.uint16)
    stored = data if planar == "contig" else np.moveaxis(data, 2, 0)
    extra = {"extrasamples": ["unassalpha"]} if samples == 4 else {}
    path = tmp_path / "a.tiff"
    tifffile.imwrite(
        path, np.ascontiguousarray(stored), photometric="rgb", planarconfig=planar, **extra
    )
    light = read_light(path)
    np.testing.assert_allclose(light.pixels.data, data[..., :3].astype(float).mean(2), rtol=1e-6)
    assert any("mean" in note for note in light.facts.notes)


def test_8_bit_float_and_inverted_tiff(tmp_path, words):
    bytes_ = (words >> 8).astype(np.uint8)
    tifffile.imwrite(tmp_path / "a.tif", bytes_, photometric="minisblack")
    light = read_light(tmp_path / "a.tif")
    np.testing.assert_array_equal(light.pixels.physical(), bytes_)
    assert any("8 bits" in note for note in light.facts.notes)
    tifffile.imwrite(tmp_path / "b.tif", (words / 65535).astype(np.float32))
    light = read_light(tmp_path / "b.tif")
    np.testing.assert_allclose(light.pixels.physical(), words, atol=0.01)
    assert any("65535" in note for note in light.facts.notes)
    tifffile.imwrite(tmp_path / "c.tif", words, photometric="miniswhite")
    light = read_light(tmp_path / "c.tif")
    np.testing.assert_array_equal(light.pixels.physical(), 65535 - words.astype(int))


def test_tiff_clock_is_local_time(tmp_path, words):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, words, datetime="2024:06:20 02:16:19")
    facts = read_light(path).facts
    assert facts.start_utc is None
    assert facts.start_local == "2024-06-20T02:16:19.000"


def test_header_records_in_the_description(tmp_path, words):
    text = "\n".join(
        [
            "SIMPLE  =                    T",
            "BZERO   =                32768",
            "DATE-OBS= '2024-06-20T09:16:19.585' / start of exposure",
            "EXPTIME =                 30.0",
            "FILTER  = 'Ha      '",
        ]
    )
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, words, description=text, metadata=None, datetime="2020:01:01 00:00:00")
    light = read_light(path)
    assert light.facts.start_utc == "2024-06-20T09:16:19.585Z"
    assert (light.facts.exposure_s, light.facts.filter) == (30.0, "Ha")
    np.testing.assert_array_equal(light.pixels.physical(), words)


@pytest.mark.parametrize(
    "content", [b"II*\0", b"II*\0\x08\0\0\0\xff\xff", b"MM\0*\xff\xff\xff\xff", b""]
)
def test_damaged_tiff(tmp_path, content, capfd):
    path = tmp_path / "a.tif"
    path.write_bytes(content)
    with pytest.raises(UnreadableFile, match="TIFF"):
        read_light(path)
    assert capfd.readouterr().err == ""


def test_truncated_tiff(tmp_path, words, capfd):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, words)
    path.write_bytes(path.read_bytes()[:-3000])
    with pytest.raises(UnreadableFile, match="TIFF"):
        read_light(path)
    assert capfd.readouterr().err == ""


def with_entry(path, name, **changes):
    """Change the stored entry of a tag: its ``code``, its count, or its value (TIFF 6.0, 2)."""
    data = bytearray(path.read_bytes())
    with tifffile.TiffFile(path) as file:
        tag = file.pages[0].tags[name]
        at, order = tag.offset, "little" if file.byteorder == "<" else "big"
        values = tag.valueoffset
    if "code" in changes:
        data[at : at + 2] = changes["code"].to_bytes(2, order)
    if "count" in changes:
        data[at + 4 : at + 8] = changes["count"].to_bytes(4, order)
    if "value" in changes:
        data[at + 8 : at + 12] = changes["value"].to_bytes(4, order)
    if "third" in changes:
        data[values + 8 : values + 12] = changes["third"].to_bytes(4, order)
    path.write_bytes(data)


LAYOUTS = [{"rowsperstrip": 8}, {"tile": (16, 16)}, {"rowsperstrip": 8, "compression": "zlib"}]


@pytest.mark.parametrize("how", LAYOUTS)
@pytest.mark.parametrize(
    ("tag", "changes", "cause"),
    [
        ("ByteCounts", {"code": 65000}, "strips or tiles for its size"),
        ("ByteCounts", {"count": 2}, "strips or tiles for its size"),
        ("ByteCounts", {"third": 0}, "it holds"),
        ("ByteCounts", {"third": 10_000_000}, "it holds"),
        ("ByteCounts", {"value": 0x7FFFFFF0}, "TIFF"),
        ("Offsets", {"third": 0}, "it holds"),
        ("Offsets", {"third": 0x7FFFFFF0}, "it holds"),
        ("Offsets", {"count": 2}, "strips or tiles for its size"),
    ],
)
def test_strips_that_are_not_there_are_not_taken_for_black_rows(
    tmp_path, words, how, tag, changes, cause, capfd
):
    path = tmp_path / "a.tif"
    # 32-bit counts and places, so that a change fits the entry
    tifffile.imwrite(path, words.astype(np.uint32) * 60_000, metadata=None, **how)
    np.testing.assert_allclose(read_light(path).pixels.physical(), words * 60_000.0, rtol=1e-6)
    kind = "Tile" if "tile" in how else "Strip"
    with_entry(path, kind + tag, **changes)
    with pytest.raises(UnreadableFile, match=cause):
        read_light(path)
    assert capfd.readouterr().err == ""


def test_strips_too_short_for_their_rows_are_refused(tmp_path, words):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, words, metadata=None)
    with_entry(path, "StripByteCounts", value=100)
    with pytest.raises(UnreadableFile, match=f"needs {words.nbytes} bytes of pixels and holds 100"):
        read_light(path)


def test_a_tiff_that_does_not_say_which_way_it_counts_is_not_turned_round(tmp_path, words):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, words, metadata=None, photometric="minisblack")
    with_entry(path, "PhotometricInterpretation", code=65000)
    np.testing.assert_array_equal(read_light(path).pixels.physical(), words)


def test_missing_extra_says_what_to_install(tmp_path, words, monkeypatch):
    tifffile.imwrite(tmp_path / "a.tif", words)
    write_dng(tmp_path / "a.dng", words)
    for module in ("tifffile", "rawpy"):
        monkeypatch.setitem(sys.modules, module, None)
    for name in ("a.tif", "a.dng"):
        with pytest.raises(UnreadableFile, match=r'pip install "subgrade\[camera\]"'):
            read_light(tmp_path / name)


CFA = {"RGGB": b"\0\1\1\2", "BGGR": b"\2\1\1\0", "GRBG": b"\1\0\2\1", "GBRG": b"\1\2\0\1"}


def write_dng(path, mosaic, pattern="RGGB", area=None, exif=(), black=512, white=16383):
    """A minimal DNG 1.4; `pattern` counts from the active area's corner (DNG specification)."""
    tags = [
        (33421, "H", 2, (2, 2)),  # CFARepeatPatternDim
        (33422, "B", 4, CFA[pattern]),  # CFAPattern
        (50706, "B", 4, b"\1\4\0\0"),  # DNGVersion
        (50708, "s", 0, "Invented Camera One"),  # UniqueCameraModel
        (50714, "H", 1, black),  # BlackLevel
        (50717, "H", 1, white),  # WhiteLevel
        (50721, "2i", 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1)),  # ColorMatrix1
        (50778, "H", 1, 21),  # CalibrationIlluminant1
        *exif,
    ]
    if area is not None:
        tags.append((50829, "I", 4, area))  # ActiveArea: top, left, bottom, right
    tifffile.imwrite(path, mosaic, photometric=32803, extratags=tags, metadata=None, subfiletype=0)


def coloured(pattern, top=0, left=0):
    """A mosaic whose level tells the colour, `pattern` counting from (top, left)."""
    level = {"R": 1000, "G": 2000, "B": 3000}
    y, x = np.indices(SHAPE)
    cell = np.array([level[c] for c in pattern]).reshape(2, 2)
    return cell[(y - top) % 2, (x - left) % 2].astype(np.uint16)


@pytest.mark.parametrize("pattern", CFA)
@pytest.mark.parametrize("area", [None, (2, 4, 62, 90), (1, 3, 63, 95)])
def test_raw_mosaic_is_kept_as_the_sensor_gave_it(tmp_path, pattern, area):
    pytest.importorskip("rawpy")
    top, left = (area or (0, 0))[:2]
    mosaic = coloured(pattern, top, left)
    write_dng(tmp_path / "a.dng", mosaic, pattern, area)
    assert len(find_lights([tmp_path]).files) == 1
    light = read_light(tmp_path / "a.dng")
    plane = light.pixels.physical()
    assert light.pixels.data.dtype == np.uint16
    level = {1000: "R", 2000: "G", 3000: "B"}
    assert light.facts.mosaic == "".join(level[int(v)] for v in plane[:2, :2].ravel())
    if area is None:
        np.testing.assert_array_equal(plane, mosaic)
    assert light.facts.saturation_adu == 16383.0
    assert light.facts.camera == "Invented Camera One"
    assert any("black level 512" in note for note in light.facts.notes)
    assert read_facts(tmp_path / "a.dng").mosaic == light.facts.mosaic


def test_raw_time_and_exposure(tmp_path, words):
    pytest.importorskip("rawpy")
    plain = [(36867, "s", 0, "2024:06:20 02:16:19"), (33434, "2I", 1, (30, 1))]
    zone = [(36881, "s", 0, "-07:00"), (37521, "s", 0, "585")]
    write_dng(tmp_path / "a.dng", words, exif=plain)
    write_dng(tmp_path / "b.dng", words, exif=plain + zone)
    local, known = (read_light(tmp_path / name).facts for name in ("a.dng", "b.dng"))
    assert local.exposure_s == known.exposure_s == 30.0
    assert (local.start_utc, local.start_local) == (None, "2024-06-20T02:16:19.000")
    assert known.start_utc == "2024-06-20T09:16:19.585Z"
    assert known.mid_utc == "2024-06-20T09:16:34.585Z"


STAND_IN = (65000, 4, 1, 0x12345678)
"""A private tag that is turned into the pointer to EXIF, which tifffile does not write."""


def add_exif_directory(path, entries):
    """Append an EXIF directory (TIFF 6.0 layout) of text, short and rational entries."""
    with open(path, "ab") as file:
        file.write(bytes(file.tell() % 2))
        start = file.tell()
        after = start + 2 + 12 * len(entries) + 4
        directory, values = struct.pack("<H", len(entries)), b""
        for tag, value in sorted(entries.items()):
            if isinstance(value, str):
                data = value.encode() + bytes(2 - len(value) % 2)
                head = struct.pack("<HHII", tag, 2, len(value) + 1, after + len(values))
                values += data
            elif isinstance(value, tuple):
                head = struct.pack("<HHII", tag, 5, 1, after + len(values))
                values += struct.pack("<II", *value)
            else:
                head = struct.pack("<HHIHH", tag, 3, 1, value, 0)
            directory += head
        file.write(directory + bytes(4) + values)
    content = path.read_bytes()
    stand_in = struct.pack("<HHII", *STAND_IN)
    assert content.count(stand_in) == 1
    path.write_bytes(content.replace(stand_in, struct.pack("<HHII", 34665, 4, 1, start)))


def test_exif_directory_of_a_tiff(tmp_path, words):
    path = tmp_path / "a.tif"
    camera = (272, "s", 0, "Invented Camera Two")
    place = (STAND_IN[0], "I", 1, STAND_IN[3])
    tifffile.imwrite(path, words, byteorder="<", extratags=[camera, place], metadata=None)
    entries = {
        0x829A: (1, 4),  # ExposureTime
        0x8827: 800,  # ISOSpeedRatings
        0x9003: "2024:06:20 11:16:19",  # DateTimeOriginal
        0x9011: "+02:00",  # OffsetTimeOriginal
        0x920A: (135, 1),  # FocalLength
    }
    add_exif_directory(path, entries)
    light = read_light(path)
    np.testing.assert_array_equal(light.pixels.physical(), words)
    facts = light.facts
    assert facts.start_utc == "2024-06-20T09:16:19.000Z"
    assert (facts.exposure_s, facts.gain, facts.focal_mm) == (0.25, 800.0, 135.0)
    assert facts.camera == "Invented Camera Two"


def test_damaged_raw(tmp_path, words):
    pytest.importorskip("rawpy")
    (tmp_path / "a.nef").write_bytes(b"no raw file")
    write_dng(tmp_path / "b.dng", words)
    content = (tmp_path / "b.dng").read_bytes()
    (tmp_path / "b.dng").write_bytes(content[: len(content) // 2])
    for name in ("a.nef", "b.dng"):
        with pytest.raises(UnreadableFile, match="raw"):
            read_light(tmp_path / name)


def test_reading_leaves_the_warning_filters_alone(tmp_path, words):
    tifffile.imwrite(tmp_path / "a.tif", words)
    before = list(warnings.filters)
    read_light(tmp_path / "a.tif")
    assert list(warnings.filters) == before
