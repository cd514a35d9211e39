"""The night as the browser asks for it: frames by index, and what the marks make of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict
from pathlib import Path

from subgrade.results import Graded, GradedFrame
from subgrade.review.levels import TILE, level_count
from subgrade.review.stretch import Stretch, typical_stretch

MOST_STARS = 400
Decide = Callable[[Mapping[str, str] | None], Graded]
"""The night with marks by frame name."""


class ReviewedNight:
    """A graded night and the marks laid on it.

    Parameters
    ----------
    decide : callable
        See `Decide`.
    marks : mapping of str to str
        Those that the night was served with.
    """

    def __init__(self, decide: Decide, marks: Mapping[str, str]):
        self._decide = decide
        self.marks = dict(marks)
        self.served = decide(self.marks)
        self.graded = self.served
        self._undo: list[tuple[str, str | None]] = []
        self._number = {frame.name: k for k, frame in enumerate(self.served.frames)}
        self._stretches = _stretches(self.served)

    def frame(self, index: int) -> dict:
        """What the browser must know of a frame before it asks for tiles."""
        frame = self.graded.frames[index]
        stars = frame.stars
        if stars is None:
            raise LookupError("it was not measured")
        doubtful = self.doubtful()
        return {
            "width": stars.width,
            "height": stars.height,
            "colour": bool(frame.facts and frame.facts.mosaic),
            "levels": level_count(stars.width, stars.height),
            "tile": TILE,
            "to_reference": to_reference(frame),
            "best": self.best(frame),
            "stretch": asdict(self.stretch(frame)),
            "sky": _plain(stars.background_adu),
            "noise": _plain(stars.noise_adu),
            "stars": brightest(frame),
            "doubtful": doubtful.index(index) if index in doubtful else None,
        }

    def stretch(self, frame: GradedFrame) -> Stretch:
        """The curve of the frame's group."""
        group = frame.compared.group if frame.compared else -1
        return self._stretches.get(group) or self._stretches[None]

    def best(self, frame: GradedFrame) -> int | None:
        """The frame of the same group that stacks with most weight; None where none is kept."""
        group = frame.compared.group if frame.compared else -1
        kept = [
            (other.judgement.weight, -k)
            for k, other in enumerate(self.graded.frames)
            if group >= 0
            and other.compared
            and other.compared.group == group
            and other.judgement.verdict == "keep"
        ]
        return -max(kept)[1] if kept else None

    def doubtful(self) -> list[int]:
        """Frames whose verdict is least certain first, those left out that are marked."""
        open_ = [
            (frame.judgement.confidence, k)
            for k, frame in enumerate(self.graded.frames)
            if frame.name not in self.marks and frame.judgement.verdict in ("keep", "reject")
        ]
        return [k for _, k in sorted(open_)]

    def mark(self, index: int, word: str | None) -> None:
        """Lay a mark on a frame, or take it away."""
        name = self.served.frames[index].name
        self._undo.append((name, self.marks.get(name)))
        self._set(name, word)

    def undo(self) -> None:
        """Take the last mark back; nothing where there is none."""
        if self._undo:
            self._set(*self._undo.pop())

    def _set(self, name: str, word: str | None) -> None:
        self.marks.pop(name, None)
        if word is not None:
            self.marks[name] = word
        self.graded = self._decide(self.marks)

    def state(self) -> dict:
        """The marks and what they have changed since the page was served."""
        return {
            "marks": {str(self._number[name]): word for name, word in self.marks.items()},
            "undo": len(self._undo),
            "doubtful": self.doubtful(),
            "changed": {},
            "record": {},
        }

    def path(self, index: int) -> Path:
        """Where the frame's file was when it was graded."""
        return self.served.frames[index].path


def to_reference(frame: GradedFrame) -> list[list[float]] | None:
    """Rows (a, b, c) of x' = a x + b y + c, frame to the group's reference, px; None if unknown."""
    found = frame.compared.registration if frame.compared else None
    if found is None or not found.ok:
        return None
    turn = math.radians(found.rotation_deg)
    a, b = found.scale * math.cos(turn), found.scale * math.sin(turn)
    return [[a, -b, found.dx], [b, a, found.dy]]


def brightest(frame: GradedFrame) -> list[float]:
    """Places x, y, x, y... of the brightest stars, px."""
    listed = frame.stars.catalogue
    if listed is None:
        return []
    stars = [k for k in range(len(listed)) if listed.is_star[k]][:MOST_STARS]
    return [round(float(v[k]), 2) for k in stars for v in (listed.x, listed.y)]


def _stretches(graded: Graded) -> dict[int | None, Stretch]:
    """By group; under None that of all frames."""
    by_group: dict[int | None, list] = {None: []}
    for frame in graded.frames:
        if frame.stars is not None:
            by_group[None].append(frame.stars)
            group = frame.compared.group if frame.compared else -1
            by_group.setdefault(group, []).append(frame.stars)
    return {
        group: typical_stretch([s.background_adu for s in some], [s.noise_adu for s in some])
        for group, some in by_group.items()
    }


def _plain(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
