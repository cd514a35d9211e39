"""``subgrade nights``: its folders, files, exit codes and one-screen summary."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import pytest

from subgrade.cli.nights_summary import nights_lines
from subgrade.cli.terminal import Screen
from subgrade.season.folders import results_folders
from tests.cli_frames import run
from tests.season_nights import Plan, Sky, write_night
from tests.season_pages import season_of_values

FILES = {"nights.csv", "nights.html", "nights.json", "weights.csv"}
STARTS = ("2030-03-17T20:00:00Z", "2030-03-20T20:30:00Z", "2030-04-02T21:00:00Z")
HOSTILE = "M 31</script><img src=x onerror=alert(1)>\x1b[31m\u202e"


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Three nights in folders within folders, the second half as clear."""
    home = tmp_path_factory.mktemp("nights")
    sky = Sky.random(stars=500)
    for k, start in enumerate(STARTS):
        plan = Plan(start, frames=6, ratio=0.5 if k == 1 else 1.0, rejects={2: "cloud"})
        write_night(home / "m31" / f"month_{k}" / "graded", [plan], sky, seed=k)
    return home


@pytest.fixture
def nights(made, tmp_path) -> Path:
    """A copy that a test may change."""
    return Path(shutil.copytree(made, tmp_path / "home")) / "m31"


def digest(folder: Path) -> dict[str, str]:
    return {
        str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.rglob("*") if p.is_file()
    }


def test_a_folder_that_holds_results_gives_all_of_them(nights, tmp_path, capfd):
    before = digest(nights)
    code, out, err = run(capfd, "nights", nights, "--out", tmp_path / "season")
    assert code == 0, err
    assert {p.name for p in (tmp_path / "season").iterdir()} == FILES
    assert digest(nights) == before
    assert out.startswith("3 nights, 2030-03-17 to 2030-04-02: 30 min kept, 6 min lost; 83% of ")
    row = next(line for line in out.splitlines() if line.startswith("NGC 7000"))
    assert row.split()[2:9] == ["L", "120", "s", "3", "30", "min", "6"]
    assert f"Files       {tmp_path / 'season'}: nights.html, nights.csv, weights.csv" in out


def test_folders_are_found_once_and_in_order(nights):
    one = nights / "month_1" / "graded"
    found = results_folders([one, nights, nights / "none", one / ".." / "graded"])
    first, *rest = map(str, (one, nights / "month_0" / "graded", nights / "month_2" / "graded"))
    assert found == (first, *rest, str(nights / "none"))


def test_hidden_folders_and_links_are_left_out(nights, tmp_path):
    shutil.move(nights / "month_2", nights / ".month_2")
    (nights / "linked").symlink_to(nights / ".month_2")
    assert len(results_folders([nights])) == 2


def test_a_tilde_that_the_shell_left_is_the_home_folder(nights, monkeypatch, capfd):
    monkeypatch.setenv("HOME", str(nights.parent))
    code, _, err = run(capfd, "nights", "~/m31", "--out", "~/season", "--quiet")
    assert (code, err) == (0, "")
    assert (nights.parent / "season" / "nights.csv").is_file()


def test_json_is_strict_and_the_file_has_the_same(nights, tmp_path, capfd):
    def not_json(word):
        raise AssertionError(word)

    code, out, _ = run(capfd, "nights", nights, "--out", tmp_path / "s", "--json", "--no-report")
    assert code == 0
    record = json.loads(out, parse_constant=not_json)
    kept = json.loads((tmp_path / "s" / "nights.json").read_text(encoding="utf-8"))
    assert {**record, "written_utc": ""} == {**kept, "written_utc": ""}
    assert len(record["nights"]) == 3
    assert not (tmp_path / "s" / "nights.html").exists()


def test_quiet_prints_nothing(nights, tmp_path, capfd):
    assert run(capfd, "nights", nights, "--out", tmp_path / "s", "-q") == (0, "", "")


