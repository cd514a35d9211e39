"""How well a record explains the frames at any offset of its clock.

Two things are compared: the elongation of every frame with the recorded covariance, and the way
the field moved from each frame to the next with the way the record says that the star was moved
(dithers and pulls).  Both are seen through one unknown turn of the camera, plain or mirrored,
which is averaged over.  Each is a ratio to what the frames would be without any connection with
the record, so that a sum near zero says that the night does not show it, a positive one that the
record is of this mount and clock, and a plainly negative one that it is another's.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace

import numpy as np

from subgrade.guiding.leaps import LEAP, leaps
from subgrade.guiding.seen import NightSeen
from subgrade.record.model import GuideRecord

NAN = float("nan")
STEP_DEG = 7.5
"""Of the turns tried."""
RESPONSES = (0.5, 0.75, 1.0, 1.3)
"""Measured over recorded elongation, as tried: a choice."""
UNEXPLAINED = (0.15, 0.5, 1.0, 1.6)
"""Shares of the frames' own scatter that may be left unexplained, as tried."""
ELONGATION_SHARE = 0.2
"""A star image answers motion by up to this share otherwise than a variance does."""
CORE_ARCSEC = 1.8
"""How far from home the light of a short knock still counts in a star's moments: these weigh it as
the star itself, of sigma 1.3 arcsec (FWHM 3 arcsec, common practice), so that a distance d counts
exp(-d² / 4 sigma²) (derived)."""
READINGS = {1: (1.0,), 2: (0.75, 0.25)}
"""Share of the frames that follow each reading of the record, by how many there are: a choice."""
SHIFTS = (0.9, 1.0, 1.1)
"""Measured over recorded shift, as tried: focal lengths are known to a tenth (common practice)."""
SHIFT_SHARE = 0.06
SHIFT_FLOORS = (0.15, 0.5, 1.5)
"""Arcsec of a shift that the record may leave unexplained (flexure, refraction), as tried."""
STRAYS = {"oval": (0.05, 0.25), "shift": (0.03, 0.12), "nothing": (0.05, 0.25, 0.6, 1.0)}
"""Shares of the frames that may move as nothing in the record says, as tried, and how many move
anyhow where there is no connection with it: a choice."""
OWN_SHIFT = 0.5
"""A shift of which the frames' own trails make up so much is no move between frames."""
NOT_SEEN = {"oval": 0.05, "shift": 0.01, "untold shift": 0.3}
"""Chance that the guide star shows nothing at all of what drew the frames out (flexure all
night), or of how the field moved (the star was picked anew after each dither; no remark tells of
dithers, and most are too small to show as leaps): a choice."""
MOST_FRAMES = 60
"""Frames used; those that show most are taken first."""
FEWEST = 4
COVERED = 0.75
"""Share of an exposure that the record must have for its elongation to be compared, half of it
for its place: a choice."""
PLAIN, ONE_WAY = 8.0, 0.8
"""Errors that make a motion of the frames plain, and the mean of their doubled directions from
which on they go one way (uniform directions give none, one way 1): a choice."""
WHITE_STEP = 1.67
"""Median step of white noise on two axes over its sigma: sqrt(2 ln 2) sqrt 2 (Rayleigh)."""
BEFORE = 4
"""Samples before a leap that it is measured from."""
CLEAR = 11.0
"""Most that one frame counts, natural logarithm."""
CHUNK = 32
OWN_SHIFT_ARCSEC = 1.0
RATIOS = np.geomspace(0.1, 10.0, 15)
"""Units of the frames in one of the record, as tried where the scale of either is unknown."""
LEAST_FOR_TURN = 10.0
"""Log-likelihood over no connection at the best turn, from which on it is shown: a choice."""
LEAST_FOR_SCALE = 6.0
"""Log-likelihood over no connection that the shifts must reach to show a scale: a choice."""
SCALE_ERROR = 0.01
"""Relative error that a scale has at least: the fine ratios are 2 % apart."""
FINE_RATIOS = np.geomspace(0.1, 10.0, 231)
TURNS = np.radians(np.arange(0.0, 360.0, STEP_DEG))


