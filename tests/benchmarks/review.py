"""How long a person waits for a sub in a review: the first picture, tiles, a walk, a mark.

Run from the repository: ``python -m tests.benchmarks.review`` (``--help`` for one camera or a
shorter walk).  Frames of a sky with stars are written to a temporary folder, a few of them, to
which 300 names are linked; their measurements are those of a small practice frame, for only
pixels and numbers of frames count here.  The real server runs in a process of its own and is
asked over a socket.  Files are in the system's memory (read once before); ``first picture`` is a
frame's numbers and its smallest level from a frame not yet decoded, ``next`` the same in a walk
with a pause for looking, in which the next frame is decoded ahead, ``no pause`` one without.
"""

from __future__ import annotations

import argparse
import http.client
import json
import multiprocessing
import os
import statistics
import tempfile
import time
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import urlsplit

import numpy as np
from astropy.io import fits

from subgrade.pipeline import Settings, grade
from subgrade.practice import scenario_file as nights
from subgrade.practice.night import simulate_night
from subgrade.results import FileIdentity, Graded, file_identities
from subgrade.review.server import review

FRAMES, FILES = 300, 5
PAUSE_S = 0.4
CAMERAS = {
    "26 Mpx mono": (6248, 4176, None, False),
    "26 Mpx colour": (6248, 4176, "RGGB", False),
    "26 Mpx Rice": (6248, 4176, None, True),
    "60 Mpx mono": (9576, 6388, None, False),
    "60 Mpx colour": (9576, 6388, "RGGB", False),
}
TARGETS = {"first picture": 500.0, "tile": 50.0}
"""ms."""


@dataclass
class Made:
    """A night of large frames whose numbers were not measured."""

    folder: Path
    night: Graded
    identities: dict[Path, FileIdentity]
    run: str = "benchmark"
    marks_file: str | None = None

    @property
    def marks(self) -> dict[str, str]:
        return {}

    def keeping(self):
        return nullcontext()

    def graded(self, marks) -> Graded:
        return self.night


def large_files(place: Path, width: int, height: int, mosaic: str | None, rice: bool) -> list[Path]:
    """A few frames of sky and stars."""
    rng = np.random.default_rng(width)
    found = []
    sky = rng.normal(1000.0, 12.0, (height, width)).astype(np.float32)
    y, x = np.mgrid[-8:9, -8:9]
    star = np.exp(-0.5 * (x * x + y * y) / 1.6**2)
    for k in range(FILES):
        image = np.roll(sky, 7 * k, axis=1)
        for at in rng.integers(20, (height - 20, width - 20), (3000, 2)):
            image[at[0] - 8 : at[0] + 9, at[1] - 8 : at[1] + 9] += rng.exponential(3000.0) * star
        words = np.clip(image, 0, 65535).astype(np.uint16)
        kind = fits.CompImageHDU if rice else fits.PrimaryHDU
        hdu = kind(words)
        hdu.header["DATE-OBS"] = f"2031-02-18T0{k}:00:00"
        if mosaic:
            hdu.header["BAYERPAT"] = mosaic
        path = place / f"file_{k}.fits{'.fz' if rice else ''}"
        hdu.writeto(path)
        found.append(path)
    return found


def made_night(place: Path, width: int, height: int, mosaic: str | None, rice: bool) -> Made:
    """Names for `FRAMES` frames, with the numbers of a practice frame."""
    scenario = nights.adapt(nights.default_scenario(), 1, 3, 300, 220, False, False)
    simulate_night(place / "small", scenario)
    small = grade(Settings((str(place / "small"),), str(place / "out"), workers=1))
    like = next(f for f in small.frames if f.judgement.verdict == "keep")
    lights = place / "lights"
    lights.mkdir()
    files = large_files(lights, width, height, mosaic, rice)
    frames = []
    for k in range(FRAMES):
        path = lights / f"light_{k:03d}{''.join(files[0].suffixes)}"
        os.link(files[k % FILES], path)
        stars = replace(like.stars, width=width, height=height, background_adu=1000.0)
        frames.append(
            replace(
                like,
                name=path.name,
                path=path,
                judgement=replace(like.judgement, frame=path.name),
                facts=replace(like.facts, mosaic=mosaic),
                stars=replace(stars, noise_adu=12.0),
                pictures=None,
            )
        )
    identities = file_identities([frame.path for frame in frames])
    return Made(place / "out", replace(small, frames=tuple(frames)), identities)


