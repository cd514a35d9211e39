"""The page as a file: complete in itself, safe against hostile text, small enough."""

import base64
import hashlib
import math
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from subgrade import report
from subgrade.cli import main
from subgrade.cli.explain import table_lines
from subgrade.cli.terminal import Screen
from subgrade.errors import ResultsError
from subgrade.guiding.model import ClockFit
from subgrade.judging.model import Evidence
from subgrade.plaintext import printable
from subgrade.report import FILE, report_page, write_report
from subgrade.report.drawings import most_oval, whiskers
from subgrade.report.page import json_block
from subgrade.report.trace import BINS, MOST_STEPS, exposure_path, night_trace
from subgrade.results import CulledFrame, session_record
from subgrade.results.model import RECORD, Problem
from subgrade.stars.model import StarImage
from subgrade.stars.pictures import CUTOUT_BYTES, THUMBNAIL_BYTES
from subgrade.teaching import Decided
from tests.cli_frames import write_night
from tests.judged_nights import START, Shot, guide_of, moffat_image, night_of, steady
from tests.report_nights import (
    HOSTILE,
    Kept,
    data_of,
    graded_of,
    lost_night,
    pictures_of,
    shape_field,
    unreadable_only,
)


class Elements(HTMLParser):
    """Every element with its attributes, and the text of every script."""

    def __init__(self, page: str):
        super().__init__(convert_charrefs=True)
        self.found, self.scripts, self.inside = [], [], False
        self.feed(page)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))
        if tag == "script":
            self.scripts.append("")
            self.inside = True

    def handle_endtag(self, tag):
        self.inside = False

    def handle_data(self, data):
        if self.inside:
            self.scripts[-1] += data


@pytest.fixture(scope="module")
def page() -> str:
    return report_page(graded_of(lost_night(), guided=True, pictures=pictures_of()))


def test_every_part_is_there(page):
    elements = Elements(page)
    ids = [a["id"] for _, a in elements.found if "id" in a]
    assert {"head", "plot", "panel", "table", "findings", "save", "data"} <= set(ids)
    assert len(ids) == len(set(ids))
    kinds = [a.get("type", "script") for tag, a in elements.found if tag == "script"]
    assert kinds == ["application/json", "script", *["application/json"] * 12]
    assert "{{" not in page


def test_no_name_of_the_scripts_is_given_twice():
    """They are one function's body, those of a review after the page's own."""
    package = Path(report.__file__).parents[1]
    scripts = [*(package / "report").glob("*.js"), *(package / "review").glob("*.js")]
    names = [
        name
        for script in scripts
        for name in re.findall(
            r"^(?:(?:async )?function|const|let) (\w+)", script.read_text("utf-8"), re.MULTILINE
        )
    ]
    assert len(names) > 200
    assert sorted({name for name in names if names.count(name) > 1}) == []


def test_nothing_is_fetched(page):
    elements = Elements(page)
    for tag, attributes in elements.found:
        assert tag not in ("iframe", "object", "embed", "base"), tag
        assert "src" not in attributes
        empty = tag == "link" and attributes == {"rel": "icon", "href": "data:,"}
        assert empty or attributes.get("href", "#").startswith("#")
        assert empty or tag != "link"
    assert set(re.findall(r"https?://[^\s\"'<]+", page)) == {"http://www.w3.org/2000/svg"}
    assert "@import" not in page
    assert "url(" not in page


def test_only_the_pages_own_scripts_may_run(page):
    elements = Elements(page)
    policy = next(a["content"] for _, a in elements.found if "http-equiv" in a)
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    stated = set(re.findall(r"'sha256-([^']+)'", rules["script-src"]))
    own = elements.scripts[1].encode()  # the others are data
    assert stated == {base64.b64encode(hashlib.sha256(own).digest()).decode()}
    assert "unsafe" not in rules["script-src"]
    assert "connect-src" not in rules  # falls back to none


