"""A headless Chromium for the tests of the page: its pages, and hands to use them."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from subgrade.judging import left_out
from subgrade.report import report_page
from subgrade.results import CulledFrame, Graded, GradedFrame
from subgrade.results.model import RECORD, Problem
from tests.report_nights import graded_of, grouped_night, lost_night

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
needs_chromium = pytest.mark.skipif(
    not (CHROMIUM and DRIVER),
    reason="no Chromium with its driver (Debian: apt-get install chromium chromium-driver)",
)
LONG = "capture/A_rather_long_name_as_programs_write_them_L_120s_gain100_-10C_{:04d}.fits"
FITTED = """
const plot = document.getElementById("plot");
return plot.firstChild.viewBox.baseVal.width === plot.clientWidth;"""
LANES = """
return [...document.querySelectorAll("#plot .lane-name")].map((e) => e.firstChild.data)"""
"""What the lanes of the time line are called, from above."""
ARGUMENTS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-dev-shm-usage",
    "--disable-gpu",
    "--window-size=1400,900",
)


SHARED = "report.html"
"""One file for every page: the browser keeps the compiled scripts by their address."""
GONE = "/observatory/rather/deep/folder/of/frames/that/were/culled/before"


@contextmanager
def chromium(downloads: Path) -> Iterator:
    """A driver that logs its console and saves into a folder; quits at the end."""
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    options = Options()
    options.binary_location = CHROMIUM
    for argument in ARGUMENTS:
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    options.add_experimental_option("prefs", {"download.default_directory": str(downloads)})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    driver.set_script_timeout(60)
    driver.downloads, driver.shows, driver.emulates = downloads, None, False
    try:
        yield driver
    finally:
        driver.quit()


@pytest.fixture(name="opened")
def page_opener(browser, tmp_path_factory):
    """Open a graded night's page from disk; fails if the console has errors afterwards.

    With ``only_look`` the test promises to change nothing, so that the next one may go on
    with the same page: opening takes longest.
    """

    def load(graded, only_look=False):
        if browser.shows is not graded:
            path = tmp_path_factory.getbasetemp() / SHARED
            path.write_text(page_of(graded), encoding="utf-8")
            browser.get("about:blank")
            browser.get_log("browser")
            browser.get(path.as_uri())
        browser.shows = graded if only_look else None
        assert browser.execute_script("return document.documentElement.dataset.ready") == "yes"
        return browser

    yield load
    loud = [e for e in browser.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]
    assert not loud
    browser.execute_script("localStorage.clear()")
    if browser.emulates:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})
        browser.execute_cdp_cmd("Emulation.setTimezoneOverride", {"timezoneId": ""})
        browser.emulates = False


PAGES: dict[int, tuple[Graded, str]] = {}
"""Pages by the identity of their night, which stands beside so that none other can have it."""


def page_of(graded: Graded) -> str:
    """The page of a night, made once."""
    if id(graded) not in PAGES:
        PAGES[id(graded)] = graded, report_page(graded)
    return PAGES[id(graded)][1]


@cache
def guided_night() -> Graded:
    return graded_of(lost_night(), guided=True)


@cache
def long_night() -> Graded:
    """Groups, long names, frames culled before, a damaged file and a record not used."""
    graded = grouped_night([LONG.format(k) for k in range(12)])
    bad = GradedFrame("bad.fits", Path("/n/bad.fits"), left_out("bad.fits", "unreadable", "short"))
    gone = tuple(CulledFrame(n, Path("/n") / n, Path(GONE) / n) for n in ("a.fits", "b.fits"))
    unused = Problem("guiding_of_june.csv", "no column of errors", RECORD)
    problems = (unused, Problem("bad.fits", "cut short"))
    return replace(graded, frames=(*graded.frames, bad), culled=gone, problems=problems)


def resize(browser, width: int, height: int) -> None:
    """Another window, and the time line drawn for it."""
    browser.emulates = True
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False},
    )
    ends = time.monotonic() + 5
    while time.monotonic() < ends and not browser.execute_script(FITTED):
        time.sleep(0.02)


def text(browser, selector: str) -> str:
    return browser.find_element("css selector", selector).text


def press(browser, *keys: str) -> None:
    from selenium.webdriver import ActionChains

    ActionChains(browser).send_keys(*keys).perform()


def rows(browser) -> list[str]:
    # as JSON, since the driver cannot carry a lone surrogate
    return json.loads(
        browser.execute_script(
            "return JSON.stringify([...document.querySelectorAll('#table tbody tr')]"
            ".map(r => r.querySelector('.link').title))"
        )
    )


def chip(browser, word: str):
    return browser.execute_script(
        "return [...document.querySelectorAll('#filters button')]"
        ".find(b => b.textContent.includes(arguments[0]))",
        word,
    )


def choose(browser, select: str, value: str) -> None:
    browser.execute_script(
        "const c = document.getElementById(arguments[0]); c.value = arguments[1];"
        "c.dispatchEvent(new Event('change'));",
        select,
        value,
    )


def wait_for(browser, name: str) -> None:
    ends = time.monotonic() + 5
    while text(browser, "#name") != name and time.monotonic() < ends:
        time.sleep(0.05)
    assert text(browser, "#name") == name
