"""A night is never lost: whatever fails after measuring is left out, and the rest is written."""

from __future__ import annotations

import importlib
import json
import shutil

import pytest

from subgrade import stars
from subgrade.results import columns
from subgrade.results.write import FILES
from tests.cli_frames import rows, run, write_light, write_night

COUNT = 6
PAGE, REPORT = "report.html", "bug_report.txt"


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """A graded night of two filters whose measurements are kept."""
    from subgrade.pipeline import Settings, grade

    root = tmp_path_factory.mktemp("night")
    write_night(root / "lights", COUNT)
    for k in range(4):
        write_light(root / "lights" / f"red_{k}.fits", 10 + k, FILTER="R")
    grade(Settings((str(root / "lights"),), str(root / "graded"), workers=1))
    return root


@pytest.fixture
def again(night, tmp_path, capfd):
    """A function that grades a copy of the night again: exit code, stderr, session, folder."""
    shutil.copytree(night / "graded", tmp_path / "graded")
    for path in (tmp_path / "graded" / "measured").glob("*.outcomes"):
        path.unlink()  # a stage must run to fail

    def graded(*options):
        folder = tmp_path / "graded"
        code, _, err = run(
            capfd, "grade", night / "lights", "--out", folder, "--workers", 1, *options
        )
        path = folder / "session.json"
        return code, err, json.loads(path.read_text()) if path.exists() else None, folder

    return graded


def boom(*arguments, **options):
    raise ZeroDivisionError("injected")


def broken(monkeypatch, place, reached=None):
    """Let one function fail, and note that it was called."""

    def fails(*arguments, **options):
        if reached is not None:
            reached.append(place)
        boom()

    module, name = place.rsplit(".", 1)
    monkeypatch.setattr(importlib.import_module(module), name, fails)


TOGETHER = (
    {"subgrade.night.compare_night": "the comparison of the frames"},
    {"subgrade.night.group.sort_frames": "the comparison of the frames"},
    {
        "subgrade.night.transparency.group_transparency": "the comparison of Test Field, L, 60 s",
        "subgrade.judging.follow": "the trail that all frames share",
        "subgrade.results.run_notes.with_culled": "the list of culled frames",
        "subgrade.diagnosis.diagnose_night": "the diagnosis",
        "subgrade.results.session.night_summary": "the summary of the night",
    },
    {
        "subgrade.judging.judge._judge_frame": "the verdicts on Test Field, L, 60 s",
        "subgrade.pipeline.join": "the guiding record",
        "subgrade.moving.already_moved.culled_away": "the list of culled frames",
        "subgrade.diagnosis.diagnose._losses": "the table of losses",
        "subgrade.diagnosis.diagnose._summary": "the diagnosis in a sentence",
        "subgrade.results.session.remarks_of": "the remarks on the night",
        "subgrade.results.session.totals": "the totals",
    },
    {
        "subgrade.judging.judge.stack_weights": "the verdicts on Test Field, L, 60 s",
        "subgrade.pipeline.announce_unguided": "the note on earlier results",
        "subgrade.results.file_identities": "the files' identities",
        "subgrade.diagnosis.diagnose.unusable": "the findings on unusable files",
        "subgrade.diagnosis.diagnose.typical": "the typical values",
        "subgrade.diagnosis.diagnose._ranked_advice": "the advice",
        "subgrade.results.session.causes_counted": "the table of losses",
    },
    {
        "subgrade.night.geometry.group_geometry": "drift and rotation of Test Field, L, 60 s",
        "subgrade.pipeline.announce_marks": "the notes on your marks",
        "subgrade.results.lists.list_warnings": "the warnings on the lists",
        "subgrade.diagnosis.diagnose._notes": "the notes on the diagnosis",
        "subgrade.diagnosis.diagnose.limit_of_sharpness": "the finding on sharpness",
        "subgrade.diagnosis.diagnose.poor_throughout": "the finding on stars that were poor all "
        "night",
    },
)
"""Places that fail in one run, none of which keeps another from being reached; what each costs."""


