"""Grades of odd nights: no warning of a library reaches the person, and none ends the run.

Warnings are errors in the tests, so that a division by a zero noise or a zero wait fails here.
"""

from __future__ import annotations

import shutil

import numpy as np
import pytest
from astropy.io import fits

from tests.cli_frames import rows, run, write_light


def graded(capfd, lights, *options):
    out = lights.parent / "graded"
    code, printed, err = run(capfd, "grade", lights, "--out", out, "--workers", 1, *options)
    assert "Warning" not in err
    return code, printed, rows(out) if (out / "summary.csv").exists() else {}


def test_copies_of_frames_have_their_time(tmp_path, capfd):
    lights = tmp_path / "lights"
    for k in range(6):
        path = write_light(lights / f"light_{k}.fits", k)
        shutil.copy(path, lights / f"light_{k} - copy.fits")
    code, printed, table = graded(capfd, lights)
    assert (code, len(table)) == (0, 12)
    assert printed.startswith("12 files")


@pytest.mark.parametrize("level", [0, 65535])
@pytest.mark.parametrize("count", [0, 3])
def test_frames_without_noise(tmp_path, capfd, level, count):
    lights = tmp_path / "lights"
    for k in range(count):
        write_light(lights / f"light_{k}.fits", k)
    for k in range(count, count + 3):
        path = write_light(lights / f"light_{k}.fits", k)
        header = fits.getheader(path)
        fits.writeto(path, np.full((280, 360), level, np.uint16), header, overwrite=True)
    code, _, table = graded(capfd, lights)
    assert code == 0
    verdicts = [table[f"light_{k}.fits"]["verdict"] for k in range(count + 3)]
    assert verdicts == ["keep"] * count + ["reject"] * 3


@pytest.mark.parametrize("count", [1, 2])
def test_a_night_of_very_few_frames(tmp_path, capfd, count):
    lights = tmp_path / "lights"
    for k in range(count):
        write_light(lights / f"light_{k}.fits", k)
    code, _, table = graded(capfd, lights)
    assert (code, len(table)) == (0, count)
    _, printed, _ = run(capfd, "diagnose", tmp_path / "graded")
    kept = {1: "1 frame kept (1 min)", 2: "Both frames kept (2 min)"}[count]
    assert printed.startswith(f"{kept}.")
