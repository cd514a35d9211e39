"""One case: a source, what happens to it, what the program makes of it, and whether that holds."""

from __future__ import annotations

import gzip
import re
import signal
import tempfile
import traceback
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from io import BytesIO
from pathlib import Path

import numpy as np

from subgrade.errors import SubgradeError
from subgrade.lights.stored_pixels import FULL_SCALE, LARGEST, UNIT_NOTE
from tests.fuzzing import sources as known
from tests.fuzzing.mutations import mutated, seeded
from tests.fuzzing.sources import KEY, Source, cache_in, measured_field, written

WEIGHTS = {"fits": 45, "tiff": 12, "text": 16, "marks": 5, "limits": 7, "map": 7, "cache": 8}
"""Percent of the cases by family."""
READ_NUMBERS = ("fwhm_px", "eccentricity", "stars", "background_adu", "noise_adu")
SANE_PIXELS, SANE_FIELDS = 10_000_000, 999
"""Beyond these the other reader is not asked: it would take all memory or hours."""
PATIENCE_S = 5


@dataclass(frozen=True, slots=True)
class Case:
    """What is given to the program.

    Attributes
    ----------
    number : int
    source : Source
    content : bytes
        As it is on disk.
    mutations : tuple of str
    same : bool
        Whether every number must be that of the source.
    """

    number: int
    source: Source
    content: bytes
    mutations: tuple[str, ...]
    same: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of it: ``clean``, ``refused``, ``crash``, ``memory`` or ``wrong``."""

    kind: str
    detail: str = ""


class Wrong(Exception):
    """A number that the file does not hold."""


def case(seed: int, number: int) -> Case:
    """The case of a number; the same for one seed and one state of the tests."""
    rng = seeded(seed, number)
    families = list(WEIGHTS)
    family = families[int(rng.choice(len(families), p=np.array(list(WEIGHTS.values())) / 100))]
    of_family = [s for s in known.sources() if s.family == family]
    source = of_family[int(rng.integers(len(of_family)))]
    if source.wrapped and rng.random() < 0.4:  # the wrapping itself is damaged
        content, names, same = mutated(rng, "cache", written(source, source.content))
    else:
        content, names, same = mutated(rng, source.family, source.content)
        content = written(source, content)
    return Case(number, source, content, names, same)


def sound(source: Source) -> Case:
    """A source as it is."""
    return Case(-1, source, written(source, source.content), (), True)


def outcome_of(one: Case) -> Outcome:
    """Give a case to the program and hold what comes back against the file."""
    with tempfile.TemporaryDirectory(prefix="fuzz") as folder:
        path = Path(folder) / ("light" + one.source.suffix)
        if one.source.family == "cache":
            path = Path(folder) / one.source.suffix
        path.write_bytes(one.content)
        try:
            READERS[one.source.family](path, one)
        except SubgradeError as refusal:
            text = str(refusal)
            return Outcome("memory" if "not enough memory" in text else "refused", text)
        except MemoryError:
            return Outcome("memory", _place())
        except Wrong as wrong:
            return Outcome("wrong", str(wrong))
        except Exception as error:
            return Outcome("crash", f"{type(error).__name__}: {error} at {_place()}")
    return Outcome("clean")


def _place() -> str:
    """Innermost line of the program in the traceback."""
    import sys

    frames = traceback.extract_tb(sys.exc_info()[2])
    ours = [f for f in frames if "/subgrade/" in f.filename] or frames
    return f"{Path(ours[-1].filename).name}:{ours[-1].lineno} {ours[-1].name}"


# ---------------------------------------------------------------- light frames


def _light(path: Path, one: Case) -> None:
    from subgrade.lights import read_light
    from subgrade.stars import frame_pictures, measure_stars

    light = read_light(path)
    pixels = light.pixels.physical()
    stars = measure_stars(light.pixels, light.facts)
    frame_pictures(light.pixels, light.facts, stars)
    if one.same:
        _same_numbers(stars, one.source)
    elif not _equal(pixels, _pixels_of(one.source)):
        _as_others_read(path, one, pixels, light.facts.notes)


def _same_numbers(stars, source: Source) -> None:
    expected = _measured(source)
    for name in READ_NUMBERS:
        got, sought = getattr(stars, name), getattr(expected, name)
        if not _equal(np.array(got), np.array(sought)):
            raise Wrong(f"{name} {got}, but {sought} without the change")


def _as_others_read(path: Path, one: Case, pixels: np.ndarray, notes: tuple[str, ...]) -> None:
    """Hold changed pixels against what another reader finds in the same file."""
    try:
        with _patience():
            path = _without_stray_nuls(path)
            other = _fits_pixels(path) if one.source.family == "fits" else _tiff_pixels(path)
    except OutOfPatience:
        return
    if other is None:
        raise Wrong("measured, although another reader refuses it")
    if other is UNASKED:
        return
    scale = FULL_SCALE if UNIT_NOTE in notes else 1.0
    if not any(_equal(pixels, _believed(plane) * scale) for plane in other):
        raise Wrong("measured on other pixels than another reader finds")


def _believed(plane: np.ndarray) -> np.ndarray:
    """Values that no camera gives count as none, as docs/reading.md says."""
    return np.where(np.abs(plane) <= LARGEST, plane, np.nan)


@contextmanager
def _patience():
    """The other reader's time is bounded: a card of odd characters can take astropy for ever."""

    def stop(number, frame):
        raise OutOfPatience

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(PATIENCE_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


class OutOfPatience(BaseException):
    """Not among the exceptions that the other reader catches."""


def _without_stray_nuls(path: Path) -> Path:
    """The file with plain END records, which astropy needs to see where a header stops."""
    content = path.read_bytes()
    packed = content[:2] == b"\x1f\x8b"
    with suppress(Exception):
        content = gzip.decompress(content) if packed else content
    tidy = re.sub(rb"(?<=.{80})END[ \x00]{77}", b"END" + b" " * 77, content, flags=re.DOTALL)
    if tidy == content:
        return path
    other = path.with_name("tidied.fits")
    other.write_bytes(tidy)
    return other


UNASKED = object()


def _fits_pixels(path: Path):
    """Every image that astropy finds up to the first fault, as planes; None where it finds none."""
    import warnings

    from astropy.io import fits

    found = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            with fits.open(path, memmap=False, ignore_missing_simple=True) as hdus:
                for hdu in hdus:
                    found += _planes(hdu) or []
        except TooLarge:
            return UNASKED
        except Exception:
            pass
    return found or _first_image(path)


def _first_image(path: Path):
    """The primary image alone, under a header freed of what stands behind the values.

    astropy refuses a file as a whole for special records behind the image, which the standard
    allows (FITS 4.0, 3.5), and for odd characters where only a comment belongs.
    """
    from astropy.io import fits

    try:
        content = path.read_bytes()
        if content[:2] == b"\x1f\x8b":
            content = gzip.decompress(content)
        extension = content.find(b"XTENSION= 'IMAGE")
        if extension % 2880 == 0:
            return _planes(fits.ImageHDU.fromstring(_tidied(content[extension:])))
        if b"ZIMAGE  =" in content:
            with fits.open(BytesIO(_tidied(content)), ignore_missing_simple=True) as hdus:
                return _planes(hdus[1])
        return _planes(fits.PrimaryHDU.fromstring(_tidied(content)))
    except Exception:
        return None


def _tidied(content: bytes) -> bytes:
    end = content.find(b"END" + b" " * 77)  # `_without_stray_nuls`
    records = [content[k : k + 80] for k in range(0, max(end, 0), 80)]
    for k, record in enumerate(records):
        record = bytes(c if 32 <= c < 127 else 32 for c in record)
        found = re.match(rb"[A-Z0-9_\-]+ *= *[^ '/]+", record)
        records[k] = found[0].ljust(80) if found else record
        if re.match(rb"[PG]COUNT *=", record) and not re.search(rb"= *\d+ *$", records[k]):
            records[k] = b" " * 80  # says nothing, of an image
    if records and records[0].startswith(b"SIMPLE"):
        records[0] = b"SIMPLE  =                    T".ljust(80)
    return b"".join(records) + content[max(end, 0) :]


class TooLarge(Exception):
    """Sizes that the other reader had better not be asked for."""


def _planes(hdu) -> list[np.ndarray] | None:
    header = hdu.header
    sizes = [abs(int(header.get(f"NAXIS{k}", 1) or 1)) for k in (1, 2, 3)]
    if np.prod(np.array(sizes, float)) > SANE_PIXELS or header.get("TFIELDS", 0) > SANE_FIELDS:
        raise TooLarge
    if not getattr(hdu, "is_image", False) or hdu.data is None:
        return None
    data = np.asarray(hdu.data, np.float64)
    if data.ndim == 2:
        return [data]
    if data.ndim == 3:
        return [*data, data.mean(axis=0), *np.moveaxis(data, 2, 0), data.mean(axis=2)]
    return [data.reshape(data.shape[-2:])] if data.size == np.prod(data.shape[-2:]) else None


def _tiff_pixels(path: Path):
    """What another library finds in the TIFF; unasked where it knows no such form."""
    try:
        from PIL import Image
    except ImportError:
        return UNASKED
    try:
        with Image.open(path) as image:
            if image.size[0] * image.size[1] > SANE_PIXELS or image.mode not in (
                "L",
                "I;16",
                "I;16B",
                "F",
            ):
                return UNASKED
            plane = np.asarray(image, np.float64)
    except Exception:
        return UNASKED  # that library refuses sound forms too
    return [plane, 255.0 - plane, 65535.0 - plane]


def _equal(one: np.ndarray, other: np.ndarray) -> bool:
    """Alike to the rounding of 32-bit floats; places without a value count as alike."""
    if one.shape != other.shape:
        return False
    a, b = np.asarray(one, np.float64), np.asarray(other, np.float64)
    both = np.isfinite(a) & np.isfinite(b)
    with np.errstate(all="ignore"):
        near = np.abs(a - b) <= 1e-3 + 3e-6 * np.maximum(np.abs(a), np.abs(b))
    return bool((near | ~both).all() and (both.any() or not np.isfinite(b).any()))


@cache
def _read_whole(source: Source):
    from subgrade.lights import read_light

    with tempfile.TemporaryDirectory(prefix="fuzz") as folder:
        path = Path(folder) / ("light" + source.suffix)
        path.write_bytes(written(source, source.content))
        return read_light(path)


def _pixels_of(source: Source) -> np.ndarray:
    return _read_whole(source).pixels.physical()


@cache
def _measured(source: Source):
    from subgrade.stars import measure_stars

    light = _read_whole(source)
    return measure_stars(light.pixels, light.facts)


# ---------------------------------------------------------------- text


def _record(path: Path, one: Case) -> None:
    from subgrade.record import read_guide

    got, whole = read_guide(path), _whole_record(one.source)
    if one.same:
        for axis in ("ra", "dec", "time"):
            if not _equal(getattr(got, axis), getattr(whole, axis)):
                raise Wrong(f"{axis} is not what it is without the change")
    only_cut = set(one.mutations) <= {"truncation", "cut_at_a_block"}
    if only_cut and not one.source.wrapped and len(got.ra) > len(whole.ra):
        raise Wrong(f"{len(got.ra)} samples of a record of {len(whole.ra)}")
    for axis in ("ra", "dec"):
        value = getattr(got, axis)[got.good]
        if np.isinf(value).any():
            raise Wrong(f"infinite error in {axis}")


@cache
def _whole_record(source: Source):
    from subgrade.record import read_guide

    with tempfile.TemporaryDirectory(prefix="fuzz") as folder:
        path = Path(folder) / ("record" + source.suffix)
        path.write_bytes(written(source, source.content))
        return read_guide(path)


def _marks(path: Path, one: Case) -> None:
    from subgrade.teaching.marks import read_marks

    marks = read_marks(path)
    if one.same and [m.word for m in marks] != ["keep", "reject", "reject", "keep"]:
        raise Wrong("other marks than without the change")


def _limits(path: Path, one: Case) -> None:
    from dataclasses import fields

    from subgrade.judging.limits import load_limits

    limits = load_limits(path)
    for table in fields(limits):
        values = getattr(limits, table.name)
        for key in fields(values):
            value = getattr(values, key.name)
            if not (isinstance(value, int | float) and np.isfinite(value)):
                raise Wrong(f"{table.name}.{key.name} is {value!r}")


def _guide_map(path: Path, one: Case) -> None:
    from subgrade.record import read_guide
    from subgrade.record.guide_map import load_guide_map

    chosen = load_guide_map(path)
    record = next(s for s in known.sources() if s.name == "record comma")
    with tempfile.TemporaryDirectory(prefix="fuzz") as folder:
        text = Path(folder) / "record.txt"
        text.write_bytes(record.content)
        read_guide(text, guide_map=chosen)


def _kept(path: Path, one: Case) -> None:
    found = cache_in(path.parent).load(KEY)
    if found is None:
        if one.number < 0:
            raise Wrong("a sound measurement is not found")
        return
    facts, stars = measured_field()
    if repr(found[0]) != repr(facts):
        raise Wrong("other header facts than were kept")
    _same_values(found[1], stars)


def _same_values(got, kept) -> None:
    """Every field of a measurement as it was kept."""
    from dataclasses import fields, is_dataclass

    if type(got) is not type(kept):
        raise Wrong(f"{type(got).__name__} where {type(kept).__name__} was kept")
    if is_dataclass(kept):
        for f in fields(kept):
            _same_values(getattr(got, f.name), getattr(kept, f.name))
    elif isinstance(kept, tuple):
        if len(got) != len(kept):
            raise Wrong(f"{len(got)} values where {len(kept)} were kept")
        for a, b in zip(got, kept, strict=True):
            _same_values(a, b)
    elif isinstance(kept, np.ndarray):
        if got.dtype != kept.dtype or got.tobytes() != kept.tobytes():
            raise Wrong("an array is not as it was kept")
    elif repr(got) != repr(kept):
        raise Wrong(f"{got!r} where {kept!r} was kept")


READERS = {
    "fits": _light,
    "tiff": _light,
    "text": _record,
    "marks": _marks,
    "limits": _limits,
    "map": _guide_map,
    "cache": _kept,
}
