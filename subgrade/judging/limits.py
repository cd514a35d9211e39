"""The limits that decide verdicts: one frozen object read from ``limits.toml``.

Defaults and the reason for each live in ``limits.toml``; the types and allowed
ranges live here.  A user's file may override any subset.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, fields, replace
from functools import cache
from importlib.resources import files
from pathlib import Path

from subgrade.errors import UsageError
from subgrade.plaintext import clean
from subgrade.tomlfiles import parse_toml, read_toml, value_text


def _within(low: float, high: float):
    return field(metadata={"range": (low, high)})


@dataclass(frozen=True, slots=True)
class SharpnessLimits:
    """Limits on the width of stars."""

    spread_factor: float = _within(1.0, 20.0)
    ratio_low: float = _within(1.0, 5.0)
    ratio_high: float = _within(1.0, 10.0)
    best_ratio: float = _within(1.0, 10.0)
    floor_px: float = _within(0.0, 50.0)
    floor_arcsec: float = _within(0.0, 60.0)
    floor_ratio: float = _within(1.0, 10.0)
    remark_ratio: float = _within(1.0, 10.0)
    softness: float = _within(0.001, 0.5)
    night_poor_arcsec: float = _within(0.1, 120.0)


@dataclass(frozen=True, slots=True)
class RoundnessLimits:
    """Limits on eccentricity, sqrt(1 - (b/a)^2)."""

    floor: float = _within(0.0, 0.99)
    remark: float = _within(0.0, 0.99)
    ceiling: float = _within(0.1, 1.0)
    spread_factor: float = _within(1.0, 20.0)
    usual_margin: float = _within(0.0, 1.0)
    best_margin: float = _within(0.0, 1.0)
    softness: float = _within(0.001, 0.3)
    stray: float = _within(0.01, 0.9)
    stray_softness: float = _within(0.001, 0.3)
    night_poor: float = _within(0.1, 1.0)


@dataclass(frozen=True, slots=True)
class LightLimits:
    """Limits on starlight received and on the sky's noise."""

    depth: float = _within(0.0, 1.0)
    remark_transparency: float = _within(0.0, 1.0)
    uneven: float = _within(0.05, 2.0)
    moved: float = _within(0.01, 0.9)
    softness: float = _within(0.001, 0.5)
    sky_spread_factor: float = _within(1.0, 100.0)
    dew_frames: int = _within(3, 1000)


@dataclass(frozen=True, slots=True)
class StarsLimits:
    """Limits on the number of stars."""

    few_share: float = _within(0.0, 1.0)
    usual_at_least: int = _within(1, 100000)


@dataclass(frozen=True, slots=True)
class FieldLimits:
    """Limits on shapes that vary over the field."""

    rotation_sigma: float = _within(1.0, 50.0)
    corner_eccentricity: float = _within(0.1, 1.0)
    tilt_eccentricity: float = _within(0.1, 1.0)


@dataclass(frozen=True, slots=True)
class GuidingLimits:
    """Limits on what the guiding record saw; none rejects."""

    seen_share: float = _within(0.01, 1.0)
    reversal: float = _within(-0.9, 0.1)
    overshoot: float = _within(0.05, 0.7)
    one_sided: float = _within(0.6, 0.97)
    lost_share: float = _within(0.0, 0.15)
    lost_arcsec: float = _within(5.0, 3600.0)
    settle_s: float = _within(0.0, 600.0)
    star_loss: float = _within(0.01, 0.9)


@dataclass(frozen=True, slots=True)
class VerdictLimits:
    """How numbers become odds."""

    points_cap: float = _within(1.0, 20.0)


@dataclass(frozen=True, slots=True)
class Limits:
    """Every limit, table by table as in ``limits.toml``."""

    sharpness: SharpnessLimits
    roundness: RoundnessLimits
    light: LightLimits
    stars: StarsLimits
    field: FieldLimits
    guiding: GuidingLimits
    verdict: VerdictLimits

    def as_dict(self) -> dict[str, dict[str, float]]:
        """Nested plain dictionary, as the TOML file would parse."""
        return asdict(self)


