"""The numbers that decide verdicts, and how to turn the limits they are held against.

Each number has a scale of its own on which one shift means the same everywhere:
shares of 0 to 1 about the star's shape as they are, all others by their logarithm,
positive toward "worse".
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from subgrade.judging.criteria import LOGIT_PER_SIGMA, TAIL, eccentricity_limit, fwhm_limit
from subgrade.judging.features import (
    DEPTH,
    ECCENTRICITY,
    FWHM,
    FWHM_ACROSS_AXIS,
    LIGHT_OUTSIDE_CORE,
    SECOND_IMAGE_LIGHT,
    STAR_COUNT,
    UNEVENNESS,
    WORST_CORNER,
    Feature,
)
from subgrade.judging.limits import ORDERED, Limits, allowed_range
from subgrade.judging.model import Evidence, Judgement

DIGITS = 3
"""Decimals that a turned limit is written with."""
SLIVER = 10.0**-DIGITS


@dataclass(frozen=True, slots=True)
class Dial:
    """One deciding number and the limits behind it.

    Attributes
    ----------
    name : str
        The number in a few words, as files of limits keep it.
    features : tuple of Feature
        The evidence that holds it.
    keys : tuple of str
        ``table.key`` of the limits behind it, in the order they are tried.
    prior : float
        How far people's limits lie from the present one: the scale of Student's t, on the dial's
        scale.
    softness : callable
        How exactly the limit is meant, on the dial's scale, from `Limits`.
    sign : int
        1 where large values are rejected, -1 where small ones are.
    log : bool
        Whether the scale is the logarithm.
    effective : callable or None
        Gives the limit of one group from (usual, arcsec per px, limits), where several
        keys make it; None where the one key is the limit.
    usual : str
        The group's usual value that ``effective`` takes.
    words : str
        The number as a person reads it, where ``name`` is not.
    slope : callable or None
        Change of a frame's limit with the key, from that limit and `Limits`; None where it is 1.
    """

    name: str
    features: tuple[Feature, ...]
    keys: tuple[str, ...]
    prior: float
    softness: Callable[[Limits], float]
    sign: int = 1
    log: bool = True
    effective: Callable | None = None
    usual: str = ""
    words: str = ""
    slope: Callable[[float, Limits], float] | None = None

    def holds(self, item: Evidence) -> bool:
        """Whether a piece of evidence is this number."""
        return any(item.quantity == feature.name for feature in self.features)

    @property
    def shown(self) -> str:
        """The number as a person reads it."""
        return self.words or self.name

    def on_scale(self, value: float) -> float:
        """A value on the dial's scale; larger is worse."""
        return self.sign * (math.log(max(value, 1e-9)) if self.log else value)

    def room(self, limits: Limits) -> tuple[float, float]:
        """How far the limit may move either way; without end where several keys make it."""
        if self.effective is not None:
            return -math.inf, math.inf
        (key,) = self.keys
        now = self.on_scale(value_of(limits, key))
        ends = sorted(self.on_scale(end) - now for end in allowed_range(*key.split(".")))
        return min(ends[0], 0.0), max(ends[1], 0.0)

    def shifted(self, value: float, shift: float) -> float:
        """A limit moved by so much on the dial's scale; positive forgives more."""
        return value * math.exp(self.sign * shift) if self.log else value + self.sign * shift


