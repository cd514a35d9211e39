"""Rows from elsewhere and exchanged bytes in one frame; GalSim renders the stars."""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.lights.model import Pixels
from subgrade.stars import measure_stars
from subgrade.stars.damage import examine
from tests.render import Scene, StarShape, render

FIRST, LAST = 300, 440


def rendered(seed: int, **scene) -> np.ndarray:
    scene = {"width": 1200, "height": 800, "bright": 700, "seed": seed} | scene
    return render(StarShape("moffat", 3.2), Scene(**scene)).data


def kinds(image: np.ndarray) -> list[str]:
    return [f.kind for f in measure_stars(Pixels(image)).flaws]


def shifted(image: np.ndarray, dx: int) -> np.ndarray:
    out = image.copy()
    out[FIRST:LAST] = np.roll(out[FIRST:LAST], dx, axis=1)
    return out


@pytest.mark.parametrize("dx", [6, -40, 500])
def test_a_shifted_block_cuts_stars(dx):
    (flaw,) = measure_stars(Pixels(shifted(rendered(1), dx))).flaws
    assert flaw.kind == "cut"
    assert flaw.first_row in (FIRST, LAST)
    assert flaw.last_row in (FIRST, LAST - 1, LAST)
    assert flaw.count >= 3


def test_rows_of_another_frame_cut_stars():
    image = rendered(1)
    image[FIRST:LAST] = rendered(2)[FIRST:LAST]
    assert kinds(image) == ["cut"]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "scene",
    [
        {},
        {"hot_pixels": 3000, "cosmic_rays": 800},
        {"full_well_adu": 4000, "bright": 1500},
        {"mosaic": "RGGB"},
        {"bright": 20},
    ],
    ids=["usual", "defects", "saturated", "mosaic", "sparse"],
)
def test_sound_rows_cut_no_stars(seed, scene):
    assert kinds(rendered(seed, **scene)) == []


def edged():
    """What begins or ends at a row in sound frames."""
    image = rendered(3)
    rng = np.random.default_rng(1)
    overscan = image.copy()
    overscan[-60:] = np.rint(rng.normal(300, 5, overscan[-60:].shape))
    yield "overscan", overscan
    crowded = rendered(4, bright=4000)
    crowded[-47:] = np.rint(rng.normal(300, 5, crowded[-47:].shape))
    yield "overscan, crowded", crowded
    dead = image.copy()
    dead[[200, 333, 334, 600]] = 0
    yield "dead rows", dead
    repaired = image.copy()
    repaired[[200, 500]] = repaired[[199, 499]]
    yield "repaired rows", repaired
    halves = image.astype(np.int32)
    halves[400:] = halves[400:] * 1.03 + 70
    yield "two amplifiers", halves.astype(np.uint16)
    banded = image + np.rint(rng.normal(100, 40, (len(image), 1)))
    yield "row noise", banded.astype(np.uint16)


@pytest.mark.parametrize(("name", "image"), list(edged()), ids=lambda v: str(v)[:14])
def test_edges_along_rows_cut_no_stars(name, image):
    assert kinds(image) == []


@pytest.mark.parametrize("big", [False, True], ids=["native", "fits"])
@pytest.mark.parametrize("first", [0, 400, 790])
def test_exchanged_bytes_are_seen(first, big):
    image = rendered(1)
    image[first:] = image[first:].byteswap()
    stored = Pixels(image)
    if big:
        stored = Pixels((image ^ 0x8000).byteswap(), swapped=True, sign_flip=True)
    (flaw,) = examine(stored).flaws
    assert (flaw.kind, flaw.first_row, flaw.last_row) == ("exchanged", first, 799)


@pytest.mark.parametrize("sky", [40, 250, 300, 5000, 30000])
def test_bytes_in_order_are_not_exchanged(sky):
    image = rendered(1, sky_adu=float(sky))
    for sound in (image, image >> 8, image >> 8 << 8, image >> 4 << 4, (image >> 8) * 257):
        assert examine(Pixels(sound.astype(np.uint16))).flaws == ()


@pytest.mark.parametrize("share", [0.03, 0.3, 0.6])
def test_numbers_that_are_no_image_are_seen_in_floats(share):
    image = rendered(1).astype(np.float32)
    rows = round(share * len(image))
    raw = np.random.default_rng(1).integers(0, 256, (rows, 4 * image.shape[1]), np.uint8)
    values = raw.view(np.float32)
    # what no pixel holds has no value once it is read
    image[100 : 100 + rows] = np.where(np.abs(values) < 1e12, values, np.nan)
    (flaw,) = examine(Pixels(image, integer=False)).flaws
    assert (flaw.kind, flaw.first_row, flaw.last_row) == ("garbled", 100, 99 + rows)


@pytest.mark.parametrize("height", [33, 48, 64, 65, 66])
def test_frames_lower_than_the_rows_looked_around_are_searched(height):
    image = rendered(3, width=900, height=300, bright=300)
    assert "cut" not in kinds(image[100 : 100 + height])


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_rows_that_a_camera_filled_from_their_neighbours_cut_no_stars(seed):
    image = rendered(seed, width=900, height=700, bright=6000)
    for row in (90, 333, 400 + 50 * seed, 610):
        image[row] = image[row - 1]
    assert kinds(image) == []
