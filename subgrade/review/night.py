"""The night as the browser asks for it: frames by index, and what the marks make of it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict
from threading import RLock

from subgrade.judging.features import MARK
from subgrade.report import changed_frame, changed_record
from subgrade.results import Graded, GradedFrame, verdict_values
from subgrade.review.journal import WORDS, MarksJournal
from subgrade.review.levels import TILE, level_count
from subgrade.review.stretch import Stretch, typical_stretch

MOST_STARS = 400
"""Brightest stars whose places the browser gets."""
Decide = Callable[[Mapping[str, str]], Graded]
"""The night with marks by frame name, as `subgrade grade --marks` would judge it."""


class ReviewedNight:
    """A graded night and the marks that are laid on it.

    May be used by several threads.

    Parameters
    ----------
    decide : callable
        See `Decide`.
    journal : MarksJournal
        Where marks are kept.

    Attributes
    ----------
    served : Graded
        The night as the page shows it before it asks for the state.
    graded : Graded
        The night with the marks as they are.
    """

    def __init__(self, decide: Decide, journal: MarksJournal):
        self._decide = decide
        self._journal = journal
        self._lock = RLock()
        self.graded = self.served = decide(journal.marks)
        self._number = {frame.name: k for k, frame in enumerate(self.served.frames)}
        self._stretches = _stretches(self.served)
        self._values = [verdict_values(frame) for frame in self.served.frames]
        self._changed: dict[int, tuple[dict, dict]] = {}

    @property
    def marks(self) -> dict[str, str]:
        """The marks on this night's frames by name, in the order of the frames."""
        marks = self._journal.marks
        return {name: marks[name] for name in self._number if name in marks}

    def now(self) -> tuple[Graded, dict[str, str]]:
        """The night as it is, and every mark kept, those on frames of other runs last."""
        with self._lock:
            return self.graded, {**self.marks, **self._journal.marks}

    def mark(self, index: int, word: str | None) -> None:
        """Lay a mark on a frame, or take it away; it is on the disk when this returns.

        Parameters
        ----------
        index : int
        word : str or None
            ``keep`` or ``reject``; None takes the frame's mark away.

        Raises
        ------
        ValueError
            If the frame cannot be marked.
        NotWritten
            If the disk does not take it; then nothing has changed.
        """
        if word is not None and word not in WORDS:
            raise ValueError("a mark is keep, reject or null")
        frame = self.served.frames[index]
        if frame.stars is None:
            raise ValueError(f"{frame.name}: was not measured, so no mark can decide it")
        with self._lock:
            self._journal.mark(frame.name, word)
            self.graded = self._decide(self.marks)

    def undo(self) -> None:
        """Take the last mark back, as `mark`; nothing where there is none."""
        with self._lock:
            self._journal.undo()
            self.graded = self._decide(self.marks)

    def state(self) -> dict:
        """The marks, and all that they have changed since the page was served."""
        with self._lock:
            graded, marks, steps = self.graded, self.marks, self._journal.steps
        changed = {str(k): found for k, f in enumerate(graded.frames) if (found := self._of(k, f))}
        return {
            "marks": {str(self._number[name]): word for name, word in marks.items()},
            "undo": steps,
            "doubtful": doubtful(graded, marks),
            "changed": changed,
            "record": changed_record(graded),
        }

    def _of(self, index: int, frame: GradedFrame) -> dict | None:
        """What differs of a frame from the page as served; None where nothing does."""
        values, served = verdict_values(frame), self._values[index]
        if values == served:
            return None
        if values["explanation"] == served["explanation"]:
            return values
        known = self._changed.get(index)
        if known is None or known[0] != values:  # made once, as it takes a millisecond or more
            known = self._changed[index] = values, changed_frame(frame)
        return known[1]

    def frame(self, index: int) -> dict:
        """What the browser must know of a frame before it asks for tiles.

        Raises
        ------
        ValueError
            If it was not measured.
        """
        with self._lock:
            graded, marks = self.graded, self.marks
        frame = graded.frames[index]
        stars = frame.stars
        if stars is None:
            raise ValueError(f"{frame.name}: was not measured: {frame.judgement.explanation}")
        open_ = doubtful(graded, marks)
        return {
            "width": stars.width,
            "height": stars.height,
            "colour": bool(frame.facts and frame.facts.mosaic),
            "levels": level_count(stars.width, stars.height),
            "tile": TILE,
            "to_reference": to_reference(frame),
            "best": best(graded, group_of(frame)),
            "stretch": asdict(self.stretch(frame)),
            "sky": _plain(stars.background_adu),
            "noise": _plain(stars.noise_adu),
            "stars": brightest(frame),
            "doubtful": open_.index(index) if index in open_ else None,
        }

    def stretch(self, frame: GradedFrame) -> Stretch:
        """The curve of the frame's group."""
        return self._stretches.get(group_of(frame)) or self._stretches[None]


def group_of(frame: GradedFrame) -> int:
    """The group it was compared in, -1 for none."""
    return frame.compared.group if frame.compared else -1


def best(graded: Graded, group: int) -> int | None:
    """The kept frame of a group that stacks with most weight; None where none is kept."""
    kept = [
        (frame.judgement.weight, -k)
        for k, frame in enumerate(graded.frames)
        if group >= 0 and group_of(frame) == group and frame.judgement.verdict == "keep"
    ]
    return -max(kept)[1] if kept else None


def followed_marks(graded: Graded) -> dict[str, str]:
    """Marks that decided a verdict, by frame name."""
    return {
        frame.name: frame.judgement.verdict
        for frame in graded.frames
        if any(item.quantity == MARK.name for item in frame.judgement.evidence)
    }


def doubtful(graded: Graded, marks: Mapping[str, str]) -> list[int]:
    """Frames whose verdict is least certain first, those left out that are marked."""
    open_ = [
        (frame.judgement.confidence, k)
        for k, frame in enumerate(graded.frames)
        if frame.stars is not None and frame.name not in marks
    ]
    return [k for _, k in sorted(open_)]


def to_reference(frame: GradedFrame) -> list[list[float]] | None:
    """Rows (a, b, c) of x' = a x + b y + c, frame to the group's reference, px.

    x to the right, y up, the middle of the first pixel at (0, 0); None where the frame was not
    matched.
    """
    found = frame.compared.registration if frame.compared else None
    if found is None or not found.ok:
        return None
    turn = math.radians(found.rotation_deg)
    a, b = found.scale * math.cos(turn), found.scale * math.sin(turn)
    return [[a, -b, found.dx], [b, a, found.dy]]


def brightest(frame: GradedFrame) -> list[float]:
    """Places x, y, x, y and so on of the brightest stars, px."""
    listed = frame.stars.catalogue
    if listed is None:
        return []
    stars = [k for k, star in enumerate(listed.is_star) if star][:MOST_STARS]
    places = [float(v[k]) for k in stars for v in (listed.x, listed.y)]
    return [round(v, 2) for v in places] if all(map(math.isfinite, places)) else []


def _stretches(graded: Graded) -> dict[int | None, Stretch]:
    """By group; under None that of all frames."""
    by_group: dict[int | None, list] = {None: []}
    for frame in graded.frames:
        if frame.stars is not None:
            by_group[None].append(frame.stars)
            by_group.setdefault(group_of(frame), []).append(frame.stars)
    return {
        group: typical_stretch([s.background_adu for s in some], [s.noise_adu for s in some])
        for group, some in by_group.items()
    }


def _plain(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
