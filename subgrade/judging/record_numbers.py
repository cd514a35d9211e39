"""What the guiding record shows of an oval frame's motion: its kind, its axis, what it explains.

The record never rejects a frame; the image does.  It shows which motion the guide star made,
and a motion that it did not see points at what it cannot see.
"""

from __future__ import annotations

import math

import numpy as np

from subgrade.figures import figure
from subgrade.guiding.model import ExposureGuiding, PathFit, PathMember
from subgrade.judging.features import (
    CORRECTED,
    DEC_DRIFT,
    DITHER_BEFORE,
    EXPLAINED,
    FIELD_AND_GUIDE_STAR,
    GAIN,
    GUIDING_ERROR,
    ONE_SIDED,
    OVERSHOOT,
    OWN_BEAT_RA,
    OWN_DRIFT_DEC,
    OWN_RA,
    RA_SHARE,
    RECORDED_MOTION,
    REVERSAL,
    STAR_MISSING,
    SWING_PERIOD,
    UNSETTLED,
)
from subgrade.judging.guided_series import GuidedSeries
from subgrade.judging.likelihoods import Number
from subgrade.judging.limits import Limits
from subgrade.judging.record_events import COVERED, cadence, noise_floor, quiet_text
from subgrade.judging.star_numbers import step_from

NOTHING = 0.0005
"""Share of the elongation below which guiding explains none of it: what would read 0.0%."""
RA, DEC, ACROSS = " in RA", " in Dec", " across both axes"
ONE_AXIS = (0.7, 0.85)
"""Share of the motion along one axis from which it is less and less across both; a choice."""
QUICK_CYCLES = (9.0, 14.0)
"""Periods, in guide cycles, between which a swing goes from what a guide loop makes to what moves
the mount: a loop that answers a cycle late swings in six (derived), with slack longer."""
EARLY = (0.1, 0.2)
"""Share of the exposure by when what a dither left over has shown; a choice."""
PLAIN = {"knock": "a knock", "settling": "settling from a start away from its place"}
BY_AXIS = {
    "ramp": "a steady drift",
    "to_and_fro": "moving back and forth at the guide cycle",
    "irregular": "irregular motion",
}


def record_numbers(series: GuidedSeries, position: int, limits: Limits) -> list[Number]:
    """The numbers of the guiding record that help to name one frame's motion.

    Returns
    -------
    list of Number
        Empty without samples inside the exposure.
    """
    inside = series.exposure(position)
    if inside is None:
        return []
    path = series.path(position)
    return [
        *_explained(series, position, inside, limits),
        *_kind(series, position, inside, path),
        *_loop(inside, path, limits),
        *_own_motion(series, position),
        *_excursion_and_field(series, position, path),
        *_axes(series, inside),
        *_one_way(series, inside),
        *_interruptions(series, position, inside, path),
    ]


def share_seen(series: GuidedSeries, position: int) -> float:
    """Measured elongation that the recorded motion explains, a ratio of variances.

    The elongation (xx - yy) + 2i xy of the star and of the recorded motion are compared
    along the star's long axis, or by size alone where the camera's angle is unknown.
    NaN where either is missing.
    """
    inside, expected = series.exposure(position), series.prediction(position)
    measured = complex(series["xx"][position] - series["yy"][position], 2 * series["xy"][position])
    if inside is None or not abs(measured) > 0:
        return float("nan")
    if expected is not None and np.isfinite(expected.predicted).all():
        xx, yy, xy = expected.predicted
        return (complex(xx - yy, 2 * xy) * measured.conjugate()).real / abs(measured) ** 2
    scale = series.scale_arcsec
    if not (scale and np.isfinite(inside.moments).all()):
        return float("nan")
    ra, dec, cross = inside.moments
    return abs(complex(ra - dec, 2 * cross)) / scale**2 / abs(measured)


