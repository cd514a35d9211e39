"""What is seen of a sub: every size, its colours, the curve, where its stars lie, and how often it
is read."""

from __future__ import annotations

import asyncio
import io
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import convolve

pytest.importorskip("starlette")

from subgrade.lights.model import HeaderFacts, Light, Pixels
from subgrade.review.decoded import DecodedFrames, Unasked
from subgrade.review.levels import TILE, Levels, level_count, levels_of
from subgrade.review.stretch import Stretch, encoded, typical_stretch
from subgrade.stars import colour_means, halved, interpolated_colours

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


def words(shape: tuple[int, int], seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 65536, shape).astype(np.uint16)


def stored(image: np.ndarray) -> Pixels:
    """As a FITS file holds unsigned words: the other byte order, the top bit flipped."""
    return Pixels((image ^ np.uint16(0x8000)).byteswap(), swapped=True, sign_flip=True)


def expected_means(image: np.ndarray, k: int, mosaic: str | None) -> np.ndarray:
    """Block by block, colour by colour, with plain numpy."""
    rows, columns = (-(-side // k) for side in image.shape)
    y, x = np.mgrid[: image.shape[0], : image.shape[1]]
    colour = np.array(list(mosaic or "GGGG"))[2 * (y % 2) + x % 2]
    names = "RGB" if mosaic else "G"
    out = np.full((rows, columns, len(names)), np.nan)
    for j in range(rows):
        for i in range(columns):
            part = np.s_[j * k : (j + 1) * k, i * k : (i + 1) * k]
            for c, name in enumerate(names):
                values = image[part][colour[part] == name].astype(float)
                values = values[np.isfinite(values)]
                if len(values):
                    out[j, i, c] = values.mean()
    return out


@pytest.mark.parametrize("shape", [(8, 12), (9, 13), (7, 5), (1, 1), (2, 9)])
@pytest.mark.parametrize("k", [2, 4, 8])
@pytest.mark.parametrize("mosaic", [None, *PATTERNS])
def test_means_by_colour(shape, k, mosaic):
    image = words(shape)
    expected = expected_means(image, k, mosaic)
    found = colour_means(stored(image), k, mosaic)
    if mosaic:
        found = np.pad(found, ((0, 0), (0, 0), (0, 3 - found.shape[2])), constant_values=np.nan)
    np.testing.assert_allclose(found, expected, rtol=1e-6)
    floats = image.astype(np.float32)
    floats[shape[0] // 2, shape[1] // 2] = np.nan
    np.testing.assert_allclose(
        colour_means(Pixels(floats, integer=False), k, mosaic),
        expected_means(floats, k, mosaic),
        rtol=1e-6,
    )


def test_scale_and_zero_are_in_the_means():
    image = words((6, 6))
    pixels = Pixels(image, zero=-5.0, scale=0.5)
    expected = expected_means(pixels.physical(), 2, None)
    np.testing.assert_allclose(colour_means(pixels, 2), expected, rtol=1e-6)


def test_halving_passes_over_what_is_not_finite():
    values = words((5, 7)).astype(np.float32)
    values[0:2, 0:2] = np.nan
    values[4, 6] = np.inf
    found = halved(values[..., None])[..., 0]
    expected = expected_means(np.where(np.isfinite(values), values, np.nan), 2, None)[..., 0]
    np.testing.assert_allclose(found, expected, rtol=1e-6)


@pytest.mark.parametrize("mosaic", PATTERNS)
def test_colours_are_interpolated_linearly(mosaic):
    """Against scipy's convolution of each colour's own pixels; exact on a sloping plane."""
    values = words((20, 24)).astype(np.float32)
    y, x = np.mgrid[:20, :24]
    colour = np.array(list(mosaic))[2 * (y % 2) + x % 2]
    kernels = {
        "R": [[1, 2, 1], [2, 4, 2], [1, 2, 1]],
        "G": [[0, 1, 0], [1, 4, 1], [0, 1, 0]],
        "B": [[1, 2, 1], [2, 4, 2], [1, 2, 1]],
    }
    found = interpolated_colours(values, mosaic)
    for c, name in enumerate("RGB"):
        own = (colour == name).astype(float)
        kernel = np.array(kernels[name], float)
        sums = convolve(values * own, kernel, mode="constant")
        np.testing.assert_allclose(
            found[..., c], sums / convolve(own, kernel, mode="constant"), rtol=1e-5
        )
    plane = (100.0 + 2.0 * x + 3.0 * y).astype(np.float32)
    inside = interpolated_colours(plane, mosaic)[1:-1, 1:-1]
    np.testing.assert_allclose(inside, np.repeat(plane[1:-1, 1:-1, None], 3, 2), rtol=1e-6)


def light_of(image: np.ndarray, mosaic: str | None = None) -> Light:
    return Light(Path("x.fits"), HeaderFacts(mosaic=mosaic), stored(image))


def seen(levels: Levels, level: int) -> np.ndarray:
    """A whole level put together from its tiles, topmost row first."""
    rows, columns = levels.shape(level)
    return np.concatenate(
        [
            np.concatenate([levels.tile(level, i, j) for i in range(-(-columns // TILE))], axis=1)
            for j in range(-(-rows // TILE))
        ]
    )


@pytest.mark.parametrize("shape", [(1300, 1100), (1025, 2050)])
@pytest.mark.parametrize("mosaic", [None, "GBRG"])
def test_tiles_make_up_every_level_with_y_up(shape, mosaic):
    image = words(shape)
    levels = levels_of(light_of(image, mosaic))
    assert levels.count == level_count(shape[1], shape[0])
    full = seen(levels, 0)[::-1]
    if mosaic:
        expected = interpolated_colours(image.astype(np.float32), mosaic)
    else:
        expected = image[..., None].astype(np.float32)
    np.testing.assert_array_equal(full, expected)
    for level in range(1, levels.count):
        expected = colour_means(stored(image), 2**level, mosaic)
        # means of means at an edge of unlike blocks differ there alone
        inner = np.s_[: shape[0] // 2**level, : shape[1] // 2**level]
        np.testing.assert_allclose(
            seen(levels, level)[::-1][inner], expected[inner], rtol=1e-4, err_msg=str(level)
        )


def test_there_are_no_tiles_outside():
    levels = levels_of(light_of(words((600, 700))))
    for place in ((0, 2, 0), (0, 0, 2), (2, 0, 0), (-1, 0, 0), (0, -1, 0), (1, 1, 0), (9, 0, 0)):
        with pytest.raises(IndexError):
            levels.tile(*place)


@pytest.mark.parametrize(
    ("size", "count"), [((1, 1), 1), ((512, 512), 1), ((513, 10), 2), ((6248, 4176), 5)]
)
def test_the_smallest_level_fits_a_tile(size, count):
    assert level_count(*size) == count
    assert max(size) / 2 ** (count - 1) <= TILE


def test_the_curve_is_the_inverse_hyperbolic_sine():
    curve = Stretch(100.0, 1100.0, 0.05)
    values = np.array([[[-1e9], [100.0], [150.0], [600.0], [1100.0], [1e9], [np.nan]]], np.float32)
    t = (np.array([150.0, 600.0]) - 100.0) / 1000.0
    middle = np.rint(255 * np.arcsinh(t / 0.05) / math.asinh(1 / 0.05))
    assert curve.grey(values).ravel().tolist() == [0, 0, *middle, 255, 255, 0]


def test_the_sky_is_dark_grey_and_stars_are_bright():
    curve = typical_stretch([1000.0, 1010.0, np.nan, 990.0], [10.0, 11.0, 12.0, 9.0])
    sky, star = curve.grey(np.array([[[1000.0], [1000.0 + 300 * 10]]], np.float32)).ravel()
    assert 40 < sky < 60
    assert star > 220
    assert typical_stretch([], []).white == 65535.0


@pytest.mark.parametrize(
    "numbers",
    [(0, 0, 1), (1, 0, 1), (0, 1, 0), (0, 1, -1), (math.nan, 1, 1), (0, math.inf, 1), (0, 1e13, 1)],
)
def test_a_curve_that_is_none_is_refused(numbers):
    with pytest.raises(ValueError, match=r"white|finite|ADU"):
        Stretch(*map(float, numbers))


@pytest.mark.parametrize("channels", [1, 3])
def test_a_picture_keeps_the_grain(channels):
    grey = np.random.default_rng(3).normal(50, 12, (200, 300, channels)).clip(0, 255)
    grey = grey.astype(np.uint8)
    back = np.asarray(Image.open(io.BytesIO(encoded(grey)))).reshape(grey.shape)
    assert np.std(back.astype(float) - grey) < 12 / 4


# How often a frame is read.


class Shelf:
    """Frames that count how often each is read."""

    def __init__(self, size: int = 100):
        self.size = size
        self.reads: list[int] = []

    def __call__(self, index: int) -> Levels:
        self.reads.append(index)
        return Levels(Pixels(np.zeros((1, self.size), np.uint16)), None, ())


def test_a_frame_is_read_once_for_all_who_wait():
    shelf = Shelf()

    async def ask():
        frames = DecodedFrames(shelf, 10_000)
        await asyncio.gather(*(frames.levels(3) for _ in range(20)))
        await frames.levels(3)

    asyncio.run(ask())
    assert shelf.reads == [3]


def test_memory_is_bounded_and_the_last_frames_stay():
    shelf = Shelf(100)  # 200 bytes a frame

    async def ask():
        frames = DecodedFrames(shelf, 900)
        for k in range(20):
            await frames.levels(k)
            assert frames._bytes() <= 900
        for k in (16, 17, 18, 19):
            assert frames.held(k) is not None
        assert frames.held(15) is None
        small = DecodedFrames(shelf, 1)
        await small.levels(0)
        await small.levels(1)
        assert small.held(0)
        assert small.held(1)

    asyncio.run(ask())


def test_frames_are_read_ahead_and_never_push_out_the_one_looked_at():
    shelf = Shelf(100)

    async def ask():
        frames = DecodedFrames(shelf, 650)  # three
        await frames.levels(5)
        frames.ahead(5, [6, 7, 8, 9])
        await frames._reader
        assert frames.held(5) is not None
        assert shelf.reads == [5, 6, 7, 8, 9]
        none = DecodedFrames(shelf, 500)  # only two: nothing is read ahead
        await none.levels(5)
        none.ahead(5, [6])
        assert none._reader is None

    asyncio.run(ask())


def test_a_quick_walk_reads_only_where_it_ends():
    shelf = Shelf()

    async def gone():
        return True

    async def ask():
        frames = DecodedFrames(shelf, 10_000)
        walk = [asyncio.create_task(frames.levels(k, gone)) for k in range(30)]
        last = asyncio.create_task(frames.levels(30))
        found = await asyncio.gather(*walk, last, return_exceptions=True)
        assert all(isinstance(f, Unasked) for f in found[:-1])

    asyncio.run(ask())
    assert shelf.reads == [30]


def test_a_frame_that_cannot_be_read_ahead_is_no_trouble():
    def fail(index: int) -> Levels:
        if index == 1:
            raise OSError("gone")
        return Shelf()(index)

    async def ask():
        frames = DecodedFrames(fail, 10_000)
        await frames.levels(0)
        frames.ahead(None, [1, 2])
        await frames._reader
        assert frames.held(2) is not None
        with pytest.raises(OSError, match="gone"):
            await frames.levels(1)
        await frames.close()

    asyncio.run(ask())


@pytest.mark.slow
def test_frames_lie_on_the_best_within_a_tenth_of_a_pixel(tmp_path):
    """Against where the practice night put its stars, over a meridian flip."""
    from subgrade.pipeline import Settings, grade
    from subgrade.practice import scenario_file as nights
    from subgrade.practice.exposure import star_places
    from subgrade.practice.night import build_night, exposure_of, simulate_night
    from subgrade.reopening import reopen
    from subgrade.review.night import best, to_reference

    scenario = nights.adapt(nights.default_scenario(), 5, 4, 720, 540, False, False)
    scenario = replace(scenario, events=(), plan=replace(scenario.plan, flip_before=3))
    simulate_night(tmp_path / "night", scenario)
    grade(Settings((str(tmp_path / "night"),), str(tmp_path / "out"), workers=1, report=False))
    graded, plan = reopen(tmp_path / "out").graded({}), build_night(scenario)
    frames = graded.frames
    k = best(graded, 0)
    matrices = [np.array(to_reference(frame)) for frame in frames]
    places = [star_places(exposure_of(plan, i), plan.field) for i in range(4)]
    worst = []
    for matrix, there in zip(matrices, places, strict=True):
        inside = np.all((there > 0) & (there < (720, 540)), axis=1)
        on_reference = there[inside] @ matrix[:, :2].T + matrix[:, 2]
        back = np.linalg.inv(matrices[k][:, :2])
        found = (on_reference - matrices[k][:, 2]) @ back.T
        worst.append(np.hypot(*(found - places[k][inside]).T).max())
    assert max(worst) < 0.1
    # the frames were turned indeed
    assert sum(m[0, 0] < 0 for m in matrices) == 2
