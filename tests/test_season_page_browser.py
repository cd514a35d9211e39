"""The page of a season in Chromium: what it shows, keys, windows, contrast, paper."""

from __future__ import annotations

from functools import cache

import pytest

from subgrade.season.page import season_page
from tests.report_chromium import needs_chromium, press, text
from tests.season_pages import season_of_values
from tests.test_report_looks import FAINT_TEXT, SMALL_OR_NAMELESS

pytestmark = needs_chromium
HOSTILE = "</script><img src=x onerror=document.title='run'>"
CUT = """
return [...document.querySelectorAll("body *")].filter((e) =>
  !e.closest("svg, .skip, .wide, .name, #balance") && e.checkVisibility() && e.clientWidth > 0
  && getComputedStyle(e).display !== "inline" && !e.matches("select, option")
  && e.scrollWidth > e.clientWidth + 1).map((e) => `${e.tagName}#${e.id}.${e.className}`);"""


@cache
def few():
    return season_of_values(6, 30)


@pytest.fixture
def opened(browser, tmp_path):
    """Open a season's page; fails if the console has errors afterwards."""

    def load(season, width=1400, height=900):
        path = tmp_path / "nights.html"
        path.write_text(season_page(season, tmp_path), encoding="utf-8")
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        browser.get_log("browser")
        browser.get(path.as_uri())
        assert browser.execute_script("return document.documentElement.dataset.ready") == "yes"
        return browser

    browser.shows = None
    yield load
    loud = [e for e in browser.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
    assert not loud


def chosen(browser) -> list[str]:
    """The night that strip, list, card and table show as chosen."""
    return browser.execute_script(
        """const strip = document.querySelector(".night[aria-pressed=true]");
        const list = document.getElementById("night");
        return [strip.getAttribute("aria-label").split(";")[0], list.selectedOptions[0].text,
          document.querySelector("#card h3").firstChild.data,
          document.querySelector("#table tr.chosen th").textContent];"""
    )


def test_the_answer_comes_first(opened):
    browser = opened(few())
    assert "8 h 00 min kept" in text(browser, "#outcome")
    assert "3 Nov 2025 to 23 Nov 2025" in text(browser, "#what")
    rows = [r.text for r in browser.find_elements("css selector", "#hours tbody tr")]
    assert [row.split()[:3] for row in rows] == [["M", "31", "L"], ["M", "31", "Ha"]]
    assert "better without 7 Nov 2025" in text(browser, "#verdicts")
    assert "not used, and why" in text(browser, "#left-out")
    assert "holds no results" in text(browser, "#problems")


def test_one_night_is_chosen_everywhere(opened):
    from selenium.webdriver import Keys

    browser = opened(few())
    assert set(chosen(browser)) == {"23 Nov 2025"}
    browser.execute_script("document.querySelector('.night[aria-pressed=true]').focus()")
    press(browser, Keys.ARROW_LEFT)
    assert set(chosen(browser)) == {"19 Nov 2025"}
    press(browser, Keys.HOME)
    assert set(chosen(browser)) == {"3 Nov 2025"}
    assert browser.execute_script("return document.activeElement.className") == "night"
    browser.find_element("css selector", "#after").click()
    assert set(chosen(browser)) == {"7 Nov 2025"}
    assert "Two nights in one folder." in text(browser, "#card")
    browser.find_element("css selector", "#table tbody tr:last-child td").click()
    assert set(chosen(browser)) == {"23 Nov 2025"}


def test_the_table_sorts_with_unknown_values_last(opened):
    browser = opened(season_of_values(4, 20, scaled=False))
    button = "#table [data-hold={}]"
    browser.find_element("css selector", button.format("lost_s")).click()
    browser.find_element("css selector", button.format("lost_s")).click()
    lost = [e.text for e in browser.find_elements("css selector", "#table tbody td:nth-child(5)")]
    assert lost == ["9 min", "6 min", "3 min", "–"]
    head = browser.find_element("css selector", "#table th[aria-sort=descending]")
    assert head.text.startswith("lost")
    widths = browser.find_elements("css selector", "#table tbody td:nth-child(6)")
    assert [e.text for e in widths] == ["–"] * 4


def test_a_stack_can_be_looked_at_alone(opened):
    browser = opened(few())
    assert len(browser.find_elements("css selector", "#parts article")) == 2
    browser.find_element("css selector", "#hours tbody tr:last-child .link").click()
    assert text(browser, "#parts h3") == "M 31 Ha"
    assert len(browser.find_elements("css selector", ".names .name")) == 1


@pytest.mark.parametrize("count", [1, 2])
def test_few_nights(opened, count):
    browser = opened(season_of_values(count, 10))
    assert len(browser.find_elements("css selector", ".night")) == count
    assert "−100%" not in text(browser, "#card")


@pytest.mark.parametrize("timed", [True, False])
def test_names_are_text(opened, timed):
    season = season_of_values(3, 10, (HOSTILE, None), ("L",), timed=timed, more=HOSTILE)
    browser = opened(season)
    assert browser.title != "run"
    assert not browser.find_elements("css selector", "img")
    assert HOSTILE in text(browser, "#hours")
    assert browser.execute_script("return document.getElementById('map').hidden") != timed


@pytest.mark.slow
@pytest.mark.parametrize("width", [2560, 1440, 800, 390])
def test_nothing_is_cut_and_controls_are_named_and_large_enough(opened, width):
    """WCAG 2.2, 2.5.8 (AA): 24 by 24 CSS pixels."""
    browser = opened(season_of_values(20, 30), width)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert browser.execute_script(CUT) == []
    count, wrong = browser.execute_script(SMALL_OR_NAMELESS)
    assert count > 40
    assert wrong == []


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out(opened, scheme):
    """WCAG 2.2, 1.4.3 (AA): 4.5 to 1."""
    browser = opened(few())
    browser.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {"features": [{"name": "prefers-color-scheme", "value": scheme}]},
    )
    seen, faint = browser.execute_script(FAINT_TEXT)
    assert seen > 200
    assert faint == []


@pytest.mark.slow
def test_behind_every_plot_stands_a_table(opened):
    browser = opened(few())
    plots = browser.find_elements("css selector", ".plot")
    assert len(plots) == 6
    assert all(p.get_attribute("aria-label").endswith("has the numbers") for p in plots)
    tables = browser.execute_script(
        "return [...document.querySelectorAll('.plot')].map((p) =>"
        " p.parentElement.querySelectorAll('details tbody tr').length)"
    )
    assert all(count > 1 for count in tables)


@pytest.mark.slow
def test_fifty_nights_of_two_hundred_frames_open(opened):
    """How long it takes 0.4 to 0.6 s on two busy cores."""
    browser = opened(season_of_values(50, 200, ("M 31", "NGC 7000"), ("L", "R", "Ha")))
    assert len(browser.find_elements("css selector", ".night")) == 50
    assert len(browser.find_elements("css selector", "#table tbody tr")) == 50


@pytest.mark.slow
def test_fifty_nights_fit_a_sheet_of_paper(opened):
    """A4 inside the margins of `nights.css`: 188 mm."""
    wide = round(188 / 25.4 * 96)
    browser = opened(season_of_values(50, 20, ("M 31", "NGC 7000"), ("L", "Ha")), wide)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    seen = browser.execute_script(
        "return [document.documentElement.scrollWidth,"
        " document.getElementById('tools').offsetHeight]"
    )
    assert seen[0] <= wide
    assert seen[1] == 0
