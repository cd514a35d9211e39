"""A handful of small frames on disk, quick to measure, for testing the command line."""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from subgrade.cli import main

WIDTH, HEIGHT = 360, 280
START = datetime(2031, 3, 5, 20, 0, tzinfo=UTC)


def write_light(
    path: Path, number: int, fwhm: float = 3.0, transparency: float = 1.0, **header
) -> Path:
    """One frame of a fixed field, dithered by a pixel or two, written as 16-bit FITS."""
    field = np.random.default_rng(7)
    count = 90
    x, y = field.uniform(8, WIDTH - 8, count), field.uniform(8, HEIGHT - 8, count)
    flux = 10 ** field.uniform(3.7, 5.2, count) * transparency
    rng = np.random.default_rng(1000 + number)
    x, y = x + rng.uniform(-2, 2), y + rng.uniform(-2, 2)
    sigma = fwhm / 2.35482
    columns, rows = np.arange(WIDTH), np.arange(HEIGHT)
    along = np.exp(-0.5 * ((columns - x[:, None]) / sigma) ** 2)
    up = np.exp(-0.5 * ((rows - y[:, None]) / sigma) ** 2)
    light = np.einsum("k,ki,kj->ij", flux / (2 * np.pi * sigma**2), up, along)
    image = rng.normal(1000 + light, np.sqrt(100 + light))
    start = START + timedelta(seconds=70 * number)
    cards = {
        "OBJECT": "Test Field",
        "FILTER": "L",
        "EXPTIME": 60.0,
        "IMAGETYP": "LIGHT",
        "DATE-OBS": start.replace(tzinfo=None).isoformat(timespec="milliseconds"),
        "XPIXSZ": 3.76,
        "FOCALLEN": 776.0,
    } | header
    path.parent.mkdir(parents=True, exist_ok=True)
    hdu = fits.PrimaryHDU(np.clip(image, 0, 65535).astype(np.uint16), fits.Header(cards))
    hdu.writeto(path)
    return path


def write_night(folder: Path, count: int = 8) -> Path:
    """Frames of which number 3 is swollen and number 5 clouded."""
    for k in range(count):
        changes = {3: {"fwhm": 5.5}, 5: {"transparency": 0.35}}.get(k, {})
        write_light(folder / f"light_{k:02d}.fits", k, **changes)
    return folder


def run(capfd, *arguments) -> tuple[int, str, str]:
    """Run the command in this process; exit code, stdout, stderr."""
    with pytest.raises(SystemExit) as left:
        main([str(a) for a in arguments])
    out, err = capfd.readouterr()
    return left.value.code, out, err


def rows(folder) -> dict[str, dict]:
    """summary.csv of a results folder, by frame."""
    with (folder / "summary.csv").open(encoding="utf-8", newline="") as stream:
        return {row["frame"]: row for row in csv.DictReader(stream)}
