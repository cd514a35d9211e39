"""Scenarios as files: read, check, and fit to another length or frame size."""

from __future__ import annotations

import dataclasses
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

from subgrade.errors import UsageError
from subgrade.tomlfiles import parse_toml, read_toml, value_text

from .scenario import (
    CAUSES,
    DITHER_WORDS,
    KINDS,
    ORDERS,
    Air,
    Camera,
    Event,
    Guider,
    Mount,
    Optics,
    Plan,
    Record,
    Scenario,
    Site,
    Sky,
    Target,
)

LARGEST = 1e15
"""Beyond it a number is a slip; seeds, dates in seconds and electrons stay below."""
_TYPES: dict[str, Any] = {
    "plan": Plan,
    "site": Site,
    "target": Target,
    "camera": Camera,
    "optics": Optics,
    "air": Air,
    "sky": Sky,
    "mount": Mount,
    "guider": Guider,
    "record": Record,
}


def _checked(kind: type, values: Any, where: str):
    """Build ``kind`` from a TOML table, refusing names and types it does not know."""
    if not isinstance(values, dict):
        raise UsageError(f"{where}: expected a table of settings")
    known = {f.name: f for f in dataclasses.fields(kind)}
    clean = {}
    for name, value in values.items():
        if name not in known:
            raise UsageError(f"{where}: unknown setting {name!r}; known are {', '.join(known)}")
        wanted = known[name].type
        whole = isinstance(value, int) and not isinstance(value, bool)
        if whole and abs(value) > LARGEST:
            raise UsageError(f"{where}: {name} is far too large: {value_text(value)}")
        if wanted == "float" and whole:
            value = float(value)
        if type(value).__name__ != wanted:
            raise UsageError(f"{where}: {name} must be {wanted}, got {value_text(value)}")
        if isinstance(value, float) and not abs(value) <= LARGEST:  # NaN fails too
            raise UsageError(f"{where}: {name} must be a finite number, got {value_text(value)}")
        clean[name] = value
    try:
        return kind(**clean)
    except TypeError as err:
        raise UsageError(f"{where}: {err}") from None


def scenario_from_toml(text: str, origin: str = "scenario") -> Scenario:
    """Read a scenario from TOML text.

    Raises
    ------
    UsageError
        Not TOML, or a setting is unknown, of the wrong type or out of range.
    """
    return _from_table(parse_toml(text, origin), origin)


def _from_table(table: dict, origin: str) -> Scenario:
    seed = table.pop("seed", 1)
    if not isinstance(seed, int) or isinstance(seed, bool) or seed < 0:
        raise UsageError(f"{origin}: seed must be a whole number from 0, got {value_text(seed)}")
    events = []
    listed = table.pop("events", [])
    if not isinstance(listed, list):
        raise UsageError(f"{origin}: events must be a list of tables, each under [[events]]")
    for number, entry in enumerate(listed, 1):
        where = f"{origin}: event {number}"
        if not isinstance(entry, dict):
            raise UsageError(f"{where}: must be a table under [[events]], not {value_text(entry)}")
        entry = dict(entry)
        span = entry.pop("frames", None)
        if not (isinstance(span, list) and len(span) == 2 and all(type(n) is int for n in span)):
            raise UsageError(f"{where}: frames must be [first, last]")
        events.append(_checked(Event, {**entry, "first": span[0], "last": span[1]}, where))
    parts = {}
    for name, values in table.items():
        if name not in _TYPES:
            raise UsageError(f"{origin}: unknown section [{name}]; known are {', '.join(_TYPES)}")
        parts[name] = _checked(_TYPES[name], values, f"{origin} [{name}]")
    scenario = Scenario(seed=seed, events=tuple(events), **parts)
    check(scenario, origin)
    return scenario


