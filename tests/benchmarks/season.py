"""Time and memory of many nights put together, from their results alone.

Run from the repository: ``python tests/benchmarks/season.py FOLDER``. Makes 50 nights of 200
frames with some 1,000 stars there unless it holds them (0.7 GB), and reads them twice: for time
and peak memory, and with ``--profile`` for where the time goes.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import resource
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from subgrade.season.season import season_of
from subgrade.season.write import write_season
from tests.season_nights import Plan, Sky, write_night

EVIDENCE = [
    {
        "reason": "seeing",
        "quantity": f"quantity {k}",
        "value": 2.350871147695611,
        "usual": 2.198471151334771,
        "error": 0.0011850665082212388,
        "limit": 2.790356238249571,
        "unit": "px",
        "points": -6.701,
        "text": "FWHM 2.96″ (2.35 px), typical 2.77″, limit 3.52″, and as many words again",
        "clue": False,
    }
    for k in range(22)
]
"""About what session.json holds of a frame: 12 KB."""


def make(folder: Path, nights: int, frames: int) -> list[Path]:
    """Nights of two filters, with cloud, Moon and seeing that differ."""
    rng = np.random.default_rng(5)
    sky = Sky.random(5, stars=5000)
    found = []
    for n in range(nights):
        place = folder / f"night_{n:02d}"
        found.append(place)
        if (place / "session.json").exists():
            continue
        plans = [
            Plan(
                start=f"2030-{1 + n // 25:02d}-{1 + n % 25:02d}T{19 + 3 * k}:00:00Z",
                frames=frames // 2,
                exposure_s=90.0,
                filter=name,
                ratio=float(rng.uniform(0.7, 1.0)),
                turn_deg=float(rng.choice([0, 180])),
                centre=complex(*rng.normal(0, 60, 2)),
                transparency=rng.uniform(0.6, 1, frames // 2),
                fwhm_arcsec=rng.uniform(2.5, 4.5, frames // 2),
                eccentricity=rng.uniform(0.1, 0.5, frames // 2),
                angle_deg=rng.uniform(0, 180, frames // 2),
                noise_adu=float(rng.uniform(5, 9)),
                prefix=f"light_{name}",
            )
            for k, name in enumerate("LR")
        ]
        write_night(place, plans, sky, n, evidence=EVIDENCE)
    return found


def main() -> None:
    """Make the nights, read them, write what they come to."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--nights", type=int, default=50)
    parser.add_argument("--frames", type=int, default=200)
    parser.add_argument("--profile", action="store_true")
    asked = parser.parse_args()
    folders = make(asked.folder / "nights", asked.nights, asked.frames)
    profile = cProfile.Profile()
    start, busy = time.perf_counter(), time.process_time()
    if asked.profile:
        profile.enable()
    season = season_of(folders)
    read = time.perf_counter()
    write_season(season, asked.folder / "season")
    profile.disable()
    end = time.perf_counter()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    tied = sum(np.isfinite(tie.ratio) for tie in season.ties)
    print(f"{len(season.nights)} nights, {tied} of {len(season.ties)} series tied")
    print(f"{read - start:.1f} s put together, {end - read:.1f} s written")
    print(f"{time.process_time() - busy:.1f} s of processor time, peak {peak:.0f} MB")
    for stack in season.stacks:
        print(stack.verdict)
    if asked.profile:
        pstats.Stats(profile).sort_stats("cumulative").print_stats(30)


if __name__ == "__main__":
    main()
