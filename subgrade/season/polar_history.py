"""Where the polar axis pointed on each night: compared as a vector, its size stated."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from subgrade.season.changes import Levels, levels_of
from subgrade.season.dates import between_nights
from subgrade.season.model import NAN, Change, GradedNight, History, HistoryPoint
from subgrade.season.recorded import Known, guided_number, main_setup, pole_of
from subgrade.season.written import amount, roughly

SIZE, HIGH, EAST = "misalignment", "too high", "too far east on the sky"
PARTS = ("part from Dec drift", "part from field rotation")
WHOLE = "whole"
BOUND = "a lower bound: only one part of the error is known"
ANEW_ARCMIN = 1.0
"""Scatter of each part from which a mount is called set up anew; one that stands fixed keeps its
axis better: common practice, no source."""
OFTEN = 0.5
"""Share of the gaps between nights with a change from which it is called set up anew: a choice."""
AGREE = 6.2
"""Chi^2 of two coordinates below which two nights agree: 95 of 100 such pairs (-2 ln 0.045)."""
PLAIN = 3.0
"""Errors by which a part must change to be a change of its own: a choice."""
ASIDE = 1.5
"""Ratio of a move to what it made of the size from which the move is stated as well: a choice."""
FITS = 3.0
"""Errors that a night's size may be off a level's of which it is."""
TITLES = (
    ("polar_error", "Polar axis off the pole"),
    ("polar_altitude", "Altitude of the polar axis, + high"),
    ("polar_azimuth", "Azimuth of the polar axis, + east"),
)


def polar_histories(nights: Sequence[GradedNight]) -> list[History]:
    """Size, altitude and azimuth of the polar error, of each setup's mount.

    Where two nights or more know both parts, these are compared; the size of a night that
    knows no direction is shown, and not compared with them.
    """
    setups: dict[str, list[int]] = {}
    for k, night in enumerate(nights):
        setup = main_setup(night)
        if _sized(night) is not None:
            setups.setdefault("" if setup is None else setup.label, []).append(k)
    found = []
    for label, mine in setups.items():
        found += _of_one_mount(nights, mine, label if len(setups) > 1 else "")
    return found


def _sized(night: GradedNight) -> HistoryPoint | None:
    """The size of a night's misalignment; of older results with nothing found the record's."""
    pole = pole_of(night)
    if SIZE in pole:
        return HistoryPoint(-1, *pole[SIZE], "" if part_known(pole) == WHOLE else BOUND)
    value = guided_number(night, "polar_arcmin")
    if not math.isfinite(value):
        return None
    return HistoryPoint(-1, value, guided_number(night, "polar_arcmin_error"), BOUND)


def part_known(pole: Mapping[str, Known]) -> str:
    """What a night's misalignment is the size of: the whole, one of `PARTS`, or not stated."""
    parts = [part for part in PARTS if part in pole]
    if len(parts) == 2 or {HIGH, EAST} <= set(pole):
        return WHOLE
    return parts[0] if parts else ""


def _comparable(nights, sizes: Sequence[HistoryPoint]) -> tuple[list[HistoryPoint], bool]:
    """Nights whose sizes are of the same thing, and whether that is but a part of the error.

    Where the whole is known on two nights, these. Else the nights that know the same part; the
    axis shows another part at another hour angle, by the turn times the part that is not known,
    which is taken to be as large (a choice), and counts as an error.
    """
    poles = [pole_of(nights[p.night]) for p in sizes]
    known = [part_known(pole) for pole in poles]
    whole = [p for p, part in zip(sizes, known, strict=True) if part == WHOLE]
    if len(whole) > 1 or len(sizes) == len(whole):
        return whole, False
    best = max(PARTS, key=known.count)
    mine = [k for k, part in enumerate(known) if part == best]
    hour = np.array([poles[k].get("hour angle", (NAN, NAN))[0] for k in mine])
    if len(mine) < 2 or not np.isfinite(hour).all():
        return [], True
    turned = np.radians(hour - np.median(hour)) * np.median([sizes[k].value for k in mine])
    return [
        replace(sizes[k], error=math.hypot(sizes[k].error, by))
        for k, by in zip(mine, turned, strict=True)
    ], True


