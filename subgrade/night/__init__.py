"""Compare: group frames, register them, transparency, the night's usual values."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from importlib import import_module
from typing import TYPE_CHECKING

import numpy as np

from subgrade.night.clocks import NIGHT_GAP_S, fullest_night, nights_of, not_yet
from subgrade.night.model import (
    Frame,
    FrameCompared,
    Group,
    GroupGeometry,
    Night,
    NightGeometry,
    with_frames,
    without_frames,
)
from subgrade.optional_parts import attempt, part
from subgrade.stars.model import FrameStars

if TYPE_CHECKING:
    from subgrade.night.group import Setup
    from subgrade.night.register import Registered
    from subgrade.night.transparency import Throughput

__all__ = [
    "DEFAULT_EXTINCTION",
    "NIGHT_GAP_S",
    "USUAL_FROM",
    "Creep",
    "ExpectedMotion",
    "ExpectedTrail",
    "FixedPattern",
    "Pattern",
    "Similarity",
    "Strip",
    "Turning",
    "common_axis",
    "compare_night",
    "creep_of",
    "find_foreign_strips",
    "fullest_night",
    "handedness",
    "image_axis",
    "leaning_axis",
    "match_radius",
    "match_stars",
    "moved_otherwise",
    "narrowest",
    "nights_of",
    "not_compared",
    "not_yet",
    "restated",
    "seen_trail",
    "separation_deg",
    "solve_zero_points",
    "split_field",
    "star_at_rest",
    "usual_of_these",
    "with_frames",
    "with_one_more",
    "without_frames",
    "without_usual_motion",
]

_WHERE = {
    "ExpectedMotion": "common_trail",
    "ExpectedTrail": "common_trail",
    "image_axis": "common_trail",
    "leaning_axis": "common_trail",
    "seen_trail": "common_trail",
    "star_at_rest": "common_trail",
    "Creep": "common_trail",
    "creep_of": "common_trail",
    "handedness": "geometry",
    "FixedPattern": "field_pattern",
    "Turning": "field_pattern",
    "split_field": "field_pattern",
    "Strip": "foreign_strips",
    "find_foreign_strips": "foreign_strips",
    "common_axis": "own_motion",
    "moved_otherwise": "own_motion",
    "narrowest": "own_motion",
    "without_usual_motion": "own_motion",
    "USUAL_FROM": "own_motion",
    "usual_of_these": "usual_values",
    "with_one_more": "one_more",
    "Pattern": "matching",
    "match_stars": "matching",
    "match_radius": "register",
    "Similarity": "similarity",
    "separation_deg": "pointing",
    "solve_zero_points": "zero_points",
    "DEFAULT_EXTINCTION": "clear_level",
    "STAR_IMAGE_ERROR": "transparency",
}
"""Public names whose modules are loaded when asked for."""

NOT_COMPARED = FrameCompared(group=-1, failed=True)


def __getattr__(name: str) -> object:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)


def compare_night(frames: Sequence[Frame]) -> Night:
    """Lay a night's frames side by side.

    Frames are put in the order taken and sorted into groups of one setup and
    pointing; each group is registered on its best frame, freed of defects that
    stay on the sensor and of streaks that stay on the sky, compared star by star for
    transparency, and given its usual values and the trends of width and sky.  A frame whose
    clock cannot be right has no time from here on, and a note.

    Parameters
    ----------
    frames : sequence of Frame
        Measured light frames, in any order.

    Returns
    -------
    Night
        All indices count in ``Night.frames``, the frames in the order taken.
    """
    from subgrade.night.clocks import with_believable_clocks
    from subgrade.night.fixed_lines import without_fixed_lines
    from subgrade.night.geometry import group_geometry
    from subgrade.night.group import in_order, label, sort_frames
    from subgrade.night.pointing import split_by_pointing

    timed, clock_notes = with_believable_clocks(frames)
    ordered = in_order(timed)
    sorting = sort_frames(ordered)
    strays = dict(sorting.strays)
    compared: dict[int, FrameCompared] = {}
    moving: dict[int, Frame] = {}
    groups, geometries, names = [], [], Counter()
    for members, setup in zip(sorting.groups, sorting.setups, strict=True):
        colour = all(ordered[i].facts.mosaic for i in members)
        name = label(setup, names, colour)
        with part(f"the comparison of {name}"):
            pointings, elsewhere = split_by_pointing(ordered, members)
            strays.update(elsewhere)
            for k, pointing in enumerate(pointings):
                name = label(setup, names, colour) if k else name
                with part(f"the comparison of {name}"):
                    group, mine = _group(ordered, setup, name, pointing, len(groups))
                    geometry = attempt(
                        f"drift and rotation of {name}",
                        lambda pointing=pointing: group_geometry(ordered, pointing),
                        GroupGeometry(),
                    )
                    compared |= mine
                    moving |= attempt(
                        f"streaks of {name} at one place of the sky",
                        lambda pointing=pointing: without_fixed_lines(
                            ordered, {i: pointing.registrations[i] for i in pointing.members}
                        ),
                        {},
                    )
                    groups.append(group)
                    geometries.append(geometry)
    for i, note in strays.items():
        compared[i] = FrameCompared(group=-1, stray_note=note)
    for i, frame in enumerate(ordered):
        if frame.name in clock_notes and i in compared:
            compared[i] = replace(compared[i], clock_note=clock_notes[frame.name])
    return Night(
        frames=tuple(moving.get(i, frame) for i, frame in enumerate(ordered)),
        compared=tuple(compared.get(i, NOT_COMPARED) for i in range(len(ordered))),
        groups=tuple(groups),
        geometry=NightGeometry(tuple(geometries)),
    )


def not_compared(frames: Sequence[Frame]) -> Night:
    """A night whose frames stand alone, for where the comparison itself failed."""
    return Night(tuple(frames), (NOT_COMPARED,) * len(frames), (), NightGeometry(()))


def _group(
    ordered: Sequence[Frame], setup: Setup, name: str, pointing: Registered, index: int
) -> tuple[Group, dict[int, FrameCompared]]:
    """One group, and its frames beside it by their place in the night."""
    from subgrade.night.transparency import group_transparency
    from subgrade.night.trends import group_trends
    from subgrade.night.usual_values import usual_values

    through, extinction = group_transparency(ordered, pointing)
    light = [through[i].value for i in pointing.members]
    turns = [pointing.registrations[i] for i in pointing.members]
    trends, width, sky = group_trends(ordered, pointing.members, turns, light)
    group = Group(
        label=name,
        target=setup.target,
        filter=setup.filter,
        exposure_s=setup.exposure_s,
        binning=setup.binning,
        shape=setup.size[::-1],
        members=pointing.members,
        reference=pointing.reference,
        usual=usual_values(ordered, pointing.members, light),
        extinction_mag=extinction.k if extinction.source != "none" else np.nan,
        extinction_source=extinction.source,
        hot_pixels=pointing.hot_pixels,
        trends=trends,
    )
    return group, {
        i: _compared(index, pointing, through[i], i, (float(width[k]), float(sky[k])))
        for k, i in enumerate(pointing.members)
    }


def restated(night: Night, stars: Mapping[int, FrameStars]) -> Night:
    """The night with some frames' stars stated anew; usual values and trends follow.

    Parameters
    ----------
    night : Night
    stars : mapping of int to FrameStars
        By index into ``night.frames``.

    Returns
    -------
    Night
        Groups, registrations, transparencies and geometry stay as they are.
    """
    from subgrade.night.trends import group_trends
    from subgrade.night.usual_values import usual_values

    frames = tuple(
        replace(f, stars=stars[i]) if i in stars else f for i, f in enumerate(night.frames)
    )
    compared, groups = list(night.compared), []
    for group in night.groups:
        if not any(i in stars for i in group.members):
            groups.append(group)
            continue
        mine = [compared[i] for i in group.members]
        light = [c.transparency for c in mine]
        turns = [c.registration for c in mine]
        trends, width, _ = group_trends(frames, group.members, turns, light)
        for k, i in enumerate(group.members):
            compared[i] = replace(compared[i], fwhm_expected_px=float(width[k]))
        usual = usual_values(frames, group.members, light)
        groups.append(replace(group, usual=usual, trends=trends))
    return replace(night, frames=frames, compared=tuple(compared), groups=tuple(groups))


def _compared(
    group: int, pointing: Registered, through: Throughput, index: int, expected: tuple[float, float]
) -> FrameCompared:
    return FrameCompared(
        group=group,
        registration=pointing.registrations[index],
        transparency=through.value,
        transparency_error=through.error,
        quarters=through.quarters,
        matched_stars=through.stars,
        transparency_note=through.note,
        hot_mask=pointing.masks.get(index),
        fwhm_expected_px=expected[0],
        background_expected_adu=expected[1],
    )