_TABLES = {
    "sharpness": SharpnessLimits,
    "roundness": RoundnessLimits,
    "light": LightLimits,
    "stars": StarsLimits,
    "field": FieldLimits,
    "guiding": GuidingLimits,
    "verdict": VerdictLimits,
}

ORDERED = (
    ("sharpness", "ratio_low", "ratio_high"),
    ("roundness", "remark", "floor"),
    ("roundness", "floor", "ceiling"),
)
"""Pairs whose first value must not exceed the second."""


TAUGHT_TABLE = "taught"
"""A table in limits learnt from marks that holds no limits (`subgrade.teaching.marks_learnt`)."""


@cache
def default_limits_text() -> str:
    """The shipped ``limits.toml``, comments included."""
    return files("subgrade.judging").joinpath("limits.toml").read_text(encoding="utf-8")


def load_limits(path: str | Path | None = None) -> Limits:
    """The shipped limits, with those of a user's TOML file laid over them.

    Parameters
    ----------
    path : path-like, optional
        TOML file with any subset of the tables and keys of ``limits.toml``.

    Returns
    -------
    Limits

    Raises
    ------
    UsageError
        If the file cannot be read or parsed, names an unknown table or key, or
        gives a value of the wrong type or outside its range; the message names
        the key, the value and what is allowed.
    """
    values = parse_toml(default_limits_text(), "limits.toml")
    if path is not None:
        given = read_limits_file(path)
        given.pop(TAUGHT_TABLE, None)
        _lay_over(values, given, str(path))
    for table, low, high in ORDERED:
        if values[table][low] > values[table][high]:
            raise UsageError(
                f"{path}: {table}.{low} = {values[table][low]} must not exceed "
                f"{table}.{high} = {values[table][high]}"
            )
    return Limits(**{name: kind(**values[name]) for name, kind in _TABLES.items()})


def for_stack(limits: Limits, stack: str) -> Limits:
    """The limits of a person who stacks by a plain or a weighted mean.

    Parameters
    ----------
    limits : Limits
    stack : str
        ``mean`` or ``weighted``.  A weighted mean gains by every frame, so that none is too
        shallow for it.
    """
    if stack != "weighted":
        return limits
    return replace(limits, light=replace(limits.light, depth=0.0))


def allowed_range(table: str, key: str) -> tuple[float, float]:
    """Lowest and highest value that ``table.key`` may take."""
    return next(f.metadata["range"] for f in fields(_TABLES[table]) if f.name == key)


def read_limits_file(path: str | Path) -> dict:
    """What a user's TOML file holds, unchecked.

    Raises
    ------
    UsageError
        If it cannot be read or parsed.
    """
    return read_toml(path)


def _lay_over(values: dict, changes: dict, source: str) -> None:
    for table, entries in changes.items():
        if table not in _TABLES:
            raise UsageError(
                f"{source}: unknown table [{clean(table)}]; the tables are {', '.join(_TABLES)}"
            )
        if not isinstance(entries, dict):
            raise UsageError(f"{source}: {table} must be a table, written [{table}]")
        known = {f.name: f for f in fields(_TABLES[table])}
        for key, value in entries.items():
            if key not in known:
                held = ", ".join(known)
                raise UsageError(
                    f"{source}: unknown key {table}.{clean(key)}; [{table}] holds {held}"
                )
            values[table][key] = _checked(f"{table}.{key}", value, known[key], source)


def _checked(name: str, value, declared, source: str) -> float | int:
    low, high = declared.metadata["range"]
    whole = declared.type == "int"
    kinds = (int,) if whole else (int, float)
    if isinstance(value, bool) or not isinstance(value, kinds):
        raise UsageError(
            f"{source}: {name} = {value_text(value)} must be a {'whole ' if whole else ''}number "
            f"from {low:g} to {high:g}"
        )
    if not low <= value <= high:  # NaN fails too
        raise UsageError(f"{source}: {name} = {value_text(value)} must be from {low:g} to {high:g}")
    return value if whole else float(value)
