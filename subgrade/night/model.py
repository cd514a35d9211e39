"""What the comparing stage hands on: every frame beside its group.

A night apart from the measurements of its frames, and put together with them again.

The comparison is kept from run to run; what it compared is kept already, frame by frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from subgrade.lights.model import HeaderFacts
from subgrade.stars.model import FrameStars

NAN = float("nan")


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame's identity, header facts and measurement, without pixels.

    ``name`` is the path relative to the common input folder, ``/`` between parts.
    """

    name: str
    path: str
    facts: HeaderFacts
    stars: FrameStars


@dataclass(frozen=True, slots=True)
class Registration:
    """Where a frame's stars lie on the group's reference frame.

    A frame position p maps to ``scale * R(rotation) p + (dx, dy)`` on the reference.
    """

    matched: int
    dx: float = NAN
    dy: float = NAN
    rotation_deg: float = NAN
    scale: float = NAN
    rms_px: float = NAN
    note: str = ""

    @property
    def ok(self) -> bool:
        """Whether the frame was matched."""
        return bool(np.isfinite(self.dx))

    def __call__(self, p: complex | np.ndarray) -> complex | np.ndarray:
        """Where positions ``x + 1j y`` of the frame lie on the reference."""
        return self.turn * p + self.shift

    @property
    def turn(self) -> complex:
        """Turn and scale as a factor of complex positions."""
        return self.scale * np.exp(1j * np.radians(self.rotation_deg))

    @property
    def shift(self) -> complex:
        """What is added to turned positions."""
        return complex(self.dx, self.dy)


@dataclass(frozen=True, slots=True)
class FrameCompared:
    """What the night shows about one frame; NaN where it shows nothing."""

    group: int
    """Index into ``Night.groups``; -1 for a stray."""
    stray_note: str = ""
    """Why the frame belongs to no group, with the difference."""
    failed: bool = False
    """Whether it stands alone because the comparison itself failed."""
    registration: Registration | None = None
    transparency: float = NAN
    transparency_error: float = NAN
    quarters: tuple[float, float, float, float] = (NAN, NAN, NAN, NAN)
    """Transparency by image quarter: low x low y, high x low y, low x high y, high x high y."""
    matched_stars: int = 0
    """Stars whose flux was compared for the transparency."""
    transparency_note: str = ""
    """States when the transparency is only an upper limit, or why there is none."""
    hot_mask: np.ndarray | None = None
    """True at the catalogue's detections that stay put on the sensor while the sky moves."""
    fwhm_expected_px: float = NAN
    """Width that the group's `Trends` give at this hour, altitude and side of the pier, px."""
    background_expected_adu: float = NAN
    """Sky that the group's slow trend gives at this hour, ADU."""
    clock_note: str = ""
    """What the header's time says, where it cannot be right and is not used."""

    @property
    def transparency_is_limit(self) -> bool:
        """Whether the transparency is an upper limit, which has itself for its error."""
        return bool(self.transparency_error >= self.transparency)


@dataclass(frozen=True, slots=True)
class Usual:
    """A group's usual value of one quantity: robust centre, spread, and best tenth."""

    centre: float
    spread: float
    best: float
    count: int


@dataclass(frozen=True, slots=True)
class Trends:
    """What orders a group's widths and sky, apart from bad frames; NaN where nothing does.

    ``ln FWHM = level(side) + airmass_exponent ln X + focus_slope u``.

    Attributes
    ----------
    frames_used : int
        Frames that lie on the width model; the others are wider (or narrower).
    scatter : float
        Robust scatter of ln FWHM about the model.
    airmass_exponent : float
        0.6; less where optics and pixels plainly dilute it; NaN where airmass is unknown or
        does not order the widths.
    focus_slope, focus_error : float
        Change of ln FWHM per unit of the slow quantity, and one sigma; NaN unless significant.
    focus_unit : str
        ``°C`` (ambient temperature), ``step`` (focuser), ``h`` (time); empty without a slope.
    side_offset : float
        ln FWHM on the side of the pier taken second, less that on the first.
    sky_per_hour : float
        Mean change of ln sky an hour.
    """

    frames_used: int = 0
    scatter: float = NAN
    airmass_exponent: float = NAN
    focus_slope: float = NAN
    focus_error: float = NAN
    focus_unit: str = ""
    side_offset: float = NAN
    sky_per_hour: float = NAN


