"""A headless Chromium for the tests of the page: fixtures ``browser`` and ``opened``, and hands."""

from __future__ import annotations

import json
import shutil
import time
from functools import cache

import pytest

from subgrade.report import report_page
from subgrade.results import Graded
from tests.report_nights import graded_of, lost_night

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
needs_chromium = pytest.mark.skipif(
    not (CHROMIUM and DRIVER),
    reason="no Chromium with its driver (Debian: apt-get install chromium chromium-driver)",
)
ARGUMENTS = (
    "--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu",
    "--window-size=1400,900",
)  # fmt: skip


@pytest.fixture(name="browser", scope="module")
def driver_of_chromium(tmp_path_factory):
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    downloads = tmp_path_factory.mktemp("downloads")
    options = Options()
    options.binary_location = CHROMIUM
    for argument in ARGUMENTS:
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    options.add_experimental_option("prefs", {"download.default_directory": str(downloads)})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    driver.set_script_timeout(20)
    driver.downloads = downloads
    yield driver
    driver.quit()


@pytest.fixture(name="opened")
def page_opener(browser, tmp_path):
    """Open a graded night's page from disk; fails if the console has errors afterwards."""

    def load(graded, anchor=""):
        path = tmp_path / "report.html"
        path.write_text(page_of(graded), encoding="utf-8")
        browser.get("about:blank")
        browser.get_log("browser")
        browser.get(f"{path.as_uri()}{anchor}")
        assert browser.execute_script("return document.documentElement.dataset.ready") == "yes"
        return browser

    yield load
    loud = [e for e in browser.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]
    assert not loud
    browser.execute_script("localStorage.clear()")


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
