"""The results folder: contract columns, lists, safety, and reading back."""

import csv
import json
import os
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import SkyCoord
from astropy.table import QTable
from astropy.wcs import WCS

from subgrade.errors import ResultsError
from subgrade.judging import judge_night, left_out, load_limits
from subgrade.plaintext import printable
from subgrade.results import Graded, GradedFrame, open_results, write_results
from subgrade.results.columns import COLUMNS, position_angle_deg
from subgrade.results.files import line_path, path_line, write_whole
from subgrade.results.model import Problem
from subgrade.results.session import causes_counted, plain, totals
from tests.judged_nights import Shot, night_of, steady

# the public contract, written out: scripts read these columns, so none is renamed, moved or gone
CONTRACT_COLUMNS = """frame verdict reasons explanation confidence cause_confidence
    weight target filter exposure_s
    start_utc mid_utc stars fwhm_px fwhm_arcsec eccentricity eccentricity_error angle_deg
    position_angle_deg
    background_adu noise_adu transparency guide_rms_ra_arcsec guide_rms_dec_arcsec
    guide_peak_arcsec guide_samples"""

HOSTILE = [
    "a\nb.fits",
    'q"uote,comma.fits',
    "=cmd()|'x'!A1.fits",
    "-1+2.fits",
    "# not.fits",
    '"quoted".fits',
    " blanks .fits",
    "über Σ.fits",
    "sub dir/plain.fits",
]


def graded_night(shots, folder="/n", names=None) -> Graded:
    night = night_of(shots)
    judgements = judge_night(night, load_limits())
    frames = [
        GradedFrame(f.name, Path(f.path), j, f.facts, f.stars, c)
        for f, j, c in zip(night.frames, judgements, night.compared, strict=True)
    ]
    if names:
        frames = [
            replace(f, name=n, path=Path(folder) / n, judgement=replace(f.judgement, frame=n))
            for f, n in zip(frames, names, strict=True)
        ]
    return Graded(Path(folder), tuple(frames), night.groups, load_limits())


def night_with_losses() -> Graded:
    shots = steady(10)
    shots[3] = Shot(transparency=0.4)
    shots[5] = Shot(status="trailed", length=50.0, transparency=np.nan)
    graded = graded_night(shots)
    bad = GradedFrame("bad.fits", Path("/n/bad.fits"), left_out("bad.fits", "unreadable", "cut"))
    return replace(graded, frames=(*graded.frames, bad), problems=(Problem("bad.fits", "cut"),))


