"""One frame, table and filters in a headless Chromium: bars, doubt, find, columns, marks."""

import shlex
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from subgrade.judging.model import DOUBTFUL
from subgrade.teaching import Decided
from tests.judged_nights import steady
from tests.report_chromium import (
    guided_night,
    needs_chromium,
    page_opener,  # noqa: F401
    press,
    resize,
    rows,
    text,
)
from tests.report_nights import graded_of, lost_night

pytestmark = [needs_chromium, pytest.mark.slow]
GAUGES = """
const box = (e, part) => e.querySelector(part) && e.querySelector(part).getBoundingClientRect();
return [...document.querySelectorAll(".gauge")].map((e) => {
  const [tip, past, typical, track] = [".tip", ".past", ".typical", ".track"].map((s) => box(e, s));
  const hatch = getComputedStyle(e.querySelector(".past")).backgroundImage;
  return {classes: e.className, told: e.querySelector(".unseen").textContent,
    seen: e.querySelector(".says").textContent, tip: tip.left + tip.width / 2,
    past: [past.left, past.right], typical: typical && typical.left,
    from: track.left, wide: track.width, hatched: hatch.includes("repeating")};
});"""


def show(browser, number: int) -> None:
    browser.execute_script(f"document.querySelectorAll('#table tbody tr')[{number}].click()")


def run_js(browser, script, *given):
    return browser.execute_script(script, *given)


def test_numbers_stand_against_their_limits(opened):
    browser = opened(guided_night())
    show(browser, 7)
    found = run_js(browser, GAUGES)
    pieces = guided_night().frames[7].judgement.evidence
    limited = [e for e in pieces if e.limit is not None and e.value is not None and not e.clue]
    assert len(found) == len(limited)
    decided = ["decided" in g["classes"] for g in found]
    assert decided == sorted(decided, reverse=True)
    assert any(decided)
    assert not all(decided)
    for gauge, beyond in zip(found, decided, strict=True):
        assert gauge["hatched"]
        start, end = gauge["past"]
        middle = gauge["tip"]
        inside = start - 0.5 <= middle <= end + 0.5
        assert inside == beyond
        # colour is not all that tells: the sign, the words, the hatching
        assert gauge["seen"].startswith("◆" if beyond else "●")
        assert ("beyond its limit" if beyond else "within its limit") in gauge["told"]
        assert gauge["told"].endswith("decided the verdict. ") == beyond
    (oval,) = (e for e in limited if e.quantity == "eccentricity")
    (gauge,) = (g for g in found if g["told"].startswith("eccentricity"))
    at = [
        (gauge["tip"], oval.value),
        (gauge["past"][0], oval.limit),
        (gauge["typical"], oval.usual),
    ]
    end = 1.12 * max(oval.value, oval.limit, oval.usual)
    for place, value in at:
        assert (place - gauge["from"]) / gauge["wide"] == pytest.approx(value / end, abs=0.006)


def test_a_number_whose_fall_is_worse_is_hatched_below_its_limit(opened):
    browser = opened(guided_night())
    show(browser, 3)
    gauge = run_js(browser, GAUGES)[0]
    assert gauge["told"].startswith("depth")
    assert gauge["past"][0] == pytest.approx(gauge["from"], abs=0.5)
    assert gauge["past"][0] < gauge["tip"] < gauge["past"][1]


def test_points_and_shares_wait_for_who_asks(opened):
    browser = opened(guided_night())
    show(browser, 7)
    seen = "return document.querySelector('.evidence').checkVisibility()"
    assert not run_js(browser, seen)
    run_js(browser, "document.querySelector('[data-hold=evidence]').click()")
    assert run_js(browser, seen)
    press(browser, "k")  # what was unfolded stays so
    assert run_js(browser, seen)