DIALS: tuple[Dial, ...] = (
    Dial(
        "eccentricity",
        (ECCENTRICITY,),
        (
            "roundness.floor",
            "roundness.ceiling",
            "roundness.usual_margin",
            "roundness.best_margin",
            "roundness.spread_factor",
        ),
        0.1,
        lambda limits: limits.roundness.softness,
        log=False,
        effective=lambda usual, scale, limits: eccentricity_limit(usual, limits),
        usual="eccentricity",
    ),
    Dial(
        "FWHM",
        (FWHM, FWHM_ACROSS_AXIS),
        (
            "sharpness.ratio_low",
            "sharpness.ratio_high",
            "sharpness.spread_factor",
            "sharpness.floor_arcsec",
            "sharpness.floor_px",
            "sharpness.floor_ratio",
            "sharpness.best_ratio",
        ),
        0.16,
        lambda limits: limits.sharpness.softness,
        effective=fwhm_limit,
        usual="fwhm_px",
    ),
    Dial(
        "light out of the core",
        (LIGHT_OUTSIDE_CORE,),
        ("roundness.stray",),
        0.024,
        lambda li: li.roundness.stray_softness,
        log=False,
        words=LIGHT_OUTSIDE_CORE.label,
        # Where the core is round a tail may have a part of the limit only.
        slope=lambda limit, li: TAIL if limit < li.roundness.stray else 1.0,
    ),
    Dial("depth", (DEPTH,), ("light.depth",), 0.5, lambda li: li.light.softness, sign=-1),
    Dial(
        "spread of starlight over the quarters",
        (UNEVENNESS,),
        ("light.uneven",),
        0.5,
        lambda li: 0.15,
        words=UNEVENNESS.label,
    ),
    Dial(
        "share of light in a second image",
        (SECOND_IMAGE_LIGHT,),
        ("light.moved",),
        0.6,
        lambda li: 0.2,
    ),
    Dial(
        "eccentricity of the worst corner",
        (WORST_CORNER,),
        ("field.corner_eccentricity",),
        0.1,
        lambda li: math.hypot(li.roundness.softness, 0.03),
        log=False,
    ),
    Dial(
        "number of stars",
        (STAR_COUNT,),
        ("stars.few_share",),
        0.6,
        lambda li: 0.15,
        sign=-1,
    ),
)
"""The widths of the priors are common practice at best, no source; docs/teaching.md has them."""


@dataclass(frozen=True, slots=True)
class Number:
    """One frame's value on one dial.

    Attributes
    ----------
    dial : Dial
    value, limit : float
        As measured, and as it was held against.
    beyond : float
        How far the limit would have to move to meet it, on the dial's scale; positive rejects.
    error : float
        One logistic unit of the comparison, on the dial's scale.
    way : float
        How far from the group's usual value to the limit: 0 usual, 1 at the limit.
    """

    dial: Dial
    value: float
    limit: float
    beyond: float
    error: float
    way: float


def numbers_of(judgement: Judgement, usual: dict[str, float], limits: Limits) -> list[Number]:
    """What was held against a limit in one frame.

    Parameters
    ----------
    judgement : Judgement
    usual : dict of str to float
        Usual value of the group by dial name, for evidence that states none.
    limits : Limits
        Those of the judgement.

    Returns
    -------
    list of Number
        At most one a dial.
    """
    found = []
    for dial in DIALS:
        for item in judgement.evidence:
            if dial.holds(item) and item.limit and item.value is not None:
                found.append(_number(dial, item, usual.get(dial.name, 0.0), limits))
                break
    return found


def usual_values(judgements) -> dict[str, float]:
    """The group's usual value on every dial that at least half of its frames have."""
    import numpy as np

    judgements = list(judgements)
    found = {}
    for dial in DIALS:
        values = [next((e.value for e in j.evidence if dial.holds(e)), None) for j in judgements]
        known = [v for v in values if v is not None]
        if known and len(known) >= len(values) / 2:
            found[dial.name] = float(np.median(known))
    return found


def _number(dial: Dial, item: Evidence, usual: float, limits: Limits) -> Number:
    value, limit = item.value, item.limit
    usual = item.usual if item.usual is not None else usual
    error = item.error or 0.0
    if dial.log:
        error /= max(value, 1e-9)
    gap = dial.sign * (limit - usual)
    came = dial.sign * (value - usual)
    way = came / gap if gap > 0 else (math.inf if came > 0 else 0.0)
    slope = dial.slope(limit, limits) if dial.slope else 1.0
    return Number(
        dial,
        value,
        limit,
        (dial.on_scale(value) - dial.on_scale(limit)) / slope,
        math.hypot(error, dial.softness(limits)) / LOGIT_PER_SIGMA / slope,
        way,
    )


@dataclass(frozen=True, slots=True)
class Turned:
    """One limit that was moved.

    Attributes
    ----------
    key : str
        ``table.key``.
    before, after : float
    follows : str
        The key it had to make room for; empty where it moved on its own account.
    """

    key: str
    before: float
    after: float
    follows: str = ""

    @property
    def words(self) -> str:
        """What became of it, as part of a sentence."""
        way = "raised" if self.after > self.before else "lowered"
        room = f" to make room for {self.follows}" if self.follows else ""
        return f"{self.key} {way} from {self.before:g} to {self.after:g}{room}"


def value_of(limits: Limits, key: str) -> float:
    """The value of ``table.key``."""
    table, name = key.split(".")
    return getattr(getattr(limits, table), name)


