"""Find the shift, turn and scale that lay one frame's stars on another's.

Three ways, cheapest first; each proposes a few transforms, and every proposal
is checked against the stars themselves before it is believed:

1. *Shift vote.*  At an expected rotation every true pair of stars has the same
   difference of position; false pairs scatter.  Settles ordinary dithers and a
   meridian flip in a millisecond or two, with nine stars in ten missing.
2. *Pair vote, same scale.*  Two stars fix rotation and shift; pairs of the same
   length vote.  Any rotation.
3. *Pair vote, scale within 3 %.*  The same with looser lengths.

A proposal is accepted when the number of stars it brings together would be a
rare accident (`subgrade.night.matching`), and when it is not loose: few of many
stars, and these badly, as one corner of a turned field agrees with any rotation
near its own.

Positions are complex numbers ``x + 1j y`` (see `subgrade.night.similarity`).

How often chance alone would bring as many stars together.

An a-contrario test: Desolneux, Moisan & Morel 2000, Int. J. Comput. Vis. 40, 7 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from subgrade.night.similarity import Similarity, fit_similarity

MIN_MATCHED = 3
GLANCE, SHIFTS, FULL = 1, 2, 3
"""How deep a search goes."""
SHIFT_TIERS = ((60, 200), (250, 600))
"""Brightest stars of the frame and of the pattern that vote on shifts."""
SCALE_RANGE = 0.03
"""Widest change of scale looked for."""
LOOSE_RMS, LOOSE_SHARE = 0.5, 0.5
"""Of the match radius and of the stars in the overlap.  Stars paired blindly lie 0.85 radii off
(the median of a uniform disc over that of a Rayleigh law, times sqrt 2); a match half as loose
that also leaves most stars alone fits one corner of a field that is turned."""


@dataclass(frozen=True, slots=True)
class Match:
    """Stars of a frame brought onto a pattern.

    Attributes
    ----------
    transform : Similarity
        Frame to pattern.
    frame_index, pattern_index : ndarray of int, shape (k,)
        Which star is which.
    rms_px : float
        Robust residual, both axes together, pattern px.
    log10_false_alarms : float
        Expected number of accidental matches this good, log 10.
    overlap : int
        Frame stars that fall where the pattern has stars to offer.
    """

    transform: Similarity
    frame_index: np.ndarray
    pattern_index: np.ndarray
    rms_px: float
    log10_false_alarms: float
    overlap: int

    def __len__(self) -> int:
        return len(self.frame_index)


class Pattern:
    """Stars to match against, brightest first, with what is worth computing once.

    Parameters
    ----------
    z : ndarray of complex, shape (n,)
        Positions, px, brightest first.
    """

    PAIR_STARS = 400

    def __init__(self, z: np.ndarray) -> None:
        from scipy.spatial import cKDTree

        self.z = np.asarray(z, dtype=complex)
        self.tree = cKDTree(np.column_stack([self.z.real, self.z.imag]))
        self.low = complex(self.z.real.min(), self.z.imag.min()) if len(self.z) else 0j
        self.high = complex(self.z.real.max(), self.z.imag.max()) if len(self.z) else 0j
        self._pairs: tuple[np.ndarray, ...] | None = None

    def __len__(self) -> int:
        return len(self.z)

    @property
    def area(self) -> float:
        """Of the box of its stars, px^2."""
        span = self.high - self.low
        return max(span.real, 1.0) * max(span.imag, 1.0)

    @property
    def diagonal(self) -> float:
        """Of the box of its stars, px."""
        return abs(self.high - self.low)

    def contains(self, z: np.ndarray, margin: float) -> np.ndarray:
        """True where a position (complex, px) falls in the box of the stars and a margin around."""
        return (
            (z.real > self.low.real - margin)
            & (z.real < self.high.real + margin)
            & (z.imag > self.low.imag - margin)
            & (z.imag < self.high.imag + margin)
        )

    def pairs(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """All pairs of the brightest stars by length: (length, first, second)."""
        if self._pairs is None:
            first, second = np.triu_indices(min(len(self.z), self.PAIR_STARS), 1)
            length = np.abs(self.z[second] - self.z[first])
            order = np.argsort(length, kind="stable")
            self._pairs = (length[order], first[order], second[order])
        return self._pairs

    def repeats(self, tolerance: float) -> bool:
        """Whether the pattern lies on itself, to a tolerance (px), when shifted: a grid, not a sky.

        Shifts of such a pattern are ambiguous by whole periods, however well
        the points agree.  Doubled stars do not count: they repeat in one
        direction, once; a grid does so four ways at least.
        """
        n = min(len(self.z), 600)
        if n < 6:
            return False
        z = self.z[:n]
        box, shifts = Pattern(z), 0
        for shift in _vote_shifts(z, z, 1 + 0j, 2 * tolerance, keep=16):
            if abs(shift) < 4 * tolerance:
                continue
            moved = z + shift
            inside = box.contains(moved, tolerance)
            if inside.sum() < max(4, n // 4):
                continue
            mine, _ = _pair_up(moved[inside], box, tolerance)
            shifts += len(mine) > 0.4 * inside.sum()
        return shifts >= 4


def _dense_cells(codes: np.ndarray, keep: int) -> list[np.ndarray]:
    """Indices of the votes in the fullest cells, fullest first."""
    ordered = np.sort(codes)
    starts = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]])
    counts = np.diff(np.r_[starts, len(ordered)])
    if len(counts) > keep:  # only cells that can be among the fullest are looked at
        least = np.partition(counts, len(counts) - keep)[len(counts) - keep]
        candidates = np.flatnonzero(counts >= least)
    else:
        candidates = np.arange(len(counts))
    best = candidates[np.argsort(-counts[candidates], kind="stable")[:keep]]
    return [np.flatnonzero(codes == ordered[starts[i]]) for i in best]


def _vote_shifts(p: np.ndarray, q: np.ndarray, a: complex, cell: float, keep: int) -> list[complex]:
    """The shifts that most pairs of stars agree on, at a given rotation and scale."""
    # two grids, half a cell apart on both axes, so that no cell's edge hides a true shift from both
    difference = (q[None, :] - (a * p)[:, None]).ravel()
    if not len(difference):
        return []
    found: list[tuple[int, complex]] = []
    for offset in (0.0, 0.5):
        ix = np.floor(difference.real / cell + offset).astype(np.int64)
        iy = np.floor(difference.imag / cell + offset).astype(np.int64)
        for votes in _dense_cells(ix * 4_000_037 + iy, keep):
            shift = complex(np.median(difference[votes].real), np.median(difference[votes].imag))
            found.append((len(votes), shift))
    found.sort(key=lambda item: -item[0])
    distinct: list[complex] = []
    for _, shift in found:
        if all(abs(shift - other) > cell for other in distinct):
            distinct.append(shift)
    return distinct[:keep]


def _vote_pairs(
    p: np.ndarray, pattern: Pattern, stretch: float, stars: int, pairs: int, keep: int, cell: float
) -> list[Similarity]:
    """Transforms that most pairs of stars of equal length agree on."""
    p = p[:stars]
    if len(p) < 2:
        return []
    length, first, second = pattern.pairs()
    fi, fj = np.triu_indices(len(p), 1)
    size = np.abs(p[fj] - p[fi])
    # Short pairs fix the rotation poorly; the longest have few partners in the overlap.
    usable = (size > 0.06 * pattern.diagonal) & (size < 0.75 * pattern.diagonal)
    if usable.sum() < 3:
        usable = size > 10 * cell / 8
    fi, fj, size = fi[usable], fj[usable], size[usable]
    if len(size) > pairs:  # pairs of bright stars first: the sum of ranks
        chosen = np.argsort(fi + fj, kind="stable")[:pairs]
        fi, fj, size = fi[chosen], fj[chosen], size[chosen]
    slack = stretch * size + 1.5
    low = np.searchsorted(length, size - slack)
    count = np.searchsorted(length, size + slack) - low
    if not count.sum():
        return []
    which = np.repeat(np.arange(len(size)), count)
    inner = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count) + low[which]
    base = p[fj] - p[fi]
    step = pattern.z[second[inner]] - pattern.z[first[inner]]
    a = step / base[which]
    a = np.concatenate([a, -a])
    anchor = np.concatenate([pattern.z[first[inner]], pattern.z[second[inner]]])
    start = np.concatenate([p[fi][which]] * 2)
    centre = p.mean()
    landing = anchor + a * (centre - start)
    turn = np.floor(np.degrees(np.angle(a)) / 1.0).astype(np.int64) % 360
    ix = np.floor(landing.real / cell).astype(np.int64)
    iy = np.floor(landing.imag / cell).astype(np.int64)
    found = []
    for votes in _dense_cells((turn * 100_003 + ix) * 100_003 + iy, keep):
        if len(votes) < 2:
            break
        mean = complex(np.median(a[votes].real), np.median(a[votes].imag))
        spot = complex(np.median(landing[votes].real), np.median(landing[votes].imag))
        found.append(Similarity(mean, spot - mean * centre))
    return found


def _pair_up(moved: np.ndarray, pattern: Pattern, radius: float) -> tuple[np.ndarray, np.ndarray]:
    """Nearest partners within a radius, one to one: the closer claim wins."""
    distance, partner = pattern.tree.query(
        np.column_stack([moved.real, moved.imag]), distance_upper_bound=radius
    )
    mine = np.flatnonzero(np.isfinite(distance))
    order = mine[np.argsort(distance[mine], kind="stable")]
    _, keep = np.unique(partner[order], return_index=True)
    chosen = np.sort(order[keep])
    return chosen, partner[chosen]


def _check_proposal(
    p: np.ndarray, pattern: Pattern, proposal: Similarity, radius: float, dof: int
) -> Match | None:
    """Refine a proposed transform on the stars and state how accidental it looks."""
    fit, reach, rms = proposal, 2 * radius, np.inf
    for step in range(4):
        mine, theirs = _pair_up(fit(p), pattern, reach)
        if len(mine) < MIN_MATCHED:
            return None
        if len(mine) >= 4:
            fit, rms = fit_similarity(p[mine], pattern.z[theirs])
            if abs(fit.scale - 1) > 1.5 * SCALE_RANGE:
                return None
        else:  # three stars may fix a shift, but not also a scale
            shift = pattern.z[theirs] - fit.a * p[mine]
            fit = Similarity(fit.a, complex(np.median(shift.real), np.median(shift.imag)))
            rms = float(np.sqrt(np.mean(np.abs(fit(p[mine]) - pattern.z[theirs]) ** 2)))
        reach = float(np.clip(4 * rms, 0.5 * radius, radius)) if step else radius
    moved = fit(p)
    mine, theirs = _pair_up(moved, pattern, reach)
    if len(mine) < MIN_MATCHED:
        return None
    inside = pattern.contains(moved, reach)
    inside[mine] = True
    # Where stars crowd (a cluster), accidents are commoner than the mean density suggests.
    here = np.column_stack([moved.real, moved.imag])[inside]
    crowd = pattern.tree.query_ball_point(here, 10 * reach, return_length=True)
    local = np.clip(crowd - 1, 0, None) / 100.0
    chance = float(
        np.mean(1 - np.exp(-np.maximum(local, len(pattern) * np.pi * reach**2 / pattern.area)))
    )
    alarms = log10_false_alarms(len(mine), int(inside.sum()), chance, len(p), len(pattern), dof)
    return Match(fit, mine, theirs, rms, alarms, int(inside.sum()))


def _best(matches: list[Match], flux: np.ndarray, wary: bool) -> Match | None:
    """The least accidental match; near ties (doubled stars) go to the brighter images."""
    # Hot pixels stay put, and a sky that also fits elsewhere has moved: when ``wary``, a match that
    # leaves every star in its pixel yields to any other significant one.
    if not matches:
        return None
    if wary:
        # Must be beyond any doubt itself, or a chance corner match would unseat the truth.
        moved = [m for m in matches if not _is_static(m.transform)]
        moved = [m for m in moved if len(m) >= 6 and m.log10_false_alarms < -10]
        matches = moved or matches
    most = max(len(m) for m in matches)
    rivals = [m for m in matches if len(m) >= 0.85 * most]
    return max(rivals, key=lambda m: (float(flux[m.frame_index].sum()), -m.log10_false_alarms))


def _is_static(transform: Similarity) -> bool:
    """Whether a transform moves nothing by more than about a pixel."""
    return abs(transform.b) < 1.0 and abs(transform.rotation_deg) < 0.05


def _is_loose(match: Match, radius: float) -> bool:
    """Whether a match brings together few stars of many, and these badly."""
    # no accident, yet wrong: at a slightly wrong rotation one corner's stars still fall near
    # partners
    return match.rms_px > LOOSE_RMS * radius and len(match) < LOOSE_SHARE * match.overlap


def _significant(matches: list[Match | None], radius: float) -> list[Match]:
    return [
        m
        for m in matches
        if m is not None
        and m.log10_false_alarms < np.log10(FALSE_ALARMS)
        and not _is_loose(m, radius)
    ]


def match_stars(
    z: np.ndarray,
    flux: np.ndarray,
    pattern: Pattern,
    radius: float,
    turns: tuple[complex, ...] = (1 + 0j, -1 + 0j),
    depth: int = FULL,
    wary: bool = False,
) -> Match | None:
    """Match a frame's stars to a pattern.

    Parameters
    ----------
    z : ndarray of complex, shape (n,)
        Frame positions, px, brightest first.
    flux : ndarray, shape (n,)
        Their flux; decides only between the two images of doubled stars.
    pattern : Pattern
    radius : float
        How far apart the same star may be found, px.
    turns : tuple of complex
        Rotations (and scales) to expect.
    depth : int
        `GLANCE`: the shift vote of the brightest stars only; `SHIFTS`: of more
        stars if those fail; `FULL`: then the pair votes.
    wary : bool
        Prefer any significant match with motion to one without (hot pixels).

    Returns
    -------
    Match or None
        None when nothing more than accident was found.
    """
    if len(z) < MIN_MATCHED or len(pattern) < MIN_MATCHED:
        return None
    for mine, theirs in SHIFT_TIERS[:depth]:
        found = []
        for turn in turns:
            shifts = _vote_shifts(z[:mine], pattern.z[:theirs], turn, 2 * radius, keep=6)
            found += [_check_proposal(z, pattern, Similarity(turn, s), radius, 1) for s in shifts]
            good = _significant(found, radius)
            clear = [m for m in good if m.log10_false_alarms < -12]
            if any(not (wary and _is_static(m.transform)) for m in clear):
                break
        if good := _significant(found, radius):
            return _best(good, flux, wary)
        if len(z) <= mine and len(pattern) <= theirs:
            break
    if depth < FULL:
        return None
    for stretch, stars, pairs in ((0.003, 60, 900), (SCALE_RANGE, 40, 300)):
        proposals = _vote_pairs(z, pattern, stretch, stars, pairs, keep=12, cell=4 * radius)
        found = [_check_proposal(z, pattern, proposal, radius, 2) for proposal in proposals]
        if good := _significant(found, radius):
            return _best(good, flux, wary)
    return None


FALSE_ALARMS = 1e-6
"""Largest expected number of accidental matches as good as an accepted one."""


def log10_false_alarms(
    matched: int, overlap: int, chance: float, frame_stars: int, pattern_stars: int, dof: int
) -> float:
    """Expected number of accidental matches this good, log 10.

    ``dof`` stars (1 for a shift, 2 for a similarity) fix the transform and
    prove nothing; the others each agree by accident with probability ``chance``.
    The number of transforms tried is that of ways to pick the ``dof`` pairs.

    Parameters
    ----------
    matched, overlap : int
        Stars that agree, of those that could.
    chance : float
    frame_stars, pattern_stars, dof : int
    """
    from scipy.special import bdtrc, gammaln

    tried = dof * np.log10(max(frame_stars, 1) * max(pattern_stars, 1))
    free, drawn = matched - dof, max(overlap, matched) - dof
    if free <= 0:
        return float(tried)
    chance = float(np.clip(chance, 1e-12, 1.0))
    tail = bdtrc(free - 1, drawn, chance)
    if tail > 1e-290:
        log_tail = np.log10(tail)
    else:  # underflow: the leading term of the tail is plenty
        ways = gammaln(drawn + 1) - gammaln(free + 1) - gammaln(drawn - free + 1)
        log_tail = (ways + free * np.log(chance)) / np.log(10)
    return float(tried + log_tail)
