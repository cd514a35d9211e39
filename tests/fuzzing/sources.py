"""Sound files of every kind that is read, small, made in memory from fixed seeds."""

from __future__ import annotations

import gzip
import io
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from astropy.io import fits

from tests.record_layouts import LAYOUTS, truth

WIDTH, HEIGHT = 112, 96
MARKS = """frame,verdict,note
light_001.fits,keep,
light_002.fits,reject,trailed
"sub/light_003.fits",keep,"fine, sharp"
light_004.fits,reject,
"""
GUIDE_MAP = """scale_arcsec_px = 1.83
[columns]
time = "When"
ra = "RA offset (arcsec)"
dec = 4
ra_pulse = "RA pulse ms"
[units]
time = "datetime"
ra = "arcsec"
ra_pulse = "ms"
[file]
delimiter = "comma"
header = true
section = "Run"
[clock]
utc_offset = 1.0
order = "day-month"
date = 2031-02-18
"""


@dataclass(frozen=True, slots=True)
class Source:
    """A sound file.

    Attributes
    ----------
    name : str
    family : str
        What reads it: ``fits``, ``tiff``, ``text``, ``marks``, ``limits``, ``map``, ``cache``.
    suffix : str
    content : bytes
    wrapped : bool
        Whether ``content`` is packed by gzip when it is written.
    """

    name: str
    family: str
    suffix: str
    content: bytes
    wrapped: bool = False


def field(seed: int = 4) -> np.ndarray:
    """Pixels of a small field of round stars, 16-bit range."""
    rng = np.random.default_rng(seed)
    count, sigma = 24, 3.0 / 2.35482
    x, y = rng.uniform(8, WIDTH - 8, count), rng.uniform(8, HEIGHT - 8, count)
    flux = 10 ** rng.uniform(4.0, 5.3, count)
    along = np.exp(-0.5 * ((np.arange(WIDTH) - x[:, None]) / sigma) ** 2)
    up = np.exp(-0.5 * ((np.arange(HEIGHT) - y[:, None]) / sigma) ** 2)
    light = np.einsum("k,ki,kj->ij", flux / (2 * np.pi * sigma**2), up, along)
    image = rng.normal(1000 + light, np.sqrt(100 + light))
    return np.clip(image, 0, 65535).astype(np.uint16)


def cards() -> fits.Header:
    """What a capture program writes."""
    return fits.Header(
        {
            "OBJECT": "Test Field",
            "FILTER": "L",
            "EXPTIME": 60.0,
            "IMAGETYP": "LIGHT",
            "DATE-OBS": "2031-03-05T20:00:00.000",
            "XPIXSZ": 3.76,
            "FOCALLEN": 776.0,
            "XBINNING": 1,
            "YBINNING": 1,
            "RA": 83.6,
            "DEC": 22.0,
            "SITELAT": 50.0,
            "SITELONG": 10.0,
            "AIRMASS": 1.2,
            "GAIN": 100,
            "CCD-TEMP": -10.0,
        }
    )


@cache
def sources() -> tuple[Source, ...]:
    """All of them, in a fixed order."""
    return (*_fits(), *_tiff(), *_texts(), *_kept())


