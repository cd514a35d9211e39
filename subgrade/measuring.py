"""What is done to one file: read, calibrate, measure, draw, keep; runs in the workers."""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import cache as kept_in_process
from pathlib import Path
from typing import TYPE_CHECKING

from subgrade.errors import ResultsError, UnreadableFile
from subgrade.settings import Settings

if TYPE_CHECKING:
    from subgrade.lights import HeaderFacts, Light, Masters
    from subgrade.results.measurement_cache import MeasurementCache
    from subgrade.stars.model import FrameStars

MEASURED = "measured"
"""Folder in RESULTS that keeps measurements."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One file's header facts and star measurement; no stars for a calibration frame.

    ``key`` is what the measurement and the pictures are kept under, ``unkept`` why they could
    not be kept.
    """

    facts: HeaderFacts
    stars: FrameStars | None
    key: str = ""
    unkept: str = ""


@dataclass(frozen=True, slots=True)
class MeasureFile:
    """Measure one file, and keep the outcome and its pictures; crosses to processes.

    Attributes
    ----------
    cache : MeasurementCache
    scale : float or None
        Arcseconds per pixel, over the header's.
    masters : tuple of (str or None)
        Dark, bias and flat.
    exposure : float or None
        Seconds, where the header is silent.
    """

    cache: MeasurementCache
    scale: float | None
    masters: tuple[str | None, str | None, str | None]
    exposure: float | None = None

    def __call__(self, path: Path) -> Measured:
        from subgrade.lights import is_light
        from subgrade.stars import measure_stars

        before = _state(path)
        key = self.cache.key(path)
        light = _read(path, self.scale, self.exposure)
        if _state(path) != before:
            # else it would be kept as the measurement of what the file was before
            raise UnreadableFile(path, "was changed while it was read")
        stars = None
        if is_light(light.facts) or not light.facts.frame_type_stated:
            stored = light.pixels
            light = _calibrated(light, self.masters)
            stars = measure_stars(light.pixels, light.facts, stored=stored)
        try:
            self.cache.save(key, light.facts, stars)
        except ResultsError as error:
            # the disk of the results is full or gone, which is no fault of the frame's
            return Measured(light.facts, stars, key, str(error))
        if stars is not None and self.cache.writes:
            _draw(self.cache, key, light, stars)
        return Measured(light.facts, stars, key)


@dataclass(frozen=True, slots=True)
class DrawFile:
    """Draw the pictures of a file whose measurement is kept, without measuring it again."""

    cache: MeasurementCache
    scale: float | None
    masters: tuple[str | None, str | None, str | None]
    exposure: float | None = None

    def __call__(self, path: Path) -> None:
        key = self.cache.key(path)
        kept = self.cache.load(key)
        if kept is not None:
            light = _read(path, self.scale, self.exposure)
            _draw(self.cache, key, _calibrated(light, self.masters), kept[1])


def measurement_cache(settings: Settings) -> MeasurementCache:
    """The cache of measurements that these settings would make."""
    from subgrade.results.measurement_cache import MeasurementCache, content_identity
    from subgrade.stars import MEASURE_VERSION

    masters = {
        kind: content_identity(path)
        for kind in ("dark", "bias", "flat")
        if (path := getattr(settings, kind))
    }
    depends = {"measure": MEASURE_VERSION, "scale": settings.scale, "masters": masters}
    if settings.exposure is not None:
        depends["exposure"] = settings.exposure
    folder = Path(settings.out).absolute() / MEASURED
    return MeasurementCache(folder, depends, writes=not settings.dry_run)


@kept_in_process
def load_masters_once(dark: str | None, bias: str | None, flat: str | None) -> Masters:
    """The master frames, read once in each process.

    Raises
    ------
    UsageError
        If one cannot be used.
    """
    from subgrade.lights.calibrate import load_masters

    return load_masters(dark=dark, bias=bias, flat=flat)


def _state(path: Path) -> tuple[int, ...] | None:
    try:
        state = os.stat(path)
    except OSError:
        return None  # reading it says why
    return state.st_size, state.st_mtime_ns, state.st_ino


def _read(path: Path, scale: float | None, exposure: float | None) -> Light:
    from subgrade.lights import read_light

    return read_light(path, scale=scale, exposure=exposure)


def _calibrated(light: Light, masters: tuple[str | None, str | None, str | None]) -> Light:
    if not any(masters):
        return light
    from subgrade.lights.calibrate import apply

    return apply(light, load_masters_once(*masters))


def _draw(cache: MeasurementCache, key: str, light: Light, stars: FrameStars) -> None:
    from subgrade.stars import frame_pictures

    try:
        cache.save_pictures(key, frame_pictures(light.pixels, light.facts, stars))
    except Exception:
        # whatever a library raises here, the frame is measured: it only goes without pictures
        return
