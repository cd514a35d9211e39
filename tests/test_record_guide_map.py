"""The guide map, the numbers that describe a record, and ``subgrade guide``."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from scipy.stats import chi2

from subgrade.cli import cli
from subgrade.errors import UsageError
from subgrade.record import describe_record, load_guide_map, read_guide
from subgrade.record.guide_map import DELIMITERS, ROLES, TIME_KINDS
from tests.record_layouts import comma, fixed, stamp, truth

PAGE = Path(__file__).parents[1] / "docs" / "guide-map.md"


def saved(tmp_path, text, name="map.toml"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def riddle(t):
    """Titles that say nothing, and an error and its filtered twin the wrong way round."""
    rows = [
        f"{stamp(x, '%d/%m/%Y %H:%M:%S')};{0.3 * a:.3f};{a / 2:.4f};{b / 2:.4f}"
        for x, a, b in zip(t.time, t.ra, t.dec, strict=True)
    ]
    return "\n".join(["Stamp;RA error;Quantity 7;Quantity 9", *rows])


def test_a_map_names_columns_and_units(tmp_path):
    t = truth(n=60, dithers=())
    path = saved(tmp_path, riddle(t), "riddle.txt")
    text = """
        scale_arcsec_px = 2.0
        [columns]
        ra = "Quantity 7"
        dec = 4
        [units]
        ra = "px"
        dec = "px"
        [clock]
        utc_offset = 2
    """
    record = read_guide(path, guide_map=saved(tmp_path, text))
    np.testing.assert_allclose(record.ra, t.ra, atol=1e-3)
    np.testing.assert_allclose(record.dec, t.dec, atol=1e-3)
    np.testing.assert_allclose(record.time, t.time - 7200, atol=0.06)
    assert record.clock == "utc"
    assert [c.role for c in record.columns] == ["time", "other", "ra", "dec"]


def test_a_map_may_only_state_units(tmp_path):
    t = truth(n=60, dithers=())
    path = saved(tmp_path, comma(t).replace(" (arcsec)", ""), "record.csv")
    mapped = saved(tmp_path, '[units]\nra = "mas"\ndec = "mas"')
    np.testing.assert_allclose(read_guide(path, guide_map=mapped).ra, t.ra / 1000, atol=1e-6)


def test_a_file_of_bare_numbers_is_read_by_number(tmp_path):
    found = re.findall(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    t = truth(n=60, dithers=())
    rows = [
        f"{x - t.time[0]:.1f} {a:.3f} {b:.3f}" for x, a, b in zip(t.time, t.ra, t.dec, strict=True)
    ]
    path = saved(tmp_path, "\n".join(rows), "bare.txt")
    record = read_guide(path, guide_map=saved(tmp_path, found[1]))
    np.testing.assert_allclose(record.ra, t.ra, atol=1e-3)
    assert record.clock == "relative"


def test_a_map_gives_sections_and_a_date(tmp_path):
    t = truth(n=60, dithers=())
    rows = [
        f"{stamp(x, '%H:%M:%S')},{a:.3f},{b:.3f}"
        for x, a, b in zip(t.time, t.ra, t.dec, strict=True)
    ]
    text = "\n".join(["Time,RA error as,Dec error as", *rows[:30], "Part two", *rows[30:]])
    mapped = saved(tmp_path, '[clock]\ndate = 2031-02-18\n[file]\nsection = "Part"')
    record = read_guide(saved(tmp_path, text, "parts.csv"), guide_map=mapped)
    np.testing.assert_allclose(record.time, t.time, atol=0.06)
    assert record.dated
    assert record.section.tolist() == [0] * 30 + [1] * 30


def test_the_pages_example_is_a_valid_map_and_lists_every_word(tmp_path):
    text = PAGE.read_text(encoding="utf-8")
    found = load_guide_map(saved(tmp_path, re.search(r"```toml\n(.*?)```", text, re.DOTALL)[1]))
    assert found.order == "dmy"
    assert found.columns["ra_pulse"] == 6  # under the name that columns are read under
    former = load_guide_map(saved(tmp_path, '[units]\nra_pulse = "s"', "former.toml"))
    assert former.units == load_guide_map(saved(tmp_path, '[units]\nra_correction = "s"')).units
    for word in (*ROLES, *TIME_KINDS, *DELIMITERS):
        assert f"`{word}`" in text, word


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("[columns", "not valid TOML"),
        ("colums = 1", "'colums'"),
        ("columns = 3", "must be a table"),
        ("[columns]\nright_ascension = 2", "right_ascension"),
        ("[columns]\nra = 0", "columns.ra"),
        ("[columns]\nra = true", "columns.ra"),
        ('[units]\nra = "ms"', "arcsec or px"),
        ('[units]\ntime = "fortnights"', "units.time"),
        ('[units]\nra_pulse = "parsec"', "parsec"),
        ('[clock]\norder = "year"', "day-month"),
        ("[clock]\nutc_offset = nan\nzone = 1", "zone"),
        ("[clock]\nutc_offset = 99", "between"),
        ('[clock]\ndate = "yesterday"', "date"),
        ('[file]\ndelimiter = "/"', "delimiter"),
        ("[file]\nheader = false", "by number"),
        ("scale_arcsec_px = -1", "above 0"),
        ('scale_arcsec_px = "2"', "above 0"),
    ],
)
def test_a_wrong_map_is_told_what_is_wrong(tmp_path, text, what):
    with pytest.raises(UsageError, match=re.escape(what)):
        load_guide_map(saved(tmp_path, text))


def test_a_column_that_is_not_there_is_named_with_the_titles(tmp_path):
    path = saved(tmp_path, comma(truth(n=30, dithers=())), "record.csv")
    for column in ('"Declination"', "30"):
        mapped = saved(tmp_path, f"[columns]\ndec = {column}")
        with pytest.raises(UsageError, match="Dec offset"):
            read_guide(path, guide_map=mapped)


def test_the_numbers_that_describe_a_record(tmp_path):
    t = truth(n=200, dithers=(50,), lost=(120, 121))
    gone = np.arange(200) < 160
    text = fixed(t).splitlines()
    text = [*text[:4], *(x for x in text[4:] if not re.match(r" +1[6]\d  2031", x))]
    found = describe_record(read_guide(saved(tmp_path, "\n".join(text), "record.txt")))
    kept = (gone | (np.arange(200) >= 170)) & ~t.lost
    assert found["samples"] == 190
    assert found["cadence_s"] == 2.0
    assert (found["gaps"], found["longest_gap_s"]) == (1, 22.0)
    assert (found["lost_samples"], found["lost_s"]) == (2, 4.0)
    assert found["rms_ra_arcsec"] == pytest.approx(np.sqrt(np.mean(t.ra[kept] ** 2)), abs=1e-3)
    assert found["peak_arcsec"] == pytest.approx(np.hypot(t.ra, t.dec)[kept].max(), abs=1e-3)
    settled = kept & ~((np.arange(200) >= 50) & (np.arange(200) < 56))
    rms = np.sqrt(np.mean(t.ra[settled] ** 2))
    assert found["settled_rms_ra_arcsec"] == pytest.approx(rms, abs=1e-3)
    variance = t.ra[kept][: 7 * 24].reshape(7, 24).var(axis=1, ddof=1)
    calm = np.sqrt(np.quantile(variance, 0.25) * 23 / chi2.ppf(0.25, 23))  # scipy's chi-squared
    assert found["calm_rms_ra_arcsec"] == pytest.approx(calm, rel=0.01)
    assert found["events"] == {"dither": 1, "settle_end": 1}
    json.dumps(found, allow_nan=False)


def run(*arguments):
    return CliRunner().invoke(cli, ["guide", *map(str, arguments)], standalone_mode=False)


def test_the_command_shows_columns_clock_and_numbers(tmp_path):
    path = saved(tmp_path, comma(truth()), "record.csv")
    said = run(path)
    assert said.return_value == 0
    assert re.search(r"RA offset \(arcsec\) +RA error +arcsec +1\.00", said.output)
    for word in (
        "clock",
        "samples",
        "section 1",
        "RMS",
        "peak",
        "dithers 2",
        "settled after a dither 2",
        "star missing",
        "gaps",
    ):
        assert word in said.output
    assert "\x1b[" not in said.output
    assert all(line == line.rstrip() for line in said.output.splitlines())


@pytest.mark.parametrize("width", [60, 80, 120])
def test_the_command_folds_the_reasons_to_the_terminal_and_not_in_a_pipe(tmp_path, width):
    path = saved(tmp_path, comma(truth()), "record.csv")
    narrow = CliRunner().invoke(cli, ["guide", str(path)], env={"COLUMNS": str(width)}).output
    body = narrow.splitlines()[1:]  # the path is to be copied
    assert max(map(len, body)) <= width
    whole = run(path).output
    columns = describe_record(read_guide(path))["columns"]
    assert len(columns) >= 5
    for column in columns:
        assert any(line.endswith(column["why"]) for line in whole.splitlines())
        assert column["why"] in " ".join(narrow.split())


def test_the_command_prints_strict_json_and_tells_what_failed(tmp_path):
    path = saved(tmp_path, comma(truth()), "record.csv")
    empty = saved(tmp_path, "", "empty.csv")
    said = run(path, empty, "--json")
    assert said.return_value == 3

    def refuse(name):
        raise AssertionError(name)

    found = json.loads(said.stdout, parse_constant=refuse)
    assert found["records"][0]["samples"] == 240
    assert found["unreadable"] == [{"path": str(empty), "cause": "is empty"}]
    assert "is empty" in said.stderr
    assert run(empty).return_value == 1
    assert run(empty, saved(tmp_path, "clear all night", "notes.txt"), "--json").return_value == 1


def test_the_command_takes_a_scale_and_a_map(tmp_path):
    path = saved(tmp_path, comma(truth()).replace("(arcsec)", "(px)"), "record.csv")
    said = run(path)
    assert said.return_value == 1
    assert "--guide-scale" in said.stderr
    assert "1.9 arcsec per pixel" in run(path, "--guide-scale", "1.9").output
    assert (
        "1.7 arcsec per pixel"
        in run(path, "--guide-map", saved(tmp_path, "scale_arcsec_px = 1.7")).output
    )
    with pytest.raises(UsageError, match="no such file"):
        CliRunner().invoke(
            cli,
            ["guide", str(path), "--guide-map", "nowhere.toml"],
            standalone_mode=False,
            catch_exceptions=False,
        )