@pytest.mark.parametrize("places", TOGETHER, ids=lambda places: next(iter(places)))
def test_stages_that_fail_are_named_and_all_files_are_written(monkeypatch, again, places):
    reached = []
    with monkeypatch.context() as patch:
        for place in places:
            broken(patch, place, reached)
        code, err, session, folder = again("--no-report")
    assert set(reached) == set(places)
    assert code == 3
    report = (folder / REPORT).read_text()
    for part in places.values():
        assert f"{part} is missing from the results: ZeroDivisionError: injected" in err
        assert f"--- {part}" in report
    assert {p["file"] for p in session["problems"]} >= set(places.values())
    assert all((folder / name).is_file() for name in FILES)
    assert "Traceback" in report
    assert str(folder / REPORT) in err
    table = rows(folder)
    assert len(table) == COUNT + 4
    assert all(row["fwhm_px"] for row in table.values())
    assert "Traceback" not in err


def test_a_run_without_a_crash_removes_the_bug_report(monkeypatch, again):
    with monkeypatch.context() as patch:
        broken(patch, "subgrade.pipeline.join")
        *_, folder = again("--no-report")
    assert (folder / REPORT).exists()
    code, _, session, folder = again("--no-report")
    assert (code, session["problems"]) == (0, [])
    assert not (folder / REPORT).exists()


@pytest.mark.slow
@pytest.mark.parametrize(
    "made",
    [
        {"report.report_page": PAGE, "results.write.summary_ecsv": "summary.ecsv"},
        {"results.write.summary_csv": "summary.csv", "results.write.weights_csv": "weights.csv"},
        {"results.write.session_json": "session.json"},
    ],
    ids=lambda made: next(iter(made)),
)
def test_a_file_that_cannot_be_made_is_missing_and_no_older_one_stands_for_it(
    monkeypatch, again, made
):
    for place in made:
        broken(monkeypatch, f"subgrade.{place}")
    code, err, _, folder = again()
    assert code == 3
    for name in made.values():
        assert f"{name} is missing from the results" in err
        assert not (folder / name).exists()
    written = {*FILES, PAGE, REPORT} - {*made.values()}
    assert all((folder / other).is_file() for other in written)


def test_lists_that_fail_take_nothing_along(monkeypatch, again):
    broken(monkeypatch, "subgrade.results.write.path_list")
    code, _, session, folder = again("--no-report")
    assert code == 3
    assert {p["file"] for p in session["problems"]} == {"keeps.txt", "rejects.txt"}
    assert not (folder / "keeps.txt").exists()
    assert (folder / "summary.csv").exists()


def test_one_check_that_fails_leaves_the_other_findings(monkeypatch, night, again):
    from subgrade.diagnosis import diagnose

    def wind(view):
        raise ZeroDivisionError("injected")

    whole = json.loads((night / "graded" / "session.json").read_text())["diagnosis"]["findings"]
    monkeypatch.setattr(diagnose, "CHECKS", (wind, *diagnose.CHECKS))
    code, err, session, _ = again("--no-report")
    assert code == 3
    assert "the finding on wind is missing" in err
    assert session["diagnosis"]["findings"] == whole


def test_a_column_that_fails_is_empty(monkeypatch, again):
    column = next(c for c in columns.COLUMNS if c.name == "noise_adu")
    value = column.value
    object.__setattr__(column, "value", boom)
    try:
        code, err, _, folder = again("--no-report")
    finally:
        object.__setattr__(column, "value", value)
    assert code == 3
    assert "the column noise_adu is missing" in err
    assert {row["noise_adu"] for row in rows(folder).values()} == {""}


def test_a_group_that_fails_is_kept_unjudged_and_the_other_is_judged(monkeypatch, again):
    from subgrade.judging import judge

    whole = judge.stack_weights

    def one_fails(series, kept):
        return boom() if series.group.filter == "R" else whole(series, kept)

    monkeypatch.setattr(judge, "stack_weights", one_fails)
    _, _, _, folder = again("--no-report")
    assert [name.startswith("red") for name in rows(folder)].count(True) >= 3
    for name, row in rows(folder).items():
        assert ("not judged" in row["explanation"]) == name.startswith("red")
        if name.startswith("red"):
            assert (row["verdict"], row["reasons"], row["confidence"]) == ("keep", "", "0.500")
            assert row["fwhm_px"]
            assert row["weight"] == "1.0000"
    assert rows(folder)["light_03.fits"]["verdict"] == "reject"


