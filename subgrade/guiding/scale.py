"""The size of a guide camera's pixel, from the frames: how far dithers moved and drew them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from subgrade.guiding.likeness import scale_found, track
from subgrade.guiding.model import ClockFit
from subgrade.guiding.seen import NightSeen
from subgrade.record.model import GuideRecord

NAN = float("nan")
WORST_SCALE = 0.12
"""Relative error up to which a scale found from the frames is used: a choice.  A recorded
elongation is then a quarter wrong at most, within what a star image answers to motion."""
CURE = "give the arcsec per pixel with --guide-scale ARCSEC_PER_PX"


def in_arcsec(
    record: GuideRecord, clock: ClockFit, seen: NightSeen, start, end
) -> tuple[GuideRecord, ClockFit, str]:
    """A record in pixels of unknown size in arcsec, by the scale that the frames show.

    Parameters
    ----------
    record : GuideRecord
        ``unscaled``.
    clock : ClockFit
    seen : NightSeen
    start, end : ndarray, shape (n,)
        POSIX seconds UTC; NaN unknown.

    Returns
    -------
    GuideRecord
    ClockFit
        Not decided where the scale is not known well enough: the record is then not used.
    str
        What was found.
    """
    if not np.isfinite(clock.add_s):
        return record, clock, f"{record.path}: errors in guide camera pixels of unknown size"
    timed = np.flatnonzero(np.isfinite(start) & np.isfinite(end) & seen.scaled)
    order = timed[np.argsort(start[timed])]
    scale, error = scale_found(
        track(record), seen.taken(order), start[order], end[order], clock.add_s
    )
    if not error <= WORST_SCALE * scale:
        why = "the errors are in guide camera pixels of unknown size, which the frames do not show"
        if np.isfinite(scale):
            why += f" well enough ({scale:.2g} ± {error:.1g} arcsec)"
        fit = replace(clock, add_s=NAN, zone_hours=NAN, decided=False, how=f"{why}: {CURE}")
        return record, fit, f"{record.path}: {why}"
    note = (
        f"guide camera: {scale:.3g} ± {error:.1g} arcsec per pixel, found from how far the frames "
        f"moved and were drawn out; where it is known, {CURE}"
    )
    return times_scale(record, scale), clock, note


def times_scale(record: GuideRecord, scale: float) -> GuideRecord:
    """The record with its pixels turned into arcsec."""
    return replace(
        record,
        ra=record.ra * scale,
        dec=record.dec * scale,
        scale_arcsec_px=scale,
        unscaled=False,
    )
