"""Marks of a review: kept whatever happens, and the results follow them as a grade would."""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from dataclasses import replace
from pathlib import Path

import pytest

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")

from subgrade.errors import NotWritten, ResultsError
from subgrade.moving import cull, locked, restore
from subgrade.pipeline import Progress, grade
from subgrade.reopening import reopen
from subgrade.review import journal as journals
from subgrade.review.journal import JOURNAL, TABLE, MarksJournal, marks_table, table_marks
from tests.review_nights import Served, copied, graded_night

FOLLOWING = ("summary.csv", "summary.ecsv", "keeps.txt", "rejects.txt", "weights.csv")


def started(folder: Path, run=None, of="now", other=False) -> MarksJournal:
    journal = MarksJournal(folder)
    table = folder / TABLE
    journal.start(run or {}, of, other, table.read_bytes() if table.exists() else None)
    return journal


def test_marks_are_there_after_a_restart(tmp_path):
    journal = started(tmp_path)
    journal.mark("a.fits", "reject")
    journal.mark("b.fits", "keep")
    journal.mark("a.fits", None)
    journal.mark("odd \udcff\n,name.fits", "reject")
    again = started(tmp_path)
    assert again.marks == journal.marks == {"b.fits": "keep", "odd \udcff\n,name.fits": "reject"}
    assert again.steps == 4
    for _ in range(3):
        again.undo()
    assert started(tmp_path).marks == {"a.fits": "reject"}


def test_the_same_mark_again_is_no_step(tmp_path):
    journal = started(tmp_path)
    journal.mark("a.fits", "keep")
    journal.mark("a.fits", "keep")
    journal.mark("b.fits", None)
    assert journal.steps == 1


def test_a_crash_at_any_byte_loses_no_mark_that_was_acknowledged(tmp_path):
    journal = started(tmp_path)
    steps = [("a", "keep"), ("b", "reject"), ("a", None), ("c", "keep"), ("b", "keep")]
    whole, known = [(tmp_path / JOURNAL).stat().st_size], [dict(journal.marks)]
    for name, word in steps:
        journal.mark(name, word)
        whole.append((tmp_path / JOURNAL).stat().st_size)
        known.append(dict(journal.marks))
    content = (tmp_path / JOURNAL).read_bytes()
    for length in range(whole[0], len(content) + 1):
        place = tmp_path / f"cut_{length}"
        place.mkdir()
        (place / JOURNAL).write_bytes(content[:length])
        found = started(place)
        done = sum(size <= length for size in whole) - 1
        assert found.marks == known[done]
        found.mark("d", "reject")
        assert started(place).marks == {**known[done], "d": "reject"}


def test_marks_given_to_the_run_are_where_it_begins(tmp_path):
    journal = started(tmp_path, {"a": "keep"}, "first", other=True)
    assert journal.marks == {"a": "keep"}
    journal.mark("b", "reject")
    journal.close()
    # the same run again, and one without marks: nothing is lost
    assert started(tmp_path, {"a": "keep"}, "first", other=True).marks == {
        "a": "keep",
        "b": "reject",
    }
    assert started(tmp_path, {}, "second").marks == {"a": "keep", "b": "reject"}
    # a run that was given other marks is believed, and the earlier marks are put by
    assert started(tmp_path, {"c": "keep"}, "third", other=True).marks == {"c": "keep"}
    assert b'"b"' in (tmp_path / journals.EARLIER).read_bytes()


def test_a_table_changed_by_hand_is_believed(tmp_path):
    journal = started(tmp_path)
    journal.mark("a", "keep")
    journal.mark("b", "reject")
    table = marks_table(journal.marks)
    journal.note_table(table)
    (tmp_path / TABLE).write_bytes(table)
    journal.mark("c", "keep")  # and killed before the table has followed
    assert started(tmp_path).marks == {"a": "keep", "b": "reject", "c": "keep"}
    (tmp_path / TABLE).write_text("frame;verdict\na;reject\n".replace(";", ","))
    assert started(tmp_path).marks == {"a": "reject"}