def check(scenario: Scenario, origin: str = "scenario") -> None:
    """Refuse values that cannot be rendered.

    Raises
    ------
    UsageError
        Naming the setting and what it may be.
    """
    c, p, g, r = scenario.camera, scenario.plan, scenario.guider, scenario.record
    rules = [
        (p.frames >= 1, "plan.frames must be at least 1"),
        (p.exposure_s > 0 and p.gap_s >= 4, "plan.exposure_s must be > 0 and plan.gap_s >= 4"),
        (c.width >= 32 and c.height >= 32, "camera.width and camera.height must be at least 32"),
        (c.gain_e_per_adu > 0, "camera.gain_e_per_adu must be positive"),
        (
            len(c.mosaic) in (0, 4) and set(c.mosaic) <= set("RGB"),
            "camera.mosaic must be empty or four letters of R, G, B",
        ),
        (c.header_pitch in ("binned", "unbinned"), "camera.header_pitch: binned or unbinned"),
        (scenario.air.beta > 1.2, "air.beta must be above 1.2"),
        (0 <= scenario.optics.obstruction < 0.9, "optics.obstruction must be in [0, 0.9)"),
        (abs(scenario.target.dec_deg) < 85, "target.dec_deg must be within 85 degrees of 0"),
        (
            g.exposure_s + g.delay_s < g.interval_s,
            "guider.exposure_s + guider.delay_s must be shorter than guider.interval_s",
        ),
        (g.exposure_s >= 0.1, "guider.exposure_s must be at least 0.1"),
        (0 <= g.lag_samples <= 5, "guider.lag_samples must be from 0 to 5"),
        (0 <= g.fade <= 1, "guider.fade must be from 0 to 1"),
        (g.on or not r.write, "record.write must be false where guider.on is: no record is made"),
        (p.dither_order in ORDERS, f"plan.dither_order: {', '.join(ORDERS)}"),
        (p.flip_pause_s >= 0, "plan.flip_pause_s must be at least 0"),
        (9 < scenario.target.faintest <= 20.5, "target.faintest must be above 9, at most 20.5"),
        (scenario.target.margin_arcsec >= 0, "target.margin_arcsec must be at least 0"),
        (r.dither_words in DITHER_WORDS, f"record.dither_words: {', '.join(DITHER_WORDS)}"),
        (r.unit in ("arcsec", "px"), "record.unit: arcsec or px"),
        (r.clock in ("datetime", "time", "seconds"), "record.clock: datetime, time or seconds"),
        (r.separator in (",", ";", "\t"), "record.separator: comma, semicolon or tab"),
    ]
    for event in scenario.events:
        known = f"unknown cause {event.cause!r}; known: {', '.join(CAUSES)}"
        rules.append((event.cause in CAUSES, known))
        span = f"{event.cause}: frames must be [first, last], counted from 1"
        rules.append((1 <= event.first <= event.last, span))
        kinds = KINDS.get(event.cause, ("",))
        fine = event.kind in kinds
        named = ", ".join(repr(kind) for kind in kinds)
        rules.append((fine, f"{event.cause}: kind must be one of {named}, not {event.kind!r}"))
        worm = event.cause == "periodic_error" and event.kind == "worm"
        rules.append((not worm or event.period_s > 0, "periodic_error: a worm needs a period_s"))
    for fine, message in rules:
        if not fine:
            raise UsageError(f"{origin}: {message}")


def load_scenario(path: str | Path) -> Scenario:
    """Read a scenario file.

    Raises
    ------
    UsageError
        The file cannot be read or acted on; names it and the cause.
    """
    return _from_table(read_toml(path), str(path))


def default_scenario(
    seed: int | None = None,
    frames: int | None = None,
    width: int | None = None,
    height: int | None = None,
    mosaic: bool | None = None,
    record: bool | None = None,
) -> Scenario:
    """The night of ``default_night.toml``, with what is given put in its place."""
    text = resources.files(__package__).joinpath("default_night.toml").read_text(encoding="utf-8")
    return adapt(
        scenario_from_toml(text, "default night"), seed, frames, width, height, mosaic, record
    )


def adapt(
    scenario: Scenario,
    seed: int | None = None,
    frames: int | None = None,
    width: int | None = None,
    height: int | None = None,
    mosaic: bool | None = None,
    record: bool | None = None,
) -> Scenario:
    """A scenario with seed, length, frame size, colour or record changed."""
    camera, plan = scenario.camera, scenario.plan
    camera = replace(camera, width=width or camera.width, height=height or camera.height)
    if mosaic is not None:
        camera = replace(camera, mosaic=(camera.mosaic or "RGGB") if mosaic else "")
    events = scenario.events
    if frames is not None and frames != plan.frames:
        events = _respaced(events, plan.frames, frames)
        plan = replace(plan, frames=frames)
    changed = replace(
        scenario,
        seed=scenario.seed if seed is None else seed,
        plan=plan,
        camera=camera,
        record=scenario.record if record is None else replace(scenario.record, write=record),
        events=events,
    )
    check(changed)
    return changed


def _respaced(events: tuple[Event, ...], old: int, new: int) -> tuple[Event, ...]:
    """Move events to the same share of a longer or shorter night.

    Events keep their length in frames; one that would fall on another's frames,
    or leave fewer than half the frames clean, is left out.
    """
    taken: set[int] = set()
    kept = []
    for event in events:
        first = 1 + round((event.first - 1) * (new - 1) / max(old - 1, 1))
        length = event.last - event.first
        if event.last == old:
            first = new - length
        span = set(range(first, first + length + 1))
        if first < 1 or max(span) > new or span & taken or len(span | taken) > new / 2:
            continue
        taken |= span
        kept.append(replace(event, first=first, last=first + length))
    return tuple(kept)
