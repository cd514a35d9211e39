"""What moved the guide star within each exposure: its recorded path weighed against a dictionary.

Nothing, a ramp, a step, a knock, a steady swing, to-and-fro at the guide cycle, settling from a
start away from home, or irregular motion: each is a density of the recorded samples with few
numbers, marginalised over priors, so that shares can be compared (Bayes' theorem; the linear part
is the conjugate normal-inverse-gamma regression, e.g. O'Hagan & Forster 2004, ch. 11, from
memory).  Remarks of the record do not enter: that none was written proves nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from subgrade.constants import MAD_TO_SIGMA
from subgrade.guiding.exposure import GAP_CADENCES
from subgrade.guiding.intervals import lost_intervals, merged, overlap, samples_within
from subgrade.guiding.model import PATH_MEMBERS, ClockFit, PathFit, PathMember
from subgrade.guiding.over_night import pulse_rate_or_usual
from subgrade.guiding.path_evidence import (
    LEVEL_SHAPE,
    Found,
    Path,
    binned,
    burst,
    irregular,
    nothing,
    shapes,
    to_and_fro,
    without_slow,
)
from subgrade.guiding.path_shapes import sample_edges
from subgrade.guiding.predict import rotated_moments
from subgrade.record import CALM_SAMPLES, calm_rms
from subgrade.record.model import GuideRecord

NAN = float("nan")
PRIOR_NOTHING = 0.5
"""Most exposures of most nights are at rest; the rest is shared alike: a choice, no source."""
FLOOR_ARCSEC = 0.05
"""White floor of the noise: what a record's last digit and a star image cannot show."""
LARGEST_RATIO = 1.5
"""Noise of one axis over the other's: what goes beyond is motion, not noise: a choice."""
LARGEST_MEMORY = 0.7
"""A loop of gain 0.3 keeps 0.7 of what it has not yet corrected: noise that remembers more
would hide slow motion."""
SHAPE_ERROR = 0.1
"""No real path follows a shape of two numbers more nearly than a tenth of its own scatter: a
choice, no source."""
FEWEST = 6
"""Samples below which nothing is fitted."""
MOST = 120
"""Longer paths are averaged in bins for the shapes; to-and-fro is sought in what is faster."""


def fit_path(
    record: GuideRecord, clock: ClockFit, start: Sequence[float], end: Sequence[float]
) -> tuple[PathFit | None, ...]:
    """Weigh what moved the guide star within every exposure.

    Parameters
    ----------
    record : GuideRecord
        Its remarks are not used.
    clock : ClockFit
        Its ``add_s`` turns the record's times into UTC.
    start, end : array-like, shape (n,)
        When each exposure began and ended, POSIX seconds UTC; NaN where unknown.

    Returns
    -------
    tuple of PathFit or None, length n
        None where record and exposure do not overlap.

    Notes
    -----
    Shares are posterior probabilities given that the path is one of the members and alone: of
    two motions at once the one that explains more leads.  Samples are means over a guide
    exposure that ends about its time stamp; motion faster than two cycles is seen folded.
    """
    start, end = np.atleast_1d(np.asarray(start, float)), np.atleast_1d(np.asarray(end, float))
    if not np.isfinite(clock.add_s) or len(record) < 2:
        return (None,) * len(start)
    use = record.measured
    time = record.time[use] + clock.add_s
    error = np.stack([record.ra[use], record.dec[use]])
    pulse = np.stack([record.ra_pulse_ms[use], record.dec_pulse_ms[use]])
    rate = np.array([pulse_effect(e, p) for e, p in zip(error, pulse, strict=True)])[:, None]
    # An axis that is never corrected stays where it is; where none is, no pulses were recorded.
    still = (pulse == 0) & np.isfinite(rate).any()
    pulled = np.where(still, 0.0, pulse * rate)
    noise, memory = record_noise(record)
    missing = overlap(_missing(record, time, clock.add_s), start, end)
    first, last = record.time[0] + clock.add_s, record.time[-1] + clock.add_s
    cadence = record.cadence_s
    out: list[PathFit | None] = []
    for k, part in enumerate(samples_within(time, start, end)):
        if not (start[k] < last and end[k] > first):
            out.append(None)
            continue
        length = float(end[k] - start[k])
        away = min(float(missing[k]), length)
        away = away if away >= GAP_CADENCES * cadence else 0.0
        if part.stop - part.start < FEWEST or not cadence > 0:
            out.append(_unfitted(part.stop - part.start, away, length))
            continue
        centred = error[:, part] - error[:, part].mean(axis=1, keepdims=True)
        path = Path(
            cycles=(time[part] - time[part.start]) / cadence,
            error=centred,
            pulled=pulled[:, part],
            gain=np.where(np.isfinite(rate[:, 0]), _gain(error[:, part], pulled[:, part]), NAN),
            noise=np.hypot(noise, SHAPE_ERROR * centred.std()),
            memory=memory,
            cadence=cadence,
            lead_s=float(time[part.start] - start[k]),
            length_s=length,
        )
        out.append(_fitted(path, away))
    return tuple(out)


