"""How strict, on the page in a headless Chromium: the handle, the lists, and the command."""

import json
import re
import shlex
import time

import pytest

from subgrade.cli import main
from tests.cli_frames import rows, write_light
from tests.report_chromium import choose, needs_chromium, page_opener, press, text  # noqa: F401
from tests.report_nights import graded_of, lost_night, unreadable_only

pytestmark = [needs_chromium, pytest.mark.slow]


def grade(*arguments) -> None:
    with pytest.raises(SystemExit) as left:
        main([*map(str, arguments), "--workers", "1", "--quiet"])
    assert left.value.code == 0


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """A night of two filters whose frames grow wider one by one, the fourth far too wide."""
    folder = tmp_path_factory.mktemp("a night") / "lights"
    for k in range(10):
        fwhm = 5.6 if k == 3 else 3.0 + 0.04 * k
        write_light(folder / f"light_{k:02d}.fits", k, fwhm=fwhm, FILTER="L")
    for k in range(10, 15):
        write_light(folder / f"light_{k:02d}.fits", k, fwhm=3.0 + 0.04 * k, FILTER="R")
    grade("grade", folder, "--out", folder.parent / "graded")
    return folder.parent / "graded"


@pytest.fixture
def page(results, browser):
    browser.shows = None
    browser.get("about:blank")
    browser.get_log("browser")
    browser.get((results / "report.html").as_uri())
    yield browser
    assert not [e for e in browser.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]
    browser.execute_script("localStorage.clear()")


def move(browser, count: int) -> None:
    browser.execute_script(
        "const h = document.getElementById('strict'); h.value = arguments[0];"
        "h.dispatchEvent(new Event('input'));",
        count,
    )


def saved(browser, button: str, name: str) -> list[str]:
    path = browser.downloads / name
    path.unlink(missing_ok=True)
    browser.find_element("id", button).click()  # a script may save only one file
    ends = time.monotonic() + 10
    while not path.exists() and time.monotonic() < ends:
        time.sleep(0.05)
    return path.read_text(encoding="utf-8").splitlines()


def test_the_page_opens_with_the_choice_of_the_run(page, results):
    assert "Keeps 14 (14 min), leaves out 1 (1 min)." in text(page, "#chosen")
    assert not page.find_element("id", "asgraded").is_enabled()
    assert saved(page, "keeptext", "keeps.txt") == (results / "keeps.txt").read_text().splitlines()
    gone = (results / "rejects.txt").read_text().splitlines()
    assert saved(page, "rejecttext", "rejects.txt") == gone
    titles = [r.text for r in page.find_elements("css selector", "#stacks tbody th")]
    assert titles == ["all, weighted", "keeps, plain mean", "keeps, weighted"]


@pytest.mark.parametrize("prefer", ["depth", "sharpness"])
def test_the_command_gives_what_the_handle_shows(page, results, tmp_path, prefer):
    choose(page, "prefer", prefer)
    move(page, 5)
    assert "good frames among them" in text(page, "#chosen")
    page.execute_script("document.getElementById('how').open = true")
    words = shlex.split(text(page, "#how pre"))
    assert words[:2] == ["subgrade", "grade"]
    assert "--keep" in words
    words[words.index("--out") + 1] = str(tmp_path / "r")
    grade(*words[1:])
    kept = saved(page, "keeptext", "keeps.txt")
    assert kept == (tmp_path / "r" / "keeps.txt").read_text().splitlines()
    assert sum("light_0" in name for name in kept) == 5, "of the group in view"
    # the other group follows the share
    assert 0 < sum("light_1" in name for name in kept) < 5
    marked = [r for r in page.find_elements("css selector", "#table .mine") if r.text]
    assert len(marked) == sum(r["reasons"] == "surplus" for r in rows(tmp_path / "r").values())


def test_rejects_are_taken_back_by_marks(page, results):
    move(page, 10)
    assert "1 rejected frame taken back" in text(page, "#chosen")
    assert "kept by this choice" in page.find_elements("css selector", "#table .mine")[3].text
    page.execute_script("document.getElementById('how').open = true")
    page.execute_script("document.querySelector('#how [data-hold=take]').click()")
    assert page.execute_script("return Object.keys(localStorage).length") > 0
    assert "Keeps 15 (15 min), leaves out none" in text(page, "#chosen")
    assert "--marks marks.csv" in text(page, "#how pre")


