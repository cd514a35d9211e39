"""TIFF and camera raw files (the ``[camera]`` extra).

Both kinds' metadata become FITS-style records, so that one reader of headers
serves every file.
"""

from __future__ import annotations

import contextlib
import logging
import math
import re
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

import numpy as np

from subgrade.errors import UnreadableFile
from subgrade.lights.fits_files import Stored
from subgrade.lights.header_cards import Cards
from subgrade.lights.stored_pixels import plane_of, to_pixels

if TYPE_CHECKING:
    from rawpy import RawPy
    from tifffile import TiffPage

_EXIF_TIME = re.compile(r"(\d{4})[:\-](\d\d)[:\-](\d\d)[ T](\d\d:\d\d:\d\d)")
_PLACES = (273, 279, 324, 325)
"""StripOffsets, StripByteCounts, TileOffsets, TileByteCounts (TIFF 6.0)."""
_ZONE = re.compile(r"[+-]\d\d:\d\d\Z")
_RECORD = re.compile(r"^[A-Z][A-Z0-9_\-]{0,7} *= ", re.MULTILINE)


def read_tiff(path: str | Path, with_pixels: bool = True) -> Stored:
    """Read a TIFF: integer or float, one plane or three colours, any layout tifffile knows.

    Header records in the image description count before EXIF.

    Parameters
    ----------
    path : path-like
    with_pixels : bool
        False leaves the pixels out.

    Raises
    ------
    UnreadableFile
        Also where the ``[camera]`` extra is not installed.
    """
    path = Path(path)
    tifffile = _extra(path, "tifffile")
    try:
        with _quiet("tifffile"), tifffile.TiffFile(path) as file:
            if not file.pages:
                raise UnreadableFile(path, "the TIFF holds no image")
            page = max(file.pages, key=lambda p: p.imagelength * p.imagewidth)
            shape, samples = (page.imagelength, page.imagewidth), page.samplesperpixel
            array = None
            if with_pixels:
                _check_pieces(path, page)
                array = page.asarray()
            # where the tag is missing the library takes it for 0
            inverted = page.photometric == 0 and "PhotometricInterpretation" in page.tags
            palette = page.photometric == 3
            text = page.description or ""
    except UnreadableFile:
        raise
    except Exception as error:  # tifffile and its codecs raise many types on odd input
        raise UnreadableFile(path, f"the TIFF cannot be read ({error})") from None
    if palette:
        raise UnreadableFile(path, "a palette TIFF holds no brightness values")
    cards = _described_cards(text).over(_exif_cards(path))
    if array is None:
        return Stored(cards, shape, samples >= 3, None, ())
    return _stored_tiff(path, cards, array, inverted)


def _check_pieces(path: Path, page: TiffPage) -> None:
    """Refuse an image of which strips or tiles are not there; the library fills in zeros."""
    places, counts = page.dataoffsets, page.databytecounts
    wanted, size = math.prod(page.chunked), path.stat().st_size
    # the library itself drops what is listed beyond the size
    listed = [t.count for code in _PLACES if (t := page.tags.get(code)) is not None]
    for number in (len(places), len(counts), *listed):
        if number != wanted:
            raise UnreadableFile(
                path, f"the TIFF needs {wanted} strips or tiles for its size and lists {number}"
            )
    there = sum(a > 0 and n > 0 and a + n <= size for a, n in zip(places, counts, strict=True))
    if there < wanted:
        raise UnreadableFile(
            path, f"the TIFF is damaged or cut short: of {wanted} strips or tiles it holds {there}"
        )
    if page.compression == 1 and page.bitspersample % 8 == 0 and sum(counts) < page.nbytes:
        raise UnreadableFile(
            path, f"the TIFF needs {page.nbytes} bytes of pixels and holds {sum(counts)}"
        )


def _stored_tiff(path: Path, cards: Cards, array: np.ndarray, inverted: bool) -> Stored:
    notes = []
    if array.ndim == 3 and array.shape[-1] in (2, 4):  # the last one is transparency
        array = array[..., : array.shape[-1] - 1]
    elif array.ndim == 3 and array.shape[0] in (2, 4):
        array = array[: array.shape[0] - 1]
    if array.dtype.kind not in "iuf":
        raise UnreadableFile(path, f"pixels of type {array.dtype} are not supported")
    planes, cause = plane_of(array)
    if planes is None:
        raise UnreadableFile(path, cause)
    zero, scale = 0.0, 1.0
    if inverted and planes.dtype.kind == "u":
        zero, scale = float(np.iinfo(planes.dtype).max), -1.0
        notes.append("the file stores black as white: inverted back")
    pixels, more = to_pixels(planes, zero=zero, scale=scale)
    return Stored(cards, tuple(planes.shape[-2:]), planes.ndim == 3, pixels, (*notes, *more))


