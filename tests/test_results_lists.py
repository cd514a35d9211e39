"""Lists for other programs, and runs that write nothing."""

import os
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from subgrade.cli import main
from subgrade.results import write_results
from subgrade.results.lists import list_warnings, path_list, stands_alone
from tests.cli_frames import write_light, write_night
from tests.judged_nights import Shot, steady
from tests.report_nights import graded_of

posix = pytest.mark.skipif(sys.platform == "win32", reason="names that Windows does not allow")


def night(names):
    """A graded night whose frames bear the names, the last but one clouded."""
    shots = steady(len(names))
    shots[-2] = Shot(transparency=0.3)
    return graded_of(shots, names=names)


def run(capfd, *arguments):
    with pytest.raises(SystemExit) as left:
        main([str(a) for a in arguments])
    out, err = capfd.readouterr()
    return left.value.code, out, err


def everything(folder: Path) -> dict:
    return {p: (p.stat().st_mtime_ns, p.stat().st_size) for p in folder.rglob("*")}


def test_every_style_names_the_same_frames():
    names = [f"a/light_{k}.fits" for k in range(8)]
    graded = night(names)
    (reject,) = [f.name for f in graded.frames if f.judgement.verdict == "reject"]
    lists = {s: path_list(graded, ("reject",), s) for s in ("relative", "paths", "names")}
    assert lists["relative"] == f"# {graded.folder}\n{reject}\n"
    assert lists["paths"] == os.path.abspath(graded.folder / reject) + "\n"
    assert lists["names"] == Path(reject).name + "\n"
    assert not any(list_warnings(graded, style) for style in lists)
    assert path_list(graded, ("unreadable",), "names") == ""


def test_the_settings_choose_the_style_of_both_lists(tmp_path):
    graded = replace(night([f"{k}.fits" for k in range(8)]), settings={"list_style": "names"})
    folder = write_results(graded, tmp_path)
    both = [(folder / f).read_text().splitlines() for f in ("keeps.txt", "rejects.txt")]
    assert both[1] == ["6.fits"]
    assert sorted(both[0] + both[1]) == [f"{k}.fits" for k in range(8)]


@posix
def test_what_a_line_cannot_hold_is_left_out_and_named():
    odd = ["a\nb.fits", "a\rb.fits", "a\u2028b.fits", "x\x1b[1m.fits", os.fsdecode(b"caf\xe9.fits")]
    plain = ["# hash.fits", " blank .fits", '"q".fits', "über Σ.fits", "a;b.fits"]
    graded = night([*odd, *plain])
    for style in ("paths", "names"):
        lines = path_list(graded, ("keep", "reject"), style).splitlines()
        assert [Path(line).name for line in lines] == plain
        (note,) = list_warnings(graded, style)
        assert all(name in note for name in odd)
        assert "--list-style relative" in note
    assert list_warnings(graded, "relative") == []
    assert len(path_list(graded, ("keep", "reject")).splitlines()) == 1 + 10


def test_bare_names_in_several_folders_are_ambiguous():
    names = [f"{d}/{n}.fits" for n in ("one", "two", "three") for d in "abc"]
    graded = night([*names[:-1], "c/four.fits"])
    assert graded.frames[-2].judgement.verdict == "reject"
    split, alike = list_warnings(graded, "names")
    assert split.startswith("ambiguous in the lists, kept in one folder and rejected in another: ")
    assert "three.fits;" in split
    assert "one.fits, two.fits;" in alike
    assert list_warnings(graded, "paths") == []


def test_a_line_is_what_python_reads_back():
    for text in ("a", "a b", "ü"):
        assert stands_alone(text)
    for text in ("", "a\nb", "a\x85b", "a\x0cb", "a\tb", "\udce9"):
        assert not stands_alone(text)


def test_a_dry_run_writes_nothing_and_prints_the_rejects(capfd, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    lights = write_night(tmp_path / "lights")
    before = everything(tmp_path)
    arguments = ("grade", lights, "--workers", 1, "--dry-run")
    code, out, err = run(capfd, *arguments)
    assert code == 0
    assert everything(tmp_path) == before
    assert "8 files: 6 kept (6 min), 2 rejected (2 min)" in out
    assert "a dry run writes nothing" in out
    assert out.endswith(f"\n# {lights}\nlight_03.fits\nlight_05.fits\n")
    code, out, err = run(capfd, *arguments, "--quiet", "--list-style", "paths")
    assert (code, err) == (0, "")
    assert out.splitlines() == [str(lights / "light_03.fits"), str(lights / "light_05.fits")]
    assert everything(tmp_path) == before


def test_a_dry_run_reads_what_an_earlier_run_kept_and_leaves_its_results(capfd, tmp_path):
    lights, out = write_night(tmp_path / "lights"), tmp_path / "r"
    run(capfd, "grade", lights, "--out", out, "--workers", 1, "--quiet", "--no-report")
    write_light(lights / "light_08.fits", 8)
    lax = tmp_path / "lax.toml"
    lax.write_text("[sharpness]\nratio_low = 2.5\nratio_high = 2.5\nbest_ratio = 2.5\n")
    before = everything(tmp_path)
    code, printed, err = run(
        capfd, "grade", lights, "--out", out, "--workers", 1, "--dry-run", "--limits", lax
    )
    assert code == 0
    assert "measured 8 of 9 files, 8 of them earlier" in err
    assert printed.endswith(f"# {lights}\nlight_05.fits\n")
    assert everything(tmp_path) == before


def test_ambiguous_names_are_shown_on_the_command_line(capfd, tmp_path):
    for k in range(6):
        write_light(tmp_path / "l" / "ab"[k % 2] / f"light_{k // 2}.fits", k)
    code, _, err = run(
        capfd,
        "grade",
        tmp_path / "l",
        "--out",
        tmp_path / "r",
        "--workers",
        1,
        "--quiet",
        "--list-style",
        "names",
        "--no-report",
    )
    assert code == 0
    assert "subgrade: ambiguous in the lists, the name of several files: light_0.fits, " in err
    assert (tmp_path / "r" / "keeps.txt").read_text().splitlines() == [
        f"light_{k // 2}.fits" for k in range(6)
    ]
