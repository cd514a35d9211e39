"""The shapes that a guide star's path can take within one exposure, as rows to be fitted.

Every shape is linear in one or two amplitudes for each axis (a cosine and a sine where its phase
is free); what is not linear (onset, decay, period) lies on a grid.  Rows are freed of their mean,
since the star image does not show it, and turned so that the two rows of a shape are orthogonal.
Guide samples mostly come at one beat, so a night needs few sets of rows: they are kept.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
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
class Beat:
    """Sample times of a path: even ones where they nearly are, with those that are missing.

    Attributes
    ----------
    cycles : ndarray, shape (n,)
        All of the beat, from 0.
    held : ndarray of int
        Which of them were recorded.
    free : ndarray, shape (1 + k, n)
        What may take any value: the mean, and the k samples that were not recorded.
    """

    cycles: np.ndarray
    held: np.ndarray
    free: np.ndarray

    def filled(self, path: np.ndarray) -> np.ndarray:
        """Recorded samples (a, n - k) with anything at the missing ones, (a, n)."""
        out = np.zeros((len(path), len(self.cycles)))
        out[:, self.held] = path
        return out


def beat_of(cycles: np.ndarray) -> Beat:
    """The beat of samples at ``cycles`` (guide cycles after the first, increasing).

    Times off any even beat are rounded to a tenth of a cycle, and none is missing.
    """
    count = np.concatenate([[0.0], np.cumsum(np.maximum(np.rint(np.diff(cycles)), 1.0))])
    off = cycles - count * (cycles[-1] / count[-1])
    if float(np.mean(off**2)) >= EVEN**2 or count[-1] >= 2 * len(cycles):
        whole, held = np.rint(10.0 * cycles) / 10.0, np.arange(len(cycles))
    else:
        whole, held = np.arange(count[-1] + 0.5), np.rint(count).astype(int)
    free = np.ones((1 + len(whole) - len(held), len(whole)))
    if len(free) > 1:
        missing = np.ones(len(whole), bool)
        missing[held] = False
        free[1:] = np.eye(len(whole))[missing]
    return Beat(whole, held, free)


@dataclass(frozen=True, slots=True)
class ShapeRows:
    """All shapes on one beat: m with rows, then p stays at a second place.

    A stay is one step less a later one, so that it needs no rows of its own.

    Attributes
    ----------
    beat : Beat
    memory : float
        Of the noise after one cycle.
    plain, white : ndarray, shape (2, m, n)
        The two rows of each of m shapes, of unit size, as they are and whitened; zero for an
        absent row.
    axes : ndarray, shape (n, 1 + k)
        Orthonormal, of what may take any value, whitened.
    turn : ndarray, shape (2, m), or None
        Cosine and sine that make the rest of both rows orthogonal; None where they are.
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

    beat: Beat
    memory: float
    plain: np.ndarray
    white: np.ndarray
    axes: np.ndarray
    turn: np.ndarray | None
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

    def seen(self, path: np.ndarray) -> tuple[np.ndarray, float]:
        """Products of a path in units of the noise (a, n - k) with the rows, (a, 2, m + p).

        And the sum of its squares, both white and without what may take any value.
        """
        white = whitened(self.beat.filled(path), self.beat.cycles, self.memory)
        white -= (white @ self.axes) @ self.axes.T
        both = white @ self.white.reshape(-1, white.shape[1]).T
        both = both.reshape(len(path), 2, -1)
        if self.turn is not None:
            both = np.moveaxis(_turned(both[:, 0], both[:, 1], self.turn), 0, 1)
        first, second = self.stays
        both = np.concatenate([both, both[..., first] - both[..., second]], axis=-1)
        return both, float((white**2).sum())

    def motion(self, k: int, amplitudes: np.ndarray) -> np.ndarray:
        """Path without its mean (a, n - k) of a shape with amplitudes (a, 2)."""
        m = self.plain.shape[1]
        if k < m:
            rows = self.plain[:, k]
            if self.turn is not None:
                rows = _turned(*rows, self.turn[:, k])
        else:
            first, second = self.stays[:, k - m]
            rows = self.plain[:, first] - self.plain[:, second]
        out = amplitudes @ rows[:, self.beat.held]
        return out - out.mean(axis=1, keepdims=True)


@lru_cache(maxsize=6)
def _kept_filters(cycles: bytes) -> tuple[np.ndarray, np.ndarray]:
    """Inverse Cholesky factors (m, n, n) of noise with wander, and half the log determinants."""
    t = np.frombuffer(cycles)
    apart = np.abs(t[:, None] - t)
    memory = np.maximum(WANDER_MEMORIES, 1e-3)[:, None, None]
    like = np.exp(-apart / memory)[:, None]
    cover = np.square(WANDER_LEVELS)[:, None, None] * like + np.eye(len(t))
    root = np.linalg.cholesky(cover.reshape(-1, len(t), len(t)))
    log_det = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
    return np.linalg.inv(root), log_det


def wander_whitened(path: np.ndarray, beat: Beat) -> tuple[np.ndarray, np.ndarray]:
    """A path as white as noise with irregular motion of each memory and level makes it.

    Parameters
    ----------
    path : ndarray, shape (a, n - k)
        In units of the noise.
    beat : Beat

    Returns
    -------
    ndarray, shape (m, a, n)
        Without what may take any value.
    ndarray, shape (m,)
        Logarithm of the density's normalisation for one axis.
    """
    filters, log_det = _kept_filters(beat.cycles.tobytes())
    filters = filters.swapaxes(1, 2)
    axes, size = np.linalg.qr((beat.free @ filters).swapaxes(1, 2))
    white = beat.filled(path) @ filters
    white -= (white @ axes) @ axes.swapaxes(1, 2)
    size = np.abs(np.diagonal(size, axis1=1, axis2=2))
    return white, -log_det - np.log(size).sum(axis=1)


