"""How the field went by and turned on the sensor from frame to frame, dithers and flips apart.

A guided mount holds one star: what is left of a drift is small, and the field turns about it.  A
mount left to itself lets the whole sky turn over the sensor as one rigid body.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from subgrade.constants import SIDEREAL_RATE
from subgrade.diagnosis.night_view import NightView
from subgrade.night import NIGHT_GAP_S, fullest_night, handedness
from subgrade.robust import robust_line, scatter

ARCMIN = math.pi / 10800.0
POLAR_RATE = SIDEREAL_RATE * 60.0 * ARCMIN
"""Greatest drift, arcsec a minute, of a pole 1 arcmin off: 0.2625."""
JUMP_SIGMAS = 6.0
"""A step of the turn this far from the others is no matter of the pole: a choice."""
SHORTEST_S = 600.0
"""Time over which a turn is worth measuring: a choice."""
FEWEST = 5
"""Frames from which a drift or a turn can be measured: a choice."""
BENT = 0.6
"""How far the drifts of the night's halves may lie apart, relative: periodic error bends them."""
ALONG = 0.9
"""Largest correlation of neighbouring places that is allowed for: a choice."""
KINDS = ("measured", "trailed")
"""States of the star shapes in which a frame's star places can be trusted."""


@dataclass(frozen=True, slots=True)
class Turn:
    """Turn of the field of some frames, radians, counter-clockwise on the sensor.

    Attributes
    ----------
    hour : ndarray, shape (n,)
        Hour angle, radians; NaN unknown.
    time : ndarray, shape (n,)
        Seconds.
    angle : ndarray, shape (n,)
    part : ndarray of int, shape (n,)
        Frames of one part share a zero.
    dec : float
        Declination, radians; NaN unknown.
    hand : int
        +1 where north through east is counter-clockwise on the sensor, -1 mirrored, 0 unknown.
    guided : bool
        Whether a star in the field was held in right ascension.
    """

    hour: np.ndarray
    time: np.ndarray
    angle: np.ndarray
    part: np.ndarray
    dec: float
    hand: int
    guided: bool = True

    @property
    def factor(self) -> float:
        """Turn over that of the same pole about the celestial equator: 1/cos or cos of Dec."""
        return 1.0 / math.cos(self.dec) if self.guided else math.cos(self.dec)


@dataclass(frozen=True, slots=True)
class Path:
    """Way of the field's middle over the sensor, arcsec in the axes of the reference frame.

    Attributes
    ----------
    hour, time : ndarray, shape (n,)
        Hour angle, radians, NaN unknown; seconds.
    x, y : ndarray, shape (n,)
        Where the stars have gone to.
    run : ndarray of int, shape (n,)
        Frames that no dither and no flip parts.
    undithered : bool
        False where dithers part nearly all frames, so that runs are only sides of the pier.
    axes : tuple or None
        East and north, each as its part along x and y; None where no header states them.
    """

    hour: np.ndarray
    time: np.ndarray
    x: np.ndarray
    y: np.ndarray
    run: np.ndarray
    undithered: bool
    axes: tuple[tuple[float, float], tuple[float, float]] | None

    def on_sky(self) -> tuple[np.ndarray, np.ndarray] | None:
        """(east, north), arcsec; None where the orientation is unknown."""
        if self.axes is None:
            return None
        return tuple(a[0] * self.x + a[1] * self.y for a in self.axes)


@dataclass(frozen=True, slots=True)
class Speed:
    """Steady drift, arcsec a minute: along x and y, its size and one sigma of it.

    ``straight`` where the halves of the night agree; ``scatter`` is that of the places about the
    drift within runs, arcsec, along the line on which they scatter most, and ``beside`` across it;
    NaN where dithers part nearly all frames.
    """

    x: float
    y: float
    size: float
    error: float
    straight: bool
    scatter: float
    beside: float


def largest_group(view: NightView) -> int:
    """Number of the group with most frames."""
    groups = view.night.groups
    return max(range(len(groups)), key=lambda g: len(groups[g].members))


def _followed(view: NightView) -> list[int]:
    """Registered frames of the largest group, of the night with most frames, in order of time."""
    if not view.night.groups:
        return []
    time, main = middle_of(view), main_night(view)
    members = view.night.groups[largest_group(view)].members
    return [
        i
        for i in sorted(members, key=lambda i: time[i])
        if (r := view.night.compared[i].registration) is not None
        and r.ok
        and main[i]
        and view.night.frames[i].stars.shape_status in KINDS
    ]


