"""A trail that all stars share because the mount followed a moving target.

Stated by the user, or seen in the frames: most are stretched alike and little else, none lacks
that, and the field drifts from frame to frame by as much an exposure, along the same line, or
cannot be seen to.  A mount that drifts unguided does the same; then only the record, or else the
observer, knows which it was.  Either way the frames differ in nothing, so they are judged on
what is left without the common trail (`subgrade.judging.followed_target`).

How the field goes by over a group's whole run, from the registration of its frames.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.axes import axial_difference, axial_median
from subgrade.constants import FWHM_PER_SIGMA, MEDIAN_ERROR
from subgrade.night.model import Night
from subgrade.night.series import GroupSeries
from subgrade.robust import geometric_median
from subgrade.stars.motion import plain_box, read_box, turned

ALIKE, LACKING = 0.5, 0.2
"""Least share of the frames that are drawn out alike and little else, and largest share that may
be round; no source."""
PLAIN = 0.7
"""Eccentricity of a shared trail that nobody takes for round stars: where the field is not seen to
go by, only such a one counts; as ``roundness.ceiling``."""
SHORTEST_WIDTHS = 0.6
"""Trails shorter than so many star widths are left to the ordinary limits; no source."""
AGREES = 0.3
"""How far the usual elongation may lie from what the creep draws, relative; no source."""
DIFFERS, ROUGH = 0.3, 0.3
"""How far one frame's may lie from the usual, relative to it and to the star; no source."""


@dataclass(frozen=True, slots=True)
class ExpectedMotion:
    """What the user expects of the target that the mount followed.

    Attributes
    ----------
    rate_arcsec_per_h : float
    pa_deg : float
        Direction of its motion, east of north.
    """

    rate_arcsec_per_h: float
    pa_deg: float


@dataclass(frozen=True, slots=True)
class ExpectedTrail:
    """The trail common to a group's frames.

    Attributes
    ----------
    group : int
        Index into ``Night.groups``.
    length_px, angle_deg : float
        Of the middle frame.
    asked : bool
        By the user; else seen in the frames.
    trails : tuple of (int, float, float)
        Index into ``Night.frames``, length in px and axis in deg, for every member.
    alike : tuple of int
        Indices of the frames that show it and little else; empty where nobody looked.
    crept : bool or None
        Whether the field goes by from frame to frame as the stars are drawn; None unknown.
    """

    group: int
    length_px: float
    angle_deg: float
    asked: bool
    trails: tuple[tuple[int, float, float], ...]
    alike: tuple[int, ...] = ()
    crept: bool | None = None


def _lean(series: GroupSeries) -> tuple[np.ndarray, float]:
    """Elongation (xx - yy) + 2i xy of each frame on the reference, and the usual star's variance"""
    turn = np.exp(2j * np.radians(np.nan_to_num(series["rotation_deg"])))
    lean = series["xx"] - series["yy"] + 2j * series["xy"]
    narrow = (series["xx"] + series["yy"] - np.abs(lean)) / 2
    return lean * turn, float(np.nanmedian(narrow)) if np.isfinite(narrow).any() else float("nan")


def star_at_rest(night: Night, trail: ExpectedTrail) -> float:
    """Usual variance across the trail, px^2."""
    across = []
    for index, _, angle in trail.trails:
        if trail.alike and index not in trail.alike:
            continue
        stars = night.frames[index].stars
        across.append(turned(stars.xx, stars.yy, stars.xy, angle)[1])
    return float(np.nanmedian(across)) if np.isfinite(across).any() else 1.0


def image_axis(
    sky_axes: tuple[tuple[float, float], tuple[float, float]] | None, pa_deg: float
) -> float:
    """Axis in the image of a position angle.

    Parameters
    ----------
    sky_axes : tuple or None
        As ``HeaderFacts.sky_axes``.
    pa_deg : float

    Returns
    -------
    float
        Degrees counter-clockwise from +x, in [0, 180); NaN where the orientation is unknown.
    """
    if sky_axes is None:
        return float("nan")
    t = math.radians(pa_deg)
    try:
        x, y = np.linalg.solve(np.array(sky_axes, dtype=float), [math.sin(t), math.cos(t)])
    except np.linalg.LinAlgError:
        return float("nan")
    return math.degrees(math.atan2(y, x)) % 180.0


