"""nights.json, nights.csv, weights.csv: what is in them and where they may go."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest

from subgrade.errors import NotWritten, ResultsError
from subgrade.season.model import Season
from subgrade.season.record import season_record
from subgrade.season.season import season_of
from subgrade.season.write import NIGHT_COLUMNS, season_weights_csv, write_season
from tests.season_nights import Plan, Sky, write_night

SKY = Sky.random(3, stars=300)


@pytest.fixture(name="season", scope="module")
def two_nights(tmp_path_factory) -> Season:
    root = tmp_path_factory.mktemp("season")
    plans = [
        Plan("2030-03-10T20:00:00Z", 5, rejects={1: "cloud"}, guide_rms=(0.5, 0.4)),
        Plan("2030-03-12T20:00:00Z", 4, ratio=0.8, target="=cmd()"),
        Plan("2030-03-13T20:00:00Z", 4, ratio=0.8),
    ]
    folders = [write_night(root / str(n), [p], SKY, n) for n, p in enumerate(plans)]
    return season_of([*folders, root / "none"])


def rows(path) -> list[dict]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_a_season_is_put_together(season):
    assert len(season.nights) == 3
    assert len(season.ties) == 3
    assert [s.target for s in season.stacks] == ["NGC 7000", "=cmd()"]
    assert [p[0] for p in season.problems if p[0].endswith("none")]


def test_all_files_are_written(season, tmp_path):
    pages = {"nights.html": lambda season, record: f"{len(record['nights'])} nights"}
    folder = write_season(season, tmp_path / "out", pages)
    assert sorted(p.name for p in folder.iterdir()) == [
        "nights.csv",
        "nights.html",
        "nights.json",
        "weights.csv",
    ]
    assert (folder / "nights.html").read_text() == "3 nights"
    record = json.loads((folder / "nights.json").read_text("utf-8"))
    assert record["format"] == 1
    lengths = {len(column) for column in record["frames"].values()}
    assert lengths == {13}
    assert len(record["stacks"]) == 2


def test_a_row_a_night_and_series(season, tmp_path):
    found = rows(write_season(season, tmp_path) / "nights.csv")
    assert tuple(found[0]) == NIGHT_COLUMNS
    assert [row["night"] for row in found] == ["2030-03-10", "2030-03-12", "2030-03-13"]
    first = found[0]
    assert (first["frames"], first["kept"]) == ("5", "4")
    assert float(first["kept_h"]) == pytest.approx(4 * 120 / 3600, rel=1e-5)
    assert float(first["lost_h"]) == pytest.approx(120 / 3600, rel=1e-5)
    assert float(first["fwhm_arcsec"]) == pytest.approx(3.0, rel=0.05)
    assert float(first["guide_rms_ra_arcsec"]) == 0.5
    assert found[2]["guide_rms_ra_arcsec"] == ""
    assert float(found[2]["clear"]) == pytest.approx(0.8, rel=0.02)
    assert found[1]["target"].startswith("'")


def test_weights_name_absolute_paths_and_stacks(season, tmp_path):
    found = rows(write_season(season, tmp_path) / "weights.csv")
    assert len(found) == 4 + 4 + 4
    assert all(row["frame"].startswith("/") for row in found)
    for target in ("NGC 7000", "'=cmd()"):
        mine = [float(row["weight"]) for row in found if row["target"] == target]
        assert max(mine) == 1
    assert season_weights_csv(season).startswith("frame,weight,target,filter,night\n")


def test_the_record_holds_no_nan(season):
    json.dumps(season_record(season), allow_nan=False)


def test_transparencies_are_on_one_scale(season):
    frames = season_record(season)["frames"]
    last = [t for t, n in zip(frames["transparency"], frames["night"], strict=True) if n == 2]
    assert np.median(last) == pytest.approx(0.8, rel=0.02)


def test_results_of_a_night_are_never_written_into(season):
    folder = season.nights[0].folder
    before = {p: p.stat().st_mtime_ns for p in folder.rglob("*")}
    with pytest.raises(ResultsError, match=r"weights\.csv would be written over"):
        write_season(season, folder)
    assert {p: p.stat().st_mtime_ns for p in folder.rglob("*")} == before


def test_a_sub_is_never_written_over(tmp_path):
    folder = write_night(tmp_path / "a", [Plan(frames=3)], SKY)
    session = json.loads((folder / "session.json").read_text("utf-8"))
    session["frames"][0]["path"] = str(tmp_path / "out" / "weights.csv")
    (folder / "session.json").write_text(json.dumps(session), "utf-8")
    with pytest.raises(ResultsError, match="is a frame"):
        write_season(season_of([folder]), tmp_path / "out")


def test_a_page_that_fails_leaves_what_was_there(season, tmp_path):
    def fails(season, record):
        raise ValueError("no page")

    with pytest.raises(ValueError, match="no page"):
        write_season(season, tmp_path, {"nights.html": fails})
    assert not list(tmp_path.iterdir())
    (tmp_path / "file").write_text("")
    with pytest.raises((ResultsError, NotWritten)):
        write_season(season, tmp_path / "file")
