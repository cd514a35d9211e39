"""Looking at the subs in a headless Chromium, the real server behind the page.

What lies where is read off the canvas itself: stars are found in its pixels, and never asked of
the page's own numbers.
"""

from __future__ import annotations

import base64
import io
import json
import re
import shlex
import time
import urllib.request

import numpy as np
import pytest
from PIL import Image
from scipy import ndimage

from tests.report_chromium import needs_chromium, press, resize, text
from tests.review_subs import (
    CLOUDED,
    FLIPPED,
    HOSTILE,
    NAMES,
    SWOLLEN,
    copied,
    graded_night,
    served,
    subs,
)
from tests.test_report_looks import FAINT_TEXT

pytestmark = [needs_chromium, pytest.mark.slow]
SAME_STAR_PX = 0.3
"""How far a star may move on the screen between a frame and the best beside it."""


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    return graded_night(tmp_path_factory.mktemp("review"))


@pytest.fixture(scope="module")
def address(results):
    with served(results) as server:
        yield server.address


@pytest.fixture
def open_page(browser):
    """Open the served page; nothing may stand in the console afterwards but refused answers."""

    def load(where):
        browser.get("about:blank")
        browser.get_log("browser")
        browser.get(where)
        browser.shows = None
        wait(lambda: browser.execute_script("return document.documentElement.dataset.ready"))
        return browser

    yield load
    loud = [e for e in browser.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]
    assert not [e for e in loud if "Failed to load resource" not in e["message"]]
    browser.execute_script("sessionStorage.clear()")


def wait(true, limit=15.0):
    ends = time.monotonic() + limit
    while not (found := true()):
        assert time.monotonic() < ends, "waited in vain"
        time.sleep(0.02)
    return found


def asked(address: str, what: str) -> dict:
    with urllib.request.urlopen(address + what) as answer:
        return json.load(answer)


def look(browser, index: int | None = None, queue: str = "taken") -> None:
    """Open the view on a frame, its sharp picture shown."""
    if index is not None:
        browser.execute_script("location.hash = '#frame=' + arguments[0]", index + 1)
        browser.refresh()
    press(browser, "v")
    choose_queue(browser, queue)
    sharp(browser, index)


def choose_queue(browser, kind: str) -> None:
    browser.execute_script(
        "const q = document.getElementById('queue'); q.value = arguments[0];"
        "q.dispatchEvent(new Event('change')); document.getElementById('sub').focus();",
        kind,
    )


def shown(browser) -> int:
    return int(browser.execute_script("return document.getElementById('look').dataset.frame"))


def sharp(browser, index: int | None = None) -> None:
    state = "const {sharp, frame} = document.getElementById('look').dataset; return [sharp, frame]"
    wanted = "yes", str(index)

    def there():
        now = browser.execute_script(state)
        return now[0] == "yes" and (index is None or now[1] == wanted[1])

    wait(there)


def picture(browser) -> np.ndarray:
    """The canvas as grey."""
    data = browser.execute_script("return document.getElementById('sub').toDataURL()")
    image = Image.open(io.BytesIO(base64.b64decode(data.split(",", 1)[1])))
    return np.asarray(image.convert("L"), float)


def stars(grey: np.ndarray) -> np.ndarray:
    """Centroids x, y of the bright blobs, brightest first; those at the edge left out."""
    sky = np.median(grey)
    light = np.clip(grey - sky - 25, 0, None)
    labels, count = ndimage.label(ndimage.gaussian_filter(light, 1.0) > 8)
    numbers = np.arange(1, count + 1)
    numbers = numbers[ndimage.sum_labels(light, labels, numbers) > 0]  # a rim may hold no light
    places = np.array(ndimage.center_of_mass(light, labels, numbers))
    sums = ndimage.sum_labels(light, labels, numbers)
    order = np.argsort(-sums)[:60]
    places = places[order][:, ::-1]
    inside = (places > 25) & (places < np.array(grey.shape[::-1]) - 25)
    return places[inside.all(axis=1)]


