"""Grading what a cull left: the culled frames are named, and nothing known of them is lost."""

from __future__ import annotations

import json

import pytest

from subgrade.moving import cull, disk
from subgrade.moving.already_moved import culled_away
from subgrade.results import open_results
from tests.cli_frames import rows, run, write_night
from tests.culled_nights import other_disk, tree

REJECTS = ("light_03.fits", "light_05.fits")


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    """A night of which two frames are culled and the rest is graded again."""
    return write_night(tmp_path_factory.mktemp("regrade") / "lights")


@pytest.fixture
def night(measured, tmp_path, capfd):
    """Lights with their results, graded once; two of the eight are rejects."""
    lights, results = tmp_path / "lights", tmp_path / "graded"
    lights.mkdir()
    for path in measured.iterdir():
        (lights / path.name).write_bytes(path.read_bytes())
    assert grade(capfd, lights, results)[0] == 0
    return lights, results


def grade(capfd, lights, results, *options):
    return run(capfd, "grade", lights, "--out", results, "--workers", 1, "--no-report", *options)


def test_a_grade_after_a_cull_says_what_is_missing_and_loses_nothing(night, tmp_path, capfd):
    lights, results = night
    before, table = tree(lights), rows(results)
    first = {f["values"]["frame"]: f for f in open_results(results).frames}
    culled = tmp_path / "culled"
    assert run(capfd, "cull", results, "--to", culled)[0] == 0
    line = f"2 frames culled earlier (now in {culled})"
    for _ in range(2):  # what was known is handed on by every grade
        _, out, _ = grade(capfd, lights, results)
        assert f"Left out    {line}; subgrade restore {results} brings them back" in out
        assert len(rows(results)) == 6
    session = open_results(results)
    assert {c["frame"] for c in session.culled} == set(REJECTS)
    assert all(c["record"] == first[c["frame"]] for c in session.culled)
    assert session.record["diagnosis"]["notes"][0] == line

    code, out, _ = run(capfd, "explain", results, "03")
    assert code == 0
    assert f"light_03.fits was culled before the last grade and is now at {culled}" in out
    assert table["light_03.fits"]["explanation"] in " ".join(out.split())
    _, out, _ = run(capfd, "explain", results, "light_05", "--json")
    explained = json.loads(out)
    assert explained.pop("culled").startswith("light_05.fits was culled")
    assert explained == first["light_05.fits"]

    assert run(capfd, "restore", results)[:2] == (0, "Brought back 2 frames (2 min).\n")
    assert tree(lights) == before
    assert "is back: grade again" in run(capfd, "explain", results, "03")[1]
    _, out, _ = grade(capfd, lights, results)
    assert "Left out" not in out
    assert rows(results) == table
    assert open_results(results).culled == []


def test_a_second_cull_and_one_restore_bring_back_both(night, tmp_path, capfd):
    lights, results = night
    before = tree(lights)
    run(capfd, "cull", results, "--to", tmp_path / "one")
    (tmp_path / "marks.csv").write_text("frame,verdict\nlight_01,reject\n", encoding="utf-8")
    grade(capfd, lights, results, "--marks", tmp_path / "marks.csv")
    run(capfd, "cull", results, "--to", tmp_path / "two")
    _, out, _ = grade(capfd, lights, results)
    folders = f"{tmp_path / 'one'} and {tmp_path / 'two'}"
    assert f"3 frames culled earlier (now in {folders})" in out
    assert run(capfd, "restore", results)[0] == 0
    assert tree(lights) == before


def test_a_culled_frame_that_is_graded_where_it_lies_is_not_missing(night, tmp_path, capfd):
    lights, results = night
    culled = tmp_path / "culled"
    run(capfd, "cull", results, "--to", culled)
    graded = [*lights.iterdir(), culled / REJECTS[0]]
    (missing,) = culled_away(results, graded)
    assert (missing.name, missing.place) == (REJECTS[1], culled / REJECTS[1])
    (culled / REJECTS[1]).rename(tmp_path / "elsewhere.fits")  # as if its disk were away
    assert [c.name for c in culled_away(results, graded)] == [REJECTS[1]]


def test_links_take_nothing_away(night, tmp_path, capfd):
    lights, results = night
    run(capfd, "cull", results, "--to", tmp_path / "look", "--link")
    assert culled_away(results, list(lights.iterdir())) == ()


def test_a_frame_whose_verdict_is_lost_is_named_all_the_same(night, tmp_path, capfd):
    lights, results = night
    run(capfd, "cull", results, "--to", tmp_path / "culled")
    (results / "session.json").unlink()
    _, out, _ = grade(capfd, lights, results)
    assert "2 frames culled earlier" in out
    code, _, err = run(capfd, "explain", results, "light_03")
    assert code == 2
    assert f"is now at {tmp_path / 'culled' / 'light_03.fits'}" in err
    assert "no longer holds a verdict on it" in err


def test_marks_on_culled_frames_are_named_as_such(night, tmp_path, capfd):
    """They are of this night; another frame's name was once suggested for them."""
    lights, results = night
    run(capfd, "cull", results, "--to", tmp_path / "culled")
    marks = tmp_path / "marks.csv"
    marks.write_text("frame,verdict\nlight_3,keep\nlight_01,keep\n", encoding="utf-8")
    code, _, err = grade(capfd, lights, results, "--marks", marks)
    assert code == 0
    assert f"{marks}: 1 mark on frames that a cull moved away, not used" in err
    marks.write_text("frame,verdict\nlight_03,keep\nlight_5,keep\n", encoding="utf-8")
    code, _, err = grade(capfd, lights, results, "--teach", marks)
    assert code == 2
    assert "holds only 2 marks on frames that a cull moved away; restore them first" in err


def test_a_frame_that_a_stopped_cull_left_in_place_is_not_missing(night, tmp_path, monkeypatch):
    lights, results = night
    monkeypatch.setattr(disk, "exclusive_rename", other_disk(lights))
    monkeypatch.setattr(disk, "drop_origin", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        cull(results, tmp_path / "culled")
    assert (tmp_path / "culled" / REJECTS[0]).exists()
    assert (lights / REJECTS[0]).exists()
    assert culled_away(results, list(lights.iterdir())) == ()