@dataclass(frozen=True, slots=True)
class Group:
    """Frames that can be compared with one another.

    ``usual`` maps a quantity (``fwhm_px``, ``eccentricity``, ``background_adu``,
    ``noise_adu``, ``stars``, ``transparency``) to its `Usual`.
    """

    label: str
    target: str | None
    filter: str | None
    exposure_s: float | None
    binning: tuple[int, int]
    shape: tuple[int, int]
    members: tuple[int, ...]
    reference: int
    usual: dict[str, Usual]
    extinction_mag: float = NAN
    """Extinction taken out of the transparencies, mag per airmass; NaN if none was."""
    extinction_source: str = "none"
    """``fitted`` to the night, ``default`` (assumed), or ``none`` (airmass unknown)."""
    hot_pixels: np.ndarray | None = None
    """Places (x, y) that stay put on the sensor, px, shape (n, 2); None without dither."""
    trends: Trends | None = None
    """What airmass, focus, side of the pier and the hour explain of width and sky."""


@dataclass(frozen=True, slots=True)
class DriftSegment:
    """A run of frames between dithers and what the pointing did in it.

    ``drift_x``, ``drift_y`` state how fast the stars move over the sensor, px per
    minute, with one-sigma errors; ``drift_arcsec`` is the speed on the sky.
    ``east``, ``north`` (arcsec per minute) are how the *stars* move, where the
    camera's orientation is known.
    """

    frames: tuple[int, ...]
    drift_x: float
    drift_y: float
    error_x: float
    error_y: float
    drift_arcsec: float = NAN
    east: float = NAN
    north: float = NAN


@dataclass(frozen=True, slots=True)
class GroupGeometry:
    """How a group's frames turn, drift and breathe over the night; NaN where unknown.

    Of several nights the one with most frames gives the rates, since the mount may be set up
    anew for each; segments and flips are those of all nights.

    Attributes
    ----------
    segments : tuple of DriftSegment
    drift_px_per_min, drift_arcsec_per_min : float
        Speed of the median step between frames that no dither parts; unlike the
        segments it needs only two frames between dithers.
    rotation_deg_per_hour, rotation_error : float
        Steady field rotation of the stars on the sensor between frames,
        counter-clockwise positive, flips taken out; one sigma.
    polar_min_arcmin : float
        Smallest polar misalignment that explains the rotation; a lower bound,
        since the hour angle may hide part of it.
    polar_range_arcmin : tuple of float
        Where the true misalignment lies with 80 % chance when its direction is
        unknown.
    polar_fit_arcmin, polar_fit_error : float
        The misalignment itself, where site, time and a wide enough span of hour
        angle allow to solve for it.
    polar_note : str
        What was assumed.
    scale_ppm_per_hour, scale_error : float
        Trend of the image scale (focus, temperature).
    scale_range_ppm : float
        Spread of the scale over the group, 10th to 90th percentile.
    flips : tuple of int
        First frame after each half turn.
    handedness : int or None
        +1 if east lies counter-clockwise of north on the array with +y up
        (a true sky view), -1 if mirrored; None if the orientation is unknown.
    """

    segments: tuple[DriftSegment, ...] = ()
    drift_px_per_min: float = NAN
    drift_arcsec_per_min: float = NAN
    rotation_deg_per_hour: float = NAN
    rotation_error: float = NAN
    polar_min_arcmin: float = NAN
    polar_range_arcmin: tuple[float, float] = (NAN, NAN)
    polar_fit_arcmin: float = NAN
    polar_fit_error: float = NAN
    polar_note: str = ""
    scale_ppm_per_hour: float = NAN
    scale_error: float = NAN
    scale_range_ppm: float = NAN
    flips: tuple[int, ...] = ()
    handedness: int | None = None


@dataclass(frozen=True, slots=True)
class NightGeometry:
    """Geometry by group, in the order of ``Night.groups``."""

    groups: tuple[GroupGeometry, ...]


@dataclass(frozen=True, slots=True)
class Night:
    """All frames, in the order taken, beside one another."""

    frames: tuple[Frame, ...]
    compared: tuple[FrameCompared, ...]
    groups: tuple[Group, ...]
    geometry: NightGeometry | None = None


def without_frames(night: Night, frames: Sequence[Frame]) -> tuple:
    """What the comparison found.

    Parameters
    ----------
    night : Night
    frames : sequence of Frame
        Those it was made of, in any order; each has a name of its own.

    Returns
    -------
    tuple
        Plain values and dataclasses of `subgrade.night.model`, for `with_frames`: the places of
        the night's frames among ``frames``, header facts that the night states otherwise, and
        the rest of the `Night`.
    """
    places = {frame.name: k for k, frame in enumerate(frames)}
    order = tuple(places[frame.name] for frame in night.frames)
    restated = {
        k: frame.facts
        for k, frame in enumerate(night.frames)
        if frame.facts is not frames[order[k]].facts
    }
    return order, restated, night.compared, night.groups, night.geometry


def with_frames(found: tuple, frames: Sequence[Frame]) -> Night:
    """The night again, from what `without_frames` returned and the same frames."""
    order, restated, compared, groups, geometry = found
    own = [frames[k] for k in order]
    for k, facts in restated.items():
        own[k] = replace(own[k], facts=facts)
    return Night(tuple(own), compared, groups, geometry)