def record_noise(record: GuideRecord) -> tuple[np.ndarray, float]:
    """What a path at rest scatters by: one sigma per axis, arcsec, and its memory.

    Parameters
    ----------
    record : GuideRecord

    Returns
    -------
    ndarray, shape (2,)
        RMS of the quiet stretches with a white floor; that of a record too short for them is from
        the differences of neighbours.
    float
        Autocorrelation from one sample to the next in the quieter half of all stretches, 0 to
        `LARGEST_MEMORY`: neighbours that alternate are to-and-fro, not noise.
    """
    use = record.measured
    error = np.stack([record.ra[use], record.dec[use]])
    noise, memory = np.array(calm_rms(record)), 0.0
    if not np.isfinite(noise).all():
        noise = np.zeros(2)
        if error.shape[1] > 1:
            leaps = np.abs(np.diff(error, axis=1))
            noise = MAD_TO_SIGMA * np.median(leaps, axis=1) / 2.0**0.5
    else:
        n = error.shape[1] // CALM_SAMPLES
        parts = error[:, : n * CALM_SAMPLES].reshape(2, n, CALM_SAMPLES)
        parts = parts - parts.mean(axis=2, keepdims=True)
        power = (parts**2).mean(axis=2)
        quiet = power <= np.median(power, axis=1, keepdims=True)
        lag1 = (parts[..., 1:] * parts[..., :-1]).mean(axis=2)
        found = float(lag1[quiet].sum() / max(power[quiet].sum(), 1e-12))
        # Kendall's bias, as in `exposure.lag1`.
        memory = (found * CALM_SAMPLES + 1.0) / (CALM_SAMPLES - 3.0)
    noise = np.hypot(np.minimum(noise, LARGEST_RATIO * noise.min()), FLOOR_ARCSEC)
    return noise, min(max(memory, 0.0), LARGEST_MEMORY)


def pulse_effect(error: np.ndarray, pulse: np.ndarray) -> float:
    """Arcsec that one ms of pulse moves the star, signed; NaN where none was ever sent.

    From the large errors of the record, else half the sidereal rate against the error.
    """
    known = np.isfinite(pulse)
    if not pulse[known].any() or known.mean() < 0.8:
        return NAN
    return pulse_rate_or_usual(error, pulse)


def _gain(error, pulled) -> np.ndarray:
    """Share of the error that the pulses take back, by least squares; 0 where none are sent."""
    known = np.isfinite(pulled)
    sent, met = np.where(known, pulled, 0.0), np.where(known, error, 0.0)
    power = (met**2).sum(axis=1)
    gain = -(sent * met).sum(axis=1) / np.maximum(power, 1e-12)
    return np.where((known.mean(axis=1) > 0.8) & (power > 0), gain, NAN)


def _missing(record: GuideRecord, time: np.ndarray, add: float) -> np.ndarray:
    """Times without a guide star or without samples, UTC, shape (m, 2)."""
    cadence = record.cadence_s
    spans = [tuple(s) for s in lost_intervals(replace(record, events=())) + add]
    if len(time):
        edges = np.r_[time[0] - 1e9, time, time[-1] + 1e9]
        wide = np.flatnonzero(np.diff(edges) > GAP_CADENCES * cadence)
        spans += [(edges[k] + 0.5 * cadence, edges[k + 1] - 0.5 * cadence) for k in wide]
    return merged(spans)


