"""A compared night with one more frame beside it, before all is compared anew.

The frame is compared with some of its group, and set on the scale that the group has: the night's
own values stay as they are.  That is quick however many frames there are, and near what the whole
comparison finds.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from subgrade.night.model import Frame, FrameCompared, Group, Night, Registration

COMPANIONS = 8
"""Frames of the group, beside its reference, that the new one is compared with; no source."""
FEWEST = 3
"""Of them that must have a transparency, to set the scale by."""


def with_one_more(night: Night, frame: Frame) -> Night | None:
    """The night with a frame behind its last.

    Parameters
    ----------
    night : Night
        As compared; none of its values are made anew.
    frame : Frame
        Taken after all others.

    Returns
    -------
    Night or None
        None where only the whole comparison can place the frame: it was not taken last, is of no
        group yet, or does not match its group.
    """
    from subgrade.night import compare_night

    times = [f.facts.start_unix for f in (*night.frames, frame)]
    if None in times or times[-1] < max(times):
        return None
    index = _group_of(night, frame)
    if index is None:
        return None
    group = night.groups[index]
    some = _companions(night, group)
    if len(some) <= FEWEST:
        return None
    small = compare_night([*(night.frames[i] for i in some), frame])
    found = _beside_group(night, index, small, frame.name)
    if found is None:
        return None
    place = {f.name: f for f in small.frames}[frame.name]
    groups = list(night.groups)
    groups[index] = replace(group, members=(*group.members, len(night.frames)))
    return replace(
        night,
        frames=(*night.frames, place),
        compared=(*night.compared, found),
        groups=tuple(groups),
    )


def _group_of(night: Night, frame: Frame) -> int | None:
    """The group taken last among those of the frame's setup."""

    def setup(one: Frame) -> tuple:
        facts, stars = one.facts, one.stars
        stated = (facts.target, facts.filter, facts.exposure_s, facts.binning, facts.mosaic)
        return *stated, stars.width, stars.height

    mine = [
        (max(group.members), k)
        for k, group in enumerate(night.groups)
        if setup(night.frames[group.reference]) == setup(frame)
    ]
    return max(mine)[1] if mine else None


def _companions(night: Night, group: Group) -> list[int]:
    """The group's reference and its last frames that are matched and have a transparency."""
    sound = [i for i in group.members if _sound(night.compared[i])]
    return sorted({group.reference, *sound[-COMPANIONS:]})


def _sound(compared: FrameCompared) -> bool:
    registration = compared.registration
    return (
        registration is not None
        and registration.ok
        and bool(np.isfinite(compared.transparency))
        and not compared.transparency_is_limit
    )


def _beside_group(night: Night, index: int, small: Night, name: str) -> FrameCompared | None:
    """What the small comparison shows of the new frame, on the scale of its group."""
    group = night.groups[index]
    known = {f.name: c for f, c in zip(small.frames, small.compared, strict=True)}
    new, reference = known[name], known[night.frames[group.reference].name]
    if new.group < 0 or new.group != reference.group or not (_sound(new) and _sound(reference)):
        return None
    ratios = [
        night.compared[i].transparency / known[night.frames[i].name].transparency
        for i in group.members
        if night.frames[i].name in known
        and _sound(night.compared[i])
        and _sound(known[night.frames[i].name])
    ]
    if len(ratios) < FEWEST:
        return None
    scale = float(np.median(ratios))
    last = night.compared[group.members[-1]]
    return replace(
        new,
        group=index,
        registration=_onto(new.registration, reference.registration),
        transparency=scale * new.transparency,
        transparency_error=scale * new.transparency_error,
        quarters=tuple(scale * part for part in new.quarters),
        fwhm_expected_px=last.fwhm_expected_px,
        background_expected_adu=last.background_expected_adu,
    )


def _onto(frame: Registration, reference: Registration) -> Registration:
    """A frame's place on the reference, from the places of both on a third frame."""
    a = frame.turn / reference.turn
    b = (frame.shift - reference.shift) / reference.turn
    return replace(
        frame,
        dx=float(b.real),
        dy=float(b.imag),
        rotation_deg=float(np.degrees(np.angle(a))),
        scale=float(abs(a)),
    )
