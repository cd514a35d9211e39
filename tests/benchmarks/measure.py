"""How fast one frame becomes a row, against two well-known detection libraries.

Run from the repository: ``python tests/benchmarks/measure.py`` (``--help`` for smaller
runs).  A 26-Mpx frame with 3,000 stars is rendered once and kept in the temporary
folder.  Everything but the two-worker run is pinned to one core and one thread.
subgrade's time runs from the file name to the row that `grade` keeps on disk (file in the
page cache): reading, measuring, identifying the content and saving the measurement; the
pictures that `grade` draws and saves besides are timed apart.  The libraries get the pixels
in memory, as the floats they like best, for free.
"""
# ruff: noqa: E402 - the thread limits must be set before the imports

from __future__ import annotations

import os

THREAD_LIMITS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "NUMBA_NUM_THREADS",
)
for _name in THREAD_LIMITS:  # before numpy and numba are imported
    os.environ[_name] = "1"

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from functools import lru_cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np
from astropy.io import fits


def pin(cores: set[int] | None) -> None:
    """Keep this process on `cores` where the system can (None: on all it had)."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, cores or ALL_CORES)


ALL_CORES = os.sched_getaffinity(0) if hasattr(os, "sched_getaffinity") else set()


def frame_file(width: int, height: int, stars: int) -> Path:
    """The benchmark frame on disk, rendered if it is not there yet."""
    folder = Path(tempfile.gettempdir()) / "subgrade_benchmark"
    folder.mkdir(exist_ok=True)
    path = folder / f"light_{width}x{height}_{stars}.fits"
    if not path.exists():
        from tests.render import Scene, StarShape, render

        shape = StarShape("moffat", 3.2, 3.0, q=0.9, angle_deg=35.0)
        bright = round(stars / 6.0**0.75)
        scene = Scene(width, height, bright=bright, gradient=0.08, hot_pixels=width // 4)
        header = fits.Header()
        header["EXPTIME"] = 120.0
        header["DATE-OBS"] = "2024-03-11T22:14:05.250"
        header["IMAGETYP"] = "Light Frame"
        part = path.with_suffix(".part")
        fits.PrimaryHDU(render(shape, scene).data, header).writeto(part, overwrite=True)
        part.rename(path)
    return path


def measure_file(path: str):
    """Read and measure one file, nothing kept."""
    from subgrade.lights import read_light
    from subgrade.stars import measure_stars

    light = read_light(Path(path))
    return light.facts, measure_stars(light.pixels, light.facts)


def file_to_row(path: str):
    """All that `grade` does for one file's numbers."""
    facts, stars = measure_file(path)
    cache = kept_measurements()
    cache.save(cache.key(Path(path)), facts, stars)
    return facts, stars


def file_to_row_and_pictures(path: str):
    """All that `grade` does for one file."""
    from subgrade.measuring import MeasureFile

    return MeasureFile(kept_measurements(), None, (None, None, None))(Path(path))


@lru_cache(maxsize=1)
def kept_measurements():
    """A cache of measurements in a folder that nothing else uses."""
    from subgrade.pipeline import Settings, measurement_cache

    folder = Path(tempfile.gettempdir()) / "subgrade_benchmark" / f"results_{os.getpid()}"
    return measurement_cache(Settings(paths=(folder,), out=folder))


def worker_task(path: Path):
    """What a process of the pool runs and sends back."""
    return file_to_row(str(path))


def compile_first() -> None:
    """Compile before the clock starts."""
    from subgrade.stars import warm_up

    warm_up()


def run_sep(data: np.ndarray) -> int:
    """Background, subtraction, detection at 5 sigma, as sep's manual has it."""
    import sep

    background = sep.Background(data)
    return len(sep.extract(data - background, 5.0, err=background.globalrms))


def run_photutils(data: np.ndarray) -> int:
    """Background, subtraction, detection at 5 sigma, as photutils' manual has it."""
    from photutils.background import Background2D
    from photutils.detection import DAOStarFinder

    background = Background2D(data, (64, 64), filter_size=(3, 3))
    threshold = 5.0 * background.background_rms_median
    found = DAOStarFinder(threshold, 3.2)(data - background.background)
    return 0 if found is None else len(found)


def time_call(call, argument) -> float:
    """Seconds of the second of two calls: files are graded one after another, and the first
    call after another contender pays for the memory that one left behind."""
    call(argument)
    begin = time.perf_counter()
    call(argument)
    return time.perf_counter() - begin


def compare(path: Path, rounds: int, photutils_rounds: int) -> dict[str, list[float]]:
    """Times of the three, interleaved so that the machine's moods fall on all alike."""
    pin({min(ALL_CORES)} if ALL_CORES else None)
    compile_first()
    data = fits.getdata(path).astype(np.float32)
    names = ("subgrade", "of it, reading and measuring", "with its pictures", "sep", "photutils")
    times: dict[str, list[float]] = {name: [] for name in names}
    for each in (file_to_row, run_sep):
        each(str(path) if each is file_to_row else data[:1024, :1024].copy())
    for turn in range(rounds):
        times["subgrade"].append(time_call(file_to_row, str(path)))
        times[names[1]].append(time_call(measure_file, str(path)))
        times[names[2]].append(time_call(file_to_row_and_pictures, str(path)))
        times["sep"].append(time_call(run_sep, data))
        if turn < photutils_rounds:
            times["photutils"].append(time_call(run_photutils, data))
    pin(None)
    return times