def _priors() -> np.ndarray:
    rest = (1.0 - PRIOR_NOTHING) / (len(PATH_MEMBERS) - 2)
    return np.array([PRIOR_NOTHING] + [rest] * (len(PATH_MEMBERS) - 2))


def _unfitted(samples: int, away: float, length: float) -> PathFit:
    """Too few samples: the priors, less what is missing."""
    missing = away / length
    shares = [*_priors() * (1.0 - missing), missing]
    named = (PathMember(m, float(s)) for m, s in zip(PATH_MEMBERS, shares, strict=True))
    return PathFit(samples, tuple(named), missing_s=away)


def _fitted(path: Path, away: float) -> PathFit:
    noise = nothing(path)
    coarse = binned(path, MOST)
    coarse_noise = noise if coarse is path else nothing(coarse)
    found: dict[str, Found] = shapes(coarse, coarse_noise)
    fast = path if coarse is path else without_slow(path)
    found["to_and_fro"] = to_and_fro(fast, noise if fast is path else nothing(fast))
    found["irregular"] = irregular(coarse, coarse_noise)
    pushes = burst(coarse, coarse_noise)
    if pushes is not None:
        found["knock"] = _either(found["knock"], pushes)
    names = PATH_MEMBERS[:-1]
    evidence = np.array(
        [0.0] + [found[m].log_evidence if m in found else -np.inf for m in names[1:]]
    )
    chance = np.log(_priors()) + evidence
    chance = np.exp(chance - chance.max())
    missing = away / path.length_s
    shares = (1.0 - missing) * chance / chance.sum()
    recorded = path.error @ path.error.T / len(path.cycles)
    members = [_at_rest(float(shares[0]), recorded, path.noise)]
    for name, share, value in zip(names[1:], shares[1:], evidence[1:], strict=True):
        if name in found:
            members.append(_member(name, float(share), found[name]))
        else:
            members.append(PathMember(name, 0.0, float(value)))
    members.append(PathMember("star_missing", missing, lasts_s=away))
    level = (LEVEL_SHAPE + 0.5 * float(noise.squares.sum())) / noise.freedom
    leads = int(np.argmax(shares))
    if leads:
        level = found[names[leads]].level
    return PathFit(
        samples=len(path.cycles),
        members=tuple(members),
        moments=_moments(recorded),
        noise_ra=float(path.noise[0]),
        noise_dec=float(path.noise[1]),
        noise_level=float(level**0.5),
        missing_s=away,
        gain_ra=float(path.gain[0]),
        gain_dec=float(path.gain[1]),
    )


def _either(one: Found, other: Found) -> Found:
    """Two forms of one member, half the prior each; the likelier gives the numbers."""
    best = max(one, other, key=lambda f: f.log_evidence)
    both = np.logaddexp(one.log_evidence, other.log_evidence) - np.log(2.0)
    return replace(best, log_evidence=float(both))


def _moments(covariance) -> tuple[float, float, float]:
    return float(covariance[0, 0]), float(covariance[1, 1]), float(covariance[0, 1])


def _at_rest(share: float, recorded, noise) -> PathMember:
    total = float(np.trace(recorded))
    of_noise = min(float((noise**2).sum()) / total, 1.0) if total > 0 else 1.0
    return PathMember("nothing", share, 0.0, of_noise)


def _member(name: str, share: float, found: Found) -> PathMember:
    path, fit = found.path, found.fit
    cross = fit @ path.error.T / len(path.cycles)
    rr, dd, rd = float(cross[0, 0]), float(cross[1, 1]), 0.5 * float(cross[0, 1] + cross[1, 0])
    recorded = _moments(path.error @ path.error.T / len(path.cycles))
    total, trace = recorded[0] + recorded[1], rr + dd
    values = {
        "moments": (rr, dd, rd),
        "size_error": found.size_error,
        "period_s": found.period[0] * path.cadence,
        "period_error_s": found.period[1] * path.cadence,
    }
    if trace > 0:
        values |= {
            "variance_share": min(trace / total, 1.0),
            "elongation_share": _elongation_share((rr, dd, rd), recorded),
            "ra_share": min(max(rr / trace, 0.0), 1.0),
            "angle_deg": math.degrees(0.5 * math.atan2(2.0 * rd, dd - rr)) % 180.0,
        }
    if math.isfinite(found.onset[0]):
        values |= _excursion(name, found)
    elif name == "ramp":
        values |= _drift(found)
    else:
        widest = 0.5 * trace + math.hypot(0.5 * (rr - dd), rd)
        values["size"] = math.sqrt(max(2.0 * widest, 0.0))
    return PathMember(name, share, found.log_evidence, **values)


