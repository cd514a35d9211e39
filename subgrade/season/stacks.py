"""Weights over all nights, and what the stack of all nights, of one, and without one would show.

A frame's starlight on one scale is its transparency times its series' ratio. Frames are laid on
the reference's pixels: a width grows by the scale there, and the noise of a frame falls by it, as
a pixel's noise is shared out over so many more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from subgrade.figures import counted, figure
from subgrade.season.dates import in_brackets
from subgrade.season.model import (
    FrameWeight,
    GradedNight,
    HoursRow,
    SeasonStack,
    StackPart,
)
from subgrade.season.stack_parts import StackFrames, StackNumbers, predicted
from subgrade.season.ties import TiedField, frame_depth

NARROWER = 0.03
"""Width that a stack must gain to be better at the cost of depth: less does not show (a choice)."""
SURELY = 0.005
"""S/N that it must gain: less is within the errors of widths and ratios (a choice)."""


def stacks_of(
    nights: Sequence[GradedNight], tied: Sequence[TiedField]
) -> tuple[tuple[SeasonStack, ...], tuple[FrameWeight, ...]]:
    """The stack of each target and filter, and the weights of their frames.

    Parameters
    ----------
    nights : sequence of GradedNight
    tied : sequence of TiedField

    Returns
    -------
    tuple of SeasonStack
        Most kept time first.
    tuple of FrameWeight
        By stack, night and the order taken; kept frames without a tie have weight NaN and are
        left out.
    """
    made = [_stack(nights, field) for field in tied]
    made.sort(key=lambda pair: -pair[0].kept_s)
    weights = [replace(w, stack=k) for k, (_, mine) in enumerate(made) for w in mine]
    return tuple(stack for stack, _ in made), tuple(weights)


def _stack(nights: Sequence[GradedNight], tied: TiedField) -> tuple[SeasonStack, list[FrameWeight]]:
    field = tied.field
    rows = tuple(_hours(nights, n, s) for n, s in field.members)
    stack = SeasonStack(
        field.target,
        field.filter,
        rows,
        kept_s=sum(row.kept_s for row in rows),
        lost_s=sum(row.lost_s for row in rows),
    )
    frames = _frames(nights, tied)
    if not len(frames) or tied.reference < 0:
        why = next((tie.note for tie in tied.ties if tie.note), "no kept frame could be measured")
        notes = (f"No stack can be predicted: {why}.",)
        return replace(stack, verdict=notes[0], notes=notes), []
    weight = frames.depth / frames.depth.max()
    weights = _weights(nights, tied, frames, weight)
    return _forecast(nights, tied, stack, frames), weights


def _hours(nights: Sequence[GradedNight], n: int, s: int) -> HoursRow:
    night = nights[n]
    series, table = night.series[s], night.frames
    mine, kept = table.series == s, table.kept
    return HoursRow(
        night=n,
        series=s,
        exposure_s=series.exposure_s,
        setup=series.setup.label,
        frames=int(mine.sum()),
        kept=int((mine & kept).sum()),
        kept_s=float(np.nansum(table.exposure_s[mine & kept])),
        lost_s=float(np.nansum(table.exposure_s[mine & ~kept])),
    )


def _frames(nights: Sequence[GradedNight], tied: TiedField) -> StackFrames:
    """The kept frames of every tied series, on the reference's scale of light and pixels."""
    parts = []
    for k, tie in enumerate(tied.ties):
        if not np.isfinite(tie.ratio):
            continue
        table = nights[tie.night].frames
        depth = frame_depth(nights[tie.night], tie.series, tie.ratio)
        mine = np.flatnonzero(np.isfinite(depth))
        parts.append(
            StackFrames.of(
                tie,
                table,
                mine,
                depth[mine],
                tied.turn_deg[k],
                tied.mirrored[k],
            )
        )
    return StackFrames.joined(parts)


