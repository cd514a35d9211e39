"""The time line as it is drawn: limits, arrows, events, the strip of kept frames, zoom, room."""

import json
import re
from dataclasses import replace
from functools import cache

import pytest

from tests.judged_nights import EXPOSURE_S, START, Shot, steady
from tests.report_chromium import (
    choose,
    guided_night,
    needs_chromium,
    page_opener,  # noqa: F401
    resize,
    text,
)
from tests.report_nights import graded_of, grouped_night, lost_night
from tests.test_report_time_line import bad_file, with_facts

pytestmark = [needs_chromium, pytest.mark.slow]

PATHS = """
return [...document.querySelectorAll(`#plot [data-lane=${arguments[0]}] ${arguments[1]}`)]
  .map((e) => e.getAttribute("d"))"""
POINTS = """
return [...document.querySelectorAll(`#plot [data-lane=${arguments[0]}] [data-frames]`)].map((e) =>
  [e.getAttribute("class"), e.dataset.frames.split(" ").map(Number), e.getAttribute("d")])"""


def paths(browser, lane, name):
    return browser.execute_script(PATHS, lane, name)


def heights(path):
    """Places in y of a line of M and L."""
    return [float(y) for y in re.findall(r"[ML]\S+ (\S+?)(?=[ML]|$)", path)]


def points(browser, lane):
    """Class and path of each frame in a lane."""
    found = {}
    for name, frames, path in browser.execute_script(POINTS, lane):
        for frame, piece in zip(frames, path.split("M")[1:], strict=True):
            found.setdefault(frame, []).append((name, piece))
    return found


def place_of(piece):
    return [float(v) for v in re.split(r"[ a-zA-Z]", piece)[:2]]


def test_a_frame_beyond_its_limit_lies_beyond_the_line(opened):
    """The frame that was rejected for its shape is above the line of eccentricity, no other."""
    browser = opened(guided_night(), only_look=True)
    (line,) = paths(browser, "eccentricity", ".limit")
    limit = set(heights(line))
    assert len(limit) == 1
    for frame, [(name, piece)] in points(browser, "eccentricity").items():
        above = place_of(piece)[1] < limit.copy().pop()
        assert above == (frame == 7), name
    assert "limit 0.55" in text(browser, "#plot").replace("\n", " ")
    (line,) = paths(browser, "transparency", ".limit")
    assert len(set(heights(line))) > 1  # each frame's own, at its sky and width


def test_groups_have_their_own_limits(opened):
    browser = opened(grouped_night(), only_look=True)
    assert len(paths(browser, "eccentricity", ".limit")) == 2


def test_one_far_frame_is_an_arrow_and_flattens_nothing(opened):
    shots = steady(30)
    shots[11] = replace(shots[11], fwhm=40.0)
    browser = opened(graded_of(shots), only_look=True)
    found = points(browser, "fwhm_arcsec")
    (_, arrow), others = found[11][0], [p for k, [(_, p)] in found.items() if k != 11]
    top = min(place_of(piece)[1] for piece in others)
    assert place_of(arrow)[1] < top
    assert "outside the lane" in text(browser, "#legend")
    spread = max(place_of(p)[1] for p in others) - top
    assert spread > 8  # px; over 40 px of FWHM it would be less than one
    (name, _), *_ = found[11]
    assert "reject" in name


def test_kept_frames_are_one_strip(opened):
    browser = opened(guided_night(), only_look=True)
    strip = [k for k, pieces in points(browser, "why").items() if "strip" in pieces[0][0]]
    assert sorted(strip) == [0, 1, 2, 4, 6, 8, 9, 10, 11]
    labels = browser.execute_script(
        "return [...document.querySelectorAll('#plot [data-lane=why] text')]"
        ".map((e) => e.textContent)"
    )
    assert labels.count("kept") == 1


@cache
def eventful_night():
    """A refocus, a filter change and a flip in a night of ten frames, and a file without a time."""
    changes = [
        {
            "focuser_steps": 5000.0 + 90 * (k > 1),
            "filter": "L" if k < 5 else "R",
            "pier_side": "west" if k < 8 else "east",
        }
        for k in range(10)
    ]
    graded = with_facts(graded_of(steady(10)), *changes)
    return replace(graded, frames=(*graded.frames, bad_file("light_003a.fits")))


def test_what_happened_is_named_on_the_line(opened):
    browser = opened(eventful_night(), only_look=True)
    events = browser.execute_script(
        "return [...document.querySelectorAll('#plot [data-event]')].map((e) =>"
        "[e.dataset.event, e.textContent, Number(e.firstChild.getAttribute('x1'))])"
    )
    assert [(kind, label) for kind, label, _ in events] == [
        ("focus", "refocus"),
        ("filter", "R"),
        ("flip", "meridian flip"),
    ]
    shown = points(browser, "eccentricity")
    for (_, _, x), k in zip(events, (1, 4, 7), strict=True):
        before, after = (place_of(shown[n][0][1])[0] for n in (k, k + 1))
        assert before < x < after


def test_an_unreadable_file_has_its_place(opened):
    browser = opened(eventful_night(), only_look=True)
    shown = points(browser, "why")
    ((name, piece),) = shown[10]
    assert "unreadable" in name
    strip = {k: place_of(shown[k][0][1])[0] for k in (3, 4)}
    assert strip[3] < place_of(piece)[0] < strip[4] + 4
    assert "without a time" not in text(browser, "#legend")


def test_lanes_grow_with_the_window(opened):
    browser = opened(guided_night())
    sizes = []
    for width, height in ((1300, 700), (2560, 1440)):
        resize(browser, width, height)
        sizes.append(
            browser.execute_script(
                "const b = document.getElementById('plot').firstChild.getBoundingClientRect();"
                "return [b.width, b.height]"
            )
        )
    assert sizes[1][0] > 1.5 * sizes[0][0]
    assert sizes[1][1] > 1.4 * sizes[0][1]


