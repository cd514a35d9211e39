"""The columns of summary.csv: name, unit, meaning and where each value comes from."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from subgrade.optional_parts import attempt
from subgrade.results.model import GradedFrame


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes
    ----------
    name : str
    unit : str
        In the spelling of astropy.units; empty for a plain number or text.
    kind : type
        ``str``, ``float`` or ``int``.
    digits : int
        Decimals written for a float.
    meaning : str
    value : callable
        Takes a `GradedFrame`; returns the value, or None where it was not measured.
    """

    name: str
    unit: str
    kind: type
    digits: int
    meaning: str
    value: Callable[[GradedFrame], str | float | int | None]

    def of(self, frame: GradedFrame) -> str | float | int | None:
        """The frame's value, rounded; None where it was not measured."""
        return attempt(f"the column {self.name}", lambda: self._of(frame), None)

    def _of(self, frame: GradedFrame) -> str | float | int | None:
        value = self.value(frame)
        if value is None or value == "":
            return None
        if self.kind is str:
            return str(value)
        if not math.isfinite(value):
            return None
        return int(value) if self.kind is int else round(float(value), self.digits)


def _judgement(name: str):
    return lambda frame: getattr(frame.judgement, name)


def _fact(name: str):
    return lambda frame: getattr(frame.facts, name, None)


def _star(name: str):
    return lambda frame: getattr(frame.stars, name, None)


def _fwhm_arcsec(frame: GradedFrame) -> float | None:
    scale = getattr(frame.facts, "scale_arcsec", None)
    return frame.stars.fwhm_px * scale if frame.stars and scale else None


def _angle(frame: GradedFrame) -> float | None:
    angle = getattr(frame.stars, "angle_deg", math.nan)
    if not math.isfinite(angle):
        return None
    return round(angle % 180.0, 2) % 180.0  # 179.999 rounds to 0, not 180


def _position_angle(frame: GradedFrame) -> float | None:
    angle = _angle(frame)
    axes = getattr(frame.facts, "sky_axes", None)
    if angle is None or axes is None:
        return None
    return round(position_angle_deg(frame.stars.angle_deg, axes), 2) % 180.0


def _guiding(name: str):
    """A number of the guiding record; empty where it has no sample inside the exposure."""

    def value(frame: GradedFrame):
        inside = frame.guiding
        return getattr(inside, name) if inside is not None and inside.samples else None

    return value


def position_angle_deg(angle_deg: float, sky_axes) -> float:
    """Position angle of an axis in the image, east of north.

    Parameters
    ----------
    angle_deg : float
        The axis in the image, counter-clockwise from +x toward +y (increasing row).
    sky_axes : tuple
        ((east per x, east per y), (north per x, north per y)), arcsec per pixel.

    Returns
    -------
    float
        Degrees in [0, 180).
    """
    (east_x, east_y), (north_x, north_y) = sky_axes
    x, y = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    east, north = east_x * x + east_y * y, north_x * x + north_y * y
    # Twice, because a tiny negative angle rounds up to 180 itself.
    return math.degrees(math.atan2(east, north)) % 180.0 % 180.0


COLUMNS: tuple[Column, ...] = (
    Column("frame", "", str, 0, "path relative to the common input folder", lambda f: f.name),
    Column("verdict", "", str, 0, "keep, reject or unreadable", _judgement("verdict")),
    Column(
        "reasons", "", str, 0,
        "reason words separated by ;, the strongest first; on a kept frame a remark",
        lambda f: ";".join(f.judgement.reasons),
    ),
    Column(
        "explanation", "", str, 0, "one sentence with the numbers that decided",
        _judgement("explanation"),
    ),
    Column("confidence", "", float, 3, "of the verdict, 0 to 1", _judgement("confidence")),
    Column(
        "cause_confidence", "", float, 3,
        "of the first reason word, 0 to 1: its probability among the causes weighed for it",
        _judgement("cause_confidence"),
    ),
    Column(
        "weight", "", float, 4,
        "relative stacking weight, 1 for the best frame of its group; 0 for a reject",
        _judgement("weight"),
    ),
    Column("target", "", str, 0, "object name in the header", _fact("target")),
    Column("filter", "", str, 0, "filter name in the header", _fact("filter")),
    Column("exposure_s", "s", float, 3, "exposure time in the header", _fact("exposure_s")),
    Column("start_utc", "", str, 0, "start of the exposure, UTC, ISO 8601", _fact("start_utc")),
    Column("mid_utc", "", str, 0, "middle of the exposure, UTC, ISO 8601", _fact("mid_utc")),
    Column(
        "stars", "", int, 0,
        "stars above the detection limit; hot pixels, cosmic rays, streaks and what is wider than "
        "a star left out",
        _star("stars"),
    ),
    Column(
        "fwhm_px", "pix", float, 3,
        "full width at half maximum of the frame's star image, geometric mean of the two axes, "
        "pixel included",
        _star("fwhm_px"),
    ),
    Column("fwhm_arcsec", "arcsec", float, 3, "the same on the sky", _fwhm_arcsec),
    Column(
        "eccentricity", "", float, 4,
        "sqrt(1 - (b/a)^2) of the frame's common star shape, noise bias removed; 0 is round",
        _star("eccentricity"),
    ),
    Column(
        "eccentricity_error", "", float, 4,
        "one standard error of it; where it is as large as the eccentricity itself, no "
        "elongation is measured",
        _star("eccentricity_error"),
    ),
    Column(
        "angle_deg", "deg", float, 2,
        "long axis, counter-clockwise from +x (increasing column) toward +y (increasing FITS "
        "row), from 0 to below 180",
        _angle,
    ),
    Column(
        "position_angle_deg", "deg", float, 2,
        "the same axis east of north, where the orientation is known", _position_angle,
    ),
    Column("background_adu", "adu", float, 2, "median sky level", _star("background_adu")),
    Column("noise_adu", "adu", float, 3, "robust sky noise of one pixel", _star("noise_adu")),
    Column(
        "transparency", "", float, 4,
        "starlight received relative to the night's clear level, from the same stars matched "
        "frame to frame; 1 is clear",
        lambda f: getattr(f.compared, "transparency", None),
    ),
    Column(
        "guide_rms_ra_arcsec", "arcsec", float, 3,
        "guiding RMS in RA inside the exposure, about its mean", _guiding("rms_ra"),
    ),
    Column(
        "guide_rms_dec_arcsec", "arcsec", float, 3,
        "guiding RMS in Dec inside the exposure, about its mean", _guiding("rms_dec"),
    ),
    Column(
        "guide_peak_arcsec", "arcsec", float, 3, "largest guiding error inside the exposure",
        _guiding("peak"),
    ),
    Column(
        "guide_samples", "", int, 0, "samples of the guiding record inside the exposure",
        _guiding("samples"),
    ),
)  # fmt: skip
"""Every column of summary.csv, in the order written."""