def test_the_table_holds_any_name():
    marks = {"a b.fits": "keep", 'quo"te,.fits': "reject", "new\nline": "keep", "=1+1": "reject"}
    assert table_marks(marks_table(marks)) == marks
    assert table_marks(b"\xff\xfe no table") == {}


def test_a_full_disk_refuses_the_mark_and_keeps_the_others(tmp_path, monkeypatch):
    journal = started(tmp_path)
    journal.mark("a", "keep")
    real = os.write

    def half(handle, data):
        if len(data) > 5:
            return real(handle, data[:5])
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(journals.os, "write", half)
    with pytest.raises(NotWritten, match="No space left"):
        journal.mark("bbbbb", "reject")
    monkeypatch.undo()
    assert journal.marks == {"a": "keep"}
    journal.mark("c", "reject")
    assert started(tmp_path).marks == journal.marks == {"a": "keep", "c": "reject"}


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    return graded_night(tmp_path_factory.mktemp("marks"))


def until(condition, seconds: float = 20.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.05)


def table_of(results: Path) -> str:
    path = results / TABLE
    return path.read_text() if path.exists() else ""


def test_opened_again_the_night_is_as_it_was_graded(night, tmp_path):
    from subgrade.results.table import summary_csv, weights_csv

    opened = reopen(night.out)
    graded = opened.graded({})
    assert summary_csv(graded) == Path(night.out, "summary.csv").read_text()
    assert weights_csv(graded) == Path(night.out, "weights.csv").read_text()


def test_the_results_are_those_of_a_grade_with_the_same_marks(night, tmp_path):
    results = copied(tmp_path, night)
    kept = [f["values"]["verdict"] for f in reopen(results).session.frames]
    other = {"keep": "reject", "reject": "keep"}
    with Served(results) as server:
        for k in (0, 3, 5):
            answer = server.mark(k, other[kept[k]])
            assert answer.status == 200
        state = server.mark(1, kept[1]).json
    table = tmp_path / "marks.csv"
    shutil.copy(results / TABLE, table)
    grade(replace(night, out=str(tmp_path / "again"), marks=str(table)))
    for name in FOLLOWING:
        assert (results / name).read_bytes() == (tmp_path / "again" / name).read_bytes(), name
    mine, theirs = (
        json.loads((p / "session.json").read_text()) for p in (results, tmp_path / "again")
    )
    for record in (mine, theirs):
        for name in ("written_utc", "settings"):
            record.pop(name)
    assert mine == theirs
    # and what the browser was sent is what was written
    frames = theirs["frames"]
    for k, changed in state["changed"].items():
        values = frames[int(k)]["values"]
        shown = {n: v for n, v in changed.items() if n not in ("evidence", "shares")}
        assert shown == {name: values[name] for name in shown}
    same = {k for k in range(len(frames)) if str(k) not in state["changed"]}
    before = json.loads(Path(night.out, "session.json").read_text())["frames"]
    assert all(before[k]["values"] == frames[k]["values"] for k in same)
    assert state["record"]["totals"] == theirs["totals"]
    assert state["record"]["causes"] == theirs["causes"]


def test_marks_taken_back_leave_the_results_as_they_were(night, tmp_path):
    results = copied(tmp_path, night)
    with Served(results) as server:
        for k in range(4):
            server.mark(k, "reject")
        until(lambda: table_of(results).count("reject") == 4)
        state = server.post("undo", {}).json
        assert len(state["marks"]) == state["undo"] == 3
        for _ in range(5):
            state = server.post("undo", {}).json
        assert (state["marks"], state["undo"], state["changed"]) == ({}, 0, {})
    for name in FOLLOWING:
        assert (results / name).read_bytes() == Path(night.out, name).read_bytes()


def test_the_files_follow_within_a_second_or_two(night, tmp_path):
    results = copied(tmp_path, night)
    page = (results / "report.html").read_bytes()
    with Served(results) as server:
        server.mark(2, "reject")
        until(lambda: "reject" in table_of(results), 5)
        until(lambda: "your mark" in (results / "summary.csv").read_text(), 5)
        assert (results / "report.html").read_bytes() == page
    assert (results / "report.html").read_bytes() != page  # at the end it has followed
    assert "your mark" in (results / "report.html").read_text()


