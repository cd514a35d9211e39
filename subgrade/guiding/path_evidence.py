"""How likely each kind of motion makes the recorded samples of one exposure.

All evidences are marginal likelihoods over that of noise alone, natural logarithms.  The level of
the noise and the amplitudes are integrated in closed form (conjugate normal-inverse-gamma
regression, e.g. O'Hagan & Forster 2004, ch. 11, from memory), onsets, decays and periods over
their grids, the mean of the path under a flat prior.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from subgrade.guiding.path_shapes import (
    SHAPES,
    beat_of,
    memory_kept,
    sample_edges,
    shape_rows,
    wander_whitened,
    whitened,
)

NAN = float("nan")
LEVEL_SHAPE = 4.0
"""Noise of an exposure over the night's: inverse gamma of this shape and mean, a quarter of
scatter, since seeing comes and goes within a night (common practice, no source)."""
LOOP_PERIODS = (2.0, 2.5, 3.0, 4.0, 5.0, 6.0)
LOOP_RADII = (0.8, 0.93, 0.98)
"""Period in cycles and strength of the memory of a loop that over-corrects: poles of
z - 1 + g (answering at once) and z^2 - z + g (a cycle late)."""
LOOP_LEVELS = (1.0, 3.0)
"""What drives it, in units of the noise."""
BURST_SAMPLES = (3, 5, 8, 13, 21, 34)
BURST_LEVELS = (3.0, 10.0, 30.0)
"""Length, and level in units of the noise, of a burst of pushes."""
LEAST_LOOP_GAIN, RATE_ERROR = 0.6, 0.3
"""Pulses that take back less than this share of the error ring with no delay up to a cycle (from
z^2 - z + g: decay to a third within two cycles), and how well the pulses' rate is known."""
MISREAD = 20.0
"""Most that corrections count against to-and-fro, in logarithms: they may have been misread."""
HOPELESS = 20.0
"""Logarithm by which a member's evidence falls short of the best before its errors are left out."""


@dataclass(frozen=True, slots=True)
class Path:
    """The good samples of one exposure, n of them.

    Attributes
    ----------
    cycles : ndarray, shape (n,)
        Guide cycles after the first sample.
    error, pulled : ndarray, shape (2, n)
        Error about its mean, and how far the correction sent upon it moves the star, arcsec;
        ``pulled`` is NaN where not known.
    gain : ndarray, shape (2,)
        Share of the error that the corrections were sent to take back; NaN unknown.
    noise : ndarray, shape (2,)
        One sigma, arcsec; ``memory`` its autocorrelation after a cycle.
    cadence, lead_s, length_s : float
        A cycle, the wait from the start of the exposure to the first sample, the exposure; s.
    """

    cycles: np.ndarray
    error: np.ndarray
    pulled: np.ndarray
    gain: np.ndarray
    noise: np.ndarray
    memory: float
    cadence: float
    lead_s: float
    length_s: float


@dataclass(frozen=True, slots=True)
class Found:
    """The evidence of a member, its likeliest form, and how far the numbers of that are known.

    ``fit`` is the expected motion at the samples of ``path``, arcsec (2, n); numbers are in cycles
    after the first sample, amplitudes in arcsec; ``level`` is the variance left over the noise's.
    """

    log_evidence: float
    path: Path
    fit: np.ndarray
    level: float
    size_error: float = NAN
    onset: tuple[float, float] = (NAN, NAN)
    lasts: tuple[float, float] = (NAN, NAN)
    period: tuple[float, float] = (NAN, NAN)
    returns: bool = True
    """Whether the fit comes back once: not a burst, and not a step."""


@dataclass(frozen=True, slots=True)
class Noise:
    """The path under noise alone: whitened without the mean (2, n), and what that leaves."""

    white: np.ndarray
    squares: np.ndarray
    log_norm: float
    freedom: float
    """Shape of the level's posterior: the prior's and half the samples, less the means."""

    def level(self, squares):
        """Logarithm of the level's integral, up to what all members share."""
        return -self.freedom * np.log(LEVEL_SHAPE + 0.5 * squares)


