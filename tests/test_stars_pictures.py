"""Pictures of a frame: the right size, the right way up, and something for any pixels.

Encoded pictures are read back with Pillow, which is not what is tested; means over blocks are
compared with numpy's, the stretch with the published formula.
"""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from subgrade.lights.model import HeaderFacts, Pixels
from subgrade.stars import frame_pictures, measure_stars, star_image_picture
from subgrade.stars.block_means import area_means
from subgrade.stars.model import FrameStars, StarImage
from subgrade.stars.pictures import (
    CUTOUT_PX,
    SKY_GREY,
    THUMBNAIL_BYTES,
    THUMBNAIL_PX,
    _stretched,
)

RISING = ["bottom left", "lower left", "centre", "upper right", "top right"]


def grey(picture) -> np.ndarray:
    """The picture's grey values, first row at the top as a browser shows it."""
    image = Image.open(io.BytesIO(picture.data))
    assert image.size == (picture.width, picture.height)
    assert picture.kind == f"image/{image.format.lower()}"
    return np.asarray(image.convert("L"), np.float64)


def sky(height=420, width=600, seed=3, noise=10.0) -> np.ndarray:
    return np.random.default_rng(seed).normal(1000.0, noise, (height, width))


def star(image, x, y, peak, sigma=1.5, sigma_y=None):
    yy, xx = np.mgrid[: image.shape[0], : image.shape[1]]
    u, v = (xx - x) / sigma, (yy - y) / (sigma_y or sigma)
    image += peak * np.exp(-0.5 * (u * u + v * v))


def field(seed=4, count=60, peak=2500.0, **shape) -> np.ndarray:
    image = sky(seed=seed)
    rng = np.random.default_rng(seed + 1)
    places = []
    while len(places) < count:
        x, y = rng.uniform(8, 592), rng.uniform(8, 412)
        if all(np.hypot(x - a, y - b) > 34 for a, b in places):
            places.append((x, y))
            star(image, x, y, peak * rng.uniform(0.5, 1.0), **shape)
    return image


def words(image) -> Pixels:
    return Pixels(np.clip(np.rint(image), 0, 65535).astype(np.uint16))


def drawn(pixels: Pixels, facts=None):
    facts = facts or HeaderFacts()
    return frame_pictures(pixels, facts, measure_stars(pixels, facts))