def _weights(
    nights: Sequence[GradedNight], tied: TiedField, frames: StackFrames, weight: np.ndarray
) -> list[FrameWeight]:
    clear = {(tie.night, tie.series): tie.clear for tie in tied.ties}
    found = []
    for n, i, w in zip(frames.night, frames.index, weight, strict=True):
        table = nights[n].frames
        level = clear[int(n), int(table.series[i])]
        light = float(table.transparency[i] * level)
        found.append(FrameWeight(int(n), table.name[i], table.path[i], -1, float(w), light))
    return found


@dataclass(frozen=True, slots=True)
class _Stacks:
    """Every stack of a field that is asked about; ``without`` as a plain mean and weighted."""

    everything: StackNumbers
    plain: StackNumbers
    alone: dict[int, StackNumbers]
    without: dict[int, tuple[StackNumbers, StackNumbers]]
    reference: StackNumbers


def _asked(frames: StackFrames) -> _Stacks:
    usable = frames.usable()
    each = [int(n) for n in np.unique(usable.night)]
    masks = [np.ones(len(usable), bool)]
    masks += [usable.night == n for n in each]
    masks += [usable.night != n for n in each] if len(each) > 1 else []
    masks.append(np.arange(len(usable)) == np.argmax(usable.depth))
    weighted = predicted(usable, np.array(masks), usable.depth)
    plain = predicted(usable, np.array(masks), np.ones(len(usable)))
    pairs = zip(plain[1 + len(each) : -1], weighted[1 + len(each) : -1], strict=True)
    without = dict(zip(each, pairs, strict=True)) if len(each) > 1 else {}
    return _Stacks(
        weighted[0],
        plain[0],
        dict(zip(each, weighted[1 : 1 + len(each)], strict=True)),
        without,
        weighted[-1],
    )


def _forecast(
    nights: Sequence[GradedNight], tied: TiedField, stack: SeasonStack, frames: StackFrames
) -> SeasonStack:
    known = reference_scale(nights, tied)
    scale, unit = (known, "″") if np.isfinite(known) else (1.0, "px")
    best = int(np.argmax(frames.depth))
    n, i = int(frames.night[best]), int(frames.index[best])
    stack = replace(stack, unit=unit, reference_night=n, reference_frame=nights[n].frames.name[i])
    notes = _notes(nights, tied, frames)
    if not len(frames.usable()):
        return replace(stack, notes=(*notes, "No kept frame has a measured star to predict with."))
    seen = _asked(frames)
    parts = _parts(stack, frames, seen, scale)
    poorest = _poorest(parts)
    stack = replace(
        stack,
        frames=len(frames.usable()),
        fwhm=seen.everything.fwhm * scale,
        eccentricity=seen.everything.eccentricity,
        snr=seen.everything.snr / seen.reference.snr,
        plain_fwhm=seen.plain.fwhm * scale,
        plain_snr=seen.plain.snr / seen.reference.snr,
        parts=parts,
        poorest=poorest,
        notes=tuple(notes),
    )
    stays = poorest >= 0 and not is_better(*_over(seen.without[poorest][1], seen.everything))
    return replace(stack, verdict=_verdict(nights, stack, stays))


def reference_scale(nights: Sequence[GradedNight], tied: TiedField) -> float:
    """Scale of the reference's pixels, arcsec; NaN where no header of a tied series states one.

    Where its own headers are silent, other nights' scales and the stars in common show it.
    """
    ties = tied.ties
    stated = [nights[t.night].series[t.series].setup.scale_arcsec for t in ties]
    if np.isfinite(stated[tied.reference]):
        return stated[tied.reference]
    found = [scale / t.scale for scale, t in zip(stated, ties, strict=True)]
    found = [scale for scale in found if np.isfinite(scale)]
    return float(np.median(found)) if found else np.nan


def _over(one: StackNumbers, other: StackNumbers) -> tuple[float, float]:
    """S/N and width of one stack over those of another."""
    return one.snr / other.snr, one.fwhm / other.fwhm