def _drift(found: Found) -> dict:
    """Rates per minute, and the length over the exposure, of the fitted ramp."""
    path = found.path
    seconds = float(path.cycles[-1]) * path.cadence
    rate = (found.fit[:, -1] - found.fit[:, 0]) / seconds
    size = float(np.hypot(*rate)) * path.length_s
    return {
        "size": size,
        "size_error": found.size_error * path.length_s / seconds,
        "rate_ra": 60.0 * float(rate[0]),
        "rate_dec": 60.0 * float(rate[1]),
        "rate_error": 60.0 * found.size_error / seconds,
    }


def _excursion(name: str, found: Found) -> dict:
    """Where to, when and for how long, of what leaves a place or comes to one."""
    path, fit = found.path, found.fit
    when, when_error, lasts, lasts_error = (v * path.cadence for v in (*found.onset, *found.lasts))
    when += path.lead_s
    home = fit[:, -1] if name == "settling" else fit[:, 0]
    out = fit - home[:, None] if found.returns else fit
    furthest = int(np.argmax((out**2).sum(axis=0)))
    place, size = out[:, furthest], float(np.hypot(*out[:, furthest]))
    if name == "step" and not np.isfinite(lasts):  # for good
        lasts, lasts_error = path.length_s - when, when_error
    ahead = place @ out / max(size, 1e-12)
    edge = sample_edges(path.cycles)
    far = float(np.diff(edge)[ahead > 0.5 * size].sum() / (edge[-1] - edge[0]))
    values = {
        "size": size,
        "angle_deg": math.degrees(math.atan2(place[0], place[1])) % 360.0,
        "when_s": when,
        "when_error_s": when_error,
        "lasts_s": lasts,
        "lasts_error_s": lasts_error,
        "away_share": lasts / path.length_s if name == "step" else far,
    }
    if name != "step" and found.returns and size > 0:
        values["corrected_share"] = _corrected(path.pulled, place / size, ahead, furthest)
    return values


def _corrected(pulled, direction, ahead, furthest: int) -> float:
    """Part of the way home that corrections make up, until a tenth of it is left."""
    size = ahead[furthest]
    home = np.flatnonzero(ahead[furthest:] < 0.1 * size)
    stop = furthest + int(home[0]) if len(home) else len(ahead) - 1
    sent = pulled[:, furthest:stop]
    if stop == furthest or not np.isfinite(sent).all():
        return NAN
    back = -float(direction @ sent.sum(axis=1)) / float(size - ahead[stop])
    return min(max(back, 0.0), 1.0)


def elongation_share(
    moments: tuple[float, float, float],
    measured: tuple[float, float, float],
    angle_deg: float = 0.0,
    handedness: int = 1,
) -> float:
    """Share of an elongation that a motion explains, along the axis of the former, 0 to 1.

    Parameters
    ----------
    moments : tuple of float
        (ra-ra, dec-dec, ra-dec) of the motion, arcsec^2, as in `PathMember`.
    measured : tuple of float
        (xx, yy, xy) of what is elongated, arcsec^2; what is round in it drops out.
    angle_deg, handedness : float, int
        Of RA in the image that ``measured`` is from, as in `GuideNight`; left out where
        ``measured`` is a covariance in RA and Dec as well.

    Notes
    -----
    With q = (xx - yy) + 2i xy of both, Re(q_motion conj(q_measured)) / |q_measured|^2: moments of
    independent motions add, and so do these shares.  A turn or mirror of both leaves it alone.
    """
    return _elongation_share(rotated_moments(moments, angle_deg, handedness), measured)


def _elongation_share(motion, seen) -> float:
    """The same for both in one frame."""
    p, q = (
        complex(motion[0] - motion[1], 2.0 * motion[2]),
        complex(seen[0] - seen[1], 2.0 * seen[2]),
    )
    share = (p * q.conjugate()).real / abs(q) ** 2 if abs(q) > 0 else 0.0
    return min(max(share, 0.0), 1.0) if math.isfinite(share) else 0.0