def test_screen_readers_have_each_number_as_a_sentence(opened):
    browser = opened(guided_night())
    show(browser, 7)
    nodes = browser.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    names = [n.get("name", {}).get("value", "") for n in nodes]
    assert "Numbers against their limits" in names
    told = [n for n in names if n.startswith("eccentricity 0.80, beyond its limit 0.5")]
    assert told
    assert any(n.startswith("The typical star smeared by the motion inferred") for n in names)


def test_stars_motion_and_path_share_one_scale(opened):
    browser = opened(guided_night())
    show(browser, 7)
    titles, boxes, spans = run_js(
        browser,
        "const all = [...document.querySelectorAll('.drawings figure')];"
        "return [all.map((e) => e.querySelector('figcaption').textContent),"
        " all.map((e) => e.querySelector('svg').getAttribute('viewBox')),"
        " all.slice(0, 3).map((e) => Number(e.querySelector('image').getAttribute('width')))]",
    )
    assert titles == ["Typical star", "With motion", "This frame", "Guide path"]
    assert len(set(boxes)) == 1
    assert spans[1] == spans[2]
    assert "is like this frame's (correlation over 0.99)" in text(browser, ".below")


@cache
def doubtful_night():
    graded = graded_of(lost_night(), guided=True)
    sure = {1: 0.7, 4: DOUBTFUL, 7: 0.6, 9: 0.9}
    frames = tuple(
        replace(f, judgement=replace(f.judgement, confidence=sure.get(k, 0.99)))
        for k, f in enumerate(graded.frames)
    )
    return replace(graded, frames=frames)


def test_doubtful_verdicts_can_be_asked_for(opened):
    browser = opened(doubtful_night())
    assert text(browser, "#doubtful") == "? doubtful 3"
    names = [f"light_{k:03d}.fits" for k in (7, 1, 9)]
    press(browser, "d")
    assert rows(browser) == names  # the least certain first
    assert run_js(browser, "return document.getElementById('doubtful').ariaPressed") == "true"
    press(browser, "d")
    assert rows(browser) == [f"light_{k:03d}.fits" for k in range(12)]
    run_js(browser, "document.getElementById('doubtful').click()")
    assert rows(browser) == names
    press(browser, "a")
    assert len(rows(browser)) == 12


def test_without_a_doubtful_verdict_nothing_is_offered(opened):
    graded = doubtful_night()
    frames = (replace(f, judgement=replace(f.judgement, confidence=0.99)) for f in graded.frames)
    browser = opened(replace(graded, frames=tuple(frames)))
    assert not run_js(browser, "return document.getElementById('doubtful')")
    press(browser, "d")
    assert len(rows(browser)) == 12


@pytest.mark.parametrize(
    ("words", "numbers"),
    [
        ("tracking_lost", [5]),
        ("lost tracking", [5]),
        ("tracking LOST", [5]),
        ("cloud or haze", [3]),
        ('"light outside the core"', [7]),
        ("rejected", [3, 5, 7]),
        ("no such thing", []),
    ],
)
def test_find_reads_reasons_and_deciding_numbers(opened, words, numbers):
    browser = opened(guided_night())
    press(browser, "/", words)
    shown = [int(n[6:9]) for n in run_js(browser, NAMES)]
    assert shown == numbers
    told = f"{len(numbers)} found" if numbers else "none found"
    assert text(browser, "#found") == told


NAMES = "return [...document.querySelectorAll('#table tbody .link')].map((e) => e.title)"


def test_escape_clears_find_then_leaves_it(opened):
    from selenium.webdriver import Keys

    browser = opened(guided_night())
    active = "return document.activeElement.id || document.activeElement.className"
    press(browser, "/", "cloud")
    assert text(browser, "#found") == "1 found"
    press(browser, Keys.ESCAPE)
    assert run_js(browser, active) == "find"
    assert run_js(browser, "return document.getElementById('find').value") == ""
    assert len(rows(browser)) == 12
    assert text(browser, "#found") == ""
    press(browser, Keys.ESCAPE)
    assert run_js(browser, active) == "link cut"
    press(browser, Keys.ARROW_DOWN)  # and the keys walk on from the selected row
    assert text(browser, "#name") == "light_004.fits"


