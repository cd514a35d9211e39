"""Diagnose random practice nights and hold the numbers against what the nights were made of.

Run from the repository: ``python tests/benchmarks/diagnosis.py``; a quarter of a minute a
night.  Every night is rendered, measured and joined with its guiding record, whose clock is
left for the program to find.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from subgrade.diagnosis import Diagnosis, diagnose_night
from subgrade.judging import judge_night, load_limits
from subgrade.pipeline import Progress, Settings, compare, find, join, measure, read_records
from subgrade.practice import random_scenario, simulate_night

Row = tuple[str, float, float, float]
"""(what, found, one sigma, truth)."""


def rows(scenario, diagnosis: Diagnosis) -> list[Row]:
    """Found numbers beside the scenario's truth; only what was found."""
    numbers = {(f.topic, q.name): q for f in diagnosis.findings for q in f.numbers}
    of = {f.topic: f for f in diagnosis.findings}
    high, east = scenario.mount.pole_high_arcmin, scenario.mount.pole_east_arcmin
    cos = np.cos(np.radians(scenario.target.dec_deg))
    truth = {
        ("polar alignment", "too high"): high,
        ("polar alignment", "too far east on the sky"): east,
        ("periodic error", "worm period"): scenario.mount.worm_period_s,
        ("periodic error", "amplitude on the sky"): scenario.mount.worm_arcsec * cos,
    }
    hour = numbers.get(("polar alignment", "hour angle"))
    if hour is not None:
        h = np.radians(hour.value)
        truth["polar alignment", "part shown by the drift"] = high * np.sin(h) + east * np.cos(h)
        truth["polar alignment", "part shown by the turn"] = abs(
            high * np.cos(h) - east * np.sin(h)
        )
    if "polar alignment" in of:
        bound = "at least" in of["polar alignment"].sentence
        name = "misalignment, lower bound" if bound else "misalignment"
        numbers["polar alignment", name] = numbers["polar alignment", "misalignment"]
        truth["polar alignment", name] = float(np.hypot(high, east))
    for event in scenario.events:
        named = {
            int(f.split("_")[1].split(".")[0])
            for t in of.values()
            if t.reason == event.cause
            for f in t.frames
        }
        inside = set(range(event.first, event.last + 1))
        if not named or not named <= inside:
            continue
        if event.cause == "flexure":
            truth["differential flexure", "drift"] = event.size * 3600.0 / scenario.plan.exposure_s
            truth["differential flexure", "direction, east of north or opposite"] = event.angle_deg
        elif event.cause == "ra_oscillation":
            truth["RA oscillation", "correction / error"] = event.size
    out = []
    for key, true in truth.items():
        q = numbers.get(key)
        if q is not None:
            value = q.value
            if q.unit == "°":  # an axis: 180 degrees are nothing
                value = true + (value - true + 90.0) % 180.0 - 90.0
            out.append((", ".join(key), value, q.error or np.nan, true))
    return out


def diagnosed(seed: int, frames: int) -> list[Row]:
    """One random night rendered, graded and diagnosed."""
    scenario = random_scenario(seed, frames)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "night"
        simulate_night(folder, scenario)
        settings = Settings(
            (str(folder),), str(Path(name) / "out"), workers=1, guide=(str(folder / "guiding.csv"),)
        )
        silent = Progress()
        found = find(settings)
        night = compare(measure(found, settings, silent), found)
        guiding = join(night, read_records(settings, silent), settings, silent).usable
    limits = load_limits(None)
    return rows(
        scenario, diagnose_night(night, judge_night(night, limits, guiding), guiding, limits)
    )


def table(found: list[Row]) -> str:
    """Median difference, median of difference over error, and the share within two errors."""
    lines = [
        f"{'number':<62} {'nights':>6} {'|diff|':>8} {'relative':>8} {'|diff|/error':>12} {'<2':>5}"
    ]
    for name in dict.fromkeys(r[0] for r in found):
        value, error, true = np.array([r[1:] for r in found if r[0] == name], float).T
        off = np.abs(value - true)
        share = np.mean(off < 2 * error) if np.isfinite(error).any() else np.nan
        lines.append(
            f"{name:<62} {len(off):>6} {np.median(off):>8.3g} "
            f"{np.median(off / np.maximum(np.abs(true), 1e-9)):>8.1%} "
            f"{np.median(off / error):>12.2f} {share:>5.0%}"
        )
    return "\n".join(lines)


def main() -> None:
    """Print one table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=12)
    parser.add_argument("--frames", type=int, default=24)
    parser.add_argument("--first-seed", type=int, default=7001)
    options = parser.parse_args()
    found: list[Row] = []
    for seed in range(options.first_seed, options.first_seed + options.nights):
        found += diagnosed(seed, options.frames)
        print(f"seed {seed} done", file=sys.stderr, flush=True)
    print(table(found))


if __name__ == "__main__":
    main()