def nothing(path: Path) -> Noise:
    """The path as noise of the night's level and memory.

    Parameters
    ----------
    path : Path
    """
    n = len(path.cycles)
    one = whitened(np.ones(n), path.cycles, path.memory)
    white = _less_mean(whitened(path.error / path.noise[:, None], path.cycles, path.memory), one)
    kept = memory_kept(path.cycles, path.memory)
    norm = -0.5 * float(np.log1p(-(kept**2)).sum() + np.log(one @ one))
    return Noise(white, (white**2).sum(axis=1), norm, LEVEL_SHAPE + n - 1)


def _less_mean(white, one):
    """Without the part along the whitened constant; (..., n) both."""
    along = (white * one).sum(axis=-1, keepdims=True) / (one * one).sum(axis=-1, keepdims=True)
    return white - along * one


def _log_sum(values) -> float:
    top = float(np.max(values))
    return top + float(np.log(np.exp(values - top).sum()))


def shapes(path: Path, noise: Noise) -> dict[str, Found]:
    """Ramp, step, knock, swing and settling, each over its grid.

    Parameters
    ----------
    path : Path
        Of `MOST` samples or so.
    noise : Noise
        Of the same path.
    """
    rows = shape_rows(beat_of(path.cycles), path.cadence, path.memory)
    along, total = rows.seen(path.error / path.noise[:, None])
    gain = (rows.shrunk * (along**2).sum(axis=0)).sum(axis=1)
    log_like = noise.level(total - gain) - noise.level(total) + rows.log_prior
    parts = {kind: rows.of(kind) for kind in SHAPES}
    chances = {kind: _chances(log_like[:, p]) for kind, p in parts.items() if p.start < p.stop}
    # Errors are worked out for what has a chance to lead.
    least = max(0.0, *(evidence for evidence, _, _ in chances.values())) - HOPELESS
    out = {}
    for kind, (evidence, chance, (g, m)) in chances.items():
        k = parts[kind].start + m
        amplitude = path.noise[:, None] * rows.shrunk[g, :, k] * along[:, :, k]
        level = (LEVEL_SHAPE + 0.5 * (total - gain[g, k])) / noise.freedom
        weights = chance if evidence > least else None
        onset, lasts, period = (
            _known(grid[parts[kind]], weights, m) for grid in (rows.onset, rows.lasts, rows.period)
        )
        # anywhere from one sample to the next
        onset = onset[0], math.hypot(onset[1], 1.0 / 12.0**0.5)
        size_error = float(path.noise.mean() * (level * rows.shrunk[g, 0, k]) ** 0.5)
        motion = rows.motion(k, amplitude)
        out[kind] = Found(evidence, path, motion, level, size_error, onset, lasts, period)
    return out


def _chances(log_like):
    """Evidence of a kind, the chance of each shape over the likeliest, and which that is."""
    g, m = divmod(int(np.argmax(log_like)), log_like.shape[1])
    chance = np.exp(log_like - log_like[g, m]).sum(axis=0)
    return float(log_like[g, m] + np.log(chance.sum())), chance, (g, m)


def _known(grid, chance, best: int) -> tuple[float, float]:
    """The likeliest of a grid, and the scatter of the others of its form about it."""
    middle = float(grid[best])
    if chance is None or not math.isfinite(middle):
        return middle, NAN
    use = np.isfinite(grid)
    beside, chance = np.abs(grid[use] - middle), chance[use]
    spread = float(chance @ beside**2 / chance.sum())
    cell = float(beside.min(where=beside > 0, initial=np.inf))
    return middle, (spread + (cell**2 / 12.0 if cell < np.inf else 0.0)) ** 0.5


AXES = np.array([[True, False], [False, True], [True, True]])
"""Which axes a random motion moves: either, or both."""