def _explained(series, position, inside: ExposureGuiding, limits: Limits) -> list[Number]:
    seen = share_seen(series, position)
    if not (math.isfinite(seen) and inside.coverage >= COVERED):
        return []
    # A throw that was soon over counts more in the record than in the stars' core.
    share = "all" if seen > 1 else "none" if seen < NOTHING else figure(100 * seen, "%")
    text = (
        f"guiding explains {share} of the stars' elongation (RMS RA {figure(inside.rms_ra, '″')}, "
        f"Dec {figure(inside.rms_dec, '″')})"
    )
    return [Number(EXPLAINED, text, seen, value=min(seen, 1.0), limit=limits.guiding.seen_share)]


def _kind(
    series: GuidedSeries, position: int, inside: ExposureGuiding, path: PathFit | None
) -> list[Number]:
    """What moved the guide star, by the fit of its path."""
    if path is None or inside.coverage < 0.5 or path.samples < 6:
        return []
    axes = series.guiding.record.axes == "ra_dec"
    likelihood: dict[str, float] = {}
    for member in path.members:
        if member.name == "star_missing" or not member.share > 0:
            continue
        prior = 3.5 if member.name == "nothing" else 0.5
        # As the fit weighed it, nothing is seven times as common as each motion.
        for kind, part in _kinds_of(member, series, axes).items():
            likelihood[kind] = likelihood.get(kind, 0.0) + part * member.share / prior
    best = max(path.members, key=lambda m: m.share)
    if best.name == "star_missing" or not likelihood:
        return []
    text = f"the guide star shows {_in_words(best, series)} ({figure(100 * best.share, '%')})"
    return [
        Number(
            RECORDED_MOTION,
            text,
            kinds=likelihood,
            value=100 * best.share,
            named=max(likelihood, key=likelihood.get),
        )
    ]


def _kinds_of(member: PathMember, series: GuidedSeries, axes: bool) -> dict[str, float]:
    """A member of the fit as kinds of ``clues.toml``, with what each holds of it."""
    if member.name == "nothing":
        return {"rest": 1.0}
    if member.name == "knock":
        return {"knock": 1.0}
    if member.name in ("step", "settling"):
        exposure = series.group.exposure_s or math.nan
        late = _between(member.when_s / exposure, EARLY) if exposure > 0 else 0.5
        return {f"early {member.name}": 1.0 - late, member.name: late}
    along = _axes_of(member.ra_share) if axes else dict.fromkeys((RA, DEC, ACROSS), 1.0)
    if member.name != "swing":
        name = member.name.replace("_", " ")
        return {f"{name}{axis}": part for axis, part in along.items()}
    cycles = member.period_s / max(cadence(series), 1e-6)
    slow = _between(cycles, QUICK_CYCLES)
    return {
        f"{pace} swing{axis}": part * share
        for axis, part in along.items()
        for pace, share in (("quick", 1.0 - slow), ("slow", slow))
    }


def _axes_of(ra_share: float) -> dict[str, float]:
    if not math.isfinite(ra_share):
        return dict.fromkeys((RA, DEC, ACROSS), 1.0)
    right, up = _between(ra_share, ONE_AXIS), _between(1.0 - ra_share, ONE_AXIS)
    return {RA: right, DEC: up, ACROSS: 1.0 - right - up}


def _between(value: float, ends: tuple[float, float]) -> float:
    """0 below the one, 1 above the other, in between in proportion; a half where unknown."""
    if not math.isfinite(value):
        return 0.5
    return float(np.interp(value, ends, (0.0, 1.0)))


def _in_words(member: PathMember, series: GuidedSeries) -> str:
    if member.name == "nothing":
        return "no motion beyond its noise"
    size = f" of {figure(member.size, '″')}" if math.isfinite(member.size) else ""
    when = f", {figure(member.when_s, 's')} into the exposure" if member.when_s >= 0 else ""
    if member.name in PLAIN:
        return f"{PLAIN[member.name]}{size}{when}"
    if member.name == "step":
        return f"a step{size}{when}"
    share = member.ra_share
    where = RA if share > 0.8 else DEC if share < 0.2 else ""
    where = where if series.guiding.record.axes == "ra_dec" else ""
    if member.name == "swing":
        return f"a swing{size} with a period of {figure(member.period_s, 's')}{where}"
    return f"{BY_AXIS[member.name]}{size}{where}"