def test_the_most_doubtful_come_first_and_marked_frames_not_at_all(night, tmp_path):
    with Served(copied(tmp_path, night)) as server:
        before = server.get("state").json["doubtful"]
        sure = [f["values"]["confidence"] for f in reopen(night.out).session.frames]
        assert [sure[k] for k in before] == sorted(sure[k] for k in before)
        assert server.get(f"frame/{before[1]}").json["doubtful"] == 1
        state = server.mark(before[0], "keep").json
        assert state["doubtful"] == before[1:]
        assert server.get(f"frame/{before[0]}").json["doubtful"] is None


def test_a_second_review_of_the_same_results_is_refused(night, tmp_path):
    results = copied(tmp_path, night)
    with locked(results, "review.lock", "review"):
        found = subprocess.run(
            [sys.executable, "-m", "subgrade", "review", str(results), "--no-open"],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
    assert found.returncode == 2
    assert "another review of these results" in found.stderr


def test_a_port_that_is_taken_is_said(night, tmp_path):
    from subgrade.errors import UsageError

    results = copied(tmp_path, night)
    with Served(results) as server, pytest.raises(UsageError, match="--port"):
        Served(results, port=server.port).__enter__()


def test_results_graded_anew_meanwhile_are_not_written_over(night, tmp_path):
    results = copied(tmp_path, night)
    with Served(results) as server:
        session = results / "session.json"
        session.write_text(session.read_text() + "\n")
        new = session.read_bytes()
        answer = server.mark(0, "reject")
        assert answer.status == 409
        assert "graded again" in answer.json["error"]
        assert "graded again" in server.get("state").json["problem"]
    assert session.read_bytes() == new


@pytest.mark.slow
def test_a_cull_at_work_is_waited_for(night, tmp_path):
    results = copied(tmp_path, night)
    before = (results / "summary.csv").read_bytes()
    with Served(results) as server:
        with locked(results):
            assert server.mark(0, "reject").status == 200
            until(lambda: "cull or restore" in (server.get("state").json["problem"] or ""))
            assert (results / "summary.csv").read_bytes() == before
        until(lambda: (results / "summary.csv").read_bytes() != before)
        until(lambda: server.get("state").json["problem"] is None)


@pytest.mark.slow
def test_a_sub_that_is_not_there_is_said_and_the_rest_goes_on(tmp_path):
    settings = graded_night(tmp_path)
    results = Path(settings.out)
    frames = json.loads((results / "session.json").read_text())["frames"]
    with Served(results) as server:
        culled = [k for k, f in enumerate(frames) if f["values"]["verdict"] == "reject"]
        kept = [k for k, f in enumerate(frames) if f["values"]["verdict"] == "keep"]
        cull(results, tmp_path / "away")
        for path in (f"frame/{culled[0]}", f"tile/{culled[0]}/0/0/0"):
            answer = server.get(path)
            assert answer.status == 404
            assert f"was culled and is now at {tmp_path / 'away'}" in answer.json["error"]
        changed = Path(frames[kept[-1]]["path"])
        changed.write_bytes(changed.read_bytes() + b"\0" * 2880)
        assert "when it was graded" in server.get(f"frame/{kept[-1]}").json["error"]
        gone = Path(frames[kept[-2]]["path"])
        gone.unlink()
        assert "is gone" in server.get(f"tile/{kept[-2]}/0/0/0").json["error"]
        assert server.get(f"frame/{kept[0]}").status == 200
        assert server.mark(kept[-2], "reject").status == 200
        restore(results)
        assert server.get(f"frame/{culled[0]}").status == 200
    assert reopen(results).session.frames[kept[-2]]["values"]["verdict"] == "reject"


def test_marks_of_an_earlier_review_are_followed_again(night, tmp_path):
    results = copied(tmp_path, night)
    with Served(results) as server:
        server.mark(4, "reject")
    with Served(results) as server:
        state = server.get("state").json
        assert state["marks"] == {"4": "reject"}
        assert state["changed"] == {}  # the page as served has it in
        assert server.get("").body.count(b"Rejected by your mark") >= 1
        server.post("undo", {})
    for name in FOLLOWING:
        assert (results / name).read_bytes() == Path(night.out, name).read_bytes()


@pytest.mark.slow
def test_a_grade_says_which_marks_it_was_not_given(night, tmp_path):
    said = []

    class Heard(Progress):
        def say(self, text):
            said.append(text)

    results = copied(tmp_path, night)
    settings = replace(night, out=str(results))
    grade(settings, Heard())
    assert not any("--marks" in text for text in said)
    with Served(results) as server:
        server.mark(1, "reject")
    grade(settings, Heard())
    assert any(f"--marks {results / TABLE}" in text for text in said)
    said.clear()
    # given them, the results are those of the review, and the review goes on from them
    grade(replace(settings, marks=str(results / TABLE)), Heard())
    assert not any("--marks" in text for text in said)
    with Served(results) as server:
        state = server.get("state").json
        assert state["marks"] == {"1": "reject"}
        assert state["undo"] == 1


@pytest.mark.slow
def test_marks_of_the_run_are_where_a_review_begins(night, tmp_path):
    results = tmp_path / "graded"
    marks = tmp_path / "mine.csv"
    frames = [f["values"] for f in reopen(night.out).session.frames]
    k, other = [k for k, f in enumerate(frames) if f["verdict"] == "keep"][:2]
    names = [f["frame"] for f in frames]
    marks.write_text(f"frame,verdict\n{names[k]},reject\n{names[other]},keep\n")
    grade(replace(night, out=str(results), marks=str(marks)))
    with Served(results) as server:
        state = server.get("state").json
        assert state["marks"] == {str(k): "reject", str(other): "keep"}
        assert (state["undo"], state["changed"]) == (0, {})
        state = server.mark(k, None).json
        assert state["changed"][str(k)]["verdict"] == "keep"
    assert marks.read_text().count("\n") == 3  # the person's own file is left alone
    assert names[k] not in (results / "rejects.txt").read_text()


@pytest.mark.slow
def test_paths_of_the_run_are_found_from_anywhere(night, tmp_path):
    """Graded with relative paths in one folder, reviewed from another."""
    place = tmp_path / "here"
    place.mkdir()
    shutil.copytree(night.paths[0], place / "night")
    command = [sys.executable, "-m", "subgrade", "grade", "night", "--guide", "night/guiding.csv"]
    subprocess.run([*command, "--out", "out", "-q"], cwd=place, check=True)
    before = (place / "out" / "summary.csv").read_bytes()
    process, address = opened(place / "out")
    try:
        assert posted(address, "mark", {"frame": 0, "word": "reject"})["marks"] == {"0": "reject"}
        posted(address, "undo", {})
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(30)
        process.stdout.close()
    assert (place / "out" / "summary.csv").read_bytes() == before


@pytest.mark.slow
def test_frames_that_were_not_measured_cannot_be_marked(tmp_path):
    place = tmp_path / "night"
    place.mkdir()
    settings = graded_night(tmp_path / "made")
    for path in sorted(Path(settings.paths[0]).glob("light_*"))[:4]:
        shutil.copy(path, place)
    (place / "light_bad.fits").write_bytes(b"SIMPLE  =                    T" + b" " * 3000)
    settings = replace(settings, paths=(str(place),), out=str(tmp_path / "out"), guide=())
    grade(settings)
    with Served(Path(settings.out)) as server:
        frames = reopen(settings.out).session.frames
        bad = next(k for k, f in enumerate(frames) if f["values"]["verdict"] == "unreadable")
        assert server.get(f"frame/{bad}").status == 404
        assert server.get(f"tile/{bad}/0/0/0").status == 404
        answer = server.mark(bad, "keep")
        assert answer.status == 409
        assert "not measured" in answer.json["error"]
        assert bad not in server.get("state").json["doubtful"]


@pytest.mark.slow
def test_killed_it_has_every_mark_that_it_acknowledged(night, tmp_path):
    results = copied(tmp_path, night)
    process, address = opened(results)
    try:
        for k, word in ((0, "reject"), (1, "keep"), (2, "reject"), (1, None)):
            posted(address, "mark", {"frame": k, "word": word})
    finally:
        process.kill()
        process.wait(20)
        process.stdout.close()
    names = [f["values"]["frame"] for f in reopen(results).session.frames]
    with Served(results) as server:  # and the lock of the dead is taken over
        assert server.get("state").json["marks"] == {"0": "reject", "2": "reject"}
    text = (results / "summary.csv").read_text()
    assert all(f"{names[k]},reject" in text for k in (0, 2))


@pytest.mark.slow
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupt_ends_it_cleanly(night, tmp_path, how):
    results = copied(tmp_path, night)
    process, address = opened(results)
    posted(address, "mark", {"frame": 0, "word": "reject"})
    process.send_signal(how)
    out = process.stdout.read()
    code = process.wait(30)
    process.stdout.close()
    assert out == ""  # the address was printed once, and nothing else
    assert code in ({signal.SIGINT: (0,), signal.SIGTERM: (0, -signal.SIGTERM)}[how])
    assert "Rejected by your mark" in (results / "summary.csv").read_text()
    assert "Rejected by your mark" in (results / "report.html").read_text()


def opened(results: Path) -> tuple[subprocess.Popen, str]:
    """The real command, and the address that it printed."""
    process = subprocess.Popen(
        [sys.executable, "-m", "subgrade", "review", str(results), "--no-open"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    return process, process.stdout.readline().strip()


def posted(address: str, what: str, content: dict) -> dict:
    origin = "/".join(address.split("/")[:3])
    request = urllib.request.Request(
        address + what, json.dumps(content).encode(), {"Origin": origin}, method="POST"
    )
    with urllib.request.urlopen(request, timeout=30) as answer:
        return json.load(answer)


def test_without_its_parts_it_names_the_extra(tmp_path):
    code = (
        "import sys, importlib.util as u; real = u.find_spec\n"
        "u.find_spec = lambda n, *a: None if n == 'uvicorn' else real(n, *a)\n"
        "from subgrade.cli import main; main(['review', 'x'])"
    )
    found = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False
    )
    assert found.returncode == 2
    assert 'pip install "subgrade[review]"' in found.stderr


@pytest.mark.slow
def test_a_night_that_would_be_judged_otherwise_is_not_opened(tmp_path):
    settings = graded_night(tmp_path)
    limits = tmp_path / "limits.toml"
    limits.write_text("[roundness]\nfloor = 0.55\n")
    grade(replace(settings, limits=str(limits)))
    reopen(settings.out)
    limits.write_text("[roundness]\nfloor = 0.01\nremark = 0.005\n")
    with pytest.raises(ResultsError, match="judged otherwise now"):
        reopen(settings.out)


@pytest.mark.slow
def test_a_choice_of_how_many_to_keep_is_followed_too(night, tmp_path):
    results = tmp_path / "graded"
    settings = replace(night, out=str(results), keep=0.5)
    grade(settings)
    verdicts = [f["values"]["verdict"] for f in reopen(results).session.frames]
    other = {"keep": "reject", "reject": "keep"}
    with Served(results) as server:
        for k in (1, 4):
            assert server.mark(k, other[verdicts[k]]).status == 200
    grade(replace(settings, out=str(tmp_path / "again"), marks=str(results / TABLE)))
    for name in FOLLOWING:
        assert (results / name).read_bytes() == (tmp_path / "again" / name).read_bytes(), name


def test_results_without_measurements_are_an_error(night, tmp_path):
    results = copied(tmp_path, night)
    shutil.rmtree(results / "measured")
    with pytest.raises(ResultsError, match="run grade again"):
        reopen(results)
