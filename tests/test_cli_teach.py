"""``grade --teach`` and ``grade --marks`` end to end: what is printed, written and left alone."""

import json
import os
import shutil
import tomllib

import pytest

from subgrade.cli import main
from tests.cli_frames import rows, run, write_light


def session(folder) -> dict:
    return json.loads((folder / "session.json").read_text(encoding="utf-8"))


WIDE = (3, 6, 8)
"""Frames some 20 % wider than the rest, which the shipped limits let pass."""


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Nine frames: three a little swollen, one clouded; and one cut short."""
    folder = tmp_path_factory.mktemp("night") / "lights"
    for k in range(9):
        changes = {5: {"transparency": 0.35}} | {w: {"fwhm": 3.6} for w in WIDE}
        write_light(folder / f"light_{k:02d}.fits", k, **changes.get(k, {}))
    return folder


@pytest.fixture(scope="module")
def results(night):
    """The night graded without marks; later runs take its measurements."""
    out = night.parent / "graded"
    with pytest.raises(SystemExit) as left:
        main(["grade", str(night), "--out", str(out), "--workers", "1", "--quiet"])
    assert left.value.code == 0
    return out


@pytest.fixture(scope="module")
def strict(night):
    """Marks of a person who does not want the swollen frames."""
    path = night.parent / "strict.csv"
    lines = [f"light_{k:02d}.fits,{'reject' if k in (*WIDE, 5) else 'keep'}" for k in range(9)]
    path.write_text("\n".join(["frame,verdict", *lines]), encoding="utf-8")
    return path


def marks_file(folder, text):
    path = folder / "marks.csv"
    path.write_text(f"frame,verdict\n{text}", encoding="utf-8")
    return path


def test_the_swollen_frames_pass_before_teaching(results):
    assert [rows(results)[f"light_{k:02d}.fits"]["verdict"] for k in WIDE] == ["keep"] * 3
    assert not (results / "limits_taught.toml").exists()
    assert session(results)["teaching"] is session(results)["marks"] is None


def test_teaching_moves_a_limit_says_so_and_grades_by_it(night, results, strict, capfd):
    code, out, err = run(capfd, "grade", night, "--out", results, "--teach", strict)
    assert code == 0
    assert {rows(results)[f"light_{k:02d}.fits"]["verdict"] for k in WIDE} == {"reject"}
    taught = session(results)["teaching"]
    (lesson,) = taught["lessons"]
    (moved,) = (t for t in lesson["moved"] if t["key"] == "sharpness.ratio_low")
    assert moved["before"] == 1.25 > moved["after"]
    first, lesson, last = err.splitlines()[-3:]
    names = ", ".join(f"light_{k:02d}.fits" for k in WIDE)
    went = f"{len(taught['lessons'][0]['moved'])} limit"
    assert first.startswith(f"subgrade: 3 verdicts changed, {went}")
    assert first.endswith(f" moved: now reject {names}. All 9 marks agree.")
    assert f"FWHM: sharpness.ratio_low lowered from 1.25 to {moved['after']:g}" in lesson
    assert "because you rejected 3 frames within the limit (" in lesson
    assert (
        last == f"subgrade: Next night: subgrade grade NIGHT --limits {results}/limits_taught.toml"
    )
    assert "Your marks  sharpness.ratio_low lowered from 1.25 to " in out
    assert " to follow your marks; 3 verdicts changed next night: " in " ".join(out.split())
    assert f"next night: --limits {results}/limits_taught.toml\n" in out
    assert taught["still"] == []
    assert session(results)["limits"]["sharpness"]["ratio_low"] == moved["after"]


def test_the_taught_limits_serve_the_next_night(night, results, strict, capfd, tmp_path):
    run(capfd, "grade", night, "--out", results, "--teach", strict)
    taught = results / "limits_taught.toml"
    text = taught.read_text(encoding="utf-8")
    assert f"subgrade grade NIGHT --limits {taught}\n" in text.splitlines(keepends=True)[0]
    values = tomllib.loads(text)
    marks = [word for word, *_ in values.pop("taught")["frames"].values()]
    assert (marks.count("keep"), marks.count("reject")) == (5, 4)
    used = session(results)["limits"]
    assert values
    assert all(used[table][k] == v for table, keys in values.items() for k, v in keys.items())
    mine = tmp_path / "mine.toml"
    mine.write_bytes(taught.read_bytes())
    code, out, _ = run(capfd, "grade", night, "--out", results, "--limits", mine)
    assert code == 0
    assert {rows(results)[f"light_{k:02d}.fits"]["verdict"] for k in WIDE} == {"reject"}
    assert session(results)["limits"] == used
    assert "your marks" not in out


def test_the_same_marks_do_not_count_twice(night, results, strict, capfd, tmp_path):
    run(capfd, "grade", night, "--out", results, "--teach", strict)
    taught = results / "limits_taught.toml"
    first = tomllib.loads(taught.read_text(encoding="utf-8"))
    options = ("--teach", strict, "--limits", taught)
    code, _, err = run(capfd, "grade", night, "--out", results, *options)
    assert code == 0
    assert "No verdict changed, no limit moved. All 9 marks agree." in err
    assert "9 marks taught these limits before and are not counted twice." in err
    assert tomllib.loads(taught.read_text(encoding="utf-8")) == first


def test_however_the_same_marks_are_given_the_limits_are_the_same(
    night, results, strict, capfd, tmp_path
):
    """The table twice over, by stems, by paths, frame by frame, from a copy of the results."""
    run(capfd, "grade", night, "--out", results, "--teach", strict)
    once = tomllib.loads((results / "limits_taught.toml").read_text(encoding="utf-8"))
    header, *lines = strict.read_text(encoding="utf-8").splitlines()
    texts = [
        "\n".join([header, *lines, header, *lines]),
        "\n".join([header, *lines, *(line.replace(".fits", "") for line in lines)]),
        "\n".join([header, *(f"{night}/{line}" for line in lines)]),
        *("\n".join([header, *lines[k::3]]) for k in range(3)),
    ]
    copy = tmp_path / "copy"
    shutil.copytree(results, copy)
    for k, text in enumerate(texts):
        mine = tmp_path / f"mine_{k}.csv"
        mine.write_text(text, encoding="utf-8")
        options = ("--teach", mine, "--limits", copy / "limits_taught.toml")
        code, _, err = run(capfd, "grade", night, "--out", copy, *options)
        assert code == 0
        assert "no limit moved" in err
        found = tomllib.loads((copy / "limits_taught.toml").read_text(encoding="utf-8"))
        assert found == once


def test_frames_without_a_time_do_not_count_twice_either(capfd, tmp_path):
    lights = tmp_path / "lights"
    for k in range(9):
        changes = {"fwhm": 3.6} if k in WIDE else {}
        write_light(lights / f"light_{k:02d}.fits", k, **{"DATE-OBS": None}, **changes)
    mine = marks_file(tmp_path, "".join(f"light_{k:02d},reject\n" for k in WIDE))
    options = ("--workers", 1, "--teach", mine)
    taught = tmp_path / "graded" / "limits_taught.toml"
    code, _, _ = run(capfd, "grade", lights, "--out", taught.parent, *options)
    assert code == 0
    first = tomllib.loads(taught.read_text(encoding="utf-8"))
    assert first["sharpness"]["ratio_low"] < 1.25
    moved = tmp_path / "moved"
    lights.rename(moved)
    again = (*options, "--limits", taught)
    code, _, err = run(capfd, "grade", moved, "--out", tmp_path / "b", *again)
    assert code == 0
    assert "3 marks taught these limits before and are not counted twice." in err
    found = (tmp_path / "b" / "limits_taught.toml").read_text(encoding="utf-8")
    assert tomllib.loads(found) == first


def test_few_marks_that_change_nothing_say_so_first(night, results, capfd, tmp_path):
    out = tmp_path / "a b"
    mine = marks_file(tmp_path, "light_00,reject\nlight_01.fits,keep\n")
    options = ("--workers", 1, "--teach", mine)
    code, _, err = run(capfd, "grade", night, "--out", out, *options)
    assert code == 0
    first, few, *_ = err[err.index("No verdict") :].splitlines()
    assert first.startswith("No verdict changed, ")
    assert first.endswith(" moved. 1 mark agrees, 1 does not: light_00.fits.")
    assert few.endswith(
        "Five marks that agree move a limit; more that are close to it place it better. --marks "
        "follows your marks at once."
    )
    assert session(out)["teaching"]["changed"] == []


def test_a_table_of_known_marks_that_subgrade_did_not_write_is_named(
    night, results, strict, capfd, tmp_path
):
    given = tmp_path / "given.toml"
    given.write_text('[taught]\nFWHM = ["3f2a9c01b7de keep"]\n', encoding="utf-8")
    code, _, err = run(
        capfd, "grade", night, "--out", results, "--teach", strict, "--limits", given
    )
    assert code == 2
    assert "given.toml: [taught] is not as subgrade writes it; without that table the run" in err


def test_a_dry_run_names_no_file(night, results, strict, capfd):
    options = ("--dry-run", "--teach", strict)
    code, out, err = run(capfd, "grade", night, "--out", results, *options)
    assert code == 0
    assert "--limits" not in out + err
    assert "A dry run writes nothing; without --dry-run limits_taught.toml keeps these" in err


def test_a_results_folder_with_a_blank_is_quoted(night, strict, capfd, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    options = ("--workers", 1, "--teach", strict)
    _, out, err = run(capfd, "grade", night, "--out", "a b", *options)
    assert "Next night: subgrade grade NIGHT --limits 'a b/limits_taught.toml'" in err
    assert "next night: --limits 'a b/limits_taught.toml'" in out
    text = (tmp_path / "a b" / "limits_taught.toml").read_text(encoding="utf-8")
    assert f"--limits '{tmp_path}/a b/limits_taught.toml'\n" in text


def test_a_limit_that_moved_is_said_even_when_quiet(night, results, strict, capfd):
    code, out, err = run(capfd, "grade", night, "--out", results, "--teach", strict, "--quiet")
    assert (code, out) == (0, "")
    assert "subgrade: FWHM: sharpness.ratio_low lowered from 1.25 to " in err


def test_marks_that_agree_move_nothing_and_that_is_said(night, results, capfd, tmp_path):
    run(capfd, "grade", night, "--out", results, "--quiet")
    own = tmp_path / "own.csv"
    own.write_bytes((results / "summary.csv").read_bytes())
    code, _, err = run(capfd, "grade", night, "--out", results, "--teach", own)
    assert code == 0
    assert "No verdict changed, no limit moved. All 9 marks agree.\n" in err
    taught = tomllib.loads((results / "limits_taught.toml").read_text(encoding="utf-8"))
    assert list(taught) == ["taught"]
    assert taught["taught"]["before"] == {}


def test_marks_overrule(night, results, capfd, tmp_path):
    mine = marks_file(tmp_path, "light_05.fits,keep\nlight_00.fits,reject\nelsewhere.fits,keep\n")
    code, out, err = run(capfd, "grade", night, "--out", results, "--marks", mine)
    assert code == 0
    table = rows(results)
    kept, gone = table["light_05.fits"], table["light_00.fits"]
    assert (kept["verdict"], kept["reasons"], kept["confidence"]) == ("keep", "cloud", "1.000")
    assert "by your mark; subgrade would have rejected it: " in kept["explanation"]
    assert 0 < float(kept["weight"]) < 0.5
    assert (gone["verdict"], gone["weight"]) == ("reject", "0.0000")
    assert gone["reasons"]
    assert "light_05.fits" in (results / "keeps.txt").read_text(encoding="utf-8")
    assert "light_00.fits" in (results / "rejects.txt").read_text(encoding="utf-8")
    assert max(float(r["weight"]) for r in table.values()) == 1.0
    assert "Your marks  2 frames decided by a mark, 2 verdicts overruled: " in out
    assert "marks on frames that are not of this night: 'elsewhere.fits'" in err
    assert session(results)["marks"]["overruled"] == ["light_00.fits", "light_05.fits"]
    _, out, _ = run(capfd, "explain", results, "light_05")
    assert "your mark" in out
    _, out, _ = run(capfd, "diagnose", results)
    assert out


def test_both_together_adapt_first_and_overrule_then(night, results, strict, capfd, tmp_path):
    mine = marks_file(tmp_path, "light_03.fits,keep\n")
    options = ("--teach", strict, "--marks", mine)
    code, _, _ = run(capfd, "grade", night, "--out", results, *options)
    assert code == 0
    verdicts = [rows(results)[f"light_{k:02d}.fits"]["verdict"] for k in WIDE]
    assert verdicts == ["keep", "reject", "reject"]
    assert "would have rejected it" in rows(results)["light_03.fits"]["explanation"]


def test_a_file_that_cannot_be_read_stays_so(night, capfd, tmp_path):
    lights = tmp_path / "lights"
    lights.mkdir()
    for path in night.iterdir():
        os.link(path, lights / path.name)
    (lights / "cut.fits").write_bytes((night / "light_01.fits").read_bytes()[:60_000])
    mine = marks_file(tmp_path, "cut.fits,keep\n")
    options = ("--teach", mine, "--marks", mine, "--workers", 1)
    code, _, err = run(capfd, "grade", lights, "--out", tmp_path / "r", *options)
    assert code == 3
    assert rows(tmp_path / "r")["cut.fits"]["verdict"] == "unreadable"
    assert "cut.fits: cannot be kept as marked: it was not measured" in err
    assert "Nothing learnt from cut.fits: not measured" in err
    assert "No marked frame was measured." in err


@pytest.mark.parametrize("option", ["--teach", "--marks"])
@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("light_00.fits,perhaps\n", "line 2: the verdict 'perhaps' is neither keep nor reject"),
        ("light_00.fits,keep\nlight_00.fits,reject\n", "lines 2 and 3 mark the same frame"),
        ("other.fits,keep\n", "marks no frame of this night; the first it names is 'other.fits'"),
        ("light_0x,keep\n", "'light_0x' (nearest: light_0"),
        ("light,keep\n", "line 2: 9 frames answer to 'light': 'light_00.fits', "),
        ("", "holds no marks"),
    ],
)
def test_a_bad_table_of_marks_is_wrong_usage(night, capfd, tmp_path, option, text, message):
    mine = marks_file(tmp_path, text)
    code, out, err = run(capfd, "grade", night, "--out", tmp_path / "r", option, mine)
    assert (code, out) == (2, "")
    assert message in err
    assert "marks.csv" in err
    assert not (tmp_path / "r").exists()


def test_a_missing_table_of_marks_is_wrong_usage(night, capfd, tmp_path):
    code, _, err = run(
        capfd,
        "grade",
        night,
        "--out",
        tmp_path / "subgrade_results",
        "--marks",
        tmp_path / "none.csv",
    )
    assert code == 2
    assert "none.csv: " in err
    assert not (tmp_path / "subgrade_results").exists()


def test_nothing_of_the_users_is_written_over(night, results, strict, capfd):
    run(capfd, "grade", night, "--out", results, "--quiet")
    summary = results / "summary.csv"
    before = summary.read_bytes()
    code, _, err = run(capfd, "grade", night, "--out", results, "--teach", summary)
    assert code == 2
    assert "copy it elsewhere" in err
    taught = results / "limits_taught.toml"
    taught.write_text("[roundness]\nfloor = 0.5  # my own\n", encoding="utf-8")
    code, _, err = run(capfd, "grade", night, "--out", results, "--teach", strict)
    assert code == 2
    assert "limits_taught.toml: was not written by subgrade and is left alone" in err
    assert "my own" in taught.read_text(encoding="utf-8")
    assert summary.read_bytes() == before
    taught.unlink()