def leaning_axis(series: GroupSeries) -> float:
    """Axis on the reference along which the frames are drawn out, from the median moments."""
    lean, _ = _lean(series)
    lean = lean[np.isfinite(lean)]
    if not len(lean):
        return float("nan")
    common = complex(np.median(lean.real), np.median(lean.imag))
    return math.degrees(0.5 * math.atan2(common.imag, common.real)) % 180.0


@dataclass(frozen=True, slots=True)
class _Shared:
    """The elongation that most frames have: its value, and which frames have little else."""

    lean: complex
    star: float
    alike: np.ndarray

    @property
    def length_px(self) -> float:
        """Of the even trail that draws a star so."""
        return math.sqrt(12 * float(plain_box(abs(self.lean), self.star)))

    @property
    def angle_deg(self) -> float:
        return math.degrees(0.5 * math.atan2(self.lean.imag, self.lean.real)) % 180.0

    @property
    def eccentricity(self) -> float:
        return math.sqrt(abs(self.lean) / (abs(self.lean) + self.star))

    def apart(self, length_px: float, angle_deg: float) -> float:
        """How far the end of another trail lies from this one's, px."""
        off = math.radians(axial_difference(angle_deg, self.angle_deg))
        return abs(length_px * complex(np.exp(1j * off)) - self.length_px)

    def of(self, length_px: float, angle_deg: float) -> complex:
        """Elongation that a trail draws."""
        drawn = float(read_box(length_px**2 / 12, self.star))
        return drawn * complex(np.exp(2j * math.radians(angle_deg)))


def _shared(series: GroupSeries) -> _Shared | None:
    """What most frames are drawn by, if hardly one is round.

    A drift on top of the trail turns the line and changes its length, and seldom undoes it.  Where
    many frames are round the others have a fault, and no trail that all frames share.
    """
    lean, star = _lean(series)
    known = np.isfinite(lean)
    if known.sum() < FEWEST or not star > 0:
        return None
    common = geometric_median(lean[known])
    for _ in range(3):
        alike = np.abs(lean - common) < DIFFERS * abs(common) + ROUGH * star
        if alike.sum() < max(FEWEST, ALIKE * known.sum()):
            return None
        mine = lean[alike]
        common = complex(np.median(mine.real), np.median(mine.imag))
        rest = (series["xx"] + series["yy"] - np.abs(lean)) / 2
        star = float(np.nanmedian(rest[alike]))
    lacking = ~alike & known & (np.abs(lean) < 0.5 * abs(common))
    if lacking.sum() > LACKING * known.sum() or not star > 0:
        return None
    return _Shared(common, star, alike)


def seen_trail(number: int, series: GroupSeries, creep: Creep | None) -> ExpectedTrail | None:
    """The trail that most frames show, with whether the field's creep agrees.

    Only one that is plain to the eye where it does not, or cannot be known.

    Parameters
    ----------
    number : int
        Of the group, in ``Night.groups``.
    series : GroupSeries
    creep : Creep or None
    """
    shared = _shared(series)
    if shared is None:
        return None
    if shared.length_px < SHORTEST_WIDTHS * FWHM_PER_SIGMA * math.sqrt(shared.star):
        return None
    crept = _creeps_along(series, shared, creep)
    if not crept and shared.eccentricity < PLAIN:
        return None
    turn = np.nan_to_num(series["rotation_deg"])
    trails = tuple(
        (i, shared.length_px, float(a))
        for i, a in zip(series.members, (shared.angle_deg - turn) % 180.0, strict=True)
    )
    middle = axial_median(np.array([a for _, _, a in trails]))
    alike = tuple(i for i, same in zip(series.members, shared.alike, strict=True) if same)
    return ExpectedTrail(number, shared.length_px, middle, False, trails, alike, crept)


def _creeps_along(series: GroupSeries, shared: _Shared, creep: Creep | None) -> bool | None:
    """Whether the field goes by as the stars are drawn; None where the frames cannot tell.

    Over the whole run, and from frame to next frame among those that are alike: faults shift the
    field for good and affect the one, dithers the other.
    """
    known = [
        c for c in (creep if creep and creep.straight else None, _stepwise(series, shared)) if c
    ]
    agrees, differs = [], []
    for one in known:
        off = abs(shared.of(one.length_px, one.angle_deg) - shared.lean) / abs(shared.lean)
        # an error of a length counts twice in its square
        slack = min(2 * one.error_px / max(one.length_px, shared.length_px), 0.5 * AGREES)
        agrees.append(one.length_px > 5 * one.error_px and off < AGREES + slack)
        apart = shared.apart(one.length_px, one.angle_deg)
        differs.append(apart > 4 * one.error_px and off > AGREES)
    if any(agrees):
        return True
    return False if any(differs) else None


