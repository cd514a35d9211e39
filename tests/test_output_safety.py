"""Texts from outside cannot steer a terminal, break a table or start a formula."""

from __future__ import annotations

import csv
import os

import pytest
from astropy.table import Table

from subgrade.lights.frame_names import FrameNames
from subgrade.lights.header_cards import Cards
from subgrade.plaintext import clean, printable
from subgrade.results.table import FORMULAS
from tests.cli_frames import run, write_light

CONTROLS = "".join(map(chr, [*range(1, 32), *range(0x7F, 0xA0), 0x2028, 0x2029, 0x202E, 0x2066]))
STEERING = ("\x1b", "\x07", "\x9b", "\x85", "\x0b", "\x0c", "\x1c", "\r", "\u202e")


def test_no_control_character_is_left():
    for text in (clean(f"a{CONTROLS}b"), printable(f"a{CONTROLS}b")):
        assert text.isprintable()
        assert text[0] + text[-1] == "ab"
    assert clean("M 31\r\n\x0b\x85\u2028x") == "M 31     x"
    assert clean("\x1b[2J\x9b\u202e") == "\\x1b[2J\\x9b\\u202e"
    assert clean("Größe 3″") == "Größe 3″"


@pytest.mark.parametrize("text", [f"a{CONTROLS}b", "a\x00\x00", "plain"])
def test_cleaning_twice_changes_nothing(text):
    assert clean(clean(text)) == clean(text)
    assert printable(printable(text)) == printable(text)


def test_header_texts_come_clean():
    record = "OBJECT  = 'M 31\x85\x0b\x1b[31m\r'".ljust(80) + "FILTER  = 'L\x00\x00'".ljust(80)
    cards = Cards.from_bytes(record.encode("latin-1"))
    assert cards.text("OBJECT") == "M 31  \\x1b[31m"
    assert cards.text("FILTER") == "L"


def with_object(path, value: bytes):
    """Put bytes into the OBJECT card that no library would write."""
    data = path.read_bytes()
    at = data.index(b"OBJECT  =")
    card = b"OBJECT  = '" + value + b"'"
    path.write_bytes(data[:at] + card.ljust(80) + data[at + 80 :])


NASTY = b"=cmd|x\x85b\x0bc\x0cd\x1ce\rf\x1b[2J\x9bg\x07"
NAMES = ("light_\x1b[31m\x07.fits", "light_\x85\x0c\x1c\r.fits", "+x.fits", "-1+1.fits", "@y.fits")


@pytest.fixture(scope="module")
def nasty(tmp_path_factory):
    from subgrade.pipeline import Settings, grade

    root = tmp_path_factory.mktemp("nasty")
    for k in range(5):
        path = write_light(root / "lights" / f"light_{k}.fits", k)
        with_object(path, NASTY)
    for k, name in enumerate((*NAMES, os.fsdecode(b"light_\xff.fits"))):
        path = write_light(root / "lights" / "plain.fits", 10 + k, OBJECT="+x", FILTER="-1+1")
        path.rename(path.with_name(name))
    grade(Settings((str(root / "lights"),), str(root / "graded"), workers=1))
    return root


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be there")
def test_tables_survive_what_headers_and_names_hold(nasty):
    path = nasty / "graded" / "summary.csv"
    raw = path.read_text(encoding="utf-8")
    with path.open(newline="", encoding="utf-8") as stream:
        plain = list(csv.DictReader(stream))
    table = Table.read(nasty / "graded" / "summary.ecsv")
    quoted = Table.read(path, format="ascii.csv")
    assert len(raw.splitlines()) == 1 + len(plain)
    assert len(plain) == len(table) == len(quoted) == 11
    assert list(quoted["target"]) == [row["target"] for row in plain]
    targets = {row["target"] for row in plain}
    assert targets == {"'=cmd|x b c d e f\\x1b[2J\\x9bg\\x07", "'+x"}
    assert set(table["target"]) == {t.removeprefix("'") for t in targets}
    assert set(table["filter"]) == {"L", "-1+1"}
    for row in plain:
        texts = [row[name] for name in ("frame", "explanation", "target", "filter", "reasons")]
        assert not any(text.startswith(FORMULAS) for text in texts)
    assert {row["frame"] for row in plain} >= {"./+x.fits", "./-1+1.fits", "./@y.fits"}


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be there")
def test_a_data_frame_reads_the_same_table(nasty):
    pandas = pytest.importorskip("pandas")
    path = nasty / "graded" / "summary.csv"
    with path.open(newline="", encoding="utf-8") as stream:
        plain = list(csv.DictReader(stream))
    framed = pandas.read_csv(path, dtype=str, keep_default_na=False)
    assert framed.to_dict("records") == plain


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be there")
def test_nothing_that_steers_a_terminal_is_written(nasty, capfd):
    for name in ("summary.csv", "summary.ecsv", "weights.csv", "keeps.txt", "report.html"):
        text = (nasty / "graded" / name).read_text(encoding="utf-8")
        data = text.split('<script type="application/json"')[-1].split("</script>")[0]
        assert not [sign for sign in STEERING if sign in data], name
        assert "\\u001b" not in data or name == "keeps.txt"
    out = nasty / "graded"
    for arguments in (
        ("grade", nasty / "lights", "--out", out, "--workers", 1),
        ("diagnose", out),
        ("explain", out, "light_1"),
        ("explain", out, "nothing like it"),
        ("cull", out, "--list"),
    ):
        _, printed, err = run(capfd, *arguments)
        assert not [sign for sign in STEERING if sign in printed + err]


@pytest.mark.skipif(os.name == "nt", reason="such names cannot be there")
@pytest.mark.parametrize("name", [*NAMES[:2], os.fsdecode(b"light_\xff.fits")])
def test_explain_takes_the_name_as_it_is_shown(nasty, capfd, name):
    code, printed, _ = run(capfd, "explain", nasty / "graded", printable(name))
    assert code == 0
    assert printed.startswith(f"{printable(name)}: ")
    path = printable(str(nasty / "lights" / name))
    assert run(capfd, "explain", nasty / "graded", path)[0] == 0


def test_names_that_can_be_shown_come_first():
    names = FrameNames(["a\x1b.fits", "a\\x1b.fits"])
    assert names.meant("a\\x1b.fits") == [1]
    assert names.meant("a\x1b.fits") == [0]
