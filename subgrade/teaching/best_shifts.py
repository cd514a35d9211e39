"""How far each limit moves: the smallest shifts that follow a person's marks.

A frame is rejected where any of its numbers lies past its limit.  With every limit shifted,
a frame passes with the probability that its true numbers lie within all of them.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from subgrade.judging.limits import Limits
from subgrade.teaching.dials import DIALS, Dial
from subgrade.teaching.marks_learnt import Field, Seen

SLIP = 0.05
"""Share of marks that are the opposite of what was meant; no source."""
MARK = float(np.log((1 - SLIP) / SLIP))
"""What a mark counts, in natural-log odds: those of being meant against being a slip."""
UNMARKED = 10.0
"""All frames of a group that are not marked count together like so many marks; no source."""
AT_MOST = 1 / 3
"""No unmarked frame counts more than this share of a mark; no source."""
DOUBT = 0.3
"""A limit moves only if that follows at least so many marks more; no source."""
NEAR = 0.05
"""Of shifts that are worse than the best by less than so many marks the smallest is made."""
FREEDOM = 3.0
"""Degrees of freedom of the prior: wide tails, for some people are far from any default; no source.
"""
REACH = 4.0
"""Shifts are tried as far past the marked frames as so many of their errors."""
STEPS = 400
"""Shifts tried for one limit, on either side."""

PRIORS = np.array([dial.prior for dial in DIALS])


class Frames:
    """All frames that the limits are fitted to, as arrays.

    Parameters
    ----------
    seen : iterable of Seen
    limits : Limits
        Those that the numbers were held against.

    Attributes
    ----------
    beyond, error : ndarray
        How far past its limit each number is and its logistic error, shape (frames, dials);
        minus infinity where the frame does not have the number.
    worth : ndarray
        What each frame counts, shape (frames,): positive for a keep, negative for a reject.
    most : ndarray
        How far each limit may be shifted at most, shape (dials,).
    asks : ndarray of bool
        Marks that the limits as they were do not follow, shape (frames,).
    keep : ndarray of bool
    """

    def __init__(self, seen: Iterable[Seen], limits: Limits):
        # In an order of their own, so that the order of the marks cannot matter.
        ordered = sorted(seen, key=lambda s: (s.key, s.word, s.frame))
        shape = (len(ordered), len(DIALS))
        self.beyond, self.error = np.full(shape, -np.inf), np.ones(shape)
        for i, frame in enumerate(ordered):
            for d, dial in enumerate(DIALS):
                if dial.name in frame.numbers:
                    self.beyond[i, d], self.error[i, d] = frame.numbers[dial.name]
        self.seen = ordered
        groups = list({str(s.group): s.group for s in ordered}.values())
        self._room = [_room(dial, groups, limits) for dial in DIALS]
        self.most = np.array([room[1] for room in self._room])
        self.keep = np.array([s.word == "keep" for s in ordered], bool)
        size = np.array([_worth(s) for s in ordered])
        self.worth = np.where(self.keep, size, -size)
        passes = (self.beyond <= 0).all(axis=1)
        marked = np.array([s.marked for s in ordered], bool)
        self.asks = marked & (passes != self.keep)

    def within(self, dial: int, shifts: np.ndarray) -> np.ndarray:
        """Probability that one number lies within its shifted limit, shape (frames, shifts)."""
        past = (self.beyond[:, dial, None] - shifts) / self.error[:, dial, None]
        return 1.0 / (1.0 + np.exp(np.clip(past, -500, 500)))

    def passing(self, shifts: np.ndarray, but: int = -1) -> np.ndarray:
        """Probability of passing all limits but one, shape (frames,)."""
        found = np.ones(len(self.seen))
        for d in range(len(DIALS)):
            if d != but:
                found = found * self.within(d, shifts[d : d + 1])[:, 0]
        return found

    def grid(self, dial: int) -> np.ndarray:
        """Shifts to try, toward what the marks ask for only, 0 among them, ascending."""
        b, e = self.beyond[:, dial], self.error[:, dial]
        has = np.isfinite(b)
        stricter = self.asks & ~self.keep & has
        forgiving = self.asks & self.keep & has & (b > 0)
        low = min(0.0, *(b - REACH * e)[stricter]) if stricter.any() else 0.0
        high = max(0.0, *(b + REACH * e)[forgiving]) if forgiving.any() else 0.0
        low, high = max(low, self._room[dial][0]), min(high, self._room[dial][1])
        below = np.linspace(low, 0.0, STEPS + 1) if low < 0 else np.zeros(1)
        above = np.linspace(0.0, high, STEPS + 1)[1:] if high > 0 else np.zeros(0)
        return np.concatenate([below, above])


def best_shifts(frames: Frames) -> np.ndarray:
    """The shift of every dial's limit.

    Agreement is summed over all frames: what each counts (`MARK`, or a part of it where the
    frame was only left as it was), times the probability that the shifted limits decide as the
    person did.  From it goes the cost of the shifts, by a prior about the present limits.  It is
    the logarithm of a posterior, expected over the errors of the numbers.  Like frames that were
    kept as often as rejected add the same at every shift, and so move nothing.

    The limit that gains most is moved first, then the next, as long as they gain more
    than `DOUBT`; several at once where only together they let frames pass.

    Parameters
    ----------
    frames : Frames

    Returns
    -------
    ndarray
        On each dial's scale, in the order of `DIALS`; positive forgives more.
    """
    shifts = np.zeros(len(DIALS))
    waiting = set(range(len(DIALS)))
    while waiting:
        tried = [_one(frames, shifts, d) for d in sorted(waiting)]
        tried += [_together(frames, shifts, waiting)]
        gain, found = max(tried, key=lambda t: t[0])
        if gain <= 0 or (found == shifts).all():
            break
        waiting -= set(np.flatnonzero(found != shifts).tolist())
        shifts = found
    return shifts


def cost_of(shifts: np.ndarray, prior) -> np.ndarray:
    """How much less probable shifts are than none: minus the logarithm of Student's t."""
    return (FREEDOM + 1) / 2 * np.log1p((shifts / prior) ** 2 / FREEDOM)