def apart(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """For the bright stars of one picture how far the nearest of the other lies, px."""
    return np.array([np.hypot(*(second - star).T).min() for star in first[:25]])


def test_the_best_shows_the_same_stars_at_the_same_places(open_page, address):
    browser = open_page(address)
    best = asked(address, "frame/3")["best"]
    for index in (3, 6) if best not in (3, 6) else (1, 4):
        look(browser, index)
        press(browser, "1")
        sharp(browser, index)
        mine = stars(picture(browser))
        press(browser, "b")
        sharp(browser, best)
        other = stars(picture(browser))
        assert len(mine) >= 15
        assert np.percentile(apart(mine, other), 90) < SAME_STAR_PX
        press(browser, "b")
        sharp(browser, index)


def test_a_meridian_flip_is_undone(open_page, address):
    browser = open_page(address)
    look(browser, 3)
    press(browser, "1")
    sharp(browser, 3)
    before = stars(picture(browser))
    press(browser, "\ue014")  # →
    sharp(browser, FLIPPED[0])
    after = stars(picture(browser))
    assert np.percentile(apart(before, after), 90) < SAME_STAR_PX
    # on the sensor it stands on its head, so this was not for nothing
    turned = asked(address, f"frame/{FLIPPED[0]}")["to_reference"][0][0]
    straight = asked(address, "frame/3")["to_reference"][0][0]
    assert turned * straight < -0.9
    assert subs()[FLIPPED[0]].turn_deg > 179


def test_zooming_and_fitting_leave_the_sky_where_it_is(open_page, address):
    browser = open_page(address)
    look(browser, 3)
    press(browser, "1")
    sharp(browser)
    before = stars(picture(browser))
    press(browser, "+", "+")  # to 2:1
    sharp(browser)
    grey = picture(browser)
    middle = (np.array(grey.shape[::-1]) - 1) / 2
    near = before[np.abs(before - middle).max(axis=1) < min(middle) / 2 - 15]
    assert len(near) >= 2
    assert apart(middle + 2 * (near - middle), stars(grey)).max() < 2 * SAME_STAR_PX
    press(browser, "f")
    sharp(browser)
    assert text(browser, "#look-zoom") != "200 %"
    assert stars(picture(browser)).shape[0] > len(before) / 2


def test_the_divider_shows_both(open_page, address):
    from selenium.webdriver import Keys

    browser = open_page(address)
    best = asked(address, "frame/3")["best"]
    look(browser, SWOLLEN)
    mine = picture(browser)
    press(browser, "b")
    sharp(browser, best)
    other = picture(browser)
    press(browser, "b", "w", Keys.ARROW_LEFT)  # the divider has the focus
    sharp(browser, SWOLLEN)
    both = picture(browser)
    at = round(0.48 * both.shape[1])
    left, right = np.s_[:, : at - 2], np.s_[:, at + 2 :]
    assert np.abs(both[left] - mine[left]).mean() < 1
    assert np.abs(both[right] - other[right]).mean() < 1
    assert np.abs(mine[right] - other[right]).mean() > 2
    wiper = browser.find_element("id", "wiper")
    assert wiper.get_attribute("aria-valuenow") == "48"
    press(browser, "w")
    assert not wiper.is_displayed()


def test_a_tap_switches_and_holding_peeks(open_page, address):
    from selenium.webdriver import ActionChains

    browser = open_page(address)
    best = asked(address, "frame/3")["best"]
    look(browser, SWOLLEN)
    ActionChains(browser).key_down("b").pause(0.6).perform()
    sharp(browser, best)
    ActionChains(browser).key_up("b").perform()
    sharp(browser, SWOLLEN)
    press(browser, "b")
    sharp(browser, best)
    time.sleep(0.4)
    assert shown(browser) == best


def test_the_stretch_is_one_for_the_group_and_stays(open_page, address):
    browser = open_page(address)
    look(browser, 0)
    plain = picture(browser).mean()
    press(browser, "[", "[", "[")
    time.sleep(0.2)
    sharp(browser)
    brighter = picture(browser).mean()
    assert brighter > plain + 3
    press(browser, "\ue014")
    sharp(browser, 1)
    assert abs(picture(browser).mean() - brighter) < 3
    browser.refresh()
    look(browser, 0)
    assert abs(picture(browser).mean() - brighter) < 1
    press(browser, "0")
    time.sleep(0.2)
    sharp(browser)
    assert abs(picture(browser).mean() - plain) < 1


def test_names_are_text_and_controls_are_large_enough(open_page, address):
    browser = open_page(address)
    look(browser, 1)
    assert text(browser, "#look-frame h2") == HOSTILE
    small = browser.execute_script(
        "return [...document.querySelectorAll('#look button, #look select, #look input')]"
        ".map((e) => [e.id, (e.closest('label') || e).getBoundingClientRect()])"
        ".filter(([, b]) => b.width && (b.width < 24 || b.height < 24)).map(([id]) => id)"
    )
    assert not small
    for width in (390, 2560):
        resize(browser, width, 844)
        sharp(browser)
        wide = "const l = document.getElementById('look'); return l.scrollWidth - l.clientWidth"
        assert browser.execute_script(wide) <= 0
        cut = browser.execute_script(
            "return [...document.querySelectorAll('#look footer button, #look header *')]"
            ".filter((e) => e.getBoundingClientRect().right > innerWidth + 1).map((e) => e.id)"
        )
        assert not cut


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_of_the_view_stands_out(open_page, address, scheme):
    """WCAG 2.2, 1.4.3 (AA): 4.5 to 1."""
    browser = open_page(address)
    browser.emulates = True
    browser.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {"features": [{"name": "prefers-color-scheme", "value": scheme}]},
    )
    look(browser, 3)
    press(browser, "o", "w", "s")
    seen, faint = browser.execute_script(FAINT_TEXT)
    assert seen > 60
    assert faint == []
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})


