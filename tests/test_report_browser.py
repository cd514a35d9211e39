"""The page in a headless Chromium: no errors, click, filter, keys, marks, hostile text.

Skipped where no Chromium is installed; `.ci/run` installs one where it may.
"""

import csv
import io
import time
from functools import cache

import pytest

from subgrade.figures import likely
from subgrade.judging import REASONS
from subgrade.lights import FrameNames
from subgrade.teaching.marks import of_these, read_marks
from tests.judged_nights import steady
from tests.report_chromium import (
    GONE,
    LANES,
    chip,
    choose,
    guided_night,
    long_night,
    needs_chromium,
    page_opener,  # noqa: F401
    press,
    rows,
    text,
    wait_for,
)
from tests.report_nights import HOSTILE, graded_of, lost_night, unreadable_only

pytestmark = needs_chromium


@cache
def hostile_night():
    return graded_of(steady(len(HOSTILE)), names=HOSTILE, target=HOSTILE[1], filter=HOSTILE[0])


def test_the_outcome_is_seen_at_once(opened):
    browser = opened(guided_night(), only_look=True)
    assert "9 of 12 frames" in text(browser, "#outcome")
    assert "18 min kept" in text(browser, "#outcome")
    assert "6 min lost" in text(browser, "#outcome")
    assert "cloud or haze" in text(browser, "#causes")
    assert "Median of the kept frames: FWHM" in text(browser, "#summary")
    assert "Graded night: 9 of 12 kept" in browser.title
    assert len(rows(browser)) == 12
    assert browser.execute_script(LANES) == [
        "FWHM, ″",
        "eccentricity",
        "transparency",
        "sky background, ADU",
        "guiding RA, ″",
        "guiding Dec, ″",
    ]
    covered = "covers all 12 frames; guiding RMS RA 0.39″, Dec 0.40″, median of the kept frames"
    assert covered in text(browser, "#guiding")
    assert text(browser, "#remarks") == ""


def test_what_was_left_out_stands_where_it_belongs(opened):
    browser = opened(long_night(), only_look=True)
    remarks = text(browser, "#remarks")
    assert f"Left out: 2 frames culled earlier (now in {GONE})" in remarks
    assert "1 file could not be graded: bad.fits (cut short)" in remarks
    assert "guiding_of_june" not in remarks
    record = "Guiding record guiding_of_june.csv not used: no column of errors."
    assert record in text(browser, "#guiding")


def test_a_click_on_a_point_shows_its_frame(opened):
    from selenium.webdriver import ActionChains

    browser = opened(guided_night())
    place = browser.execute_script(
        """document.getElementById("line").scrollIntoView();
        const lane = document.querySelector("#plot [data-lane=fwhm_arcsec]");
        for (const path of lane.querySelectorAll("[data-frames]")) {
          const k = path.dataset.frames.split(" ").indexOf("8");
          if (k < 0) continue;
          const [x, y] = path.getAttribute("d").split("M")[k + 1].split(/[a-z ]/i).map(Number);
          const box = document.getElementById("plot").getBoundingClientRect();
          return [box.left + x + 4, box.top + y];
        }"""
    )
    actions = ActionChains(browser)
    actions.w3c_actions.pointer_action.move_to_location(*(round(v) for v in place))
    actions.w3c_actions.pointer_action.click()
    actions.perform()
    wait_for(browser, "light_008.fits")
    assert browser.current_url.endswith("#frame=9")
    browser.refresh()
    assert text(browser, "#name") == "light_008.fits"


def test_the_keyboard_walks(opened):
    from selenium.webdriver import ActionChains, Keys

    browser = opened(guided_night())
    assert text(browser, "#name") == "light_003.fits"  # the first rejected
    press(browser, Keys.ARROW_RIGHT)
    assert text(browser, "#name") == "light_004.fits"
    ActionChains(browser).key_down(Keys.SHIFT).send_keys(*[Keys.ARROW_RIGHT] * 2).key_up(
        Keys.SHIFT
    ).perform()
    assert text(browser, "#name") == "light_007.fits"
    press(browser, Keys.HOME, Keys.ARROW_LEFT)
    assert text(browser, "#name") == "light_000.fits"
    press(browser, Keys.END)
    assert text(browser, "#name") == "light_011.fits"
    press(browser, "?")
    assert "next, previous frame" in text(browser, "#help")
    press(browser, Keys.ESCAPE)
    ground = "return getComputedStyle(document.body).backgroundColor"
    light = browser.execute_script(ground)
    press(browser, "t")
    assert browser.execute_script(ground) != light


