"""Sort a night's frames into groups that can be compared with one another.

Two frames are comparable when geometry and binning agree and no header fact
that both state differs: target, filter, exposure (to 1 %), camera, gain.  A
header that is silent matches whatever the others state.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from subgrade.night.model import Frame

EXPOSURE_TOLERANCE = 0.01
STRAY_AT_MOST = 2
"""A group of this many frames, or of `STRAY_SHARE` of the largest, may be strays."""
STRAY_SHARE = 0.01
STRAY_RATIO = 4
"""... when the largest group has at least this many times as many frames."""

COLOUR = "colour"
"""Stands for the filter of a colour sensor without one."""
_KINDS = {"dark": "a dark frame", "bias": "a bias frame", "flat": "a flat frame"}


@dataclass(frozen=True, slots=True)
class Setup:
    """What must agree for two frames to be compared; None where the header is silent."""

    size: tuple[int, int]
    """(width, height), px."""
    binning: tuple[int, int]
    target: str | None = None
    filter: str | None = None
    exposure_s: float | None = None
    camera: str | None = None
    gain: float | None = None

    def differences(self, other: Setup) -> list[str]:
        """Names of the facts in which two setups contradict each other."""
        found = [
            name for name in ("size", "binning") if getattr(self, name) != getattr(other, name)
        ]
        for name in ("target", "filter", "camera", "gain"):
            mine, theirs = getattr(self, name), getattr(other, name)
            if mine is not None and theirs is not None and _norm(mine) != _norm(theirs):
                found.append(name)
        mine, theirs = self.exposure_s, other.exposure_s
        both = mine is not None and theirs is not None
        if both and abs(mine - theirs) > EXPOSURE_TOLERANCE * max(abs(mine), abs(theirs)):
            found.append("exposure_s")
        return found

    def filled_from(self, other: Setup) -> Setup:
        """This setup with its silent facts taken from another."""
        names = ("target", "filter", "exposure_s", "camera", "gain")
        facts = {
            n: getattr(self, n) if getattr(self, n) is not None else getattr(other, n)
            for n in names
        }
        return Setup(self.size, self.binning, **facts)

    @property
    def stated(self) -> int:
        """How many facts are stated."""
        facts = (self.target, self.filter, self.exposure_s, self.camera, self.gain)
        return sum(fact is not None for fact in facts)


@dataclass(frozen=True, slots=True)
class Sorting:
    """The outcome: groups of frame indices, and the strays with what sets them apart."""

    groups: tuple[tuple[int, ...], ...]
    setups: tuple[Setup, ...]
    strays: dict[int, str]


def _norm(value: object) -> object:
    """Spelling, spaces and case aside: "NGC 7" and "ngc7" are one target."""
    return re.sub(r"[\s_\-]+", "", value).casefold() if isinstance(value, str) else value


def _setup_of(frame: Frame) -> Setup:
    """The facts of one frame that decide its group."""
    facts, stars = frame.facts, frame.stars
    return Setup(
        (stars.width, stars.height),
        tuple(facts.binning),
        facts.target or None,
        facts.filter or None,
        facts.exposure_s,
        facts.camera or None,
        facts.gain,
    )


def in_order(frames: Sequence[Frame]) -> tuple[Frame, ...]:
    """Frames in the order taken: by start time; those without one by name, after.

    When most frames have no time, all go by name.
    """
    timed = sum(f.facts.start_unix is not None for f in frames)
    if 2 * timed < len(frames):
        return tuple(sorted(frames, key=lambda f: f.name))
    return tuple(
        sorted(
            frames,
            key=lambda f: (f.facts.start_unix is None, f.facts.start_unix or 0.0, f.name),
        )
    )


def sort_frames(frames: Sequence[Frame]) -> Sorting:
    """Group frames by setup; single frames that differ from the rest are strays.

    Returns
    -------
    Sorting
        Groups largest first, then by their first frame; members in the given order.
    """
    strays = {}
    clusters: list[tuple[Setup, list[int]]] = []
    undecided = []
    setups = [_setup_of(f) for f in frames]
    for index, frame in enumerate(frames):
        kind = frame.facts.frame_type
        if kind != "light" and frame.facts.frame_type_stated:
            strays[index] = f"{_KINDS.get(kind, 'not a light frame')} by its header"
        elif note := _named_otherwise(frame):
            strays[index] = note
        else:
            undecided.append(index)
    # The fullest headers come first, so that silent ones find their groups there.
    for index in sorted(undecided, key=lambda i: (-setups[i].stated, i)):
        fitting = [c for c in clusters if not c[0].differences(setups[index])]
        if not fitting:
            clusters.append((setups[index], [index]))
            continue
        home = min(fitting, key=lambda c: (-_agreed(c[0], setups[index]), _gap(c[1], index)))
        home[1].append(index)
        position = clusters.index(home)
        clusters[position] = (home[0].filled_from(setups[index]), home[1])
    clusters.sort(key=lambda c: (-len(c[1]), min(c[1])))
    groups, kept = [], []
    for setup, members in clusters:
        main = len(clusters[0][1])
        if is_stray_size(len(members), main):
            note = _describe_difference(
                setup, [c[0] for c in clusters if not is_stray_size(len(c[1]), main)]
            )
            strays.update(dict.fromkeys(members, note))
        else:
            groups.append(tuple(sorted(members)))
            kept.append(setup)
    return Sorting(tuple(groups), tuple(kept), strays)


def _named_otherwise(frame: Frame) -> str:
    """Kind that a starless frame's name states against its header; empty for none."""
    # starless alone a light is that cloud hid; a name alone may be a mistake
    if not frame.facts.named_kind or frame.stars.shape_status not in ("none", "few"):
        return ""
    kind, name = frame.facts.named_kind
    stars = "no star" if frame.stars.stars == 0 else f"only {frame.stars.stars} stars"
    return f"{_KINDS[kind]} by {name}, and {stars} in it, though the header has it as a light"