def turn(dial: Dial, shift: float, limits: Limits, groups) -> tuple[Limits, list[Turned]]:
    """Move what is behind a dial so that its limit moves by a shift.

    Parameters
    ----------
    dial : Dial
    shift : float
        On the dial's scale; positive forgives more.
    limits : Limits
    groups : sequence of (Usual, float or None)
        Usual value and arcseconds per pixel of the groups concerned, the weightiest first.

    Returns
    -------
    limits : Limits
    moved : list of Turned
        As far as the allowed ranges let them.
    """
    before = limits
    reasons: dict[str, str] = {}
    if dial.effective is None:
        limits = _with(limits, dial.keys[0], dial.shifted(value_of(limits, dial.keys[0]), shift))
        reasons[dial.keys[0]] = ""
    else:
        for usual, scale in groups:
            target = dial.shifted(dial.effective(usual, scale, before), shift)
            limits = _towards(dial, target, usual, scale, limits, reasons)
    limits = _in_order(limits, reasons)
    moved = [
        Turned(key, value_of(before, key), value_of(limits, key), follows)
        for key, follows in reasons.items()
        if abs(value_of(limits, key) - value_of(before, key)) > SLIVER / 2
    ]
    return limits, moved


def _towards(dial: Dial, target: float, usual, scale, limits: Limits, reasons) -> Limits:
    """Move the key that makes the limit, and each next one that then does, to the target."""
    for _ in range(2 * len(dial.keys)):
        now = dial.effective(usual, scale, limits)
        left = target - now
        if not abs(left) > SLIVER:
            break
        side = math.copysign(1.0, left)
        # Where two keys give the same limit, each alone moves it on the other side only.
        slopes = [
            (key, slope)
            for toward in (side, -side)
            for key in dial.keys
            if _has_room(limits, key, side)
            and (slope := _slope(dial, key, usual, scale, limits, toward)) > 0
        ]
        if slopes:
            key, slope = slopes[0]
            value = value_of(limits, key) + left / slope
        else:
            key, value = _from_afar(dial, target, usual, scale, limits)
        if not key:
            break
        limits = _with(limits, key, value)
        reasons.setdefault(key, "")
    return limits


def _from_afar(dial: Dial, target: float, usual, scale, limits: Limits) -> tuple[str, float]:
    """A key that moves nothing where it stands, but further on nears the target."""
    from scipy.optimize import brentq

    now = dial.effective(usual, scale, limits)
    for key in dial.keys:
        low, high = allowed_range(*key.split("."))

        def limit(value, key=key):
            return dial.effective(usual, scale, with_value(limits, key, value))

        # A little short of where another key stops it.
        reach = min(max(target, limit(low)), limit(high))
        goal = reach - math.copysign(SLIVER / 2, reach - now)
        if abs(reach - now) > 2 * SLIVER and limit(low) < goal < limit(high):
            return key, brentq(lambda v, goal=goal: limit(v) - goal, low, high, xtol=SLIVER / 10)
    return "", math.nan


def _has_room(limits: Limits, key: str, side: float) -> bool:
    """Whether a key may move further toward one side."""
    low, high = allowed_range(*key.split("."))
    return low <= value_of(limits, key) + side * SLIVER <= high


def _slope(dial: Dial, key: str, usual, scale, limits: Limits, side: float) -> float:
    """Change of a group's limit with one key, toward one side; 0 where it moves nothing."""
    step = side * 1e-6
    nudged = with_value(limits, key, value_of(limits, key) + step)
    slope = (dial.effective(usual, scale, nudged) - dial.effective(usual, scale, limits)) / step
    return slope if slope > 1e-3 else 0.0


def _with(limits: Limits, key: str, value: float) -> Limits:
    low, high = allowed_range(*key.split("."))
    return with_value(limits, key, min(max(round(value, DIGITS), low), high))


def with_value(limits: Limits, key: str, value: float) -> Limits:
    """The limits with another value of ``table.key``."""
    table, name = key.split(".")
    return replace(limits, **{table: replace(getattr(limits, table), **{name: value})})


def _in_order(limits: Limits, reasons: dict[str, str]) -> Limits:
    """Drag along what must not be passed, as `load_limits` demands."""
    for table, low, high in (*ORDERED, *ORDERED):
        low, high = f"{table}.{low}", f"{table}.{high}"
        if value_of(limits, low) <= value_of(limits, high):
            continue
        leader, other = (low, high) if low in reasons else (high, low)
        limits = with_value(limits, other, value_of(limits, leader))
        reasons.setdefault(other, leader)
    return limits