def _of_one_mount(nights, mine: Sequence[int], subject: str) -> list[History]:
    sizes = []
    for k in mine:
        point = _sized(nights[k])
        sizes.append(HistoryPoint(k, point.value, point.error, point.note))
    directed = [k for k in mine if {HIGH, EAST} <= set(pole_of(nights[k]))]
    if len(directed) < 2:
        return [_by_size(nights, sizes, subject)]
    parts = np.array([[pole_of(nights[k])[name] for name in (HIGH, EAST)] for k in directed])
    levels = levels_of(parts[:, :, 0], parts[:, :, 1])
    anew = _set_up_anew(levels, len(directed))
    changes = () if anew else _moves(nights, directed, levels, sizes)
    verdict = _verdict(levels, changes, anew, parts, len(directed))
    size, size_error = _length(levels.mean[0], levels.error[0])
    one = not changes and not anew
    key, title = TITLES[0]
    whole = History(
        key,
        title,
        "′",
        subject,
        tuple(sizes),
        size if one else NAN,
        size_error if one else NAN,
        levels.scatter,
        changes,
        verdict,
    )
    return [whole, *_parts(nights, directed, parts, levels, anew, subject)]


def _set_up_anew(levels: Levels, count: int) -> bool:
    """Whether it points elsewhere so often that no single night changed it."""
    steps = len(levels.sigma)
    if steps == 0:
        return levels.excess and count > 2 and levels.scatter > ANEW_ARCMIN
    return count > 3 and steps > 1 and steps >= OFTEN * (count - 1)


def _moves(nights, directed, levels: Levels, sizes: Sequence[HistoryPoint]) -> tuple[Change, ...]:
    found = []
    for k, (after, before) in enumerate(_gaps(levels, directed)):
        old, new = (_length(levels.mean[j], levels.error[j]) for j in (k, k + 1))
        after, before = _narrowed(sizes, after, before, old, new)
        shift, shift_error = _length(
            levels.mean[k + 1] - levels.mean[k], np.hypot(levels.error[k], levels.error[k + 1])
        )
        when = _between(nights, after, before)
        aside = shift > ASIDE * abs(new[0] - old[0])
        ending = f"off, by {amount(shift, shift_error, '′')} in all" if aside else "off the pole"
        sentence = (
            f"The polar axis moved {when}: {amount(*old, '′')} → {amount(*new, '′')} {ending}."
        )
        found.append(Change(after, before, *old, *new, float(levels.sigma[k]), sentence))
    return tuple(found)


def _gaps(levels: Levels, nights: Sequence[int]) -> list[tuple[int, int]]:
    """The nights before and after each step, of those that the levels are of."""
    return [(nights[first - 1], nights[first]) for first in levels.first[1:]]


def _between(nights: Sequence[GradedNight], after: int, before: int) -> str:
    return between_nights([night.label for night in nights], after, before)


def _narrowed(sizes: Sequence[HistoryPoint], after: int, before: int, old, new) -> tuple[int, int]:
    """The gap of a move, made smaller by nights within it that know the size but no direction."""

    def fits(point: HistoryPoint, size: tuple[float, float]) -> bool:
        return abs(point.value - size[0]) < FITS * math.hypot(point.error, size[1])

    whole = [p for p in sizes if after < p.night < before and not p.note]
    moved = [p.night for p in whole if fits(p, new) and not fits(p, old)]
    not_yet = [p.night for p in whole if fits(p, old) and not fits(p, new)]
    first, last = min(moved, default=before), max(not_yet, default=after)
    return (last, first) if last < first else (after, before)


def _length(vector, error) -> tuple[float, float]:
    """Length of a vector, with the mean length that errors alone give it taken out, one sigma."""
    square, noise = float(np.sum(np.square(vector))), float(np.sum(np.square(error)))
    size = math.sqrt(max(square - noise, 0.0))
    along = np.abs(vector) / math.sqrt(square) if square > 0 else np.full(len(vector), 0.5**0.5)
    return size, float(np.hypot(*(along * error)))