def is_stray_size(count: int, main: int) -> bool:
    """Whether so few frames, beside a group of ``main``, are strays rather than a group."""
    return count <= max(STRAY_AT_MOST, STRAY_SHARE * main) and main >= STRAY_RATIO * count


def _agreed(one: Setup, other: Setup) -> int:
    names = ("target", "filter", "exposure_s", "camera", "gain")
    return sum(getattr(one, n) is not None and getattr(other, n) is not None for n in names)


def _gap(members: list[int], index: int) -> int:
    """How far away in the order taken the nearest member is."""
    return min(abs(m - index) for m in members)


def _describe_difference(setup: Setup, mains: Sequence[Setup]) -> str:
    """What sets a stray apart from the nearest main group, in words."""
    main = min(mains, key=lambda m: len(setup.differences(m)))
    parts = []
    for name in setup.differences(main):
        mine, theirs = (_say(name, getattr(s, name)) for s in (setup, main))
        word = {"exposure_s": "exposure"}.get(name, name)
        parts.append(f"{word} {mine}, but {theirs} for the rest of the night")
    return "; ".join(parts) or "differs from the night's other frames"


def _say(name: str, value: object) -> str:
    if name == "size":
        return f"{value[0]} x {value[1]} px"
    if name == "binning":
        return f"{value[0]} x {value[1]}"
    if name == "exposure_s":
        return f"{value:g} s"
    if name == "gain":
        return f"{value:g}"
    return str(value)


def label(setup: Setup, taken: Counter, colour: bool = False) -> str:
    """A short unique name for a group: target, filter, exposure.

    Without a filter a colour sensor's frames go by ``colour``; what has neither target nor
    filter goes by ``lights``, as an exposure time alone is no name.

    >>> label(Setup((9, 9), (1, 1), exposure_s=60.0), Counter(), colour=True)
    'colour, 60 s'
    """
    kind = setup.filter or (COLOUR if colour else None)
    parts = [setup.target, kind] if setup.target or kind else ["lights"]
    if setup.exposure_s is not None:
        parts.append(f"{setup.exposure_s:g} s")
    text = ", ".join(p for p in parts if p)
    taken[text] += 1
    return text if taken[text] == 1 else f"{text} ({taken[text]})"
