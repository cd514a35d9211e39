"""Finding candidate frames: by content, in natural order, each once."""

from __future__ import annotations

import gzip
import os

import numpy as np
import pytest
from astropy.io import fits

from subgrade.errors import UnreadableFile, UsageError
from subgrade.lights import find_lights, natural_key, read_light

FRAME = None


def frame_bytes():
    global FRAME
    if FRAME is None:
        from io import BytesIO

        stream = BytesIO()
        fits.PrimaryHDU(np.arange(60, dtype=np.uint16).reshape(6, 10)).writeto(stream)
        FRAME = stream.getvalue()
    return FRAME


def put(folder, *names, content=None):
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(frame_bytes() if content is None else content)
    return folder


def names(found):
    return [found.name(path) for path in found.files]


def test_folders_are_searched_by_content_in_natural_order(tmp_path):
    put(tmp_path, "light_10.fits", "light_2.FIT", "b/Light_1.fts", "a/x.bin", "light_1.fits")
    put(tmp_path, "z.fits.gz", "y.dat", content=gzip.compress(frame_bytes()))
    put(tmp_path, "notes.txt", "guide.log", "picture.jpg", content=b"no image")
    put(tmp_path, ".hidden/light.fits", ".light.fits")
    found = find_lights([tmp_path])
    assert names(found) == [
        "a/x.bin",
        "b/Light_1.fts",
        "light_1.fits",
        "light_2.FIT",
        "light_10.fits",
        "y.dat",
        "z.fits.gz",
    ]
    assert found.folder == tmp_path
    for path in found.files:
        assert read_light(path).pixels.shape == (6, 10)


def test_damaged_frames_are_candidates_so_that_they_are_reported(tmp_path):
    put(tmp_path, "empty.fits", content=b"")
    put(tmp_path, "cut.fit.gz", content=gzip.compress(frame_bytes())[:20])
    put(tmp_path, "garbage.FTS", "a.tif", "a.nef", content=b"garbage")
    found = find_lights([tmp_path])
    assert len(found.files) == 5
    for path in found.files:
        with pytest.raises(UnreadableFile):
            read_light(path)


def test_results_of_an_earlier_run_are_passed_over(tmp_path):
    put(tmp_path, "a.fits", "subgrade_results/deep/c.fits")
    put(tmp_path, "other/d.fits")
    for name in ("session.json", "summary.csv"):
        put(tmp_path, f"subgrade_results/{name}", content=b"")
    put(tmp_path, "other/session.json", content=b"")
    assert names(find_lights([tmp_path])) == ["a.fits", "other/d.fits"]
    # named on purpose, it is searched
    assert names(find_lights([tmp_path / "subgrade_results"])) == ["deep/c.fits"]


def test_frames_beside_results_are_not_passed_over(tmp_path):
    """Results of ``grade lights/*.fits --out lights`` must not hide that night from a later run."""
    put(tmp_path, "night/a.fits", "other/b.fits")
    put(tmp_path, "night/session.json", "night/summary.csv", content=b"")
    assert names(find_lights(tmp_path)) == ["night/a.fits", "other/b.fits"]


def test_excluded_files_and_folders(tmp_path):
    put(tmp_path, "a.fits", "masters/dark.fits", "flat.fits", "out/b.fits")
    found = find_lights(
        [tmp_path],
        exclude=[
            tmp_path / "masters",
            tmp_path / "flat.fits",
            tmp_path / "out",
            tmp_path / "absent",
        ],
    )
    assert names(found) == ["a.fits"]
    assert names(find_lights([tmp_path / "a.fits"], exclude=[tmp_path / "a.fits"])) == []


