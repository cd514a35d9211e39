"""Several nights from a script: what they were made of, and what the files hold."""

from __future__ import annotations

import csv
import inspect
import sys
from pathlib import Path

import pytest

import subgrade.api as api
from subgrade.cli.nights import command
from tests.season_nights import Plan, Sky, write_night

pd = pytest.importorskip("pandas")
ROOT = Path(__file__).resolve().parents[1]
STARTS = ("2030-03-17T20:00:00Z", "2030-03-20T20:30:00Z", "2030-04-02T21:00:00Z")
FRAMES = 6
EXPOSURE_H = 120 / 3600


@pytest.fixture(scope="module")
def graded(tmp_path_factory) -> Path:
    """Three nights of one field with one cloudy frame each; the second saw half the light."""
    home = tmp_path_factory.mktemp("graded")
    sky = Sky.random(stars=500)
    for k, start in enumerate(STARTS):
        plan = Plan(start, frames=FRAMES, ratio=0.5 if k == 1 else 1.0, rejects={2: "cloud"})
        write_night(home / f"night_{k}", [plan], sky, seed=k)
    return home


@pytest.fixture(scope="module")
def nights(graded) -> api.Nights:
    return api.nights(graded, out=graded.parent / "season", report=False)


def written(nights, name):
    with open(nights.folder / name, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_hours_are_those_that_the_nights_were_made_with(nights):
    (row,) = nights.hours.to_dict("records")
    assert (row["target"], row["filter"], row["nights"]) == ("NGC 7000", "L", 3)
    assert row["kept_h"] == pytest.approx(len(STARTS) * (FRAMES - 1) * EXPOSURE_H)
    assert row["lost_h"] == pytest.approx(len(STARTS) * EXPOSURE_H)
    by_night = nights.table.groupby("night").kept_h.sum()
    assert by_night.tolist() == pytest.approx([(FRAMES - 1) * EXPOSURE_H] * 3)
    assert nights.table.start_utc.tolist() == [pd.Timestamp(start) for start in STARTS]


def test_a_night_of_half_the_light_weighs_less_on_the_common_scale(nights):
    weight = nights.weights.groupby("night").weight.median().tolist()
    assert weight[1] < min(weight[0], weight[2])
    assert nights.weights.weight.max() == 1


@pytest.mark.parametrize(("name", "file"), [("table", "nights.csv"), ("weights", "weights.csv")])
def test_tables_hold_what_the_files_hold(nights, name, file):
    table, rows = getattr(nights, name), written(nights, file)
    assert list(table.columns) == list(rows[0])
    assert len(table) == len(rows) > 2
    for column, kind in table.dtypes.items():
        for cell, text in zip(table[column], (row[column] for row in rows), strict=True):
            if kind == "string":
                assert (cell if cell is not pd.NA else "") == text
            elif str(kind).startswith("datetime"):
                assert cell == pd.Timestamp(text)
            else:
                assert text == "" if cell is pd.NA else cell == pytest.approx(float(text), abs=6e-5)


def test_a_table_is_joined_with_one_of_ones_own(nights):
    own = pd.DataFrame({"frame": [row["frame"] for row in written(nights, "weights.csv")]})
    own["liked"] = 1
    assert nights.weights.merge(own, on="frame").liked.sum() == len(STARTS) * (FRAMES - 1)


def test_nothing_is_written_unless_asked_for(graded, nights, tmp_path, monkeypatch, capfd):
    monkeypatch.chdir(tmp_path)
    seen = api.nights([graded / f"night_{k}" for k in range(3)])
    assert seen.folder is None
    assert list(tmp_path.iterdir()) == []
    assert seen.hours.equals(nights.hours)
    assert seen.exit_code == 0
    assert seen.problems == []
    assert capfd.readouterr() == ("", "")


def test_files_are_those_of_the_command(nights, graded, tmp_path):
    assert {p.name for p in nights.folder.iterdir()} == {"nights.csv", "weights.csv", "nights.json"}
    with_page = api.nights(str(graded), out=str(tmp_path / "season"))
    assert (with_page.folder / "nights.html").is_file()
    assert with_page.record["nights"][0]["kept"] == FRAMES - 1


def test_what_cannot_be_used_is_named(graded, tmp_path):
    (tmp_path / "empty").mkdir()
    with pytest.raises(api.NothingToGrade, match="empty") as caught:
        api.nights(tmp_path / "empty")
    assert caught.value.exit_code == 1
    with pytest.raises(api.ResultsError, match="holds the results of a night"):
        api.nights(graded, out=graded / "night_0")
    partly = api.nights([graded, tmp_path / "empty"])
    assert partly.exit_code == 3
    assert "empty" in partly.problems[0][0]


def test_without_pandas_the_pip_command_is_named_and_plain_values_remain(graded, monkeypatch):
    monkeypatch.setitem(sys.modules, "pandas", None)
    seen = api.nights(graded)
    with pytest.raises(api.UsageError, match=r'pip install "subgrade\[frames\]"'):
        _ = seen.hours
    assert seen.record["stacks"][0]["target"] == "NGC 7000"


def test_it_shows_as_text(nights):
    assert repr(nights) == "<Nights: 3 nights, 0.5 h kept, 0.1 h lost>"
    assert "3 nights" in nights._repr_html_()


def test_the_options_are_those_of_the_command():
    given = set(inspect.signature(api.nights).parameters)
    options = {option.name for option in command.params} - {"as_json", "quiet"}
    assert given == (options - {"no_report"}) | {"report"}


def test_everything_public_is_named_on_the_page():
    page = (ROOT / "docs" / "python-api.md").read_text(encoding="utf-8")
    for name, _ in inspect.getmembers(api.Nights):
        assert name.startswith("_") or f"`{name}`" in page, name