def test_two_fingers_zoom(open_page, address):
    browser = open_page(address)
    look(browser, 0)
    before = text(browser, "#look-zoom")

    def touch(kind, *places):
        points = [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(places)]
        browser.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    touch("touchStart", (600, 400), (700, 400))
    for k in range(1, 6):
        touch("touchMove", (600 - 20 * k, 400), (700 + 20 * k, 400))
    touch("touchEnd")
    sharp(browser)
    ratio = [float(t.removesuffix(" %")) for t in (before, text(browser, "#look-zoom"))]
    assert ratio[1] / ratio[0] == pytest.approx(3.0, rel=0.05)


def kept(browser) -> str:
    return text(browser, "#look-kept")


def test_the_queue_is_the_servers_and_steps_on_after_a_mark(open_page, results, tmp_path):
    with served(copied(results, tmp_path / "results")) as server:
        browser = open_page(server.address)
        order = asked(server.address, "state")["doubtful"]
        look(browser, order[0], "doubtful")
        seen = [shown(browser)]
        for k in range(1, len(order)):
            press(browser, "\ue014")
            sharp(browser, order[k])
            seen.append(shown(browser))
        assert seen == order
        press(browser, "k")
        wait(lambda: kept(browser) == "1 mark saved")
        assert asked(server.address, "state")["marks"] == {str(order[-1]): "keep"}
        assert f"{len(order) - 1} left" in text(browser, "#look-left-over")
        wait(lambda: shown(browser) == order[0])  # the others are still to be marked
        press(browser, "r")
        wait(lambda: kept(browser) == "2 marks saved")
        assert asked(server.address, "state")["marks"][str(order[0])] == "reject"
        press(browser, "u")
        wait(lambda: kept(browser) == "1 mark saved")
        sharp(browser, order[0])
        assert asked(server.address, "state")["marks"] == {str(order[-1]): "keep"}
        choose_queue(browser, "rejects")
        rejected = browser.execute_script(
            "return document.querySelectorAll('#table tbody span.reject').length"
        )
        assert f"of {rejected} " in text(browser, "#look-left-over")


