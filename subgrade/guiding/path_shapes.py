"""The shapes that a guide star's path can take within one exposure, as rows to be fitted.

Every shape is linear in one or two amplitudes for each axis (a cosine and a sine where its phase
is free); what is not linear (onset, decay, period) lies on a grid.  Rows are freed of their mean,
since the star image does not show it, and turned so that the two rows of a shape are orthogonal.
Guide samples mostly come at one beat, so a night needs few sets of rows: they are kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

KNOCK_DECAYS_S = (1.5, 3.0, 6.0, 12.0)
"""How long a mount rings after a gust, or a guider takes to bring it back: from memory."""
RING_PERIODS = (2.0, 2.6, 3.6, 5.5, 8.5, 13.0)
"""Periods of ringing as sampled, in guide cycles: faster ones appear as one of these."""
SETTLING_CYCLES = tuple(2.0 ** (k / 3.0) for k in range(16))
"""Decay of a first-order guide loop of gain g, about 1/g cycles: gains from 1 to 0.03."""
SETTLING_RAMPS = (3.0, 6.0, 12.0, 24.0)
"""Cycles until home where the longest correction sets the pace."""
LOOP_GAINS = (0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.94)
"""Gains of a loop that answers a cycle late: it overshoots on its way home, by the poles of
z^2 - z + g (derived), and is at the edge of stability at 1."""
DIRECT_GAINS = (1.3, 1.5, 1.65, 1.8, 1.9)
"""Gains at which a loop that answers at once comes home on alternate sides, by z = 1 - g."""
LATE_DITHER_S = 15.0
"""A dither that was late for the exposure shows within this time of its start, and a quarter of
it at most; a knock at any time: common practice, no source."""
SHORTEST_STAY = 3
"""Samples at a second place that make it a place: fewer are a knock, or a sample gone wrong."""
SHORTEST_SWING = 6.0
"""Cycles: what is faster than this is of the guide loop's own beat (a loop that answers a cycle
late rings with a period of six at the edge of stability, derived) and counts as to-and-fro."""
LONGEST_SWING = 3.0
"""Longest period in lengths of the path: a third of a cycle bends; of less one sees a ramp."""
WANDER_MEMORIES = (0.0, 3.0, 10.0, 40.0)
WANDER_LEVELS = (0.7, 2.0, 6.0, 18.0)
"""Memory, in cycles, and standard deviation, in units of the noise, of irregular motion that adds
to it."""
EVEN = 0.15
"""RMS of sample times about an even beat, in cycles, that is left out of account: less than a
tenth of the amplitude of the fastest swing."""
AMPLITUDES = (2.0, 6.0, 18.0, 54.0)
"""One sigma of an amplitude in units of its axis' noise: even in the logarithm, as sizes of
unknown scale are (Jeffreys); with noise of 0.3 arcsec from half an arcsec to half an arcminute."""
SHAPES = ("ramp", "knock", "swing", "settling", "step")


@dataclass(frozen=True, slots=True)
class ShapeRows:
    """All shapes on one set of sample times: m with rows, then p stays at a second place.

    A stay is one step less a later one, so that it needs no rows of its own.

    Attributes
    ----------
    plain : ndarray, shape (2, m, n)
        The two rows of each of m shapes, of unit size and without mean; zero for an absent row.
    white : ndarray, shape (2, m, n)
        The same as the noise lets them be seen: whitened, without the constant.
    stays : ndarray of int, shape (2, p)
        The two steps of each stay, indices into m.
    shrunk : ndarray, shape (4, 2, m + p)
        Variance of a row's amplitude after the fit over that of the noise, for each size of
        `AMPLITUDES` before it.
    log_prior : ndarray, shape (4, m + p)
        Of each size and shape within its kind, with the normalisation of both axes' amplitudes.
    onset, lasts, period : ndarray, shape (m + p,)
        Cycles: after the first sample; decay, stay or time until home; NaN where not of the shape.
    first : tuple of int
        Where each kind of `SHAPES` begins, and the end of the last.
    """

    plain: np.ndarray
    white: np.ndarray
    stays: np.ndarray
    shrunk: np.ndarray
    log_prior: np.ndarray
    onset: np.ndarray
    lasts: np.ndarray
    period: np.ndarray
    first: tuple[int, ...]

    def of(self, kind: str) -> slice:
        """The shapes of one kind."""
        k = SHAPES.index(kind)
        return slice(self.first[k], self.first[k + 1])

    def seen(self, path: np.ndarray) -> np.ndarray:
        """Sums of products with the white rows: (a, n) whitened axes give (a, 2, m + p)."""
        along = path @ self.white.reshape(-1, path.shape[1]).T
        along = along.reshape(len(path), 2, -1)
        first, second = self.stays
        return np.concatenate([along, along[..., first] - along[..., second]], axis=-1)

    def motion(self, k: int, amplitudes: np.ndarray) -> np.ndarray:
        """Path (a, n) of a shape with amplitudes (a, 2)."""
        m = self.plain.shape[1]
        if k < m:
            return amplitudes @ self.plain[:, k]
        first, second = self.stays[:, k - m]
        return amplitudes @ (self.plain[:, first] - self.plain[:, second])


@lru_cache(maxsize=6)
def _kept_filters(tenths: bytes) -> tuple[np.ndarray, np.ndarray]:
    t = 0.1 * np.frombuffer(tenths, np.int64)
    apart = np.abs(t[:, None] - t)
    memory = np.maximum(WANDER_MEMORIES, 1e-3)[:, None, None]
    like = np.exp(-apart / memory)[:, None]
    cover = np.square(WANDER_LEVELS)[:, None, None] * like + np.eye(len(t))
    root = np.linalg.cholesky(cover.reshape(-1, len(t), len(t)))
    log_det = 2.0 * np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    return np.linalg.inv(root), log_det


def wander_filters(cycles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What makes noise and irregular motion of each memory and level white.

    Parameters
    ----------
    cycles : ndarray, shape (n,)

    Returns
    -------
    ndarray, shape (m, n, n)
        Times a path in units of the noise: independent numbers of unit variance.
    ndarray, shape (m,)
        Logarithm of the determinant of the covariance.
    """
    return _kept_filters(_tenths(cycles))


