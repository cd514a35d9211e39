"""``subgrade diagnose``, and the demo night's story against what it was made of."""

from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path

import pytest

from subgrade.cli import cli, main
from subgrade.cli.diagnose import _print, loss_lines
from subgrade.cli.terminal import Screen
from subgrade.practice.scenario_file import default_scenario
from tests.cli_frames import run

DEMO = Path(__file__).resolve().parents[1] / "demo_subs"


@pytest.fixture(scope="module")
def results(tmp_path_factory) -> Path:
    """The demo night, graded with its record."""
    out = tmp_path_factory.mktemp("demo") / "results"
    with pytest.raises(SystemExit) as leave:
        main(
            [
                "grade",
                str(DEMO),
                "--guide",
                str(DEMO / "guiding.csv"),
                "--out",
                str(out),
                "--workers",
                "1",
                "--quiet",
            ]
        )
    assert leave.value.code == 0
    return out


@pytest.fixture
def record(results, capfd) -> dict:
    code, out, _ = run(capfd, "diagnose", results, "--json")
    assert code == 0
    return json.loads(out)


def numbers(record: dict, topic: str) -> dict:
    found = next(f for f in record["findings"] if f["topic"] == topic)
    return {q["name"]: (q["value"], q["error"]) for q in found["numbers"]}


def near(found: tuple[float, float], truth: float, errors: float = 2.5) -> bool:
    return abs(found[0] - truth) < errors * found[1]


@pytest.mark.slow
def test_the_demo_pole_is_the_one_it_was_made_with(record):
    mount = default_scenario().mount
    pole = numbers(record, "polar alignment")
    assert near(pole["too high"], mount.pole_high_arcmin)
    assert near(pole["too far east on the sky"], mount.pole_east_arcmin)
    assert pole["misalignment"][1] < 0.2 * pole["misalignment"][0]


def test_the_demo_worm_swing_and_flexure_are_what_they_were_made(record):
    night = default_scenario()
    worm = numbers(record, "periodic error")
    assert near(worm["worm period"], night.mount.worm_period_s)
    assert near(worm["amplitude on the sky"], night.mount.worm_arcsec * 0.848)  # cos 32 deg
    assert worm["left in these frames"][0] > 4 * worm["left in kept frames"][0]
    swing = numbers(record, "RA oscillation")
    assert swing["period"][0] == pytest.approx(2 * night.guider.interval_s, rel=0.05)
    assert swing["correction / error"][0] == pytest.approx(2.04, abs=0.15)
    flexure = numbers(record, "differential flexure")
    assert near(flexure["drift"], 6.0 / 120 * 3600)
    assert near(flexure["direction, east of north or opposite"], 140.0)  # 320 less a half turn


def test_the_demo_story_is_ranked_and_cautioned(record):
    assert [r["lost_s"] for r in record["losses"]] == sorted(
        (r["lost_s"] for r in record["losses"]), reverse=True
    )
    assert sum(r["lost_s"] for r in record["losses"]) == record["lost_s"]
    actions = {a["topic"]: a for a in record["advice"]}
    assert "Lower it" in actions["polar alignment"]["action"]
    assert "pinch" in actions["polar alignment"]["caution"]
    assert "exposure has ended" in actions["dither"]["action"]
    assert "twilight" in actions["bright sky"]["because"]
    assert "in both directions" in actions["Dec drift"]["action"]


NUMBER = r"-?\d+(?:\.\d+)?"


def test_the_page_shows_these_sentences_and_numbers(results, capfd):
    """The sample in docs/diagnosis.md, its words to the letter and its numbers to a tenth."""
    _, out, _ = run(capfd, "diagnose", results)
    printed = {re.sub(NUMBER, "0", line): line for line in out.splitlines()}
    page = (DEMO.parent / "docs" / "diagnosis.md").read_text(encoding="utf-8")
    sample = re.findall(r"^```\n(.*?)```", page, re.DOTALL | re.MULTILINE)[1]
    lines = [line for line in sample.splitlines() if line]
    assert len(lines) == 10
    for line in lines:
        assert re.sub(NUMBER, "0", line) in printed, line
        here = [float(n) for n in re.findall(NUMBER, line)]
        there = [float(n) for n in re.findall(NUMBER, printed[re.sub(NUMBER, "0", line)])]
        assert here == pytest.approx(there, rel=0.1, abs=0.05), line
    stated = re.search(r"made with a pole (\S+)′ too high and (\S+)′ too far east", page)
    mount = default_scenario().mount
    assert (float(stated[1]), float(stated[2])) == (mount.pole_high_arcmin, mount.pole_east_arcmin)