def field_turn(view: NightView, guided: bool = True, shortest_s: float = SHORTEST_S) -> Turn | None:
    """Turn of the largest group's field on the sensor; None where it cannot be known."""
    members, time = _followed(view), middle_of(view)
    if len(members) < FEWEST:
        return None
    largest = largest_group(view)
    facts = view.night.frames[view.night.groups[largest].reference].facts
    rotation = np.radians([view.night.compared[i].registration.rotation_deg for i in members])
    flipped = np.cos(rotation) < 0
    # The transform turns frame onto reference; the stars turned the other way.
    angle = -np.unwrap(rotation, period=np.pi)
    part = np.r_[0, np.cumsum(flipped[1:] != flipped[:-1])]
    part = unbroken(angle, part)
    # A part of one frame says nothing.
    many = np.isin(part, [p for p in np.unique(part) if (part == p).sum() > 1])
    if many.sum() < FEWEST or not np.ptp(time[members][many]) > shortest_s:
        return None
    when = time[members][many]
    dec = math.nan if facts.dec_deg is None else math.radians(facts.dec_deg)
    return Turn(
        hours(view, when), when, angle[many], part[many], dec, hand_of(view, largest), guided
    )


def field_path(view: NightView) -> Path | None:
    """Way of the largest group's field over the sensor; None without a scale or enough frames."""
    members, time = _followed(view), middle_of(view)
    if len(members) < FEWEST:
        return None
    reference = view.night.frames[view.night.groups[largest_group(view)].reference]
    scale = reference.facts.scale_arcsec or view.common("scale_arcsec")
    if not scale > 0:
        return None
    fits = [view.night.compared[i].registration for i in members]
    rotation = np.radians([f.rotation_deg for f in fits])
    middle = complex(reference.stars.width - 1, reference.stars.height - 1) / 2
    shift = np.array([complex(f.dx, f.dy) for f in fits])
    size = np.array([f.scale for f in fits])
    # Where the middle of each frame lies on the reference: the stars went the other way.
    place = -(size * np.exp(1j * rotation) * middle + shift) * scale
    side = np.cumsum(np.r_[False, np.diff(np.cos(rotation) < 0)])
    run, undithered = _runs(place, time[members], side, scale)
    return Path(
        hours(view, time[members]),
        time[members],
        place.real,
        place.imag,
        run,
        undithered,
        _unit(reference.facts.sky_axes),
    )


def _unit(axes):
    """East and north on the sensor as parts of one, whatever their unit."""
    if axes is None or not all(math.hypot(*a) > 0 for a in axes):
        return None
    return tuple(tuple(float(v) / math.hypot(*a) for v in a) for a in axes)


def _runs(place: np.ndarray, time: np.ndarray, side: np.ndarray, scale: float):
    """Numbers of the runs between dithers, True; of the sides of the pier where dithers leave
    no runs, False."""
    step = np.diff(place)
    wait = np.maximum(np.diff(time), 1e-3)
    inside = np.diff(side) == 0
    if inside.sum() < 2:
        return side, True
    rate = step / wait
    usual = complex(np.median(rate[inside].real), np.median(rate[inside].imag))
    off = np.abs(step - usual * wait)
    jump = off > max(scale, JUMP_SIGMAS * float(np.median(off[inside])))
    run = np.cumsum(np.r_[False, jump | ~inside])
    long = [r for r in np.unique(run) if (run == r).sum() > 2]
    return (run, True) if np.isin(run, long).mean() > 0.5 else (side, False)


def speed_of(path: Path) -> Speed | None:
    """Steady drift of the field; None where it cannot be had."""
    found = _slopes(path, np.ones(len(path.time), bool))
    if found is None:
        return None
    (x, y), error, left = found
    late = path.time > np.median(path.time)
    halves = [h for mask in (~late, late) if (h := _slopes(path, mask)) is not None]
    size = math.hypot(x, y)
    straight = True
    if len(halves) == 2:
        (first, e1, _), (last, e2, _) = halves
        apart = math.hypot(first[0] - last[0], first[1] - last[1])
        straight = apart < max(4.0 * math.hypot(e1, e2), BENT * size)
    wide = _axes_of(*left) if path.undithered else (math.nan, math.nan)
    return Speed(x, y, size, error, straight, *wide)