def test_a_kept_frame_has_a_sign_and_a_word_for_those_who_hear(opened):
    browser = opened(guided_night(), only_look=True)
    seen, heard = run_js(
        browser,
        "const cell = document.querySelectorAll('#table tbody tr')[0].cells[3];"
        "const told = [...cell.querySelectorAll('.unseen')].map((e) => e.textContent);"
        "const copy = cell.cloneNode(true);"
        "copy.querySelectorAll('.unseen').forEach((e) => e.remove());"
        "return [copy.textContent.trim(), told]",
    )
    assert seen == "●"
    assert heard == ["kept"]
    rejected = "return document.querySelectorAll('#table tbody tr')[3].cells[3].textContent"
    assert run_js(browser, rejected) == "◆ rejected: cloud or haze"


def test_bars_stand_under_the_figures(opened):
    browser = opened(guided_night(), only_look=True)
    head = "return [...document.querySelectorAll('#table thead th')].map((e) => e.dataset.key)"
    k = run_js(browser, head).index("eccentricity")
    parts = run_js(
        browser,
        f"const cells = [...document.querySelectorAll('#table tbody tr')].map((r) => r.cells[{k}]);"
        "return cells.map((c) => [c.style.getPropertyValue('--part'),"
        " getComputedStyle(c).backgroundImage])",
    )
    for frame, (part, image) in zip(guided_night().frames, parts, strict=True):
        oval = frame.stars.eccentricity
        if oval == oval and oval > 0:
            assert float(part.rstrip("%")) == pytest.approx(100 * oval, abs=0.51)
            assert "gradient" in image
        else:
            assert (part, image) == ("", "none")


def test_columns_can_be_chosen_and_stay_chosen(opened):
    from selenium.webdriver import Keys

    browser = opened(guided_night())
    heads = "return [...document.querySelectorAll('#table thead th')].map((e) => e.dataset.key)"
    before = run_js(browser, heads)
    run_js(browser, "document.querySelector('#frames .menu summary').focus()")
    press(browser, Keys.ENTER, Keys.TAB, Keys.SPACE)  # by keyboard alone: the first, start
    run_js(browser, "document.querySelector('[data-column=guide_peak_arcsec]').click()")
    after = [k for k in before if k != "start"] + ["guide_peak_arcsec"]
    assert run_js(browser, heads) == after
    press(browser, Keys.ESCAPE)
    assert run_js(browser, "return document.activeElement.textContent") == "Columns"
    assert not run_js(browser, "return document.querySelector('#frames .menu').open")
    browser.refresh()
    assert run_js(browser, heads) == after
    press(browser, "r")
    assert "you: reject" in text(browser, "#table tr.chosen")


def test_folders_stand_where_file_names_repeat(opened):
    names = [
        "a/lights/one.fits",
        "b/lights/one.fits",
        "deep/x/lights/two.fits",
        "deep/y/lights/two.fits",
        "two.fits",
        "only/three.fits",
        "p/1/four.fits",
        "p/2/four.fits",
        "q/1/four.fits",
    ]
    browser = opened(graded_of(steady(len(names)), names=names))
    shown = run_js(
        browser,
        "const names = [...document.querySelectorAll('#table .link')];"
        "return names.map((e) => [e.textContent, e.title])",
    )
    assert shown == [
        [label, name]
        for label, name in zip(
            [
                "a/…/one.fits",
                "b/…/one.fits",
                "x/…/two.fits",
                "y/…/two.fits",
                "two.fits",
                "three.fits",
                "p/1/four.fits",
                "p/2/four.fits",
                "q/1/four.fits",
            ],
            names,
            strict=True,
        )
    ]
    press(browser, "\ue010")  # End: the last, and what is told of it
    assert run_js(browser, "return document.getElementById('spoken').textContent").startswith(
        "q/1/"
    )