def test_piped_output_is_plain_and_whole(results, capfd):
    code, out, err = run(capfd, "diagnose", results)
    assert code == 0
    assert not err
    assert "\x1b" not in out
    assert "What to change" in out
    assert "light_016.fits.fz" in out


@pytest.mark.parametrize("width", [60, 80, 120])
def test_a_terminal_is_not_overrun(results, capfd, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setenv("FORCE_COLOR", "1")
    code, out, _ = run(capfd, "diagnose", results)
    assert code == 0
    assert "\x1b[1m" in out
    lines = [re.sub(r"\x1b\[[0-9;]*m", "", line) for line in out.splitlines()]
    assert max(map(len, lines)) <= width
    assert any("±" in line for line in lines)
    assert not [line for line in lines if line.endswith("±") or line.startswith("±")]
    monkeypatch.setenv("NO_COLOR", "1")
    assert "\x1b" not in run(capfd, "diagnose", results)[1]


def test_losses_show_their_first_times_whole():
    row = {
        "reason": "periodic_error",
        "text": "worm swing in right ascension",
        "frames": 4,
        "lost_s": 240.0,
        "spans": [
            {
                "start_utc": f"2030-03-17T03:{m}:00Z",
                "end_utc": f"2030-03-17T03:{m + 1}:00Z",
                "first_frame": "a",
                "last_frame": "b",
                "frames": 1,
            }
            for m in (10, 20, 30, 40)
        ],
    }
    damaged = {
        "reason": "unreadable",
        "text": "file cannot be read",
        "frames": 1,
        "lost_s": 0.0,
        "spans": [],
    }
    shown = {
        width: [t.plain for t in loss_lines([row, damaged], Screen(width=width, folds=True))]
        for width in (60, 80, 120)
    }
    assert shown[120][1].endswith("03:10-03:11, 03:20-03:21, 03:30-03:31, …")
    assert shown[120][2].split() == ["unreadable", "file", "cannot", "be", "read", "1"]
    for width, lines in shown.items():
        assert max(map(len, lines)) <= width
        for time in ("03:10-03:11,", "03:20-03:21,", "03:30-03:31,"):
            assert sum(line.count(time) for line in lines) == 1
    row["spans"] = [{**span, "start_utc": "", "end_utc": ""} for span in row["spans"]]
    heading, line = (t.plain for t in loss_lines([row], Screen()))
    assert heading.endswith("  when")
    assert line.endswith("a to b, a to b, a to b, …")


def test_a_caution_is_given_once_and_a_question_ends_itself(capfd):
    item = {"topic": "x", "because": "it is so", "saves_s": 0.0, "sureness": 0.9}
    advice = [
        {**item, "action": "Is it on?", "caution": "Mind the tube."},
        {**item, "action": "Turn it", "caution": "Mind the tube."},
    ]
    _print({"summary": "One.", "losses": [], "findings": [], "advice": advice, "notes": []})
    out = capfd.readouterr().out
    assert "1. Is it on?\n" in out
    assert "2. Turn it.\n" in out
    assert out.count("Mind the tube.") == 1
    assert "Caution: as for 1." in out


def test_no_results_is_wrong_usage(tmp_path, capfd):
    code, out, err = run(capfd, "diagnose", tmp_path / "none")
    assert code == 2
    assert not out
    assert "none: no such folder" in err


def test_results_of_an_earlier_version_ask_to_grade_again(results, tmp_path, capfd):
    old = tmp_path / "old"
    old.mkdir()
    shutil.copy(results / "session.json", old)
    session = json.loads((old / "session.json").read_text(encoding="utf-8"))
    del session["diagnosis"]
    (old / "session.json").write_text(json.dumps(session), encoding="utf-8")
    code, _, err = run(capfd, "diagnose", old)
    assert code == 2
    assert "run grade again" in err


def test_the_help_shows_an_example(capfd):
    code, out, _ = run(capfd, "diagnose", "--help")
    assert code == 0
    assert "subgrade diagnose graded" in out
    assert "diagnose" in cli.list_commands(None)


def test_a_cause_is_as_sure_in_the_table_as_in_the_sentence(results):
    with open(results / "summary.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert all(bool(row["cause_confidence"]) == bool(row["reasons"]) for row in rows)
    stated = 0
    for row in rows:
        if named := re.search(r"Most likely [^:]*?\((?:over )?(\d+)%\)", row["explanation"]):
            stated += 1
            assert float(row["cause_confidence"]) == pytest.approx(int(named[1]) / 100, abs=0.0101)
    assert stated >= 5
