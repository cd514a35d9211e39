"""What a cluster adds to a frame, and what it gains: `grade --engine` against this machine alone.

Run from the repository: ``python -m tests.benchmarks.cluster`` (``--help`` for smaller runs).
A scheduler and workers are started on this machine, so that everything but the network's own time
is in the figures. The 26-Mpx frame of ``measure.py`` is linked under many names. Leave the machine
alone while it runs: all shares its cores.
"""

from __future__ import annotations

import argparse
import os
import pickle
import shutil
import statistics
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from subgrade.cluster import run, tasks
from subgrade.cluster.run import measure_on_cluster
from subgrade.measuring import MeasureFile, measurement_cache
from subgrade.settings import Settings
from subgrade.workers import measure_each
from tests.benchmarks.measure import frame_file, measure_file
from tests.cluster_processes import Cluster


def task(out: Path) -> MeasureFile:
    """What `grade` does for a file."""
    return MeasureFile(measurement_cache(Settings((), str(out))), None, (None, None, None))


def frames_per_second(outcomes, warm: int, counted: int) -> float:
    """Throughput once all workers are at work."""
    begin, number = 0.0, 0
    for number, (_, outcome) in enumerate(outcomes, start=1):
        assert getattr(outcome, "stars", None) is not None, outcome
        if number == warm:
            begin = time.perf_counter()
        if number == warm + counted:
            return counted / (time.perf_counter() - begin)
    raise SystemExit(f"only {number} frames")


def one_process(path: Path, out: Path, frames: int) -> list[float]:
    """Seconds of each frame in this process: all that `grade` does for it."""
    measure, seconds = task(out), []
    for _ in range(frames + 1):
        begin = time.perf_counter()
        measure(path)
        seconds.append(time.perf_counter() - begin)
    return seconds[1:]


def threads(path: Path, count: int, frames: int) -> float:
    """Frames a second of several threads in one process, nothing kept."""
    measure_file(str(path))
    with ThreadPoolExecutor(count) as pool:
        begin = time.perf_counter()
        list(pool.map(lambda _: measure_file(str(path)), range(frames)))
        return frames / (time.perf_counter() - begin)


def highest_memory(pid: int) -> int:
    """Highest resident memory of a process in bytes (Linux)."""
    status = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) * 1024 for line in status if line.startswith("VmHWM:"))


def on_cluster(place: Path, paths: list[Path], workers: int, warm: int, frames: int) -> dict:
    """Throughput, memory of the fullest worker, and bytes of each answer as it travels."""
    sizes, whole = [], run.Run._settled

    def counted(self, came):
        if not isinstance(came.tag, run.Worker):
            sizes.append(len(came.answer))
        return whole(self, came)

    run.Run._settled = counted
    try:
        with Cluster(place / f"cluster_{workers}") as cluster:
            for _ in range(workers):
                cluster.start_worker("--memory-limit", "0")
            while len(cluster.worker_pids()) < workers:
                time.sleep(0.2)
            outcomes = measure_on_cluster(paths, task(place / f"out_{workers}"), cluster.address)
            speed = frames_per_second(outcomes, warm, frames)
            memory = max(map(highest_memory, cluster.worker_pids()))
            outcomes.close()
    finally:
        run.Run._settled = whole
    return {"speed": speed, "memory": memory, "answer": statistics.median(sizes)}


def nothing(path: Path) -> None:
    """A frame that takes no time: what is left is the cluster's own."""


def empty_frames(place: Path, count: int) -> tuple[float, float]:
    """Frames a second that take no time, on one worker, and CPU seconds here of each."""
    with Cluster(place / "empty") as cluster:
        cluster.start_worker()
        while not cluster.worker_pids():
            time.sleep(0.2)
        paths = [place / str(k) for k in range(count)]
        outcomes = measure_on_cluster(paths, nothing, cluster.address)
        next(outcomes)
        begin, cpu = time.perf_counter(), time.process_time()
        done = len(list(outcomes))
        return done / (time.perf_counter() - begin), (time.process_time() - cpu) / done


def sent_bytes(path: Path, place: Path) -> int:
    """Bytes of an answer with measurement and pictures, where RESULTS is not shared."""
    identity = run.file_identity(path)
    measure = task(place / "unshared")
    asked = tasks.Asked(
        str(path), identity, measure.cache.key(path, identity), tasks.PROCESS, ".seen.none"
    )
    return len(tasks.measure_frame(pickle.dumps(measure), pickle.dumps(asked)))


def main() -> None:
    """Run all and print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--width", type=int, default=6248)
    parser.add_argument("--height", type=int, default=4176)
    parser.add_argument("--stars", type=int, default=3000)
    parser.add_argument("--frames", type=int, default=24)
    options = parser.parse_args()
    path = frame_file(options.width, options.height, options.stars)
    place = Path(tempfile.mkdtemp(prefix="subgrade_cluster_", dir=path.parent))
    try:
        report(path, place, options.frames)
    finally:
        shutil.rmtree(place)


def report(path: Path, place: Path, frames: int) -> None:
    """Measure and print."""
    warm = 6
    lights = place / "lights"
    lights.mkdir()
    paths = [lights / f"light_{k:04d}.fits" for k in range(2 * warm + 2 * frames)]
    for link_name in paths:
        os.link(path, link_name)
    alone = statistics.median(one_process(path, place / "one", 5))
    print(f"load {os.getloadavg()[0]:.1f}; one frame in this process {1e3 * alone:.0f} ms")
    for count in (1, 2):
        local = frames_per_second(measure_each(paths, task(place / "l"), count), warm, frames)
        there = on_cluster(place, paths, count, warm, frames)
        print(
            f"{count} worker(s): {local:.2f} frames/s here, {there['speed']:.2f} on the cluster "
            f"({1e3 * (count / there['speed'] - count / local):+.0f} ms a frame), "
            f"{there['memory'] / 2**20:.0f} MiB a worker, {there['answer'] / 1e3:.0f} kB an answer"
        )
    print(f"answer with measurement and pictures: {sent_bytes(path, place) / 1e3:.0f} kB")
    rate, cpu = empty_frames(place, 1000)
    print(
        f"frames that take no time: {rate:.0f} a second on one worker, {1e3 * cpu:.1f} ms CPU each"
    )
    one, two = threads(path, 1, 8), threads(path, 2, 8)
    print(f"threads of one process: {one:.2f} frames/s with one, {two:.2f} with two")


if __name__ == "__main__":
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    sys.exit(main())