def test_hostile_names_stay_data():
    graded = graded_of(steady(len(HOSTILE)), names=HOSTILE, target=HOSTILE[0], filter=HOSTILE[1])
    frames = tuple(
        replace(f, judgement=replace(f.judgement, explanation=HOSTILE[2])) for f in graded.frames
    )
    graded = replace(
        graded, frames=frames, remarks=(HOSTILE[1],), problems=(Problem(HOSTILE[0], "<b>"),)
    )
    page = report_page(graded)
    elements = Elements(page)
    clean = Elements(report_page(graded_of(steady(len(HOSTILE)))))
    assert [tag for tag, _ in elements.found] == [tag for tag, _ in clean.found]
    for block in [elements.scripts[0], *elements.scripts[2:]]:
        assert not set("<>&") & set(block)
        assert block.isascii()
    data = data_of(page)
    assert [f["values"]["frame"] for f in data["frames"]] == list(map(printable, HOSTILE))
    assert data["frames"][0]["values"]["target"] == printable(HOSTILE[0])
    page.encode("utf-8")


@pytest.mark.parametrize("text", ["</script>", "<!--", "]]>", "\u2028\u2029", "&lt;", "\ud800"])
def test_a_data_block_cannot_be_left(text):
    block = json_block({"a": text})
    assert block.isascii()
    assert not set("<>&") & set(block)


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_number_that_json_lacks_is_refused(value):
    with pytest.raises(ValueError, match="JSON"):
        json_block({"a": value})


def test_what_the_frames_carry(page):
    data = data_of(page)
    frames = data["frames"]
    assert {f["values"]["verdict"] for f in frames} == {"keep", "reject"}
    good, drawn_out = frames[0], frames[7]
    assert good["thumbnail"]["src"].startswith("data:image/jpeg;base64,")
    assert len(good["crops"]) == 5
    assert good["star"]["field_px"] > 5 * 3.0
    assert good["motion"] is None
    assert drawn_out["motion"]["angle_deg"] == pytest.approx(30, abs=3)
    assert drawn_out["motion"]["src"].startswith("data:image/webp;base64,")
    assert drawn_out["motion"]["field_px"] == drawn_out["star"]["field_px"]
    assert drawn_out["motion"]["likeness"] > 0.97
    assert data["typical_stars"][0]["stars"] > 0
    assert good["path"]["t"] == pytest.approx(np.arange(0, 121, 2.0), abs=0.1)
    trailed = frames[5]
    assert trailed["star"] is None
    assert trailed["whiskers"] is None
    assert data["diagnosis"]["losses"]


def rescaled(graded, scale):
    """The same verdicts, shown at another scale."""
    frames = (replace(f, facts=replace(f.facts, scale_arcsec=scale)) for f in graded.frames)
    return replace(graded, frames=tuple(frames))


def test_evidence_reads_as_in_explain():
    """`explain` reads the session's record; the page must show the same cells."""
    graded = rescaled(graded_of(lost_night(), guided=True), None)
    rows = session_record(graded)["frames"]
    frames = data_of(report_page(graded))["frames"]
    for shown, row in zip(frames, rows, strict=True):
        assert len(shown["evidence"]) == len(row["evidence"])
        for piece, item in zip(shown["evidence"], row["evidence"], strict=True):
            cells = [piece["reason"], piece["quantity"]]
            cells += [piece.get(name, "") for name in ("value", "usual", "limit")]
            line = table_lines([("", [item])], Screen(width=200))[2].plain
            assert line.split() == [*" ".join(cells).split(), f"{piece['points'] or 0.0:+.1f}"]
    words = {e["quantity"] for e in frames[7]["evidence"]}
    assert {"light outside the core", "elongation explained by guiding"} <= words


def test_lengths_of_evidence_are_on_the_sky_where_the_scale_is_known():
    graded = graded_of(lost_night())
    plain, scaled = (
        data_of(report_page(rescaled(graded, scale)))["frames"] for scale in (None, 2.0)
    )
    pairs = [
        (a, b)
        for one, other in zip(plain, scaled, strict=True)
        for a, b in zip(one["evidence"], other["evidence"], strict=True)
        if a.get("value", "").endswith(" px")
    ]
    assert len(pairs) > 10
    for a, b in pairs:
        assert b["value"].endswith("″")
        pixels, seconds = float(a["value"].split()[0]), float(b["value"][:-1])
        assert seconds == pytest.approx(2.0 * pixels, rel=0.01)


