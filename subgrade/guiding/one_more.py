"""A joined record with one more exposure, before the record is joined anew."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from subgrade.guiding.exposure import exposure_guiding
from subgrade.guiding.join import exposure_times, joined_record
from subgrade.guiding.model import GuideNight
from subgrade.guiding.mount_motion import mount_motion
from subgrade.guiding.path_fit import fit_path
from subgrade.guiding.predict import CameraAngle, predict
from subgrade.night.model import Night
from subgrade.record.model import GuideRecord


def with_one_exposure(
    joined: GuideNight, night: Night, records: Sequence[GuideRecord]
) -> GuideNight | None:
    """The records over a night that has one more frame behind its last.

    Parameters
    ----------
    joined : GuideNight
        Of the night before: clock, camera angle and the mount's habits stay as they are.
    night : Night
        Its last frame is new.
    records : sequence of GuideRecord
        As they are now, longer perhaps.

    Returns
    -------
    GuideNight or None
        None where the record must be joined anew.
    """
    if len(joined.exposures) + 1 != len(night.frames):
        return None
    if not (joined.clock.decided and np.isfinite(joined.clock.add_s)):
        return _without(joined)
    begins = [r.time[:1] for r in records if len(r)]
    same = len(records) == 1 and begins and np.array_equal(begins[0], joined.record.time[:1])
    if not same or records[0].unscaled:
        return None
    record = joined_record(records)
    start, end = exposure_times(night.frames[-1:])
    exposures = (
        *joined.exposures,
        *exposure_guiding(record, joined.clock, start, end, joined.usual_brightness),
    )
    camera = CameraAngle(
        joined.camera_angle_deg,
        joined.camera_angle_error_deg,
        joined.handedness,
        joined.angle_source,
    )
    quiet = float(np.fmin(joined.calm_rms_ra, joined.calm_rms_dec))
    return replace(
        joined,
        record=record,
        exposures=exposures,
        predictions=predict(night, exposures, camera, quiet),
        paths=(*joined.paths, *fit_path(record, joined.clock, start, end)),
        mount=(*joined.mount, *mount_motion(record, joined.clock, start, end)),
        starts=(*joined.starts, *start.tolist()),
    )


def _without(joined: GuideNight) -> GuideNight:
    """A record without a settled clock, which no exposure uses."""
    one_more = {
        name: (*getattr(joined, name), None)
        for name in ("exposures", "predictions", "paths", "mount")
        if len(getattr(joined, name)) == len(joined.exposures)
    }
    return replace(joined, **one_more, starts=(*joined.starts, float("nan")))