def _random(path: Path, noise: Noise, white, log_norm, levels, log_prior):
    """Evidence of random motion for each model and level, on either axis or both.

    ``white`` (m, 2, n) and ``log_norm`` (m,) are the path under each model of unit level.
    """
    squares, n = (white**2).sum(axis=-1), len(path.cycles)
    k = np.array(levels)[:, None, None, None]
    change = np.where(AXES, (log_norm - noise.log_norm)[:, None, None] - (n - 1) * np.log(k), 0.0)
    left = np.where(AXES, squares[:, None, :] / k**2, noise.squares).sum(axis=-1)
    log_like = change.sum(axis=-1) + noise.level(left) - noise.level(float(noise.squares.sum()))
    log_like = log_like + log_prior - np.log(len(levels) * len(white))
    best = np.unravel_index(int(np.argmax(log_like)), log_like.shape)
    level = (LEVEL_SHAPE + 0.5 * float(np.broadcast_to(left, log_like.shape)[best])) / noise.freedom
    return _log_sum(log_like), log_like, best, level


def _moved(path: Path, axes) -> np.ndarray:
    """Recorded motion on some axes, drawn towards nought by the share that noise has in it."""
    variance = (path.error**2).mean(axis=1)
    share = np.maximum(1.0 - path.noise**2 / np.maximum(variance, 1e-12), 0.0)
    return (np.where(axes, share, 0.0))[:, None] * path.error


def to_and_fro(path: Path, noise: Noise) -> Found:
    """Swinging about home at the guide cycle, driven by the noise itself.

    A guide loop that answers at once is an autoregression of order one in the error, 1 - g its
    coefficient; one that answers a cycle late is of order two.  The densities are exact, with the
    process in its steady state at the start and after each gap.

    Parameters
    ----------
    path : Path
    noise : Noise
    """
    grid = np.array([(r, p) for r in LOOP_RADII for p in LOOP_PERIODS])
    radius, period = grid.T
    direct = period == 2.0
    first = np.where(direct, -radius, 2.0 * radius * np.cos(2.0 * np.pi / period))[:, None]
    second = np.where(direct, 0.0, -(radius**2))[:, None]
    start = (1.0 - second) / ((1.0 + second) * ((1.0 - second) ** 2 - first**2))
    lag1 = first / (1.0 - second)
    one_before = np.concatenate([[False], np.diff(path.cycles) < 1.5])
    two_before = one_before & np.concatenate([[False], one_before[:-1]])
    after_one = np.where(two_before, first, np.where(one_before, lag1, 0.0))
    after_two = np.where(two_before, second, 0.0)
    variance = np.where(two_before, 1.0, np.where(one_before, start * (1.0 - lag1**2), start))
    rows = np.vstack([path.error / path.noise[:, None], np.ones(len(path.cycles))])
    before = np.pad(rows, ((0, 0), (2, 0)))
    white = rows - after_one[:, None] * before[:, 1:-1] - after_two[:, None] * before[:, :-2]
    white /= np.sqrt(variance)[:, None]
    one = white[:, 2:]
    norm = -0.5 * (np.log(variance).sum(axis=1) + np.log((one**2).sum(axis=(1, 2))))
    prior = np.where(AXES, gain_odds(path.gain), 0.0).sum(axis=1) - np.log(3.0)
    white = _less_mean(white[:, :2], one)
    evidence, like, (_, m, a), level = _random(path, noise, white, norm, LOOP_LEVELS, prior)
    known = _known(period, np.exp(like - like.max()).sum(axis=(0, 2)), m)
    return Found(evidence, path, _moved(path, AXES[a]), level, period=known)


def gain_odds(gain: np.ndarray) -> np.ndarray:
    """Logarithm of how much likelier a share taken back is of a loop that over-corrects.

    Even in the logarithm from `LEAST_LOOP_GAIN` to 2.5 there, from 0.1 to 1.2 in a loop at rest
    (common practice, no source), both blurred by `RATE_ERROR`; 0 where it is not known.

    Parameters
    ----------
    gain : ndarray
        NaN where unknown.
    """
    at = np.log(np.maximum(gain, 0.01))

    def density(low, high):
        beyond = np.maximum(np.maximum(np.log(low) - at, at - np.log(high)), 0.0)
        return -0.5 * (beyond / RATE_ERROR) ** 2 - np.log(np.log(high / low))

    odds = np.maximum(density(LEAST_LOOP_GAIN, 2.5) - density(0.1, 1.2), -MISREAD)
    return np.where(np.isfinite(gain), odds, 0.0)


