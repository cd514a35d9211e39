"""The diagnosis counts the same losses as the table of the summary: files of every kind, marks."""

from __future__ import annotations

import json

import pytest

from subgrade.diagnosis.diagnose import _ranked_advice
from subgrade.diagnosis.model import Advice, NightFinding
from tests.cli_frames import run, write_light


@pytest.fixture(scope="module")
def lights(tmp_path_factory):
    """Nine lights, two of them out of focus; a dark, a file of another binning, one cut short."""
    folder = tmp_path_factory.mktemp("night") / "lights"
    for k in range(9):
        write_light(folder / f"light_{k}.fits", k, fwhm=5.5 if k in (4, 5) else 3.0)
    write_light(folder / "dark.fits", 9, IMAGETYP="DARK", EXPTIME=300.0)
    write_light(folder / "other.fits", 10, FILTER="Ha", EXPTIME=120.0)
    cut = write_light(folder / "cut.fits", 11)
    cut.write_bytes(cut.read_bytes()[:20000])
    return folder


@pytest.mark.parametrize(
    "marks", ["", "light_4.fits,keep\nlight_1.fits,reject\nlight_2.fits,reject\n"]
)
def test_losses_are_those_of_the_summary(lights, tmp_path, capfd, marks):
    options = []
    if marks:
        (tmp_path / "marks.csv").write_text("frame,verdict\n" + marks)
        options = ["--marks", tmp_path / "marks.csv"]
    run(capfd, "grade", lights, "--out", tmp_path / "out", "--workers", 1, *options)
    record = json.loads((tmp_path / "out" / "session.json").read_text())
    table = [(r["reason"], r["text"], r["frames"], r["lost_s"]) for r in record["causes"]]
    found = record["diagnosis"]
    assert [(r["reason"], r["text"], r["frames"], r["lost_s"]) for r in found["losses"]] == table
    assert found["lost_s"] == record["totals"]["lost_s"]
    assert found["kept_s"] == record["totals"]["kept_s"]
    lost = {r["reason"]: (r["frames"], r["lost_s"]) for r in found["losses"]}
    assert lost["wrong_frame"] == (2, 420.0)  # the dark of 300 s and the filter of 120 s
    assert lost["unreadable"] == (1, 0.0)
    cost = {f["reason"]: f["cost_s"] for f in found["findings"] if f["reason"]}
    assert cost["wrong_frame"] == 420.0
    kept, rejected = record["totals"]["kept"], record["totals"]["rejected"]
    assert found["summary"].startswith(f"{kept} of {kept + rejected} frames kept (")
    assert kept == (6 if marks else 7)
    if marks:  # what only a mark rejected is no sign of a cause
        assert sum(cost.values()) == found["lost_s"] - 2 * 60.0
    else:
        assert sum(cost.values()) == found["lost_s"]


def advised(topic: str, *frames: str) -> Advice:
    return Advice(topic, f"do {topic}", "", "", 120.0 * len(frames), 0.9, frames)


def test_each_minute_of_loss_is_claimed_once():
    # Five frames of 2 min: 6 + (4 - 4) + (4 - 2) + 2 min is their time.
    claims = [
        advised("Dec guiding", "a", "b", "c"),
        advised("polar axis", "a", "b"),
        advised("wind", "d"),
        advised("cables", "c", "e"),
        advised("nothing"),
    ]
    findings = [NightFinding(a.topic, "", "", cost_s=a.saves_s, advice=(a,)) for a in claims]
    ranked = _ranked_advice(findings, dict.fromkeys("abcde", 120.0))
    assert [(a.topic, a.saves) for a in ranked] == [
        ("Dec guiding", "could save up to 6 min"),
        ("polar axis", "could save up to 4 min, the same as 1"),
        ("cables", "could save up to 4 min, of which 2 min count above"),
        ("wind", "could save up to 2 min"),
        ("nothing", ""),
    ]


def test_a_graded_night_claims_no_minute_twice(lights, tmp_path, capfd):
    run(capfd, "grade", lights, "--out", tmp_path / "out", "--workers", 1)
    record = json.loads((tmp_path / "out" / "session.json").read_text())
    seen, alone = set(), 0.0
    for item in record["diagnosis"]["advice"]:
        mine = set(item["frames"])
        assert bool(mine) == bool(item["saves_s"])
        assert not mine & seen  # what is said of frames claimed twice, the test above shows
        if mine:
            assert item["saves"].startswith("could save up to ")
            assert "same as" not in item["saves"]
            alone += item["saves_s"]
        seen |= mine
    assert 0 < alone <= record["totals"]["lost_s"]