def _fits() -> list[Source]:
    image = field()
    signed = (image // 2).astype(np.int16)
    plain = {
        "uint16": fits.PrimaryHDU(image, cards()),
        "int16": fits.PrimaryHDU(signed, cards()),
        "int32": fits.PrimaryHDU(image.astype(np.int32), cards()),
        "uint8": fits.PrimaryHDU((image // 16).clip(0, 255).astype(np.uint8), cards()),
        "float32": fits.PrimaryHDU(image.astype(np.float32), cards()),
        "float64": fits.PrimaryHDU(image.astype(np.float64), cards()),
        "cube": fits.PrimaryHDU(np.stack([image] * 3), cards()),
    }
    out = [Source(name, "fits", ".fits", _bytes(hdu)) for name, hdu in plain.items()]
    out.append(
        Source("extension", "fits", ".fits", _bytes(fits.ImageHDU(image, cards()), primary=True))
    )
    for name in ("uint16", "float32"):
        content = next(s.content for s in out if s.name == name)
        out.append(Source(f"{name} in gzip", "fits", ".fits.gz", content, True))
    floats = image.astype(np.float32) + np.float32(0.37)
    tiles = {
        "rice": (image, {"compression_type": "RICE_1"}),
        "gzip1": (image, {"compression_type": "GZIP_1"}),
        "gzip2": (image, {"compression_type": "GZIP_2"}),
        "hcompress": (image, {"compression_type": "HCOMPRESS_1", "tile_shape": (16, WIDTH)}),
        "plio": (signed, {"compression_type": "PLIO_1"}),
        "quantised": (floats, {"compression_type": "RICE_1", "quantize_method": 1}),
        "quantised zeros": (floats, {"compression_type": "RICE_1", "quantize_method": 2}),
        "undithered": (floats, {"compression_type": "RICE_1", "quantize_method": -1}),
        "lossless": (floats, {"compression_type": "GZIP_2", "quantize_level": 0.0}),
    }
    for name, (pixels, how) in tiles.items():
        hdu = fits.CompImageHDU(pixels, cards(), **({"dither_seed": 7} | how))
        out.append(Source(name, "fits", ".fits.fz", _bytes(hdu, primary=True)))
    out.append(Source("rice in gzip", "fits", ".fits.fz.gz", out[-9].content, True))
    return out


def _bytes(hdu, primary: bool = False) -> bytes:
    stream = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU(), hdu] if primary else [hdu]).writeto(stream)
    return stream.getvalue()


def _tiff() -> list[Source]:
    import tifffile

    image, out = field(), []
    ways = {
        "tiff": (image, {}),
        "tiff float": (image.astype(np.float32), {}),
        "tiff 8 bit": ((image // 16).clip(0, 255).astype(np.uint8), {}),
        "tiff big-endian": (image, {"byteorder": ">"}),
        "tiff strips": (image, {"rowsperstrip": 16}),
        "tiff tiles": (image, {"tile": (32, 32)}),
        "tiff deflated": (image, {"compression": "zlib"}),
        "tiff colour": (np.dstack([image] * 3), {"photometric": "rgb"}),
    }
    for name, (pixels, how) in ways.items():
        stream = io.BytesIO()
        how = dict(how)
        tifffile.imwrite(stream, pixels, byteorder=how.pop("byteorder", "<"), **how)
        out.append(Source(name, "tiff", ".tif", stream.getvalue()))
    return out


def _texts() -> list[Source]:
    from subgrade.judging.limits import default_limits_text

    record = truth(n=120, dithers=(40, 80))
    out = [
        Source(f"record {name}", "text", ".txt", layout(record).encode())
        for name, layout in LAYOUTS.items()
    ]
    out.append(Source("marks", "marks", ".csv", MARKS.encode()))
    out.append(Source("limits", "limits", ".toml", default_limits_text().encode()))
    out.append(Source("guide map", "map", ".toml", GUIDE_MAP.encode()))
    return out


def _kept() -> list[Source]:
    """A measurement as a run keeps it."""
    facts, stars = measured_field()
    with tempfile.TemporaryDirectory() as folder:
        kept = cache_in(folder)
        kept.save(KEY, facts, stars)
        (file,) = Path(folder).glob(f"{KEY}*")
        return [Source("kept measurement", "cache", file.name, file.read_bytes())]


KEY = "0123456789abcdef0123456789abcdef01234567"


def cache_in(folder):
    """The cache that the kept measurement belongs to."""
    from subgrade.results.measurement_cache import MeasurementCache

    return MeasurementCache(Path(folder), {"measure": 1})


@cache
def measured_field():
    """Facts and stars of the plain 16-bit source."""
    from subgrade.lights import read_light
    from subgrade.stars import measure_stars

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "light.fits"
        path.write_bytes(_bytes(fits.PrimaryHDU(field(), cards())))
        light = read_light(path)
        return light.facts, measure_stars(light.pixels, light.facts)


def written(source: Source, content: bytes) -> bytes:
    """What goes to disk."""
    return gzip.compress(content, 1, mtime=0) if source.wrapped else content
