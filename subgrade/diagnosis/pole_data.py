"""What drift and turn of the night go into the polar axis.

Of several nights the one with most frames counts: a mount set up anew has another axis.
"""

from __future__ import annotations

import math

import numpy as np

from subgrade.constants import SIDEREAL_RATE
from subgrade.diagnosis.pole import PULSE_DOUBT, Drift, Turn, unbroken
from subgrade.diagnosis.view import NightView
from subgrade.night import NIGHT_GAP_S, fullest_night

COMMON_RATE = 0.5 * SIDEREAL_RATE / 1000.0
"""Arcsec of declination per ms of pulse at half the sidereal rate: common practice, no source."""
ASSUMED_DOUBT = 0.5
"""Doubt in that rate where the record does not show it: mounts are set from 0.25 to 1 times."""


def recorded_drift(view: NightView) -> Drift | None:
    """Drift in declination with the corrections undone; None without them."""
    if view.guiding is None or view.guiding.record.axes != "ra_dec":
        return None
    from subgrade.guiding import dec_drift, unguided

    record = view.guiding.record
    track = unguided(record, "dec", COMMON_RATE)
    if track is None or not math.isfinite(track.rate):
        return None
    middle, rate, error = dec_drift(track)
    mine = of_main_night(view, middle + view.guiding.clock.add_s)
    middle, rate, error = middle[mine], rate[mine], error[mine]
    if len(middle) < 3:
        return None
    doubt = ASSUMED_DOUBT if track.assumed else 0.0 if track.rate == 0.0 else PULSE_DOUBT
    hour = hours(view, middle + view.guiding.clock.add_s)
    return Drift(hour, rate, error, doubt)


def seen_drift(view: NightView) -> Drift | None:
    """Drift in declination of the stars from frame to frame, where north is known."""
    from_groups = []
    for k, group in enumerate(view.night.geometry.groups if view.night.geometry else ()):
        for run in group.segments:
            axes = view.night.frames[run.frames[0]].facts.sky_axes
            if axes is None or not math.isfinite(run.north):
                continue
            error = math.hypot(axes[1][0] * run.error_x, axes[1][1] * run.error_y)
            middle = float(np.mean([_middle(view)[f] for f in run.frames]))
            from_groups.append((middle, run.north, error, k))
    if not from_groups:
        return None
    middle, rate, error, _ = np.array(from_groups, float).T
    known = np.isfinite(error) & (error > 0) & of_main_night(view, middle)
    if not known.any():
        return None
    return Drift(hours(view, middle[known]), rate[known], error[known], 0.0)


def field_turn(view: NightView) -> Turn | None:
    """Turn of the largest group's field on the sensor; None where it cannot be known."""
    if not view.night.groups:
        return None
    largest = max(range(len(view.night.groups)), key=lambda g: len(view.night.groups[g].members))
    group, time = view.night.groups[largest], _middle(view)
    main = main_night(view)
    members = [
        i
        for i in sorted(group.members, key=lambda i: time[i])
        if (r := view.night.compared[i].registration) is not None
        and r.ok
        and main[i]
        and view.night.frames[i].stars.shape_status == "measured"
    ]
    facts = view.night.frames[group.reference].facts
    if len(members) < 5 or facts.dec_deg is None or abs(facts.dec_deg) > 88.0:
        return None
    rotation = np.radians([view.night.compared[i].registration.rotation_deg for i in members])
    flipped = np.cos(rotation) < 0
    # The transform turns frame onto reference; the stars turned the other way.
    angle = -np.unwrap(rotation, period=np.pi)
    part = np.r_[0, np.cumsum(flipped[1:] != flipped[:-1])]
    part = unbroken(angle, part)
    # A part of one frame says nothing.
    many = np.isin(part, [p for p in np.unique(part) if (part == p).sum() > 1])
    if many.sum() < 5 or np.ptp(time[members][many]) < 600.0:
        return None
    when = time[members][many]
    return Turn(
        hours(view, when), when, angle[many], part[many], math.radians(facts.dec_deg),
        hand_of(view, largest),
    )  # fmt: skip


def hand_of(view: NightView, group: int) -> int:
    """+1 where north through east is counter-clockwise on the sensor, -1 mirrored, 0 unknown.

    From the header's orientation, else from the record's, which holds if it counts the
    star's place east and north.
    """
    geometry = view.night.geometry
    if geometry is not None and geometry.groups[group].handedness:
        return geometry.groups[group].handedness
    # The record's hand is +1 where north lies counter-clockwise of east: a mirrored view.
    return -view.guiding.handedness if view.guiding is not None else 0


def hours(view: NightView, unix: np.ndarray) -> np.ndarray:
    """Hour angles, radians, of the pointing nearest in time; NaN unknown."""
    time, site, ra = _middle(view), view.facts("site_lon_deg"), view.facts("ra_deg")
    known = np.isfinite(time) & np.isfinite(site) & np.isfinite(ra)
    if not known.any() or not len(unix) or not np.isfinite(unix).all():
        return np.full(len(unix), np.nan)
    from subgrade.guiding import hour_angles

    near = np.abs(unix[:, None] - time[known]).argmin(axis=1)
    return np.radians(hour_angles(unix, site[known][near], ra[known][near]))


def main_night(view: NightView) -> np.ndarray:
    """True at the frames of the night that holds most frames."""
    return fullest_night(_middle(view))


def of_main_night(view: NightView, unix: np.ndarray) -> np.ndarray:
    """Which moments fall into the night with most frames; all where the headers are silent."""
    main = main_night(view)
    if not main.any():
        return np.ones(len(unix), bool)
    around = 0.5 * NIGHT_GAP_S
    return (unix > view.start[main].min() - around) & (unix < view.end[main].max() + around)


def _middle(view: NightView) -> np.ndarray:
    return 0.5 * (view.start + view.end)
