"""What the measuring stage hands on: one frame's numbers, star list and star image.

Conventions (see docs/conventions.md): x is the column, y the row, both 0-based,
pixel centres on whole numbers; angles run counter-clockwise from +x with +y the
direction of increasing row; moments xx, yy, xy are in px^2.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntFlag

import numpy as np

NAN = float("nan")


class StarFlag(IntFlag):
    """Why a detection is left out of a statistic; 0 is a clean star."""

    SATURATED = 1
    EDGE = 2
    """Nearer to the frame's edge than its own measuring window."""
    BLENDED = 4
    """A neighbour inside the measuring window disturbs the shape."""
    SHARP = 8
    """Sharper than light through the telescope can be: hot pixel or cosmic ray."""
    EXTENDED = 16
    """Larger than the frame's stars: galaxy, nebula knot, ghost."""
    STREAK = 32
    """Part of a satellite or meteor trail."""
    BAD_PIXEL = 64
    """A blank pixel inside the window."""
    FAINT = 256
    """Below the counting limit in S/N."""
    WIDE = 512
    """Plainly wider than the stars around it: a galaxy, a knot or a piece of a nebula."""


NOT_A_STAR = StarFlag.SHARP | StarFlag.STREAK | StarFlag.WIDE
"""Flags that keep a detection out of the star count."""
UNCLEAN = (
    StarFlag.SATURATED
    | StarFlag.EDGE
    | StarFlag.BLENDED
    | StarFlag.SHARP
    | StarFlag.EXTENDED
    | StarFlag.STREAK
    | StarFlag.BAD_PIXEL
    | StarFlag.WIDE
)
"""Flags that keep a star out of the shape."""


@dataclass(frozen=True, slots=True)
class StarList:
    """Detections of one frame, brightest first; arrays of one length n.

    Attributes
    ----------
    x, y : ndarray of float64
        Centroid, px.
    flux : ndarray of float32
        ADU in the frame's star shape (matched filter, aperture-free), sky removed.
    snr : ndarray of float32
        Matched-filter signal to noise, sky noise only.
    peak : ndarray of float32
        Highest pixel above sky, ADU.
    xx, yy, xy : ndarray of float32
        Adaptive second moments, px^2; NaN where not measured.
    flags : ndarray of uint16
        `StarFlag` bits.
    """

    x: np.ndarray
    y: np.ndarray
    flux: np.ndarray
    snr: np.ndarray
    peak: np.ndarray
    xx: np.ndarray
    yy: np.ndarray
    xy: np.ndarray
    flags: np.ndarray

    def __len__(self) -> int:
        return len(self.x)

    @property
    def is_star(self) -> np.ndarray:
        """True where the detection counts as a star (blended or saturated ones do)."""
        return (self.flags & int(NOT_A_STAR)) == 0


@dataclass(frozen=True, slots=True)
class StarImage:
    """The frame's stacked star, sky removed, peak 1, centred in an odd square array.

    Attributes
    ----------
    image : ndarray of float32, shape (n, n)
        Surface brightness of the star as the pixels saw it.
    step_px : float
        Size of one element in sensor pixels.
    stars_used : int
        How many stars went into it.
    """

    image: np.ndarray
    step_px: float
    stars_used: int


@dataclass(frozen=True, slots=True)
class ShapeField:
    """Second moments as low-order polynomials over the field.

    A component at (x, y) is ``sum_k c[k] * u**i_k * v**j_k`` with
    ``u = (x - x0) / half``, ``v = (y - y0) / half`` and (i, j) running over
    ``(0,0) (1,0) (0,1) (2,0) (1,1) (0,2)`` (fewer when stars are few).

    Attributes
    ----------
    coefficients : ndarray, shape (3, k)
        Rows xx, yy, xy, px^2.
    errors : ndarray, shape (3, k)
        One sigma.
    x0, y0, half : float
        Field centre and half-diagonal, px.
    stars_used : int
    """

    coefficients: np.ndarray
    errors: np.ndarray
    x0: float
    y0: float
    half: float
    stars_used: int


@dataclass(frozen=True, slots=True)
class Streak:
    """A straight trail across the frame: its ends (px), width and level."""

    x1: float
    y1: float
    x2: float
    y2: float
    width_px: float
    level_adu: float

    @property
    def length_px(self) -> float:
        """Distance of the ends, px."""
        return float(np.hypot(self.x2 - self.x1, self.y2 - self.y1))


@dataclass(frozen=True, slots=True)
class Flaw:
    """One kind of damage to the frame's pixels.

    Attributes
    ----------
    kind : str
        ``empty``, ``repeated``, ``garbled``, ``flipped``, ``wrapped``,
        ``exchanged`` or ``cut``.
    first_row, last_row : int
        Rows it lies in, both included.
    share : float
        Share of the frame's pixels it takes.
    count : int
        Empty stretches, repeated or garbled rows, flipped bits (an estimate), cut stars, or
        steps over the whole range.
    """

    kind: str
    first_row: int
    last_row: int
    share: float
    count: int


