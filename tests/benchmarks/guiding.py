"""Lay guiding records of random practice nights against their exposures and count right clocks.

Run from the repository: ``python tests/benchmarks/guiding.py``; two to three minutes.
No pixels are rendered: frame times, record and true motion come from the plan of the night.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from subgrade.guiding.clock_fit import IN_USE, fit_clock
from subgrade.guiding.join import guide_night
from subgrade.lights.model import HeaderFacts
from subgrade.night.model import Frame, FrameCompared, Group, Night
from subgrade.practice import random_scenario
from subgrade.practice.geometry import pixels_per_arcsec
from subgrade.practice.guider import run_guider
from subgrade.practice.motion import main_only_path, mount_path, timeline
from subgrade.practice.night import stream
from subgrade.practice.sky_and_focus import conditions
from subgrade.record.model import GuideEvent, GuideRecord
from subgrade.stars.model import FrameStars


@dataclass(frozen=True, slots=True)
class BareNight:
    """A night without pixels: its exposures (POSIX UTC), true motion and guiding record (UTC)."""

    scenario: object
    start: np.ndarray
    end: np.ndarray
    moments: np.ndarray
    """True motion's (east-east, north-north, east-north) covariance, arcsec^2, shape (n, 3)."""
    record: GuideRecord


def bare_night(scenario, command_lag_s: float | None = None) -> BareNight:
    """Run a scenario's mount and guider, and nothing else.

    ``command_lag_s`` is the time from an exposure's end to the dither's command
    (2 s in the practice nights).
    """
    line = timeline(scenario)
    if command_lag_s is not None:
        previous = np.r_[np.nan, line.end[:-1]]
        between = line.dither < line.begin
        line = replace(line, dither=np.where(between, previous + command_lag_s, line.dither))
    light = np.array([c.light for c in conditions(scenario, line, stream(scenario, "weather"))])
    mount = mount_path(scenario, line, stream(scenario, "mount"))
    guided = run_guider(scenario, line, mount, light, stream(scenario, "guider"))
    path = guided.path + main_only_path(scenario, line)
    moments = []
    for index in range(line.frames):
        covariance = np.cov(path[:, line.span(index)], bias=True)
        moments.append((covariance[0, 0], covariance[1, 1], covariance[0, 1]))
    return BareNight(
        scenario,
        line.origin_unix + line.begin,
        line.origin_unix + line.end,
        np.array(moments),
        record_of(guided.samples, line.origin_unix),
    )


KINDS = (
    ("Dither", "dither"),
    ("Settled", "settle_end"),
    ("Guide star missing", "star_missing"),
    ("Guide star found again", "resume"),
    ("Reference position", "reference_moved"),
)


def record_of(samples, origin: float) -> GuideRecord:
    """The samples of a practice guider as a record on a true UTC clock."""
    table = np.array(
        [
            (
                s.time + origin,
                s.east,
                s.north,
                s.east_pulse_ms,
                s.north_pulse_ms,
                s.brightness,
                s.snr,
            )
            for s in samples
        ]
    ).T
    events = [
        GuideEvent(
            s.time + origin, next((k for word, k in KINDS if r.startswith(word)), "other"), r
        )
        for s in samples
        for r in s.remarks
    ]
    stamp = table[0]
    return GuideRecord(
        "practice",
        "utc",
        *table,
        good=np.isfinite(table[1]),
        section=np.zeros(len(stamp), int),
        sections=((float(stamp[0]), float(stamp[-1])),),
        events=tuple(events),
        columns=(),
    )


def shifted(record: GuideRecord, seconds: float, clock: str) -> GuideRecord:
    """The same record on a clock that is ahead by some seconds."""
    return replace(
        record,
        clock=clock,
        time=record.time + seconds,
        sections=tuple((a + seconds, b + seconds) for a, b in record.sections),
        events=tuple(replace(e, time=e.time + seconds) for e in record.events),
    )


def ovalness(night: BareNight, rng: np.random.Generator) -> np.ndarray:
    """Elongation as a main camera would measure it: true motion and a tenth of arcsec^2 noise."""
    xx, yy, xy = night.moments.T
    noise = 0.1 * rng.standard_normal((2, len(xx)))
    return np.hypot(xx - yy + noise[0], 2 * xy + noise[1])


def night_of(bare: BareNight, rng: np.random.Generator, noise_px2: float = 0.03) -> Night:
    """The night as the main camera would measure it: round seeing, true motion, noise."""
    scenario = bare.scenario
    scale, flip = scenario.scale_arcsec, scenario.plan.flip_before
    seeing = (scenario.air.seeing_arcsec / 2.3548 / scale) ** 2
    frames = []
    for k, (ee, nn, en) in enumerate(bare.moments):
        matrix = pixels_per_arcsec(scenario.camera, scale, bool(flip and k + 1 >= flip))
        image = matrix @ np.array([[ee, en], [en, nn]]) @ matrix.T
        image += seeing * (1.0 + 0.05 * rng.standard_normal()) * np.eye(2)
        image += noise_px2 * np.array([[1, 0], [0, -1]]) * rng.standard_normal()
        image += noise_px2 * np.array([[0, 1], [1, 0]]) * rng.standard_normal()
        stars = FrameStars(
            width=scenario.camera.width,
            height=scenario.camera.height,
            background_adu=1000.0,
            noise_adu=20.0,
            background_map=np.zeros((1, 1)),
            mesh_px=64,
            stars=100,
            stars_snr_limit=20.0,
            xx=float(image[0, 0]),
            yy=float(image[1, 1]),
            xy=float(image[0, 1]),
            moment_error=noise_px2,
            shape_status="measured",
        )
        facts = HeaderFacts(
            exposure_s=float(bare.end[k] - bare.start[k]),
            start_unix=float(bare.start[k]),
            mid_unix=float(0.5 * (bare.start[k] + bare.end[k])),
            ra_deg=scenario.target.ra_deg,
            dec_deg=scenario.target.dec_deg,
            site_lon_deg=scenario.site.longitude_deg,
            scale_arcsec=scale,
        )
        frames.append(Frame(f"light_{k + 1:03d}.fits", "", facts, stars))
    every = tuple(range(len(frames)))
    group = Group("all", None, None, None, (1, 1), (1, 1), every, 0, {})
    return Night(tuple(frames), tuple(FrameCompared(0) for _ in frames), (group,))


