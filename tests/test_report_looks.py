"""What a reader needs of the page in any window: whole text, contrast, targets, focus, paper."""

import base64
import re
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.judged_nights import steady
from tests.report_chromium import (
    LONG,
    choose,
    guided_night,
    long_night,
    needs_chromium,
    page_opener,  # noqa: F401
    press,
    resize,
    text,
)
from tests.report_nights import graded_of, pictures_of

pytestmark = [needs_chromium, pytest.mark.slow]
WIDTHS = {1600: 900, 1300: 900, 800: 1100, 390: 844}
A4_PX = (188 / 25.4 * 96, 271 / 25.4 * 96)
"""Inside the margins of `page.css`, CSS pixels."""

CUT = """
return [...document.querySelectorAll("body *")].filter((e) =>
  !e.closest("svg, #plot, .skip, .unseen, dialog") && e.checkVisibility() && e.clientWidth > 0
  && getComputedStyle(e).display !== "inline" && !e.closest("#frames .wide")
  && e.scrollWidth > e.clientWidth + 1 && !e.matches("select, input")
).map((e) => `${e.tagName}#${e.id}.${e.className}: ${e.textContent.slice(0, 40)}`);"""

# Contrast ratio as WCAG 2.2 defines it (relative luminance of sRGB).
FAINT_TEXT = """
const pen = document.createElement("canvas").getContext("2d", {willReadFrequently: true});
const shade = (text) => {
  pen.clearRect(0, 0, 1, 1); pen.fillStyle = text; pen.fillRect(0, 0, 1, 1);
  return [...pen.getImageData(0, 0, 1, 1).data];
};
const light = ([r, g, b]) => [r, g, b].map((v) => v / 255)
  .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
  .reduce((sum, v, k) => sum + v * [0.2126, 0.7152, 0.0722][k], 0);
const ground = (e) => {
  for (; e; e = e.parentElement) {
    const found = shade(getComputedStyle(e).backgroundColor);
    if (found[3] > 250) return found;
  }
  return [255, 255, 255];
};
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), found = [];
let seen = 0;
while (walker.nextNode()) {
  const text = walker.currentNode.textContent.trim(), e = walker.currentNode.parentElement;
  if (!text || !e.checkVisibility() || e.closest("script, style, noscript, :disabled")) continue;
  const style = getComputedStyle(e);
  const [a, b] = [light(shade(style.color || style.fill)), light(ground(e))];
  const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  seen += 1;
  if (ratio < 4.5) found.push([ratio, e.tagName, e.className, text.slice(0, 30)]);
}
return [seen, found];"""

SMALL_OR_NAMELESS = """
const controls = [...document.querySelectorAll("button, a, select, input, summary, [role=img]")]
  .filter((e) => e.checkVisibility() && !e.closest(".skip, dialog"));
const named = (e) => e.textContent.trim() || e.ariaLabel || e.alt || (e.labels && e.labels.length);
return [controls.length, controls.filter((e) => {
  const box = e.getBoundingClientRect();
  return box.width < 24 || box.height < 24 || !named(e);
}).map((e) => e.outerHTML.slice(0, 90))];"""

TOP_OF_NAME = "return document.getElementById('name').getBoundingClientRect().top"


@pytest.mark.slow
@pytest.mark.parametrize(("width", "height"), WIDTHS.items())
def test_nothing_is_cut_and_controls_are_named_and_large_enough(opened, width, height):
    """WCAG 2.2, 2.5.8 (AA): 24 by 24 CSS pixels."""
    browser = opened(long_night(), only_look=True)
    resize(browser, width, height)
    assert browser.execute_script("return document.documentElement.scrollWidth") <= width
    assert browser.execute_script(CUT) == []
    count, wrong = browser.execute_script(SMALL_OR_NAMELESS)
    assert count > 40
    assert wrong == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out(opened, scheme):
    """WCAG 2.2, 1.4.3 (AA): 4.5 to 1."""
    browser = opened(long_night(), only_look=True)
    browser.emulates = True
    browser.execute_cdp_cmd(
        "Emulation.setEmulatedMedia",
        {"features": [{"name": "prefers-color-scheme", "value": scheme}]},
    )
    seen, faint = browser.execute_script(FAINT_TEXT)
    assert seen > 200
    assert faint == []


