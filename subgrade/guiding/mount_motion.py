"""What the mount itself did in every exposure: the recorded errors with the corrections taken out.

A rough gear or a gust moves the mount whatever the guider does; a loop that over-corrects moves a
mount that would have stood still.  Taking out the corrections tells them apart.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from subgrade.guiding.intervals import samples_within
from subgrade.guiding.model import ClockFit, MountMotion
from subgrade.guiding.over_night import pulse_rate_or_usual
from subgrade.record.model import GuideRecord
from subgrade.robust import scatter

NAN = float("nan")
MOST_LAG = 3
"""Samples by which a correction may show late: what the guide exposure and the mount take."""
FEWEST = 6
"""Samples of an exposure below which nothing is stated."""


def mount_motion(
    record: GuideRecord, clock: ClockFit, start: Sequence[float], end: Sequence[float]
) -> tuple[MountMotion | None, ...]:
    """The mount's own motion in every exposure.

    Parameters
    ----------
    record : GuideRecord
    clock : ClockFit
        Its ``add_s`` turns the record's times into UTC.
    start, end : array-like, shape (n,)
        When each exposure began and ended, POSIX seconds UTC; NaN where unknown.

    Returns
    -------
    tuple of MountMotion or None, length n
        None without samples or without pulses.
    """
    use = record.measured
    nothing = (None,) * len(start)
    if use.sum() < 3 * FEWEST or not np.isfinite(clock.add_s):
        return nothing
    time = record.time[use] + clock.add_s
    error = np.stack([record.ra[use], record.dec[use]])
    pulse = np.stack([record.ra_pulse_ms[use], record.dec_pulse_ms[use]])
    if np.isfinite(pulse).mean() < 0.8 or not np.nan_to_num(pulse).any():
        return nothing
    own = np.stack([_freed(e, p) for e, p in zip(error, pulse, strict=True)])
    out: list[MountMotion | None] = []
    for k, part in enumerate(samples_within(time, start, end)):
        if part.stop - part.start < FEWEST or not np.isfinite(start[k] + end[k]):
            out.append(None)
            continue
        t = time[part] - time[part].mean()
        drift, rest = _line(t, own[:, part])
        left = _line(t, error[:, part])[1][0]
        drift_dec = float(drift[1]) * float(end[k] - start[k])
        out.append(
            MountMotion(float(rest[0].std()), float(left.std()), drift_dec, _at_beat(left, rest[0]))
        )
    return tuple(out)


def _at_beat(left: np.ndarray, own: np.ndarray) -> float:
    """Amplitude of the mount's own motion over that left, at the beat at which most is left.

    Samples are taken for evenly spaced: of a few missing ones the beat is read a little off.
    """
    taper = np.hanning(len(left) + 2)[1:-1]
    seen = np.fft.rfft(taper * left)
    beat = 1 + int(np.argmax(np.abs(seen[1:])))
    return float(abs(np.fft.rfft(taper * own)[beat]) / max(abs(seen[beat]), 1e-12))


def _freed(error: np.ndarray, pulse: np.ndarray) -> np.ndarray:
    """One axis' errors without its corrections, arcsec.

    Of the lags at which a correction may show, the one that leaves the smoothest path.
    """
    sent = np.nan_to_num(pulse)
    if not sent.any():
        return error
    given = pulse_rate_or_usual(error, pulse) * np.cumsum(sent)
    paths = [error - np.r_[np.zeros(lag), given[:-lag]] for lag in range(1, MOST_LAG + 1)]
    return min(paths, key=lambda path: scatter(np.diff(path)))


def _line(t: np.ndarray, path: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slope of both axes against time and what is left about it, by least squares."""
    centred = path - path.mean(axis=1, keepdims=True)
    slope = centred @ t / float(t @ t)
    return slope, centred - slope[:, None] * t