def _verdict(levels: Levels, changes, anew: bool, parts: np.ndarray, count: int) -> str:
    if changes:
        return " ".join(c.sentence for c in changes)
    value, error = parts[:, :, 0], parts[:, :, 1]
    typical = float(np.median(np.hypot(*value.T)))
    apart = np.sum((value[-1] - value[0]) ** 2 / (error[-1] ** 2 + error[0] ** 2))
    agree = apart < AGREE
    if anew:
        return (
            f"It points elsewhere night by night, as a mount does that is set up anew: typically "
            f"{amount(typical, NAN, '′')} off the pole over {count} nights."
        )
    size = amount(*_length(levels.mean[0], levels.error[0]), "′")
    if count == 2 and not agree:
        return (
            f"Whether it moved cannot be judged from the two nights: together {size} off the pole."
        )
    if count == 2:
        return f"The two nights agree within their errors: {size} off the pole."
    if levels.excess and levels.scatter > 0:
        return (
            f"No lasting move over {count} nights: {size} off the pole, and "
            f"{roughly(levels.scatter, '′')} of scatter from night to night in either direction."
        )
    return f"Steady over {count} nights: {size} off the pole."


def _parts(nights, directed, parts, levels: Levels, anew: bool, subject: str) -> list[History]:
    """Both parts with the changes of the whole, as far as each part changed."""
    out = []
    for axis, (key, title) in enumerate(TITLES[1:]):
        points = tuple(
            HistoryPoint(k, *(float(v) for v in parts[j, axis])) for j, k in enumerate(directed)
        )
        changes = []
        for k, (after, before) in enumerate([] if anew else _gaps(levels, directed)):
            old, new = _both_sides(levels, k, axis)
            sigma = abs(new[0] - old[0]) / math.hypot(old[1], new[1])
            if sigma > PLAIN:
                text = f"{title.partition(',')[0]} changed {_between(nights, after, before)}: "
                text += f"{amount(*old, '′')} → {amount(*new, '′')}."
                changes.append(Change(after, before, *old, *new, sigma, text))
        one = not len(levels.sigma) and not anew
        mean, error = float(levels.mean[0, axis]), float(levels.error[0, axis])
        verdict = " ".join(c.sentence for c in changes)
        verdict = verdict or (f"No change: {amount(mean, error, '′')}." if one else "")
        verdict = verdict or ("See the polar axis." if not anew else "Set up anew each night.")
        out.append(
            History(
                key,
                title,
                "′",
                subject,
                points,
                mean if one else NAN,
                error if one else NAN,
                levels.scatter,
                tuple(changes),
                verdict,
            )
        )
    return out


def _both_sides(levels: Levels, k: int, axis: int) -> tuple[tuple[float, float], ...]:
    """Level and error before and after a step, of one coordinate."""
    return tuple((float(levels.mean[j, axis]), float(levels.error[j, axis])) for j in (k, k + 1))


def _by_size(nights, sizes: Sequence[HistoryPoint], subject: str) -> History:
    """The size alone, where the direction is known on one night at most."""
    key, title = TITLES[0]
    compared, bounds = _comparable(nights, sizes)
    if not compared:
        verdict = (
            f"Known of one night only: at least {amount(sizes[0].value, sizes[0].error, '′')} off "
            "the pole."
            if len(sizes) == 1
            else "Whether it moved cannot be judged: of most nights only a lower bound is known."
        )
        return History(key, title, "′", subject, tuple(sizes), verdict=verdict)
    least = "at least " if bounds else ""
    value, error = (np.array([getattr(p, n) for p in compared], float) for n in ("value", "error"))
    levels = levels_of(value, error)
    anew = _set_up_anew(levels, len(compared))
    changes = []
    for k, (after, before) in enumerate([] if anew else _gaps(levels, [p.night for p in compared])):
        old, new = _both_sides(levels, k, 0)
        text = (
            f"The polar axis moved {_between(nights, after, before)}: {least}{amount(*old, '′')} → "
            f"{least}{amount(*new, '′')} off the pole."
        )
        changes.append(Change(after, before, *old, *new, float(levels.sigma[k]), text))
    one = not changes and not anew
    mean = least + amount(float(levels.mean[0, 0]), float(levels.error[0, 0]), "′")
    if changes:
        verdict = " ".join(c.sentence for c in changes)
    elif anew:
        verdict = "It is off by another amount night by night, as a mount is that is set up anew."
    elif len(compared) == 1:
        verdict = f"Known of one night only: {mean} off the pole."
    else:
        verdict = f"No change in size over {len(compared)} nights: {mean}; directions are unknown."
    return History(
        key,
        title,
        "′",
        subject,
        tuple(sizes),
        float(levels.mean[0, 0]) if one else NAN,
        float(levels.error[0, 0]) if one else NAN,
        levels.scatter,
        tuple(changes),
        verdict,
    )