def test_long_names_keep_the_end_that_tells_them_apart(opened):
    browser = opened(long_night(), only_look=True)
    names = browser.execute_script(
        "return [...document.querySelectorAll('#table .link')].map((e) => "
        "[e.textContent, e.title, e.scrollWidth <= e.clientWidth])"
    )[:12]
    assert all(n.endswith(f"{k:04d}") and whole for k, (n, _, whole) in enumerate(names))
    assert [title for _, title, _ in names] == [LONG.format(k) for k in range(12)]
    assert text(browser, "#name") == LONG.format(3)


def test_a_reason_has_one_name(opened):
    """The phrase in cost list, time line, filter, table and frame; the word in tooltips only."""
    browser = opened(guided_night(), only_look=True)
    phrase = "cloud or haze"
    for place in ("#causes", "#plot", "#reason", "#panel", "#table"):
        assert phrase in " ".join(text(browser, place).split()), place
    shown = browser.execute_script("return document.body.innerText")
    words = browser.execute_script(
        "return Object.keys(JSON.parse(document.getElementById('data').textContent).reasons)"
    )
    for word in words:
        if "_" in word:
            assert word not in shown
            assert word.replace("_", " ") not in shown or word == "tracking_lost"
    tip = browser.execute_script("return document.querySelector('.cause').title")
    assert tip.startswith(("cloud: ", "tracking_lost: "))


def test_the_guiding_axes_share_one_ink_and_differ_in_style(opened):
    browser = opened(guided_night(), only_look=True)
    ra, dec = browser.execute_script(
        "return ['ra', 'dec'].map((axis) => {"
        "const style = getComputedStyle(document.querySelector(`#plot .trace.${axis}`));"
        "return [style.stroke, style.fill]; })"
    )
    assert ra[0] == dec[0]
    assert ra[1] == "none"
    assert dec[1] not in ("none", dec[0])


@cache
def pictured_night(scale):
    """Pictures that no browser can decode: their places and words are looked at."""
    graded = graded_of(steady(3), pictures=pictures_of())
    frames = (replace(f, facts=replace(f.facts, scale_arcsec=scale)) for f in graded.frames)
    return replace(graded, frames=tuple(frames))


@pytest.mark.parametrize(("scale", "unit"), [(1.5, "′"), (None, " px")])
def test_stars_stand_in_a_row_with_their_distance(opened, scale, unit):
    browser = opened(pictured_night(scale), only_look=True)
    lefts, words = browser.execute_script(
        "const stars = [...document.querySelectorAll('.starrow > div')];"
        "return [stars.map((e) => e.getBoundingClientRect().left), stars.map((e) => e.innerText)]"
    )
    assert lefts == sorted(set(lefts))
    assert len(lefts) == 5
    places = browser.execute_script(
        "return [...document.querySelectorAll('.place')].map((e) => e.x.baseVal.value + 12)"
    )
    assert places == pytest.approx([100 + 9 * k for k in range(5)])
    for k, text_below in enumerate(words):
        away = np.hypot(100 + 9 * k - 599.5, 200 - 499.5)
        shown = away * scale / 60 if scale else away
        assert text_below.split("\n")[0].endswith(unit)
        assert float(text_below.split("\n")[0].removesuffix(unit)) == pytest.approx(shown, rel=0.05)
    note = browser.execute_script("return document.querySelector('.starrow + p').textContent")
    wide = f"{round(24 * scale)}″ (24 px)" if scale else "24 px"
    assert f"crops {wide} wide" in note