def read_raw(path: str | Path, with_pixels: bool = True) -> Stored:
    """Read a camera raw file's visible mosaic as the sensor gave it.

    Nothing is interpolated and the black level stays in; the white level becomes
    the saturation level.

    Parameters
    ----------
    path : path-like
    with_pixels : bool
        False leaves the pixels out.

    Raises
    ------
    UnreadableFile
        Also where the ``[camera]`` extra is not installed.
    """
    path = Path(path)
    rawpy = _extra(path, "rawpy")
    notes: list[str] = []
    try:
        with rawpy.imread(str(path)) as raw:
            if raw.raw_type != rawpy.RawType.Flat:
                raise UnreadableFile(
                    path, "the raw file holds interpolated colours, not the sensor's mosaic"
                )
            sizes = raw.sizes
            shape = (sizes.height, sizes.width)
            items = {"SATURATE": (raw.white_level, "white level")} if raw.white_level else {}
            pattern = _raw_pattern(raw, notes)
            if pattern:
                items["BAYERPAT"] = (pattern, "")
            blacks = sorted(set(raw.black_level_per_channel or ()))
            if blacks and any(blacks):
                notes.append(f"black level {' to '.join(map(str, blacks))} ADU left in the data")
            # a copy: the library's memory ends with it
            plane = np.array(raw.raw_image_visible, order="C") if with_pixels else None
    except UnreadableFile:
        raise
    except Exception as error:  # LibRaw's errors share no public base in all versions
        text = error.args[0] if error.args else error
        text = text.decode("latin-1") if isinstance(text, bytes) else text
        raise UnreadableFile(path, f"the raw file cannot be read ({text})") from None
    cards = Cards(items).over(_exif_cards(path))
    if plane is None:
        return Stored(cards, shape, False, None, tuple(notes))
    pixels, more = to_pixels(plane)
    return Stored(cards, plane.shape, False, pixels, (*notes, *more))


def _raw_pattern(raw: RawPy, notes: list[str]) -> str | None:
    """The 2x2 pattern from the visible area's first pixel on, e.g. ``RGGB``."""
    if raw.raw_pattern is None:
        return None
    if raw.raw_pattern.shape != (2, 2):
        rows, columns = raw.raw_pattern.shape
        notes.append(
            f"a colour pattern of {columns} x {rows} pixels is not supported: read as monochrome"
        )
        return None
    names = raw.color_desc.decode("latin-1")
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    return "".join(names[raw.raw_color(top + j, left + i)] for j in (0, 1) for i in (0, 1))


def _described_cards(text: str) -> Cards:
    """FITS-style records in a TIFF's image description, if there are three or more."""
    if len(_RECORD.findall(text)) < 3:
        return Cards()
    skip = ("SIMPLE", "BITPIX", "NAXIS", "BZERO", "BSCALE")
    cards = Cards.from_records(text.splitlines())
    return cards.without([key for key in cards if key.startswith(skip)])


def _exif_cards(path: Path) -> Cards:
    """The EXIF facts that a header would state, under FITS keywords."""
    exifread = _extra(path, "exifread")
    try:
        with _quiet("exifread"), open(path, "rb") as file:
            tags = exifread.process_file(file, details=False)
    except Exception:  # without EXIF the pixels are still worth measuring
        return Cards()
    items: dict[str, tuple[object, str]] = {}
    for key, name, comment in (
        ("EXPTIME", "ExposureTime", "[s]"),
        ("FOCALLEN", "FocalLength", "[mm]"),
        ("GAIN", "ISOSpeedRatings", "ISO speed"),
    ):
        value = _exif_number(_exif(tags, name))
        if value:
            items[key] = (value, comment)
    camera = _exif_text(tags, "Model") or _exif_text(tags, "Tag 0xC614")  # DNG UniqueCameraModel
    if camera:
        items["INSTRUME"] = (camera, "")
    items.update(_exif_time(tags))
    return Cards(items)


def _exif(tags: dict, *names: str) -> object:
    """The first of some tags; TIFF/EP and DNG may keep EXIF tags in the image's own directory."""
    for name in names:
        for directory in ("EXIF", "Image"):
            if f"{directory} {name}" in tags:
                return tags[f"{directory} {name}"]
    return None


def _exif_text(tags: dict, *names: str) -> str:
    tag = _exif(tags, *names)
    return "" if tag is None else str(tag).strip(" \0")


def _exif_number(tag: object) -> float | None:
    value = tag.values[0] if tag is not None and getattr(tag, "values", None) else None
    try:
        return float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None


def _exif_time(tags: dict) -> dict[str, tuple[str, str]]:
    """EXIF clock time: UTC where an offset stands beside it, else a local time."""
    for name, part_name, zone_names in (
        ("DateTimeOriginal", "SubSecTimeOriginal", ("OffsetTimeOriginal", "Tag 0x9011")),
        ("DateTime", "SubSecTime", ()),
    ):
        found = _EXIF_TIME.match(_exif_text(tags, name))
        if not found:
            continue
        year, month, day, clock = found.groups()
        part = _exif_text(tags, part_name)
        text = f"{year}-{month}-{day}T{clock}" + (f".{part}" if part.isdigit() else "")
        zone = _exif_text(tags, *zone_names, "OffsetTime", "Tag 0x9010")
        if _ZONE.match(zone):
            return {"DATE-OBS": (text + zone, f"EXIF {name}")}
        return {"DATE-LOC": (text, f"EXIF {name}")}
    return {}


def _extra(path: Path, name: str) -> ModuleType:
    try:
        return __import__(name)
    except ImportError:
        cause = f'reading it needs {name}: pip install "subgrade[camera]"'
        raise UnreadableFile(path, cause) from None


@contextlib.contextmanager
def _quiet(name: str) -> Iterator[None]:
    """Keep a library's log lines off the terminal for a while."""
    logger = logging.getLogger(name)
    before = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        logger.setLevel(before)