def frames_per_second(path: Path, workers: int, frames: int) -> float:
    """Throughput of the pipeline's own workers once all of them are at work."""
    from subgrade.workers import measure_each

    begin, end, warm = 0.0, 0.0, 4 * workers
    paths = [path] * (2 * warm + frames)  # neither start nor finish is timed
    for number, (_, outcome) in enumerate(measure_each(paths, worker_task, workers), start=1):
        if not isinstance(outcome, tuple):
            raise SystemExit(f"measuring failed: {outcome}")
        if number == warm:
            begin = time.perf_counter()
        if number == warm + frames:
            end = time.perf_counter()
    return frames / (end - begin)


def fresh_process(code: str, **environment: str) -> tuple[float, str]:
    """Wall time and output of `code` in a new interpreter."""
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code],
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        capture_output=True,
        text=True,
        check=True,
    )
    return time.perf_counter() - begin, done.stdout


def cold_start(path: Path) -> tuple[float, float]:
    """Wall time of one frame in a new process: nothing compiled yet, then compiled on disk."""
    code = f"from tests.benchmarks.measure import file_to_row; file_to_row({str(path)!r})"
    with tempfile.TemporaryDirectory() as empty:
        first, _ = fresh_process(code, NUMBA_CACHE_DIR=empty)
        second, _ = fresh_process(code, NUMBA_CACHE_DIR=empty)
    return first, second


def resident_bytes(peak: bool) -> int:
    """Resident memory of this process, its highest so far or now.

    Linux's own count is used where there is one: `resource` reports the parent's peak too
    when a process was started by a large one, and cannot tell what is held now.
    """
    status = Path("/proc/self/status")
    if status.exists():
        name = "VmHWM:" if peak else "VmRSS:"
        line = next(line for line in status.read_text().splitlines() if line.startswith(name))
        return int(line.split()[1]) * 1024
    import resource

    unit = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit


def report_memory(path: str) -> None:
    """Print resident bytes before and peak resident bytes after one frame (in a new process)."""
    compile_first()
    before = resident_bytes(peak=False)
    file_to_row(path)
    print(json.dumps([before, resident_bytes(peak=True)]))


def peak_memory(path: Path) -> tuple[int, int]:
    """(bytes of the idle worker, peak bytes with one frame), program code and file included."""
    code = f"from tests.benchmarks.measure import report_memory; report_memory({str(path)!r})"
    before, after = json.loads(fresh_process(code)[1])
    return before, after


def main() -> None:
    """Run all and print the table; the last line is for scripts.

    Its first two figures are subgrade's time over the library's: under 1 is faster.
    """
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--width", type=int, default=6248)
    parser.add_argument("--height", type=int, default=4176)
    parser.add_argument("--stars", type=int, default=3000)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--photutils-rounds", type=int, default=2)
    parser.add_argument("--pool-frames", type=int, default=24)
    parser.add_argument("--pool-rounds", type=int, default=3)
    options = parser.parse_args()

    path = frame_file(options.width, options.height, options.stars)
    pixels = options.width * options.height
    times = compare(path, options.rounds, options.photutils_rounds)
    median = {name: statistics.median(values) for name, values in times.items()}
    cold, second = cold_start(path)
    single, double = [], []
    for _ in range(options.pool_rounds):
        single.append(frames_per_second(path, 1, options.pool_frames // 2))
        double.append(frames_per_second(path, 2, options.pool_frames))
    one, two = statistics.median(single), statistics.median(double)
    before, peak = peak_memory(path)

    print(f"{pixels / 1e6:.1f} Mpx, {options.stars} stars, one core; load {os.getloadavg()[0]:.1f}")
    for name, values in times.items():
        spread = f"{min(values):.3f} to {max(values):.3f}"
        print(f"{name:<29} {median[name]:8.3f} s a frame   ({spread}, {len(values)} runs)")
    print(
        f"{'new process':<29} {cold:8.2f} s first frame, nothing compiled yet; "
        f"{second:.2f} s the next"
    )
    print(f"{'workers':<29} {one:8.2f} frames/s with one, {two:.2f} with two")
    print(
        f"{'memory':<29} {peak / pixels:8.2f} bytes a pixel at the peak of one worker "
        f"({peak / 2**20:.0f} MiB), {(peak - before) / pixels:.2f} above the idle worker"
    )
    print(
        f"vs_sep={median['subgrade'] / median['sep']:.3f} "
        f"vs_photutils={median['subgrade'] / median['photutils']:.4f} "
        f"two_workers={two / one:.2f} peak_bytes_per_px={peak / pixels:.2f}"
    )


if __name__ == "__main__":
    main()
