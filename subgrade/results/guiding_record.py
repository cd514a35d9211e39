"""The guiding record in words and plain values."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict

import numpy as np

from subgrade.guiding.model import GuideNight
from subgrade.optional_parts import attempt
from subgrade.results.model import OPENING, RECORD, Graded


def usable(night: GuideNight | None) -> bool:
    """Whether the record can be used: its clock is settled."""
    return night is not None and night.clock.decided and math.isfinite(night.clock.add_s)


def night_rms(graded: Graded) -> tuple[float, float]:
    """The night's guiding RMS: the median over the kept frames of that inside each exposure.

    Parameters
    ----------
    graded : Graded

    Returns
    -------
    float, float
        RA and Dec, arcsec; NaN without a usable record or a kept frame that it covers.
    """
    inside = [f.guiding for f in graded.frames if f.judgement.verdict == "keep"]
    return _medians((g.rms_ra, g.rms_dec) for g in inside if g is not None and g.samples)


def recorded_rms(frames: Sequence[dict]) -> tuple[float, float]:
    """The same as `night_rms` from the frames of session.json.

    Parameters
    ----------
    frames : sequence of dict

    Returns
    -------
    float, float
    """
    inside = [f["guiding"] for f in frames if f["values"].get("verdict") == "keep"]
    return _medians((g["rms_ra"], g["rms_dec"]) for g in inside if g and g["samples"])


def _medians(pairs: Iterable[tuple[float | None, float | None]]) -> tuple[float, float]:
    """The median of the known values of either axis."""
    values = np.array([*pairs], float).reshape(-1, 2)
    known = [axis[np.isfinite(axis)] for axis in values.T]
    ra, dec = (float(np.median(axis)) if len(axis) else math.nan for axis in known)
    return ra, dec


def guiding_record(night: GuideNight) -> dict:
    """What was understood of the record and what it shows of the whole night."""
    record = night.record
    covered = sum(e is not None and e.samples > 0 for e in night.exposures)
    return {
        "file": record.path,
        "used": usable(night),
        "samples": len(record),
        "sections": len(record.sections),
        "cadence_s": record.cadence_s,
        "exposures_covered": covered if usable(night) else 0,
        "clock": {"stated": record.clock, "text": clock_text(night), **asdict(night.clock)},
        "columns": [asdict(c) for c in record.columns],
        "scale_arcsec_px": record.scale_arcsec_px,
        "axes": record.axes,
        "camera_angle_deg": night.camera_angle_deg,
        "camera_angle_error_deg": night.camera_angle_error_deg,
        "handedness": night.handedness,
        "angle_source": night.angle_source,
        **{name: getattr(night, name) for name in _OF_THE_NIGHT},
        "corrections": _corrections(night),
        "notes": list(dict.fromkeys([*record.notes, *night.notes])),
    }


def _corrections(night: GuideNight) -> dict | None:
    """How the night was corrected; null where the record counts errors along camera axes."""
    if night.record.axes != "ra_dec" or len(night.record) < 2:
        return None
    from subgrade.guiding import corrections_sent

    return attempt("the corrections of the record", lambda: corrections_sent(night.record), None)


_OF_THE_NIGHT = (
    "worm_period_s",
    "worm_amplitude",
    "dec_drift",
    "polar_arcmin",
    "polar_arcmin_error",
    "backlash_s",
    "calm_rms_ra",
    "calm_rms_dec",
    "guide_exposure",
    "usual_brightness",
)


def clock_text(night: GuideNight) -> str:
    """The clock taken, and its rivals while it is not settled; empty where none fits.

    Returns
    -------
    str
        As in ``1 or 2 h ahead of UTC``, or the time of the first sample.
    """
    clock = night.clock
    rivals = () if clock.decided else clock.rivals
    if not math.isfinite(clock.add_s):
        return ""
    if clock.camera_hours:
        return f"on UTC, and the frames' times are {zone_text(clock.camera_hours)}"
    if math.isfinite(clock.zone_hours):
        hours = dict.fromkeys([clock.zone_hours, *(h for h, _ in rivals)])
        return zone_text(*hours)
    starts = [clock.add_s, *(3600.0 * h for h, _ in rivals)]
    first = float(night.record.time[0]) if len(night.record) else 0.0
    times = dict.fromkeys(_utc(first + s) for s in starts)
    return "first sample at " + " or ".join(times)


def clock_sentence(night: GuideNight) -> str:
    """The clock of a record that can be used, as the end of a sentence on the record."""
    text = clock_text(night)
    zoned = math.isfinite(night.clock.zone_hours)
    return f"its clock is {text}" if zoned else f"its {text}".replace("sample at", "sample is at")


def ambiguous(night: GuideNight) -> str:
    """Why a record is not used whose clock several offsets fit."""
    return f"its clock offset is ambiguous: {clock_text(night)} fit about equally well"


def unsettled(night: GuideNight) -> str:
    """Why the record is not used, and what the user can do."""
    text = f"{OPENING[RECORD]}{night.clock.how}"
    if clock_text(night):
        text = f"guiding record not used, {ambiguous(night)} ({night.clock.how})"
    if math.isfinite(night.clock.zone_hours):
        text += "; give its offset from UTC with --guide-utc-offset HOURS (ahead is positive)"
    elif night.record.clock == "relative":
        text += (
            "; if you know when it began, write that above its titles in a copy, as in "
            "'Guiding begins 2031-02-17 18:39:16'"
        )
    return text


def zone_text(*hours: float) -> str:
    """How far a clock is from UTC; of several candidates one is right.

    >>> zone_text(1.0), zone_text(-4.5), zone_text(0.0)
    ('1 h ahead of UTC', '4.5 h behind UTC', 'on UTC')
    >>> zone_text(2.0, 1.5, 1.0), zone_text(1.0, -1.0)
    ('2, 1.5 or 1 h ahead of UTC', '1 h ahead of UTC or 1 h behind UTC')
    """
    for way, alike in (("ahead of", min(hours) > 0), ("behind", max(hours) < 0)):
        if alike:
            if any(round(4 * h) != 4 * h for h in hours):
                return " or ".join(_odd_zone(h) for h in hours)
            *others, last = (f"{abs(h):.4g}" for h in hours)
            return f"{', '.join(others)}{' or ' if others else ''}{last} h {way} UTC"
    return " or ".join(zone_text(h) if h else "on UTC" for h in hours)


def _odd_zone(hours: float) -> str:
    """A clock that is some seconds off a zone.

    >>> _odd_zone(1.987), _odd_zone(-3.49), _odd_zone(2.0)
    ('2 h ahead of UTC less 47 s', '3.5 h behind UTC less 36 s', '2 h ahead of UTC')
    """
    zone = round(4 * hours) / 4
    rest = round(3600 * (abs(hours) - abs(zone)))
    text = zone_text(zone) if zone else "on UTC"
    if not rest:
        return text
    return f"{text} {'less' if rest < 0 else 'plus'} {abs(rest)} s"


def _utc(seconds: float) -> str:
    moment = datetime.datetime.fromtimestamp(round(seconds), datetime.UTC)
    return moment.strftime("%Y-%m-%d %H:%M:%S UTC")