@pytest.mark.parametrize("k", [1, 2, 3, 7, 24, 1000])
@pytest.mark.parametrize("form", ["words", "swapped", "floats"])
def test_block_means_are_numpys(k, form):
    raw = np.random.default_rng(k).integers(0, 65536, (53, 91)).astype(np.uint16)
    pixels = {
        "words": Pixels(raw, zero=5.0, scale=2.0),
        "swapped": Pixels((raw ^ np.uint16(0x8000)).byteswap(), True, True, 5.0, 2.0),
        "floats": Pixels(raw.astype(np.float32), zero=5.0, scale=2.0, integer=False),
    }[form]
    found = area_means(pixels, k)
    rows, columns = -(-53 // k), -(-91 // k)
    wanted = [
        [5.0 + 2.0 * raw[j * k : (j + 1) * k, i * k : (i + 1) * k].mean() for i in range(columns)]
        for j in range(rows)
    ]
    np.testing.assert_allclose(found, wanted, rtol=1e-6)


def test_block_means_leave_out_what_is_no_number():
    image = np.full((6, 6), 4.0, np.float32)
    image[0, 0], image[0, 1], image[1, 1] = np.nan, np.inf, -np.inf
    image[:3, 3:] = np.nan
    found = area_means(Pixels(image, integer=False), 3)
    np.testing.assert_array_equal(found, [[4.0, np.nan], [4.0, 4.0]])


def test_the_stretch_is_the_inverse_hyperbolic_sine():
    """Lupton et al. 2004, PASP 116, 133, equation 1 with asinh: F(x) = asinh(x/β)/asinh(1/β)."""
    x = np.linspace(0, 1, 11)
    bent = (_stretched(x, 0.1) - SKY_GREY) / (1 - SKY_GREY)
    # the logarithm that asinh stands for
    wanted = np.log(x / 0.1 + np.sqrt((x / 0.1) ** 2 + 1)) / np.log(10 + np.sqrt(101))
    np.testing.assert_allclose(bent, wanted, atol=1e-12)
    assert _stretched(np.array([-5.0]), 0.1)[0] == 0.0


@pytest.mark.parametrize("mosaic", [None, "RGGB"])
@pytest.mark.parametrize(("x", "y"), [(60, 40), (540, 60), (330, 190), (75, 380)])
def test_a_star_lies_where_spot_says_with_y_up(x, y, mosaic):
    image = sky()
    star(image, x, y, 60_000, 5.0)
    pictures = drawn(words(image), HeaderFacts(mosaic=mosaic))
    shown = grey(pictures.thumbnail)
    row, column = np.argwhere(shown > 200).mean(axis=0)
    left, top = pictures.spot(x, y)
    assert abs(column + 0.5 - left) < 0.5
    assert abs(row + 0.5 - top) < 0.5
    assert (top < shown.shape[0] / 2) == (y > 210)


@pytest.mark.parametrize("shape", [(420, 600), (1000, 700), (97, 4000), (2500, 2501)])
@pytest.mark.parametrize("mosaic", [None, "GBRG"])
def test_thumbnails_keep_form_and_size(shape, mosaic):
    pictures = frame_pictures(words(sky(*shape)), HeaderFacts(mosaic=mosaic), None)
    thumbnail, factor = pictures.thumbnail, 1 / pictures.scale
    assert pictures.cutouts == ()
    assert factor == round(factor) >= 1
    assert (thumbnail.height, thumbnail.width) == tuple(-(-n // round(factor)) for n in shape)
    assert THUMBNAIL_PX * 2 / 3 <= max(thumbnail.width, thumbnail.height) <= THUMBNAIL_PX * 3 / 2
    assert len(thumbnail.data) <= THUMBNAIL_BYTES
    if mosaic:
        assert round(factor) % 2 == 0


def test_sky_is_dark_grey_whatever_its_level():
    for level in (0.0, 500.0, 40_000.0):
        shown = grey(frame_pictures(words(sky() + level), HeaderFacts(), None).thumbnail)
        assert np.median(shown) == pytest.approx(255 * SKY_GREY, abs=6)


def test_a_mosaic_leaves_no_pattern():
    image = sky(noise=3.0)
    image[::2, ::2] *= 2.0
    image[1::2, 1::2] *= 0.5
    shown = grey(frame_pictures(words(image), HeaderFacts(mosaic="RGGB"), None).thumbnail)
    assert abs(np.median(shown[:, ::2]) - np.median(shown[:, 1::2])) <= 2


@pytest.mark.parametrize("mosaic", [None, "RGGB"])
def test_five_stars_are_cut_out_of_their_places(mosaic):
    pixels, facts = words(field(sigma=1.8)), HeaderFacts(mosaic=mosaic)
    pictures = drawn(pixels, facts)
    assert [cut.place for cut in pictures.cutouts] == RISING  # all round: neither varies more
    assert len({cut.side_px for cut in pictures.cutouts}) == 1
    assert 24 <= pictures.cutouts[0].side_px <= 64
    assert sum(len(cut.picture.data) for cut in pictures.cutouts) <= 6000
    for k, cut in enumerate(pictures.cutouts):
        along = (cut.x / 599 + cut.y / 419) / 2
        assert k / 5 <= along <= (k + 1) / 5
        assert cut.fwhm_px == pytest.approx(1.8 * 2.3548, rel=0.12 if mosaic else 0.06)
        assert cut.eccentricity < 0.35
        shown = grey(cut.picture)
        assert shown.shape == (CUTOUT_PX, CUTOUT_PX)
        core = np.argwhere(shown > 0.85 * shown.max())
        # centred to a pixel of what is drawn, 2 sensor pixels of a mosaic
        allowed = (2 if mosaic else 1) * CUTOUT_PX / cut.side_px
        assert np.abs(core.mean(axis=0) - (CUTOUT_PX - 1) / 2).max() <= allowed


def test_a_cutout_keeps_the_direction_of_a_trail():
    image = sky()
    yy, xx = np.mgrid[:420, :600]
    for x, y in ((100, 80), (300, 210), (500, 340), (90, 330), (520, 70), (200, 120), (400, 300)):
        along = ((xx - x) + (yy - y)) / np.sqrt(2)  # rises to the right with +y up
        across = ((xx - x) - (yy - y)) / np.sqrt(2)
        image += 4000 * np.exp(-0.5 * ((along / 3.4) ** 2 + (across / 1.7) ** 2))
    cut = drawn(words(image)).cutouts[0]
    shown = grey(cut.picture)
    light = np.where(shown > 120, shown, 0)
    rows, columns = np.nonzero(light)
    assert np.corrcoef(columns, -rows)[0, 1] > 0.3  # up is against the row of a picture


def test_all_cutouts_of_a_frame_show_one_width():
    image = sky()
    for peak, (x, y) in zip(
        (900, 2000, 8000, 20_000, 40_000, 3000),
        ((60, 60), (160, 130), (300, 210), (420, 300), (540, 360), (500, 60)),
        strict=True,
    ):
        star(image, x, y, peak, 2.0)
    areas = [np.count_nonzero(grey(c.picture) > 200) for c in drawn(words(image)).cutouts]
    assert len(areas) == 5
    assert max(areas) < 1.3 * min(areas)


def test_each_star_states_its_own_width_and_elongation():
    """Stars widen to the right and are drawn out along x there; frame and stars are Gaussian."""
    image = sky()
    rng = np.random.default_rng(8)
    for x in range(40, 600, 40):
        for y in range(40, 420, 40):
            u = x / 600
            star(image, x + rng.uniform(-4, 4), y + rng.uniform(-4, 4), 8000, 1.6 + 0.8 * u, 1.6)
    cuts = drawn(words(image)).cutouts
    assert len(cuts) == 5
    for cut in cuts:
        sigma = 1.6 + 0.8 * cut.x / 600
        # pixels widen either axis by their own variance, 1/12 px^2
        a, b = sigma**2 + 1 / 12, 1.6**2 + 1 / 12
        assert cut.fwhm_px == pytest.approx(2.3548 * (a * b) ** 0.25, rel=0.06)
        assert cut.eccentricity == pytest.approx(np.sqrt(1 - b / a), abs=0.12)
        assert 0 < cut.eccentricity_error < 0.15


def test_saturated_stars_are_passed_over():
    image = field(sigma=1.8)
    star(image, 300, 210, 400_000, 2.5)
    pixels = words(image)
    pictures = drawn(pixels, HeaderFacts(saturation_adu=65535.0))
    centre = pictures.cutouts[2]
    assert centre.place == "centre"
    assert np.hypot(centre.x - 300, centre.y - 210) > 10


def test_the_same_frame_gives_the_same_bytes():
    pixels = words(field())
    assert drawn(pixels) == drawn(pixels)
    swapped = Pixels((pixels.data ^ np.uint16(0x8000)).byteswap(), True, True)
    assert drawn(swapped) == drawn(pixels)


def hostile() -> dict[str, Pixels]:
    nan = field().astype(np.float32)
    nan[::3] = np.nan
    nan[100:200, 100:300] = np.inf
    spot = np.zeros((300, 300), np.float32)
    spot[120, 7] = 3e38
    return {
        "constant": words(np.full((200, 300), 1000.0)),
        "zero": words(np.zeros((64, 64))),
        "saturated": words(np.full((200, 300), 65535.0)),
        "half saturated": words(np.where(np.arange(300) < 150, sky(200, 300), 65535.0)),
        "all nan": Pixels(np.full((200, 300), np.nan, np.float32), integer=False),
        "some nan": Pixels(nan, integer=False),
        "huge": Pixels(np.full((50, 50), 1e38, np.float32), integer=False),
        "one huge": Pixels(spot, integer=False),
        "negative": Pixels(-field().astype(np.float32), integer=False),
        "one pixel": words(np.ones((1, 1))),
        "one row": words(sky(1, 5000)),
        "one column": words(sky(5000, 1)),
        "tiny": words(sky(8, 8)),
        "small": words(sky(33, 35)),
    }


@pytest.mark.slow
@pytest.mark.parametrize("mosaic", [None, "RGGB"])
@pytest.mark.parametrize("name", sorted(hostile()))
def test_any_pixels_give_a_picture(name, mosaic):
    pixels, facts = hostile()[name], HeaderFacts(mosaic=mosaic)
    pictures = drawn(pixels, facts)
    for picture in (pictures.thumbnail, *(cut.picture for cut in pictures.cutouts)):
        assert grey(picture).size
        assert len(picture.data) <= THUMBNAIL_BYTES


def test_blank_pixels_are_black_and_a_constant_frame_is_sky():
    image = sky().astype(np.float32)
    image[:210] = np.nan  # the lower half as shown
    shown = grey(frame_pictures(Pixels(image, integer=False), None, None).thumbnail)
    middle = shown.shape[0] // 2
    assert np.median(shown[middle + 4 :]) == 0
    assert np.median(shown[: middle - 4]) > 20
    flat = grey(frame_pictures(words(np.full((200, 300), 9.0)), None, None).thumbnail)
    assert np.ptp(flat) <= 2
    assert flat.mean() == pytest.approx(255 * SKY_GREY, abs=2)


def test_noise_alone_is_not_drawn_as_stars():
    shown = grey(frame_pictures(words(sky()), HeaderFacts(), None).thumbnail)
    assert np.quantile(shown, 0.999) < 160


def test_stars_that_a_damaged_list_places_off_the_frame_do_no_harm():
    pixels = words(field())
    stars = measure_stars(pixels)
    listed = stars.catalogue
    for wrong in (-5000.0, 1e9, np.nan):
        moved = replace(listed, x=np.full(len(listed), wrong))
        assert frame_pictures(pixels, None, replace(stars, catalogue=moved)).cutouts == ()
    none = replace(listed, **{name: getattr(listed, name)[:0] for name in listed.__slots__})
    assert frame_pictures(pixels, None, replace(stars, catalogue=none)).cutouts == ()


def gaussian_image(sigma, n=41, step=0.5, y=0.0) -> StarImage:
    yy, xx = (np.mgrid[:n, :n] - n // 2) * step
    return StarImage(
        np.exp(-0.5 * ((xx / sigma) ** 2 + ((yy - y) / sigma) ** 2)).astype(np.float32), step, 50
    )


def test_star_images_are_shown_at_one_size_or_at_one_scale():
    areas, scaled = [], []
    for sigma in (1.2, 1.6, 2.0):
        picture = star_image_picture(gaussian_image(sigma))
        assert (picture.width, picture.height) == (96, 96)
        areas.append(np.count_nonzero(grey(picture) > 200))
        scaled.append(
            np.count_nonzero(grey(star_image_picture(gaussian_image(sigma), 128, 20.0)) > 200)
        )
    assert max(areas) < 1.15 * min(areas)
    assert scaled[2] / scaled[0] == pytest.approx((2.0 / 1.2) ** 2, rel=0.15)


def test_a_star_image_is_shown_with_y_up():
    image = gaussian_image(1.2)
    image = replace(image, image=image.image + 0.6 * gaussian_image(1.2, y=5.0).image)
    shown = grey(star_image_picture(image))
    rows = np.nonzero(shown > 150)[0]
    assert rows.mean() < 46
    assert rows.min() > 4  # the second image is shown whole


@pytest.mark.parametrize("fill", [0.0, np.nan, -1.0, 1.0])
def test_star_images_without_a_star_still_give_a_picture(fill):
    image = StarImage(np.full((21, 21), fill, np.float32), 0.5, 0)
    assert grey(star_image_picture(image)).shape == (96, 96)


def test_a_frame_that_could_not_be_measured_has_its_thumbnail():
    stars = FrameStars(8, 8, 0.0, 0.0, np.zeros((1, 1)), 0, 0, 20.0)
    assert frame_pictures(words(sky(8, 8)), None, stars).thumbnail.width == 8