def rows_of(folder) -> list[dict]:
    with (folder / "summary.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_the_table_has_the_columns_of_the_contract_and_no_nan(tmp_path):
    folder = write_results(night_with_losses(), tmp_path / "r")
    rows = rows_of(folder)
    assert list(rows[0]) == CONTRACT_COLUMNS.split()
    assert "nan" not in (folder / "summary.csv").read_text(encoding="utf-8").lower()
    trailed, unreadable = rows[5], rows[-1]
    assert (trailed["fwhm_px"], trailed["eccentricity"], trailed["transparency"]) == ("", "", "")
    assert (unreadable["verdict"], unreadable["reasons"]) == ("unreadable", "unreadable")
    assert (unreadable["stars"], unreadable["weight"]) == ("", "0.0000")
    assert rows[0]["start_utc"] == "2030-03-17T17:46:40.000Z"
    assert 0 < float(rows[0]["weight"]) <= 1
    assert max(float(r["weight"]) for r in rows) == 1


def test_the_ecsv_reads_back_with_units_and_descriptions(tmp_path):
    folder = write_results(night_with_losses(), tmp_path)
    table = QTable.read(folder / "summary.ecsv")
    assert table.colnames == [c.name for c in COLUMNS]
    assert table["fwhm_arcsec"].unit == u.arcsec
    assert table["exposure_s"].unit == u.s
    assert table["background_adu"].unit == u.adu
    assert table["stars"].info.description == next(c for c in COLUMNS if c.name == "stars").meaning
    rows = rows_of(folder)
    for name in ("fwhm_px", "transparency", "stars"):
        for row, value in zip(rows, table[name], strict=True):
            assert (row[name] == "") == bool(np.ma.is_masked(value) or value is np.ma.masked)
            if row[name]:
                assert float(row[name]) == pytest.approx(float(getattr(value, "value", value)))


def test_lists_name_the_folder_and_split_the_frames(tmp_path):
    folder = write_results(night_with_losses(), tmp_path)
    keeps = (folder / "keeps.txt").read_text().splitlines()
    rejects = (folder / "rejects.txt").read_text().splitlines()
    assert keeps[0] == rejects[0] == "# /n"
    assert rejects[1:] == ["light_003.fits", "light_005.fits"]
    assert len(keeps) == 1 + 8
    with (folder / "weights.csv").open(newline="") as stream:
        weights = list(csv.DictReader(stream))
    assert [w["frame"] for w in weights] == keeps[1:]
    assert max(float(w["weight"]) for w in weights) == 1.0


def test_session_counts_causes_and_time(tmp_path):
    graded = night_with_losses()
    folder = write_results(graded, tmp_path)
    session = json.loads((folder / "session.json").read_text(), parse_constant=pytest.fail)
    assert session["totals"] == {
        "frames": 11,
        "kept": 8,
        "rejected": 2,
        "surplus": 0,
        "unreadable": 1,
        "kept_s": 960.0,
        "lost_s": 240.0,
        "surplus_s": 0.0,
    }
    assert {(c["reason"], c["frames"], c["lost_s"]) for c in session["causes"]} == {
        ("cloud", 1, 120.0),
        ("tracking_lost", 1, 120.0),
        ("unreadable", 1, 0.0),
    }
    assert session["problems"] == [{"file": "bad.fits", "cause": "cut"}]
    assert session["groups"][0]["usual"]["fwhm_px"]["centre"] == pytest.approx(3.0, abs=0.1)
    assert session["limits"]["light"]["depth"] == 0.5
    assert totals(graded)["kept"] == 8
    assert causes_counted(graded)[-1]["reason"] == "unreadable"


def test_a_night_poor_throughout_is_remarked_on(tmp_path):
    shots = [replace(s, eccentricity=s.eccentricity + 0.5, fwhm=2 * s.fwhm) for s in steady(12)]
    write_results(graded_night(shots), tmp_path)
    remarks = open_results(tmp_path).record["remarks"]
    assert any("elongated all night, typical eccentricity 0.7" in r for r in remarks)
    assert any("wide all night, typical FWHM 6.03″ (poor from 5.00″)" in r for r in remarks)


@pytest.mark.skipif(sys.platform == "win32", reason="names that Windows does not allow")
def test_hostile_names_survive_every_file(tmp_path):
    graded = graded_night([Shot() for _ in HOSTILE], names=HOSTILE)
    folder = write_results(graded, tmp_path)
    shown = list(map(printable, HOSTILE))
    cells = [row["frame"] for row in rows_of(folder)]
    assert [os.path.normpath(c) for c in cells] == shown
    assert not [c for c in cells if c[0] in "=+-@"]
    lines = (folder / "keeps.txt").read_text(encoding="utf-8").splitlines()
    assert [line_path(line) for line in lines[1:]] == HOSTILE
    session = open_results(folder)
    assert [f["values"]["frame"] for f in session.frames] == HOSTILE
    cells = QTable.read(folder / "summary.ecsv")["frame"]
    assert [os.path.normpath(c) for c in cells] == shown


def test_header_text_cannot_become_a_formula(tmp_path):
    graded = graded_night(steady(3, facts={"target": "=HYPERLINK(1)", "filter": "-12,5"}))
    rows = rows_of(write_results(graded, tmp_path))
    assert (rows[0]["target"], rows[0]["filter"]) == ("'=HYPERLINK(1)", "'-12,5")


def test_a_name_that_is_not_utf8_is_written_all_the_same(tmp_path):
    name = os.fsdecode(b"caf\xe9.fits")
    folder = write_results(graded_night(steady(1), names=[name]), tmp_path)
    assert "caf" in rows_of(folder)[0]["frame"]
    assert line_path((folder / "keeps.txt").read_text().splitlines()[1]) == name


def test_path_lines_stay_plain_where_they_can():
    assert path_line("sub dir/light_001.fits") == "sub dir/light_001.fits"
    assert path_line("a\nb") == '"a\\nb"'


def test_the_results_never_replace_a_frame(tmp_path):
    graded = graded_night(steady(2))
    frame = replace(graded.frames[0], path=tmp_path / "session.json")
    (tmp_path / "session.json").write_text("a frame")
    with pytest.raises(ResultsError, match=r"session\.json: is a frame"):
        write_results(replace(graded, frames=(frame, *graded.frames[1:])), tmp_path)
    assert (tmp_path / "session.json").read_text() == "a frame"
    assert os.listdir(tmp_path) == ["session.json"]


def test_a_file_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    path = tmp_path / "keeps.txt"
    write_whole(path, "old\n")

    def fails(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fails)
    with pytest.raises(ResultsError, match="No space left on device"):
        write_whole(path, "new\n")
    monkeypatch.undo()
    assert path.read_text() == "old\n"
    assert os.listdir(tmp_path) == ["keeps.txt"]


def test_out_that_is_a_file_is_refused(tmp_path):
    (tmp_path / "r").write_text("x")
    with pytest.raises(ResultsError, match="must name a folder"):
        write_results(graded_night(steady(1)), tmp_path / "r")


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("turn", [0, 33, 90, 147, 250])
def test_position_angle_agrees_with_a_wcs_for_both_hands(turn, mirror):
    # astropy's WCS and position_angle are the outside judge.
    t, step = np.radians(turn), 1.2 / 3600
    hand = np.diag([1.0 if mirror else -1.0, 1.0])
    cd = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]]) @ hand * step
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval, wcs.wcs.crpix, wcs.wcs.cd = [150.0, 40.0], [500.0, 400.0], cd
    axes = tuple(map(tuple, cd * 3600))
    for angle in (0, 25, 90, 131):
        a = np.radians(angle)
        ends = [wcs.pixel_to_world(499 + s * np.cos(a), 399 + s * np.sin(a)) for s in (0, 2)]
        expected = SkyCoord(ends[0]).position_angle(ends[1]).deg % 180
        found = position_angle_deg(angle, axes)
        assert abs((found - expected + 90) % 180 - 90) < 0.01
    assert position_angle_deg(90, ((-1, 0), (0, 1))) == pytest.approx(0)
    assert position_angle_deg(0, ((-1, 0), (0, 1))) == pytest.approx(90)