def test_what_a_mark_does_is_told_at_the_frame(opened):
    browser = opened(guided_night())
    show(browser, 3)  # a reject of two minutes; nine of twelve are kept
    keep = "return document.querySelector('[data-hold=keep]').title"
    assert run_js(browser, keep) == "Key K: kept frames 9 → 10, +2 min"
    press(browser, "k")
    assert "○ you overrule: kept frames 9 → 10, +2 min" in text(browser, ".marks")
    show(browser, 0)
    press(browser, "r")  # with the other mark
    assert "○ you overrule: kept frames 10 → 9, −2 min" in text(browser, ".marks")
    press(browser, "k")
    assert "○ you agree" in text(browser, ".marks")


def test_a_verdict_that_a_mark_overruled_counts_as_it_was(opened):
    """Frame 5 is kept by a mark of this run; without it nine of twelve are kept."""
    night = guided_night()
    own = tuple(f.judgement for f in night.frames)
    name = night.frames[5].name
    frames = list(night.frames)
    frames[5] = replace(frames[5], judgement=replace(own[5], verdict="keep"))
    person = Decided((), night.limits, overruled=(name,), marked=1, own=own)
    browser = opened(replace(night, frames=tuple(frames), person=person))
    show(browser, 5)
    assert text(browser, "#marked") == "○ 1 mark, 1 against the verdict"
    assert "○ you overrule: kept frames 9 → 10, +2 min" in text(browser, ".marks")
    assert "Your mark overruled the verdict: rejected without it." in text(browser, ".marks")


def test_names_stay_in_view_on_a_phone(opened):
    browser = opened(guided_night(), only_look=True)
    resize(browser, 390, 844)
    left, start = run_js(
        browser,
        "const wide = document.querySelector('#frames .wide'); wide.scrollLeft = 300;"
        "const row = document.querySelectorAll('#table tbody tr')[4];"
        "const left = (e) => e.getBoundingClientRect().left - wide.getBoundingClientRect().left;"
        "const found = [left(row.querySelector('th')), left(row.cells[1])];"
        "wide.scrollLeft = 0; return found",
    )
    assert left == pytest.approx(0, abs=1)
    assert start < -100


def test_the_dialog_prints_the_command_of_the_run(opened):
    from selenium.webdriver import Keys

    asked = {"paths": ["/n/my lights"], "out": "/o", "guide": ["/g/a 'b'.csv"], "scale": 1.5}
    graded = replace(guided_night(), settings=asked)
    browser = opened(graded)
    press(browser, "r", "s")
    shown = run_js(
        browser, "return [...document.querySelectorAll('#saved pre')].map((e) => e.textContent)"
    )
    words = ["subgrade", "grade", "/n/my lights", "--out", "/o", "--guide", "/g/a 'b'.csv"]
    words += ["--scale", "1.5"]
    assert [shlex.split(line) for line in shown] == [
        [*words, f"--{option}", "marks.csv"] for option in ("marks", "teach")
    ]
    run_js(
        browser,
        "[...document.querySelectorAll('#saved button')]"
        ".find((b) => b.textContent === 'Copy the command').click()",
    )
    press(browser, Keys.ESCAPE)
    Path(browser.downloads / "marks.csv").unlink(missing_ok=True)


@pytest.mark.parametrize("width", [390, 2560])
def test_frame_table_and_menu_have_room(opened, width):
    browser = opened(guided_night())
    resize(browser, width, 1200)
    show(browser, 7)
    run_js(browser, "document.querySelector('.menu').open = true")
    wide, over = run_js(
        browser,
        "const all = [...document.querySelectorAll('#panel *, #columns, #columns *')];"
        "const over = all.filter((e) => !e.closest('svg, .unseen, .wide, .track')"
        " && e.checkVisibility()).filter((e) => {"
        " const box = e.getBoundingClientRect(); return box.right > innerWidth || box.left < 0; });"
        "return [document.documentElement.scrollWidth, over.map((e) => e.outerHTML.slice(0, 80))]",
    )
    assert wide <= width
    assert over == []