@pytest.mark.parametrize(
    ("option", "place", "part"),
    [
        ("--teach", "subgrade.teaching.judged_with_marks.teach", "what your marks teach"),
        ("--marks", "subgrade.teaching.judged_with_marks.overrule", "your marks"),
    ],
)
def test_marks_that_break_the_run_are_left_out(monkeypatch, again, tmp_path, option, place, part):
    marks = tmp_path / "marks.csv"
    marks.write_text("frame,verdict\nlight_03.fits,keep\n")
    broken(monkeypatch, place)
    code, err, _session, folder = again("--no-report", option, marks)
    assert code == 3
    assert f"{part} is missing from the results" in err
    assert rows(folder)["light_03.fits"]["verdict"] == "reject"


def test_a_guiding_record_that_breaks_its_reader_is_not_used(monkeypatch, again, tmp_path):
    record = tmp_path / "guiding.csv"
    record.write_text("time,ra,dec\n")
    broken(monkeypatch, "subgrade.record.read_guide")
    code, err, _session, folder = again("--no-report", "--guide", record)
    assert code == 3
    assert "guiding record not used" in err
    assert "injected" in (folder / REPORT).read_text()


def test_a_summary_that_fails_ends_in_a_line_and_a_report(monkeypatch, again):
    broken(monkeypatch, "subgrade.cli.summary.summary_lines")
    code, err, session, folder = again("--no-report")
    assert (code, session["problems"]) == (3, [])
    assert "subgrade itself failed: ZeroDivisionError: injected" in err
    assert "Traceback" in (folder / REPORT).read_text()


def test_any_other_crash_ends_in_a_line_and_a_report(monkeypatch, capfd, tmp_path):
    import tempfile

    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    broken(monkeypatch, "subgrade.results.open_results")
    code, _, err = run(capfd, "diagnose", tmp_path)
    assert code == 1
    assert "Traceback" not in err
    [report] = tmp_path.glob("subgrade_bug_report_*.txt")
    assert str(report) in err
    assert "injected" in report.read_text()


@pytest.mark.parametrize(
    ("error", "words"),
    [(ZeroDivisionError("odd"), "subgrade itself failed"), (MemoryError(), "not enough memory")],
)
def test_a_crash_while_measuring_is_not_the_files_fault(
    monkeypatch, night, tmp_path, capfd, error, words
):
    whole = stars.measure_stars

    def fails(pixels, facts, **options):
        if facts.start_utc.startswith("2031-03-05T20:02:20"):
            raise error
        return whole(pixels, facts, **options)

    monkeypatch.setattr(stars, "measure_stars", fails)
    out = tmp_path / "r"
    some = [night / "lights" / f"light_{k:02d}.fits" for k in range(1, 4)]
    code, printed, _err = run(capfd, "grade", *some, "--out", out, "--workers", 1, "--no-report")
    row = rows(out)["light_02.fits"]
    assert code == 3
    assert (row["verdict"], row["reasons"]) == ("unreadable", "unreadable")
    assert words in row["explanation"]
    assert "cannot be read" not in row["explanation"]
    assert (row["target"], row["filter"], row["exposure_s"]) == ("Test Field", "L", "60.000")
    assert row["start_utc"].startswith("2031-03-05T20:02:20")
    assert "could not be measured" in printed
    session = json.loads((out / "session.json").read_text())
    for losses in (session["causes"], session["diagnosis"]["losses"]):
        [lost] = [c for c in losses if c["reason"] == "unreadable"]
        assert (lost["text"], lost["frames"], lost["lost_s"]) == ("could not be measured", 1, 60.0)
    advice = " ".join(a["action"] for a in session["diagnosis"]["advice"])
    assert "disk" not in advice
    assert "report the fault" in advice
    traced = isinstance(error, ZeroDivisionError)
    assert (out / REPORT).exists() == traced
    if traced:
        assert "odd" in (out / REPORT).read_text()
