"""Reading results that somebody damaged, and errors that quote a stranger's file name."""

from __future__ import annotations

import json

import pytest

from subgrade.errors import ResultsError
from subgrade.results import open_results
from subgrade.results.read import record_used
from tests.cli_frames import run

FRAME = {"values": {"frame": "a.fits"}, "path": "/n/a.fits"}


@pytest.mark.parametrize(
    "session",
    [
        {},
        {"frames": None},
        {"frames": [{}]},
        {"frames": [FRAME, {"values": {}, "path": "/n/b.fits"}]},
        {"frames": [FRAME], "culled": None},
        {"frames": [FRAME], "culled": [{"frame": "b.fits"}]},
    ],
)
@pytest.mark.parametrize("command", [("explain", "a"), ("diagnose",), ("cull", "--list")])
def test_a_session_that_lost_a_part_is_an_error_that_names_it(tmp_path, capfd, session, command):
    text = json.dumps({"format": 1, "guiding": {"used": True}, **session})
    (tmp_path / "session.json").write_text(text, encoding="utf-8")
    code, _, err = run(capfd, command[0], tmp_path, *command[1:])
    assert code == 2
    assert "session.json: was damaged or changed by hand; run grade again" in err
    assert record_used(tmp_path) is None  # a grade over it goes on


@pytest.mark.parametrize("guiding", [None, [], {}, {"used": True}, {"file": "g.csv"}])
def test_results_without_a_whole_guiding_record_used_none(tmp_path, guiding):
    record = {"format": 1, "frames": [FRAME], "guiding": guiding}
    (tmp_path / "session.json").write_text(json.dumps(record), encoding="utf-8")
    assert open_results(tmp_path).frames == [FRAME]
    assert record_used(tmp_path) is None


def test_a_file_name_in_an_error_does_not_steer_the_terminal(tmp_path, capfd):
    names = ["light_\x1b]0;title\x07.fits", "light_\x1b[31m.fits\nsubgrade: all is well"]
    frames = [{"values": {"frame": n}, "path": f"/n/{n}"} for n in names]
    record = {"format": 1, "frames": frames}
    (tmp_path / "session.json").write_text(json.dumps(record), encoding="utf-8")
    for wanted in ("light", "lihgt_title"):
        code, _, err = run(capfd, "explain", tmp_path, wanted)
        assert code == 2
        assert "\x1b" not in err
        assert "\x07" not in err
        assert len(err.splitlines()) == 1
    with pytest.raises(ResultsError):
        open_results(tmp_path).frame("light")


def test_frames_that_may_be_meant_are_named_as_in_a_sentence(tmp_path):
    names = ("light_009.fits", "light_029.fits", "light_019.fits")
    frames = [{"values": {"frame": name}, "path": f"/n/{name}"} for name in names]
    text = json.dumps({"format": 1, "folder": "/n", "frames": frames})
    (tmp_path / "session.json").write_text(text, encoding="utf-8")
    with pytest.raises(
        ResultsError,
        match=r"; did you mean light_009\.fits, light_019\.fits or light_029\.fits\?$",
    ):
        open_results(tmp_path).frame("light_099")
