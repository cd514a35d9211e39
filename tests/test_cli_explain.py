"""``subgrade explain``: about ten rows in plain words, every row when asked, JSON untouched."""

from __future__ import annotations

import json
import re

import pytest

from subgrade.cli.explain import (
    all_sections,
    chosen_sections,
    guiding_line,
    in_reading_order,
    next_likeliest,
    table_lines,
)
from subgrade.cli.terminal import Screen
from subgrade.results.quantities import evidence_words, quantity_texts
from tests.cli_frames import run, write_light, write_night

EIGHTY = Screen(width=80, folds=True)


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    """A night of frames clean, swollen, clouded, both, of another filter, damaged, marked."""
    from subgrade.cli import main

    folder = tmp_path_factory.mktemp("explain")
    lights = write_night(folder / "lights", 9)
    write_light(lights / "both.fits", 9, fwhm=5.5, transparency=0.35)
    write_light(lights / "other.fits", 10, FILTER="Ha")
    (lights / "bad.fits").write_bytes(b"no")
    (folder / "marks.csv").write_text(
        "frame,verdict\nlight_05.fits,keep\nlight_00.fits,reject\n", encoding="utf-8"
    )
    with pytest.raises(SystemExit):
        main(
            [
                "grade",
                str(lights),
                "--out",
                str(folder / "r"),
                "--workers",
                "1",
                "--quiet",
                "--no-report",
                "--marks",
                str(folder / "marks.csv"),
            ]
        )
    return folder / "r"


def rows_of(text: str) -> list[str]:
    """The lines of the table: they end in points."""
    return [line for line in text.splitlines() if re.search(r" [+-]\d+\.\d$", line)]


def sections_of(text: str) -> list[str]:
    return re.findall(r"^(Reason|Remark|Next|Strongest|For and)", text, re.MULTILINE)


def test_the_deciding_row_comes_first_and_little_else(results, capfd):
    code, out, _ = run(capfd, "explain", results, "light_03")
    assert code == 0
    assert out.startswith("light_03.fits: reject (seeing)\nRejected: stars are bloated: FWHM")
    assert sections_of(out) == ["Reason", "Strongest"]
    assert rows_of(out)[0].startswith("seeing      FWHM  ")
    assert rows_of(out)[0].endswith(" 5.50″         3.00″  3.75″    +7.0")
    assert re.search(r"^reason +measured +value +compare with +limit +points$", out, re.MULTILINE)
    assert 5 <= len(rows_of(out)) <= 10
    assert (
        "Points are log odds: positive supports the reason in front, negative counts against it.\n"
    ) in out
    assert re.search(r"(\d+) more measurements: add --all\.\n\Z", out)


def test_all_prints_every_row(results, capfd):
    _, some, _ = run(capfd, "explain", results, "light_03")
    _, out, _ = run(capfd, "explain", results, "light_03", "--all")
    record = json.loads(run(capfd, "explain", results, "light_03", "--json")[1])
    assert len(rows_of(out)) == len(record["evidence"])
    assert "--all" not in out
    left = int(re.search(r"(\d+) more measurements", some)[1])
    assert left == len(record["evidence"]) - len(rows_of(some))


def test_json_has_every_piece_under_its_own_name(results, capfd):
    for options in (("--json",), ("--json", "--all")):
        record = json.loads(run(capfd, "explain", results, "both", *options)[1])
        assert record["values"]["reasons"] == "cloud;seeing"
        kept = {e["quantity"]: e for e in record["evidence"]}
        # wider than sqrt(3) times the others: half the signal
        assert kept["depth"]["value"] == pytest.approx(0.35**2 / 2, abs=0.015)
        # against eight others: all but the clouded one
        assert kept["depth"]["limit"] == pytest.approx(1 / (2 + 1 / 8))
        assert kept["depth"]["points"] == 7.0
        assert {"fwhm_px", "noise_adu", "light out of the core"} <= set(kept)
        assert 0 < kept["transparency over quarters"]["value"] < 1


def test_two_reasons_both_stand_in_front(results, capfd):
    _, out, _ = run(capfd, "explain", results, "both")
    assert "Reasons: cloud, seeing\n" in out
    words = [line.split()[0] for line in rows_of(out)]
    assert words[0] == "cloud"
    assert words[words.index("seeing") - 1] == "cloud"
    against = [line for line in rows_of(out) if " -" in line[-7:]]
    assert rows_of(out)[-len(against) :] == against
    assert set(words[: -len(against)]) == {"cloud", "seeing"}


