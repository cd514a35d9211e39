"""How much light of the same stars each series of a field records, night against night.

Every series' stars are matched with those of a first one, and of series tied to it already, so
that nights that share no star are tied through others. One zero point a series and one brightness
a star are then solved for together. Of a star's colour nothing is known: between two cameras it
only adds scatter, which the errors hold.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from subgrade.season.fields import FieldSeries, fields_by_stars, fields_of
from subgrade.season.levels import common_levels
from subgrade.season.model import GradedNight, NightSeries, Tie
from subgrade.season.placing import Placed, place_on_one
from subgrade.season.star_lists import ClearStars, clear_stars

WIDTH_ERROR = 0.01
"""Relative error of flux between star widths that differ by a factor of two: on rendered Moffat
fields 0.3 to 1 %, as wings and neighbours count otherwise (docs/nights-numbers.md)."""
LN_PER_MAG = 0.4 * np.log(10)


@dataclass(frozen=True, slots=True)
class TiedField:
    """The series of one target and filter, tied.

    Attributes
    ----------
    field : FieldSeries
    ties : tuple of Tie
        One a member, in their order.
    turn_deg : tuple of float
        How far each member's frames turn to lie on the reference's, counter-clockwise; NaN
        without a tie.
    mirrored : tuple of bool
        Whether they are turned over first (y reversed).
    reference : int
        Index into the members; -1 where none has stars.
    scatter : float
        Scatter of a bright star's ratio between series, relative: colour and flat fields.
    """

    field: FieldSeries
    ties: tuple[Tie, ...]
    turn_deg: tuple[float, ...]
    mirrored: tuple[bool, ...]
    reference: int
    scatter: float


def tie_nights(nights: Sequence[GradedNight]) -> tuple[TiedField, ...]:
    """Tie the series of every target and filter.

    Parameters
    ----------
    nights : sequence of GradedNight
    """
    fields = fields_of(nights)
    lists = {m: clear_stars(nights[m[0]], m[1]) for field in fields for m in field.members}
    setups = {m: nights[m[0]].series[m[1]].setup for m in lists}
    fields = fields_by_stars(fields, lists, setups)
    return tuple(tie_field(nights, field, lists) for field in fields)


def tie_field(nights: Sequence[GradedNight], field: FieldSeries, lists: Mapping) -> TiedField:
    """Tie the series of one target and filter to the one with the best frame.

    Parameters
    ----------
    nights : sequence of GradedNight
    field : FieldSeries
    lists : mapping of (int, int) to ClearStars or None
        By member.
    """
    series = [nights[n].series[s] for n, s in field.members]
    lists = [lists[member] for member in field.members]
    placed, root = place_on_one(lists, [s.setup for s in series])
    levels = common_levels(lists, placed)
    zero, error = levels.level, levels.error
    best = _best_member(nights, field, zero)
    reference = root if best < 0 else best
    ties = []
    for k, (n, s) in enumerate(field.members):
        tie = Tie(n, s, note=_why_not(lists[k], placed[k], zero[k], field))
        if np.isfinite(zero[k]):
            tie = replace(
                tie,
                ratio=float(np.exp(zero[k] - zero[reference])),
                error=_ratio_error(k, reference, zero, error, lists),
                scale=placed[k].fit.scale / placed[reference].fit.scale,
                stars=_shared(placed, k, reference),
            )
        ties.append(tie)
    ties = _with_clear_levels(ties, series, lists)
    ref = placed[reference] if reference >= 0 else None
    turns = [_turn(p, ref) if p and ref else np.nan for p in placed]
    over = [bool(p and ref and p.mirrored != ref.mirrored) for p in placed]
    return TiedField(field, tuple(ties), tuple(turns), tuple(over), reference, levels.scatter)


def _why_not(stars: ClearStars | None, placed: Placed | None, zero: float, field) -> str:
    if stars is None:
        return (
            "no kept frame shows stars and how clear it was, or its measurements are not there "
            "(grade it again)"
        )
    if placed is None or not np.isfinite(zero):
        return "its stars do not match those of the other nights" if len(field.members) > 1 else ""
    return ""


def _ratio_error(k: int, reference: int, zero, error, lists) -> float:
    if k == reference:
        return 0.0
    mine, other = lists[k], lists[reference]
    wider = WIDTH_ERROR * abs(np.log2(mine.fwhm_px / other.fwhm_px))
    parts = (error[k], error[reference], mine.common, other.common, np.nan_to_num(wider))
    return float(np.exp(zero[k] - zero[reference]) * np.sqrt(np.sum(np.square(parts))))


def _shared(placed: Sequence[Placed | None], k: int, reference: int) -> int:
    """Stars in common with the reference, or with all others where there is none."""
    mine = set(placed[k].star.tolist())
    with_reference = len(mine & set(placed[reference].star.tolist()))
    others = (p.star.tolist() for m, p in enumerate(placed) if p is not None and m != k)
    return with_reference or len(mine & {star for stars in others for star in stars})


def _turn(mine: Placed, reference: Placed) -> float:
    """Turn of a member's frames onto the reference's, deg; after turning over, where it is."""
    turn = mine.fit.rotation_deg - reference.fit.rotation_deg
    turn = -turn if reference.mirrored else turn
    return float((turn + 180) % 360 - 180)


def _best_member(nights, field: FieldSeries, zero) -> int:
    """The member with the best frame, by starlight, noise and width on one scale; -1 for none."""
    best, most = -1, 0.0
    for k, (n, s) in enumerate(field.members):
        if not np.isfinite(zero[k]):
            continue
        depth = frame_depth(nights[n], s, float(np.exp(zero[k])))
        if depth.size and np.nanmax(depth, initial=0.0) > most:
            best, most = k, float(np.nanmax(depth))
    return best


def frame_depth(night: GradedNight, series: int, ratio: float) -> np.ndarray:
    """S/N² of a faint star in each kept frame of a series but for a factor, shape (n,).

    ``(T ratio)² / (noise² FWHM²)`` in the frame's own pixels, in which a star covers as many as
    its width says (`subgrade.night.weights`). NaN for all other frames. What was not measured
    counts as the series' worst kept frame has it, as in a night's own weights.

    Parameters
    ----------
    night : GradedNight
    series : int
    ratio : float
        Counts of a star in a clear frame.
    """
    table = night.frames
    mine = table.kept & (table.series == series)
    known = ~table.transparency_is_limit
    light = _filled(np.where(known, table.transparency, np.nan), mine, np.min)
    noise = _filled(table.noise_adu, mine, np.max)
    width = _filled(table.fwhm_px, mine, np.max)
    with np.errstate(divide="ignore", invalid="ignore"):
        depth = (light * ratio) ** 2 / (noise * width) ** 2
    good = mine & np.isfinite(depth) & (light > 0) & (noise > 0) & (width > 0)
    return np.where(good, depth, np.where(mine, 0.0, np.nan))


def _filled(values: np.ndarray, mine: np.ndarray, worst) -> np.ndarray:
    known = values[mine & np.isfinite(values)]
    return np.where(np.isfinite(values), values, worst(known) if known.size else 1.0)


def _with_clear_levels(
    ties: Sequence[Tie], series: Sequence[NightSeries], lists: Sequence[ClearStars | None]
) -> list[Tie]:
    """Ties with clear levels beside one another, among series of one setup, gain and exposure.

    Counts go as exposure time, so that of two exposures each is taken per second. Starlight lost
    to altitude is no haze: it is taken out, as in a night that cannot show it, where all airmasses
    are known.
    """
    from subgrade.night import DEFAULT_EXTINCTION

    ties = list(ties)
    tied = [k for k, tie in enumerate(ties) if np.isfinite(tie.ratio)]
    gains: dict[str, set] = {}
    for k in tied:
        gains.setdefault(series[k].setup.label, set()).add(lists[k].gain)
    classes: dict[tuple, list[int]] = {}
    for k in tied:
        setup, timed = series[k].setup.label, series[k].exposure_s is not None
        # a silent header has the gain of the others where these have but one
        gain = lists[k].gain if len(gains[setup] - {None}) > 1 else None
        classes.setdefault((setup, gain, timed), []).append(k)
    many = len(tied)
    for members in classes.values():
        air = np.array([lists[k].airmass for k in members])
        air = np.where(np.isfinite(air).all(), air - 1, 0.0)
        time = np.array([series[k].exposure_s or 1.0 for k in members])
        level = np.array([ties[k].ratio for k in members]) / time
        level *= np.exp(LN_PER_MAG * DEFAULT_EXTINCTION * air)
        for k, clear in zip(members, level / level.max(), strict=True):
            alone = len(members) == 1 and many > 1
            note = "its clear level cannot be compared: no other night has this setup and gain"
            ties[k] = (
                replace(ties[k], note=ties[k].note or note)
                if alone
                else replace(ties[k], clear=float(clear))
            )
    return ties