@dataclass(frozen=True, slots=True)
class Track:
    """A record's samples as running sums, so that any exposure costs two look-ups.

    ``error`` is the star's error, ``path`` where the star went: the error with moves of the
    reference taken out.
    """

    time: np.ndarray
    sums: tuple[np.ndarray, ...]
    """Running sums of ra, dec, ra², dec², ra·dec of the error."""
    core: tuple[np.ndarray, ...]
    """Running sums of a weight, and of those times it: what a star image shows of a short knock."""
    paths: tuple[np.ndarray, ...]
    """Running sums of the path, one for each way to read the leaps."""
    leaps: tuple[np.ndarray, ...]
    """Running count of the leaps that each way takes out."""
    step: float
    """Usual step from sample to sample, arcsec."""
    cadence: float


def track(record: GuideRecord) -> Track:
    """Prepare a record; a leap without a remark is read both as a dither and as a knock."""
    use = record.measured
    time, ra, dec = record.time[use], record.ra[use], record.dec[use]
    if len(time):  # a record of one axis has none
        ra, dec = ra - np.median(ra), dec - np.median(dec)
    error = ra + 1j * dec
    sums = tuple(np.r_[0.0, np.cumsum(v)] for v in (ra, dec, ra * ra, dec * dec, ra * dec))
    weight = np.exp(-0.5 * (np.abs(error) / CORE_ARCSEC) ** 2)
    if record.unscaled:
        weight = np.ones(len(error))
    core = tuple(
        np.r_[0.0, np.cumsum(weight * v)] for v in (1.0, ra, dec, ra * ra, dec * dec, ra * dec)
    )
    remarked, unremarked, usual = leaps(record, time, error)
    ways = [remarked] if not unremarked.any() else [remarked, remarked | unremarked]
    before = np.r_[0.0, np.cumsum(error)]
    paths, counts = [], []
    for way in ways:
        moved = np.zeros(len(error), complex)
        for k in np.flatnonzero(way):
            calm = max(k - BEFORE, 0)
            moved[k + 1] = error[k + 1] - (before[k + 1] - before[calm]) / (k + 1 - calm)
        paths.append(np.r_[0.0, np.cumsum(error - np.cumsum(moved))])
        counts.append(np.r_[0, 0, np.cumsum(way)])
    return Track(time, sums, core, tuple(paths), tuple(counts), usual, record.cadence_s)


@dataclass(frozen=True, slots=True)
class Likeness:
    """Log-likelihood over no connection, by offset: of both, and of either alone."""

    both: np.ndarray
    oval: np.ndarray
    shift: np.ndarray
    frames: int
    """Frames whose elongation entered."""
    pairs: int
    """Pairs of frames whose shift entered."""
    covered: np.ndarray
    """Exposures that the record covers, by offset."""


def likeness(tracked: Track, seen: NightSeen, start, end, offsets, shifts=SHIFTS) -> Likeness:
    """Compare record and frames at every offset.

    Parameters
    ----------
    tracked : Track
    seen : NightSeen
        Of the exposures, shape (n,), in order of time.
    start, end : ndarray, shape (n,)
        POSIX seconds UTC.
    offsets : ndarray, shape (m,)
        Seconds to add to the record's clock.
    shifts : sequence of float
        Measured over recorded shift, as tried.

    Returns
    -------
    Likeness
        Arrays of shape (m,).
    """
    offsets = np.asarray(offsets, float)
    frames, pairs = _telling(seen), _pairs_of(seen)
    found, covered = [], []
    for k in range(0, len(offsets), CHUNK):
        some = offsets[k : k + CHUNK, None]
        low = np.searchsorted(tracked.time, start - some)
        high = np.searchsorted(tracked.time, end - some)
        enough = np.maximum(COVERED * (end - start) / tracked.cadence, 5.0)
        covered.append((high - low >= enough).sum(axis=1))
        shape = _oval_of_turns(tracked, seen, frames, low, high, enough)
        moves = _shift_of_turns(tracked, seen, pairs, low, high, 0.5 * enough, shifts)
        found.append([_log_mean(v, (1, 2)) for v in (shape + moves, shape, moves)])
    both, oval, shift = np.concatenate(found, axis=1) if found else np.zeros((3, 0))
    covered = np.concatenate(covered) if covered else np.zeros(0, int)
    return Likeness(both, oval, shift, len(frames), len(pairs[0]), covered)


