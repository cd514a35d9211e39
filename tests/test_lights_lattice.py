"""Colour mosaics that a header only hints at: the pixels decide.  Frames by GalSim."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits

from subgrade.lights import green_parity, read_facts, read_light
from subgrade.lights.header_cards import Cards
from subgrade.lights.model import Pixels
from subgrade.lights.mosaic import PATTERNS, green_diagonals, hinted_mosaic
from tests.render import Scene, StarShape, render

ROUND = StarShape("moffat", 3.0)
FIELD = Scene(width=640, height=480, bright=60)


def pixels(shape=ROUND, **scene) -> np.ndarray:
    return render(shape, replace(FIELD, **scene)).data


@pytest.fixture(scope="module")
def mosaics() -> dict[str, np.ndarray]:
    return {pattern: pixels(mosaic=pattern, seed=4) for pattern in PATTERNS}


@pytest.mark.parametrize("pattern", PATTERNS)
def test_the_greens_of_a_mosaic_are_found(mosaics, pattern):
    assert green_diagonals(Pixels(mosaics[pattern])) == {green_parity(pattern)}


@pytest.mark.parametrize(
    "scene",
    [
        {"sky_adu": 6.0, "read_noise_e": 2.0},
        {"mosaic_sky": (0.97, 1.0, 0.985)},
        {"floating": True, "vignetting": 0.4, "gradient": 0.3},
        {"width": 256, "height": 256, "bright": 10},
    ],
)
def test_a_faint_or_nearly_grey_mosaic_is_one(scene):
    assert green_diagonals(Pixels(pixels(mosaic="GRBG", **scene))) == {0}


def test_starlight_shows_a_mosaic_under_a_grey_sky():
    """Colours of stars differ; how the greens lie the hint has to say."""
    shown = green_diagonals(Pixels(pixels(mosaic="RGGB", mosaic_sky=(1.0, 1.0, 1.0), bright=200)))
    assert 1 in shown


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize(
    ("shape", "scene"),
    [
        (ROUND, {}),
        (StarShape("moffat", 1.3), {"bright": 300}),
        (ROUND, {"gradient": 0.5, "nebula_adu": 800.0, "vignetting": 0.4}),
        (ROUND, {"hot_pixels": 3000, "cosmic_rays": 40}),
        (ROUND, {"sky_adu": 3.0, "read_noise_e": 1.0}),
        (ROUND, {"floating": True, "bright": 1500}),
    ],
)
def test_monochrome_frames_show_none(shape, scene, seed):
    assert green_diagonals(Pixels(pixels(shape, seed=seed, **scene))) == set()


@pytest.mark.parametrize("places", [np.s_[::2], np.s_[:, ::2]])
def test_rows_or_columns_of_another_level_are_no_mosaic(places):
    data = pixels().astype(np.float32)
    data[places] += 40.0
    assert green_diagonals(Pixels(data)) == set()


def stored(folder, data, **cards):
    path = folder / "frame.fits"
    fits.PrimaryHDU(data, fits.Header(cards)).writeto(path, overwrite=True)
    return path


@pytest.mark.parametrize(
    ("cards", "pattern"),
    [
        ({"FILTER": "RGGB"}, "RGGB"),
        ({"FILTER": "gbrg"}, "GBRG"),
        ({"COLORTYP": 2}, None),
        ({"COLORTYP": "2"}, None),
        ({"BAYERPAT": 0}, None),
        ({"FILTER": "Bayer"}, None),
    ],
)
def test_hints(cards, pattern):
    found = hinted_mosaic(Cards({k: (v, "") for k, v in cards.items()}))
    assert found is not None
    assert found[0] == pattern


@pytest.mark.parametrize("cards", [{"FILTER": "R"}, {"FILTER": "GR"}, {"COLORTYP": "MONO"}, {}])
def test_no_hints(cards):
    assert hinted_mosaic(Cards({k: (v, "") for k, v in cards.items()})) is None


def test_a_hint_that_the_pixels_bear_out(tmp_path, mosaics):
    path = stored(tmp_path, mosaics["GBRG"], FILTER="GBRG")
    light = read_light(path)
    assert light.facts.mosaic == "GBRG"
    assert "the pixels show one" in light.facts.notes[-1]
    assert read_facts(path).mosaic is None


@pytest.mark.parametrize("cards", [{"FILTER": "RGGB"}, {"COLORTYP": 3}])
def test_the_pixels_place_the_greens(tmp_path, mosaics, cards):
    light = read_light(stored(tmp_path, mosaics["GRBG"], **cards))
    assert green_parity(light.facts.mosaic) == green_parity("GRBG")
    assert "not which are red" in light.facts.notes[-1]


@pytest.mark.parametrize("cards", [{"FILTER": "RGGB"}, {"COLORTYP": 3}])
def test_a_hint_that_the_pixels_deny(tmp_path, cards):
    facts = read_light(stored(tmp_path, pixels(), **cards)).facts
    assert facts.mosaic is None
    assert "the pixels show none" in facts.notes[-1]


def test_a_nought_says_that_there_is_none(tmp_path, mosaics):
    assert read_light(stored(tmp_path, pixels(), COLORTYP=0)).facts.notes == ()
    assert read_light(stored(tmp_path, mosaics["RGGB"], COLORTYP=0)).facts.mosaic is not None