def test_a_kept_frame_shows_what_supports_keeping_it(results, capfd):
    _, out, _ = run(capfd, "explain", results, "light_01")
    assert out.startswith("light_01.fits: keep\nKept: ")
    assert sections_of(out) == ["Strongest"]
    assert "Strongest against rejecting it\n" in out
    assert len(rows_of(out)) > 2
    assert all(line.endswith("-7.0") for line in rows_of(out))


@pytest.mark.parametrize(
    ("frame", "first", "cause"),
    [
        ("bad", "bad.fits: unreadable", "Not graded: not a FITS file"),
        ("other", "other.fits: reject (wrong_frame)", "filter Ha, but L for the rest of the night"),
    ],
)
def test_what_was_never_measured_has_a_sentence_and_no_table(results, capfd, frame, first, cause):
    code, out, _ = run(capfd, "explain", results, frame)
    assert code == 0
    assert out.splitlines()[0] == first
    assert cause in out.splitlines()[1]
    assert not rows_of(out)
    assert "compare with" not in out
    assert "--all" not in out


@pytest.mark.parametrize(
    ("frame", "first"), [("light_05", "keep (cloud)"), ("light_00", "reject (wind_trail)")]
)
def test_an_overruled_frame_names_whose_decision_it_was(results, capfd, frame, first):
    _, out, _ = run(capfd, "explain", results, frame)
    assert out.startswith(f"{frame}.fits: {first}\n")
    assert "by your mark; subgrade would have" in out.splitlines()[1]
    # what counts against a reason that a mark gave does not stand under it
    assert sections_of(out)[0] == ("Remark" if "keep" in first else "Strongest")


def test_a_name_that_many_answer_to_is_wrong_usage(results, capfd):
    code, out, err = run(capfd, "explain", results, "light_")
    assert (code, out) == (2, "")
    assert "frames match this" in err


