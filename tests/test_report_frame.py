"""What the page says of one frame: numbers against limits, what marks changed, the next command."""

import re
from dataclasses import asdict, replace
from importlib.resources import files

import pytest

from subgrade.cli import summary
from subgrade.judging import model
from subgrade.report import report_page
from subgrade.report.page import SCRIPTS
from subgrade.report.your_marks import what_marks_changed
from subgrade.results import quantity_numbers, session_record
from subgrade.stars.pictures import SKY_GREY
from subgrade.teaching import Decided
from subgrade.teaching.dials import Turned
from subgrade.teaching.teach import Lesson, Taught
from tests.judged_nights import steady
from tests.report_nights import data_of, graded_of, lost_night
from tests.test_judging_signatures import SHOWN


def test_what_is_held_against_a_limit_has_numbers_to_draw():
    graded = graded_of(lost_night(), guided=True)
    shown = data_of(report_page(graded))["frames"]
    for frame, row in zip(shown, session_record(graded)["frames"], strict=True):
        for piece, item in zip(frame["evidence"], row["evidence"], strict=True):
            held = item["limit"] is not None or piece.get("decided")
            assert ("bar" in piece) == bool(held and not item["clue"] and item["value"] is not None)
            if "bar" not in piece:
                continue
            number = float(re.match(r"[<−-]?\s*([\d.]+)", piece["value"]).group(1))
            if not piece["value"].startswith("<"):  # an upper bound is drawn as measured
                assert number == pytest.approx(piece["bar"]["value"], rel=0.05, abs=0.06)
            assert piece["bar"]["beyond"] == (item["limit"] is not None and item["points"] > 0)
    decided = [e for f in shown for e in f["evidence"] if e.get("decided")]
    assert {e["quantity"] for e in decided} >= {"eccentricity", "depth (S/N² vs good frames)"}


@pytest.mark.parametrize("word", SHOWN)
def test_beyond_a_limit_is_where_points_are_gained(word, tmp_path):
    """Holds `Feature.less_is_worse` to the points that judging gave."""
    for item in SHOWN[word](tmp_path).evidence:
        if item.clue or None in (item.value, item.limit) or item.points == 0:
            continue
        assert quantity_numbers(asdict(item))["beyond"] == (item.points > 0), item


def test_a_frame_says_what_marks_changed_for_it():
    graded = graded_of(lost_night())
    names = [f.name for f in graded.frames]
    own = tuple(f.judgement for f in graded.frames)  # 3, 5 and 7 are rejects
    turned = Turned("roundness.floor", 0.55, 0.48)
    taught = Taught(graded.limits, (Lesson("oval", (turned,), 2, (), "so"),), (), 3, 1)
    person = Decided(
        own,
        graded.limits,
        taught,
        changed=(names[7], names[0]),
        still=(names[1], names[3]),
        overruled=(names[5],),
        own=own,
    )
    found = what_marks_changed(replace(graded, person=person))
    moved = "(roundness.floor 0.55 → 0.48)"
    taught_text = "Limits taught by your marks: {}" + f" {moved}."
    assert found == {
        names[7]: [taught_text.format("kept before, rejected now")],
        names[0]: [taught_text.format("rejected before, kept now")],
        names[1]: ["You marked it reject to teach; under the taught limits it is still kept."],
        names[3]: ["You marked it keep to teach; under the taught limits it is still rejected."],
        names[5]: ["Your mark overruled the verdict: rejected without it."],
    }
    data = data_of(report_page(replace(graded, person=person)))
    assert [f["by_marks"] for f in data["frames"]] == [found.get(n, []) for n in names]
    assert {f["values"]["frame"]: f.get("own_verdict") for f in data["frames"]} == {
        n: "reject" if n == names[5] else None for n in names
    }
    assert what_marks_changed(graded) == {}


def test_one_confidence_makes_a_verdict_doubtful_everywhere():
    data = data_of(report_page(graded_of(lost_night())))
    assert data["doubtful"] == summary.DOUBTFUL == model.DOUBTFUL


def test_the_page_has_the_command_of_its_run():
    graded = replace(graded_of(steady(4)), settings={"paths": ["/n"], "out": "/o", "scale": 2.0})
    (found,) = data_of(report_page(graded))["again"]["marks"]
    assert found["text"].endswith("grade /n --out /o --scale 2.0 --marks marks.csv")
    assert not any(data_of(report_page(graded_of(steady(4))))["again"].values())


def test_the_ground_of_a_star_is_as_grey_as_its_sky():
    grey = round(255 * SKY_GREY)
    style = (files("subgrade.report") / "page.css").read_text(encoding="utf-8")
    assert f".ground.grey {{ fill: #{grey:02x}{grey:02x}{grey:02x}; }}" in style


def test_no_script_takes_a_name_of_another():
    """They are one function's body in the end, where a second function of a name wins unseen."""
    text = "\n".join(
        (files("subgrade.report") / name).read_text(encoding="utf-8") for name in SCRIPTS
    )
    names = re.findall(r"^(?:async )?(?:function|const|let) (\w+)", text, re.MULTILINE)
    assert len(names) > 150
    assert [name for name in names if names.count(name) > 1] == []
