"""A night from a script: tables, paths, weights, explanations, errors, and the notebook's page."""

from __future__ import annotations

import csv
import doctest
import inspect
import json
import math
import re
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.table import Table

import subgrade.api as api
from subgrade.api import Event, NothingToGrade, NotWritten, ResultsError, UsageError
from subgrade.cli import cli
from subgrade.results.columns import COLUMNS, TIMES

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "notebook.md"


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A folder with a copy of the demo night."""
    folder = tmp_path_factory.mktemp("api")
    shutil.copytree(ROOT / "demo_subs", folder / "demo_subs")
    return folder


@pytest.fixture(scope="module")
def events():
    return []


@pytest.fixture(scope="module")
def night(place, events, measure):
    demo = place / "demo_subs"
    (demo / "broken.fits").write_bytes(b"SIMPLE  =                    T")
    made = api.grade(
        demo,
        guide=demo / "guiding.csv",
        out=place / "graded",
        workers=1,
        report=False,
        progress=events.append,
    )
    (demo / "broken.fits").unlink()
    return made


def written(night, name):
    with open(night.folder / name, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.mark.slow
def test_the_table_holds_what_summary_csv_holds(night):
    pandas = pytest.importorskip("pandas")
    table, rows = night.table, written(night, "summary.csv")
    assert list(table.columns) == list(rows[0])
    assert len(table) == len(rows) == 35
    for column in COLUMNS:
        for value, row in zip(table[column.name], rows, strict=True):
            cell = row[column.name]
            assert pandas.isna(value) == (cell == ""), (column.name, cell)
            if not cell:
                continue
            if column.name in TIMES:
                assert value == pandas.Timestamp(cell)
                assert str(value.tz) == "UTC"
            elif column.kind is str:
                assert value == cell.removeprefix("./")
            else:
                assert value == pytest.approx(float(cell), abs=0.51 * 10.0**-column.digits)


@pytest.mark.slow
def test_every_column_has_the_kind_that_is_promised(night):
    pandas = pytest.importorskip("pandas")
    kinds = {str: "string", int: "Int64", float: "Float64"}
    for column in COLUMNS:
        kind = "datetime64[us, UTC]" if column.name in TIMES else kinds[column.kind]
        assert night.table[column.name].dtype == pandas.api.types.pandas_dtype(kind), column.name
    assert night.table.attrs["units"] == api.units()
    assert night.table.attrs["meanings"]["noise_adu"] == "robust sky noise of one pixel"


@pytest.mark.slow
def test_the_astropy_table_is_the_one_that_astropy_reads_back(night):
    made, read = night.astropy_table(), Table.read(night.folder / "summary.ecsv")
    assert made.colnames == read.colnames
    assert made.meta == read.meta
    for name in read.colnames:
        assert made[name].dtype == read[name].dtype, name
        assert made[name].unit == read[name].unit
        assert made[name].description == read[name].description
        hidden = np.ma.getmaskarray(made[name])
        assert np.array_equal(hidden, np.ma.getmaskarray(read[name]))
        assert np.array_equal(made[name][~hidden], read[name][~hidden])


@pytest.mark.slow
def test_paths_and_weights_are_those_of_the_lists(night):
    for paths, name in ((night.kept, "keeps.txt"), (night.rejected, "rejects.txt")):
        first, *lines = (night.folder / name).read_text(encoding="utf-8").splitlines()
        assert first == f"# {night.lights}"
        assert paths == [night.lights / line for line in lines]
    assert [path.name for path in night.unreadable] == ["broken.fits"]
    weights = {night.lights / r["frame"]: float(r["weight"]) for r in written(night, "weights.csv")}
    assert night.weights == pytest.approx(weights)
    assert list(night.weights) == night.kept


@pytest.mark.slow
def test_verdicts_are_those_that_the_night_was_made_with(night):
    with open(ROOT / "demo_subs" / "truth.csv", encoding="utf-8", newline="") as stream:
        intended = {row["frame"]: row["verdict"] for row in csv.DictReader(stream)}
    graded = {path.name: "keep" for path in night.kept}
    graded |= {path.name: "reject" for path in night.rejected}
    assert {graded.get(name) for name in intended} == {"keep", "reject"}
    assert {name: graded[name] for name in intended} == intended


@pytest.mark.slow
def test_an_explanation_is_that_of_the_command(night):
    why = night.explain("light_005")
    record = next(f for f in night.session["frames"] if f["path"].endswith("light_005.fits.fz"))
    assert why.record == record
    assert (why.verdict, why.reasons) == ("reject", ("wind_trail",))
    assert why.sentence == record["values"]["explanation"]
    assert why.path == night.lights / "light_005.fits.fz"
    assert str(why) == f"light_005.fits.fz: reject (wind_trail)\n{why.sentence}"
    decisive = why.evidence[0]
    assert decisive.reason == "wind_trail"
    assert decisive.points > 0
    assert decisive.value > decisive.limit
    assert len(why.evidence) == len(record["evidence"])
    assert sum(why.shares["wind_trail"].values()) == pytest.approx(1.0, abs=0.05)
    clean = night.explain(night.kept[0])
    assert clean.reasons == ()
    assert math.isnan(clean.cause_confidence)
    unread = night.explain("broken.fits")
    assert (unread.verdict, unread.weight) == ("unreadable", 0.0)
    with pytest.raises(ResultsError, match="light_0"):
        night.explain("light_0")


@pytest.mark.slow
def test_the_diagnosis_comes_back_as_it_was_written(night):
    from dataclasses import asdict

    assert json.loads(json.dumps(asdict(night.diagnosis))) == night.session["diagnosis"]
    assert night.advice == night.diagnosis.advice
    assert night.advice[0].saves_s >= night.advice[-1].saves_s


@pytest.mark.slow
def test_a_night_without_a_diagnosis_has_no_advice(night):
    lacking = api.Result(night.folder, {**night.session, "diagnosis": None})
    assert lacking.diagnosis is None
    assert lacking.advice == ()
    assert "34 frames" in lacking._repr_html_() or "35 frames" in lacking._repr_html_()


@pytest.mark.slow
def test_problems_have_the_exit_code_of_the_command(night, place):
    assert [file for file, _ in night.problems] == ["broken.fits"]
    assert night.exit_code == 3
    assert api.Result(place, {**night.session, "problems": []}).exit_code == 0


@pytest.mark.slow
def test_every_file_and_warning_is_an_event(night, events):
    measured = [event for event in events if event.kind == "frame"]
    assert [event.done for event in measured] == list(range(1, 36))
    assert {event.total for event in measured} == {35}
    assert [event.text for event in measured if event.cause] == ["broken.fits"]
    kinds = [event.kind for event in events if event.kind in ("start", "end")]
    assert kinds == ["start", "end"]
    assert [event.text for event in events if event.kind == "warning"] == list(night.warnings)
    assert [event.text for event in events if event.kind == "note"] == list(night.notes)


@pytest.mark.slow
def test_a_night_opened_again_is_the_same(night, monkeypatch):
    monkeypatch.chdir(night.folder.parent)
    again = api.open_result("graded")
    assert again.session == night.session
    assert again.folder == night.folder
    assert repr(again) == repr(night)
    assert "35 frames, 20 kept, 14 rejected, 1 unreadable" in repr(night)


@pytest.mark.slow
def test_the_notebook_shows_names_as_text(night):
    strange = api.Result(Path("/a<b>&c"), {**night.session, "diagnosis": None})
    html = strange._repr_html_()
    assert "/a&lt;b&gt;&amp;c" in html
    assert html.count("<tr>") == 1 + len(night.session["causes"])
    assert len(night._repr_html_()) < 4000


def test_the_options_are_those_of_the_command_with_their_defaults():
    options = cli.get_command(None, "grade").make_context("grade", ["lights"]).params
    taken = inspect.signature(api.grade).parameters
    assert set(taken) - {"report", "progress"} <= set(options)
    assert set(options) - set(taken) == {"no_report", "quiet"}
    for name, parameter in taken.items():
        if name in options and name != "paths":
            assert parameter.default == options[name], name


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"workers": 0}, "workers: 0 is not a number from 1 to 1024"),
        ({"workers": 1.5}, "workers: 1.5 is not a whole number"),
        ({"scale": math.nan}, "scale: nan"),
        ({"exposure": "long"}, "exposure: 'long'"),
        ({"keep": 80}, "keep: 80 is not a share"),
        ({"stack": "median"}, "stack: 'median' is not mean or weighted"),
        ({"expected_motion": (95.0,)}, r"expected_motion: \(95.0,\)"),
        ({"engine": "elsewhere"}, "elsewhere"),
        ({"limits": "no_such.toml"}, "no_such.toml"),
    ],
)
def test_what_cannot_be_acted_on_is_refused_before_anything_is_done(tmp_path, wrong, words):
    with pytest.raises(UsageError, match=words) as caught:
        api.grade(ROOT / "demo_subs", out=tmp_path / "graded", **wrong)
    assert caught.value.exit_code == 2
    assert list(tmp_path.iterdir()) == []


def test_errors_carry_the_exit_code_of_the_contract(tmp_path):
    (tmp_path / "lights").mkdir()
    with pytest.raises(NothingToGrade) as caught:
        api.grade(tmp_path / "lights", out=tmp_path / "graded")
    assert caught.value.exit_code == 1
    with pytest.raises(ResultsError) as caught:
        api.open_result(tmp_path)
    assert caught.value.exit_code == 2
    assert NotWritten("full").exit_code == 4


@pytest.mark.slow
def test_a_table_without_pandas_says_what_to_install(night, monkeypatch):
    monkeypatch.setitem(sys.modules, "pandas", None)
    fresh = api.Result(night.folder, night.session)
    with pytest.raises(UsageError, match=r"\[frames\]"):
        _ = fresh.table
    assert len(fresh.astropy_table()) == 35


@pytest.mark.slow
def test_rejects_are_moved_away_and_brought_back(night, tmp_path):
    rejects = night.rejected
    outcome = night.cull(tmp_path / "culled")
    assert len(outcome.moved) == len(rejects) == 14
    assert not any(path.exists() for path in rejects)
    assert all(path.exists() for path in night.kept)
    night.restore()
    assert all(path.exists() for path in rejects)


SCRIPT = """
from subgrade.api import grade
print("begun")
night = grade({lights!r}, out="graded", workers=2, report=False)
print(len(night.kept) + len(night.rejected))
"""


@pytest.mark.slow
@pytest.mark.slow
def test_a_script_without_a_guard_runs_once_and_prints_nothing_of_its_own(place, tmp_path):
    """The processes that measure must not run the script that started them once more."""
    script = tmp_path / "script.py"
    script.write_text(SCRIPT.format(lights=str(place / "demo_subs")), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(script)], cwd=tmp_path, capture_output=True, text=True, timeout=300
    )
    assert (done.stdout, done.stderr) == ("begun\n34\n", "")


@pytest.mark.slow
def test_a_dry_run_has_its_result_and_writes_nothing(night, place, tmp_path):
    lights = sorted((place / "demo_subs").glob("light_00[1-3]*"))
    dry = api.grade(lights, out=tmp_path / "graded", dry_run=True, workers=1)
    assert len(dry.kept) == 3
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_what_progress_raises_ends_the_run(place, tmp_path):
    def stop(event: Event) -> None:
        if event.kind == "frame":
            raise InterruptedError("enough")

    lights = sorted((place / "demo_subs").glob("light_00[1-3]*"))
    with pytest.raises(InterruptedError, match="enough"):
        api.grade(lights, out=tmp_path / "graded", workers=1, progress=stop)


@pytest.mark.slow
def test_the_notebook_prints_what_its_page_shows(night, place, monkeypatch):
    pytest.importorskip("pandas")
    monkeypatch.chdir(place)
    blocks = re.findall(r"```python\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    flags = doctest.NORMALIZE_WHITESPACE | doctest.ELLIPSIS
    test = doctest.DocTestParser().get_doctest("\n".join(blocks), {}, "notebook.md", str(PAGE), 0)
    assert len(test.examples) > 20
    complaints: list[str] = []
    runner = doctest.DocTestRunner(optionflags=flags, verbose=False)
    runner.run(test, out=complaints.append)
    assert not runner.failures, "".join(complaints)


def test_importing_it_loads_no_heavy_library():
    probe = "import sys, subgrade.api; print(sorted({m.partition('.')[0] for m in sys.modules}))"
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    for name in ("numpy", "numba", "astropy", "scipy", "pandas", "rich", "click"):
        assert f"'{name}'" not in done.stdout


def test_everything_public_is_named_on_the_page():
    page = (ROOT / "docs" / "python-api.md").read_text(encoding="utf-8")
    for name in set(api.__all__) - {"__version__", "UnreadableFile", "Event", "Result"}:
        assert f"`{name}" in page, name
    shown = [n for n, _ in inspect.getmembers(api.Result) if not n.startswith("_")]
    for name in shown:
        assert re.search(rf"`{name}[`(]", page), name