def test_retired_words_are_nowhere_on_the_page(opened):
    """Text, tooltips and labels of the page's own; the diagnosis and sentences are others'."""
    browser = opened(guided_night(), only_look=True)
    shown = browser.execute_script(
        "document.getElementById('story').hidden = true;"
        "document.querySelectorAll('details').forEach((e) => { e.open = true; });"
        "const own = [...document.querySelectorAll('body *')].filter((e) =>"
        " !e.closest('script, style, #story, .explanation, #advice, .evidence'));"
        "const tips = own.flatMap((e) => [e.matches('.cause, #table *, .facts *') ? '' : e.title,"
        " e.ariaLabel, e.alt]);"
        "const texts = own.flatMap((e) => [...e.childNodes].filter((n) => n.nodeType === 3)"
        ".map((n) => n.data));"
        "document.getElementById('story').hidden = false;"
        "return [...texts, ...tips].filter(Boolean).join('\\n').toLowerCase()"
    )
    assert "typical" in shown
    assert "guiding rms" in shown
    for word in ("usual", "speaks", "told", "said", "calm", "spoil", "begin", "take away", "sure"):
        assert not re.search(rf"\b{word}", shown), word


def test_a_row_shows_its_frame_beside_it_or_brings_it_into_view(opened):
    browser = opened(guided_night())
    resize(browser, 1300, 700)
    browser.execute_script("document.querySelectorAll('#table tr')[9].scrollIntoView(false)")
    before = browser.execute_script("return scrollY")
    browser.execute_script("document.querySelectorAll('#table tbody tr')[9].cells[5].click()")
    assert text(browser, "#name") == "light_009.fits"
    assert browser.execute_script("return scrollY") == before > 300
    assert 0 <= browser.execute_script(TOP_OF_NAME) < 600
    resize(browser, 390, 844)
    browser.execute_script("document.querySelectorAll('#table tbody tr')[8].cells[3].click()")
    assert text(browser, "#name") == "light_008.fits"
    assert 0 <= browser.execute_script(TOP_OF_NAME) < 400


def test_every_row_reaches_a_screen_reader(opened):
    """Rows out of view are drawn later; names and values must be in the accessibility tree then."""
    from selenium.webdriver.support.ui import WebDriverWait

    browser = opened(guided_night())
    resize(browser, 1300, 300)
    browser.execute_script("document.querySelector('[data-key=eccentricity] button').click()")
    drawn = "return !document.querySelector('#table .quick')"
    assert not browser.execute_script(drawn)
    WebDriverWait(browser, 5, 0.05).until(lambda b: b.execute_script(drawn))
    nodes = browser.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
    parts = [(n["role"]["value"], n.get("name", {}).get("value")) for n in nodes if "role" in n]
    assert {f"light_{k:03d}.fits" for k in range(12)} <= {name for _, name in parts}
    columns = sum(role == "columnheader" for role, _ in parts)
    assert sum(role == "row" for role, _ in parts) >= 13
    assert columns >= 12
    assert sum(role == "cell" for role, _ in parts) >= 12 * 11


def test_the_titles_of_the_table_stay_in_view(opened):
    browser = opened(guided_night(), only_look=True)
    resize(browser, 1300, 300)
    browser.execute_script("document.querySelectorAll('#table tbody tr')[8].scrollIntoView()")
    bar, head, row = browser.execute_script(
        "const box = (e) => e.getBoundingClientRect(), table = document.getElementById('table');"
        "return [box(document.getElementById('tools')).bottom, box(table.tHead).top,"
        " box(table.tBodies[0].rows[8]).top - box(table.tHead).bottom]"
    )
    assert head == pytest.approx(bar, abs=1)
    assert row > -1  # a row brought into view is not under them


def test_the_focus_stays_where_it_was(opened):
    """What is drawn anew must not throw a keyboard reader back to the top of the page."""
    from selenium.webdriver import Keys

    browser = opened(guided_night())
    browser.execute_script("document.querySelector('[data-hold=next]').focus()")
    press(browser, Keys.ENTER, Keys.ENTER)
    assert text(browser, "#name") == "light_005.fits"
    held = "return document.activeElement.dataset.hold || document.activeElement.id"
    assert browser.execute_script(held) == "next"
    browser.execute_script("document.querySelector('[data-hold=keep]').focus()")
    press(browser, Keys.ENTER)
    assert browser.execute_script(held) == "keep"
    browser.execute_script("document.getElementById('reason').focus()")
    choose(browser, "reason", "cloud")
    assert browser.execute_script(held) == "reason"
    assert text(browser, "#name") == "light_003.fits"  # the first that fits


