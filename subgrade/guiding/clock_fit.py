"""Which moments of the guiding record belong to which exposure.

A record may count local time of an unstated zone, run some seconds off, or count
from an unknown start, and the camera may have written local time for UTC.  Whatever must
hold is put into one log-likelihood of the offset: guiding runs during exposures, dithers
fall between them, stars are drawn out as the record says that they moved, and the field
moves from frame to frame as the record's dithers say.  The last three are ratios to no
connection at all, so that they also tell whether the record is of this mount.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from subgrade.guiding.alignment import (
    DITHER_LAG_SPREAD_S,
    Grid,
    lag_evidence,
    oval_score,
    score_at,
)
from subgrade.guiding.likeness import Likeness, Track, any_scale, likeness, telling, track
from subgrade.guiding.model import ClockFit
from subgrade.guiding.seen import NightSeen
from subgrade.record.model import GuideRecord

NAN = float("nan")
ZONE_RANGE_H = 14.0
SKEW_RANGE_S = 60
DAY_S = 86400.0
SKEW_USUAL_S = {"utc": 2.0, "unknown": 5.0}
"""Half width of the Cauchy prior of a computer clock's error, s, by what the record states.
Computers set by network agree within a second and cameras and guider often share one, but a few
are off by half a minute: common practice, no source."""
USUAL_ERROR_S = 3.0
"""Seconds that a clock set by network may be off at a moment, camera and guider together: common
practice, no source."""
ELSEWHERE = 0.05
"""Most of the likelihood that may lie elsewhere for a record of elapsed seconds: a choice."""
ZONE_AS_WRITTEN = 1.0
"""Log-prior of an unstated zone that is that of the frames' times: one computer often writes
both.  A choice."""
CAMERA_LOCAL = -5.0
"""Log-prior that the frames' times are local where the record states UTC: a choice."""
WORTH = 25.0
"""Offsets that the times alone put so much below the best are not looked at further: what the
frames show rarely outweighs it."""
MOST_OFFSETS = 500
"""Offsets at which frames and record are compared; those between are interpolated."""
VALLEY = 3.0
"""A second place within the minute counts where the likelihood between falls by so much."""
NEEDED = {"stated": -5.0, "as written": -1.0, "found": 2.0}
"""Least log-likelihood over no connection for a record to be this mount's, by what its clock
is: stated and in step with the frames (used at its word unless they contradict), unstated but in
step as it is written, or found by trying.  Chosen on 91 practice nights; docs/guiding.md counts."""
NEEDED_OF_TELLING = {"stated": 0.0, "as written": 4.0, "found": 4.0}
"""The least where the frames plainly moved, in several directions: that a record of theirs shows
nothing of it is unlikely."""
SHOWN = 2.0
"""From here on the frames bear a record out: 7 to 1."""
STRANGE = -2.5
"""Below this a record whose clock is not decided is called another's."""
FEW_FRAMES, LESS_NEEDED = 12, 0.4
"""The latter needs so much less for every frame under so many, down to half of them: few frames
tell little."""
DECIDED_MARGIN = 4.0
"""Least lead in log-likelihood over the next offset.  Dithers fall into step together, so that
their sum counts one coincidence several times: half of it is believed (7 to 1)."""
IN_USE = {
    **{float(h): 0.0 for h in range(-12, 15)},
    **dict.fromkeys((-9.5, -3.5, -2.5, 3.5, 4.5, 5.5, 6.5, 9.5, 10.5), -0.7),
    **dict.fromkeys((5.75, 8.75, 12.75, 13.75), -1.5),
}
"""Log-prior of civil time zones (offsets in use, from memory); others get `ODD_ZONE`."""
ODD_ZONE = -3.0
LEFT_OUT = 3.0
"""Log-likelihood lost for an exposure that another offset would cover: as one that does not fit."""
SEEN_BELIEVED = 0.5
"""Share of the frames' evidence that is believed: frames follow one another, so that
neighbours are nearly alike.  A choice."""