@pytest.mark.parametrize(("value", "limit"), [(0.5513, 0.55), (0.5502, 0.5501), (0.7, 0.55)])
def test_a_value_beside_its_limit_shows_the_decision(value, limit):
    graded = graded_of(steady(5))
    frame = graded.frames[0]
    piece = Evidence("wind_trail", "eccentricity", value, 0.2, None, limit, "", 3.0, "oval")
    verdict = replace(frame.judgement, evidence=(piece,))
    changed = replace(graded, frames=(replace(frame, judgement=verdict), *graded.frames[1:]))
    shown = data_of(report_page(changed))["frames"][0]["evidence"][0]
    assert float(shown["value"]) > float(shown["limit"])
    assert float(shown["value"]) == pytest.approx(value, abs=0.005)


def test_an_eccentricity_lost_in_its_noise_is_an_upper_bound():
    """Shown only: the values, and with them the order of the table, stay as measured."""
    shots = [
        replace(shot, eccentricity=oval, eccentricity_error=error)
        for shot, oval, error in zip(
            steady(5), (0.02, 0.02, 0.31, 0.31, 0.31), (0.03, np.nan, 0.01, 0.1, 0.2), strict=True
        )
    ]
    shown = data_of(report_page(graded_of(shots)))["frames"]
    texts = [f["eccentricity_text"] for f in shown]
    assert texts == ["< 0.1", "0.02", "0.31", "0.31", "< 0.6"]
    assert [f["values"]["eccentricity"] for f in shown] == [0.02, 0.02, 0.31, 0.31, 0.31]


def test_the_nights_guiding_rms_is_the_median_of_the_kept():
    graded = graded_of(lost_night(), guided=True)
    sizes = [0.2 + 0.05 * k for k in range(len(graded.frames))]
    frames = tuple(
        replace(f, guiding=replace(f.guiding, rms_ra=size, rms_dec=2 * size))
        for f, size in zip(graded.frames, sizes, strict=True)
    )
    kept = [s for f, s in zip(frames, sizes, strict=True) if f.judgement.verdict == "keep"]
    data = data_of(report_page(replace(graded, frames=frames)))
    assert 0 < len(kept) < len(frames)
    assert data["guiding_rms"] == pytest.approx([np.median(kept), 2 * np.median(kept)])
    none = tuple(
        replace(f, judgement=replace(f.judgement, verdict="reject", reasons=("wind_trail",)))
        for f in frames
    )
    assert data_of(report_page(replace(graded, frames=none)))["guiding_rms"] == [None, None]
    assert data_of(report_page(graded_of(lost_night())))["guiding_rms"] == [None, None]


def test_crops_carry_their_distance_and_shape():
    graded = graded_of(steady(3), pictures=pictures_of())
    cuts = pictures_of().cutouts
    first = replace(cuts[0], fwhm_px=3.456, eccentricity=0.05, eccentricity_error=0.04)
    kept = Kept(replace(pictures_of(), cutouts=(first, *cuts[1:])))
    frame = replace(graded.frames[0], pictures=kept)
    shown = data_of(report_page(replace(graded, frames=(frame, *graded.frames[1:]))))["frames"][0]
    crop, bare = shown["crops"][:2]
    stars = frame.stars
    away = math.hypot(first.x - (stars.width - 1) / 2, first.y - (stars.height - 1) / 2)
    assert crop["away_px"] == pytest.approx(away, abs=0.06)
    assert (crop["fwhm_px"], crop["eccentricity_text"]) == (3.456, "< 0.1")
    assert (bare["fwhm_px"], bare["eccentricity_text"]) == (None, None)


def test_whiskers_lie_along_the_stars():
    """Angle and eccentricity of the moments (Bertin & Arnouts 1996), the same all over."""
    stars = night_of([Shot(shape_field=shape_field(2.0, 1.6, 0.3))]).frames[0].stars
    drawn = np.array(whiskers(stars))
    values, vectors = np.linalg.eigh([[2.0, 0.3], [0.3, 1.6]])
    assert drawn[:, 2] == pytest.approx(np.sqrt(1 - values[0] / values[1]), abs=0.001)
    angle = np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180
    assert drawn[:, 3] == pytest.approx(angle, abs=0.06)
    assert drawn[:, :2].min() > 0
    assert drawn[:, :2].max() < 1


