"""Judge nights of strong optics, turned fields and followed targets, and print what came out.

Run from the repository: ``python tests/benchmarks/field.py [optics|turned|followed ...]``; about
20 seconds a night.  Nights are simulated with known optics, turns and rates:

- optics: tilt, astigmatism and coma that make corners oval; how many good frames are rejected,
  whether the remark is given, how the frames that were moved fared;
- turned: turn and centre against the truth, in units of their stated errors;
- followed: a comet's night at trails of 1.5, 3 and 8 star widths, with the user's rate and without,
  with the camera's orientation in the header and without.
"""

from __future__ import annotations

import csv
import os
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from subgrade import pipeline
from subgrade.judging import ExpectedMotion, follow, judge_night, load_limits
from subgrade.night.field_pattern import split_field
from subgrade.night.series import group_series
from subgrade.practice import Event, build_night, simulate_night
from subgrade.practice.exposure import shape_at
from subgrade.practice.night import exposure_of
from subgrade.practice.scenario import Camera, Guider, Mount, Optics, Plan, Scenario

WIDTH, HEIGHT = 900, 720
WIDTH_ARCSEC = 2.6
"""Star width of these nights without a trail."""
MOVED = (
    Event("wind_trail", 5, 6, size=11.0, angle_deg=20.0, at=0.2, duration_s=45.0),
    Event("flexure", 12, 13, size=6.0, angle_deg=75.0),
)


@dataclass(frozen=True, slots=True)
class Measured:
    """A simulated night, measured, with its truth by frame name."""

    scenario: Scenario
    night: object
    guiding: object
    truth: dict[str, dict[str, str]]


def measured(scenario: Scenario) -> Measured:
    """Render, measure, compare and join one night."""
    with tempfile.TemporaryDirectory() as folder:
        lights = Path(folder) / "night"
        simulate_night(lights, scenario)
        record = (str(lights / "guiding.csv"),) if scenario.record.write else ()
        settings = pipeline.Settings(
            (str(lights),), str(Path(folder) / "out"), workers=1, guide=record
        )
        silent = pipeline.Progress()
        found = pipeline.find(settings)
        night = pipeline.compare(pipeline.measure(found, settings, silent), found)
        records = pipeline.read_records(settings, silent)
        guiding = pipeline.join(night, records, settings, silent).usable
        with (lights / "truth.csv").open() as rows:
            truth = {row["frame"]: row for row in csv.DictReader(rows)}
    return Measured(scenario, night, guiding, truth)


def counts(night: Measured, verdicts) -> str:
    """Good frames rejected and faulty frames kept, of the plain ones."""
    plain = [v for v in verdicts if night.truth[v.frame]["sure"] == "yes"]
    good = [v for v in plain if night.truth[v.frame]["verdict"] == "keep"]
    bad = [v for v in plain if night.truth[v.frame]["verdict"] == "reject"]
    lost = [v.frame for v in good if v.verdict != "keep"]
    missed = [v.frame for v in bad if v.verdict == "keep"]
    named = sum(v.reasons[:1] == (night.truth[v.frame]["reason"],) for v in bad)
    return (
        f"good frames rejected {len(lost)} of {len(good)}, "
        f"faulty kept {len(missed)} of {len(bad)}, reason right {named} of {len(bad)}"
    )


def base(seed: int, **parts) -> Scenario:
    plan = Plan(frames=18, exposure_s=120.0, gap_s=20.0, dither_every=2)
    mount = Mount(pole_high_arcmin=1.0, pole_east_arcmin=1.0)
    start = Scenario(seed, plan=plan, camera=Camera(width=WIDTH, height=HEIGHT), mount=mount)
    return replace(start, **parts)


def corner(plan) -> float:
    """Largest true eccentricity on the grid that the fixed pattern is read on, first frame."""
    exposure = exposure_of(plan, 0)
    grid = 0.6 * exposure.half_diagonal * np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    places = [exposure.centre + np.array((x, y)) for x in grid for y in grid]
    return max(shape_at(exposure, place).eccentricity for place in places)


def optics() -> None:
    """Strong tilt, astigmatism and coma."""
    print("optics: fixed patterns on an f/8 of 2 m, 9.08 um pixels")
    nights = (
        ("tilt", Optics(tilt_um=250.0, astigmatism_um=80.0)),
        ("coma", Optics(coma_um=120.0)),
        ("tilt and coma", Optics(tilt_um=250.0, astigmatism_um=60.0, coma_um=90.0)),
        ("astigmatism", Optics(tilt_um=400.0, astigmatism_um=60.0)),
    )
    for k, (name, glass) in enumerate(nights):
        night = measured(base(11 + k, optics=glass, events=MOVED))
        verdicts = judge_night(night.night, load_limits(), night.guiding)
        group = night.night.groups[0]
        fixed = group_series(night.night, group).fixed
        told = sum("tilt_or_coma" in v.reasons for v in verdicts)
        turning = sum("field_rotation" in v.reasons for v in verdicts)
        true = corner(build_night(night.scenario))
        print(
            f"  {name:14s} worst corner {fixed.worst_eccentricity:.2f} (true {true:.2f}); "
            f"{counts(night, verdicts)}; tilt_or_coma on {told}, field_rotation on {turning} "
            f"of {len(verdicts)}"
        )