@dataclass(frozen=True, slots=True)
class FrameStars:
    """Everything the later stages need of one frame; NaN where not measured.

    ``shape_status`` says how far the shape numbers can be trusted:
    ``measured``, ``trailed`` (stars are lines), ``doubled`` (two images of every
    star), ``hollow`` (rings: far out of focus), ``few`` (under three usable
    stars), ``none`` (no star).  ``shape_note`` is the same in one sentence.
    """

    width: int
    height: int
    background_adu: float
    noise_adu: float
    background_map: np.ndarray
    """Coarse sky map, ADU, shape (rows, columns) of mesh cells."""
    mesh_px: int
    stars: int
    stars_snr_limit: float
    fwhm_px: float = NAN
    fwhm_error_px: float = NAN
    fwhm_method: str = "none"
    """``image`` (stacked star), ``profile`` (Moffat fit), ``moments`` or ``none``."""
    fwhm_major_px: float = NAN
    fwhm_minor_px: float = NAN
    eccentricity: float = NAN
    eccentricity_error: float = NAN
    angle_deg: float = NAN
    angle_error_deg: float = NAN
    xx: float = NAN
    yy: float = NAN
    xy: float = NAN
    moment_error: float = NAN
    """One sigma of the common (xx - yy)/2 and xy, px^2."""
    length_px: float = NAN
    """Trail length or separation of the two images, when ``trailed`` or ``doubled``."""
    hollow: float = NAN
    """Centre brightness over the ring's, below 1 for a hollow star."""
    hollow_error: float = NAN
    """One sigma of it, from the scatter of the stars; NaN where no ring is resolved."""
    ring_px: float = NAN
    """Radius of the ring of a hollow star, px."""
    shape_status: str = "none"
    shape_note: str = ""
    stars_in_shape: int = 0
    saturated_share: float = NAN
    """Share of the stars that touch the saturation level."""
    bright_places: int = 0
    """Detections that are not sharper than a star, whether or not they are shaped like one."""
    hot_pixels: int = 0
    """Detections sharper than any star: hot pixels, cosmic rays."""
    star_image: StarImage | None = None
    shape_field: ShapeField | None = None
    streaks: tuple[Streak, ...] = ()
    catalogue: StarList | None = None
    notes: tuple[str, ...] = field(default=())
    flaws: tuple[Flaw, ...] = ()
    """Damage that the pixels show by themselves."""
    row_marks: np.ndarray | None = None
    """A checksum of each row, uint32, to find the row in another frame; 0 where rows may be
    alike by chance."""
    margins_px: tuple[int, int] = (0, 0)
    """Columns of one value at the left and the right edge, px."""


@dataclass(frozen=True, slots=True)
class Picture:
    """A small grey image, encoded; shown with +y up, so the frame's first row is at the bottom.

    Attributes
    ----------
    data : bytes
    width, height : int
        Picture pixels.
    kind : str
        Media type, ``image/jpeg`` or ``image/webp``.
    """

    data: bytes
    width: int
    height: int
    kind: str


@dataclass(frozen=True, slots=True)
class CutOut:
    """One star of the frame, enlarged.

    Attributes
    ----------
    place : str
        One of five along a diagonal: a corner (``top left``), ``upper left``, ``centre``,
        ``lower right``, the other corner; or from bottom left to top right.  As shown: top
        is the side of the largest y.
    x, y : float
        The star, px.
    side_px : int
        Sensor pixels along a side of the cut-out; the same for all of a frame.
    picture : Picture
        Square.
    fwhm_px, eccentricity, eccentricity_error : float or None
        Of this star alone; None where its shape was not measured.
    """

    place: str
    x: float
    y: float
    side_px: int
    picture: Picture
    fwhm_px: float | None = None
    eccentricity: float | None = None
    eccentricity_error: float | None = None


@dataclass(frozen=True, slots=True)
class FramePictures:
    """What a page shows of a frame's pixels, drawn while they are in memory.

    Attributes
    ----------
    thumbnail : Picture
        The whole frame; sky dark grey, pixels without a number black.
    scale : float
        Thumbnail pixels per sensor pixel.
    cutouts : tuple of CutOut
        None, or up to five, from the diagonal's left end to its right end.
    """

    thumbnail: Picture
    scale: float
    cutouts: tuple[CutOut, ...] = ()

    def spot(self, x: float, y: float) -> tuple[float, float]:
        """Where a frame position (px) lies on the thumbnail, px from its left and from its top."""
        return (x + 0.5) * self.scale, self.thumbnail.height - (y + 0.5) * self.scale
