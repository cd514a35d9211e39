"""``grade --keep``: good frames left out by choice, in every file and on the screen."""

import json

import pytest

from subgrade.cli import main
from tests.cli_frames import rows, run, write_night


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    return write_night(tmp_path_factory.mktemp("night") / "lights")


@pytest.fixture(scope="module")
def half(night):
    """Half of the six passing frames kept."""
    out = night.parent / "half"
    with pytest.raises(SystemExit) as left:
        main(["grade", str(night), "--out", str(out), "--workers", "1", "--quiet", "--keep", "50%"])
    assert left.value.code == 0
    return out


def test_the_lists_the_table_and_the_weights_agree(half):
    table = rows(half)
    kept = [n for n, r in table.items() if r["verdict"] == "keep"]
    surplus = [n for n, r in table.items() if r["reasons"].split(";")[0] == "surplus"]
    assert (len(kept), len(surplus)) == (3, 3)
    listed = {
        name: (half / f"{name}.txt").read_text().splitlines()[1:] for name in ("keeps", "rejects")
    }
    assert listed["keeps"] == kept
    assert set(surplus) < set(listed["rejects"])
    weights = dict(line.split(",") for line in (half / "weights.csv").read_text().split()[1:])
    assert sorted(weights) == sorted(kept)
    assert max(map(float, weights.values())) == 1.0
    for name in surplus:
        row = table[name]
        assert (row["verdict"], float(row["weight"])) == ("reject", 0.0)
        assert (float(row["confidence"]), float(row["cause_confidence"])) == (1.0, 1.0)
        assert row["explanation"].startswith("Left out by your choice to keep 50%")


def test_the_session_tells_a_choice_from_a_loss(half, night):
    session = json.loads((half / "session.json").read_text())
    assert (session["settings"]["keep"], session["settings"]["prefer"]) == (0.5, "depth")
    assert (session["totals"]["rejected"], session["totals"]["surplus"]) == (5, 3)
    assert session["causes"][-1]["reason"] == "surplus", "last, whatever it holds"
    assert session["totals"]["surplus_s"] == 180.0
    assert session["diagnosis"]["lost_s"] == 120.0
    assert "3 frames left out by choice (3 min)" in session["diagnosis"]["summary"]
    choice = session["choice"]
    assert (choice["keep"], choice["prefer"], choice["stack"]) == (0.5, "depth", "mean")
    (group,) = choice["groups"]
    assert (group["passing"], group["kept"]) == (6, 3)
    names = [f["values"]["frame"] for f in session["frames"]]
    best = [names[k] for k in group["depth"]["order"]]
    assert sorted(best[:3]) == (half / "keeps.txt").read_text().splitlines()[1:]
    assert group["depth"]["counts"][-1] == 8
    assert group["depth"]["seconds"][-1] == 480.0
    assert group["depth"]["mean"]["snr_over_all"][-1] == 1.0


def test_the_summary_says_so_in_a_line_each(night, half, capfd, tmp_path):
    code, out, _ = run(capfd, "grade", night, "--out", half, "--workers", 1, "--keep", "50%")
    assert code == 0
    assert "8 files: 3 kept (3 min), 5 rejected (5 min), 3 of them by your choice" in out
    (line,) = [line for line in out.splitlines() if line.startswith("Stack ")]
    for words in ("all weighted ×", "keeps ×", "keeps weighted ×"):
        assert words in line


def test_explain_shows_the_place_in_the_order(half, capfd):
    name = next(n for n, r in rows(half).items() if r["reasons"].startswith("surplus"))
    code, out, _ = run(capfd, "explain", half, name)
    assert code == 0
    assert f"{name}: reject (surplus)" in out
    assert "place, best first" in out


def test_a_mark_is_stronger_than_the_share(night, half, capfd, tmp_path):
    name = next(n for n, r in rows(half).items() if r["reasons"].startswith("surplus"))
    marks = tmp_path / "marks.csv"
    marks.write_text(f"frame,verdict\n{name},keep\n")
    out = tmp_path / "r"
    assert run(capfd, "grade", night, "--out", out, "--keep", "50%", "--marks", marks)[0] == 0
    table = rows(out)
    assert table[name]["verdict"] == "keep"
    assert sum(r["verdict"] == "keep" for r in table.values()) == 3, "it counts to the share"


def test_a_share_of_what_a_share_left_is_warned_of(capfd, tmp_path):
    lights, out = write_night(tmp_path / "lights"), tmp_path / "r"
    assert run(capfd, "grade", lights, "--out", out, "--keep", "50%")[0] == 0
    assert run(capfd, "cull", out, "--to", tmp_path / "away")[0] == 0
    code, _, err = run(capfd, "grade", lights, "--out", out, "--keep", "50%")
    assert code == 0
    assert "3 good frames left out by an earlier choice were culled" in err
    assert "earlier choice" not in run(capfd, "grade", lights, "--out", out)[2]
    assert run(capfd, "restore", out)[0] == 0
    code, _, err = run(capfd, "grade", lights, "--out", out, "--keep", "50%")
    assert "earlier choice" not in err
    assert sum(r["verdict"] == "keep" for r in rows(out).values()) == 3


@pytest.mark.parametrize(
    ("share", "message"),
    [
        ("80", "for 80 per cent write 80%"),
        ("120%", "must be above 0% and at most 100%"),
        ("0", "must be above 0%"),
        ("nan", "is not a share, as 80% or 0.8"),
        ("most", "is not a share, as 80% or 0.8"),
    ],
)
def test_what_is_no_share_is_refused(night, capfd, tmp_path, share, message):
    code, _, err = run(capfd, "grade", night, "--out", tmp_path / "r", "--keep", share)
    assert code == 2
    assert message in err
    assert not (tmp_path / "r").exists()
