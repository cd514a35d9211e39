"""Read one light frame of whatever kind."""

from __future__ import annotations

import codecs
import warnings
from dataclasses import replace
from pathlib import Path

from subgrade.errors import SubgradeError, UnreadableFile
from subgrade.lights.file_kinds import kind_of
from subgrade.lights.fits_files import Stored, read_fits, read_fits_header
from subgrade.lights.header_facts import calibration_named, header_facts
from subgrade.lights.model import HeaderFacts, Light
from subgrade.lights.mosaic import hinted_mosaic, mosaic_of_hint
from subgrade.lights.stored_pixels import FULL_SCALE, UNIT_MAX, UNIT_NOTE

TEXT = "a text file, not a FITS, TIFF or camera raw file; a guiding record goes with --guide"


def read_light(
    path: str | Path, *, scale: float | None = None, exposure: float | None = None
) -> Light:
    """Read a frame's pixels and header.

    Parameters
    ----------
    path : path-like
        FITS (plain, tile-compressed, in a gzip, bzip2 or compress wrapper), TIFF or camera raw,
        recognised by content.
    scale : float, optional
        Arcseconds per stored pixel that override the header.
    exposure : float, optional
        Exposure time in seconds of a frame whose header states none.

    Returns
    -------
    Light

    Raises
    ------
    UnreadableFile
        With what is wrong with the file.
    """
    facts, stored = _read(Path(path), scale, exposure, with_pixels=True)
    return Light(Path(path), facts, stored.pixels)


def read_facts(
    path: str | Path, *, scale: float | None = None, exposure: float | None = None
) -> HeaderFacts:
    """Read a frame's header only; parameters and errors as `read_light`."""
    return _read(Path(path), scale, exposure, with_pixels=False)[0]


def is_light(facts: HeaderFacts) -> bool:
    """Whether the header states, or leaves open, that the frame is a light."""
    return facts.frame_type == "light"


def _read(
    path: Path, scale: float | None, exposure: float | None, with_pixels: bool
) -> tuple[HeaderFacts, Stored]:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            stored = _stored(path, with_pixels)
            facts = header_facts(
                stored.cards, stored.shape, colour=stored.colour, scale=scale, exposure=exposure
            )
            facts = _with_hint(_with_name(facts, path), stored)
    except SubgradeError:
        raise
    except OSError as error:
        raise UnreadableFile(path, f"cannot be opened: {error.strerror or error}") from None
    except MemoryError:
        raise UnreadableFile(path, "not enough memory for the image") from None
    except Exception as error:
        # one odd file must not end a night's run, whatever a library raises on it
        raise UnreadableFile(path, f"not understood ({type(error).__name__}: {error})") from error
    return _finished(facts, stored), stored


def _stored(path: Path, with_pixels: bool) -> Stored:
    kind = kind_of(path)
    if kind == "fits":
        return read_fits(path) if with_pixels else read_fits_header(path)
    if kind is None and _is_text(path):
        raise UnreadableFile(path, TEXT)
    if kind is None:
        raise UnreadableFile(path, "not a FITS, TIFF or camera raw file")
    from subgrade.lights.camera_files import read_raw, read_tiff

    return read_raw(path, with_pixels) if kind == "raw" else read_tiff(path, with_pixels)


def _is_text(path: Path) -> bool:
    """Whether a file starts with characters only."""
    with open(path, "rb") as file:
        start = file.read(1024)
    try:
        # a character of several bytes may be cut at the end
        text = codecs.getincrementaldecoder("utf-8")().decode(start)
    except UnicodeDecodeError:
        return False
    return bool(text) and all(c.isprintable() or c.isspace() for c in text)


def _with_name(facts: HeaderFacts, path: Path) -> HeaderFacts:
    """The facts with the kind of frame that the file's name states, where the header's do not."""
    if facts.frame_type != "light" or facts.named_kind:
        return facts
    kind = calibration_named(path.name.partition(".")[0])
    return replace(facts, named_kind=(kind, "the file's name")) if kind else facts


def _with_hint(facts: HeaderFacts, stored: Stored) -> HeaderFacts:
    """The facts with a colour mosaic that the header hints at and the pixels show."""
    hint = hinted_mosaic(stored.cards)
    if hint is None or facts.mosaic or stored.colour or stored.pixels is None:
        return facts
    mosaic, note = mosaic_of_hint(stored.pixels, *hint)
    return replace(facts, mosaic=mosaic, notes=(*facts.notes, *([note] if note else [])))


def _finished(facts: HeaderFacts, stored: Stored) -> HeaderFacts:
    """The facts with the remarks on the pixels, which may have changed the ADU scale."""
    saturation = facts.saturation_adu
    if UNIT_NOTE in stored.notes and saturation is not None and saturation <= UNIT_MAX:
        saturation *= FULL_SCALE
    if not stored.notes and saturation == facts.saturation_adu:
        return facts
    return replace(facts, notes=(*stored.notes, *facts.notes), saturation_adu=saturation)