def _tenths(cycles: np.ndarray) -> bytes:
    """Sample times as what rows are kept by: tenths of a cycle, whole ones on an even beat."""
    count = np.concatenate([[0.0], np.cumsum(np.maximum(np.rint(np.diff(cycles)), 1.0))])
    if float(np.mean((cycles - count * (cycles[-1] / count[-1])) ** 2)) < EVEN**2:
        cycles = count
    return np.rint(10.0 * np.asarray(cycles)).astype(np.int64).tobytes()


def shape_rows(cycles: np.ndarray, cadence: float, memory: float) -> ShapeRows:
    """The shapes for samples at ``cycles`` (guide cycles after the first, shape (n,)).

    Parameters
    ----------
    cycles : ndarray, shape (n,)
        Increasing from 0, n at least 5; rounded to a tenth, or taken as even where they nearly are.
    cadence : float
        Seconds of one cycle.
    memory : float
        Autocorrelation of the noise after one cycle, 0 to below 1.
    """
    return _kept_rows(_tenths(cycles), round(float(cadence), 1), round(float(memory), 2))


@lru_cache(maxsize=6)
def _kept_rows(tenths: bytes, cadence: float, memory: float) -> ShapeRows:
    t = 0.1 * np.frombuffer(tenths, np.int64)
    whole = np.arange(t[-1] + 0.5)
    beat = whole if len(whole) < 2 * len(t) and np.array_equal(t, np.rint(t)) else t
    # Samples that are missing from an even beat are left out of rows that are kept for it.
    plain, counts, (onset, lasts, period, log_prior) = _rows_on(beat.tobytes(), cadence)
    if len(beat) > len(t):
        plain = plain[..., np.rint(t).astype(int)]
    plain = plain - plain.mean(axis=2, keepdims=True)
    one = whitened(np.ones(len(t)), t, memory)
    white = whitened(plain, t, memory)
    white -= (white @ one)[..., None] * (one / (one @ one))
    plain, white, power = _orthogonal(plain, white)
    begin, stop = np.triu_indices(len(beat) - 1, SHORTEST_STAY)
    between = white[0, 1 - len(beat) :] @ white[0, 1 - len(beat) :].T
    own = np.diag(between)
    both = np.maximum(own[begin] + own[stop] - 2.0 * between[begin, stop], 0.0)
    power = np.concatenate([power, np.stack([both, np.zeros(len(both))])], axis=1)
    prior = np.square(AMPLITUDES)[:, None, None]
    log_prior = log_prior - np.log1p(prior * power).sum(axis=1) - np.log(len(AMPLITUDES))
    shrunk = prior / (1.0 + prior * power)
    first = tuple(np.cumsum([0, *counts]).tolist())
    stays = first[-2] + np.stack([begin, stop])
    return ShapeRows(plain, white, stays, shrunk, log_prior, onset, lasts, period, first)