def _axes_of(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Robust scatter along the line of most scatter, and across it."""
    angles = np.radians(np.arange(0.0, 180.0, 5.0))
    each = [scatter(x * np.cos(a) + y * np.sin(a)) for a in angles]
    most = int(np.argmax(each))
    return each[most], each[(most + len(angles) // 2) % len(angles)]


def _slopes(path: Path, use: np.ndarray):
    """((x, y), one sigma, what it leaves) of the drift common to all runs, arcsec a minute."""
    if use.sum() < 4:
        return None
    run = path.run[use]
    minutes = about_its_mean((path.time[use] - path.time[use][0]) / 60.0, run)
    free = len(run) - 1 - len(np.unique(run))
    if free < 1:
        return None
    slopes, variances, rest = [], [], []
    for value in (path.x[use], path.y[use]):
        value = about_its_mean(value, run)
        solution, covariance = robust_line(minutes[:, None], value)
        if not np.isfinite(solution[0]):
            return None
        left = value - minutes * solution[0]
        rest.append(left)
        slopes.append(float(solution[0]))
        # The zeros of the runs, taken out beforehand, count as well.
        variances.append(covariance[0, 0] * (len(run) - 1) / free * linked(left, run) ** 2)
    size = math.hypot(*slopes)
    share = [s * s / size**2 if size > 0 else 0.5 for s in slopes]
    error = math.sqrt(sum(s * v for s, v in zip(share, variances, strict=True)))
    return tuple(slopes), error, rest


def linked(left: np.ndarray, run: np.ndarray) -> float:
    """By how much a slope's error grows since neighbouring residuals are alike.

    sqrt((1 + r) / (1 - r)) with r their correlation, for a first-order autoregression
    (Bartlett 1946, from memory); periodic error is such.
    """
    near = np.diff(run) == 0
    total = float(np.mean(left**2))
    if near.sum() < 3 or not total > 0:
        return 1.0
    r = float(np.mean((left[1:] * left[:-1])[near])) / total
    r = min(max(r + 1.0 / len(left), 0.0), ALONG)
    return math.sqrt((1.0 + r) / (1.0 - r))


def turn_rate(turn: Turn) -> tuple[float, float]:
    """Mean rate of the turn, radians an hour-angle radian of sky, and one sigma; NaN unknown."""
    sky = (turn.time - turn.time[0]) * SIDEREAL_RATE * math.pi / 648000.0
    design = np.column_stack([sky, levels(turn.part)])
    solution, covariance = robust_line(design, turn.angle)
    left = turn.angle - design @ solution
    if not np.isfinite(left).all():
        return math.nan, math.nan
    return float(solution[0]), math.sqrt(covariance[0, 0]) * linked(left, turn.part)


def unbroken(angle: np.ndarray, part: np.ndarray) -> np.ndarray:
    """Parts with a new one after every step of the turn that stands out from the others."""
    if len(angle) < 4:
        return part
    step = np.diff(angle)
    inside = np.diff(part) == 0
    if inside.sum() < 3:
        return part
    middle = np.median(step[inside])
    sigma = scatter(step[inside], middle)
    out = inside & (np.abs(step - middle) > JUMP_SIGMAS * max(sigma, 1e-7))
    return part + np.r_[0, np.cumsum(out)]


def about_its_mean(value: np.ndarray, run: np.ndarray) -> np.ndarray:
    """Values less the mean of their run: a zero of its own for each without a column for each."""
    _, number = np.unique(run, return_inverse=True)
    return value - (np.bincount(number, value) / np.bincount(number))[number]


def levels(part: np.ndarray) -> np.ndarray:
    """A column a part, 1 where a row belongs to it."""
    return (part[:, None] == np.unique(part)[None, :]).astype(float)


def hand_of(view: NightView, group: int) -> int:
    """+1 where north through east is counter-clockwise on the sensor, -1 mirrored, 0 unknown.

    From the header's orientation, else from the record's, which holds if it counts the
    star's place east and north.
    """
    axes = view.night.frames[view.night.groups[group].reference].facts.sky_axes
    if (hand := handedness(axes)) is not None:
        return hand
    # The record's hand is +1 where north lies counter-clockwise of east: a mirrored view.
    return -view.guiding.handedness if view.guiding is not None else 0


def hours(view: NightView, unix: np.ndarray) -> np.ndarray:
    """Hour angles, radians, of the pointing nearest in time; NaN unknown."""
    time, site, ra = middle_of(view), view.facts("site_lon_deg"), view.facts("ra_deg")
    known = np.isfinite(time) & np.isfinite(site) & np.isfinite(ra)
    if not known.any() or not len(unix) or not np.isfinite(unix).all():
        return np.full(len(unix), np.nan)
    from subgrade.guiding import hour_angles

    near = np.abs(unix[:, None] - time[known]).argmin(axis=1)
    return np.radians(hour_angles(unix, site[known][near], ra[known][near]))


def main_night(view: NightView) -> np.ndarray:
    """True at the frames of the night that holds most frames."""
    return fullest_night(middle_of(view))


def of_main_night(view: NightView, unix: np.ndarray) -> np.ndarray:
    """Which moments fall into the night with most frames; all where the headers are silent."""
    main = main_night(view)
    if not main.any():
        return np.ones(len(unix), bool)
    around = 0.5 * NIGHT_GAP_S
    return (unix > view.start[main].min() - around) & (unix < view.end[main].max() + around)


def middle_of(view: NightView) -> np.ndarray:
    """Middle of every exposure, POSIX seconds; NaN unknown."""
    return 0.5 * (view.start + view.end)