def test_files_folders_and_patterns_mix_and_each_file_comes_once(tmp_path, monkeypatch):
    put(tmp_path, "n1/a1.fits", "n1/a2.fits", "n2/b.fits")
    put(tmp_path, "n1/a.txt", content=b"no image")
    monkeypatch.chdir(tmp_path)
    found = find_lights(
        ["n1", "n1/a1.fits", str(tmp_path / "n2" / ".." / "n1"), "n*/*.fits", "n1/*"]
    )
    assert names(found) == ["n1/a1.fits", "n1/a2.fits", "n2/b.fits"]
    assert found.folder == tmp_path
    assert all(path.is_absolute() for path in found.files)
    assert names(find_lights(["**/*.fits"])) == names(find_lights(["n?"])) == names(found)
    assert find_lights(["n1/a1.fits"]).folder == tmp_path / "n1"


def test_a_real_name_with_brackets_is_no_pattern(tmp_path):
    put(tmp_path, "M 31 [Ha]/a.fits")
    assert names(find_lights([tmp_path / "M 31 [Ha]"])) == ["a.fits"]
    assert names(find_lights([tmp_path / "M 31 [Ha]" / "a.fits"])) == ["a.fits"]


@pytest.mark.parametrize("given", ["absent.fits", "absent", "*.nothing", "absent/*"])
def test_what_does_not_exist_is_wrong_usage(tmp_path, given):
    with pytest.raises(UsageError, match="no "):
        find_lights([tmp_path / given])


def test_a_named_file_of_another_kind_is_an_error_when_read(tmp_path):
    put(tmp_path, "guide.txt", content=b"time,dx,dy")
    assert names(find_lights([tmp_path])) == []
    (path,) = find_lights([tmp_path / "guide.txt"]).files
    with pytest.raises(UnreadableFile, match="not a FITS, TIFF or camera raw file"):
        read_light(path)


def test_empty_folder(tmp_path):
    found = find_lights([tmp_path])
    assert (found.files, found.folder) == ((), tmp_path)


def link(path, target):
    try:
        os.symlink(target, path)
    except OSError:
        pytest.skip("this system does not let symbolic links be made")


def test_symbolic_links_end_and_do_not_double(tmp_path):
    put(tmp_path, "night/a.fits", "elsewhere/b.fits")
    link(tmp_path / "night" / "loop", tmp_path / "night")
    link(tmp_path / "night" / "more", tmp_path / "elsewhere")
    link(tmp_path / "night" / "again.fits", tmp_path / "night" / "a.fits")
    link(tmp_path / "night" / "dangling.fits", tmp_path / "gone.fits")
    found = find_lights([tmp_path / "night"])
    assert names(found) == ["a.fits", "more/b.fits"]


@pytest.mark.skipif(os.name == "nt", reason="needs enforced permissions")
def test_a_folder_without_permission_is_noted(bound):
    folder, permissions = bound
    put(folder, "a.fits", "locked/b.fits")
    (folder / "locked").chmod(0)
    try:
        with permissions():
            found = find_lights([folder])
    finally:
        (folder / "locked").chmod(0o700)
    assert names(found) == ["a.fits"]
    assert "locked" in found.notes[0]


def test_natural_order():
    given = ["a10", "a2", "A1", "b", "a2b", "a02", "2024", "10"]
    assert sorted(given, key=natural_key) == ["10", "2024", "A1", "a02", "a2", "a2b", "a10", "b"]
    assert sorted(["1a", "a1", "¹", "é"], key=natural_key)  # digits that int() refuses are letters


def test_capitals_are_kept_apart_where_the_file_system_does(tmp_path):
    put(tmp_path, "a.fits", "A.fits")
    there = sorted(os.listdir(tmp_path))
    assert sorted(names(find_lights([tmp_path]))) == there


def test_one_path_alone_needs_no_list(tmp_path):
    put(tmp_path, "a.fits")
    assert names(find_lights(tmp_path)) == names(find_lights(str(tmp_path))) == ["a.fits"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_named_pipe_does_not_stop_the_run(tmp_path):
    put(tmp_path, "a.fits")
    os.mkfifo(tmp_path / "b.fits")
    assert names(find_lights([tmp_path])) == ["a.fits"]
    (path,) = find_lights([tmp_path / "b.fits"]).files
    with pytest.raises(UnreadableFile, match="not a regular file"):
        read_light(path)