def test_up_and_down_belong_to_the_table(opened):
    from selenium.webdriver import Keys

    browser = opened(guided_night())
    press(browser, Keys.ARROW_DOWN)
    assert text(browser, "#name") == "light_003.fits"  # the page scrolls instead
    browser.execute_script("document.querySelector('#table tr.chosen .link').focus()")
    press(browser, Keys.ARROW_DOWN, Keys.ARROW_DOWN, Keys.ARROW_UP)
    assert text(browser, "#name") == "light_004.fits"
    stops = "return document.querySelectorAll('#table .link[tabindex=\"0\"]').length"
    assert browser.execute_script(stops) == 1


def test_single_letters_can_be_switched_off(opened):
    """WCAG 2.2, 2.1.4 (A)."""
    from selenium.webdriver import Keys

    browser = opened(guided_night())
    browser.execute_script("document.getElementById('letters').click()")
    press(browser, "r")
    assert text(browser, "#marked") == ""
    press(browser, Keys.ARROW_RIGHT)
    assert text(browser, "#name") == "light_004.fits"
    browser.execute_script("document.getElementById('letters').click()")
    press(browser, "r")
    assert "1 mark" in text(browser, "#marked")


POINTS = """
return [...document.querySelectorAll("#plot [data-frames]")].flatMap((path) => {
  const style = getComputedStyle(path);
  return path.dataset.frames.split(" ").map((n) =>
    [Number(n), Number(style.opacity), parseFloat(style.strokeWidth), style.stroke]);
});"""


def test_filter_and_marks_show_on_the_time_line(opened):
    browser = opened(guided_night())
    count = len(browser.execute_script(POINTS))
    choose(browser, "reason", "cloud")
    press(browser, "r")
    points = browser.execute_script(POINTS)
    assert len(points) == count
    bright = [p for p in points if p[1] == 1]
    assert len(bright) == 5  # one frame in the lanes of reasons and of the four measures
    assert {p[0] for p in bright} == {3}
    assert all(width == pytest.approx(2.5) for _, _, width, _ in bright)
    assert sorted({round(p[1], 2) for p in points}) == [0.13, 1]
    press(browser, "a", "c")
    points = browser.execute_script(POINTS)
    assert {p[1] for p in points} == {1}
    assert max((p[2] for p in points if p[3] != "none"), default=0) <= 1.5


def test_head_and_time_line_share_the_first_sheet(opened):
    browser = opened(long_night())
    width, height = A4_PX
    resize(browser, round(width), round(height))
    browser.execute_script("dispatchEvent(new Event('beforeprint'))")
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    bottom, wide, tools = browser.execute_script(
        "const b = document.getElementById('line').getBoundingClientRect();"
        "return [b.bottom + scrollY, document.documentElement.scrollWidth,"
        " document.getElementById('tools').checkVisibility()]"
    )
    assert bottom < height
    assert wide <= width + 1
    assert not tools
    assert 4 <= sheets_of(browser) <= 6  # head and time line, choice and frame, diagnosis, table
    head = browser.execute_script("return document.getElementById('sheets').textContent")
    assert "@top-left" in head
    assert "counter(page)" in head
    browser.execute_script("dispatchEvent(new Event('afterprint'))")


def sheets_of(browser) -> int:
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"preferCSSPageSize": True})["data"]
    return base64.b64decode(printed).count(b"/Type /Page\n")


@pytest.mark.parametrize("night", [long_night, guided_night, lambda: graded_of(many_lost())])
def test_all_that_matters_goes_on_one_sheet(opened, night):
    browser = opened(night())
    resize(browser, *(round(v) for v in A4_PX))
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    browser.execute_script(
        "window.print = () => {}; document.getElementById('onesheet').click();"
        "dispatchEvent(new Event('beforeprint'))"
    )
    shown = browser.execute_script("return document.body.innerText")
    assert "Rejected and unreadable, by reason" in shown
    assert "lost tracking (1): " in shown or "cloud or haze (240)" in shown
    assert "Next night" in shown
    assert "The night in detail" not in shown
    assert sheets_of(browser) == 1
    browser.execute_script("dispatchEvent(new Event('afterprint'))")
    assert browser.execute_script("return document.documentElement.className") == ""


