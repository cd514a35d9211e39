"""One sentence for every number that marks taught: what moved, and why."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from subgrade.figures import figure
from subgrade.teaching.best_shifts import Frames
from subgrade.teaching.dials import Dial, Number, Turned

UNITS = {"FWHM": "px"}


class Lines:
    """The marks of this night that one sentence is about.

    Parameters
    ----------
    frames : Frames
    dial : int
        Place in `DIALS`.
    numbers : mapping of str to mapping of str to Number
        By frame name and the dial's name.
    asked : sequence of int
        Marks that ask this dial for a change.
    followed : ndarray of bool
        Frames whose verdict under the shifted limits is the one wanted.
    turned : bool
        Whether the limit stands elsewhere than before any lesson.
    """

    def __init__(self, frames: Frames, dial: int, numbers, asked, followed, turned: bool):
        self.frames, self.dial, self.turned = frames, dial, turned
        self._numbers: Mapping[str, Mapping[str, Number]] = numbers
        self.asked: Sequence[int] = list(asked)
        self.left = [i for i in self.asked if not followed[i]]
        self.heard = [
            i
            for i, s in enumerate(frames.seen)
            if s.marked and s.frame and np.isfinite(frames.beyond[i, dial])
        ]

    def value(self, dial: Dial, i: int) -> float:
        """A frame's number as measured."""
        return self._numbers[self.frames.seen[i].frame][dial.name].value

    def against(self, keep: bool) -> list[int]:
        """Frames of this night that stand in the way of what is left of the asked."""
        left = [i for i in self.left if bool(self.frames.keep[i]) == keep]
        if not left:
            return []
        b = self.frames.beyond[:, self.dial]
        past = (self.frames.beyond > 0).sum(axis=1)
        here = np.array([bool(s.frame) for s in self.frames.seen])
        if keep:
            # Rejected for this number alone, and no worse than a frame that was kept.
            like = (past == 1) & (b > 0) & (b <= max(b[left]))
        else:
            like = b >= min(b[left])
        return np.flatnonzero(here & like & (self.frames.keep != keep)).tolist()


def sentence_of(dial: Dial, moved: Sequence[Turned], lines: Lines) -> str:
    """What the marks did to the limits behind one number, and why.

    Parameters
    ----------
    dial : Dial
    moved : sequence of Turned
        Empty where nothing moved.
    lines : Lines
    """
    sides = [[i for i in lines.asked if lines.frames.keep[i] == keep] for keep in (False, True)]
    asked = " and ".join(_asked(dial, side, lines) for side in sides if side)
    if moved and asked:
        text = f"{dial.shown}: {_went(moved)}, because you {asked}" + _left(lines)
    elif moved:
        text = f"{dial.shown}: {_went(moved)}, to fit all your marks so far"
    else:
        text = f"{dial.shown}: no limit moved, although you {asked}"
    contrary = [why for keep in (False, True) if (why := _contradicted(dial, keep, lines, moved))]
    return text + (contrary or [_why(False, lines) + _why(True, lines)])[0]


def _unfollowed(keep: bool, lines: Lines) -> list[int]:
    return [i for i in lines.left if lines.frames.keep[i] == keep]


def _contradicted(dial: Dial, keep: bool, lines: Lines, moved: Sequence[Turned]) -> str:
    """That other marks speak against those of one word; empty where they do not."""
    left = _unfollowed(keep, lines)
    against = [i for i in lines.against(keep) if lines.frames.seen[i].marked]
    if not left or 2 * len(against) < len(left):
        return ""
    did, better = ("rejected", "worse") if keep else ("kept", "better")
    nothing = "teach nothing more" if moved or lines.turned else "the limit stays where it is"
    return (
        f"; but you {did} {_count(len(against), 'frame')} no {better} than "
        f"{'it' if len(left) == 1 else 'those'} ({_span(dial, against, lines)}): "
        f"these marks contradict each other, and {nothing}"
    )


def _why(keep: bool, lines: Lines) -> str:
    """Why marks of one word are not followed; empty where all are."""
    left = _unfollowed(keep, lines)
    if not left:
        return ""
    against, better = lines.against(keep), "worse" if keep else "better"
    if keep and (lines.frames.beyond[left] > 0).sum(axis=1).min() > 1:
        they = "it is" if len(left) == 1 else "they are"
        return f"; {they} past other limits as well"
    others = [i for i in against if not lines.frames.seen[i].marked]
    if len(others) > len(left):
        verb = "rejected" if keep else "passing"
        text = f"; {_count(len(others), 'frame')} that you left {verb} {_is(others)} no {better}"
        if len(left) < len(lines.asked):
            return text
        return f"{text}, so this does not seem to be what you went by; if it is, mark those as well"
    if lines.turned:
        return "; so few marks take the limit no further"
    if len(left) == 1:
        return "; a single mark so far from the limit may be a slip, so mark more frames like it"
    return "; so few marks so far from the limit may be slips, so mark more frames like them"


def _went(moved: Sequence[Turned]) -> str:
    return ", ".join(turned.words for turned in moved)


def _asked(dial: Dial, asked: Sequence[int], lines: Lines) -> str:
    keep = bool(lines.frames.keep[asked[0]])
    did, side = ("kept", "beyond") if keep else ("rejected", "within")
    return f"{did} {_count(len(asked), 'frame')} {side} the limit ({_span(dial, asked, lines)})"


def _span(dial: Dial, which: Sequence[int], lines: Lines) -> str:
    values = sorted(lines.value(dial, i) for i in which)
    unit = UNITS.get(dial.name, "")
    span = figure(values[0], unit)
    if figure(values[-1], unit) != span:
        span += f" to {figure(values[-1], unit)}"
    return span


def _left(lines: Lines) -> str:
    """The marks that a moved limit still does not follow."""
    left = lines.left
    if not left:
        return ""
    one = len(left) == 1
    some = f"{len(left)} of them"
    if len(left) == len(lines.asked):
        some = "the frame" if one else "all of them"
    words = {bool(lines.frames.keep[i]) for i in left}
    if len(words) == 2:
        return f"; on {some} you and the limit still differ"
    if True in words:
        return f"; {some} {_is(left)} still rejected"
    return f"; {some} still {'passes' if one else 'pass'}"


def _is(frames: Sequence[int]) -> str:
    return "is" if len(frames) == 1 else "are"


def _count(count: int, word: str) -> str:
    return f"{count} {word}{'' if count == 1 else 's'}"