@lru_cache(maxsize=6)
def _rows_on(beat: bytes, cadence: float):
    """Rows (2, m, n) of all kinds, how many shapes each has with stays, and their numbers."""
    t = np.frombuffer(beat)
    parts = [
        _ramp(t),
        _knocks(t, np.array(KNOCK_DECAYS_S) / max(cadence, 0.1)),
        _swings(t),
        _settlings(t, LATE_DITHER_S / max(cadence, 0.1)),
        _steps(t),
    ]
    counts = [p[0].shape[1] for p in parts[:-1]] + [len(parts[-1][1])]
    numbers = (
        np.concatenate([np.broadcast_to(p[k], c) for p, c in zip(parts, counts, strict=True)])
        for k in (1, 2, 3, 4)
    )
    return np.concatenate([p[0] for p in parts], axis=1), counts, tuple(numbers)


def whitened(rows: np.ndarray, cycles: np.ndarray, memory: float) -> np.ndarray:
    """Rows as if their noise, of unit variance and exponential memory, were white.

    Each sample less what the one before foretells, over what is left uncertain: exact for the
    first-order process of any sampling (Ornstein-Uhlenbeck).

    Parameters
    ----------
    rows : ndarray, shape (..., n)
    cycles : ndarray, shape (n,)
    memory : float
        Autocorrelation after one cycle.
    """
    keep = memory_kept(cycles, memory)
    out = np.array(rows, float)
    out[..., 1:] -= keep * rows[..., :-1]
    out[..., 1:] /= np.sqrt(1.0 - keep**2)
    return out


def memory_kept(cycles: np.ndarray, memory: float) -> np.ndarray:
    """Autocorrelation of the noise from each sample to the next, shape (n - 1,)."""
    if memory <= 0:
        return np.zeros(len(cycles) - 1)
    return memory ** np.maximum(np.diff(cycles), 0.1)


def sample_edges(cycles: np.ndarray) -> np.ndarray:
    """Middles between samples, with the first and last sample at the ends, shape (n + 1,)."""
    middle = 0.5 * (cycles[1:] + cycles[:-1])
    return np.concatenate([cycles[:1], middle, cycles[-1:]])


def _orthogonal(plain, white):
    """Both rows of each shape turned by the angle that makes the white ones orthogonal."""
    a, c = np.einsum("imk,imk->im", white, white)
    b = np.einsum("mk,mk->m", *white)
    turn = 0.5 * np.arctan2(2.0 * b, a - c)
    cos, sin = np.cos(turn)[:, None], np.sin(turn)[:, None]
    plain, white = (
        np.stack([cos * r[0] + sin * r[1], cos * r[1] - sin * r[0]]) for r in (plain, white)
    )
    half, slant = 0.5 * (a + c), np.hypot(0.5 * (a - c), b)
    return plain, white, np.stack([half + slant, np.maximum(half - slant, 0.0)])


def _with_empty(rows: np.ndarray) -> np.ndarray:
    return np.stack([rows, np.zeros_like(rows)])


def _ramp(t):
    """From one end of the path to the other, of unit length."""
    rows = _with_empty((t / t[-1])[None, :])
    return rows, np.nan, np.nan, np.nan, 0.0