@pytest.mark.parametrize("width", [1440, 900])
def test_one_sheet_is_laid_out_for_the_sheet_not_for_the_screen(opened, width):
    browser = opened(graded_of(many_lost()))
    resize(browser, width, 1000)
    browser.execute_script(
        "window.print = () => {}; document.getElementById('onesheet').click();"
        "dispatchEvent(new Event('beforeprint'))"
    )  # as a browser asks: the rules of print hold only later
    listed = browser.execute_script("return document.getElementById('rejects').textContent")
    assert "light_479.fits" in listed
    assert "see rejects.txt" not in listed
    assert not browser.execute_script("return document.body.style.width")
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    resize(browser, *(round(v) for v in A4_PX))
    wide, bottom = browser.execute_script(
        "const plot = document.querySelector('#plot svg').getBoundingClientRect();"
        "return [plot.width, document.getElementById('rejects').getBoundingClientRect().bottom]"
    )
    assert wide > 0.95 * A4_PX[0]
    assert 0.9 * A4_PX[1] < bottom + browser.execute_script("return scrollY") <= A4_PX[1]
    browser.execute_script("dispatchEvent(new Event('afterprint'))")
    assert sheets_of(browser) > 1


def test_titles_of_the_table_are_no_boxes_on_paper(opened):
    """Chromium paints a button in a repeated table head on the first sheet only (seen)."""
    browser = opened(guided_night())
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    shown = "return getComputedStyle(document.querySelector('#table thead button')).display"
    assert browser.execute_script(shown) == "contents"


@pytest.mark.parametrize("width", [390, 900, 1080])
def test_how_strict_has_its_heading_first_and_all_its_columns(opened, width):
    browser = opened(guided_night())
    resize(browser, width, 900)
    heading, curve, hidden, bar = browser.execute_script(
        "const top = (e) => document.querySelector(e).getBoundingClientRect().top;"
        "const box = document.getElementById('stacks').parentElement;"
        "return [top('#choice h2'), top('#curve'), box.scrollWidth - box.clientWidth,"
        " document.getElementById('tools').offsetHeight]"
    )
    assert heading <= curve + 4
    assert hidden == 0
    assert bar <= 150, "three rows"


def test_a_list_made_shorter_counts_frames(opened):
    shots = steady(40)
    browser = opened(
        graded_of([replace(s, transparency=0.3) if k % 5 else s for k, s in enumerate(shots)])
    )
    browser.execute_script("window.print = () => {}; document.getElementById('onesheet').click()")
    browser.execute_script(
        "document.body.style.paddingTop = '2000px'; dispatchEvent(new Event('beforeprint'))"
    )
    text_of = browser.execute_script("return document.getElementById('rejects').textContent")
    assert "(32): light_001.fits to light_004.fits and 28 more frames, see rejects.txt" in text_of
    browser.execute_script("dispatchEvent(new Event('afterprint'))")


def many_lost():
    """Every other frame of 480 clouded: far more pieces of a list than a sheet has room for."""
    shots = steady(480)
    return [replace(s, transparency=0.3) if k % 2 else s for k, s in enumerate(shots)]


def test_a_hostile_name_stays_text_in_the_head_of_a_sheet(opened):
    text_of = '"}</style><script>alert(1)</script>'
    graded = graded_of(steady(4))
    groups = (replace(graded.groups[0], label=text_of),)
    browser = opened(replace(graded, groups=groups))
    browser.execute_script("dispatchEvent(new Event('beforeprint'))")
    sheet = browser.execute_script("return document.getElementById('sheets').textContent")
    assert sheet.count('"') == 6
    assert "<" not in sheet
    assert browser.execute_script("return document.querySelectorAll('style').length") == 2
    browser.execute_script("dispatchEvent(new Event('afterprint'))")
