"""Grade guided and unguided practice nights and hold the polar axis against the mount's own.

Run from the repository: ``python tests/benchmarks/polar_axis.py``; ten seconds a night.
Misalignments of 2 to 60 arcmin in any direction, declinations from -20 to 75, hour angles from
-60 to 60 degrees, frames of 480 by 360 px; half of the headers tell where north is.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from subgrade.diagnosis import diagnose_night
from subgrade.judging import follow, judge_night, load_limits
from subgrade.pipeline import Progress, Settings, compare, find, join, measure, read_records
from subgrade.practice import simulate_night
from subgrade.practice.geometry import hour_angle_deg, unix_seconds
from subgrade.practice.scenario import Scenario
from subgrade.practice.wide_setup import draw_setup

POLAR_RATE = 0.2625
"""Arcsec a minute of drift from a pole 1 arcmin off."""


def scenario(guided: bool, seed: int) -> Scenario:
    """A night without faults but those of its mount; unguided, trails of five widths at most."""
    rng = np.random.default_rng([seed, 77, guided])
    while True:
        setup = draw_setup(rng, seed, 16, 480, 360)
        night = setup.night
        if setup.kind == "guided" and 0.8 < night.scale_arcsec < 4 and not night.camera.mosaic:
            break
    size, way = float(np.exp(rng.uniform(np.log(2), np.log(60)))), rng.uniform(0, 2 * np.pi)
    dec, hour = float(rng.uniform(-20, 75)), float(rng.uniform(-60, 60))
    latitude = float(rng.uniform(max(25, dec - 45), 55))
    drift = POLAR_RATE / 60 * size
    exposures = [60.0, 120.0, 180.0, 300.0] if guided else [10.0, 15.0, 20.0, 30.0, 60.0, 120.0]
    longest = 300.0 if guided else max(5 * setup.fwhm / drift, 10.0)
    exposure = float(rng.choice([e for e in exposures if e <= longest]))
    frames = 16 if guided else int(np.clip(1200 / (exposure + 12), 14, 26))
    gap = night.plan.gap_s if guided else 12.0
    plan = replace(night.plan, exposure_s=exposure, frames=frames, gap_s=gap, flip_before=0)
    plan = replace(plan, dither_every=int(rng.choice([0, 1, 3, 5])), flip_shift_arcsec=0.0)
    site = replace(night.site, latitude_deg=latitude)
    target = replace(night.target, dec_deg=dec, ra_deg=0.0)
    middle = unix_seconds(plan.start_utc) + frames * (exposure + gap) / 2
    ra = float((hour_angle_deg(middle, site, target) - hour) % 360)
    margin = 90.0 + drift * frames * (exposure + gap) + 3 * plan.dither_arcsec
    mount = replace(
        night.mount,
        pole_high_arcmin=float(size * np.sin(way)),
        pole_east_arcmin=float(size * np.cos(way)),
    )
    guider, record = night.guider, night.record
    if guided:
        # The loop must be able to hold the drift.
        cos = max(np.cos(np.radians(dec)), 0.2)
        needed = 3000.0 * drift * guider.interval_s / (guider.rate * 15.04 * cos)
        longest = float(min(max(guider.longest_correction_ms, needed), 900 * guider.interval_s))
        guider = replace(guider, longest_correction_ms=longest)
    else:
        worm = float(min(rng.uniform(0.4, 2.0) * setup.fwhm, 20.0))
        mount = replace(mount, worm_arcsec=worm)
        guider, record = replace(guider, on=False), replace(record, write=False)
        margin += worm
    return replace(
        night,
        plan=plan,
        site=site,
        target=replace(target, ra_deg=ra, margin_arcsec=float(margin)),
        mount=mount,
        guider=guider,
        record=record,
        camera=replace(night.camera, wcs=bool(rng.random() < 0.5)),
    )


def diagnosed(night: Scenario):
    """The night rendered, graded and diagnosed."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "night"
        simulate_night(folder, night)
        record = folder / "guiding.csv"
        guide = (str(record),) if record.exists() else ()
        settings = Settings((str(folder),), str(Path(name) / "out"), workers=1, guide=guide)
        silent = Progress()
        found = find(settings)
        compared = compare(measure(found, settings, silent), found)
        records = read_records(settings, silent)
        guiding = join(compared, records, settings, silent).usable if guide else None
    limits, followed = load_limits(None), follow(compared, None, guiding)
    verdicts = judge_night(followed.night, limits, guiding, followed)
    return diagnose_night(followed.night, verdicts, guiding, limits, trails=followed.trails)


def off(night: Scenario, diagnosis) -> tuple[str, float, list[float]]:
    """(stated, bound or none; size less truth over its error; the same of both parts)."""
    found = next((f for f in diagnosis.findings if f.topic == "polar alignment"), None)
    if found is None:
        return "none", np.nan, []
    high, east = night.mount.pole_high_arcmin, night.mount.pole_east_arcmin
    numbers = {q.name: q for q in found.numbers}
    truth = {"too high": high, "too far east on the sky": east}
    parts = [(q.value - truth[n]) / q.error for n, q in numbers.items() if n in truth]
    size = numbers["misalignment"]
    kind = "bound" if "at least" in found.sentence else "stated"
    return kind, (size.value - np.hypot(high, east)) / size.error, parts


def main() -> None:
    """Print one line for guided nights and one for unguided ones."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=30)
    parser.add_argument("--first-seed", type=int, default=320001)
    options = parser.parse_args()
    for guided in (True, False):
        rows, named = [], 0
        for seed in range(options.first_seed, options.first_seed + options.nights):
            night = scenario(guided, seed)
            diagnosis = diagnosed(night)
            rows.append(off(night, diagnosis))
            named += any(f.topic == "unguided mount" for f in diagnosis.findings)
            print(f"{'guided' if guided else 'unguided'} {seed}", rows[-1], file=sys.stderr)
        stated = np.abs([r[1] for r in rows if r[0] == "stated"])
        bounds = np.array([r[1] for r in rows if r[0] == "bound"])
        parts = np.abs([p for r in rows for p in r[2]])
        print(
            f"{'guided' if guided else 'unguided'}: {len(rows)} nights, {named} named unguided; "
            f"size stated on {len(stated)}, {np.mean(stated <= 2):.0%} within two errors; "
            f"{len(parts)} parts, {np.mean(parts <= 2):.0%}; "
            f"{len(bounds)} lower bounds, {np.mean(bounds <= 2) if len(bounds) else 1:.0%} true"
        )


if __name__ == "__main__":
    main()
