"""How a run grows with the night: seconds and peak memory of 50 to 2,000 frames, and the page.

Run from the repository: ``python tests/benchmarks/scale.py`` (``--help`` for smaller runs).  A
practice night of 34 small frames is rendered and measured.  Longer nights are its measurements
over and over, one night's hours after another, each dithered, each number with some noise of its
own; their files hold a header and a few pixels, for only their identity is looked up.  So
``first`` is all of a first grade but the measuring, which goes with the number of frames and is
timed by ``measure.py``.  ``again`` is the same command once more, ``other limits`` one with
limits that no run had before; ``no page`` the same without report.html.  All are whole commands
in a process of their own, start of Python included; CPU seconds hold on a busy machine, wall
seconds do not.  The exponent is the slope of a straight line in logarithms.  The page is opened
from disk in a headless Chromium until its load event and until its table is drawn.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402 - behind the path of the repository
from astropy.io import fits  # noqa: E402

from subgrade.measuring import measurement_cache  # noqa: E402
from subgrade.pipeline import Settings, grade  # noqa: E402
from subgrade.practice import scenario_file as nights  # noqa: E402
from subgrade.practice.night import simulate_night  # noqa: E402
from subgrade.stars.model import FrameStars  # noqa: E402

COUNTS = (50, 200, 800, 2000)
PAGE_FRAMES = 1000
NIGHT_S = 86400.0
DITHER_PX, NOISE = 6.0, 0.01
TARGETS = {("other limits", 300): 2.0, ("other limits", 2000): 12.0}
"""Wall seconds on a quiet machine, by run and number of frames."""
OPENS_S, PAGE_MB = 2.0, 25.0
LOADED = "return performance.getEntriesByType('navigation')[0].loadEventEnd"
COMMAND = """
import sys
from subgrade.cli import main
try:
    main(sys.argv[2:])
finally:
    with open("/proc/self/status") as status, open(sys.argv[1], "w") as peak:
        peak.write(next(line.split()[1] for line in status if line.startswith("VmHWM")))
"""
"""A run that leaves its peak memory (kB) behind: what the system says of a child counts its
parent's memory too.  Linux only."""


def base_night(place: Path, width: int = 400, height: int = 300) -> list[tuple]:
    """Facts, stars and pictures of a practice night's frames."""
    scenario = nights.adapt(nights.default_scenario(), 1, None, width, height, None, False)
    simulate_night(place / "base", scenario)
    graded = grade(Settings((str(place / "base"),), str(place / "base_graded"), report=False))
    return [(f.facts, f.stars, f.pictures.load()) for f in graded.frames if f.stars is not None]