def _loop(inside: ExposureGuiding, path: PathFit | None, limits: Limits) -> list[Number]:
    """How the guide loop answers in right ascension."""
    found = []
    if math.isfinite(inside.lag1_ra):
        text = (
            f"successive RA errors have a correlation of {figure(inside.lag1_ra)} (below 0 they "
            "reverse from sample to sample, near 1 they change slowly)"
        )
        found.append(Number(REVERSAL, text, inside.lag1_ra, limit=limits.guiding.reversal))
    if math.isfinite(inside.overshoot):
        text = (
            f"{figure(100 * inside.overshoot, '%')} of the RA corrections overshot by more than "
            "half the error"
        )
        found.append(Number(OVERSHOOT, text, inside.overshoot, limit=limits.guiding.overshoot))
    if path is not None and math.isfinite(path.gain_ra):
        text = f"RA corrections take back {figure(100 * path.gain_ra, '%')} of the error at a time"
        found.append(Number(GAIN, text, path.gain_ra))
    return found


def _own_motion(series: GuidedSeries, position: int) -> list[Number]:
    """What the mount did by itself: nothing, where the corrections made the motion."""
    mount, floor = series.mount(position), noise_floor(series)
    if mount is None or not floor > 0 or series.guiding.record.axes != "ra_dec":
        return []
    found = []
    if mount.left_ra > 1.3 * floor:
        ratio = mount.own_ra / mount.left_ra
        text = (
            f"without its corrections RA would have moved by {figure(mount.own_ra, '″')} RMS, "
            f"where {figure(mount.left_ra, '″')} were left"
        )
        found.append(Number(OWN_RA, text, math.log2(max(ratio, 1e-3)), value=mount.own_ra))
        text = (
            "at the period of the swing the mount itself moved by "
            f"{figure(100 * mount.beat_ra, '%')} of what was left"
        )
        place = math.log2(max(mount.beat_ra, 1e-3))
        found.append(Number(OWN_BEAT_RA, text, place, value=mount.beat_ra))
    drift = abs(mount.drift_dec)
    text = f"without its corrections Dec would have drifted by {figure(drift, '″')}"
    size = drift / (floor * math.sqrt(12))
    return [*found, Number(OWN_DRIFT_DEC, text, math.log2(max(size, 0.1)), value=drift)]


def _excursion_and_field(series: GuidedSeries, position: int, path: PathFit | None) -> list[Number]:
    """Did the field move as far as the guide star had to go?

    A dither takes the field along; a knock or a bump that was guided out leaves it where it was.
    """
    step, scale = step_from(series, position, -1), series.scale_arcsec
    if path is None or step is None or not scale > 0:
        return []
    best = max((path[m] for m in ("knock", "settling", "step")), key=lambda m: m.share)
    if not (best.share > 0.2 and best.size > 0):
        return []
    moved = abs(step) * scale
    text = (
        f"the guide star went {figure(best.size, '″')}, and the field lies {figure(moved, '″')} "
        "from where the previous frame had it"
    )
    ratio = math.log2(max(moved / best.size, 1e-2))
    return [Number(FIELD_AND_GUIDE_STAR, text, ratio, value=moved, usual=best.size)]