def any_scale(tracked: Track, seen: NightSeen, start, end, offsets) -> Likeness:
    """`likeness` where the scale of the record or of the frames is unknown: averaged over it."""
    tries = [likeness(scaled(tracked, r), seen, start, end, offsets) for r in RATIOS]
    mean = {
        name: _log_mean(np.array([getattr(t, name) for t in tries]), (0,))
        for name in ("both", "oval", "shift")
    }
    return replace(tries[0], **mean)


def scale_found(tracked: Track, seen: NightSeen, start, end, offset: float) -> tuple[float, float]:
    """Units of the frames in one of the record, by dithers and elongations, and one sigma.

    Returns
    -------
    ratio, error : float
        NaN where the frames do not show it.
    """
    tries = [likeness(scaled(tracked, r), seen, start, end, [offset], (1.0,)) for r in FINE_RATIOS]
    like = np.array([t.both[0] for t in tries])
    # A star image answers large motion by less than its variance: shifts must show the scale.
    if max(t.shift[0] for t in tries) < LEAST_FOR_SCALE:
        return NAN, NAN
    # Halved: frames follow one another, and neighbours are alike.
    weight = np.exp(0.5 * (like - like.max()))
    log = np.log(FINE_RATIOS)
    middle = float(np.average(log, weights=weight))
    spread = float(np.sqrt(np.average((log - middle) ** 2, weights=weight)))
    ratio = float(np.exp(middle))
    return ratio, ratio * float(np.hypot(spread, SCALE_ERROR))


def scaled(tracked: Track, ratio: float) -> Track:
    """The track in other units, one of which is so much of the old."""
    first, square = tracked.sums[:2], tracked.sums[2:]
    weight, *core = tracked.core
    return replace(
        tracked,
        sums=(*(ratio * s for s in first), *(ratio**2 * s for s in square)),
        core=(weight, *(ratio * s for s in core[:2]), *(ratio**2 * s for s in core[2:])),
        paths=tuple(ratio * p for p in tracked.paths),
        step=ratio * tracked.step,
    )


def _log_mean(values: np.ndarray, axes: tuple[int, ...]) -> np.ndarray:
    """Logarithm of the mean of what the values are logarithms of."""
    top = values.max(axis=axes, keepdims=True)
    mean = np.log(np.mean(np.exp(values - top), axis=axes, keepdims=True))
    return np.squeeze(top + mean, axis=axes)


def telling(seen: NightSeen) -> bool:
    """Whether the frames plainly moved, in several directions, so that their record must show it.

    Drawn out, or from frame to frame.  What flexes all night long does so one way.
    """
    frames, (a, b) = _telling(seen), _pairs_of(seen)
    oval, error = seen.oval[frames], seen.oval_error[frames]
    shift = seen.place[b] - seen.place[a]
    shift = shift - _steady(shift) if len(a) else shift
    unsure = np.hypot(np.hypot(seen.place_error[a], seen.place_error[b]), SHIFT_FLOORS[0])
    plain = (oval[np.abs(oval) > PLAIN * error], shift[np.abs(shift) > PLAIN * unsure] ** 2)
    return any(len(p) >= FEWEST and abs(np.mean(p / np.abs(p))) < ONE_WAY for p in plain if len(p))


def _telling(seen: NightSeen) -> np.ndarray:
    """The frames that show most, in order of time."""
    known = np.flatnonzero(np.isfinite(seen.oval) & (seen.part >= 0))
    if len(known) < FEWEST:
        return known[:0]
    size = np.abs(seen.oval[known]) / seen.oval_error[known]
    return np.sort(known[np.argsort(-size)[:MOST_FRAMES]])