def test_whiskers_follow_the_field():
    """A field whose xx grows to the right is longer there, along x."""
    field = shape_field(2.0, 2.0, 0.0)
    field.coefficients[0, 1] = 1.0
    drawn = np.array(whiskers(night_of([Shot(shape_field=field)]).frames[0].stars))
    right, left = drawn[drawn[:, 0] > 0.8], drawn[drawn[:, 0] < 0.2]
    assert np.abs(np.sin(np.radians(right[:, 3]))).max() < 0.01
    assert np.abs(np.cos(np.radians(left[:, 3]))).max() < 0.01


def test_motion_is_read_off_the_most_oval_only():
    round_one, oval = (
        night_of([Shot(eccentricity=e, image=moffat_image(3.0))]).frames[0].stars
        for e in (0.1, 0.6)
    )
    assert most_oval([round_one, oval, None, replace(oval, star_image=None)]) == {1}
    assert len(most_oval([oval] * 200)) < 100


def long_record(count: int):
    night = guide_of(night_of(steady(3)), {})
    rng = np.random.default_rng(3)
    time = START + 2.0 * np.arange(count)
    ra, dec = rng.normal(0, 0.5, (2, count))
    ones = np.ones(count)
    record = replace(
        night.record,
        time=time,
        ra=ra,
        dec=dec,
        ra_pulse_ms=ones,
        dec_pulse_ms=ones,
        brightness=ones,
        snr=ones,
        good=ones > 0,
        section=ones.astype(int),
    )
    return replace(night, record=record, clock=ClockFit(7.0, 0.0, 7.0, 1.0, True, "set"))


def test_thinning_keeps_every_spike():
    night = long_record(20000)
    night.record.ra[12345] = 9.9
    night.record.dec[77] = -8.8
    trace = night_trace(night)
    assert len(trace["ra"]["t"]) <= 2 * BINS + 2
    assert max(e for e in trace["ra"]["e"] if e is not None) == 9.9
    assert min(e for e in trace["dec"]["e"] if e is not None) == -8.8
    at = trace["ra"]["t"][trace["ra"]["e"].index(9.9)]
    assert at == pytest.approx(START + 2 * 12345 + 7, abs=0.06)
    assert None not in trace["ra"]["e"]


def test_a_pause_breaks_the_line():
    night = long_record(300)
    night.record.time[150:] += 600
    errors = night_trace(night)["ra"]["e"]
    assert errors.count(None) == 1
    assert errors[150] is None


def test_a_path_has_the_samples_inside():
    night = long_record(400)
    night.record.good[70] = False
    facts = replace(night_of(steady(1)).frames[0].facts, start_unix=START + 107.0)
    path = exposure_path(night, facts)
    assert path["t"] == [2.0 * k for k in range(61) if k != 20]
    assert path["ra"][0] == pytest.approx(night.record.ra[50], abs=0.006)
    long_one = exposure_path(night, replace(facts, exposure_s=600.0))
    assert len(long_one["t"]) == MOST_STEPS
    assert exposure_path(night, replace(facts, start_unix=None)) is None


def test_a_long_night_has_pictures_of_what_is_looked_at_first(monkeypatch):
    monkeypatch.setattr("subgrade.report.page_values.MOST_PICTURED", 5)
    graded = graded_of(lost_night(), guided=True, pictures=pictures_of())
    doubtful = replace(graded.frames[9].judgement, confidence=0.5)
    frames = list(graded.frames)
    frames[9] = replace(frames[9], judgement=doubtful)
    shown = data_of(report_page(replace(graded, frames=tuple(frames))))["frames"]
    pictured = {k for k, f in enumerate(shown) if f["thumbnail"]}
    assert len(pictured) == 5
    assert {3, 5, 7, 9} < pictured
    for k, frame in enumerate(shown):
        assert (frame.get("drawn") is False) == (k not in pictured)
        assert bool(frame["crops"]) == (k in pictured)
        assert frame["width"] == 1200
        assert frame["start_unix"] is not None


def test_300_frames_stay_under_12_megabytes():
    """Pictures at their greatest, every frame with whiskers and a star image of noise."""
    noise = StarImage(np.random.default_rng(1).random((65, 65)).astype(np.float32), 0.4, 100)
    graded = graded_of(lost_night(), pictures=None)
    pictures = pictures_of(CUTOUT_BYTES)
    largest = replace(pictures.thumbnail, data=bytes(THUMBNAIL_BYTES))
    kept = Kept(replace(pictures, thumbnail=largest))
    frames = [
        replace(f, pictures=kept, stars=replace(f.stars, star_image=noise, eccentricity=0.1))
        for f in graded.frames
    ]
    night = long_record(20000)
    graded = replace(graded, frames=tuple(frames * 25), guiding=night)
    assert len(graded.frames) == 300
    assert len(report_page(graded).encode()) < 12e6