def _axes(series: GuidedSeries, inside: ExposureGuiding) -> list[Number]:
    """In which axis is the motion beyond the level of the quiet stretches, how far, how fast?"""
    floor = noise_floor(series)
    found = []
    if inside.peak > 0:
        text = f"the largest guiding error is {figure(inside.peak, '″')}{quiet_text(floor)}"
        found.append(
            Number(GUIDING_ERROR, text, math.log2(inside.peak), value=inside.peak, usual=floor)
        )
    beyond = [max(rms**2 - floor**2, 0.0) for rms in (inside.rms_ra, inside.rms_dec)]
    whole = sum(beyond)
    if series.guiding.record.axes != "ra_dec" or not whole > 0.6 * floor**2:
        return found
    share = beyond[0] / whole
    text = (
        f"{figure(100 * share, '%')} of the guiding error beyond the quiet-stretch RMS of "
        f"{figure(floor, '″')} is in RA (RMS RA {figure(inside.rms_ra, '″')}, Dec "
        f"{figure(inside.rms_dec, '″')})"
    )
    found.append(Number(RA_SHARE, text, share))
    period, worm = inside.period_s, series.guiding.worm_period_s
    if math.isfinite(period) and cadence(series) > 0:
        text = f"RA oscillates with a period of {figure(period, 's')}"
        known = math.isfinite(worm)
        text += f" (worm {figure(worm, 's')})" if known else ""
        cycles = math.log2(period / cadence(series))
        found.append(
            Number(SWING_PERIOD, text, cycles, value=period, usual=worm if known else None)
        )
    return found


def _one_way(series: GuidedSeries, inside: ExposureGuiding) -> list[Number]:
    """Corrections that go one way, and a drift in declination left uncorrected."""
    found, exposure = [], series.group.exposure_s
    if series.guiding.record.axes != "ra_dec":
        return found
    if math.isfinite(inside.one_sided_dec):
        text = f"{figure(100 * inside.one_sided_dec, '%')} of the Dec corrections go the same way"
        found.append(Number(ONE_SIDED, text, inside.one_sided_dec))
    if exposure and math.isfinite(inside.drift_dec) and inside.rms_dec > 0:
        length = abs(inside.drift_dec) * exposure / 60.0
        # A box of length L has variance L^2 / 12 [derived].
        share = min(length**2 / 12 / inside.rms_dec**2, 1.0)
        text = (
            f"Dec drifted by {figure(length, '″')} during the exposure, {figure(100 * share, '%')} "
            "of its recorded variance"
        )
        share *= min(length / max(2 * noise_floor(series), 1e-9), 1.0)
        found.append(Number(DEC_DRIFT, text, share, value=length))
    return found


def _interruptions(
    series: GuidedSeries, position: int, inside: ExposureGuiding, path: PathFit | None
) -> list[Number]:
    """Dithers that were not settled, and time without a guide star."""
    found, exposure = [], series.group.exposure_s
    if not exposure:
        return found
    text = (
        f"guide star missing for {figure(inside.lost_s, 's')} of the {figure(exposure, 's')} "
        "exposure"
    )
    share = inside.lost_s / exposure
    found.append(Number(STAR_MISSING, text, math.sqrt(share), value=inside.lost_s))
    floor, overlap = noise_floor(series), inside.settle_overlap_s
    if overlap > 0:
        # What threw the star out after it had come home was not the dither.
        own = inside.unsettled_peak if math.isfinite(inside.unsettled_peak) else inside.peak
        text = (
            f"a dither or its settling took {figure(overlap, 's')} of the exposure, with errors up "
            f"to {figure(own, '″')}{quiet_text(floor)}"
        )
        if floor > 0 and own > 0:
            found.append(Number(UNSETTLED, text, math.log2(own / floor), value=overlap))
    since = series.since_dither(position)
    if math.isfinite(since):
        text = f"the record moves its reference {figure(since, 's')} before the exposure"
        if since < 0:
            text = f"the record moves its reference {figure(-since, 's')} into the exposure"
        place = math.copysign(math.log2(1.0 + abs(since)), since)
        found.append(Number(DITHER_BEFORE, text, place, value=since))
    if path is not None:
        excursion = [path["knock"], path["settling"]]
        best = max(excursion, key=lambda m: m.share)
        if best.share > 0.5 and math.isfinite(best.corrected_share):
            text = (
                f"corrections made up {figure(100 * best.corrected_share, '%')} of the guide "
                "star's way home"
            )
            found.append(Number(CORRECTED, text, best.corrected_share))
    return found
