"""A small night for looking at: subs on disk, graded, and the server that shows them."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from astropy.io import fits

from subgrade.pipeline import Settings, grade

WIDTH, HEIGHT = 1300, 901
"""More than one tile either way; an odd height, since levels are counted from below."""
START = datetime(2031, 3, 5, 20, 0, tzinfo=UTC)
HOSTILE = "<img src=x onerror=alert(1)>.fits"
NAMES = ("sub_0.fits", HOSTILE, *(f"sub_{k}.fits" for k in range(2, 7)))
FLIPPED = (4, 5, 6)
SWOLLEN, CLOUDED = 2, 5


@dataclass(frozen=True)
class Sub:
    """Where the stars of one frame fall, px, and how they look."""

    turn_deg: float
    shift: complex
    fwhm: float = 3.0
    transparency: float = 1.0


def subs() -> list[Sub]:
    """Dithered by some pixels; after the meridian flip the camera stands on its head."""
    rng = np.random.default_rng(11)
    shifts = rng.uniform(-6, 6, (len(NAMES), 2)) @ (1, 1j)
    return [
        Sub(
            180.25 if k in FLIPPED else 0.0,
            shift,
            5.2 if k == SWOLLEN else 3.0,
            0.4 if k == CLOUDED else 1.0,
        )
        for k, shift in enumerate(shifts)
    ]


def write_sub(
    path: Path, number: int, sub: Sub, size: tuple[int, int] = (WIDTH, HEIGHT), count: int = 220
) -> None:
    """The same field of Gaussian stars each time, as 16-bit FITS of so many columns and rows."""
    width, height = size
    field = np.random.default_rng(5)
    middle = complex(width - 1, height - 1) / 2
    sky = field.uniform(-1, 1, (count, 2)) * (width / 2, height / 2) @ (1, 1j)
    flux = 10 ** field.uniform(3.9, 5.4, len(sky)) * sub.transparency
    z = sky * np.exp(1j * np.radians(sub.turn_deg)) + middle + sub.shift
    sigma = sub.fwhm / 2.35482
    along = np.exp(-0.5 * ((np.arange(width) - z.real[:, None]) / sigma) ** 2)
    up = np.exp(-0.5 * ((np.arange(height) - z.imag[:, None]) / sigma) ** 2)
    light = (up * (flux / (2 * np.pi * sigma**2))[:, None]).T @ along
    image = np.random.default_rng(900 + number).normal(1000 + light, np.sqrt(100 + light))
    start = START + timedelta(seconds=130 * number)
    cards = {
        "OBJECT": "Field 5",
        "FILTER": "L",
        "EXPTIME": 120.0,
        "IMAGETYP": "LIGHT",
        "DATE-OBS": start.replace(tzinfo=None).isoformat(timespec="milliseconds"),
        "XPIXSZ": 3.76,
        "FOCALLEN": 776.0,
    }
    pixels = np.clip(image, 0, 65535).astype(np.uint16)
    fits.PrimaryHDU(pixels, fits.Header(cards)).writeto(path)


def graded_night(folder: Path) -> Path:
    """Render and grade it; the results folder."""
    frames, results = folder / "subs", folder / "results"
    frames.mkdir()
    for number, (name, sub) in enumerate(zip(NAMES, subs(), strict=True)):
        write_sub(frames / name, number, sub)
    grade(Settings((frames,), out=results, workers=1))
    return results


@dataclass
class Served:
    """A running server, and where it is reached."""

    process: subprocess.Popen
    address: str

    def kill(self) -> None:
        """Without a chance to write anything more."""
        self.process.kill()
        self.process.wait()


@contextmanager
def served(results: Path) -> Iterator[Served]:
    """The command itself, in a process of its own."""
    command = [sys.executable, "-m", "subgrade", "review", str(results), "--port", "0", "--no-open"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    try:
        lines = []
        for line in process.stdout:
            lines.append(line)
            if found := re.search(r"http://\S+", line):
                yield Served(process, found.group(0))
                return
        raise AssertionError("".join(lines))
    finally:
        process.terminate()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        process.stdout.close()


def copied(results: Path, to: Path) -> Path:
    """Results that a test may mark as it likes."""
    return Path(shutil.copytree(results, to, ignore=shutil.ignore_patterns("*.lock")))