def fit_clock(
    record: GuideRecord,
    start_unix,
    end_unix,
    ovalness=None,
    utc_offset: float | None = None,
    seen: NightSeen | None = None,
    local_hours: float = NAN,
) -> ClockFit:
    """Find the seconds that turn a record's clock into UTC.

    Parameters
    ----------
    record : GuideRecord
    start_unix, end_unix : array-like, shape (n,)
        When each exposure began and ended, POSIX seconds UTC; NaN entries are left out.
    ovalness : array-like, shape (n,), optional
        Any number that grows with the elongation of each frame's stars; NaN unknown.
        Not looked at where ``seen`` is given.
    utc_offset : float, optional
        Hours that the record's clock is ahead of UTC, as the user states it; only the
        seconds are then fitted.  Without effect on a record that counts from a start.
    seen : NightSeen, optional
        Elongation and pointing of each frame, shape (n,).
    local_hours : float
        Hours that the frames' own local times are ahead of their UTC; NaN where they tell none.

    Returns
    -------
    ClockFit
        ``add_s`` = -(3600 ``zone_hours`` + ``skew_s``): both are positive for a clock
        ahead of UTC.  ``add_s`` is NaN when no offset brings record and exposures
        together, or when they have nothing in common.  For a record that counts from an
        unknown start ``zone_hours`` is NaN, ``skew_s`` 0, and rivals are given as (hours to
        add, score).
    """
    start, end = np.asarray(start_unix, float), np.asarray(end_unix, float)
    timed = np.isfinite(start) & np.isfinite(end) & (end > start)
    order = np.flatnonzero(timed)[np.argsort(start[timed], kind="stable")]
    oval = np.full(len(start), np.nan) if ovalness is None else np.asarray(ovalness, float)
    start, end, oval = start[order], end[order], oval[order]
    if not len(start) or len(record) < 3:
        return _nowhere("no exposure has a time" if not len(start) else "too few guide samples")
    frames = _Frames(start, end, oval, None if seen is None else seen.taken(order), local_hours)
    evidence, dithers = lag_evidence(record, start, end)
    tracked = track(record)
    if record.clock == "relative":
        fit = _fit_relative(record, tracked, evidence, frames)
    else:
        fit = _fit_zone(record, tracked, evidence, dithers, frames, utc_offset)
    return _if_of_this_mount(fit, record, tracked, evidence, frames, utc_offset)


@dataclass(frozen=True, slots=True)
class _Frames:
    """The exposures in order of time, and what they show."""

    start: np.ndarray
    end: np.ndarray
    oval: np.ndarray
    seen: NightSeen | None
    local_hours: float = NAN


def _fit_zone(record, tracked, evidence, dithers, frames, utc_offset) -> ClockFit:
    """Whole quarters of an hour from UTC, and the seconds within."""
    shift = _whole_days(record, frames.start, frames.end)
    zones, prior = _zones(record.clock, utc_offset, frames.local_hours)
    skew = np.arange(-SKEW_RANGE_S, SKEW_RANGE_S + 1.0)
    add = shift - 3600.0 * zones[:, None] - skew
    score = score_at(evidence, add)
    if not np.isfinite(score).any():
        return _nowhere(
            "no time zone makes the record cover the exposures: is it of another night? If its "
            "clock was wrong, state it with --guide-utc-offset HOURS"
        )
    score = score + _shown(record, tracked, frames, add, score + prior[:, None])
    score = _lagged(score) if dithers else score
    raw = score.copy()
    score -= np.log1p((skew / SKEW_USUAL_S[record.clock]) ** 2)
    stated = record.clock == "utc" and utc_offset is None and _spans(record, frames)
    tried = _Tried(zones, skew, score, raw, prior, stated)
    return _choose(tried, record, shift, dithers, utc_offset)


def _spans(record: GuideRecord, frames: _Frames) -> bool:
    """Whether most exposures lie within the record as its clock is written."""
    middle = 0.5 * (frames.start + frames.end)
    inside = (middle > record.time[0] - SKEW_RANGE_S) & (middle < record.time[-1] + SKEW_RANGE_S)
    return bool(inside.mean() > 0.5)


