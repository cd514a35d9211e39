"""Units of the errors: stated, or found from pairs of columns that measure the same motion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.record.columns import Choice, Use
from subgrade.record.running_text import Facts
from subgrade.record.titles import guesses

NAN = float("nan")
SAME = 0.03
"""Relative scatter up to which two columns count as one motion in two units."""


@dataclass(frozen=True, slots=True)
class Units:
    """Arcseconds for one count of the first and of the second error column, the scale used
    (NaN for errors in arcsec, and in pixels of unknown size), the unit they had, and remarks."""

    first: float
    second: float
    scale: float
    unit: str
    notes: tuple[str, ...] = ()

    @property
    def known(self) -> bool:
        """Whether the errors are in arcsec by these factors."""
        return self.unit == "arcsec" or self.scale == self.scale


def settle_units(choice: Choice, facts: Facts, scale_arcsec_px: float | None) -> Units:
    """Find what turns the error columns into arcsec; errors stay in pixels of unknown size."""
    first, second = choice.axes
    notes: list[str] = []
    unit = next((u.unit for u in (first, second) if u is not None and u.unit), "")
    scale = scale_arcsec_px if scale_arcsec_px else facts.scale_arcsec_px
    how = "given" if scale_arcsec_px else facts.scale_source
    unit_pair, pair, why = _paired(choice, first, second, unit)
    if not unit and unit_pair:
        unit = unit_pair
        notes.append(f"errors are in {unit}: {why}")
    if scale != scale and pair == pair:
        scale, how = pair, why
    factors = [u.factor if u is not None else 1.0 for u in (first, second)]
    if not unit:
        unit, note = _unstated(choice, facts, scale)
        notes.append(note)
        if facts.unit:
            factors = [facts.unit_factor * factor for factor in factors]
    if unit == "arcsec":
        return Units(*factors, NAN, unit, tuple(notes))
    if scale != scale:
        return Units(*factors, NAN, "px", tuple(notes))
    if how not in ("given", "stated"):
        notes.append(f"guide camera: {scale:.4g} arcsec per pixel ({how})")
    return Units(factors[0] * scale, factors[1] * scale, scale, unit, tuple(notes))


def _unstated(choice: Choice, facts: Facts, scale: float) -> tuple[str, str]:
    if facts.unit:
        word = "mas" if facts.unit_factor == 0.001 else facts.unit
        return facts.unit, f"errors are in {word}, as stated in the file"
    if choice.one("ra") is None and choice.one("dec") is None:
        return "px", "errors along the camera axes have no stated unit; taken as pixels"
    if scale == scale:
        return "px", "the unit of the errors is not stated; taken as pixels, since a scale is given"
    return "arcsec", "the unit of the errors is not stated; taken as arcsec"


def _paired(
    choice: Choice, first: Use | None, second: Use | None, unit: str
) -> tuple[str, float, str]:
    """Unit and scale from columns that hold the same motion: (unit or '', scale, reason)."""
    for use in (first, second):
        if use is None:
            continue
        for place, (title, own) in enumerate(
            zip(choice.header.titles, choice.header.units, strict=True)
        ):
            other = next((g for g in guesses(title, own) if g.role == use.role), None)
            if place == use.place or other is None or not other.unit or other.unit == use.unit:
                continue
            ratio = _ratio(
                choice.numbers[use.place] * use.factor, choice.numbers[place] * other.factor
            )
            if ratio != ratio:
                continue
            mine = use.unit or unit or ("arcsec" if other.unit == "px" else "px")
            scale = ratio if mine == "arcsec" else 1.0 / ratio
            if 0.02 < scale < 60:
                return mine, scale, f"{title!r} holds the same motion in {other.unit}"
    x, y = choice.one("x"), choice.one("y")
    if first is None or second is None or first.role != "ra" or x is None or y is None:
        return "", NAN, ""
    # A turn of the camera changes directions, not lengths.
    sky = np.hypot(choice.numbers[first.place], choice.numbers[second.place]) * first.factor
    camera = np.hypot(choice.numbers[x.place], choice.numbers[y.place]) * x.factor
    ratio = _ratio(sky, camera)
    if ratio != ratio or (unit or "arcsec") != "arcsec" or x.unit == "arcsec":
        return "", NAN, ""
    if abs(ratio - 1.0) < 0.01 and not unit:
        return "px", NAN, "they are as long as the camera's own x and y"
    return "arcsec", ratio, "they are a constant factor longer than the camera's x and y"


def _ratio(one: np.ndarray, other: np.ndarray) -> float:
    """Median ratio of two columns where it is one number for all rows, else NaN."""
    usable = np.isfinite(one) & np.isfinite(other) & (np.abs(other) > 0)
    if usable.sum() < 3:
        return NAN
    big = np.abs(other) >= np.median(np.abs(other[usable]))
    ratios = one[usable & big] / other[usable & big]
    middle = float(np.median(ratios))
    if middle <= 0:
        return NAN
    scatter = float(np.median(np.abs(ratios - middle))) / middle
    return middle if scatter < SAME else NAN