def centre_of(plan, index: int) -> np.ndarray:
    """Where on the frame the stars stood still: the guide star, moved by guiding in step.

    A star at an arm (east, north) from the guide star is displaced by p + t (north, -east),
    with t the turn north through east; p runs with t as b t plus what is independent of it.
    """
    exposure = exposure_of(plan, index)
    turn = exposure.turn - exposure.turn.mean()
    path = exposure.path - exposure.path.mean(axis=0)
    east, north = path.T @ turn / (turn @ turn)
    arm = exposure.guide_star() + np.array([north, -east])
    return exposure.centre + arm @ exposure.matrix.T


def turned() -> None:
    """Fields that turn in some frames, with and without a fixed pattern."""
    print("turned: arcs of 4 and 7 px in the corner; centre against where the stars stood still")
    rate = np.degrees(1 / (0.5 * np.hypot(WIDTH, HEIGHT))) * 3600.0 / 120.0
    events = tuple(
        Event("field_rotation", a, b, size=float(px * rate))
        for a, b, px in ((6, 8, 4), (12, 13, 7))
    )
    tilted = Optics(tilt_um=250.0, astigmatism_um=80.0)
    nights = (
        ("guide star off the frame", Guider(star_x=0.5, star_y=-0.35), Optics()),
        ("guide star on the frame", Guider(star_x=0.3, star_y=0.6), Optics()),
        ("off the frame, tilted", Guider(star_x=0.5, star_y=-0.35), tilted),
        ("on the frame, tilted", Guider(star_x=0.7, star_y=0.4), tilted),
    )
    for k, (name, guider, glass) in enumerate(nights):
        night = measured(base(21 + k, guider=guider, optics=glass, events=events))
        plan = build_night(night.scenario)
        series = group_series(night.night, night.night.groups[0])
        angle, place, off = [], [], []
        for frame in night.night.frames:
            row = night.truth[frame.name]
            if "field_rotation" not in row["causes"]:
                continue
            seen = split_field(frame.stars.shape_field, series.fixed).turning
            true = float(row["turn_arcsec"]) / 3600.0
            angle.append(
                (seen.angle_deg / true - 1, (seen.angle_deg - true) / seen.angle_error_deg)
            )
            x, y = centre_of(plan, int(frame.name[6:9]) - 1)
            place += [(seen.x - x) / seen.x_error, (seen.y - y) / seen.y_error]
            off.append(np.hypot(seen.x - x, seen.y - y))
        verdicts = judge_night(night.night, load_limits(), night.guiding)
        named = {v.frame: v.verdict for v in verdicts if "field_rotation" in v.reasons}
        called = sum("field_rotation" in night.truth[name]["causes"] for name in named)
        wrongly = [v for n, v in named.items() if "field_rotation" not in night.truth[n]["causes"]]
        ratio, pull = np.array(angle).T
        print(
            f"  {name:25s} turn {100 * np.mean(ratio):+.1f} % (rms {np.sqrt(np.mean(pull**2)):.1f} "
            f"errors), centre off by {np.nanmedian(off):.0f} px (rms "
            f"{np.sqrt(np.nanmean(np.square(place))):.1f} errors); named on {called} of "
            f"{len(angle)}, wrongly on {len(wrongly)}, rejecting {wrongly.count('reject')}"
        )


def followed() -> None:
    """A comet's night of 25 frames: 20 good, 3 in wind, 2 in cloud."""
    print("followed: 20 good frames, 3 in wind, 2 in cloud")
    events = (
        Event("wind_trail", 6, 7, size=11.0, angle_deg=20.0, at=0.2, duration_s=25.0),
        Event("wind_trail", 15, 15, size=12.0, angle_deg=150.0, at=0.1, duration_s=25.0),
        Event("cloud", 20, 21, size=0.6),
    )
    for k, widths in enumerate((1.5, 3.0, 8.0)):
        rate = widths * WIDTH_ARCSEC / 60.0 * 3600.0
        for pa, flip in ((110.0, 0), (200.0, 13)):
            plan = Plan(
                frames=25,
                exposure_s=60.0,
                gap_s=20.0,
                follow_arcsec_per_h=rate,
                follow_pa_deg=pa,
                flip_before=flip,
            )
            camera = Camera(width=WIDTH, height=HEIGHT, wcs=True, mirrored=bool(flip))
            night = measured(Scenario(31 + k, plan=plan, camera=camera, events=events))
            for asked in (None, ExpectedMotion(rate, pa)):
                for oriented in (True, False):
                    shown = night.night if oriented else _unoriented(night.night)
                    taken = follow(shown, asked, night.guiding)
                    verdicts = judge_night(shown, load_limits(), night.guiding, taken)
                    how = f"{widths:g} widths{', flip' if flip else ''}, "
                    how += ("asked" if asked else "seen") + ("" if oriented else ", no orientation")
                    print(f"  {how:38s} {counts(night, verdicts)}; {_trail(taken, widths, night)}")


def _trail(taken, widths: float, night: Measured) -> str:
    if not taken.trails:
        return "no trail found"
    true = widths * WIDTH_ARCSEC / night.scenario.scale_arcsec
    return f"trail {taken.trails[0].length_px:.2f} px (true {true:.2f})"


def _unoriented(night):
    frames = tuple(replace(f, facts=replace(f.facts, sky_axes=None)) for f in night.frames)
    return replace(night, frames=frames)


if __name__ == "__main__":
    for name in sys.argv[1:] or ("optics", "turned", "followed"):
        {"optics": optics, "turned": turned, "followed": followed}[name]()