def irregular(path: Path, noise: Noise) -> Found:
    """Motion without a shape all through the exposure: a first-order wander upon the noise.

    Parameters
    ----------
    path : Path
    noise : Noise
    """
    white, norm = wander_whitened(path.error / path.noise[:, None], beat_of(path.cycles))
    evidence, _, (_, _, a), level = _random(path, noise, white, norm, (1.0,), -np.log(3.0))
    return Found(evidence, path, _moved(path, AXES[a]), level)


@lru_cache(maxsize=256)
def _windows(n: int) -> np.ndarray:
    """First sample and the one after the last of every burst, shape (m, 2)."""
    return np.array([(j, j + w) for w in BURST_SAMPLES if 2 * w <= n for j in range(n - w + 1)])


def burst(path: Path, noise: Noise) -> Found | None:
    """Several pushes within a stretch of the exposure, the rest of it at rest; None when short.

    The rest's mean is the path's median: the pushes would move the mean.

    Parameters
    ----------
    path : Path
    noise : Noise
    """
    window = _windows(len(path.cycles))
    if not len(window):
        return None
    centred = path.error - np.median(path.error, axis=1, keepdims=True)
    white = whitened(centred / path.noise[:, None], path.cycles, path.memory)
    sums = np.concatenate([[0.0], np.cumsum((white**2).sum(axis=0))])
    inside, count = sums[window[:, 1]] - sums[window[:, 0]], window[:, 1] - window[:, 0]
    more = np.square(BURST_LEVELS)[:, None]
    left = sums[-1] - inside * more / (1.0 + more)
    like = noise.level(left) - count * np.log1p(more)
    like += -noise.level(float(noise.squares.sum())) - np.log(like.size)
    k, m = np.unravel_index(int(np.argmax(like)), like.shape)
    begin, stop = window[m]
    fit = np.zeros_like(centred)
    fit[:, begin:stop] = centred[:, begin:stop] * more[k] / (1.0 + more[k])
    chance = np.exp(like - like[k, m]).sum(axis=0)
    edge = sample_edges(path.cycles)
    return Found(
        _log_sum(like),
        path,
        fit,
        (LEVEL_SHAPE + 0.5 * float(left[k, m])) / noise.freedom,
        float(path.noise.mean()),
        _known(edge[window[:, 0]], chance, m),
        _known(edge[window[:, 1]] - edge[window[:, 0]], chance, m),
        returns=False,
    )


def without_slow(path: Path) -> Path:
    """The path less its running mean over two of the slowest periods of a loop.

    A long path's bins hold what is slower, so that either part counts once.

    Parameters
    ----------
    path : Path
    """
    width = 2 * round(max(LOOP_PERIODS)) + 1
    weight = np.convolve(np.ones(len(path.cycles)), np.ones(width), "same")
    slow = [np.convolve(e, np.ones(width), "same") / weight for e in path.error]
    return replace(path, error=path.error - slow)


def binned(path: Path, most: int) -> Path:
    """The path in even bins of so many samples that ``most`` bins or fewer are left.

    The noise of a bin and its memory follow from the covariance of its samples.

    Parameters
    ----------
    path : Path
    most : int
    """
    n = len(path.cycles)
    size = -(-n // most)
    if size <= 1:
        return path
    edges = np.arange(0, n, size)
    count = np.diff(np.r_[edges, n])
    cycles = np.add.reduceat(path.cycles, edges) / count
    lags = np.abs(np.subtract.outer(np.arange(2 * size), np.arange(2 * size)))
    kept = np.power(path.memory, lags) if path.memory > 0 else (lags == 0).astype(float)
    own, next_one = kept[:size, :size].mean(), kept[:size, size:].mean()
    return replace(
        path,
        cycles=(cycles - cycles[0]) / size,
        error=np.add.reduceat(path.error, edges, axis=1) / count,
        pulled=np.add.reduceat(path.pulled, edges, axis=1),
        cadence=path.cadence * size,
        lead_s=path.lead_s + float(cycles[0]) * path.cadence,
        noise=path.noise * own**0.5,
        memory=float(next_one / own),
    )
