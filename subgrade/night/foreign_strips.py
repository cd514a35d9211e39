"""Rows whose stars belong elsewhere: pixels shifted sideways, or rows of another field.

The stars of the group's other frames say where each star must lie.  Where rows of the frame
lack theirs and hold strangers instead, while the rest of the frame agrees, the rows are not
this frame's.  Cloud hides stars but brings no strangers; optics move stars smoothly, not by a
step between two rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.memo import remembered
from subgrade.night.model import Frame, FrameCompared, Registration
from subgrade.night.shifted_rows import Shifted, far_shift, near_shift
from subgrade.stars.model import FrameStars, StarList

STARS = 2000
"""Brightest stars expected in the frame that are looked for."""
LEAST = 8
"""Stars in their place that show the match to be right; a choice."""
CHANCE = 1e-6
"""Probability below which chance does not empty a strip of its stars and fill it with others, a
pair of frames, all strips tried."""
WITNESSES = 4
"""Frames that a frame is held against; more than half of them must agree."""
EDGE_PX = 12.0
ASKED = 40
"""Missing stars at most whose common shift is looked for."""


@dataclass(frozen=True, slots=True)
class Strip:
    """Rows that hold other stars than they should.

    Attributes
    ----------
    first_row, last_row : int
        From the first to the last star that is missing.
    missing, expected, strangers : int
        Stars missing in the strip, expected there, and found that belong elsewhere.
    shift_px : tuple of float or None
        Where the missing stars lie instead (columns, rows); None where nowhere.
    """

    first_row: int
    last_row: int
    missing: int
    expected: int
    strangers: int
    shift_px: tuple[float, float] | None


def find_foreign_strips(
    frames: Sequence[Frame], compared: Sequence[FrameCompared]
) -> tuple[Strip | None, ...]:
    """Look for rows whose stars are not the field's.

    Parameters
    ----------
    frames, compared : sequence
        Of one group.

    Returns
    -------
    tuple of Strip or None
        One a frame; None also where fewer than two other frames can be asked.
    """
    usable = [k for k in range(len(frames)) if _usable(frames[k], compared[k])]
    best = sorted(usable, key=lambda k: -compared[k].registration.matched)[: WITNESSES + 1]
    found: list[Strip | None] = [None] * len(frames)
    for place in usable:
        witnesses = [k for k in best if k != place][:WITNESSES]
        found[place] = _foreign_strip(place, witnesses, frames, compared)
    return tuple(found)


def _foreign_strip(
    place: int,
    witnesses: Sequence[int],
    frames: Sequence[Frame],
    compared: Sequence[FrameCompared],
) -> Strip | None:
    if len(witnesses) < 2:
        return None
    found: list[Strip] = []
    for asked, k in enumerate(witnesses):
        strip = _held_against(frames[place], compared[place], frames[k], compared[k])
        if strip is not None:
            found.append(strip)
        # the frames left can no longer make a majority
        if 2 * (len(found) + len(witnesses) - asked - 1) <= len(witnesses):
            return None
    return max(found, key=lambda s: s.missing)


def _usable(frame: Frame, compared: FrameCompared) -> bool:
    registration = compared.registration
    return (
        registration is not None
        and registration.ok
        and frame.stars.catalogue is not None
        and frame.stars.shape_status == "measured"
    )


def _onto(one: Registration, other: Registration, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Positions of ``one`` frame as complex positions on the ``other``."""
    return (one(x + 1j * y) - other.shift) / other.turn


def _held_against(
    frame: Frame, compared: FrameCompared, witness: Frame, seen: FrameCompared
) -> Strip | None:
    here, there = _stars(frame, compared), _stars(witness, seen)
    sizes = (frame.stars.width, frame.stars.height, witness.stars.width, witness.stars.height)
    depends = (
        *(*here, *there, sizes, float(frame.stars.fwhm_px)),
        *(compared.registration, seen.registration),
    )
    return remembered(
        "strip", depends, lambda: _strip_of(frame, compared, witness, seen, here, there)
    )


def _strip_of(
    frame: Frame,
    compared: FrameCompared,
    witness: Frame,
    seen: FrameCompared,
    here: tuple[np.ndarray, ...],
    there: tuple[np.ndarray, ...],
) -> Strip | None:
    from scipy.spatial import cKDTree

    if min(len(here[0]), len(there[0])) < 2 * LEAST:
        return None
    at = _onto(seen.registration, compared.registration, there[0], there[1])
    inside = _inside(at, frame.stars)
    reach = float(np.clip(0.6 * frame.stars.fwhm_px, 3.0, 10.0))
    place = np.column_stack((here[0], here[1]))
    gap, near = cKDTree(place).query(np.column_stack((at.real, at.imag)))
    hit = gap < reach
    if (hit & inside).sum() < LEAST:
        return None
    ratio = float(np.median(there[2][hit & inside] / here[2][near[hit & inside]]))
    # only stars well above what the shallower of the two frames shows
    floor = 2.0 * max(np.min(there[2]), ratio * np.min(here[2]))
    wanted = np.flatnonzero(inside & (there[2] > floor))[:STARS]
    found = wanted[hit[wanted]]
    if len(found) < LEAST:
        return None
    back, _ = cKDTree(np.column_stack((at.real, at.imag))).query(place)
    faintest = there[2][wanted].min() / ratio
    # a stranger must lie where the witness would have seen it
    seen_there = _onto(compared.registration, seen.registration, here[0], here[1])
    strange = (back > reach) & (here[2] > faintest) & _inside(seen_there, witness.stars)
    strangers = place[strange] @ np.array([1, 1j])
    shifted = far_shift(at[wanted], hit[wanted], strangers, frame.stars.width)
    if shifted is None:
        off = place[near[found]] @ np.array([1, 1j]) - at[found]
        shifted = near_shift(at.imag[found], off)
    if shifted is not None:
        return _of_shift(shifted)
    return _strip(at[wanted], hit[wanted], place[strange])