def test_what_cannot_be_used_is_named_and_the_rest_goes_on(nights, tmp_path, capfd):
    (nights / "month_1" / "graded" / "session.json").write_text("{", encoding="utf-8")
    code, out, err = run(capfd, "nights", nights, tmp_path / "none", "--out", tmp_path / "s")
    assert code == 3
    assert out.startswith("2 nights, ")
    assert f"not used: {nights / 'month_1' / 'graded'}: " in err
    assert f"not used: {tmp_path / 'none'}: no such folder" in err


@pytest.mark.parametrize("name", ["none", "empty", "file"])
def test_nothing_that_can_be_used(name, tmp_path, capfd):
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("no results", encoding="utf-8")
    code, out, err = run(capfd, "nights", tmp_path / name, "--out", tmp_path / "s")
    assert code == 1
    assert out == ""
    assert str(tmp_path / name) in err
    assert not (tmp_path / "s").exists()


def test_wrong_usage(nights, tmp_path, capfd):
    assert run(capfd, "nights")[0] == 2
    (tmp_path / "file").touch()
    code, _, err = run(capfd, "nights", nights, "--out", tmp_path / "file")
    assert code == 2
    assert "is a file; --out must name a folder" in err


def test_never_into_the_results_of_a_night(nights, capfd):
    before = digest(nights)
    code, _, err = run(capfd, "nights", nights, "--out", nights / "month_0" / "graded")
    assert code == 2
    assert "choose another folder with --out" in err
    assert digest(nights) == before


def test_what_cannot_be_written(nights, tmp_path, capfd):
    (tmp_path / "s" / "nights.csv").mkdir(parents=True)
    code, _, err = run(capfd, "nights", nights, "--out", tmp_path / "s")
    assert code == 4
    assert "nights.csv" in err
    assert {p.name for p in (tmp_path / "s").iterdir()} == {"nights.csv"}


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("count", [1, 2, 50])
def test_the_summary_fits_a_screen(width, count, tmp_path):
    season = season_of_values(count, 20, ("M 31", "NGC 7000"), ("L", "Ha"))
    lines = [t.plain for t in nights_lines(season, str(tmp_path), Screen(width, 24, folds=True))]
    assert max(map(len, lines)) <= width
    assert len(lines) <= 23  # the prompt follows
    text = " ".join(" ".join(lines).split())
    assert ("The polar axis moved between" in text) == (count > 1)
    assert ("The plain mean is better without" in text) == (count > 2)
    assert "NGC 7000 L 180 s" in text


def test_many_stacks_are_cut_and_counted(tmp_path):
    season = season_of_values(2, 60, tuple(f"target {k}" for k in range(20)), ("L",))
    lines = [t.plain for t in nights_lines(season, str(tmp_path), Screen(80, 24, folds=True))]
    assert "and 13 more, in nights.html and nights.json" in lines
    whole = [t.plain for t in nights_lines(season, str(tmp_path), Screen())]
    assert sum(line.startswith("target ") for line in whole) == 21  # the titles' row as well


def test_no_sign_in_a_name_steers_the_terminal(tmp_path):
    season = season_of_values(3, 10, (HOSTILE,), more=HOSTILE)
    text = "".join(t.plain for t in nights_lines(season, str(tmp_path), Screen()))
    assert "</script>" in text
    assert text.isprintable()


def test_a_night_without_its_measurements_is_named_as_not_weighed(nights, tmp_path, capfd):
    shutil.rmtree(nights / "month_1" / "graded" / "measured")
    code, out, err = run(capfd, "nights", nights, "--out", tmp_path / "season")
    assert code == 3
    assert "not used: 2030-03-20 (" in err
    assert "5 kept frames have no weight" in err
    assert "30 min kept" in out.splitlines()[0]
    assert "2030-03-20" not in (tmp_path / "season" / "weights.csv").read_text("utf-8")
