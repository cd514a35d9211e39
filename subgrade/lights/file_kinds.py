"""What kind of image a file is, by its first bytes and then by its name."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from subgrade.errors import UnreadableFile
from subgrade.lights.byte_source import open_source
from subgrade.lights.fits_files import looks_like_fits
from subgrade.lights.unpacking import wrapper_of

_PLAIN = (".fits", ".fit", ".fts")
WRAPPED = ("", ".gz", ".bz2", ".z")
FITS_SUFFIXES = (*(name + packed for name in _PLAIN for packed in WRAPPED), ".fz", ".ftz")
TIFF_SUFFIXES = (".tif", ".tiff")
RAW_SUFFIXES = (
    ".dng",
    ".cr2",
    ".cr3",
    ".crw",
    ".nef",
    ".nrw",
    ".arw",
    ".srf",
    ".sr2",
    ".orf",
    ".rw2",
    ".raf",
    ".pef",
    ".srw",
    ".rwl",
    ".3fr",
    ".fff",
    ".iiq",
    ".kdc",
    ".dcr",
    ".mrw",
    ".x3f",
    ".erf",
    ".mef",
    ".mos",
)
_TIFF_MAGIC = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")
_CR3_MAGIC = b"ftypcrx "


def kind_of(path: str | Path) -> str | None:
    """Kind of an image file.

    Returns
    -------
    str or None
        ``fits``, ``tiff``, ``raw``; a file of a known extension without the content
        keeps its kind, so that a damaged frame is reported and not passed over.
        None for everything else.

    Raises
    ------
    OSError
        The file cannot be opened.
    """
    mode = os.stat(path).st_mode
    if not (stat.S_ISREG(mode) or stat.S_ISDIR(mode)):
        raise OSError(0, "not a regular file")  # opening a pipe would wait for ever
    with open(path, "rb") as file:
        start = file.read(32)
    if wrapper_of(start):
        start = _start_inside(path)
    name = Path(path).name.lower()
    if looks_like_fits(start):
        return "fits"
    if start[4:12] == _CR3_MAGIC or name.endswith(RAW_SUFFIXES):
        return "raw"
    if start.startswith(_TIFF_MAGIC) or name.endswith(TIFF_SUFFIXES):
        return "tiff"
    return "fits" if name.endswith(FITS_SUFFIXES) else None


def _start_inside(path: str | Path) -> bytes:
    """The first bytes that a wrapper holds; none where it is damaged."""
    try:
        source = open_source(Path(path))
    except UnreadableFile:
        return b""
    try:
        return source.read(32)
    except UnreadableFile:
        return b""
    finally:
        source.close()
