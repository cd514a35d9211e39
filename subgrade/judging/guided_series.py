"""A group's frames side by side with what the guiding record shows of each."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from subgrade.guiding.model import (
    ExposureGuiding,
    GuideNight,
    MountMotion,
    PathFit,
    Prediction,
)
from subgrade.judging.limits import Limits
from subgrade.night import USUAL_FROM, without_usual_motion
from subgrade.night.model import Group, Night
from subgrade.night.series import GroupSeries, group_series

MOVES = ("dither", "reference_moved")
"""Remarks of a record that the guide star's place was moved."""


@dataclass(frozen=True, slots=True)
class GuidedSeries(GroupSeries):
    """A group's series with the guiding record joined to it.

    Attributes
    ----------
    guiding : GuideNight or None
        None without a record that can be used.
    """

    guiding: GuideNight | None = None

    def exposure(self, position: int) -> ExposureGuiding | None:
        """The guiding record inside one exposure; None without samples there."""
        inside = self.guiding.exposures[self.members[position]] if self.guiding else None
        return inside if inside is not None and inside.samples else None

    def path(self, position: int) -> PathFit | None:
        """What moved the guide star within one exposure; None unknown."""
        known = self.guiding.paths if self.guiding else ()
        return known[self.members[position]] if known else None

    def mount(self, position: int) -> MountMotion | None:
        """The mount's own motion within one exposure; None unknown."""
        known = self.guiding.mount if self.guiding else ()
        return known[self.members[position]] if known else None

    def since_dither(self, position: int) -> float:
        """Seconds from the record's nearest dither to the start of one exposure; NaN unknown.

        Of those in the exposure or before it; negative for one within the exposure.
        """
        known = self.guiding.starts if self.guiding else ()
        start = known[self.members[position]] if known else float("nan")
        if not (np.isfinite(start) and self.group.exposure_s):
            return float("nan")
        add = self.guiding.clock.add_s
        moves = [e.time + add for e in self.guiding.record.events if e.kind in MOVES]
        moves = [start - t for t in moves if t < start + self.group.exposure_s]
        return min(moves, default=float("nan"))

    def prediction(self, position: int) -> Prediction | None:
        """What the recorded motion adds to the star image; None unknown."""
        known = self.guiding.predictions if self.guiding else ()
        return known[self.members[position]] if known else None


def guided_series(night: Night, group: Group, guiding: GuideNight | None = None) -> GuidedSeries:
    """Lay a group's frames and the record side by side in the order taken.

    Where a header does not tell the direction of right ascension, the record's stands in.
    """
    plain = group_series(night, group)
    found = guiding.camera_angle_deg % 180.0 if guiding else float("nan")
    known = {field.name: getattr(plain, field.name) for field in fields(plain)}
    known["axis_angle"] = np.where(np.isfinite(plain.axis_angle), plain.axis_angle, found)
    return GuidedSeries(**known, guiding=guiding)


def own_guided_motion(series: GuidedSeries, position: int, limits: Limits) -> GuidedSeries:
    """The series as `without_usual_motion` makes it, predictions of the record likewise."""
    own = without_usual_motion(series, position, limits.roundness.remark)
    return series if own is series else replace(own, guiding=_less_usual(series))


def _less_usual(series: GuidedSeries) -> GuideNight | None:
    """The record, with what it adds to every frame taken off its predictions."""
    guiding = series.guiding
    if guiding is None or not guiding.predictions:
        return guiding
    known = [p.predicted for i in series.members if (p := guiding.predictions[i]) is not None]
    known = np.array([k for k in known if np.isfinite(k).all()])
    if len(known) < USUAL_FROM:
        return guiding
    usual = np.median(known, axis=0)
    predictions = tuple(
        p if p is None else Prediction(tuple(np.array(p.predicted) - usual), p.residual, p.error)
        for p in guiding.predictions
    )
    return replace(guiding, predictions=predictions)
