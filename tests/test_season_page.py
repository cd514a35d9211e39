"""The page of a season: what it holds, where it links, that nothing in it can run."""

from __future__ import annotations

import base64
import hashlib
import json
import math
import re
from importlib.resources import files
from pathlib import Path
from urllib.parse import unquote, urljoin

import pytest

from subgrade.season.model import Season
from subgrade.season.page import HERE, SCRIPTS, SHARED, season_page
from subgrade.season.page_values import as_shown, link_to, page_record
from tests.season_pages import season_of_values

HOSTILE = "</script><script>alert(1)</script><!--\u202e\x1b[31m\ud800"
LARGEST = 3e6
"""Bytes that the page of 50 nights of 200 frames may have."""


def data_of(page: str) -> dict:
    return json.loads(re.search(r'id="data">(.*?)</script>', page, re.DOTALL).group(1))


def test_fifty_nights_are_small():
    season = season_of_values(50, 200, ("M 31", "NGC 7000"), ("L", "R", "Ha"))
    page = season_page(season, "/s")
    assert len(page.encode("utf-8")) < LARGEST
    record = data_of(page)
    assert sum(len(night["cells"]["minute"]) for night in record["nights"]) == 10_000


def test_only_its_own_script_may_run_and_nothing_be_fetched():
    page = season_page(season_of_values(2, 8), "/s")
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page).group(1)
    script = re.search(r"<script>(.*?)</script>", page, re.DOTALL).group(1)
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode()
    assert policy.startswith(f"default-src 'none'; script-src 'sha256-{digest}';")
    assert "connect-src" not in policy
    assert not re.search(r'(?:src|href)="(?!#)', page)


@pytest.mark.parametrize("timed", [True, False])
def test_no_text_ends_the_data_or_steers(timed):
    season = season_of_values(3, 8, (HOSTILE, None), (None, "L"), timed=timed, more=HOSTILE)
    page = season_page(season, "/s")
    page.encode("utf-8")
    assert page.count("</script>") == 2
    assert "alert(1)</script>" not in page
    texts: list[str] = []

    def collect(part):
        if isinstance(part, str):
            texts.append(part)
        for inner in part.values() if isinstance(part, dict) else part:
            if not isinstance(inner, int | float | None):
                collect(inner) if not isinstance(inner, str) else texts.append(inner)

    collect(data_of(page))
    assert sum("alert(1)" in text for text in texts) > 20
    assert all(text.isprintable() for text in texts)


@pytest.mark.parametrize(
    "season",
    [
        Season(()),
        season_of_values(1, 1),
        season_of_values(2, 5, (None,), (None,)),
        season_of_values(3, 5, timed=False),
        season_of_values(3, 5, scaled=False),
    ],
    ids=["none", "one night", "nothing named", "no times", "no scale"],
)
def test_seasons_that_lack_something(season):
    record = data_of(season_page(season, "/s"))
    assert len(record["nights"]) == len(season.nights)
    assert all(n["kept_s"] == n["kept"] * 180 for n in record["nights"])


def test_widths_are_in_arcseconds_only_with_a_scale():
    (scaled,) = page_record(season_of_values(1, 9), "/s")["nights"]
    (bare,) = page_record(season_of_values(1, 9, scaled=False), "/s")["nights"]
    assert scaled["series"][0]["unit"] == "″"
    assert scaled["fwhm"] == pytest.approx(2.2, abs=0.4)
    assert bare["series"][0]["unit"] == "px"
    assert bare["fwhm"] is None


@pytest.mark.parametrize(
    "name", ["graded", "mit Leerzeichen", "50%", "a#b?c", "javascript:x", "é", "a&b<c>"]
)
def test_a_link_leads_to_the_page_of_the_night(name, tmp_path):
    """Resolved as RFC 3986 has it, by the standard library."""
    page, out = tmp_path / "m31" / name / "report.html", tmp_path / "m31" / "season here"
    page.parent.mkdir(parents=True)
    out.mkdir()
    assert link_to(page, out) is None
    page.touch()
    link = link_to(page, out)
    assert link == link_to(Path(str(page)), out)
    whole = urljoin((out / "nights.html").as_uri(), link)
    assert whole.startswith("file://")
    assert unquote(whole.removeprefix("file://")) == str(page)


def test_a_folder_of_the_page_itself_cannot_pass_for_a_scheme(tmp_path):
    page = tmp_path / "javascript:alert(1)" / "report.html"
    page.parent.mkdir()
    page.touch()
    assert link_to(page, tmp_path) == "javascript%3Aalert%281%29/report.html"


def test_numbers_are_plain():
    found = as_shown({"a": (math.nan, math.inf, 1 / 3, 7), "b": None, "c": True})
    assert found == {"a": [None, None, 0.33333, 7], "b": None, "c": True}


def test_no_script_takes_a_name_of_another():
    """They are one function's body in the end, where a second function of a name wins unseen."""
    texts = [(files("subgrade.report") / name).read_text(encoding="utf-8") for name in SHARED]
    texts += [(files(HERE) / name).read_text(encoding="utf-8") for name in SCRIPTS]
    names = re.findall(r"^(?:function|const|let) (\w+)", "\n".join(texts), re.MULTILINE)
    assert len(names) > 80
    assert [name for name in names if names.count(name) > 1] == []


def test_text_reaches_the_page_as_text():
    for name in SCRIPTS:
        text = (files(HERE) / name).read_text(encoding="utf-8")
        assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write", text), name