@dataclass(frozen=True, slots=True)
class Trial:
    """One night's clock: what it was and what was found."""

    seed: int
    clock: str
    zone: float
    right: bool
    decided: bool
    confidence: float
    residual: float
    cadence: float
    dithers: bool
    how: str


def trial(seed: int, part: bool, random_lag: bool, clock: str = "unknown") -> Trial:
    """Draw a night, put its record on a random clock, fit it.

    ``part`` keeps only a run of the frames, so that the record reaches beyond them.
    """
    rng = np.random.default_rng([seed, 77])
    scenario = random_scenario(seed, frames=24)
    night = bare_night(scenario, float(rng.uniform(0.2, 5.0)) if random_lag else None)
    zone = float(rng.choice(list(IN_USE)))
    skew = float(rng.uniform(-30.0, 30.0))
    # A record that counts from its start has neither zone nor skew, but a start to be found.
    ahead = 3600.0 * zone + skew if clock == "unknown" else -float(night.record.time[0])
    record = shifted(night.record, ahead, clock)
    keep = slice(None)
    if part:
        first = int(rng.integers(0, 9))
        keep = slice(first, first + 14)
    fit = fit_clock(record, night.start[keep], night.end[keep], ovalness(night, rng)[keep])
    residual = fit.add_s + ahead
    right = abs(residual) < 60.0 if clock == "relative" else fit.zone_hours == zone
    return Trial(
        seed,
        clock,
        zone,
        bool(right),
        fit.decided,
        fit.confidence,
        residual,
        night.record.cadence_s,
        scenario.plan.dither_every > 0,
        fit.how,
    )


def report(name: str, trials: list[Trial]) -> str:
    """One paragraph of counts."""
    right = [t for t in trials if t.right]
    off = np.array([abs(t.residual) for t in right])
    within = np.mean([abs(t.residual) <= t.cadence for t in right]) if right else np.nan
    sure = [t for t in trials if t.decided]
    wrong = sum(not t.right for t in sure)
    return (
        f"{name}: {len(right)} of {len(trials)} right ({len(right) / len(trials):.1%}), "
        f"{len(sure)} called decided, {wrong} of these wrong; "
        f"residual median {np.median(off):.2f} s, 95 % {np.quantile(off, 0.95):.2f} s, "
        f"mean with sign {np.mean([t.residual for t in right]):+.2f} s; "
        f"within one cadence {within:.1%}"
    )


def angles(seeds) -> str:
    """How often the night gives the camera's angle, the hand and the worm, and how well."""
    off, hands, worms = [], Counter(), []
    for seed in seeds:
        scenario = random_scenario(seed, frames=24)
        bare = bare_night(scenario)
        found = guide_night(night_of(bare, np.random.default_rng(seed)), [bare.record])
        worms.append(found.worm_period_s / scenario.mount.worm_period_s)
        if found.angle_source != "night":
            continue
        image = pixels_per_arcsec(scenario.camera, 1.0)
        true = np.degrees(np.arctan2(image[1, 0], image[0, 0]))
        miss = (found.camera_angle_deg - true + 90.0) % 180.0 - 90.0
        off.append((abs(miss), abs(miss) / found.camera_angle_error_deg))
        right = found.handedness == np.sign(np.linalg.det(image))
        hands["unknown" if found.handedness == 0 else "right" if right else "wrong"] += 1
    miss, sigmas = np.array(off).T
    close = np.abs(np.array(worms) - 1.0) < 0.02
    return (
        f"camera angle stated in {len(off)} of {len(worms)}, off by {np.median(miss):.1f} deg "
        f"(median), over 3 sigma {int((sigmas > 3).sum())}; hand {dict(hands)}; "
        f"worm within 2 % in {int(close.sum())}"
    )


def main() -> None:
    """Print the counts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=200)
    parser.add_argument("--first-seed", type=int, default=40000)
    parser.add_argument("--wrong", action="store_true", help="list the nights that went wrong")
    options = parser.parse_args()
    seeds = range(options.first_seed, options.first_seed + options.nights)
    for name, part, lag, clock in (
        ("whole night, dither 2 s after the exposure", False, False, "unknown"),
        ("whole night, dither after 0.2 to 5 s", False, True, "unknown"),
        ("14 of 24 frames given, dither after 0.2 to 5 s", True, True, "unknown"),
        ("counting from its start, dither after 0.2 to 5 s", False, True, "relative"),
    ):
        begun = time.perf_counter()
        trials = [trial(seed, part, lag, clock) for seed in seeds]
        print(report(name, trials), f"({time.perf_counter() - begun:.0f} s)", flush=True)
        if options.wrong:
            for t in trials:
                if not t.right or abs(t.residual) > 2 * t.cadence:
                    print("   ", t)
    print(angles(seeds[:80]))


if __name__ == "__main__":
    main()