def _stepwise(series: GroupSeries, shared: _Shared) -> Creep | None:
    """The creep in one exposure from steps between neighbours that are both drawn alike."""
    exposure = series.group.exposure_s
    if not exposure:
        return None
    place, time = series["dx"] + 1j * series["dy"], series["time"]
    side = np.cos(np.radians(series["rotation_deg"])) < 0
    both = shared.alike[1:] & shared.alike[:-1] & (side[1:] == side[:-1]) & (np.diff(time) > 0)
    rate = exposure * np.diff(place)[both] / np.diff(time)[both]
    rate = rate[np.isfinite(rate)]
    if len(rate) < FEWEST - 1:
        return None
    step = geometric_median(rate)
    # The median distance of a round normal cloud is 1.1774 sigma [derived].
    scatter = float(np.median(np.abs(rate - step))) / 1.1774
    error = MEDIAN_ERROR * scatter / math.sqrt(len(rate))
    return Creep(abs(step), error, float(np.degrees(np.angle(step)) % 180.0), True)


FEWEST = 6
"""Frames from which a common trail can be distinguished from chance; no source."""
BENT = 0.25
"""How far the two halves of a run may differ in their creep, relative; no source."""


@dataclass(frozen=True, slots=True)
class Creep:
    """How the field goes by from frame to frame, on the reference frame.

    Attributes
    ----------
    length_px, error_px : float
        Way in one exposure, and one sigma.
    angle_deg : float
        Its axis in [0, 180).
    straight : bool
        Whether both halves of the run agree.
    """

    length_px: float
    error_px: float
    angle_deg: float
    straight: bool


def creep_of(series: GroupSeries) -> Creep | None:
    """How far the field goes in one exposure, from the registration of all frames.

    A line through the places with a level of its own on either side of the pier; the slope
    is the median of the slopes between frames, so that dithers only scatter it.

    Returns
    -------
    Creep or None
        None with too few registered frames.
    """
    place, time = series["dx"] + 1j * series["dy"], series["time"]
    side = np.cos(np.radians(series["rotation_deg"])) < 0
    good = np.isfinite(place) & np.isfinite(time)
    exposure = series.group.exposure_s
    if good.sum() < FEWEST or not exposure or not np.ptp(time[good]) > 0:
        return None
    place, time, side = place[good], time[good], side[good]
    slope, error = _slope(time, place, side)
    middle = np.median(time)
    parts = [_slope(time[h], place[h], side[h]) for h in (time <= middle, time > middle)]
    apart = abs(parts[0][0] - parts[1][0])
    straight = apart < max(4 * math.hypot(parts[0][1], parts[1][1]), BENT * abs(slope))
    return Creep(
        exposure * abs(slope),
        exposure * error,
        float(np.degrees(np.angle(slope)) % 180.0),
        bool(straight),
    )


def _slope(time: np.ndarray, place: np.ndarray, side: np.ndarray) -> tuple[complex, float]:
    """Median slope (px/s) between frames on one side of the pier, and its error."""
    i, j = np.triu_indices(len(time), 1)
    use = (side[i] == side[j]) & (time[i] != time[j])
    if not use.any():
        return 0j, math.inf
    each = (place[j] - place[i])[use] / (time[j] - time[i])[use]
    slope = complex(np.median(each.real), np.median(each.imag))
    rest, span = place - slope * time, 0.0
    for p in np.unique(side):
        mine = side == p
        rest[mine] -= complex(np.median(rest[mine].real), np.median(rest[mine].imag))
        span += float(np.sum((time[mine] - time[mine].mean()) ** 2))
    scatter = math.sqrt(float(np.mean(np.abs(rest) ** 2)) / 2)
    # Frames between two dithers share one: half as many count.
    return slope, math.sqrt(2) * scatter / math.sqrt(span) if span > 0 else math.inf