@pytest.mark.parametrize("width", [80, 120])
def test_a_terminal_is_not_overrun(results, capfd, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    for frame in ("light_03", "both", "light_05"):
        for options in ((), ("--all",)):
            _, out, _ = run(capfd, "explain", results, frame, *options)
            assert max(map(len, out.splitlines())) <= width
            assert rows_of(out)
            assert not any("…" in row for row in rows_of(out))  # every name whole


def item(reason, quantity, points, limit=None, value=0.5, unit=""):
    return {
        "reason": reason,
        "quantity": quantity,
        "points": points,
        "limit": limit,
        "value": value,
        "usual": None,
        "unit": unit,
        "text": "",
        "clue": limit is None,
    }


def record_of(reasons, *items, verdict="reject", shares=()):
    values = {"reasons": reasons, "verdict": verdict}
    return {"values": values, "evidence": list(items), "shares": dict(shares)}


MOVED = record_of(
    "flexure",
    *(item("dec_drift", f"thing {k}", -2.0 + k) for k in range(6)),
    item("bump", "share explained by guiding", 2.7, 0.3),
    item("bump", "fit of the star image", -0.1),
    item("cloud", "depth", -7.0, 0.5),
    item("focus", "fwhm_px across the narrow axis", -6.0, 4.41, 3.76, "px"),
    *(item("wind_trail", f"other {k}", -3.0) for k in range(6)),
    *(item("flexure", f"mine {k}", 1.0) for k in range(7)),
    item("flexure", "eccentricity", 0.1, 0.55),
    shares={"flexure": {"flexure": 0.7, "wind_trail": 0.15, "dec_drift": 0.1, "bump": 0.05}},
)


def test_explain_starts_with_what_decided():
    near, other, far = item("focus", "a", 0.1, 4.4), item("focus", "b", 3.0), item("cloud", "c", -7)
    assert in_reading_order(record_of("focus;cloud", far, other, near)) == [near, far, other]
    assert in_reading_order(record_of(None, far, other, near)) == [far, other, near]


NONE = (None, 0.0)


def test_the_next_most_likely_cause_is_the_one_with_the_next_share():
    # nothing supports wind, which has more
    assert next_likeliest(MOVED) == ("dec_drift", 0.1)
    assert next_likeliest(record_of("cloud", item("bump", "x", 3.0))) == NONE
    assert next_likeliest(record_of("", item("bump", "x", 3.0))) == NONE
    assert next_likeliest(record_of("bump", item("bump", "x", 3.0))) == NONE
    # how bad a frame is supports no cause, and results of an early version say neither
    severe = {"bump": {"bump": 0.9, "flexure": 0.1}}
    assert next_likeliest(record_of("bump", item("flexure", "x", 3.0, 1.0), shares=severe)) == NONE
    early = record_of("bump", {k: v for k, v in item("flexure", "x", 3.0).items() if k != "clue"})
    assert next_likeliest({k: v for k, v in early.items() if k != "shares"}) == NONE


def test_about_ten_rows_of_three_kinds_are_chosen():
    parts = chosen_sections(MOVED)
    assert [title for title, _ in parts] == [
        "Reason: flexure",
        "Next most likely cause: dec_drift (10%)",
        "Strongest against",
    ]
    assert [len(rows) for _, rows in parts] == [4, 2, 4]
    # just past its limit it decided, with few points
    assert parts[0][1][0]["quantity"] == "eccentricity"
    assert [r["reason"] for r in parts[2][1]] == ["cloud", "focus", "wind_trail", "wind_trail"]
    whole = all_sections(MOVED)
    assert sum(len(rows) for _, rows in whole) == len(MOVED["evidence"])


def test_rows_are_in_words_and_fit_eighty_columns():
    wide = record_of(
        "dither_overlap",
        item("dither_overlap", "fwhm_px across the narrow axis", -12.3, 12345.0, 12345.0, "ADU"),
        item("dither_overlap", "angle from right ascension", 3.0, 20.0, 152.7, "°"),
    )
    for record in (wide, MOVED):
        lines = [t.plain for t in table_lines(all_sections(record), EIGHTY)]
        assert max(map(len, lines)) <= 80
        assert not any("fwhm_px" in line or "_adu" in line for line in lines)
    assert any("FWHM across the short axis" in line for line in lines)


def test_a_long_name_of_a_measurement_is_folded_and_never_cut():
    name = "field shift from the last pointing"
    record = record_of("bump", item("bump", name, 4.5, 12345.0, 12345.0, "px"))
    for width in (60, 80):
        screen = Screen(width=width, folds=True)
        lines = [t.plain for t in table_lines(all_sections(record), screen)]
        assert max(map(len, lines)) <= width
        shown = [w for line in lines[2:] for w in line.split() if w in name.split()]
        assert shown == name.split()
        assert not any("…" in line for line in lines)
        assert lines[2].endswith(" +4.5")


def test_shares_are_percent_and_column_names_are_words():
    assert (
        evidence_words(item("seeing", "fwhm_px across the motion", 0)) == "FWHM across the motion"
    )
    assert value_text("light out of the core", 0.0034) == "0.3%"
    assert value_text("share explained by guiding", -0.02) == "0%"
    assert value_text("overshoot", 0.21) == "21%"
    assert value_text("turn between frames", 0.001) == "0.06′"
    assert value_text("eccentricity", None) == ""


def value_text(quantity, value, scale=None):
    return quantity_texts(item("bump", quantity, 0.0, value=value), scale)[0]


def test_evidence_that_another_version_wrote_is_shown_as_it_was_kept():
    row = item("bump", "a number of later days", 0.0, 3.0, 4.5, "px")
    assert evidence_words(row) == "a number of later days"
    assert quantity_texts(row, 2.0) == ("9.00″", "", "6.00″")
    assert quantity_texts(row | {"unit": "s"}, 2.0) == ("4.50 s", "", "3.00 s")
    fit = item("bump", "fit of the star image", 0.0)
    assert evidence_words(fit) == "best-fitting motion"
    assert evidence_words(fit | {"named": "step"}) == "best fit: step"


def test_a_value_just_past_its_limit_never_reads_as_the_limit():
    row = item("wind_trail", "eccentricity", 0.1, 0.5501, 0.5513) | {"usual": 0.19, "error": 0.01}
    assert quantity_texts(row) == ("0.551", "0.19", "0.550")
    share = item("wind_trail", "light out of the core", 0.1, 0.1201, 0.1213)
    assert quantity_texts(share) == ("12.1%", "", "12.0%")
    wide = item("seeing", "fwhm_px", 0.1, 4.409, 4.4131, "px")
    assert quantity_texts(wide) == ("4.413 px", "", "4.409 px")
    assert quantity_texts(wide, scale=0.936) == ("4.131″", "", "4.127″")
    equal = item("seeing", "fwhm_px", 0.1, 4.4, 4.4, "px")
    assert quantity_texts(equal) == ("4.40 px", "", "4.40 px")


def test_an_eccentricity_lost_in_noise_is_a_bound():
    row = item("wind_trail", "eccentricity", -7.0, 0.55, 0.0) | {"usual": 0.19, "error": 0.04}
    assert quantity_texts(row) == ("< 0.1", "0.19", "0.55")


def test_lengths_of_stars_and_motions_are_in_arcseconds_and_streaks_in_pixels():
    assert value_text("length of the star trails", 10.0, 0.9) == "9.00″"
    assert value_text("length of the star trails", 10.0) == "10.0 px"
    assert value_text("streak", 900.0, 0.9) == "900 px"
    lines = [t.plain for t in table_lines(chosen_sections(MOVED), Screen(), 0.5)]
    (narrow,) = [line for line in lines if "FWHM across the short axis" in line]
    assert narrow.split()[-3:] == ["1.88″", "2.21″", "-6.0"]


def inside(verdict, rms_ra, rms_dec=0.3, samples=30):
    guiding = {
        "samples": samples,
        "coverage": 1.0,
        "rms_ra": rms_ra,
        "rms_dec": rms_dec,
        "peak": 1.0,
        "lost_s": 12.0,
        "settle_overlap_s": 0.0,
    }
    return {"values": {"verdict": verdict}, "guiding": guiding}


def test_guiding_stands_beside_the_median_of_the_kept_frames():
    frames = [inside("keep", r) for r in (0.4, 0.5, 0.7)] + [inside("reject", 3.0)]
    line = guiding_line(frames[-1]["guiding"], frames)
    assert line == (
        "guiding: RMS RA 3.00″ (typical 0.50″), Dec 0.30″ (typical 0.30″), peak 1.00″, "
        "guide star missing for 12.0 s, 30 samples over 100% of the exposure"
    )
    assert guiding_line(frames[-1]["guiding"], frames, "xy").startswith("guiding: RMS x 3.00″ (")
    # nothing is typical of the only frame with a record
    alone = [inside("keep", 0.4), inside("keep", 0.0, samples=0)]
    assert "typical" not in guiding_line(alone[0]["guiding"], alone)


def test_the_frame_given_first_is_shown_in_its_place(results, capfd, monkeypatch):
    monkeypatch.chdir(results.parent)
    for words in (["light_03"], ["light_03", "r"], ["lights/light_03.fits"]):
        code, out, err = run(capfd, "explain", *words)
        assert (code, out) == (2, "")
        assert err == (
            f"subgrade: {words[0]}: is no results folder. RESULTS comes first, then FRAME: "
            f"subgrade explain r {words[0]}\n"
        )
        typed = err.split("subgrade explain ")[1].split()
        assert run(capfd, "explain", *typed)[0] == 0
    err = run(capfd, "explain", "rr")[2]
    assert err.endswith("did you mean r? RESULTS comes first, then FRAME.\n")
    code, _, err = run(capfd, "explain", "rr", "light_03")
    assert (code, "RESULTS" in err) == (2, False)


def test_without_a_frame_the_doubtful_ones_are_offered(tmp_path, capfd):
    lights, results = write_night(tmp_path / "lights", 9), tmp_path / "r"
    for k, fwhm in enumerate((3.65, 3.7, 3.75, 3.8)):  # the limit is 3.75
        write_light(lights / f"near_{k}.fits", 10 + k, fwhm=fwhm)
    run(capfd, "grade", lights, "--out", results, "--workers", 1, "--no-report")
    code, out, err = run(capfd, "explain", results)
    assert (code, out) == (2, "")
    first, *offered = err.removeprefix("subgrade: which frame? For instance: ").splitlines()
    assert run(capfd, *first.split()[1:])[0] == 0
    values = [f["values"] for f in json.loads((results / "session.json").read_text())["frames"]]
    doubtful = sorted(
        v["confidence"] for v in values if v["confidence"] is not None and v["confidence"] < 0.95
    )
    assert len(doubtful) >= 2
    assert [float(line.split()[-1]) for line in offered[1:]] == [
        pytest.approx(c, abs=0.006) for c in doubtful[:5]
    ]
    for line in offered[1:]:
        name = line.strip().split(":")[0]
        assert run(capfd, "explain", results, name)[1].startswith(f"{name}.fits: ")