def shape_rows(beat: Beat, cadence: float, memory: float) -> ShapeRows:
    """The shapes on a beat.

    Parameters
    ----------
    beat : Beat
        Of 5 samples at least.
    cadence : float
        Seconds of one cycle.
    memory : float
        Autocorrelation of the noise after one cycle, 0 to below 1.
    """
    cadence, memory = round(float(cadence), 1), round(float(memory), 2)
    cycles = beat.cycles.tobytes()
    if len(beat.held) == len(beat.cycles):
        return _kept_rows(cycles, cadence, memory)
    return _weighed(beat, cycles, cadence, memory)


@lru_cache(maxsize=6)
def _kept_rows(cycles: bytes, cadence: float, memory: float) -> ShapeRows:
    rows = _weighed(beat_of(np.frombuffer(cycles)), cycles, cadence, memory)
    turn = rows.turn[..., None]
    plain, white = (_turned(*both, turn) for both in (rows.plain, rows.white))
    return replace(rows, plain=plain, white=white, turn=None)


def _turned(one, other, turn):
    """Two rows, or products with them, turned by an angle of this cosine and sine."""
    cos, sin = turn
    return np.stack([cos * one + sin * other, cos * other - sin * one])


def _weighed(beat: Beat, cycles: bytes, cadence: float, memory: float) -> ShapeRows:
    """Rows with their powers and priors, where some samples may be missing.

    What may take any value is taken out of the sums, so that the rows of a beat serve all paths.
    """
    plain, counts, (onset, lasts, period, log_prior) = _rows_on(cycles, cadence)
    white, own, cross, steps = _white_rows(cycles, cadence, memory)
    axes = np.linalg.qr(whitened(beat.free, beat.cycles, memory).T)[0]
    along = (white.reshape(-1, len(beat.cycles)) @ axes).reshape(2, -1, axes.shape[1])
    a, c = own - (along**2).sum(axis=-1)
    b = cross - (along[0] * along[1]).sum(axis=-1)
    turn = 0.5 * np.arctan2(2.0 * b, a - c)
    half, slant = 0.5 * (a + c), np.hypot(0.5 * (a - c), b)
    power = np.maximum([half + slant, half - slant], 0.0)
    n = len(steps)
    begin, stop = np.triu_indices(n, SHORTEST_STAY)
    left = steps - along[0, -n:] @ along[0, -n:].T
    own_left = np.diag(left)
    both = np.maximum(own_left[begin] + own_left[stop] - 2.0 * left[begin, stop], 0.0)
    power = np.concatenate([power, np.stack([both, np.zeros(len(both))])], axis=1)
    prior = np.square(AMPLITUDES)[:, None, None]
    grown = 1.0 + prior * power
    log_prior = log_prior - np.log(grown).sum(axis=1) - np.log(len(AMPLITUDES))
    first = tuple(np.cumsum([0, *counts]).tolist())
    return ShapeRows(
        beat=beat,
        memory=memory,
        plain=plain,
        white=white,
        axes=axes,
        turn=np.stack([np.cos(turn), np.sin(turn)]),
        stays=first[-2] + np.stack([begin, stop]),
        shrunk=prior / grown,
        log_prior=log_prior,
        onset=onset,
        lasts=lasts,
        period=period,
        first=first,
    )


@lru_cache(maxsize=6)
def _white_rows(cycles: bytes, cadence: float, memory: float):
    """White rows (2, m, n), their squares (2, m) and products (m,), and products of all steps."""
    plain, _, _ = _rows_on(cycles, cadence)
    t = np.frombuffer(cycles)
    white = whitened(plain, t, memory)
    steps = white[0, 1 - len(t) :]
    squares, products = (white**2).sum(axis=-1), (white[0] * white[1]).sum(axis=-1)
    return white, squares, products, steps @ steps.T


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
    rings = [(d, p) for d in range(len(decays)) for p in RING_PERIODS if _rings(decays[d], p)]
    which, period = np.array([d for d, _ in rings], int), np.array([p for _, p in rings])
    phase = 2.0 * np.pi * since / period[:, None, None]
    ringing = np.stack([np.cos(phase), np.sin(phase)]) * fading[which]
    shape = (2, -1, len(t))
    rows = np.concatenate([_with_empty(fading).reshape(shape), ringing.reshape(shape)], axis=1)
    plain, rung = len(decays) * len(j), len(rings) * len(j)
    onset = np.tile(0.5 * (t[j] + t[j - 1]), len(decays) + len(rings))
    lasts = np.repeat(np.concatenate([decays, decays[which]]), len(j))
    period = np.repeat(np.concatenate([np.full(len(decays), np.nan), period]), len(j))
    prior = np.repeat([-np.log(2.0 * plain), -np.log(2.0 * max(rung, 1))], [plain, rung])
    return rows, onset, lasts, period, prior


def _rings(decay: float, period: float) -> bool:
    """Whether ringing shows: it outlasts a cycle of the guider and a quarter of its own period."""
    return decay >= 1.0 and period <= 4.0 * decay


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
