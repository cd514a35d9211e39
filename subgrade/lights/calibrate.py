"""Optional calibration of lights with master dark, bias and flat frames."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from subgrade.errors import UsageError
from subgrade.lights.model import HeaderFacts, Light, Pixels
from subgrade.lights.read_light import read_light


@dataclass(frozen=True, slots=True)
class Master:
    """One master frame: its file, header facts and values (ADU, float32)."""

    path: Path
    facts: HeaderFacts
    values: np.ndarray


@dataclass(frozen=True, slots=True)
class Masters:
    """The masters to apply; None where not given.

    ``flat.values`` are relative responses: 1 is the median of their mosaic colour,
    NaN a pixel without response.
    """

    dark: Master | None = None
    bias: Master | None = None
    flat: Master | None = None

    def __bool__(self) -> bool:
        return any(master is not None for master in (self.dark, self.bias, self.flat))


def load_masters(
    dark: str | Path | None = None, bias: str | Path | None = None, flat: str | Path | None = None
) -> Masters:
    """Read the master frames.

    Parameters
    ----------
    dark, bias, flat : path-like, optional
        A dark holds its bias.  The bias is taken off the flat.

    Returns
    -------
    Masters

    Raises
    ------
    UnreadableFile
        A master that cannot be read.
    UsageError
        Masters of different sizes, or a flat without light.
    """
    masters = {
        name: None if path is None else _master(path)
        for name, path in (("dark", dark), ("bias", bias), ("flat", flat))
    }
    given = [master for master in masters.values() if master is not None]
    for other in given[1:]:
        _same_size(given[0].path, given[0].values.shape, other.path, other.values.shape)
    if masters["flat"] is not None:
        masters["flat"] = _response(masters["flat"], masters["bias"])
    return Masters(**masters)


def apply(light: Light, masters: Masters) -> Light:
    """Take the dark (or without one the bias) off a light and divide by the flat.

    A dark of another exposure is taken off as it is, with a note: scaling it would
    need its bias apart and a sensor without amplifier glow.

    Parameters
    ----------
    light : Light
    masters : Masters

    Returns
    -------
    Light
        With new float32 pixels, `calibrated` filled, and the saturation level lowered
        by what was taken off; the same object where there is nothing to apply.

    Raises
    ------
    UsageError
        A master of another size; names both files.
    """
    if not masters:
        return light
    for master in (masters.dark, masters.bias, masters.flat):
        if master is not None:
            _same_size(light.path, light.pixels.shape, master.path, master.values.shape)
    offset = masters.dark or masters.bias
    plane = light.pixels.physical()
    notes = list(light.facts.notes)
    saturation = light.facts.saturation_adu
    applied = []
    if offset is not None:
        notes += _mismatches(light.facts, offset, is_dark=masters.dark is not None)
        plane -= offset.values
        applied.append("dark" if masters.dark is not None else "bias")
        if saturation is not None:
            saturation -= float(np.nanmedian(offset.values))
    if masters.flat is not None:
        flat = masters.flat.facts.filter
        if flat and light.facts.filter and flat.casefold() != light.facts.filter.casefold():
            notes.append(f"the flat's filter is {flat}, the light's {light.facts.filter}")
        plane /= masters.flat.values
        applied.append("flat")
    facts = replace(light.facts, notes=tuple(notes), saturation_adu=saturation)
    return replace(
        light,
        facts=facts,
        pixels=Pixels(plane, integer=light.pixels.integer and masters.flat is None),
        calibrated=(*light.calibrated, *applied),
    )


def _master(path: str | Path | None) -> Master:
    light = read_light(path)
    return Master(light.path, light.facts, light.pixels.physical())


def _response(flat: Master, bias: Master | None) -> Master:
    values = flat.values if bias is None else flat.values - bias.values
    step = 1 if flat.facts.mosaic is None else 2
    values = values.copy()
    for top in range(step):
        for left in range(step):
            part = values[top::step, left::step]
            with np.errstate(invalid="ignore"):
                part[~(part > 0.0)] = np.nan
            lit = part[np.isfinite(part)]
            if lit.size < part.size / 2:
                raise UsageError(f"{flat.path}: over half of the flat's pixels received no light")
            part /= np.median(lit)
    return replace(flat, values=values)


def _mismatches(facts: HeaderFacts, master: Master, is_dark: bool) -> list[str]:
    kind = "dark" if is_dark else "bias"
    checks = [("gain", facts.gain, master.facts.gain, 0.0, "")]
    checks.append(("camera offset", facts.offset, master.facts.offset, 0.0, ""))
    if is_dark:
        checks.append(("exposure", facts.exposure_s, master.facts.exposure_s, 0.02, " s"))
        there = facts.temperature_c, master.facts.temperature_c
        if None not in there and abs(there[0] - there[1]) > 2.0:
            checks.append(("temperature", *there, 0.0, " °C"))
    return [
        f"the {kind}'s {name} is {theirs:g}{unit}, the light's {ours:g}{unit}: subtracted unscaled"
        for name, ours, theirs, tolerance, unit in checks
        if ours is not None and theirs is not None and abs(ours - theirs) > tolerance * abs(ours)
    ]


def _same_size(
    path: Path, shape: tuple[int, int], other_path: Path, other_shape: tuple[int, int]
) -> None:
    if shape != other_shape:
        raise UsageError(
            f"{other_path} is {other_shape[1]} x {other_shape[0]} px, "
            f"but {path} is {shape[1]} x {shape[0]} px"
        )