def test_the_worst_come_first_and_the_picture_keeps_the_keys(open_page, address):
    browser = open_page(address)
    look(browser)
    kinds = []
    for _ in range(4):
        press(browser, "q")
        kinds.append(browser.execute_script("return document.getElementById('queue').value"))
        assert browser.execute_script("return document.activeElement.id") == "sub"
    assert sorted(kinds) == ["doubtful", "rejects", "taken", "worst"]
    worth = {}
    for group in asked(address, "state")["record"]["choice"]["groups"]:
        order = group["depth"]["order"] if group["depth"] else []
        worth |= {index: place / len(order) for place, index in enumerate(order)}
    press(browser, *"q" * (1 + kinds.index("worst")))
    seen = [shown(browser)]
    for _ in range(len(NAMES) - 1):
        press(browser, "\ue014")
        wait(lambda: shown(browser) != seen[-1])
        seen.append(shown(browser))
    assert set(seen[:2]) == {SWOLLEN, CLOUDED}
    placed = [worth[index] for index in seen if index in worth]
    assert len(placed) > 3
    assert placed == sorted(placed, reverse=True)
    press(browser, "\ue011")  # Home
    wait(lambda: shown(browser) == seen[0])
    press(browser, "\ue010")  # End
    wait(lambda: shown(browser) == seen[-1])


def test_a_filter_is_named_and_can_be_lifted(open_page, address):
    browser = open_page(address)
    browser.execute_script(
        "const f = document.getElementById('find'); f.value = arguments[0];"
        "f.dispatchEvent(new Event('input'));",
        "sub_3.fits",
    )
    press(browser, "v")
    choose_queue(browser, "taken")
    assert text(browser, "#look-left-over") == "1 of 1 · 1 left"
    measured = len(asked(address, "state")["doubtful"])
    assert text(browser, "#look-filter").startswith(f"filter on: 1 of {measured}")
    choose_queue(browser, "rejects")
    assert text(browser, "#look-left-over") == "none in this queue"  # it is a good frame
    choose_queue(browser, "taken")
    press(browser, "a")
    assert not browser.find_element("id", "look-filter").is_displayed()
    assert f"of {measured} " in text(browser, "#look-left-over")
    assert shown(browser) == 3


def test_the_best_has_its_own_numbers(open_page, address):
    browser = open_page(address)
    best = asked(address, "frame/3")["best"]
    look(browser, SWOLLEN)
    assert "best" not in text(browser, "#look-frame .facts")
    assert "confidence" in text(browser, "#look-frame .facts")
    press(browser, "b")
    sharp(browser, best)
    facts = text(browser, "#look-frame .facts")
    assert facts.count("(best ") == 3
    press(browser, "b")
    sharp(browser, SWOLLEN)
    look_at(browser, best)
    own = re.search(r"eccentricity ([^·(]+?) ·", text(browser, "#look-frame .facts"))[1]
    assert f"(best {own})" in facts


def look_at(browser, index: int) -> None:
    """Walk to a frame in the order taken."""
    for _ in range(len(NAMES)):
        now = shown(browser)
        if now == index:
            return
        press(browser, "\ue014" if now < index else "\ue012")
        wait(lambda now=now: shown(browser) != now)


def test_the_command_of_a_choice_can_be_typed_anywhere(open_page, results, tmp_path):
    mine = copied(results, tmp_path / "results")
    with served(mine) as server:
        browser = open_page(server.address)
        press(browser, "k")
        wait(lambda: text(browser, "#served").startswith("○ 1 mark saved"))
        assert not browser.find_element("id", "marked").is_displayed()
        browser.execute_script("document.getElementById('how').open = true")
        command = text(browser, "#strictcommand pre")
        assert shlex.split(command)[:2] == ["subgrade", "grade"]
        given = shlex.split(command)
        assert given[given.index("--marks") + 1] == str(mine / "marks_review.csv")
        assert "key S" not in text(browser, "#strictcommand")


def test_leaving_the_view_gives_the_focus_back(open_page, results, tmp_path):
    from selenium.webdriver import Keys

    with served(copied(results, tmp_path / "results")) as server:
        browser = open_page(server.address)
        browser.find_element("css selector", "#panel .lookat").click()
        sharp(browser)
        press(browser, "k")
        wait(lambda: kept(browser) == "1 mark saved")
        press(browser, Keys.ESCAPE)
        held = "return document.activeElement.dataset.hold"
        assert browser.execute_script(held) == "look"


