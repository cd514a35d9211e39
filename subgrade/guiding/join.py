"""Lay the guiding records beside the night: clock, exposures, predictions, the mount's habits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from subgrade.guiding.clock_fit import fit_clock
from subgrade.guiding.exposure import exposure_guiding
from subgrade.guiding.likeness import track, turn_found
from subgrade.guiding.model import ClockFit, GuideNight
from subgrade.guiding.mount_motion import mount_motion
from subgrade.guiding.over_night import (
    USUAL_RATE,
    Polar,
    backlash,
    dec_drift,
    guide_exposure,
    hour_angles,
    polar_misalignment,
    unguided,
    usual_drift,
    worm,
)
from subgrade.guiding.path_fit import fit_path
from subgrade.guiding.predict import (
    HAND_LEAD,
    LARGEST_ANGLE_ERROR_DEG,
    CameraAngle,
    camera_angle,
    predict,
)
from subgrade.guiding.scale import in_arcsec
from subgrade.guiding.seen import night_seen
from subgrade.night.model import Frame, Night
from subgrade.record import calm_rms
from subgrade.record.model import GuideRecord

NAN = float("nan")


def guide_night(
    night: Night, records: Sequence[GuideRecord], *, utc_offset_hours: float | None = None
) -> GuideNight | None:
    """Join guiding records to a night's frames.

    Parameters
    ----------
    night : Night
    records : sequence of GuideRecord
        Several records are brought onto one clock and joined in time order.
    utc_offset_hours : float, optional
        Hours by which the records' clock is ahead of UTC, as the user states it.

    Returns
    -------
    GuideNight or None
        None without a record.
    """
    if not records:
        return None
    start, end = exposure_times(night.frames)
    seen = night_seen(night)
    record, clock, notes = _one_clock(
        records, start, end, seen, utc_offset_hours, local_hours(night.frames)
    )
    if record.unscaled:
        record, clock, note = in_arcsec(record, clock, seen, start, end)
        notes += (note,)
    usual = _usual_brightness(record)
    exposures = exposure_guiding(record, clock, start, end, usual)
    calm = calm_rms(record)
    quiet = float(np.fmin(*calm))
    camera = camera_angle(night, exposures, quiet, record.axes)
    if camera.source == "none" and np.isfinite(clock.add_s):
        camera = _angle_with_shifts(record, seen, start, end, clock.add_s) or camera
    covered = sum(e is not None and e.samples > 0 for e in exposures)
    notes += (
        f"guiding covers {covered} of {len(exposures)} exposure{'s' * (len(exposures) != 1)}",
    )
    if camera.source == "night" and not camera.handedness:
        notes += ("the frames do not show whether the image is mirrored",)
    return GuideNight(
        record=record,
        clock=clock,
        exposures=exposures,
        predictions=predict(night, exposures, camera, quiet),
        paths=fit_path(record, clock, start, end),
        mount=mount_motion(record, clock, start, end),
        starts=tuple(start.tolist()),
        camera_angle_deg=camera.angle_deg,
        camera_angle_error_deg=camera.error_deg,
        handedness=camera.handedness,
        angle_source=camera.source,
        calm_rms_ra=calm[0],
        calm_rms_dec=calm[1],
        usual_brightness=usual,
        **_habits(night, record, clock, calm, notes),
    )


def _angle_with_shifts(record: GuideRecord, seen, start, end, add_s: float) -> CameraAngle | None:
    """The camera's angle by how the frames moved with the dithers, and by their shapes."""
    timed = np.flatnonzero(np.isfinite(start) & np.isfinite(end) & seen.scaled)
    order = timed[np.argsort(start[timed])]
    if len(order) < 2:
        return None
    turned = seen.taken(order)
    angle, error, lead = turn_found(track(record), turned, start[order], end[order], add_s)
    if not error <= LARGEST_ANGLE_ERROR_DEG:
        return None
    hand = int(np.sign(lead)) if abs(lead) >= HAND_LEAD else 0
    return CameraAngle(angle, error, hand, "night", NAN, len(order))


