"""Nights read back from RESULTS folders: what counts, what is parted, what is named how."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime

import numpy as np
import pytest

from subgrade.errors import NothingToGrade, ResultsError
from subgrade.season.gather import read_nights
from subgrade.season.names import evening, made_unique
from subgrade.season.rows import kept_measurements
from subgrade.season.setups import Taken, setups_of
from tests.season_nights import Plan, Sky, write_night

SKY = Sky.random(1, stars=120)
LATER = "2030-05-01T00:00:00Z"


def change(folder, **keys) -> None:
    path = folder / "session.json"
    session = json.loads(path.read_text("utf-8"))
    path.write_text(json.dumps(session | keys), "utf-8")


def test_a_night_comes_back_as_it_was_written(tmp_path):
    plan = Plan(frames=6, rejects={2: "cloud"}, camera="cam", guide_rms=(0.5, 0.4))
    folder = write_night(tmp_path / "a", [plan], SKY)
    nights, problems = read_nights([folder])
    assert problems == ()
    (night,) = nights
    assert night.label == "2030-03-17"
    assert night.folder == folder
    assert night.alone
    assert "frames" not in night.record
    table = night.frames
    assert table.kept.tolist() == [True, True, False, True, True, True]
    assert table.reason[2] == "cloud"
    start = datetime(2030, 3, 17, 20, tzinfo=UTC).timestamp()
    np.testing.assert_allclose(table.start_unix, start + 130.0 * np.arange(6))
    assert (table.guide_rms_ra_arcsec == 0.5).all()
    (series,) = night.series
    assert (series.target, series.filter, series.exposure_s) == ("NGC 7000", "L", 120.0)
    assert series.setup.label == "1.50″/px, 1200 × 1000"
    kept = kept_measurements(folder)
    assert all(kept.load(key) is not None for key in table.key)


def test_results_are_read_only(tmp_path):
    folder = write_night(tmp_path / "a", [Plan(frames=4)], SKY)
    before = {p: p.stat().st_mtime_ns for p in folder.rglob("*")}
    read_nights([folder])
    assert {p: p.stat().st_mtime_ns for p in folder.rglob("*")} == before


def test_results_may_be_moved(tmp_path):
    folder = write_night(tmp_path / "a", [Plan(frames=4)], SKY)
    shutil.move(folder, tmp_path / "elsewhere")
    (night,), problems = read_nights([tmp_path / "elsewhere"])
    assert problems == ()
    kept = kept_measurements(night.folder)
    assert all(kept.load(key) is not None for key in night.frames.key)


def test_several_nights_in_one_folder_are_parted(tmp_path):
    plans = [
        Plan(start="2030-03-17T22:00:00Z", frames=4),
        Plan(start="2030-03-18T03:30:00Z", frames=3, filter="R"),
        Plan(start="2030-03-18T21:00:00Z", frames=9),
    ]
    folder = write_night(tmp_path / "a", plans, SKY)
    nights, _ = read_nights([folder])
    assert [n.label for n in nights] == ["2030-03-17", "2030-03-18"]
    assert [len(n.frames) for n in nights] == [7, 9]
    assert [n.alone for n in nights] == [False, True]
    assert [[s.filter for s in n.series] for n in nights] == [["L", "R"], ["L"]]


def test_a_pause_within_a_night_is_no_day_where_the_site_is_known(tmp_path):
    # a winter night at 60° north: dusk and dawn sessions 11 hours apart
    site = (60.0, 25.0)
    plans = [
        Plan(start="2030-12-20T15:00:00Z", frames=3, site=site),
        Plan(start="2030-12-21T02:00:00Z", frames=3, site=site, filter="R"),
    ]
    (night,), _ = read_nights([write_night(tmp_path / "a", plans, SKY)])
    assert night.label == "2030-12-20"
    assert night.site_lon_deg == 25.0


@pytest.mark.parametrize(
    ("start", "lon", "label"),
    [
        ("2030-03-18T00:30:00Z", None, "2030-03-17"),
        ("2030-03-18T04:00:00Z", -100.0, "2030-03-17"),  # half past nine on the 17th
        ("2030-03-17T10:00:00Z", 150.0, "2030-03-17"),  # eight in the evening
        ("2030-03-17T14:30:00Z", 150.0, "2030-03-17"),  # half past midnight on the 18th
        ("2030-03-17T14:30:00Z", None, "2030-03-17"),
    ],
)
def test_a_night_is_called_by_its_evening(start, lon, label):
    moment = datetime.fromisoformat(start).timestamp()
    assert evening(moment, moment + 3600, lon) == label


def test_two_nights_of_one_date_are_called_by_what_differs(tmp_path):
    one = write_night(tmp_path / "a", [Plan(frames=3)], SKY)
    two = write_night(tmp_path / "b", [Plan(frames=3, target="M 31", prefix="m")], SKY, 2)
    assert [n.label for n in read_nights([one, two])[0]] == [
        "2030-03-17, NGC 7000",
        "2030-03-17, M 31",
    ] or [n.label for n in read_nights([one, two])[0]] == [
        "2030-03-17, M 31",
        "2030-03-17, NGC 7000",
    ]
    three = write_night(tmp_path / "c", [Plan(frames=3, scale=0.8, prefix="n")], SKY, 3)
    labels = {n.label for n in read_nights([one, three])[0]}
    assert labels == {"2030-03-17, 1.50″/px, 1200 × 1000", "2030-03-17, 0.80″/px, 1200 × 1000"}


def test_header_texts_steer_no_screen(tmp_path):
    odd = [
        Plan(frames=3, target="a\x1b[2Jb", camera="c\x07"),
        Plan(frames=3, target="b", prefix="m"),
    ]
    folders = [write_night(tmp_path / f"{n}\n", [plan], SKY, n) for n, plan in enumerate(odd)]
    nights, _ = read_nights(folders)
    assert all(night.label.isprintable() for night in nights)
    assert all(night.series[0].setup.label.isprintable() for night in nights)


def test_alike_without_a_difference_gets_a_number():
    assert made_unique(["a", "b", "a"]) == ["a, 1", "b", "a, 2"]
    assert made_unique(["a", "a"], ["", "x"], ["p", "q"]) == ["a, p", "a, q"]


def test_a_sub_in_two_folders_counts_once_as_graded_later(tmp_path):
    subs = tmp_path / "subs"
    plan = Plan(frames=5)
    early = write_night(tmp_path / "a", [plan], SKY, 1, subs=subs)
    late = write_night(
        tmp_path / "b", [Plan(frames=5, rejects={1: "cloud"})], SKY, 1, subs=subs, written=LATER
    )
    (night,), problems = read_nights([early, late])
    assert problems == ()
    assert night.folder == late
    assert night.frames.verdict[1] == "reject"
    assert any(str(early) in note for note in night.notes)
    assert len(read_nights([late, early])[0]) == 1


def test_a_copied_sub_counts_once(tmp_path):
    # copies have another path and time of change, so another content identity
    one = write_night(tmp_path / "a", [Plan(frames=5)], SKY, 1)
    two = write_night(tmp_path / "b", [Plan(frames=5)], SKY, 1, written=LATER)
    (night,), _ = read_nights([one, two])
    assert len(night.frames) == 5


def test_a_folder_given_twice_counts_once(tmp_path):
    one = write_night(tmp_path / "a", [Plan(frames=3)], SKY)
    assert len(read_nights([one, str(one) + "/", one])[0]) == 1


def test_culled_frames_count_as_judged(tmp_path):
    plan = Plan(frames=5, rejects={1: "cloud", 3: "focus"})
    folder = write_night(tmp_path / "a", [plan], SKY, culled=("light_1_002.fits",))
    (night,), _ = read_nights([folder])
    assert len(night.frames) == 5
    assert list(night.frames.verdict).count("reject") == 2
    assert (night.frames.series == 0).all()


def test_a_frame_restored_since_counts_once(tmp_path):
    plan = Plan(frames=5, rejects={1: "cloud"})
    folder = write_night(tmp_path / "a", [plan], SKY, culled=("light_1_002.fits",))
    session = json.loads((folder / "session.json").read_text("utf-8"))
    change(folder, frames=session["frames"] + [session["culled"][0]["record"]])
    assert len(read_nights([folder])[0][0].frames) == 5


def test_what_is_no_results_is_a_problem_and_the_others_go_on(tmp_path):
    good = write_night(tmp_path / "a", [Plan(frames=3)], SKY)
    damaged = write_night(tmp_path / "b", [Plan(frames=3)], SKY, 2)
    (damaged / "session.json").write_text("{", "utf-8")
    odd = write_night(tmp_path / "c", [Plan(frames=3)], SKY, 3)
    change(odd, settings="none")
    more = write_night(tmp_path / "d", [Plan(frames=3)], SKY, 4)
    change(more, groups=7)
    nights, problems = read_nights([damaged, tmp_path / "none", good, odd, more])
    assert len(nights) == 1
    assert [p[0] for p in problems] == [str(p) for p in (damaged, tmp_path / "none", odd, more)]
    assert all(cause for _, cause in problems)
    assert problems[0][1].startswith("session.json: cannot be read: ")


def test_the_order_in_which_they_are_given_changes_nothing(tmp_path):
    from subgrade.season.season import season_of
    from subgrade.season.write import nights_csv, season_weights_csv

    # setups that may each be taken for the next, and two grades of one minute
    plans = [Plan(f"2030-03-1{k}T20:00:00Z", 4, scale=1.5 * 1.02**k) for k in range(4)]
    folders = [write_night(tmp_path / str(k), [p], SKY, k) for k, p in enumerate(plans)]
    folders.append(write_night(tmp_path / "again", [plans[0]], SKY, 0))
    one, other = (season_of(order) for order in (folders, folders[::-1]))
    assert nights_csv(one) == nights_csv(other)
    assert season_weights_csv(one) == season_weights_csv(other)
    assert one.summary == other.summary


def test_no_results_at_all_is_an_error(tmp_path):
    with pytest.raises(ResultsError, match="none"):
        read_nights([tmp_path / "none"])
    with pytest.raises(ResultsError):
        read_nights([])
    empty = write_night(tmp_path / "a", [], SKY)
    with pytest.raises(NothingToGrade):
        read_nights([empty])


def test_without_measurements_a_night_says_so(tmp_path):
    folder = write_night(tmp_path / "a", [Plan(frames=3)], SKY, measured=False)
    (night,), _ = read_nights([folder])
    assert len(night.frames) == 3
    assert any("measurements are not there" in note for note in night.notes)


def test_a_master_that_is_gone_is_named(tmp_path):
    folder = write_night(tmp_path / "a", [Plan(frames=3)], SKY)
    session = json.loads((folder / "session.json").read_text("utf-8"))
    change(folder, settings=session["settings"] | {"dark": "gone.fits"})
    (night,), _ = read_nights([folder])
    assert any("gone.fits" in note for note in night.notes)


def test_frames_without_a_time_go_with_their_neighbours(tmp_path):
    folder = write_night(tmp_path / "a", [Plan(frames=4)], SKY)
    session = json.loads((folder / "session.json").read_text("utf-8"))
    session["frames"][2]["values"]["start_utc"] = None
    change(folder, frames=session["frames"])
    (night,), _ = read_nights([folder])
    assert len(night.frames) == 4
    assert np.isnan(night.frames.start_unix[-1])
    for frame in session["frames"]:
        frame["values"]["start_utc"] = None
    change(folder, frames=session["frames"])
    (night,), _ = read_nights([folder])
    assert night.label == "a"


def test_setups_are_one_where_nothing_stated_differs():
    found = setups_of(
        [
            Taken("Cam A", (100, 200), (1, 1), 1.50),
            Taken("cam a", (100, 200), (1, 1), 1.51),
            Taken(None, (100, 200), (1, 1)),
            Taken("Cam B", (100, 200), (1, 1), 1.50),
            Taken("Cam A", (50, 100), (2, 2), 3.00),
            Taken("Cam A", (100, 200), (1, 1), 1.05),
        ]
    )
    assert found[0] == found[1] == found[2]
    assert len({s.label for s in found}) == 4
    assert found[0].label == "1.50″/px, 200 × 100, Cam A"