def test_evidence_states_how_likely_each_cause_is(opened):
    from selenium.webdriver import ActionChains, Keys

    judged = guided_night().frames[7].judgement
    browser = opened(guided_night())
    press_twice = [Keys.ARROW_RIGHT] * 2
    keys = ActionChains(browser).key_down(Keys.SHIFT).send_keys(*press_twice)
    keys.key_up(Keys.SHIFT).perform()
    assert text(browser, "#name") == "light_007.fits"
    titles = browser.execute_script(
        "return [...document.querySelectorAll('.evidence th[scope=rowgroup]')]"
        ".map((e) => e.textContent)"
    )
    weighed = {f"{REASONS[word].short} ({likely(share)})" for word, share in judged.shares[0]}
    assert len(weighed & set(titles)) >= 2
    assert titles[0] in weighed


def test_filter_and_sort(opened):
    from selenium.webdriver import Keys

    browser = opened(guided_night())
    chip(browser, "rejected").click()
    assert rows(browser) == ["light_003.fits", "light_005.fits", "light_007.fits"]
    press(browser, Keys.ARROW_RIGHT)
    assert text(browser, "#name") == "light_005.fits"
    choose(browser, "reason", "cloud")
    assert rows(browser) == ["light_003.fits"]
    press(browser, "a")
    assert len(rows(browser)) == 12
    for _ in range(2):
        browser.execute_script("document.querySelector('[data-key=eccentricity] button').click()")
    assert rows(browser)[0] == "light_007.fits"  # the most oval
    assert rows(browser)[-1] == "light_005.fits"  # unknown stands last
    press(browser, "/", "light_01")
    assert sorted(rows(browser)) == ["light_010.fits", "light_011.fits"]


def test_hostile_text_stays_text(opened):
    browser = opened(hostile_night(), only_look=True)
    assert rows(browser)[:5] == HOSTILE[:5]
    assert HOSTILE[1] in text(browser, "#panel")
    scripts = "return [...document.scripts].filter((s) => !s.type).length"
    assert browser.execute_script(scripts) == 1
    odd = browser.execute_script("return document.querySelectorAll('[onerror], [onload]').length")
    assert odd == 0


def test_marks_are_saved_as_grade_reads_them(opened):
    from selenium.webdriver import Keys

    browser = opened(hostile_night())
    press(browser, Keys.HOME, "r", Keys.ARROW_RIGHT, "k", Keys.ARROW_RIGHT, "r", "r", Keys.END, "r")
    assert "3 marks, 2 against" in text(browser, "#marked")
    browser.refresh()
    assert "3 marks, 2 against" in text(browser, "#marked")  # kept by the browser
    press(browser, "s")
    saved = browser.downloads / "marks.csv"
    ends = time.monotonic() + 10
    while not saved.exists() and time.monotonic() < ends:
        time.sleep(0.02)
    known, unknown = of_these(read_marks(saved), FrameNames(HOSTILE))
    assert unknown == []
    found = {name: mark.word for name, mark in known.items()}
    assert found == {HOSTILE[0]: "reject", HOSTILE[1]: "keep", HOSTILE[-1]: "reject"}
    shown = browser.execute_script("return document.querySelector('#saved textarea').value")
    assert next(iter(csv.reader(io.StringIO(shown)))) == ["frame", "verdict"]
    press(browser, Keys.ESCAPE)


@pytest.mark.parametrize(
    "graded",
    [
        pytest.param(unreadable_only, id="unreadable only"),
        pytest.param(
            lambda: graded_of(lost_night(), start_unix=None, start_utc=None, mid_unix=None),
            id="no times",
        ),
        pytest.param(lambda: graded_of(steady(3), exposure_s=None), id="no exposure"),
    ],
)
def test_poor_nights_open(opened, graded):
    graded = graded()
    browser = opened(graded)
    assert len(rows(browser)) == len(graded.frames)
    press(browser, "t")


def test_clocks(opened):
    browser = opened(guided_night())
    browser.emulates = True
    browser.execute_cdp_cmd("Emulation.setTimezoneOverride", {"timezoneId": "Asia/Kolkata"})
    assert len(browser.execute_script(LANES)) == 6
    choose(browser, "clock", "order")
    assert len(browser.execute_script(LANES)) == 4  # a record has no place among frame numbers
    assert "choose UTC or local time" in text(browser, "#legend")
    choose(browser, "clock", "local")
    assert len(browser.execute_script(LANES)) == 6
    for place in ("#what", "#panel .walk", "#plot"):
        assert "local time (UTC+5:30)" in text(browser, place)
    start = text(browser, "#table tbody td + td")
    assert start == "23:16"  # 17:46:40 UTC


def test_nothing_is_asked_of_the_network(opened):
    browser = opened(guided_night(), only_look=True)
    asked = browser.execute_script(
        "return performance.getEntriesByType('resource').map(e => e.name)"
        ".filter(n => !n.startsWith('data:') && !n.startsWith('blob:'))"
    )
    assert asked == []