def exposure_times(frames: Sequence[Frame]) -> tuple[np.ndarray, np.ndarray]:
    """Start and end of every exposure, POSIX seconds UTC; NaN where the header is silent."""
    start, end = np.full(len(frames), NAN), np.full(len(frames), NAN)
    for k, frame in enumerate(frames):
        facts = frame.facts
        length = facts.elapsed_s or facts.exposure_s
        begin = facts.start_unix
        if begin is None and facts.mid_unix is not None and length:
            begin = facts.mid_unix - 0.5 * length
        if begin is not None and length and length > 0:
            start[k], end[k] = begin, begin + length
    return start, end


def local_hours(frames: Sequence[Frame]) -> float:
    """Hours that the frames' own local times are ahead of their UTC; NaN where they tell none.

    The nearest quarter of an hour, as zones are; of frames that differ (summer time began) none.
    """
    found = set()
    for frame in frames:
        begin, local = frame.facts.start_unix, frame.facts.start_local
        if begin is None or not local:
            continue
        try:
            there = datetime.fromisoformat(local).replace(tzinfo=UTC).timestamp()
        except ValueError:
            continue
        found.add(round(4.0 * (there - begin) / 3600.0) / 4.0)
    return found.pop() if len(found) == 1 else NAN


def _usual_brightness(record: GuideRecord) -> float:
    seen = record.brightness[record.good & np.isfinite(record.brightness)]
    return float(np.median(seen)) if len(seen) >= 10 else NAN


def _one_clock(records, start, end, seen, offset, local) -> tuple[GuideRecord, ClockFit, tuple]:
    """Join the records; those of a like clock are fitted together, the rest one by one."""
    sets: list[list[GuideRecord]] = []
    for record in records:
        alike = (s for s in sets if _kind(s[0]) == _kind(record))
        like = next(alike, None) if record.clock != "relative" else None
        if like is None:
            sets.append([record])
        else:
            like.append(record)
    joined = [joined_record(s) for s in sets]
    fits = [
        fit_clock(r, start, end, utc_offset=offset, seen=seen, local_hours=local) for r in joined
    ]
    notes = tuple(n for r in joined for n in r.notes)
    main = max(range(len(joined)), key=lambda k: (np.isfinite(fits[k].add_s), len(joined[k])))
    on_main = [joined[main]]
    for k, (record, fit) in enumerate(zip(joined, fits, strict=True)):
        notes += _clock_notes(record, fit)
        if k != main and np.isfinite(fit.add_s) and record.unscaled == joined[main].unscaled:
            on_main.append(moved(record, fit.add_s - fits[main].add_s))
    return joined_record(on_main), fits[main], tuple(dict.fromkeys(notes))


def _kind(record: GuideRecord) -> tuple:
    """Records that differ in none of these are joined as they are."""
    return record.clock, record.dated, record.unscaled


def _clock_notes(record: GuideRecord, fit: ClockFit) -> tuple[str, ...]:
    if not np.isfinite(fit.add_s):
        return (f"{record.path}: could not be matched to the exposures: {fit.how}",)
    if not fit.decided:
        cure = "" if record.clock == "relative" else "; state it with --guide-utc-offset HOURS"
        return (f"{record.path}: the record's clock is uncertain: {fit.how}{cure}",)
    if fit.camera_hours:
        return (f"{record.path}: {fit.how}",)
    if fit.by_word:
        return (f"{record.path}: {fit.by_word}",)
    return ()


def moved(record: GuideRecord, seconds: float) -> GuideRecord:
    """The record on a clock that reads ``seconds`` more."""
    return replace(
        record,
        time=record.time + seconds,
        sections=tuple((a + seconds, b + seconds) for a, b in record.sections),
        events=tuple(replace(e, time=e.time + seconds) for e in record.events),
    )