def test_leaving_shows_the_page_as_the_marks_have_made_it(open_page, results, tmp_path):
    from selenium.webdriver import Keys

    with served(copied(results, tmp_path / "results")) as server:
        browser = open_page(server.address)
        outcome = text(browser, "#outcome")
        kept_now = [
            f for f in range(len(NAMES)) if f not in asked(server.address, "state")["marks"]
        ]
        look(browser, kept_now[0])
        browser.execute_script("document.getElementById('sub').focus()")
        first = shown(browser)
        was_kept = "kept" in text(browser, "#look-frame .facts")
        press(browser, "r" if was_kept else "k")
        wait(lambda: kept(browser) == "1 mark saved")
        press(browser, Keys.ESCAPE)
        assert not browser.find_element("id", "look").is_displayed()
        wait(lambda: text(browser, "#outcome") != outcome)
        assert len(text(browser, "#head .next").splitlines()) > 1  # its title, and what to do
        assert text(browser, "#lead")
        verdict = "reject" if was_kept else "keep"
        row = f"#table tr[data-index='{first}'] span.{verdict}"
        assert browser.find_element("css selector", row)
        assert "you: " in text(browser, f"#table tr[data-index='{first}']")
        # a mark made on the page goes to the server too
        press(browser, "c")
        press(browser, "k")
        wait(lambda: len(asked(server.address, "state")["marks"]) == 2)
        assert browser.execute_script("return localStorage.length") == 0


def test_marks_outlive_a_killed_server(open_page, results, tmp_path):
    mine = copied(results, tmp_path / "results")
    with served(mine) as server:
        browser = open_page(server.address)
        look(browser, 3)
        press(browser, "r")
        wait(lambda: kept(browser) == "1 mark saved")
        sharp(browser, 4)
        server.kill()
        press(browser, "k")
        wait(lambda: "sub_4.fits (keep)" in text(browser, "#look-trouble"))
        assert kept(browser) == "not saved: sub_4.fits"
        press(browser, "k")  # pauses
        assert kept(browser) == "not saved: sub_4.fits"
        browser.find_element("id", "look-again").click()
        assert "does not answer" in text(browser, "#look-trouble")
    with served(mine) as server:
        assert asked(server.address, "state")["marks"] == {"3": "reject"}
        browser = open_page(server.address)
        look(browser, 3)
        assert "you: reject" in text(browser, "#look-frame")


def test_a_mark_that_did_not_arrive_is_sent_again(open_page, results, tmp_path):
    with served(copied(results, tmp_path / "results")) as server:
        browser = open_page(server.address)
        look(browser, 3)
        offline(browser, True)
        press(browser, "r")
        wait(lambda: "sub_3.fits (reject)" in text(browser, "#look-trouble"))
        assert asked(server.address, "state")["marks"] == {}
        offline(browser, False)
        browser.find_element("id", "look-again").click()
        wait(lambda: kept(browser) == "1 mark saved")
        assert not browser.find_element("id", "look-trouble").is_displayed()
        state = asked(server.address, "state")
        assert state["marks"] == {"3": "reject"}
        assert state["undo"] == 1


def offline(browser, on: bool) -> None:
    browser.execute_cdp_cmd("Network.enable", {})
    browser.execute_cdp_cmd(
        "Network.emulateNetworkConditions",
        {"offline": on, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1},
    )


def test_a_sub_that_is_gone_is_named_and_the_others_go_on(open_page, results, tmp_path):
    folder = results.parent / "subs"
    with served(copied(results, tmp_path / "results")) as server:
        browser = open_page(server.address)
        (folder / NAMES[6]).rename(folder / "elsewhere")
        try:
            look(browser, 5)
            press(browser, "\ue014")
            wait(lambda: f"{NAMES[6][:-5]}" in text(browser, "#look-none"))
            press(browser, "\ue012")
            sharp(browser, 5)
        finally:
            (folder / "elsewhere").rename(folder / NAMES[6])


def test_a_click_on_a_small_picture_opens_the_view_there(open_page, address):
    browser = open_page(address)
    browser.find_elements("css selector", "#panel .starrow img")[1].click()
    sharp(browser)
    assert text(browser, "#look-zoom") == "100 %"
    grey = picture(browser)
    middle = (np.array(grey.shape[::-1]) - 1) / 2
    assert np.hypot(*(stars(grey) - middle).T).min() < 1.5