class Asking:
    """A connection to the server."""

    def __init__(self, address: str):
        parts = urlsplit(address)
        self.root, self.origin = parts.path, f"http://{parts.netloc}"
        self.connection = http.client.HTTPConnection(parts.netloc, timeout=60)

    def get(self, path: str) -> bytes:
        return self._sent("GET", path)

    def post(self, path: str, content: dict) -> bytes:
        return self._sent("POST", path, json.dumps(content), {"Origin": self.origin})

    def _sent(self, method: str, path: str, *more) -> bytes:
        self.connection.request(method, self.root + path, *more)
        answer = self.connection.getresponse()
        body = answer.read()
        if answer.status != 200:
            raise SystemExit(f"{path}: {answer.status} {body[:200]!r}")
        return body

    def first(self, index: int) -> float:
        """ms until a frame's numbers and its smallest level are here."""
        start = time.perf_counter()
        frame = json.loads(self.get(f"frame/{index}"))
        self.get(f"tile/{index}/{frame['levels'] - 1}/0/0")
        return 1e3 * (time.perf_counter() - start)

    def tiles(self, index: int, level: int) -> list[float]:
        """ms for each of up to 24 tiles of a level."""
        frame = json.loads(self.get(f"frame/{index}"))
        columns, rows = (-(-frame[n] // (frame["tile"] << level)) for n in ("width", "height"))
        taken = []
        for k in range(min(24, columns * rows)):
            start = time.perf_counter()
            self.get(f"tile/{index}/{level}/{k % columns}/{k // columns}")
            taken.append(1e3 * (time.perf_counter() - start))
        return taken


def measured(address: str, pid: int, walk: int) -> dict[str, str]:
    """Everything timed of one camera."""
    ask = Asking(address)
    ask.get("")
    time.sleep(3.0)  # the page is made, the best frame read
    far = [ask.first(k) for k in range(20, FRAMES, 40)]
    rows = {"first picture": far}
    for level, name in ((2, "tile, quarter size"), (1, "tile, half size"), (0, "tile, full size")):
        ask.tiles(20, level)
        rows[name] = ask.tiles(20, level)
    paced = []
    for k in range(60, 60 + walk // 5):
        paced.append(ask.first(k))
        time.sleep(PAUSE_S)
    rows["next, with a pause"] = paced
    rows["next, no pause"] = [ask.first(k) for k in range(walk)]
    rows["a mark"] = []
    for k in range(10):
        start = time.perf_counter()
        ask.post("mark", {"frame": k, "word": "keep"})
        rows["a mark"].append(1e3 * (time.perf_counter() - start))
    table = {
        name: " ".join(f"{of(times):6.0f}" for of in (min, statistics.median, max))
        for name, times in rows.items()
    }
    status = Path(f"/proc/{pid}/status")
    if status.exists():
        peak = next(s for s in status.read_text().splitlines() if s.startswith("VmHWM"))
        table["peak memory, MB"] = f"{int(peak.split()[1]) / 1e3:6.0f}"
    return table


def served(made: Made, queue) -> None:
    review(made, 0, lambda address, stop: queue.put(address))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--camera", choices=list(CAMERAS), action="append")
    parser.add_argument("--walk", type=int, default=FRAMES, help="frames walked without a pause")
    options = parser.parse_args()
    context = multiprocessing.get_context("spawn")
    for name in options.camera or CAMERAS:
        with tempfile.TemporaryDirectory(prefix="review_benchmark_") as folder:
            made = made_night(Path(folder), *CAMERAS[name])
            for path in {frame.path for frame in made.night.frames[:FILES]}:
                path.read_bytes()
            queue = context.Queue()
            process = context.Process(target=served, args=(made, queue), daemon=True)
            process.start()
            try:
                table = measured(queue.get(timeout=120), process.pid, options.walk)
            finally:
                process.terminate()
                process.join(30)
            print(f"{name}: ms: least, median, largest")
            for row, numbers in table.items():
                print(f"  {row:24} {numbers}", flush=True)


if __name__ == "__main__":
    main()
