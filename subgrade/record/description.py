"""A record in numbers: RMS, calm level, peak, gaps, missing star, sections; to print."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime

import numpy as np

from subgrade.record.model import GuideRecord

GAP_CADENCES = 5.0
"""Cadences without a sample that count as a gap (a choice, no source)."""
SETTLE_S = 30.0
"""Seconds after a dither that are left out of the settled RMS when no end of settling is remarked
(common practice, no source)."""


def describe_record(record: GuideRecord) -> dict:
    """What was understood of a record.

    Parameters
    ----------
    record : GuideRecord

    Returns
    -------
    dict
        JSON values only; None where a number cannot be had.  RMS is about zero, the
        reference position, in arcsec, ``settled_rms_*`` without dithers and their settling;
        ``calm_rms_*`` is that of quiet stretches (see `calm_rms`).
    """
    time, good = record.time, record.good
    cadence = record.cadence_s
    steps = np.diff(time)
    inside = np.diff(record.section) == 0
    gaps = steps[(steps > GAP_CADENCES * cadence) & inside] if len(steps) else steps
    settled = good & ~_unsettled(record)
    dithered = bool((settled != good).any())
    calm_ra, calm_dec = calm_rms(record)
    peak = np.hypot(np.nan_to_num(record.ra[good]), np.nan_to_num(record.dec[good]))
    return {
        "path": record.path,
        "clock": record.clock,
        "dated": record.dated,
        "axes": record.axes,
        "samples": len(record),
        "duration_s": _number(time[-1] - time[0]) if len(time) else 0.0,
        "cadence_s": _number(cadence),
        "scale_arcsec_px": _number(record.scale_arcsec_px),
        "sections": [
            {
                "from": when(record, first),
                "to": when(record, last),
                "samples": int((record.section == k).sum()),
            }
            for k, (first, last) in enumerate(record.sections)
        ],
        "rms_ra_arcsec": _rms(record.ra[good]),
        "rms_dec_arcsec": _rms(record.dec[good]),
        "peak_arcsec": _number(peak.max()) if len(peak) else None,
        "settled_rms_ra_arcsec": _rms(record.ra[settled]) if dithered else None,
        "settled_rms_dec_arcsec": _rms(record.dec[settled]) if dithered else None,
        "calm_rms_ra_arcsec": _number(calm_ra),
        "calm_rms_dec_arcsec": _number(calm_dec),
        "lost_samples": int((~good).sum()),
        "lost_s": _lost(time, good, cadence),
        "gaps": len(gaps),
        "longest_gap_s": _number(gaps.max()) if len(gaps) else None,
        "events": dict(sorted(Counter(e.kind for e in record.events).items())),
        "columns": [
            {"title": c.title, "role": c.role, "unit": c.unit, "sure": c.sure, "why": c.why}
            for c in record.columns
        ],
        "notes": list(record.notes),
    }


def when(record: GuideRecord, time: float) -> str:
    """A time of the record as text on its own clock."""
    if record.clock == "relative":
        return f"{time:.1f} s"
    try:
        moment = datetime.fromtimestamp(round(time, 1), UTC)
    except (ValueError, OverflowError, OSError):
        return f"{time:.1f} s"
    if not record.dated:
        return moment.strftime("%H:%M:%S")
    return moment.strftime("%Y-%m-%d %H:%M:%S") + (" UTC" if record.clock == "utc" else "")


def _unsettled(record: GuideRecord) -> np.ndarray:
    """Samples between a dither and the end of its settling."""
    out = np.zeros(len(record), bool)
    events = sorted(record.events, key=lambda e: e.time)
    for k, event in enumerate(events):
        if event.kind != "dither":
            continue
        end = event.time + SETTLE_S
        for later in events[k + 1 :]:
            if later.kind == "dither":
                break
            if later.kind == "settle_end":
                end = later.time
                break
        out |= (record.time >= event.time) & (record.time < end)
    return out


def _lost(time: np.ndarray, good: np.ndarray, cadence: float) -> float:
    """Seconds without a star: each bad sample up to the next, no longer than a gap."""
    if not len(time) or good.all():
        return 0.0
    step = cadence if cadence == cadence else 0.0
    length = np.minimum(np.append(np.diff(time), step), GAP_CADENCES * step)
    return float(length[~good].sum())


def _rms(values: np.ndarray) -> float | None:
    values = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(values**2))) if len(values) else None


def _number(value: float) -> float | None:
    value = float(value)
    return value if np.isfinite(value) else None


# ---------------------------------------------------------------- the calm level

NAN = float("nan")
CALM_SAMPLES = 24
"""Samples to a stretch."""


def calm_rms(record: GuideRecord) -> tuple[float, float]:
    """RMS of a record's quiet stretches in RA and Dec, arcsec.

    The lower quartile of the scatter within stretches of `CALM_SAMPLES` samples, freed of
    what the lower quartile of equal stretches of white noise would read too low
    (quantile of chi-squared after Wilson & Hilferty 1931, from memory).

    Parameters
    ----------
    record : GuideRecord

    Returns
    -------
    float, float
        arcsec; NaN with under three stretches.
    """
    use = record.measured
    n = int(use.sum()) // CALM_SAMPLES
    if n < 3:
        return NAN, NAN
    freedom = CALM_SAMPLES - 1
    low = (1.0 - 2.0 / (9.0 * freedom) - 0.67449 * np.sqrt(2.0 / (9.0 * freedom))) ** 3
    out = []
    for axis in (record.ra, record.dec):
        stretch = axis[use][: n * CALM_SAMPLES].reshape(n, CALM_SAMPLES)
        variance = stretch.var(axis=1, ddof=1)
        out.append(float(np.sqrt(np.quantile(variance, 0.25) / low)))
    return out[0], out[1]