def _shown(record, tracked: Track, frames: _Frames, add, score) -> np.ndarray:
    """What the frames add to the log-likelihood, at offsets that the times leave possible."""
    if frames.seen is None:
        gain = oval_score(record, frames.start, frames.end, frames.oval, add, score)
        return (SEEN_BELIEVED if record.clock != "relative" else 1.0) * gain
    gain = np.zeros_like(score)
    row, column = np.nonzero(score > score.max() - WORTH)
    step = float(np.clip(np.median(frames.end - frames.start) / 20.0, 2.0, 10.0))
    coarse = np.unique(np.rint(add[row, column] / step) * step)
    most = MOST_OFFSETS if _one_scale(record, frames) else MOST_OFFSETS // 4
    if len(coarse) > most:
        coarse = coarse[:: -(-len(coarse) // most)]
    found = _compared(record, tracked, frames, coarse)
    # A frame that does not fit must not be got rid of by an offset that leaves it out.
    value = found.both - LEFT_OUT * (found.covered.max() - found.covered)
    gain[row, column] = np.interp(add[row, column], coarse, value)
    return SEEN_BELIEVED * gain


def _one_scale(record: GuideRecord, frames: _Frames) -> bool:
    """Whether record and frames are both in arcsec."""
    return not record.unscaled and bool(frames.seen.scaled.all())


def _compared(record, tracked: Track, frames: _Frames, offsets) -> Likeness:
    """Record and frames at some offsets; where a scale is unknown, averaged over it."""
    way = likeness if _one_scale(record, frames) else any_scale
    return way(tracked, frames.seen, frames.start, frames.end, offsets)


def _if_of_this_mount(fit, record, tracked, evidence, frames, utc_offset) -> ClockFit:
    """The fit, or none where frames and record have too little in common."""
    if not np.isfinite(fit.add_s) or frames.seen is None:
        return fit
    near = fit.add_s + np.arange(-12.0, 12.1, 3.0)
    found = _compared(record, tracked, frames, near)
    k = int(np.argmax(found.both))
    common = float(found.both[k] + score_at(evidence, near, "timing").max())
    fit = replace(fit, in_common=common)
    if utc_offset is not None and record.clock != "relative":
        return fit
    known = "found"
    if record.clock == "utc" and fit.zone_hours == 0.0:
        known = "stated"
    elif record.clock == "unknown" and fit.zone_hours in (0.0, frames.local_hours):
        known = "as written"
    needed = NEEDED[known]
    less = LESS_NEEDED * min(max(FEW_FRAMES - len(frames.start), 0), FEW_FRAMES // 2)
    if telling(frames.seen):
        needed = max(needed, NEEDED_OF_TELLING[known] - less)
    strange = common < STRANGE
    if common >= needed or not (fit.decided or strange):
        return replace(fit, by_word=_by_word(known, common, fit))
    cure = "if it is, state how far its clock is ahead of UTC with --guide-utc-offset HOURS"
    if record.clock == "relative":
        cure = "if it is, give one that states the time of day"
    why = "what it records and how the frames moved and were drawn out have nothing in common: is "
    why += f"it of this mount and night? {cure}, else leave it out"
    if not strange:
        why = f"nothing shows that it is of this mount and night, or where its clock is; {cure}"
    return replace(_nowhere(why), in_common=common)


def _by_word(known: str, common: float, fit: ClockFit) -> str:
    """What a clock is taken from where the frames do not bear it out; '' where they do."""
    if common >= SHOWN or known == "found" or not fit.decided:
        return ""
    if known == "stated":
        return "used at the word of its clock: the frames show nothing of what it records"
    if fit.zone_hours == 0.0:
        zone = "UTC, as the frames' times"
    else:
        zone = f"{ahead(fit.zone_hours)}, as the frames' own local times"
    return f"its clock states no zone: taken to be {zone}, where it covers the exposures best"


def _lagged(score: np.ndarray) -> np.ndarray:
    """Log-likelihood with the dithers' unknown lag, the same all night, averaged over."""
    from scipy.ndimage import gaussian_filter1d

    top = score.max(axis=1, keepdims=True)
    safe = np.where(np.isfinite(top), top, 0.0)
    chance = gaussian_filter1d(np.exp(score - safe), DITHER_LAG_SPREAD_S, axis=1, mode="nearest")
    with np.errstate(divide="ignore"):
        return safe + np.log(chance)


def _zones(
    clock: str, utc_offset: float | None, local_hours: float
) -> tuple[np.ndarray, np.ndarray]:
    """Zones to try, hours, and the log-prior of each."""
    if utc_offset is not None:
        return np.array([float(utc_offset)]), np.zeros(1)
    zones = np.arange(-ZONE_RANGE_H, ZONE_RANGE_H + 0.1, 0.25)
    # Against a record on UTC a camera on local time is what lies in a zone, the other way round.
    civil = -zones if clock == "utc" else zones
    prior = np.array([IN_USE.get(float(z), ODD_ZONE) for z in civil])
    prior += CAMERA_LOCAL if clock == "utc" else -ZONE_AS_WRITTEN
    prior[zones == 0.0] = 0.0
    if clock == "unknown":  # one computer often writes both
        prior[zones == local_hours] = 0.0
    return zones, prior


def _whole_days(record: GuideRecord, start, end) -> float:
    """Days to add to a clock that has no date."""
    if record.dated:
        return 0.0
    apart = 0.5 * (start[0] + end[-1]) - 0.5 * (record.time[0] + record.time[-1])
    return DAY_S * round(apart / DAY_S)


def _nowhere(why: str) -> ClockFit:
    return ClockFit(NAN, NAN, NAN, 0.0, False, why)


@dataclass(frozen=True, slots=True)
class _Tried:
    """Zones (hours) and seconds tried, and log-likelihoods with and without the clock's prior.

    ``stated`` is whether the clock is taken at its word unless the odds are clearly against it.
    """

    zones: np.ndarray
    skew: np.ndarray
    score: np.ndarray
    raw: np.ndarray
    prior: np.ndarray
    stated: bool


def _choose(tried: _Tried, record, shift: float, dithers: int, utc_offset) -> ClockFit:
    """Pick the likeliest zone, then the seconds within it."""
    zones, skew, score = tried.zones, tried.skew, tried.score
    top = score.max(axis=1)
    chance = tried.prior + _log_sum(score)
    best = int(np.argmax(chance))
    lead = chance[best] - chance
    if tried.stated and lead[zones == 0.0] < DECIDED_MARGIN:
        best = int(np.flatnonzero(zones == 0.0)[0])
        lead = chance[best] - chance
    at_word = tried.stated and zones[best] == 0.0
    value, error = _location(skew, score[best], _near_none(skew, score[best]) if at_word else None)
    second = _second_skew(skew, score[best], tried.raw[best], value)
    # Evidence is taken twice where neighbours are alike (frames follow one another): halved.
    share = np.exp(0.5 * (chance - chance[best]))
    confidence = float(1.0 / share[np.isfinite(share)].sum())
    near = [k for k in np.argsort(lead) if k != best and lead[k] < 2 * DECIDED_MARGIN]
    rivals = tuple((float(zones[k]), float(top[k])) for k in near[:4])
    decided = at_word or bool(len(zones) == 1 or np.delete(lead, best).min() >= DECIDED_MARGIN)
    zone = float(zones[best])
    local = zone != 0.0 and record.clock == "utc" and utc_offset is None
    how = _how(record, utc_offset, dithers, -zone if local else 0.0)
    how += f", and {_fast(value, error)}"
    if second is not None:
        decided = at_word
        confidence /= 1.0 + float(np.exp(0.5 * (second[1] - top[best])))
        rivals = ((float(zones[best] + second[0] / 3600.0), second[1]), *rivals)
        how += f" or {_fast(second[0])}"
    if len(zones) > 1 and not decided and near:
        how += f"; {ahead(zones[near[0]])} fits nearly as well as {ahead(zones[best])}"
    if not dithers:
        how += "; no dithers, so the seconds are uncertain"
    return ClockFit(
        add_s=shift - 3600.0 * zone - value,
        zone_hours=zone,
        skew_s=value,
        confidence=confidence,
        decided=decided,
        how=how,
        rivals=rivals,
        skew_error_s=error,
        camera_hours=-zone if local else 0.0,
    )


def _how(record, utc_offset, dithers: int, camera_hours: float) -> str:
    """By what the clock is known."""
    if utc_offset is not None:
        return "the UTC offset as stated"
    if record.clock == "utc" and not camera_hours:
        return "the record states UTC"
    how = "found from guiding during exposures"
    how += f" and {_counted(dithers)}" if dithers else ""
    if camera_hours:
        how = (
            f"the record states UTC and the frames' times are {ahead(camera_hours)}: local time "
            f"was written as UTC, {how}"
        )
    return how


def ahead(hours: float) -> str:
    """A clock's zone in words.

    >>> ahead(2.0), ahead(-3.5), ahead(0.0)
    ('2 h ahead of UTC', '3.5 h behind UTC', 'UTC')
    """
    if not hours:
        return "UTC"
    return f"{abs(hours):g} h {'ahead of' if hours > 0 else 'behind'} UTC"


def _fast(seconds: float, error: float | None = None) -> str:
    """How far a clock is off, with as many digits as its error allows.

    >>> _fast(-21.8, 9.4), _fast(3.42, 0.53), _fast(-48.0)
    ('22 ± 9 s slow', '3.4 ± 0.5 s fast', '48 s slow')
    """
    way = "fast" if seconds >= 0 else "slow"
    if error is None:
        return f"{abs(seconds):.0f} s {way}"
    places = 1 if error < 1.95 else 0
    return f"{abs(seconds):.{places}f} ± {error:.{places}f} s {way}"


def _counted(dithers: int) -> str:
    return f"{dithers} dither{'s' * (dithers != 1)}"


def _near_none(skew: np.ndarray, score: np.ndarray) -> int:
    """The likeliest error of a clock taken at its word: a small one unless clearly another."""
    small = np.where(np.abs(skew) <= USUAL_ERROR_S, score, -np.inf)
    best = int(np.argmax(score))
    return int(np.argmax(small)) if score[best] - small.max() < DECIDED_MARGIN else best


def _location(
    grid: np.ndarray, score: np.ndarray, at: int | None = None, reach: float = 12.0
) -> tuple[float, float]:
    """Mean and spread of the likelihood about its highest point, or about a given one."""
    near = np.abs(grid - grid[int(np.argmax(score)) if at is None else at]) <= reach
    weight = np.exp(score - score.max())
    if at is None and weight[~near].sum() > weight[near].sum():
        near[:] = True  # flat: the peak means nothing
    mean = float(np.average(grid[near], weights=weight[near]))
    spread = float(np.sqrt(np.average((grid - mean) ** 2, weights=weight)))
    return mean, max(spread, 0.5)


def _second_skew(skew, score, raw, value: float) -> tuple[float, float] | None:
    """Another place that fits nearly as well: exposures short enough to slip by one.

    The likelihood ``raw``, without the clock's prior, must fall between the two: where it is
    level the prior alone decides.
    """
    away = np.abs(skew - value) > 25.0
    inner = np.r_[False, (score[1:-1] >= score[:-2]) & (score[1:-1] >= score[2:]), False]
    inner[[0, -1]] = score[[0, -1]] > score[[1, -2]]
    peaks = np.flatnonzero(away & inner)
    here = int(np.argmin(np.abs(skew - value)))
    for k in peaks[np.argsort(-score[peaks])]:
        if score.max() - score[k] >= DECIDED_MARGIN:
            return None
        between = raw[min(here, k) : max(here, k) + 1].min()
        if raw[k] - between >= VALLEY:
            return float(skew[k]), float(score[k])
    return None


def _log_sum(score: np.ndarray) -> np.ndarray:
    top = score.max(axis=1)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return safe + np.log(np.exp(score - safe[:, None]).sum(axis=1))


def _fit_relative(record, tracked: Track, evidence: Grid, frames: _Frames) -> ClockFit:
    """Any offset at which record and exposures overlap."""
    add = evidence.add[None, :]
    score = evidence.score[None, :].copy()
    score = (score + _shown(record, tracked, frames, add, score))[0]
    add = add[0]
    best = int(np.argmax(score))
    reach = max(20.0, 0.3 * float(np.median(frames.end - frames.start)))
    peaks, left = [], score.copy()
    for _ in range(4):
        k = int(np.argmax(left))
        peaks.append(k)
        left[np.abs(add - add[k]) <= reach] = -np.inf
    near = np.abs(add - add[best]) <= reach
    value, error = _location(add[near], score[near])
    lead = score[best] - score[peaks[1:]]
    rivals = tuple(
        (float(add[k]) / 3600.0, float(score[k]))
        for k, gap in zip(peaks[1:], lead, strict=True)
        if gap < 2 * DECIDED_MARGIN
    )
    weight = np.exp(score - score[best])
    elsewhere = float(weight[np.abs(add - value) > reach].sum() / weight.sum())
    decided = bool(elsewhere < ELSEWHERE or lead[0] >= DECIDED_MARGIN)
    how = f"placed where the record covers the exposures and fits the frames, ± {error:.1f} s"
    if not decided:
        apart = add[peaks[1]] - add[best]
        how += f"; {abs(apart):.0f} s {'later' if apart > 0 else 'earlier'} fits as well"
    confidence = float(1.0 / np.exp(-0.5 * np.r_[0.0, lead]).sum())
    return ClockFit(value, NAN, 0.0, confidence, decided, how, rivals, error)