def test_frames_are_found_by_name_path_and_fragment(tmp_path):
    names = ["a/light_1.fits", "a/light_10.fits", "b/light_1.fits", "b/dark sky.fits"]
    session = open_results(write_results(graded_night(steady(4), names=names), tmp_path))
    name = lambda wanted: session.frame(wanted)["values"]["frame"]  # noqa: E731
    assert name("a/light_1.fits") == name("./a/light_1.fits") == "a/light_1.fits"
    assert name("/n/b/light_1.fits") == "b/light_1.fits"
    assert name("light_10.fits") == name("light_10") == "a/light_10.fits"
    assert name("DARK") == "b/dark sky.fits"
    with pytest.raises(ResultsError, match=r"2 frames match this: a/light_1\.fits, b/"):
        session.frame("light_1.fits")
    with pytest.raises(ResultsError, match="no such frame among the 4"):
        session.frame("zebra")
    with pytest.raises(ResultsError, match=r"; did you mean b/dark sky\.fits\?"):
        session.frame("drak sky")


@pytest.mark.parametrize("content", [None, "{", "[]", '{"format": 99}'])
def test_a_folder_that_holds_no_results_is_refused(tmp_path, content):
    if content is not None:
        (tmp_path / "session.json").write_text(content)
    with pytest.raises(ResultsError, match=r"session\.json"):
        open_results(tmp_path)


def test_plain_has_no_nan_left():
    text = json.dumps(
        plain({"a": (np.float32(1.5), float("nan")), "b": np.int64(3), 4: [np.inf, None, True]}),
        allow_nan=False,
    )
    assert json.loads(text) == {"a": [1.5, None], "b": 3, "4": [None, None, True]}
