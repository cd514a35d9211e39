"""A night apart from the measurements of its frames, and put together with them again.

The comparison is kept from run to run; what it compared is kept already, frame by frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from subgrade.night.model import Frame, Night


def without_frames(night: Night, frames: Sequence[Frame]) -> tuple:
    """What the comparison found.

    Parameters
    ----------
    night : Night
    frames : sequence of Frame
        Those it was made of, in any order; each has a name of its own.

    Returns
    -------
    tuple
        Plain values and dataclasses of `subgrade.night.model`, for `with_frames`: the places of
        the night's frames among ``frames``, header facts that the night states otherwise, and
        the rest of the `Night`.
    """
    places = {frame.name: k for k, frame in enumerate(frames)}
    order = tuple(places[frame.name] for frame in night.frames)
    restated = {
        k: frame.facts
        for k, frame in enumerate(night.frames)
        if frame.facts is not frames[order[k]].facts
    }
    return order, restated, night.compared, night.groups, night.geometry


def with_frames(found: tuple, frames: Sequence[Frame]) -> Night:
    """The night again, from what `without_frames` returned and the same frames."""
    order, restated, compared, groups, geometry = found
    own = [frames[k] for k in order]
    for k, facts in restated.items():
        own[k] = replace(own[k], facts=facts)
    return Night(tuple(own), compared, groups, geometry)
