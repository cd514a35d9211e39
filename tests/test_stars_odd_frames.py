"""Frames that no sky gives: measured, or left with a status that says why, never an error."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from subgrade.lights.model import HeaderFacts
from subgrade.lights.stored_pixels import LARGEST, to_pixels
from subgrade.stars import frame_pictures, measure_stars
from subgrade.stars.background import Sky
from subgrade.stars.blobs import find_bright
from subgrade.stars.detect import _guess, _Level, _typical

SHAPE = (90, 110)


def thin_blobs(rng):
    """Footprints of trails of scattered length and direction, in blocks squared."""
    n = 25
    angle = rng.normal(0.5, 0.25, n)
    long, wide = rng.uniform(5, 60, n), rng.uniform(0.0, 0.1, n)
    c, s = np.cos(angle), np.sin(angle)
    return SimpleNamespace(
        half_xx=long * c * c + wide * s * s,
        half_yy=long * s * s + wide * c * c,
        half_xy=(long - wide) * c * s,
    )


@pytest.mark.parametrize("block", [2, 4, 8])
def test_the_first_guess_is_always_an_ellipse(block):
    """Medians of xx, yy and xy taken one by one need not be the moments of anything."""
    impossible = 0
    for seed in range(200):
        blobs = thin_blobs(np.random.default_rng(seed))
        level = _Level(block, None, 1.0, SimpleNamespace(blobs=blobs), np.arange(25))
        xx, yy, xy = _guess(level)
        medians = [np.median(v) for v in (blobs.half_xx, blobs.half_yy, blobs.half_xy)]
        impossible += medians[0] * medians[1] < medians[2] ** 2
        assert xx * yy - xy**2 >= 0.25
        assert 0.2 * medians[0] < (xx - 0.5) * 0.602 / block**2 < 5 * medians[0]
    assert impossible > 5  # else this shows nothing


def test_a_blob_below_its_sky_judges_no_size():
    """Above the threshold and below the sky level: such a blob has no bright part."""
    image = np.zeros((40, 40), np.float32)
    image[10:13, 10:13] = 2.0
    image[20:22, 30:33] = 0.5
    level = np.full((2, 2), 1.0, np.float32)
    bright = find_bright(image, level, np.full((2, 2), 0.2, np.float32), 20)
    below = np.flatnonzero(bright.blobs.half_size == 0)
    assert len(below) == 1
    pixels, _ = to_pixels(np.repeat(np.repeat(image, 2, 0), 2, 1))
    sky = Sky(level, np.full((2, 2), 0.1, np.float32), 40)
    typical = _typical(pixels, bright.blobs, image, 2, 0.01, sky)
    assert below[0] not in typical


def sky(rng):
    return rng.normal(1000, 10, SHAPE)


def stars(rng, peak=2000.0, size=1.5, count=25):
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    plane = sky(rng)
    for _ in range(count):
        dx, dy = x - rng.uniform(0, SHAPE[1]), y - rng.uniform(0, SHAPE[0])
        plane += peak * rng.uniform(0.1, 1) * np.exp(-0.5 * (dx**2 + dy**2) / size**2)
    return plane


def wild(rng, value):
    plane = stars(rng)
    plane[rng.random(SHAPE) < 0.02] = value
    return plane


def trails(rng):
    plane = sky(rng)
    for _ in range(60):
        t = rng.normal(0.5, 0.3)
        along = np.arange(rng.uniform(5, 30))
        y = np.rint(rng.uniform(0, SHAPE[0]) + along * np.sin(t)).astype(int)
        x = np.rint(rng.uniform(0, SHAPE[1]) + along * np.cos(t)).astype(int)
        inside = (y < SHAPE[0]) & (x < SHAPE[1])
        plane[y[inside], x[inside]] += 3000
    return plane


ODD = {
    "no values": lambda rng: np.full(SHAPE, np.nan),
    "infinities": lambda rng: np.full(SHAPE, np.inf),
    "one value": lambda rng: np.where(rng.random(SHAPE) < 1e-4, 5.0, np.nan),
    "constant": lambda rng: np.full(SHAPE, 7.0),
    "one row bright": lambda rng: (
        np.where(np.arange(SHAPE[0])[:, None] == 40, 6e4, 7.0) + np.zeros(SHAPE)
    ),
    "negative": lambda rng: -sky(rng),
    "holes for stars": lambda rng: stars(rng, -2000.0),
    "half missing": lambda rng: np.where(np.arange(SHAPE[1]) < 50, np.nan, stars(rng)),
    "every other row missing": lambda rng: np.where(
        np.arange(SHAPE[0])[:, None] % 2 == 0, np.nan, stars(rng)
    ),
    "huge": lambda rng: stars(rng) * 1e33,
    "huge here and there": lambda rng: wild(rng, 3e38),
    "huge and negative": lambda rng: wild(rng, -3e38),
    "as large as is believed": lambda rng: wild(rng, LARGEST),
    "denormal": lambda rng: stars(rng) * 1e-43,
    "any bytes": lambda rng: np.frombuffer(rng.bytes(4 * SHAPE[0] * SHAPE[1]), np.float32).reshape(
        SHAPE
    ),
    "two levels": lambda rng: rng.integers(0, 2, SHAPE) * 65535.0,
    "Cauchy": lambda rng: rng.standard_cauchy(SHAPE) * 1e9,
    "slope": lambda rng: np.add.outer(np.arange(90.0), np.arange(110.0)) * 500,
    "walk": lambda rng: np.cumsum(rng.normal(0, 1000, SHAPE), axis=1),
    "blocks": lambda rng: np.kron(rng.normal(0, 1e4, (9, 11)), np.ones((10, 10))),
    "trails": trails,
    "wide stars": lambda rng: stars(rng, size=12.0),
}


STARLESS = {
    "no values",
    "infinities",
    "one value",
    "constant",
    "one row bright",
    "negative",
    "holes for stars",
    "any bytes",
    "two levels",
    "slope",
    "walk",
    "blocks",
}
HARMED = {"half missing", "huge here and there", "huge and negative", "denormal"}
"""Frames on which many of the 25 stars are as they were."""


@pytest.mark.parametrize("name", ODD)
def test_an_odd_frame_is_measured_or_its_status_says_why_not(name):
    for seed in range(6):
        rng = np.random.default_rng(seed)
        plane = ODD[name](rng)
        if seed % 3 == 2:
            plane = np.nan_to_num(np.clip(plane, 0, 65535)).astype(np.uint16)
        with np.errstate(over="ignore"):
            plane = plane.astype(np.float32) if seed % 3 == 1 else plane
        pixels, _ = to_pixels(plane)
        facts = HeaderFacts(mosaic="RGGB" if seed > 3 else None)
        found = measure_stars(pixels, facts)
        assert (found.width, found.height) == SHAPE[::-1]
        assert found.shape_status == "measured" or found.shape_note
        if name in STARLESS:
            assert (found.shape_status, found.stars) == ("none", 0), seed
        if name in HARMED and plane.dtype != np.uint16:  # clipped to words little is left of some
            assert found.shape_status == "measured", seed
            assert 8 <= found.stars <= 30, seed
        frame_pictures(pixels, facts, found)


@pytest.mark.parametrize("name", ["any bytes", "Cauchy", "wide stars"])
def test_places_without_a_star_are_counted(name):
    pixels, _ = to_pixels(ODD[name](np.random.default_rng(0)))
    found = measure_stars(pixels, HeaderFacts())
    assert (found.shape_status, found.stars) == ("none", 0)
    assert found.bright_places > 0
    assert found.shape_note.startswith(f"{found.bright_places} ")


@pytest.mark.parametrize("shape", [(2, 2), (2, 500), (31, 31), (32, 32), (33, 400)])
def test_small_frames_of_noise_have_no_star(shape):
    pixels, _ = to_pixels(np.random.default_rng(1).normal(100, 3, shape))
    found = measure_stars(pixels, HeaderFacts())
    assert (found.shape_status, found.stars) == ("none", 0)
    assert ("smaller than 32 pixels" in found.shape_note) == (min(shape) < 32)
    frame_pictures(pixels, HeaderFacts(), found)


def test_values_beyond_belief_are_counted_as_missing():
    plane = sky(np.random.default_rng(2))
    plane[3, 4], plane[5, 6], plane[7, 8] = 1e16, -1e300, LARGEST
    pixels, notes = to_pixels(plane)
    assert np.isnan(pixels.data[[3, 5], [4, 6]]).all()
    assert pixels.data[7, 8] == pytest.approx(LARGEST)
    assert any(note.startswith("2 pixels without a value") for note in notes)
    scaled, notes = to_pixels(np.full(SHAPE, 900, np.uint16), scale=1e30)
    assert np.isnan(scaled.physical()).all()
    assert notes


def test_eight_bits_a_pixel_are_remarked_on():
    plane = np.random.default_rng(2).integers(0, 255, SHAPE)
    assert any(note.startswith("8 bits per pixel") for note in to_pixels(plane.astype(np.uint8))[1])
    assert not to_pixels(plane.astype(np.uint16))[1]
