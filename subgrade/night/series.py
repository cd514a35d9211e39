"""One group's measurements side by side in the order taken, as plain arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from subgrade.figures import figure
from subgrade.night.field_pattern import FixedPattern, fixed_pattern, usual_corner
from subgrade.night.model import Frame, Group, Night, Registration, Usual
from subgrade.stars.model import FrameStars
from subgrade.stars.motion import stray_light, wing_ratio

UNKNOWN = Usual(float("nan"), float("nan"), float("nan"), 0)
BROKEN = ("trailed", "doubled", "hollow")
"""Star shapes whose brightness no template fits, so that starlight reads wrong."""
TYPICAL_FROM = 3
"""Frames a typical value must rest on to be shown beside one of them: a choice."""

_FROM_STARS = {
    "fwhm": "fwhm_px",
    "fwhm_error": "fwhm_error_px",
    "minor": "fwhm_minor_px",
    "eccentricity": "eccentricity",
    "eccentricity_error": "eccentricity_error",
    "angle": "angle_deg",
    "angle_error": "angle_error_deg",
    "xx": "xx",
    "yy": "yy",
    "xy": "xy",
    "sky": "background_adu",
    "noise": "noise_adu",
    "stars": "stars",
}
_FROM_FACTS = {
    "temperature": "ambient_c",
    "focuser": "focuser_steps",
    "airmass": "airmass",
    "scale": "scale_arcsec",
}


@dataclass(frozen=True, slots=True)
class GroupSeries:
    """A group's frames in the order taken; every array has one entry a frame.

    Attributes
    ----------
    group : Group
    members : tuple of int
        Indices into ``Night.frames``, in time order.
    columns : dict of str to ndarray of float64
        ``time`` (s; NaN-free, by running number where no clock is known), ``wings``
        (see `wing_ratio`), ``stray`` (see `stray_light`), ``whole`` (1 unless `BROKEN`), the
        measured quantities, what the trends expect of width and sky, header quantities, and
        ``dx``, ``dy``: where the frame's middle lies on the reference frame, px.  NaN where
        unknown.
    axis_angle : ndarray
        Direction of right ascension in the image by the header, deg in [0, 180); NaN unknown.
    stars : tuple of FrameStars
    fixed : FixedPattern or None
        The pattern of shapes over the field that all frames share.
    usual_corner : float
        Usual eccentricity of the field's worst corner, that pattern taken out.
    """

    group: Group
    members: tuple[int, ...]
    columns: dict[str, np.ndarray]
    axis_angle: np.ndarray
    stars: tuple[FrameStars, ...]
    fixed: FixedPattern | None = None
    usual_corner: float = float("nan")

    def __getitem__(self, name: str) -> np.ndarray:
        return self.columns[name]

    def __len__(self) -> int:
        return len(self.members)

    def usual(self, quantity: str) -> Usual:
        """The group's usual value; all NaN where the night knows none."""
        return self.group.usual.get(quantity, UNKNOWN)

    def typical(self, quantity: str, unit: str = "", scale: float = 1.0) -> str:
        """The usual value in words for a sentence; empty where too few frames make one."""
        usual = self.usual(quantity)
        if usual.count < TYPICAL_FROM or not np.isfinite(usual.centre):
            return ""
        return f"typical {figure(scale * usual.centre, unit)}"

    @property
    def scale_arcsec(self) -> float:
        """Arcseconds per pixel, the group's median; NaN unknown."""
        known = self.columns["scale"]
        return float(np.nanmedian(known)) if np.isfinite(known).any() else float("nan")

    def near(self, position: int, reach: int) -> np.ndarray:
        """Positions within ``reach`` frames of one frame, itself left out."""
        low, high = max(0, position - reach), min(len(self), position + reach + 1)
        return np.array([p for p in range(low, high) if p != position], dtype=int)


MOST_LAID = 16
_LAID: list[tuple[Night, Group, GroupSeries]] = []
"""The last series made: judging, marks and weights ask for the same one again and again."""


def group_series(night: Night, group: Group) -> GroupSeries:
    """Lay a group's frames side by side in the order taken."""
    for earlier, whose, series in _LAID:
        if earlier is night and whose is group:
            return series
    series = _laid(night, group)
    _LAID[MOST_LAID - 1 :] = []
    _LAID.insert(0, (night, group, series))
    return series


