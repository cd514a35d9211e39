"""How soon after a sub of 26 megapixels has landed the results of the whole night are written.

Run from the repository: ``python -m tests.benchmarks.watch`` (``--help`` for less).  The subs
that are there already are one rendered frame's measurement over and over, each dithered and with
noise of its own, so that only the subs that land are real files of 26 megapixels.  A guiding record
of a sample every two seconds covers the night; it is chance, so that the search for its clock
takes as long as it can.  Seconds run from the moment a sub is renamed into
place until summary.csv names it and report.html is written, and until all of the night is compared
anew; the settling time of a file is part of both.  CPU seconds hold on a busy machine, wall seconds
do not.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from astropy.io import fits

from subgrade.measuring import MeasureFile, measurement_cache
from subgrade.settings import Progress, Settings
from subgrade.stars import warm_up
from subgrade.watching import Asked, follow
from subgrade.watching.waking import Waking
from tests.benchmarks.measure import frame_file
from tests.benchmarks.scale import _again, _at

COUNTS = (30, 100, 300)
EVERY_S = 130.0
LANDING = 4
"""Subs that land while the watch runs."""
SIZE, STARS = (6240, 4176), 3000
PATIENCE_S = 120.0


class Silent:
    """Notes when a grading has ended."""

    progress = Progress()

    def lines(self, lines: list) -> None:
        pass

    def note(self, text: str) -> None:
        print("   note:", text)

    def alarm(self, facts: object) -> None:
        pass


def night_of(place: Path, count: int) -> tuple[Settings, list[Path]]:
    """A night of so many subs, measured, and the subs that will land."""
    lights = place / "lights"
    lights.mkdir()
    record = place / "guiding.csv"
    settings = Settings((str(lights),), str(place / "graded"), guide=(str(record),))
    cache = measurement_cache(settings)
    source = frame_file(*SIZE, STARS)
    measured = MeasureFile(cache, None, (None, None, None))(source)
    pictures = cache.load_pictures(measured.key)
    rng = np.random.default_rng(count)
    begin = measured.facts.start_unix
    for k in range(count):
        path = lights / f"light_{k:05d}.fits"
        fits.PrimaryHDU(np.full((24, 32), k, np.uint16)).writeto(path)
        key = cache.key(path)
        cache.save(key, _at(measured.facts, begin + EVERY_S * k), _again(measured.stars, rng))
        cache.save_pictures(key, pictures)
    landing = [
        _sub(source, place / f"new_{k}.fits", begin + EVERY_S * k, rng)
        for k in range(count, count + LANDING)
    ]
    _write_record(record, begin - 60, begin + EVERY_S * (count + LANDING), rng)
    return settings, landing


def _sub(source: Path, path: Path, start: float, rng: np.random.Generator) -> Path:
    """The rendered frame as it would be at another time, dithered by whole pixels."""
    with fits.open(source) as hdus:
        header, pixels = hdus[0].header.copy(), hdus[0].data
        shift = tuple(int(v) for v in rng.integers(-8, 9, 2))
        header["DATE-OBS"] = datetime.fromtimestamp(start, UTC).isoformat()[:23]
        fits.PrimaryHDU(np.roll(pixels, shift, (0, 1)), header).writeto(path)
    return path


def _write_record(path: Path, begin: float, end: float, rng: np.random.Generator) -> None:
    times = np.arange(begin, end, 2.0)
    ra, dec = rng.normal(0, 0.4, (2, len(times)))
    with path.open("w") as file:
        file.write("time_utc,ra_error_arcsec,dec_error_arcsec\n")
        for t, x, y in zip(times, ra, dec, strict=True):
            moment = datetime.fromtimestamp(t, UTC).isoformat(timespec="milliseconds")[:23]
            file.write(f"{moment},{x:.3f},{y:.3f}\n")


def landed(settings: Settings, new: Path, number: int) -> tuple[float, float]:
    """Wall and CPU seconds of the process until a sub's results are there."""
    name = f"light_{number:05d}.fits"
    out = Path(settings.out)
    before = (out / "report.html").stat().st_mtime_ns
    start, cpu = time.perf_counter(), time.process_time()
    os.rename(new, Path(settings.paths[0]) / name)
    while time.perf_counter() - start < PATIENCE_S:
        fresh = (out / "report.html").stat().st_mtime_ns != before
        if fresh and f"{name}," in (out / "summary.csv").read_text():
            return time.perf_counter() - start, time.process_time() - cpu
        time.sleep(0.01)
    raise SystemExit(f"{name} is not in the results after {PATIENCE_S:.0f} s")


def compared_anew(settings: Settings) -> float:
    """Seconds from then until the whole night, compared anew, is written."""
    page = Path(settings.out) / "report.html"
    before, start = page.stat().st_mtime_ns, time.perf_counter()
    while page.stat().st_mtime_ns == before and time.perf_counter() - start < PATIENCE_S:
        time.sleep(0.01)
    return time.perf_counter() - start


def run(count: int) -> None:
    """Print one night's seconds."""
    place = Path(tempfile.mkdtemp(prefix="subgrade_watch_"))
    try:
        settings, landing = night_of(place, count)
        stop = threading.Event()
        begun = time.perf_counter()
        asked = Asked(settings)
        thread = threading.Thread(
            target=follow, args=(asked, Silent(), Waking(settings.paths, stop), stop)
        )
        thread.start()
        while not (Path(settings.out) / "session.json").exists():
            time.sleep(0.05)
        print(f"{count} subs there: graded {time.perf_counter() - begun:.1f} s after the start")
        time.sleep(1.0)
        for k, new in enumerate(landing):
            wall, cpu = landed(settings, new, count + k)
            whole = wall + compared_anew(settings)
            print(f"   sub {count + k + 1}: {wall:5.2f} s, CPU {cpu:5.2f} s; whole {whole:5.2f} s")
            time.sleep(1.0)
        stop.set()
        thread.join()
        page = (Path(settings.out) / "report.html").stat().st_size
        print(f"   page {page / 1e6:.1f} MB")
    finally:
        shutil.rmtree(place)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--counts", type=int, nargs="+", default=list(COUNTS), help="subs there")
    asked = parser.parse_args()
    warm_up(lambda: None)
    for count in asked.counts:
        run(count)


if __name__ == "__main__":
    main()