@pytest.mark.parametrize(
    "graded",
    [
        pytest.param(unreadable_only, id="unreadable only"),
        pytest.param(lambda: graded_of(steady(5)), id="no guiding, no pictures"),
        pytest.param(
            lambda: graded_of(
                steady(5), start_unix=None, mid_unix=None, start_utc=None, mid_utc=None
            ),
            id="no times",
        ),
        pytest.param(lambda: graded_of([Shot(transparency=0.1)] * 3), id="alike"),
        pytest.param(lambda: graded_of(steady(4), exposure_s=None, scale_arcsec=None), id="bare"),
        pytest.param(lambda: graded_of([Shot(stray="another field"), *steady(4)]), id="stray"),
    ],
)
def test_poor_nights_make_a_page(graded):
    graded = graded()
    data = data_of(report_page(graded))
    assert len(data["frames"]) == len(graded.frames)
    assert data["trace"] is None


def test_marks_given_before_are_on_the_page():
    """A mark that overruled is the verdict; one still disagreed with is its opposite."""
    graded = graded_of(lost_night())
    person = Decided((), graded.limits, still=("light_000.fits",), overruled=("light_003.fits",))
    data = data_of(report_page(replace(graded, person=person)))
    assert data["marked"] == {"light_000.fits": "reject", "light_003.fits": "reject"}
    assert data_of(report_page(graded))["marked"] == {}


def test_culled_frames_and_unused_records_are_not_bad_frames():
    graded = graded_of(steady(5))
    places = [
        (f"light_{k}.fits", Path(f"/n/light_{k}.fits"), Path(f"/gone/light_{k}.fits"))
        for k in (7, 8)
    ]
    problems = Problem("g.csv", "no column of errors", RECORD), Problem("a.fits", "cut short")
    graded = replace(graded, culled=tuple(CulledFrame(*p) for p in places), problems=problems)
    data = data_of(report_page(graded))
    assert data["left_out"] == "2 frames culled earlier (now in /gone)"
    assert data["problems"] == [{"file": "a.fits", "cause": "cut short"}]
    assert data["unused_records"] == [{"file": "g.csv", "cause": "no column of errors"}]
    assert data_of(report_page(graded_of(steady(5))))["left_out"] is None


def test_an_undecided_record_is_not_drawn():
    graded = graded_of(steady(5), guided=True)
    clock = replace(graded.guiding.clock, decided=False)
    data = data_of(report_page(replace(graded, guiding=replace(graded.guiding, clock=clock))))
    assert data["trace"] is None
    assert data["frames"][0]["path"] is None


def test_the_page_is_written_whole(tmp_path):
    graded = graded_of(steady(4))
    assert write_report(graded, tmp_path) == tmp_path / FILE
    assert [p.name for p in tmp_path.iterdir()] == [FILE]
    with pytest.raises(ResultsError, match=FILE):
        write_report(graded, tmp_path / "missing")


def test_grade_writes_the_page_unless_it_is_left_out(tmp_path, capfd):
    """End to end: pictures from real pixels, and subs left as they were."""
    write_night(tmp_path / "lights", 4)
    arguments = ["grade", str(tmp_path / "lights"), "--out", str(tmp_path / "out"), "-q"]
    for extra, written in (["--no-report"], False), ([], True):
        with pytest.raises(SystemExit) as left:
            main([*arguments, *extra])
        assert left.value.code == 0, capfd.readouterr().err
        assert (tmp_path / "out" / FILE).is_file() == written
    frames = data_of((tmp_path / "out" / FILE).read_text(encoding="utf-8"))["frames"]
    assert len(frames) == 4
    for frame in frames:
        data = base64.b64decode(frame["thumbnail"]["src"].split(",")[1])
        assert data.startswith(b"\xff\xd8")  # JPEG's first bytes
        assert len(frame["crops"]) == 5
        assert frame["star"]["stars"] > 10
        assert len(frame["whiskers"]) > 30
