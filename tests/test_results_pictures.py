"""Pictures are kept beside the measurement, found again, and drawn anew where they are missing."""

import os
import shutil

import numpy as np
import pytest

from subgrade.pipeline import Settings, find, grade, measure
from subgrade.results.measurement_cache import KeptPictures, MeasurementCache
from subgrade.stars.model import CutOut, FramePictures, Picture
from tests.cli_frames import write_light, write_night

ONE = Picture(b"\xff\xd8 any bytes \x00", 4, 3, "image/jpeg")
PICTURES = FramePictures(ONE, 0.125, (CutOut("centre", 10.5, 20.25, 26, ONE),))


@pytest.fixture
def cache(tmp_path):
    return MeasurementCache(tmp_path / "measured", {"measure": 1})


def test_pictures_come_back_as_they_were(cache):
    assert cache.load_pictures("a") is None
    assert not cache.has_pictures("a")
    cache.save_pictures("a", PICTURES)
    assert cache.has_pictures("a")
    assert cache.load_pictures("a") == PICTURES
    assert KeptPictures(cache, "a").load() == PICTURES
    assert cache.load("a") is None, "pictures are not a measurement"
    assert len(os.listdir(cache.folder)) == 1


@pytest.mark.parametrize("damage", ["cut", "empty", "other key", "other kind"])
def test_damaged_pictures_are_as_good_as_none(cache, damage):
    cache.save_pictures("a", PICTURES)
    (path,) = cache.folder.iterdir()
    data = path.read_bytes()
    if damage == "cut":
        path.write_bytes(data[: len(data) // 2])
    elif damage == "empty":
        path.write_bytes(b"")
    elif damage == "other key":
        cache.save_pictures("b", PICTURES)
        shutil.copy(cache.folder / path.name.replace("a", "b", 1), path)
    else:
        cache.save_pictures("a", ONE)
    assert cache.load_pictures("a") is None


def picture_files(out):
    return sorted(p for p in (out / "measured").iterdir() if ".drawn" in p.name)


@pytest.fixture(scope="module")
def graded_once(tmp_path_factory):
    folder = tmp_path_factory.mktemp("night")
    lights, out = write_night(folder / "lights", 3), folder / "r"
    np.zeros(3).tofile(lights / "broken.fits")
    write_light(lights / "dark.fits", 9, IMAGETYP="DARK")
    settings = Settings((str(lights),), out=str(out), workers=1)
    return settings, out, grade(settings)


def test_every_graded_frame_reaches_its_pictures(graded_once):
    _, out, graded = graded_once
    assert len(picture_files(out)) == 3
    frames = {frame.name: frame for frame in graded.frames}
    for k in range(3):
        pictures = frames[f"light_{k:02d}.fits"].pictures.load()
        assert pictures.thumbnail.width == 360 * pictures.scale
        assert len(pictures.cutouts) == 5
    assert frames["broken.fits"].pictures is None
    assert frames["dark.fits"].pictures is None


def test_missing_pictures_are_drawn_without_measuring_again(graded_once, monkeypatch):
    settings, out, _ = graded_once
    before = {path.name: path.read_bytes() for path in picture_files(out)}
    for path in picture_files(out)[:2]:
        path.unlink()

    def never(*_):
        raise AssertionError("measured again")

    measured = {p.name: p.stat().st_mtime_ns for p in (out / "measured").glob("*.kept")}
    monkeypatch.setattr("subgrade.stars.measure.measure_stars", never)
    grade(settings)
    assert {path.name: path.read_bytes() for path in picture_files(out)} == before
    assert {p.name: p.stat().st_mtime_ns for p in (out / "measured").glob("*.kept")} == measured


def test_a_frame_that_cannot_be_drawn_is_graded_all_the_same(tmp_path, monkeypatch):
    def fails(*_):
        raise ValueError("no picture")

    monkeypatch.setattr("subgrade.stars.pictures.frame_pictures", fails)
    write_light(tmp_path / "lights" / "a.fits", 0)
    settings = Settings((str(tmp_path / "lights"),), out=str(tmp_path / "r"), workers=1)
    graded = grade(settings)
    assert graded.frames[0].stars.stars > 10
    assert graded.frames[0].pictures.load() is None


def test_masters_are_laid_under_pictures_drawn_later(tmp_path):
    from astropy.io import fits

    path = write_light(tmp_path / "lights" / "a.fits", 0)
    pattern = np.zeros(fits.getdata(path).shape, np.uint16)
    pattern[:, :180] = 500
    fits.writeto(tmp_path / "dark.fits", pattern)
    settings = Settings(
        (str(path),), out=str(tmp_path / "r"), workers=1, dark=str(tmp_path / "dark.fits")
    )
    graded = grade(settings)
    first = graded.frames[0].pictures.load()
    for file in picture_files(tmp_path / "r"):
        file.unlink()
    from subgrade.pipeline import Progress

    measure(find(settings), settings, Progress())
    assert graded.frames[0].pictures.load() == first
    plain = grade(Settings((str(path),), out=str(tmp_path / "plain"), workers=1))
    assert plain.frames[0].pictures.load() != first
