"""Lines that stay at one place of the sky: filaments, galaxy arms, spikes of bright stars.

A satellite crosses another part of the sky in every frame.  A streak that lies where one lay in
another frame of the group, seen on the stars, is none.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from subgrade.night.model import Frame, Registration
from subgrade.stars.model import Streak

NEAR_PX = 6.0
"""Farthest that two lines at one place lie apart, px, beside half of both widths.  Two satellites
are so near to each other, and so nearly parallel, once in 10^5 pairs (derived: 12 px of 3000,
one degree of 180)."""
LEAST_SHARED = 0.5
"""Least part of the shorter of two lines beside which the longer one runs.  Satellites that stand
still above the equator draw one line of declination, but each another part of it."""


def without_fixed_lines(
    frames: Sequence[Frame], registrations: Mapping[int, Registration]
) -> dict[int, Frame]:
    """Frames whose streaks come back at one place of the sky, with those streaks left out.

    Parameters
    ----------
    frames : sequence of Frame
    registrations : mapping of int to Registration
        Of a group's frames, by their index in ``frames``; others are left alone, and so are
        frames of trailed stars, whose own trails may come back.

    Returns
    -------
    dict of int to Frame
        Only frames that change.
    """
    lines = [
        (i, streak, _on_sky(streak, found))
        for i, found in registrations.items()
        if found is not None and found.ok and frames[i].stars.shape_status != "trailed"
        for streak in frames[i].stars.streaks
    ]
    fixed: dict[int, list[Streak]] = {}
    for i, streak, line in lines:
        if any(j != i and _same_place(line, other, streak, mate) for j, mate, other in lines):
            fixed.setdefault(i, []).append(streak)
    return {
        i: replace(
            frames[i],
            stars=replace(
                frames[i].stars,
                streaks=tuple(s for s in frames[i].stars.streaks if s not in gone),
            ),
        )
        for i, gone in fixed.items()
    }


def _on_sky(streak: Streak, found: Registration) -> tuple[complex, complex]:
    """Ends of a streak on the group's reference frame, px."""
    return found(complex(streak.x1, streak.y1)), found(complex(streak.x2, streak.y2))


def _same_place(
    one: tuple[complex, complex], two: tuple[complex, complex], streak: Streak, mate: Streak
) -> bool:
    """Whether two lines, given by their ends, run beside each other."""
    if abs(one[1] - one[0]) > abs(two[1] - two[0]):
        one, two = two, one
    start, length = two[0], abs(two[1] - two[0])
    if length <= 0:
        return False
    along = (two[1] - two[0]) / length
    ends = sorted(((end - start) / along for end in one), key=lambda z: z.real)
    shared = min(ends[1].real, length) - max(ends[0].real, 0.0)
    near = NEAR_PX + 0.5 * (streak.width_px + mate.width_px)
    beside = max(abs(end.imag) for end in ends) <= near
    return beside and shared >= LEAST_SHARED * (ends[1].real - ends[0].real)