def over(browser) -> np.ndarray:
    """What is drawn over the picture: how opaque each pixel is."""
    data = browser.execute_script("return document.getElementById('over').toDataURL()")
    image = Image.open(io.BytesIO(base64.b64decode(data.split(",", 1)[1])))
    return np.asarray(image.getchannel("A"), float)


def test_stars_are_ringed_and_one_is_chosen(open_page, address):
    from selenium.webdriver import ActionChains

    browser = open_page(address)
    look(browser, 3)
    press(browser, "1")
    sharp(browser)
    bare = over(browser)
    assert 0 < (bare > 0).mean() < 0.01  # the scale bar
    press(browser, "o")
    sharp(browser)
    drawn = over(browser)
    ringed = 0
    grey = picture(browser)
    free = stars(grey)[:20]
    free = free[(free[:, 0] < 0.7 * grey.shape[1]) & (free[:, 1] < 0.6 * grey.shape[0])]
    for x, y in free:
        around = drawn[round(y) - 9 : round(y) + 10, round(x) - 9 : round(x) + 10]
        ringed += (around > 0).sum() > 20
    assert ringed >= 0.8 * len(free) > 4
    canvas = browser.find_element("id", "sub")
    x, y = free[-1] - np.array(grey.shape[::-1]) / 2
    ActionChains(browser).move_to_element_with_offset(canvas, round(x), round(y)).click().perform()
    sharp(browser)
    assert np.abs(over(browser) - drawn).sum() > 0
    press(browser, "o")
    sharp(browser)
    assert np.array_equal(over(browser), bare)


def test_shift_and_arrows_move_the_picture(open_page, address):
    from selenium.webdriver import ActionChains, Keys

    browser = open_page(address)
    look(browser, 3)
    press(browser, "1")
    sharp(browser)
    before = stars(picture(browser))
    keys = ActionChains(browser).key_down(Keys.SHIFT).send_keys(Keys.ARROW_RIGHT, Keys.ARROW_UP)
    keys.key_up(Keys.SHIFT).perform()
    sharp(browser, 3)
    after = stars(picture(browser))
    moved = before + np.array([-120, 120])
    high, wide = picture(browser).shape
    inside = ((moved > 30) & (moved < (wide - 30, high - 30))).all(axis=1)
    assert inside.sum() > 4
    assert np.percentile(apart(moved[inside], after), 80) < SAME_STAR_PX


def test_the_keyboard_reaches_every_control(open_page, address):
    from selenium.webdriver import Keys

    browser = open_page(address)
    look(browser, 3)
    press(browser, "o", "w", "s")
    reached = set()
    for _ in range(40):
        press(browser, Keys.TAB)
        reached.add(browser.execute_script("return document.activeElement.id"))
    wanted = browser.execute_script(
        "return [...document.querySelectorAll('#look [id]')].filter((e) => e.tabIndex >= 0"
        " && !e.disabled && e.getClientRects().length).map((e) => e.id)"
    )
    assert set(wanted) <= reached


SLOW_TILES = """
window.asked = {running: 0, most: 0, broken: 0};
const real = window.fetch;
window.fetch = async (path, options = {}) => {
  if (!String(path).startsWith("tile/")) return real(path, options);
  asked.running += 1;
  asked.most = Math.max(asked.most, asked.running);
  options.signal.addEventListener("abort", () => { asked.broken += 1; });
  try {
    await new Promise((go) => setTimeout(go, 300));
    return await real(path, options);
  } finally {
    asked.running -= 1;
  }
};"""


def test_what_is_no_longer_looked_at_is_no_longer_asked_for(open_page, address):
    from selenium.webdriver import Keys

    browser = open_page(address)
    look(browser, 0)
    browser.execute_script(SLOW_TILES)
    press(browser, "1", *[Keys.ARROW_RIGHT] * 5)
    sharp(browser, 5)
    seen = browser.execute_script("return window.asked")
    assert seen["broken"] >= 1
    assert 1 <= seen["most"] <= 5