def _pairs_of(seen: NightSeen) -> tuple[np.ndarray, np.ndarray]:
    """Frames that follow one another in one group, were registered, and did not move themselves.

    A frame that was drawn out along the shift moved during the exposure, which its elongation
    tells already.
    """
    first, second = [], []
    for p in np.unique(seen.part[seen.part >= 0]):
        mine = np.flatnonzero((seen.part == p) & np.isfinite(seen.place))
        first += list(mine[:-1])
        second += list(mine[1:])
    a, b = np.array(first, int), np.array(second, int)
    shift = seen.place[b] - seen.place[a]
    far = np.maximum(np.abs(shift), 1e-9)
    # Along the shift: an elongation turns by twice the angle.
    along = [np.nan_to_num((seen.oval[k] * np.conj(shift / far) ** 2).real) for k in (a, b)]
    trail = 0.5 * sum(np.sqrt(12.0 * np.maximum(v, 0.0)) for v in along)
    own = (trail > OWN_SHIFT * far) & (far > OWN_SHIFT_ARCSEC)
    use = (seen.turned[a] == seen.turned[b]) & ~own
    a, b, far = a[use], b[use], far[use]
    if len(a) < FEWEST:
        return a[:0], b[:0]
    keep = np.sort(np.argsort(-far)[:MOST_FRAMES])
    return a[keep], b[keep]


def _scale_of(y: np.ndarray, least: float) -> float:
    return max(float(np.median(np.abs(y))) / 1.1774, least)


def _chance(y: np.ndarray, scale: float) -> np.ndarray:
    """Log density of complex numbers of no connection: Student's t of two degrees, two axes."""
    return -2.0 * np.log1p(0.5 * np.abs(y) ** 2 / scale**2) - np.log(2.0 * np.pi * scale**2)


def _explained(y, known, models, sigmas, scale: float, strays) -> np.ndarray:
    """Log-likelihood over chance by what is likeliest left unexplained, and how often.

    Parameters
    ----------
    y : ndarray of complex, shape (n,)
    known : ndarray of bool, shape (m, n)
        Whether the record tells of it; else it says nothing.
    models : sequence of ndarray of complex, shape (m, ..., n)
        Readings of the record, any of which each frame may follow.
    sigmas : sequence of sequence of ndarray, shape (m, n)
        Of each reading.

    Returns
    -------
    ndarray, shape (m, ...)
    """
    base = _chance(y, scale)
    spread = (slice(None), *[None] * (models[0].ndim - 2))
    silent = ~known[spread]
    left = [np.abs(y - model) ** 2 for model in models]
    out = []
    for of_readings in zip(*sigmas, strict=True):
        near = 0.0
        for share, far, sigma in zip(READINGS[len(models)], left, of_readings, strict=True):
            wide = (sigma**2)[spread]
            ratio = -0.5 * far / wide - np.log(2.0 * np.pi * wide) - base
            near = near + share * np.exp(np.minimum(ratio, CLEAR))
        near = np.where(silent, 1.0, near)
        out += [np.log(np.prod((1.0 - stray) * near + stray, axis=-1)) for stray in strays]
    return np.max(out, axis=0)


def _over_nothing(y, known, models, sigmas, plain, scale: float, kind: str, untold=False):
    """The same over frames that do not move with the record, given the same freedom."""
    still = [np.zeros((len(known), len(y)))]
    nothing = _explained(y, known, still, [plain], scale, STRAYS["nothing"])
    gain = _log_mean(_explained(y, known, models, sigmas, scale, STRAYS[kind]), (-1,))
    gain = gain - nothing[:, None]
    unseen = NOT_SEEN[f"untold {kind}" if untold else kind]
    return np.logaddexp(np.log1p(-unseen) + gain, np.log(unseen))