def test_labels_do_not_collide_on_a_phone(opened):
    browser = opened(graded_of(lost_night(), guided=True))
    resize(browser, 390, 844)
    boxes = browser.execute_script(
        "return [...document.querySelectorAll('#plot text:not(.tick), #plot .why text')].map((e) =>"
        "{ const b = e.getBoundingClientRect();"
        " return [b.left, b.right, b.top + 1, b.bottom - 1, e.textContent]; })"
    )
    assert len(boxes) > 6
    for k, (left, right, top, bottom, name) in enumerate(boxes):
        assert left >= 0
        assert right <= 390, name
        for other in boxes[k + 1 :]:
            apart = other[0] >= right or other[1] <= left or other[2] >= bottom or other[3] <= top
            assert apart, (name, other[4])


def test_a_drag_zooms_and_a_double_click_shows_the_whole_night(opened):
    from selenium.webdriver import ActionChains

    browser = opened(guided_night())
    browser.execute_script("document.getElementById('line').scrollIntoView()")
    count = len(points(browser, "eccentricity"))
    plot = browser.find_element("id", "plot")
    half = plot.size["width"] // 2
    actions = ActionChains(browser)
    actions.move_to_element_with_offset(plot, 20, 0).click_and_hold()
    actions.move_by_offset(half // 2, 0).release().perform()
    assert 0 < len(points(browser, "eccentricity")) < count
    assert text(browser, "#whole") == "Whole night"
    ActionChains(browser).double_click(plot).perform()
    assert len(points(browser, "eccentricity")) == count
    assert not browser.find_elements("id", "whole")


def test_nights_apart_are_drawn_side_by_side(opened):
    starts = [{"start_unix": START + 86400.0 * (k // 5) + k * EXPOSURE_S} for k in range(10)]
    browser = opened(with_facts(graded_of([Shot() for _ in range(10)]), *starts))
    assert browser.execute_script("return document.querySelectorAll('#plot .pause').length") == 1
    shown = points(browser, "eccentricity")
    xs = [place_of(shown[k][0][1])[0] for k in range(10)]
    assert xs == sorted(xs)
    assert xs[5] - xs[4] < 0.6 * (xs[9] - xs[0])  # the day between takes next to no room
    choose(browser, "clock", "order")
    assert browser.execute_script("return document.querySelectorAll('#plot .pause').length") == 0


def test_names_in_labels_are_text(opened):
    odd = "<img src=x onerror=alert(1)>"
    graded = with_facts(graded_of(steady(4)), *({"filter": f} for f in ("L", "L", odd, odd)))
    browser = opened(graded, only_look=True)
    label = browser.execute_script("return document.querySelector('.event-name').textContent")
    assert odd.startswith(label.rstrip("…"))
    data = browser.execute_script("return document.getElementById('data').textContent")
    assert json.loads(data)["events"][0]["text"] == odd


@pytest.mark.parametrize("clock", ["utc", "order"])
def test_a_hint_names_frame_and_numbers(opened, clock):
    from selenium.webdriver import ActionChains
    from selenium.webdriver.support.ui import WebDriverWait

    browser = opened(guided_night())
    choose(browser, "clock", clock)
    browser.execute_script("document.getElementById('line').scrollIntoView()")
    shown = points(browser, "eccentricity")
    x, y = place_of(shown[7][0][1])
    left, top = browser.execute_script(
        "const b = document.getElementById('plot').getBoundingClientRect(); return [b.left, b.top]"
    )
    actions = ActionChains(browser)
    actions.w3c_actions.pointer_action.move_to_location(round(left + x), round(top + y + 4))
    actions.perform()
    WebDriverWait(browser, 5, 0.05).until(lambda b: text(b, "#hint"))
    hint = text(browser, "#hint")
    assert "light_007.fits" in hint
    assert "sky background" in hint


def test_a_long_table_is_filled_while_the_page_is_used(opened):
    """Rows beyond the first follow in the order of the table; a filter finds them all."""
    from selenium.webdriver.support.ui import WebDriverWait

    browser = opened(graded_of(steady(200)))
    filled = "return [...document.querySelectorAll('#table tbody .link')].length"
    WebDriverWait(browser, 10, 0.05).until(lambda b: b.execute_script(filled) == 200)
    names = browser.execute_script(
        "return [...document.querySelectorAll('#table tbody .link')].map((e) => e.title)"
    )
    assert names == [f"light_{k:03d}.fits" for k in range(200)]


def test_a_zoomed_line_stays_in_its_lane(opened):
    from selenium.webdriver import ActionChains

    browser = opened(guided_night())
    browser.execute_script("document.getElementById('line').scrollIntoView()")
    plot = browser.find_element("id", "plot")
    actions = ActionChains(browser)
    actions.move_to_element_with_offset(plot, 20, 0).click_and_hold()
    actions.move_by_offset(plot.size["width"] // 5, 0).release().perform()
    wide = browser.execute_script(
        "const box = document.querySelector('#plot .rows').getBoundingClientRect();"
        "return [box.left, box.right, ...[...document.querySelectorAll("
        "'#plot :is(.limit, .typical, .course, .exposures, .trace, .strip)')]"
        ".filter((e) => e.getAttribute('d')).flatMap((e) => { const b = e.getBoundingClientRect();"
        " return [b.left, b.right]; })]"
    )
    left, right, *ends = wide
    assert len(ends) > 10
    assert min(ends) >= left - 3
    assert max(ends) <= right + 3
