"""Join the records of wide practice nights to their frames and count right and wrong clocks.

Run from the repository: ``python tests/benchmarks/joining.py --nights 40``; a few seconds a night
besides rendering.  Every record is joined as it is written, as if it stated UTC, and with frames in
local time; and the records of other nights are offered in its stead.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from subgrade import pipeline
from subgrade.guiding.clock_fit import IN_USE, fit_clock
from subgrade.guiding.join import exposure_times, moved
from subgrade.guiding.seen import NightSeen, night_seen
from subgrade.practice import simulate_night, wide_scenario
from subgrade.practice.motion import timeline
from subgrade.record import read_guide
from subgrade.record.model import GuideRecord


@dataclass(frozen=True, slots=True)
class Joining:
    """A measured night, its record, and the seconds that turn the record's clock into UTC."""

    start: np.ndarray
    end: np.ndarray
    seen: NightSeen
    record: GuideRecord
    add: float


def measured_night(seed: int, frames: int, folder: Path) -> Joining | None:
    """Render and measure one night; None without a record."""
    scenario = wide_scenario(seed, frames)
    if not (folder / "truth.csv").exists():
        simulate_night(folder, scenario)
    if not (folder / "guiding.csv").exists():
        return None
    settings = pipeline.Settings((str(folder),), str(folder / "out"), 1, dry_run=True)
    found = pipeline.find(settings)
    measured = pipeline.measure(found, settings, pipeline.Progress())
    night = pipeline.compare(measured, found)
    record = read_guide(folder / "guiding.csv")
    # The first sample is stamped at the end of the first guide exposure.
    add = timeline(scenario).origin_unix + scenario.guider.exposure_s - record.time[0]
    return Joining(*exposure_times(night.frames), night_seen(night), record, float(add))


def count(nights: list[Joining], rng) -> Counter:
    """Outcomes by case: ``right``, ``wrong`` or ``refused``; of others' records ``used`` or not."""
    out: Counter = Counter()
    zones = [z for z in IN_USE if z and abs(z) <= 12]
    for k, night in enumerate(nights):
        on_utc = replace(moved(night.record, night.add), clock="utc", dated=True)
        ahead = 3600.0 * float(rng.choice(zones))
        for name, record, shift, truth in (
            ("as written", night.record, 0.0, night.add),
            ("states UTC", on_utc, 0.0, 0.0),
            ("states UTC, frames in local time", on_utc, ahead, ahead),
        ):
            out[name, outcome(night, record, shift, truth)] += 1
        if len(nights) < 2:
            continue
        other = nights[(k + int(rng.integers(1, len(nights)))) % len(nights)]
        in_step = moved(other.record, other.add)
        for name, record in (
            ("another's as written", other.record),
            ("another's in step", replace(in_step, clock="unknown", dated=True)),
            ("another's on UTC", replace(in_step, clock="utc", dated=True)),
        ):
            got = outcome(night, record, 0.0, np.nan)
            out[name, "refused" if got == "refused" else "used"] += 1
    return out


def outcome(night: Joining, record: GuideRecord, shift: float, truth: float) -> str:
    """Join a record to frames whose clock is ``shift`` seconds ahead."""
    start, end = night.start + shift, night.end + shift
    fit = fit_clock(record, start, end, seen=night.seen)
    if not (fit.decided and np.isfinite(fit.add_s)):
        return "refused"
    near = max(10.0, 0.15 * float(np.nanmedian(end - start)))
    return "right" if abs(fit.add_s - truth) < near else "wrong"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=40)
    parser.add_argument("--first", type=int, default=0, help="first seed")
    parser.add_argument("--frames", type=int, default=14)
    parser.add_argument("--nights-in", type=Path, help="folder to keep rendered nights in")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        base = asked.nights_in or Path(name)
        seeds = range(asked.first, asked.first + asked.nights)
        found = [measured_night(s, asked.frames, base / f"wide_{s}_{asked.frames}") for s in seeds]
        nights = [n for n in found if n is not None]
        print(f"{len(nights)} nights with a record")
        for (case, what), number in sorted(count(nights, np.random.default_rng(1)).items()):
            print(f"{case}: {what} {number}")


if __name__ == "__main__":
    main()
