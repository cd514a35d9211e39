"""The limits file, its overrides, and the page that documents it."""

import tomllib
from dataclasses import FrozenInstanceError, fields
from pathlib import Path

import pytest

from subgrade.errors import UsageError
from subgrade.judging.limits import (
    _TABLES,
    allowed_range,
    default_limits_text,
    load_limits,
)
from subgrade.judging.reasons import REASONS

DOCS = Path(__file__).parent.parent / "docs"
ALL = [(table, f.name) for table, kind in _TABLES.items() for f in fields(kind)]


def limits_file(tmp_path, text: str) -> Path:
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(("table", "key"), ALL)
def test_every_limit_has_a_default_in_range_and_a_comment(table, key):
    low, high = allowed_range(table, key)
    value = tomllib.loads(default_limits_text())[table][key]
    assert low <= value <= high
    section = default_limits_text().split(f"[{table}]")[1].split("\n[")[0]
    (line,) = [x for x in section.splitlines() if x.split("=")[0].strip() == key]
    assert any(w in line for w in ("no source", "derived", "from memory")), line


@pytest.mark.parametrize(("table", "key"), ALL)
def test_the_limits_page_states_every_default_and_range(table, key):
    low, high = allowed_range(table, key)
    value = tomllib.loads(default_limits_text())[table][key]
    row = f"| `{table}.{key}` | {value:g} | {low:g} to {high:g} |"
    assert row in (DOCS / "limits.md").read_text(encoding="utf-8")


def test_a_subset_is_laid_over_the_defaults(tmp_path):
    path = limits_file(tmp_path, "[roundness]\nfloor = 0.5\n[light]\ndew_frames = 9\n")
    mine, shipped = load_limits(path), load_limits()
    assert (mine.roundness.floor, mine.light.dew_frames) == (0.5, 9)
    assert mine.roundness.ceiling == shipped.roundness.ceiling
    assert mine.sharpness == shipped.sharpness
    with pytest.raises(FrozenInstanceError):
        mine.light = shipped.light


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[roundnes]\nfloor = 0.5\n", ["unknown table [roundnes]", "roundness"]),
        ("[roundness]\nflor = 0.5\n", ["unknown key roundness.flor", "floor"]),
        ("[roundness]\nfloor = 1.5\n", ["roundness.floor = 1.5", "from 0 to 0.99"]),
        ("[roundness]\nfloor = nan\n", ["roundness.floor = nan", "from 0 to 0.99"]),
        ("[roundness]\nfloor = 'low'\n", ["roundness.floor = 'low'", "number from 0 to 0.99"]),
        ("[roundness]\nfloor = true\n", ["roundness.floor = True", "number"]),
        ("[light]\ndew_frames = 6.5\n", ["light.dew_frames = 6.5", "whole number from 3"]),
        ("roundness = 3\n", ["[roundness]"]),
        ("[roundness]\nfloor = 0.9\nceiling = 0.7\n", ["roundness.floor = 0.9", "ceiling = 0.7"]),
        ("[roundness\n", ["not valid TOML"]),
    ],
)
def test_a_mistake_is_named_with_what_is_allowed(tmp_path, text, said):
    with pytest.raises(UsageError) as caught:
        load_limits(limits_file(tmp_path, text))
    for words in ("mine.toml", *said):
        assert words in str(caught.value)


def test_a_missing_limits_file_is_named(tmp_path):
    with pytest.raises(UsageError, match=r"none\.toml"):
        load_limits(tmp_path / "none.toml")


def test_reasons_are_the_words_of_the_contract():
    """The public contract, written out: scripts read these words, so none is renamed or gone."""
    assert list(REASONS) == [
        "wind_trail",
        "ra_oscillation",
        "periodic_error",
        "dec_drift",
        "field_rotation",
        "flexure",
        "tracking_lost",
        "bump",
        "dither_overlap",
        "cloud",
        "dew",
        "sky_glow",
        "focus",
        "seeing",
        "tilt_or_coma",
        "satellite_trail",
        "few_stars",
        "incomplete",
        "surplus",
        "wrong_frame",
        "unreadable",
    ]
    assert [w for w, r in REASONS.items() if not r.rejects] == ["tilt_or_coma", "satellite_trail"]
    assert all(r.long.endswith(".") and not r.short.endswith(".") for r in REASONS.values())