def test_the_handle_never_takes_back_an_own_reject(page):
    mark(page, 3, "reject")
    mark(page, 2, "reject")
    handle = page.find_element("id", "strict")
    assert handle.get_attribute("max") == "8"
    move(page, 10)
    assert "Keeps 13 (13 min), leaves out 2 (2 min)" in text(page, "#chosen")
    assert "taken back" not in text(page, "#chosen")
    kept = "".join(saved(page, "keeptext", "keeps.txt"))
    assert "light_02" not in kept
    assert "light_03" not in kept


def mark(browser, index: int, word: str) -> None:
    browser.execute_script(
        "document.querySelector(`#table tr[data-index='${arguments[0]}']`).click()", index
    )
    press(browser, word[0])


def test_rejects_stand_worst_first(page, results):
    page.execute_script(
        "document.getElementById('worst').click();"
        "document.querySelector('[data-column=place]').click()"
    )
    shown = [row.text.split() for row in page.find_elements("css selector", "#table tbody tr")]
    curves = json.loads((results / "session.json").read_text())["choice"]["groups"]
    worth = [order["depth"]["order"] for order in curves]
    places = {frame: (at + 1) / len(order) for order in worth for at, frame in enumerate(order)}
    want = sorted(places, key=lambda frame: (-places[frame], frame))
    assert [int(row[0]) - 1 for row in shown] == want
    assert [int(row[-1]) for row in shown[:2]] == [10, 5], "the last of either group"
    page.execute_script("document.getElementById('worst').click()")
    first = page.find_element("css selector", "#table tbody tr")
    assert first.text.startswith("1 ")


def test_what_the_choice_leaves_out_is_pale_in_the_time_line(page):
    pale = "return [...document.querySelectorAll('#plot .strip.pale')].map((e) => e.dataset.frames)"
    assert page.execute_script(pale) == []
    move(page, 5)
    page.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]))")
    frames = " ".join(page.execute_script(pale)).split()
    shown = page.find_elements("css selector", "#table tbody tr")
    left = [k for k, row in enumerate(shown) if "left out by this choice" in row.text]
    assert sorted(map(int, frames)) == left != []


def test_a_command_breaks_only_at_its_spaces(page):
    page.execute_script("document.getElementById('how').open = true")
    page.execute_script("document.getElementById('how').style.width = '9em'")
    tall = page.execute_script(
        "return [...document.querySelectorAll('#how pre span')].filter((e) =>"
        "e.textContent.length < 10).map((e) => [e.textContent, e.getClientRects().length,"
        "e.offsetHeight])"
    )
    assert "--out" in [word for word, _, _ in tall]
    assert len({height for _, _, height in tall}) == 1


def test_keys_move_the_handle_and_back_again(page):
    from selenium.webdriver import Keys

    handle = page.find_element("id", "strict")
    handle.send_keys(Keys.ARROW_LEFT, Keys.ARROW_LEFT)
    assert handle.get_attribute("aria-valuetext") == "7 of 10 frames, 7 min"
    page.find_element("id", "asgraded").click()
    assert handle.get_attribute("aria-valuetext") == "9 of 10 frames, 9 min"


def test_the_numbers_are_those_of_the_session(page, results):
    session = json.loads((results / "session.json").read_text())
    curve = session["choice"]["groups"][0]["depth"]
    move(page, 5)
    row = page.find_elements("css selector", "#stacks .mine td")
    at = curve["counts"].index(5)
    assert row[0].text == "5"
    assert row[2].text == f"×{curve['mean']['snr_over_all'][at]:.2f}"
    lines = page.execute_script(
        "return [...document.querySelectorAll('#curve .stack')].map((e) =>"
        "[e.getAttribute('class'), e.getAttribute('d')])"
    )
    assert [name for name, _ in lines] == ["stack weighted", "stack mean"] * 3
    heights = [float(place.split(" ")[1]) for place in re.split("[ML]", lines[1][1])[1:]]
    values = curve["mean"]["snr_over_all"]
    assert len(heights) == len(values)
    # a straight scale: each value is drawn where those of the ends put it
    slope = (heights[-1] - heights[0]) / (values[-1] - values[0])
    drawn = [heights[0] + slope * (v - values[0]) for v in values]
    assert heights == pytest.approx(drawn, abs=0.1)
    assert slope < 0


def test_nothing_to_choose_from_shows_nothing(opened):
    assert opened(unreadable_only()).find_element("id", "choice").get_attribute("hidden")


def test_frames_that_are_kept_by_no_one_show_a_curve_all_the_same(opened):
    browser = opened(graded_of(lost_night()))
    move(browser, 1)
    assert "Keeps 1 (2 min)" in text(browser, "#chosen")