def _parts(
    stack: SeasonStack, frames: StackFrames, seen: _Stacks, scale: float
) -> tuple[StackPart, ...]:
    total = frames.depth.sum()
    parts = []
    for n in sorted({row.night for row in stack.rows}):
        mine = frames.night == n
        part = StackPart(
            night=n,
            frames=sum(row.kept for row in stack.rows if row.night == n),
            kept_s=sum(row.kept_s for row in stack.rows if row.night == n),
            depth=float(frames.depth[mine].sum() / total) if mine.any() else np.nan,
        )
        if n in seen.alone:
            part = replace(part, fwhm=seen.alone[n].fwhm * scale)
        if n in seen.without:
            rest = seen.without[n][0]
            snr, width = _over(rest, seen.plain)
            part = replace(
                part,
                fwhm_without=rest.fwhm * scale,
                eccentricity_without=rest.eccentricity,
                snr_without=snr,
                better_without=is_better(snr, width),
            )
        parts.append(part)
    return tuple(parts)


def is_better(snr: float, width: float) -> bool:
    """Whether a stack is better than another.

    It is where a faint star's S/N is plainly higher, or where the width is plainly smaller and
    by more than the S/N is: S/N per width, what a fine detail gains, is then higher too.

    Parameters
    ----------
    snr, width : float
        Over those of the other.
    """
    return bool(snr > 1 + SURELY or (width < 1 - NARROWER and snr > width))


def _poorest(parts: Sequence[StackPart]) -> int:
    """Of the nights that a plain mean is better without, the one it gains most from."""
    worse = [part for part in parts if part.better_without]
    return max(worse, key=lambda p: p.snr_without / p.fwhm_without).night if worse else -1


def _notes(nights, tied: TiedField, frames: StackFrames) -> list[str]:
    notes = []
    for tie in tied.ties:
        if not np.isfinite(tie.ratio):
            night = nights[tie.night]
            name = f"{night.label} ({night.series[tie.series].label})"
            notes.append(f"{name} is not in the forecast: {tie.note}.")
    left = len(frames) - len(frames.usable())
    if left:
        were = "frame is" if left == 1 else "frames are"
        notes.append(f"{left} kept {were} not in the forecast: star or starlight not measured.")
    setups = {
        nights[t.night].series[t.series].setup.label for t in tied.ties if np.isfinite(t.ratio)
    }
    if len(setups) > 1 and np.isfinite(tied.scatter):
        notes.append(
            f"Two setups or more: stars of other colours differ in ratio, {tied.scatter:.1%} "
            "from star to star."
        )
    return notes


def _verdict(nights: Sequence[GradedNight], stack: SeasonStack, stays: bool) -> str:
    count = len([part for part in stack.parts if np.isfinite(part.depth)])
    over = counted(count, "night")
    text = (
        f"{stack.frames} frames of {over} stack to {figure(stack.fwhm)}{_unit(stack.unit)} and "
        f"{stack.snr:.1f} times the S/N of the best frame, weighted"
    )
    if count == 1:
        return text + "."
    if stack.poorest < 0:
        return text + "; no night is better left out."
    part = next(p for p in stack.parts if p.night == stack.poorest)
    width = part.fwhm_without / stack.plain_fwhm - 1
    name = in_brackets(nights[stack.poorest].label)
    weighted = "; by weight it may stay in" if stays else ""
    return (
        f"{text}; a plain mean is better without {name}: S/N {_percent(part.snr_without - 1)}, "
        f"width {_percent(width)}{weighted}."
    )


def _unit(unit: str) -> str:
    return unit if unit == "″" else f" {unit}"


def _percent(change: float) -> str:
    """A change to what the forecast is good for: whole per cents from ten on."""
    digits = 0 if abs(change) >= 0.0995 else 1
    return f"{change:+.{digits}%}".replace("-", "−")