def _laid(night: Night, group: Group) -> GroupSeries:
    members = tuple(sorted(group.members, key=lambda i: _when(night, i)))
    frames = [night.frames[i] for i in members]
    columns = {
        name: np.array([_number(getattr(f.stars, attribute)) for f in frames])
        for name, attribute in _FROM_STARS.items()
    }
    for name, attribute in _FROM_FACTS.items():
        columns[name] = np.array([_number(getattr(f.facts, attribute)) for f in frames])
    columns["wings"] = np.array([wing_ratio(f.stars.star_image) for f in frames])
    columns["stray"] = np.array([stray_light(f.stars) for f in frames])
    columns["whole"] = np.array([f.stars.shape_status not in BROKEN for f in frames], float)
    columns["time"] = _times(frames, group.exposure_s)
    compared = [night.compared[i] for i in members]
    columns["transparency"] = np.array([c.transparency for c in compared], dtype=float)
    columns["fwhm_expected"] = np.array([c.fwhm_expected_px for c in compared], dtype=float)
    columns["sky_expected"] = np.array([c.background_expected_adu for c in compared], dtype=float)
    registrations = [c.registration for c in compared]
    columns["rotation_deg"] = np.array(
        [_number(getattr(r, "rotation_deg", None)) for r in registrations]
    )
    columns["dx"], columns["dy"] = _centre_on_reference(registrations, group.shape)
    fields = [f.stars.shape_field for f in frames]
    turned = turn_an_exposure(columns["rotation_deg"], columns["time"], group.exposure_s)
    fixed = fixed_pattern(fields, turned)
    return GroupSeries(
        group,
        members,
        columns,
        np.array([ra_axis_deg(f.facts.sky_axes) for f in frames]),
        tuple(f.stars for f in frames),
        fixed,
        usual_corner(fields, fixed),
    )


def turn_an_exposure(turn: np.ndarray, time: np.ndarray, exposure_s: float | None) -> float:
    """Usual turn of the field in one exposure, deg, by registration; NaN unknown.

    Parameters
    ----------
    turn, time : ndarray, shape (n,)
        Rotation on the reference (deg) and time (s) of frames in the order taken.
    exposure_s : float or None
    """
    good = np.isfinite(turn)
    if good.sum() < 5 or not exposure_s:
        return float("nan")
    steps = (np.diff(turn[good]) + 90.0) % 180.0 - 90.0  # a meridian flip is no turn
    waits = np.diff(time[good])
    later = waits > 0  # copies of a frame have its time
    if not later.any():
        return float("nan")
    return float(abs(np.median(steps[later] / waits[later]))) * exposure_s


def ra_axis_deg(sky_axes: tuple[tuple[float, float], tuple[float, float]] | None) -> float:
    """Direction of right ascension in the image, deg in [0, 180), NaN if unknown.

    Parameters
    ----------
    sky_axes : tuple or None
        ((east per x, east per y), (north per x, north per y)).

    Notes
    -----
    Moving along right ascension keeps north constant, so the direction is the one
    at right angles to the gradient of north.
    """
    if sky_axes is None:
        return float("nan")
    north_x, north_y = sky_axes[1]
    return float(np.degrees(np.arctan2(north_x, -north_y)) % 180.0)


def unbroken(alike: np.ndarray, position: int) -> tuple[int, int]:
    """First and last of the unbroken run of frames that are alike round one.

    Parameters
    ----------
    alike : ndarray of bool
        One entry a frame; the one at ``position`` counts as alike whatever it holds.
    position : int
    """
    first = last = position
    while first > 0 and alike[first - 1]:
        first -= 1
    while last + 1 < len(alike) and alike[last + 1]:
        last += 1
    return first, last


def _centre_on_reference(
    registrations: Sequence[Registration | None], shape: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray]:
    """Where each frame's middle lies on the reference frame, px; NaN unregistered."""
    middle = complex((shape[1] - 1) / 2, (shape[0] - 1) / 2)
    places = np.full(len(registrations), complex("nan+nanj"))
    for k, r in enumerate(registrations):
        if r is not None and r.ok:
            places[k] = r(middle)
    return places.real, places.imag


def _when(night: Night, index: int) -> tuple:
    start = night.frames[index].facts.start_unix
    return (start is None, start or 0.0, index)


def _times(frames: Sequence[Frame], exposure_s: float | None) -> np.ndarray:
    times = np.array([_number(f.facts.mid_unix or f.facts.start_unix) for f in frames])
    known = np.isfinite(times)
    if known.all():
        return times
    if 2 * known.sum() > len(frames):
        # Frames without a time come last, in the order of their names.
        behind = float(exposure_s or 1.0) * np.arange(1, 1 + np.count_nonzero(~known))
        times[~known] = times[known].max() + behind
        return times
    return np.arange(len(frames)) * float(exposure_s or 1.0)


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)