def _of_shift(rows: Shifted) -> Strip:
    shift = rows.dx, rows.dy
    return Strip(rows.first_row, rows.last_row, rows.stars, rows.expected, rows.stars, shift)


def _stars(frame: Frame, compared: FrameCompared) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """x, y and light of the frame's stars, brightest first; what stays on the sensor left out."""
    stars: StarList = frame.stars.catalogue
    good = stars.is_star & (stars.flux > 0) & np.isfinite(stars.x)
    if compared.hot_mask is not None:
        good = good & ~compared.hot_mask
    order = np.flatnonzero(good)
    order = order[np.argsort(-stars.flux[order], kind="stable")]
    return tuple(np.asarray(v, float)[order] for v in (stars.x, stars.y, stars.flux))


def _inside(at: np.ndarray, stars: FrameStars) -> np.ndarray:
    return (
        (at.real > EDGE_PX)
        & (at.imag > EDGE_PX)
        & (at.real < stars.width - EDGE_PX)
        & (at.imag < stars.height - EDGE_PX)
    )


def _strip(at: np.ndarray, hit: np.ndarray, strange: np.ndarray) -> Strip | None:
    """The rows in which stars are missing while outside them hardly one is."""
    order = np.argsort(at.imag)
    at, hit = at[order], hit[order]
    # log likelihood ratios: one star in ten found by chance, against one in five missing in a sound
    # frame through haze and blends
    first, end = _best_run(np.where(hit, -2.2, 1.6))
    within = np.zeros(len(hit), bool)
    within[first:end] = True
    missing, outside = int((~hit[within]).sum()), ~within
    if missing < 4 or missing < 0.8 * within.sum():
        return None
    if outside.sum() < 2 * LEAST or hit[outside].mean() < 0.85:
        return None
    top, bottom = at.imag[first], at.imag[end - 1]
    between = (strange[:, 1] >= top) & (strange[:, 1] <= bottom)
    share, elsewhere = between.sum() / missing, (~between).sum() / outside.sum()
    if share < 0.35 or elsewhere > min(0.2, 0.4 * share):
        return None
    rows = np.ptp(at.imag), bottom - top
    if _chance(within, hit, int(between.sum()), int((~between).sum()), *rows) > CHANCE:
        return None
    lost = at[within & ~hit]
    asked = lost[:: -(-len(lost) // ASKED)]
    shift, agreeing = _common_shift(asked, strange[between])
    if agreeing < max(4, 0.4 * len(asked)):
        shift = None
    moved = np.abs(lost[:, None] - (strange[between] @ np.array([1, 1j]))[None, :]).min(axis=1)
    if shift is None and np.median(moved) < 2 * EDGE_PX:
        return None  # moved a little, each otherwise: optics, not rows
    expected = int(within.sum())
    return Strip(int(top), int(bottom), missing, expected, int(between.sum()), shift)


def _chance(
    within: np.ndarray, hit: np.ndarray, inside: int, elsewhere: int, height: float, rows: float
) -> float:
    """Probability that a strip lacks so many stars and holds so many strangers by chance."""
    from scipy.special import bdtrc, pdtrc

    expected, missing = int(within.sum()), int((~hit[within]).sum())
    rate = (1 + (~hit[~within]).sum()) / (1 + (~within).sum())
    # Missing stars are binomial, strangers Poisson, with the rates outside the strip; a product t
    # of two probabilities has the chance t (1 - ln t), times the strips there are.
    lost = bdtrc(missing - 1, expected, min(rate, 1.0))
    mean = (1 + elsewhere) * rows / max(height - rows, 1.0)
    both = max(float(lost * pdtrc(inside - 1, mean)) if inside else 1.0, 1e-300)
    return 0.5 * len(hit) ** 2 * both * (1 - np.log(both))


def _best_run(score: np.ndarray) -> tuple[int, int]:
    """(first, end) of the stretch with the largest sum."""
    total = np.concatenate(([0.0], np.cumsum(score)))
    lowest = np.minimum.accumulate(total)
    end = int(np.argmax(total - lowest))
    first = int(np.flatnonzero(total[: end + 1] == lowest[end])[-1])
    return first, end


def _common_shift(lost: np.ndarray, strange: np.ndarray) -> tuple[tuple[float, float], int]:
    """The offset that most of the missing stars share, and how many do."""
    offset = (strange @ np.array([1, 1j]))[None, :] - lost[:, None]
    flat = np.column_stack((offset.real.ravel(), offset.imag.ravel()))
    from scipy.spatial import cKDTree

    near = cKDTree(flat).query_ball_point(flat, 1.5)
    best = max(near, key=len)
    dx, dy = np.median(flat[best], axis=0)
    return (float(dx), float(dy)), len(best)