ARRAYS = ("time", "ra", "dec", "ra_pulse_ms", "dec_pulse_ms", "brightness", "snr", "good")


def joined_record(records: Sequence[GuideRecord]) -> GuideRecord:
    """Several records of one clock as one, in time order; the first gives path and columns.

    A sample at a moment that is already there (a record given twice) is left out.
    """
    if len(records) == 1:
        return records[0]
    first_section = np.cumsum([0, *(len(r.sections) for r in records[:-1])])
    section = np.concatenate([r.section + s for r, s in zip(records, first_section, strict=True)])
    time = np.concatenate([r.time for r in records])
    _, keep = np.unique(time, return_index=True)
    arrays = {name: np.concatenate([getattr(r, name) for r in records])[keep] for name in ARRAYS}
    events = {(e.time, e.kind, e.text): e for r in records for e in r.events}
    axes = {r.axes for r in records}
    return replace(
        records[0],
        path="; ".join(dict.fromkeys(r.path for r in records)),
        section=section[keep],
        sections=tuple(s for r in records for s in r.sections),
        events=tuple(events[k] for k in sorted(events)),
        axes="ra_dec" if axes == {"ra_dec"} else "xy",
        notes=tuple(dict.fromkeys(n for r in records for n in r.notes)),
        **arrays,
    )


def _habits(night: Night, record: GuideRecord, clock: ClockFit, calm, notes) -> dict:
    """The mount over the night: worm, drift, polar axis, backlash, guide exposure."""
    if record.axes != "ra_dec" or len(record) < 3:
        return {"notes": (*notes, "no RA and Dec axes: the mount cannot be judged")}
    ra = unguided(record, "ra", USUAL_RATE * _cos_dec(night))
    dec = unguided(record, "dec", USUAL_RATE)
    if (ra is not None and ra.assumed) or (dec is not None and dec.assumed):
        notes += (
            "no dither shows how far a correction moves the mount: half the sidereal rate assumed",
        )
    if ra is not None and not np.isfinite(ra.rate):
        notes += (
            "RA corrections missing or of unknown size: periodic error is what guiding left of it",
        )
    period, amplitude = worm(ra)
    middle, drift, error = dec_drift(dec)
    polar = Polar()
    if dec is not None and np.isfinite(dec.rate):
        hours = _hours(night, middle + clock.add_s, clock.camera_hours)
        polar = polar_misalignment(drift, error, hours)
        if polar.bound:
            notes += ("polar misalignment is the least that explains the Dec drift",)
    elif dec is not None:
        notes += (
            "Dec corrections missing or of unknown size: the drift is what guiding left of it",
        )
    return {
        "worm_period_s": period,
        "worm_amplitude": amplitude,
        "dec_drift": usual_drift(drift, error),
        "polar_arcmin": polar.arcmin,
        "polar_arcmin_error": polar.error,
        "backlash_s": NAN if dec is None else backlash(record, dec.rate),
        "guide_exposure": guide_exposure(record, calm, NAN if ra is None else ra.rate),
        "notes": notes,
    }


def _cos_dec(night: Night) -> float:
    known = [f.facts.dec_deg for f in night.frames if f.facts.dec_deg is not None]
    return float(np.cos(np.radians(np.median(known)))) if known else 1.0


def _hours(night: Night, unix: np.ndarray, ahead_hours: float) -> np.ndarray | None:
    """Hour angles at some moments, of the pointing nearest in time; None where unknown.

    The moments are on the frames' clock, which is so many hours ahead of UTC.
    """
    known = [
        (f.facts.mid_unix or f.facts.start_unix, f.facts.site_lon_deg, f.facts.ra_deg)
        for f in night.frames
    ]
    known = [k for k in known if None not in k]
    if not known or not len(unix) or not np.isfinite(unix).all():
        return None
    when, longitude, ra = np.array(known, float).T
    near = np.abs(unix[:, None] - when).argmin(axis=1)
    return hour_angles(unix - 3600.0 * ahead_hours, longitude[near], ra[near])
