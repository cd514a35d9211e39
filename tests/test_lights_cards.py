"""The header splitter agrees with astropy and survives whatever it is given."""

from __future__ import annotations

import string

import pytest
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st

from subgrade.lights.header_cards import Cards, as_number, header_length

KEYS = st.text(string.ascii_uppercase + string.digits + "-_", min_size=1, max_size=8).filter(
    lambda k: k not in {"COMMENT", "HISTORY", "CONTINUE", "END", "HIERARCH", "SIMPLE", "XTENSION"}
)
PRINTABLE = "".join(chr(c) for c in range(32, 127))
VALUES = st.one_of(
    st.booleans(),
    st.integers(-(2**62), 2**62),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(PRINTABLE, max_size=150),
)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(KEYS, st.tuples(VALUES, st.text(PRINTABLE, max_size=20)), max_size=12))
def test_agrees_with_astropy(content):
    header = fits.Header()
    for key, (value, comment) in content.items():
        fills_card = isinstance(value, str) and len(value) > 20
        header[key] = value if fills_card else (value, comment)
    again = fits.Header.fromstring(header.tostring())
    cards = Cards.from_bytes(header.tostring().encode("ascii"))
    assert len(cards) == len(content)
    for key, (value, _) in content.items():
        # astropy itself reads an empty text before a comment with a quote in it wrongly
        expected = value.rstrip() if isinstance(value, str) else again[key]
        assert cards.get(key) == expected
        assert type(cards.get(key)) is type(expected)
        assert cards.comment(key) == header.comments[key].strip()


@pytest.mark.parametrize(
    ("record", "key", "value", "comment"),
    [
        ("EXPTIME = 300,5 / comma", "EXPTIME", "300,5", "comma"),
        ("exptime =   1.5D2 / Fortran exponent", "EXPTIME", 150.0, "Fortran exponent"),
        ("OBJECT  = 'Barnard''s Star' / quote inside", "OBJECT", "Barnard's Star", "quote inside"),
        ("OBJECT  = 'a / b   ' / slash inside", "OBJECT", "a / b", "slash inside"),
        ("OBJECT  = 'no closing quote", "OBJECT", "no closing quote", ""),
        ("FILTER  =", "FILTER", None, ""),
        ("GAIN=100", "GAIN", 100, ""),
        ("HIERARCH sensor temp = -10.5 / deg", "SENSOR TEMP", -10.5, "deg"),
    ],
)
def test_records_beside_the_standard(record, key, value, comment):
    cards = Cards.from_records([record.ljust(80)])
    assert (cards.get(key), cards.comment(key)) == (value, comment)


def test_first_of_a_repeated_keyword_counts_and_comments_are_no_keywords():
    cards = Cards.from_records(["GAIN    = 1", "GAIN    = 2", "COMMENT = 3", "END", "OFFSET  = 4"])
    assert list(cards) == ["GAIN"]
    assert cards.get("GAIN") == 1


@pytest.mark.parametrize(
    ("value", "number"),
    [
        ("300 s", 300.0),
        (" 10,5 ", 10.5),
        ("-1.5e2", -150.0),
        ("N/A", None),
        ("", None),
        (True, None),
        (float("nan"), None),
        (float("inf"), None),
        (10**400, None),
    ],
)
def test_numbers_of_the_wrong_type(value, number):
    assert as_number(value) == number


def test_text_without_meaning_is_none():
    cards = Cards.from_records(
        ["FILTER  = 'N/A'", "FILT    = 'Ha '", "OBJECT  = T", "A       = 48"]
    )
    assert cards.text("FILTER") is None
    assert cards.text("FILTER", "FILT") == "Ha"
    assert cards.text("OBJECT") is None
    assert cards.text("A") == "48"


def card(key: str, rest: str) -> bytes:
    return f"{key:8}= {rest}".encode("latin-1", "replace").ljust(80)[:80]


def test_any_bytes_can_be_split():
    keys = st.text("ABYZ09-_", min_size=1, max_size=8)
    values = st.text(st.characters(max_codepoint=255), max_size=80) | st.text("'&/ .E+-019T")
    named, asked = st.builds(card, keys, values), []

    @settings(max_examples=200, deadline=None)
    @given(st.binary(max_size=800) | st.lists(named | st.binary(max_size=80)).map(b"".join))
    def split(data):
        cards = Cards.from_bytes(data)
        for key in cards:
            cards.number(key), cards.text(key), cards.whole(key), cards.comment(key)
            asked.append(key)

    split()
    assert len(asked) > 50


def test_header_length_counts_the_padding_and_needs_end():
    header = fits.Header([("KEY", 1)] * 40)
    data = header.tostring().encode() + b"\0" * 5000
    assert header_length(data, 0, len(data)) == 2 * 2880
    assert header_length(data[:2880], 0, 2880) is None
    trap = b"COMMENT  END".ljust(80) + b"ENDING  = 1".ljust(80)
    assert header_length(trap * 18, 0, 2880) is None
