"""Suggestions for a path that is not there: never a crash, never a long wait."""

from __future__ import annotations

import os

import pytest

from subgrade import given_paths, record
from subgrade.errors import UsageError
from subgrade.given_paths import check_paths, records_in
from subgrade.nearest_names import nearest_path
from subgrade.settings import Settings

RECORD = "time,RA error (arcsec),Dec error (arcsec)\n" + "".join(
    f"2024-03-08T21:{k // 60:02d}:{k % 60:02d}Z,{0.1 * (k % 7):.2f},{0.1 * (k % 5):.2f}\n"
    for k in range(300)
)


def test_link_in_a_circle_beside_a_misspelt_record(tmp_path):
    (tmp_path / "light.fits").write_bytes(b"SIMPLE  =")
    (tmp_path / "a_loop").symlink_to(tmp_path / "a_loop")
    (tmp_path / "guide_of_the_night.csv").write_text(RECORD)
    settings = Settings((tmp_path / "light.fits",), guide=(str(tmp_path / "xyz.log"),))
    with pytest.raises(UsageError, match=r"xyz\.log: no such file; did you mean .*guide_of_the"):
        check_paths(settings)


def test_only_so_many_bytes_are_tried_for_a_suggestion(tmp_path, monkeypatch):
    """A strange text takes a second or two a million bytes: twenty large ones took minutes."""
    monkeypatch.setattr(given_paths, "MOST_BYTES", 60_000)
    strange = b"2024-03-08 21:00:00 camera temperature -10.0\n"
    for k in range(8):
        (tmp_path / f"a{k}.log").write_bytes(strange * (25_000 // len(strange)))
    tried = []

    def read(path, **_):
        tried.append(os.path.getsize(path))
        return read_guide(path)

    read_guide = record.read_guide
    monkeypatch.setattr(record, "read_guide", read)
    (tmp_path / "z.csv").write_text(RECORD)
    assert list(records_in([str(tmp_path), str(tmp_path)])) == [str(tmp_path / "z.csv")]
    assert sum(tried) <= 60_000


@pytest.mark.parametrize("deep", [1100, 1900])
def test_path_of_very_many_parts(deep):
    assert nearest_path("no_such_folder_here/" * deep + "x", os.path.exists) is None


def test_misspelt_folder_above_a_misspelt_file(tmp_path, monkeypatch):
    (tmp_path / "night" / "lights").mkdir(parents=True)
    (tmp_path / "night" / "lights" / "light_001.fits").touch()
    monkeypatch.chdir(tmp_path)
    found = nearest_path("nigth/ligths/light_01.fits", os.path.isfile)
    assert found == os.path.join("night", "lights", "light_001.fits")
    absolute = nearest_path(str(tmp_path / "nigth" / "lights"), os.path.isdir)
    assert absolute == str(tmp_path / "night" / "lights")


@pytest.mark.parametrize("given", [".", "lights", "lights/light_*.fits", "lights/light_1.fits"])
def test_results_are_not_written_among_the_lights(tmp_path, monkeypatch, given):
    lights = tmp_path / "lights"
    lights.mkdir()
    (lights / "light_1.fits").touch()
    (tmp_path / "same").symlink_to(lights)
    monkeypatch.chdir(tmp_path)
    out = "." if given == "." else "lights"
    for folder in {out, str(tmp_path / out), "same" if out == "lights" else out}:
        with pytest.raises(UsageError, match="is the folder of the lights"):
            check_paths(Settings((given,), folder))
    # beside them, below them and above them there is room
    for folder in ("graded", "lights/graded", *(["."] if given != "." else [])):
        check_paths(Settings((given,), folder))