def _steps(t):
    """To a second place, for good or for a stay; half the prior each.

    Rows of the former alone; numbers of both, stays in the order of `numpy.triu_indices`.
    """
    n = len(t)
    edge = 0.5 * (t[1:] + t[:-1])
    rows = (np.arange(n) >= np.arange(1, n)[:, None]).astype(float)
    begin, stop = np.triu_indices(n - 1, SHORTEST_STAY)
    onset = np.r_[edge, edge[begin]]
    lasts = np.r_[np.full(n - 1, np.nan), edge[stop] - edge[begin]]
    prior = np.r_[np.full(n - 1, -np.log(n - 1)), np.full(len(begin), -np.log(max(len(begin), 1)))]
    return _with_empty(rows), onset, lasts, np.nan, prior - np.log(2.0)


def _knocks(t, decays):
    """Out at once and back, without ringing or with; half the prior each."""
    j = np.arange(1, len(t) - 1)
    since = t[None, :] - t[j, None]
    after = since >= 0
    since = np.where(after, since, 0.0)
    fading = after * np.exp(-since / decays[:, None, None])
    phase = 2.0 * np.pi * since / np.array(RING_PERIODS)[:, None, None]
    ringing = np.stack([np.cos(phase), np.sin(phase)])[:, None] * fading[:, None]
    shape = (2, -1, len(t))
    rows = np.concatenate([_with_empty(fading).reshape(shape), ringing.reshape(shape)], axis=1)
    plain, rung = len(decays) * len(j), len(decays) * len(RING_PERIODS) * len(j)
    onset = np.tile(0.5 * (t[j] + t[j - 1]), len(decays) * (1 + len(RING_PERIODS)))
    lasts = np.r_[np.repeat(decays, len(j)), np.repeat(decays, len(RING_PERIODS) * len(j))]
    period = np.repeat(np.tile(RING_PERIODS, len(decays)), len(j))
    prior = np.r_[np.full(plain, np.log(0.5 / plain)), np.full(rung, np.log(0.5 / rung))]
    return rows, onset, lasts, np.r_[np.full(plain, np.nan), period], prior


def _swings(t):
    """Sines of any phase all along the path, even in frequency, each as likely as its octave."""
    low, high = 1.0 / (LONGEST_SWING * t[-1]), 1.0 / SHORTEST_SWING
    if high <= low:
        return np.zeros((2, 0, len(t))), *(np.zeros(0),) * 4
    # An eighth of a cycle over the path between neighbours leaves a tenth of the amplitude.
    frequency = np.linspace(low, high, max(2, int(np.ceil(8.0 * t[-1] * (high - low)))))
    phase = 2.0 * np.pi * frequency[:, None] * t
    prior = np.log(1.0 / frequency) - np.log(np.sum(1.0 / frequency))
    return np.stack([np.cos(phase), np.sin(phase)]), np.nan, np.nan, 1.0 / frequency, prior


def _settlings(t, latest):
    """Home from a place away at the exposure's start or soon after it.

    Fading, at a steady rate, or overshooting.
    """
    decays = [d for d in SETTLING_CYCLES if d <= max(0.3 * t[-1], 1.0)]
    ramps = [r for r in SETTLING_RAMPS if r <= 0.5 * t[-1]]
    rings = [(-2.0 / np.log(g), 2.0 * np.pi / np.arccos(0.5 / g**0.5)) for g in LOOP_GAINS]
    rings += [(-1.0 / np.log(g - 1.0), 2.0) for g in DIRECT_GAINS]
    starts = [j for j in range(len(t) - 3) if t[j] <= min(latest, 0.25 * t[-1])]
    rows, onset, lasts, period = [], [], [], []
    for j in starts:
        since, after = np.maximum(t - t[j], 0.0), t >= t[j]
        even = [np.exp(-since / d) for d in decays]
        even += [np.maximum(1.0 - since / r, 0.0) for r in ramps]
        rows += [(after * e, np.zeros(len(t))) for e in even]
        for d, p in rings:
            phase, fading = 2.0 * np.pi * since / p, after * np.exp(-since / d)
            rows.append((fading * np.cos(phase), fading * np.sin(phase)))
        onset += [0.5 * (t[j] + t[max(j - 1, 0)])] * (len(even) + len(rings))
        lasts += [*decays, *ramps, *(d for d, _ in rings)]
        period += [np.nan] * len(even) + [p for _, p in rings]
    both = np.moveaxis(np.array(rows), 1, 0)
    return both, np.array(onset), np.array(lasts), np.array(period), -np.log(len(rows))