def gain_of(frames: Frames, shifts: np.ndarray, dial: int) -> float:
    """How much agreement one dial could still gain, in marks."""
    grid = frames.grid(dial)
    score = _score(frames, shifts, dial, grid)
    return float(score.max() - score[np.argmin(np.abs(grid - shifts[dial]))]) / MARK


def _room(dial: Dial, groups: list[Field], limits: Limits) -> tuple[float, float]:
    """How far a limit may be shifted: within its range, and never past a typical frame."""
    low, high = dial.room(limits)
    gaps = []
    for group in groups if dial.effective is not None else ():
        usual = group.usual.get(dial.usual)
        if usual is not None and np.isfinite(usual.centre):
            made = dial.effective(usual, group.scale, limits)
            gaps.append(dial.on_scale(usual.centre) - dial.on_scale(made))
    return max(low, min(*gaps, 0.0)) if gaps else low, high


def _worth(seen: Seen) -> float:
    return MARK if seen.marked else MARK * min(AT_MOST, UNMARKED / seen.of)


def _score(frames: Frames, shifts: np.ndarray, dial: int, grid: np.ndarray) -> np.ndarray:
    """Agreement less the cost of one dial's shift, on a grid of it."""
    rest = frames.worth * frames.passing(shifts, but=dial)
    return rest @ frames.within(dial, grid) - cost_of(grid, PRIORS[dial])


def _one(frames: Frames, shifts: np.ndarray, dial: int) -> tuple[float, np.ndarray]:
    """What moving one dial gains beyond the doubt, and the shifts with it."""
    grid = frames.grid(dial)
    score = _score(frames, shifts, dial, grid)
    gain = score.max() - score[np.flatnonzero(grid == 0)[0]] - DOUBT * MARK
    found = shifts.copy()
    found[dial] = _smallest(grid, score, NEAR)
    return float(gain), found


def _smallest(grid: np.ndarray, score: np.ndarray, doubt: float) -> float:
    """The shift nearest to none that is nearly as good as the best, on the side of the best."""
    best = grid[np.argmax(score)]
    near = (score >= score.max() - doubt * MARK) & (grid * best >= 0)
    return float(grid[near][np.argmin(np.abs(grid[near]))])


def _together(frames: Frames, shifts: np.ndarray, waiting: set[int]) -> tuple[float, np.ndarray]:
    """What letting the mildest of the kept frames pass all limits gains, as `_one`."""
    kept = np.flatnonzero(frames.asks & frames.keep)
    need = np.where(frames.beyond > 0, frames.beyond + REACH * frames.error, 0.0)
    need = np.minimum(need, frames.most)
    price = cost_of(need, PRIORS).sum(axis=1)
    none = _whole(frames, shifts)
    best, found = 0.0, shifts
    reach = shifts.copy()
    for i in kept[np.argsort(price[kept], kind="stable")]:
        if not set(np.flatnonzero(need[i]).tolist()) <= waiting:
            continue
        reach = np.maximum(reach, need[i])
        gain = _whole(frames, reach) - none
        if gain > best:
            best, found = gain, reach
    moved = np.flatnonzero(found != shifts)
    if len(moved) < 2:
        return 0.0, shifts
    for d in moved:
        grid = np.linspace(0.0, found[d], STEPS + 1)
        found = found.copy()
        found[d] = _smallest(grid, _score(frames, found, d, grid), NEAR / len(moved))
    return _whole(frames, found) - none - DOUBT * MARK * (len(moved) - 1), found


def _whole(frames: Frames, shifts: np.ndarray) -> float:
    """Agreement less the cost of all shifts."""
    return float(frames.worth @ frames.passing(shifts) - cost_of(shifts, PRIORS).sum())
