"""The columns of summary.csv: name, unit, meaning and where each value comes from."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from subgrade.judging.features import (
    BACKGROUND,
    ECCENTRICITY,
    FWHM,
    GUIDING_PEAK,
    STAR_COUNT,
    TRANSPARENCY,
)
from subgrade.judging.reasons import DIMMING
from subgrade.optional_parts import attempt
from subgrade.results.model import GradedFrame

UNITS = {"pix": "px", "adu": "ADU"}
"""Units as people write them, by their names in astropy; others are the same."""
SIGNS = UNITS | {"arcsec": "″", "deg": "°"}
"""The same beside a number."""


@dataclass(frozen=True, slots=True)
class Look:
    """How a column is shown on the page.

    Attributes
    ----------
    label : str
    digits : int
        Decimals.
    heading : str
        For a narrow column; ``label`` where not given.
    full : str
        What the heading stands for; label and unit where not given.
    """

    label: str
    digits: int = 2
    heading: str = ""
    full: str = ""


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
    formula, source : str
        How it is worked out and where that is from, for the documentation; empty for words.
    look : Look or None
        How the page shows it.
    """

    name: str
    unit: str
    kind: type
    digits: int
    meaning: str
    value: Callable[[GradedFrame], str | float | int | None]
    formula: str = ""
    source: str = ""
    look: Look | None = None

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


_OF_THE_HEADER = {
    "formula": "from the header; middle = start + half the exposure",
    "source": "[reading.md](reading.md)",
}
_OF_THE_RMS = {
    "formula": "√(mean of (error − mean)²) over the exposure",
    "source": "definition ([guiding.md](guiding.md))",
    "look": Look("guiding RMS"),
}
_DIMMING = " and ".join(f"`{word}`" for word in DIMMING)