def _oval_of_turns(tracked, seen, frames, low, high, enough) -> np.ndarray:
    """Log-likelihood over no connection by offset, hand and turn, shape (m, 2, turns)."""
    out = np.zeros((len(low), 2, len(TURNS)))
    if not len(frames):
        return out
    lo, hi = low[:, frames], high[:, frames]
    count = hi - lo
    full = count >= enough[frames]
    y, error = seen.oval[frames], seen.oval_error[frames]
    scale = _scale_of(y, 1.2 * float(np.median(error)))
    plain = [np.broadcast_to(np.hypot(error, share * scale), full.shape) for share in UNEXPLAINED]
    half = TURNS[: len(TURNS) // 2]
    factor = np.exp(2j * half)[:, None, None] * np.array(RESPONSES)[:, None]
    ways = []
    for usual in _usual_frames(y, seen.part[frames]):
        readings = [_recorded(tracked, usual, lo, hi, full, core=False)]
        if not np.array_equal(tracked.core[0], np.arange(len(tracked.core[0]))):
            readings.append(_recorded(tracked, usual, lo, hi, full, core=True))
        sigmas = [
            [np.hypot(s, np.hypot(unsure, ELONGATION_SHARE * np.abs(x))) for s in plain]
            for x, unsure in readings
        ]
        for h, hand in enumerate((np.asarray, np.conj)):
            models = [factor * hand(x)[:, None, None, :] for x, _ in readings]
            value = _over_nothing(y, full, models, sigmas, plain, scale, "oval")
            out[:, h] = np.tile(value, 2)
        ways.append(out.copy())
    return _log_mean(np.array(ways), (0,))


def _usual_frames(y: np.ndarray, part: np.ndarray) -> list[list[tuple[np.ndarray, np.ndarray]]]:
    """Of each group all frames and those whose median is the usual one, in two ways.

    All of them, or the half that the stars show most alike: where half the frames moved, the median
    of what was recorded is none of the frames at rest.
    """
    groups = [np.flatnonzero(part == p) for p in np.unique(part)]
    alike = [mine[np.abs(y[mine]) <= np.median(np.abs(y[mine]))] for mine in groups]
    return [list(zip(groups, groups, strict=True)), list(zip(groups, alike, strict=True))]


def _recorded(tracked: Track, usual, lo, hi, full, core: bool):
    """Recorded elongation less that of the usual frames, and its error, shape (m, n)."""
    each = np.maximum(hi - lo, 1)
    if core:
        weight, *sums = ((s[hi] - s[lo]) for s in tracked.core)
        ra, dec, raa, dee, rd = (s / np.maximum(weight, 1e-3 * each) for s in sums)
    else:
        ra, dec, raa, dee, rd = ((s[hi] - s[lo]) / each for s in tracked.sums)
    x = (raa - ra**2) - (dee - dec**2) + 2j * (rd - ra * dec)
    for mine, calm in usual:
        known = np.where(full[:, calm], x[:, calm], np.nan)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            middle = np.nanmedian(known.real, axis=1) + 1j * np.nanmedian(known.imag, axis=1)
        x[:, mine] -= np.nan_to_num(middle)[:, None]
    noise = (tracked.step / WHITE_STEP) ** 2
    motion = np.maximum(0.5 * (raa - ra**2 + dee - dec**2) - noise, 0.0)
    return _denoised(x, 2.0 * np.sqrt(noise * (noise + 2.0 * motion) / each))


def _shift_of_turns(tracked, seen, pairs, low, high, enough, shifts) -> np.ndarray:
    """Log-likelihood over no connection by offset, hand and turn, shape (m, 2, turns)."""
    out = np.zeros((len(low), 2, len(TURNS)))
    a, b = pairs
    if not len(a):
        return out
    count_a, count_b = high[:, a] - low[:, a], high[:, b] - low[:, b]
    full = (count_a >= enough[a]) & (count_b >= enough[b])
    y = seen.place[b] - seen.place[a]
    y = y - _steady(y)
    error = np.hypot(seen.place_error[a], seen.place_error[b])
    scale = _scale_of(y, float(np.hypot(np.median(error), SHIFT_FLOORS[0])))
    # What moved by less than a leap may have gone unnoticed where the record remarks nothing.
    untold = not tracked.leaps[0][-1]
    floors = [*SHIFT_FLOORS]
    floors += [] if not untold else [0.5 * LEAP * tracked.step]
    plain = [np.broadcast_to(np.hypot(error, floor), full.shape) for floor in floors]
    factor = np.exp(1j * TURNS)[:, None, None] * np.array(shifts)[:, None]
    ways = []
    for path, leaped in zip(tracked.paths, tracked.leaps, strict=True):
        mean_a = (path[high[:, a]] - path[low[:, a]]) / np.maximum(count_a, 1)
        mean_b = (path[high[:, b]] - path[low[:, b]]) / np.maximum(count_b, 1)
        samples = 1.0 / np.maximum(count_a, 1) + 1.0 / np.maximum(count_b, 1)
        x, noisy = _denoised(mean_b - mean_a, tracked.step / WHITE_STEP * np.sqrt(samples))
        # A leap is one noisy step: its error is about the usual one.
        count = np.maximum(leaped[high[:, b]] - leaped[low[:, a]], 0)
        unsure = np.hypot(SHIFT_SHARE * np.abs(x), tracked.step * np.sqrt(count))
        unsure = np.hypot(unsure, noisy)
        sigmas = [np.hypot(s, unsure) for s in plain]
        for h, hand in enumerate((x, np.conj(x))):
            models = [factor * hand[:, None, None, :]]
            out[:, h] = _over_nothing(y, full, models, [sigmas], plain, scale, "shift", untold)
        ways.append(out.copy())
    return _log_mean(np.array(ways), (0,))


def _denoised(x: np.ndarray, noise: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Recorded numbers drawn to zero by their noise (James & Stein's way), and what is left of it.

    Else a quiet record, which says nothing, would lose against none by its noise alone.
    """
    share = np.maximum(1.0 - noise**2 / np.maximum(np.abs(x) ** 2, 1e-12), 0.0)
    return share * x, share * noise


def _steady(y: np.ndarray) -> complex:
    """The usual shift from frame to frame, where it plainly is one (a comet followed, a drift)."""
    middle = complex(np.median(y.real), np.median(y.imag))
    spread = float(np.median(np.abs(y - middle)))
    return middle if abs(middle) > 4.0 * spread / len(y) ** 0.5 else 0.0


def turn_found(
    tracked: Track, seen: NightSeen, start, end, offset: float
) -> tuple[float, float, float]:
    """The camera's turn by elongations and shifts together.

    Returns
    -------
    angle_deg : float
        Direction of the record's first axis, an axis in [0, 180), counter-clockwise from +x of the
        image; NaN where the frames do not show it.
    error_deg : float
    lead : float
        Log-likelihood of the plain hand over the mirrored one.
    """
    low = np.searchsorted(tracked.time, start - offset)[None, :]
    high = np.searchsorted(tracked.time, end - offset)[None, :]
    enough = np.maximum(COVERED * (end - start) / tracked.cadence, 5.0)
    like = _oval_of_turns(tracked, seen, _telling(seen), low, high, enough)[0]
    pairs = _pairs_of(seen)
    like = like + _shift_of_turns(tracked, seen, pairs, low, high, 0.5 * enough, SHIFTS)[0]
    if like.max() < LEAST_FOR_TURN:
        return NAN, NAN, 0.0
    hands = _log_mean(like, (1,))
    # Halved: frames follow one another, and neighbours are alike.
    weight = np.exp(0.5 * (like[int(np.argmax(hands))] - like.max()))
    middle = np.sum(weight * np.exp(2j * TURNS)) / weight.sum()
    spread = np.degrees(0.5 * np.sqrt(-2.0 * np.log(np.clip(abs(middle), 1e-9, 1.0))))
    error = float(np.hypot(spread, STEP_DEG / np.sqrt(12.0)))
    return float(np.degrees(0.5 * np.angle(middle)) % 180.0), error, float(hands[0] - hands[1])
