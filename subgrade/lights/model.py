"""What the reading stage hands on: pixels as stored, and the facts of the header."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

UNNAMED_SIP = "the WCS has SIP coefficients, though CTYPE does not name them: they were applied"
"""Note on a frame."""


@dataclass(frozen=True, slots=True)
class HeaderFacts:
    """Facts of one file's header, in plain units; None where the header is silent.

    Angles that describe the sky are degrees, lengths are in the unit the name
    carries.  Times are UTC.
    """

    frame_type: str = "light"
    """``light``, ``dark``, ``bias``, ``flat`` or ``other`` (a stack, a focus frame)."""
    frame_type_stated: bool = False
    """Whether the header states it; a silent header is taken as a light."""
    named_kind: tuple[str, str] | None = None
    """Kind of calibration frame that the name of target, field or file states and nothing
    else, where the header has it as a light; and that name."""
    target: str | None = None
    filter: str | None = None
    exposure_s: float | None = None
    elapsed_s: float | None = None
    """Wall-clock length from shutter open to close, where stated apart from the exposure."""
    start_utc: str | None = None
    """ISO 8601, UTC, to the millisecond or finer, ending in Z."""
    mid_utc: str | None = None
    start_unix: float | None = None
    """POSIX seconds of the start (UTC)."""
    mid_unix: float | None = None
    start_local: str | None = None
    """A clock of unknown zone (camera, DATE-LOC), ISO 8601 without suffix; never used as UTC."""
    time_source: str | None = None
    """The keyword(s) the time came from."""
    camera: str | None = None
    gain: float | None = None
    """As the header states it: a camera setting or electrons per ADU."""
    electrons_per_adu: float | None = None
    offset: float | None = None
    temperature_c: float | None = None
    ambient_c: float | None = None
    focuser_steps: float | None = None
    pier_side: str | None = None
    """``east`` or ``west``."""
    altitude_deg: float | None = None
    azimuth_deg: float | None = None
    airmass: float | None = None
    ra_deg: float | None = None
    dec_deg: float | None = None
    site_lat_deg: float | None = None
    site_lon_deg: float | None = None
    pixel_um: float | None = None
    """Pixel pitch as read out (binning included), along x."""
    focal_mm: float | None = None
    binning: tuple[int, int] = (1, 1)
    mosaic: str | None = None
    """Colour pattern of the stored array's first 2x2 cell, e.g. ``RGGB``; None for mono."""
    saturation_adu: float | None = None
    scale_arcsec: float | None = None
    """Arcseconds per stored pixel."""
    scale_source: str | None = None
    """``wcs``, ``header`` or ``option``."""
    sky_axes: tuple[tuple[float, float], tuple[float, float]] | None = None
    """((east per x, east per y), (north per x, north per y)) in arcsec per pixel."""
    notes: tuple[str, ...] = ()
    """Things a person should know, e.g. that a date was taken for a start on trust."""


@dataclass(frozen=True, slots=True)
class Pixels:
    """One plane of pixels in the cheapest faithful form.

    Physical value = ``zero + scale * stored``.  Two stored forms exist, so that
    compiled code has two cases only: ``uint16`` words (perhaps in the other
    byte order, perhaps with the FITS sign bit still to be flipped), and native
    ``float32`` in which bad pixels are NaN.

    Attributes
    ----------
    data : ndarray, shape (height, width)
        ``uint16`` or ``float32``, C-contiguous.
    swapped : bool
        ``uint16`` only: bytes are in the non-native order.
    sign_flip : bool
        ``uint16`` only: the top bit must be flipped (FITS signed 16 bit with
        BZERO = 32768 read as plain words).
    zero, scale : float
        To physical ADU, after swap and flip.
    integer : bool
        The values came from whole numbers (quantised), which noise estimates allow for.
    """

    data: np.ndarray
    swapped: bool = False
    sign_flip: bool = False
    zero: float = 0.0
    scale: float = 1.0
    integer: bool = True

    @property
    def shape(self) -> tuple[int, int]:
        """(height, width)."""
        return self.data.shape

    def physical(self) -> np.ndarray:
        """The whole plane in ADU as new native float32 (costs 4 bytes a pixel)."""
        raw = self.data
        if raw.dtype == np.uint16:
            raw = raw.byteswap() if self.swapped else raw
            if self.sign_flip:
                raw = raw ^ np.uint16(0x8000)
        out = raw.astype(np.float32)
        if self.scale != 1.0:
            out *= np.float32(self.scale)
        if self.zero != 0.0:
            out += np.float32(self.zero)
        return out


@dataclass(frozen=True, slots=True)
class Light:
    """One frame read from disk: where it is, what its header states, its pixels."""

    path: Path
    facts: HeaderFacts
    pixels: Pixels
    calibrated: tuple[str, ...] = field(default=())
    """Masters applied by subgrade, e.g. ``("dark", "flat")``."""