COLUMNS: tuple[Column, ...] = (
    Column("frame", "", str, 0, "path relative to the common input folder", lambda f: f.name),
    Column("verdict", "", str, 0, "keep, reject or unreadable", _judgement("verdict")),
    Column(
        "reasons",
        "",
        str,
        0,
        "reason words separated by ;, the strongest first; on a kept frame a remark",
        lambda f: ";".join(f.judgement.reasons),
    ),
    Column(
        "explanation",
        "",
        str,
        0,
        "one sentence with the numbers that decided",
        _judgement("explanation"),
    ),
    Column(
        "confidence",
        "",
        float,
        3,
        "of the verdict, 0 to 1",
        _judgement("confidence"),
        formula=(
            "1 / (1 + exp(−q)) with q = p/2 + 3.5 (p/7)³ for a reject, one less that for a keep; "
            "p are the points of the deciding number"
        ),
        source=(
            "1.702 in the points: Camilli 1994, from memory "
            "([limits.md](limits.md#from-numbers-to-a-verdict))"
        ),
        look=Look("confidence", heading="conf.", full="confidence in the verdict, 0 to 1"),
    ),
    Column(
        "cause_confidence",
        "",
        float,
        3,
        "of the first reason word, 0 to 1: its probability among the causes weighed for it",
        _judgement("cause_confidence"),
        formula=(
            "exp(q) of the word over the sum of exp(q) of all causes weighed for it, q being the "
            "cause's prior and the points of its clues; how far the frame is past a limit is no "
            f"clue. Of a word that has no rival ({_DIMMING} count as such), the verdict's "
            "confidence for a reject and 0.5 for a remark; empty without a reason"
        ),
        source="the points are log odds ([limits.md](limits.md#from-numbers-to-a-verdict))",
    ),
    Column(
        "weight",
        "",
        float,
        4,
        "relative stacking weight, 1 for the best frame of its group; 0 for a reject",
        _judgement("weight"),
        formula="T² / (noise² FWHM²), over the group's best",
        source="Zackay & Ofek 2017, ApJ 836, 187 ([stacking.md](stacking.md#the-weights))",
        look=Look("weight", full="relative weight in the stack: 1 is the best frame"),
    ),
    Column("target", "", str, 0, "object name in the header", _fact("target")),
    Column("filter", "", str, 0, "filter name in the header", _fact("filter")),
    Column(
        "exposure_s",
        "s",
        float,
        3,
        "exposure time in the header",
        _fact("exposure_s"),
        **_OF_THE_HEADER,
    ),
    Column(
        "start_utc",
        "",
        str,
        0,
        "start of the exposure, UTC, ISO 8601",
        _fact("start_utc"),
        **_OF_THE_HEADER,
    ),
    Column(
        "mid_utc",
        "",
        str,
        0,
        "middle of the exposure, UTC, ISO 8601",
        _fact("mid_utc"),
        **_OF_THE_HEADER,
    ),
    Column(
        "stars",
        "",
        int,
        0,
        "stars above the detection limit; hot pixels, cosmic rays, streaks and what is wider than "
        "a star left out",
        _star("stars"),
        formula="detections with F / (σ √NEA) of 20 or more, NEA = (ΣP)² / ΣP²",
        source="King 1983, PASP 95, 163",
        look=Look(STAR_COUNT.label, 0),
    ),
    Column(
        "fwhm_px",
        "pix",
        float,
        3,
        "full width at half maximum of the frame's star image, geometric mean of the two axes, "
        "pixel included",
        _star("fwhm_px"),
        formula="√(major × minor) of the half-maximum widths of the stacked star image",
        source="definition ([conventions.md](conventions.md#fwhm))",
        look=Look(FWHM.label),
    ),
    Column(
        "fwhm_arcsec",
        "arcsec",
        float,
        3,
        "the same on the sky",
        _fwhm_arcsec,
        formula=(
            "`fwhm_px` × scale; scale = 206.265 × pitch in µm / focal length in mm, where the "
            "header states no scale"
        ),
        source="small angle",
        look=Look(FWHM.label),
    ),
    Column(
        "eccentricity",
        "",
        float,
        4,
        "sqrt(1 - (b/a)^2) of the frame's common star shape, noise bias removed; 0 is round",
        _star("eccentricity"),
        formula="√(1 − (b/a)²) = √(2χ / (1 + χ)), χ less what noise adds",
        source=(
            "moments: Hirata & Seljak 2003, MNRAS 343, 459; noise: Plaszczynski et al. 2014, "
            "MNRAS 439, 4048, from memory ([conventions.md](conventions.md#eccentricity))"
        ),
        look=Look(ECCENTRICITY.label, heading="ecc."),
    ),
    Column(
        "eccentricity_error",
        "",
        float,
        4,
        "one standard error of it; where it is as large as the eccentricity itself, no "
        "elongation is measured",
        _star("eccentricity_error"),
        formula="e(χ) − e(χ − σ), σ the error of a component over ½ (xx + yy)",
        source="derived",
    ),
    Column(
        "angle_deg",
        "deg",
        float,
        2,
        "long axis, counter-clockwise from +x (increasing column) toward +y (increasing FITS "
        "row), from 0 to below 180",
        _angle,
        formula="½ atan2(2 xy, xx − yy)",
        source="Bertin & Arnouts 1996, A&AS 117, 393",
        look=Look("long axis", 0),
    ),
    Column(
        "position_angle_deg",
        "deg",
        float,
        2,
        "the same axis east of north, where the orientation is known",
        _position_angle,
        formula="atan2(E·u, N·u), u the unit vector along the long axis",
        source="derived, below",
    ),
    Column(
        "background_adu",
        "adu",
        float,
        2,
        "median sky level",
        _star("background_adu"),
        formula=(
            "median of the local sky; a cell's level is 2.5 median − 1.5 mean of clipped samples"
        ),
        source="Bertin & Arnouts 1996, from memory",
        look=Look(BACKGROUND.label, 0, heading="sky"),
    ),
    Column(
        "noise_adu",
        "adu",
        float,
        3,
        "robust sky noise of one pixel",
        _star("noise_adu"),
        formula="robust scatter of single sky pixels about the local sky",
        source="[accuracy.md](accuracy.md#how-one-frame-is-measured)",
    ),
    Column(
        "transparency",
        "",
        float,
        4,
        "starlight received relative to the night's clear level, from the same stars matched "
        "frame to frame; 1 is clear",
        lambda f: getattr(f.compared, "transparency", None),
        formula="starlight over that of the clear level, the same stars",
        source="[comparing.md](comparing.md#transparency)",
        look=Look(TRANSPARENCY.label, heading="transp.", full="transparency: 1 is clear"),
    ),
    Column(
        "guide_rms_ra_arcsec",
        "arcsec",
        float,
        3,
        "guiding RMS in RA inside the exposure, about its mean",
        _guiding("rms_ra"),
        **_OF_THE_RMS,
    ),
    Column(
        "guide_rms_dec_arcsec",
        "arcsec",
        float,
        3,
        "guiding RMS in Dec inside the exposure, about its mean",
        _guiding("rms_dec"),
        **_OF_THE_RMS,
    ),
    Column(
        "guide_peak_arcsec",
        "arcsec",
        float,
        3,
        "largest guiding error inside the exposure",
        _guiding("peak"),
        formula="largest distance of the guide star from the reference position",
        source="definition",
        look=Look(GUIDING_PEAK.label),
    ),
    Column(
        "guide_samples",
        "",
        int,
        0,
        "samples of the guiding record inside the exposure",
        _guiding("samples"),
        formula="samples with a star between start and end of the exposure",
        source="definition",
    ),
)
"""Every column of summary.csv, in the order written."""
TIMES = ("start_utc", "mid_utc")
"""Those whose text is an instant."""


def looks() -> dict[str, dict]:
    """How the page shows each column that it shows: label, heading, full name, unit, digits."""
    found = {}
    for column in COLUMNS:
        if look := column.look:
            unit = SIGNS.get(column.unit, column.unit)
            found[column.name] = {
                "label": look.label,
                "heading": look.heading or look.label,
                "full": look.full or (f"{look.label}, {unit}".strip(", ") if look.heading else ""),
                "unit": unit,
                "digits": look.digits,
            }
    return found