def long_night(place: Path, base: list[tuple], count: int) -> Settings:
    """So many files whose measurements are kept."""
    lights = place / f"lights_{count}"
    lights.mkdir()
    settings = Settings((str(lights),), str(place / f"graded_{count}"), report=False)
    cache = measurement_cache(settings)
    rng = np.random.default_rng(count)
    for k in range(count):
        facts, stars, pictures = base[k % len(base)]
        path = lights / f"light_{k:05d}.fits"
        start = facts.start_unix + NIGHT_S * (k // len(base))
        fits.PrimaryHDU(np.full((24, 32), k, np.uint16)).writeto(path)
        key = cache.key(path)
        cache.save(key, _at(facts, start), _again(stars, rng))
        cache.save_pictures(key, pictures)
    return settings


def _at(facts, start: float):
    """The facts of a frame taken at another time."""
    moved = {"start_unix": start, "mid_unix": start + (facts.mid_unix - facts.start_unix)}
    for name in ("start", "mid"):
        moment = datetime.fromtimestamp(moved[f"{name}_unix"], UTC)
        moved[f"{name}_utc"] = moment.isoformat(timespec="milliseconds")[:23] + "Z"
    return replace(facts, **moved)


def _again(stars: FrameStars, rng: np.random.Generator) -> FrameStars:
    """The stars as another frame like it would have them: dithered, with noise."""
    dx, dy = rng.uniform(-DITHER_PX, DITHER_PX, 2)
    noise = dict(
        zip(
            ("fwhm_px", "xx", "yy", "background_adu", "noise_adu"),
            1 + NOISE * rng.standard_normal(5),
            strict=True,
        )
    )
    changed = {name: getattr(stars, name) * factor for name, factor in noise.items()}
    c = stars.catalogue
    if c is not None:
        count = len(c.x)
        flux = c.flux * (1 + NOISE * rng.standard_normal(count))
        at = rng.normal(0, 0.1, (2, count))
        changed["catalogue"] = replace(c, x=c.x + dx + at[0], y=c.y + dy + at[1], flux=flux)
    image = stars.star_image
    if image is not None:
        grain = 1e-4 * rng.standard_normal(image.image.shape).astype(image.image.dtype)
        changed["star_image"] = replace(image, image=image.image + grain)
    return replace(stars, **changed)


def run(settings: Settings, *options: str) -> tuple[float, float, float]:
    """Wall seconds, CPU seconds and peak memory (MB) of a grade in its own process."""
    arguments = ["grade", *settings.paths, "--out", settings.out, "-q", *options]
    with tempfile.NamedTemporaryFile("r") as peak:
        before, start = _cpu_of_children(), time.perf_counter()
        subprocess.run([sys.executable, "-c", COMMAND, peak.name, *arguments], cwd=ROOT, check=True)
        wall, cpu = time.perf_counter() - start, _cpu_of_children() - before
        return wall, cpu, int(peak.read()) / 1e3


def _cpu_of_children() -> float:
    import resource  # not there on Windows

    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def runs_of(settings: Settings, place: Path) -> dict[str, tuple[float, float, float]]:
    """The runs of one night, by name."""
    limits = []
    for k, floor in enumerate((0.47, 0.46)):
        limits.append(place / f"limits_{k}.toml")
        limits[k].write_text(f"[roundness]\nfloor = {floor}\n")
    return {
        "first": run(settings),
        "again": run(settings),
        "other limits": run(settings, "--limits", str(limits[0])),
        "no page": run(settings, "--limits", str(limits[1]), "--no-report"),
    }


def exponent(counts, values) -> float:
    """Slope of log value against log count."""
    return float(np.polyfit(np.log(counts), np.log(values), 1)[0])


def open_page(path: Path, rounds: int = 3) -> tuple[float, float, int]:
    """Median seconds to the load event and to the drawn table, and rows in it."""
    from tests.report_chromium import chromium

    loaded, drawn = [], []
    with chromium(path.parent) as driver:
        for _ in range(rounds):
            driver.get("about:blank")
            start = time.perf_counter()
            driver.get(path.as_uri())
            drawn.append(time.perf_counter() - start)
            assert driver.execute_script("return document.documentElement.dataset.ready") == "yes"
            loaded.append(driver.execute_script(LOADED) / 1e3)
        rows = driver.execute_script("return document.querySelectorAll('#frames tbody tr').length")
    return statistics.median(loaded), statistics.median(drawn), rows


def table_of(counts, found: dict[int, dict]) -> None:
    """Print what was found, with exponents over all counts."""
    print(f"{'':14}" + "".join(f"{n:>9}" for n in counts) + "   exponent")
    for column, unit in ((1, "CPU s"), (0, "wall s"), (2, "peak MB")):
        for name in found[counts[0]]:
            values = [found[n][name][column] for n in counts]
            slope = f"{exponent(counts, values):11.2f}" if len(counts) > 1 else ""
            print(f"{name:14}" + "".join(f"{v:9.2f}" for v in values) + slope + f"  {unit}")
    for name in found[counts[0]]:
        values = [1e3 * found[n][name][1] / n for n in counts]
        print(f"{name:14}" + "".join(f"{v:9.1f}" for v in values) + "             CPU ms a frame")
    for (name, count), most in TARGETS.items():
        if count in found:
            print(f"{name}, {count} frames: {found[count][name][0]:.1f} s, target {most:.0f} s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--counts", type=int, nargs="+", default=list(COUNTS), help="of frames")
    parser.add_argument("--page", type=int, default=PAGE_FRAMES, help="frames of the page; 0: none")
    asked = parser.parse_args()
    place = Path(tempfile.mkdtemp(prefix="subgrade_scale_"))
    try:
        base, found = base_night(place), {}
        for count in asked.counts:
            settings = long_night(place, base, count)
            found[count] = runs_of(settings, place)
            shutil.rmtree(settings.out)
            shutil.rmtree(settings.paths[0])
        table_of(asked.counts, found)
        if asked.page:
            settings = long_night(place, base, asked.page)
            run(settings)
            page = Path(settings.out) / "report.html"
            loaded, drawn, rows = open_page(page)
            print(
                f"page of {asked.page} frames: {page.stat().st_size / 1e6:.1f} MB (at most "
                f"{PAGE_MB:.0f}), load event after {loaded:.2f} s, {rows} rows drawn after "
                f"{drawn:.2f} s (at most {OPENS_S:.0f})"
            )
    finally:
        shutil.rmtree(place)


if __name__ == "__main__":
    main()
