"""Damage that the pixels show by themselves, injected into rendered and into real frames.

The real frames are two that other packages carry with their own tests (see
`tests/test_real_frames.py`); the rendered ones are GalSim's.
"""

from __future__ import annotations

import numpy as np
import pytest
from astropy.io import fits
from scipy.ndimage import rotate, shift

from subgrade.lights.model import Pixels
from subgrade.stars.damage import examine
from tests.render import Scene, StarShape, render
from tests.test_real_frames import packaged


def as_fits(image: np.ndarray) -> Pixels:
    """As a FITS file stores unsigned words: big-endian, signed, BZERO = 32768."""
    stored = (image ^ 0x8000).astype(">u2").view(np.uint16)
    return Pixels(np.ascontiguousarray(stored), swapped=True, sign_flip=True)


def as_float(image: np.ndarray) -> Pixels:
    return Pixels(image.astype(np.float32), integer=False)


FORMS = {"words": Pixels, "fits": as_fits, "float": as_float}


def rendered(**scene) -> np.ndarray:
    return render(StarShape("moffat", 3.2), Scene(width=900, height=700, bright=90, **scene)).data


def real_a828() -> np.ndarray:
    with fits.open(packaged("ccdproc", "tests/data/a8280271.fits")) as units:
        return np.ascontiguousarray(units[0].data[0:500, 16:528].astype(np.uint16))


def real_xo1() -> np.ndarray:
    with fits.open(packaged("astrowisp", "tests/test_data/XO1_test_img.fits")) as units:
        return np.ascontiguousarray(units[0].data.astype(np.uint16))


IMAGES = {
    "usual": rendered,
    "mosaic": lambda: rendered(mosaic="RGGB"),
    "hot": lambda: rendered(hot_pixels=2000, cosmic_rays=200),
    "a828": real_a828,
    "xo1": real_xo1,
}


@pytest.fixture(scope="module", params=IMAGES)
def image(request):
    return IMAGES[request.param]()


def tail(image, value=0, share=0.05):
    out = image.copy()
    out.ravel()[-round(share * image.size) :] = value
    return out


def hole(image):
    """A twentieth of the pixels, from the middle of a row to the middle of another."""
    out = image.copy()
    start = round(0.43 * image.size)
    out.ravel()[start : start + image.size // 20] = 0
    return out


def top_rows(image):
    out = image.copy()
    out[: len(out) // 20] = 0
    return out


def last_row_again(image):
    out = image.copy()
    out[-40:] = out[-41]
    return out


def block_again(image):
    out = image.copy()
    out[200:240] = out[100:140]
    return out


def every_row_twice(image):
    out = image.copy()
    out[101:160:2] = out[100:160:2]
    return out


def byte_lost(image):
    out = image.astype(">u2")
    raw = out.view(np.uint8).ravel()
    start = round(0.7 * raw.size)
    raw[start:-1] = raw[start + 1 :].copy()
    return out.astype(np.uint16)


def random_rows(image):
    out = image.copy()
    out[200:240] = np.random.default_rng(4).integers(0, 65536, (40, image.shape[1]))
    return out


def bits_flipped(image):
    out = image.copy()
    rng = np.random.default_rng(5)
    at = rng.integers(0, out.size, 3000)
    np.bitwise_xor.at(out.ravel(), at, (1 << rng.integers(0, 16, 3000)).astype(np.uint16))
    return out


DAMAGES = {
    "tail of zeros": (tail, "empty"),
    "tail of ones": (lambda i: tail(i, 65535), "empty"),
    "half of it zeros": (lambda i: tail(i, 0, 0.5), "empty"),
    "hole": (hole, "empty"),
    "top rows": (top_rows, "empty"),
    "last row again": (last_row_again, "repeated"),
    "block again": (block_again, "repeated"),
    "every row twice": (every_row_twice, "repeated"),
    "a byte lost": (byte_lost, "exchanged garbled"),
    "random rows": (random_rows, "garbled"),
    "bits flipped": (bits_flipped, "flipped"),
}


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("damage", DAMAGES)
def test_damage_is_found(image, form, damage):
    damaged, kinds = DAMAGES[damage]
    found = examine(FORMS[form](damaged(image)))
    assert {flaw.kind for flaw in found.flaws} & set(kinds.split())


@pytest.mark.parametrize("form", FORMS)
def test_a_sound_frame_has_no_flaw(image, form):
    found = examine(FORMS[form](image))
    assert found.flaws == ()
    assert found.row_marks.all()
    assert len(np.unique(found.row_marks)) == len(image)
    assert found.margins_px == (0, 0)


def test_what_is_said_of_the_damage_is_so():
    image = rendered()
    (flaw,) = examine(as_fits(tail(image, share=0.1))).flaws
    assert (flaw.first_row, flaw.last_row) == (630, 699)
    assert flaw.share == pytest.approx(0.1, abs=0.002)
    (flaw,) = examine(as_fits(last_row_again(image))).flaws
    assert (flaw.first_row, flaw.last_row, flaw.count) == (659, 699, 40)
    (flaw,) = examine(as_fits(bits_flipped(image))).flaws
    assert flaw.count == pytest.approx(3000, rel=0.05)


def test_a_lost_zero_point_and_lost_signs():
    image = rendered()
    signed = {"sign_flip": True, "zero": -32768.0}
    # stored as signed words for BZERO = 32768, read without it
    (flaw,) = examine(Pixels(image ^ 0x8000, **signed)).flaws
    assert flaw.kind == "wrapped"
    assert examine(Pixels(image, **signed)).flaws == ()
    # a bright core past 32767 written as if it were signed
    cores = image.copy()
    cores[300:320, 300:320] = np.random.default_rng(1).integers(20000, 50000, (20, 20))
    assert any(f.kind == "wrapped" for f in examine(Pixels(cores, **signed)).flaws)


def odd_but_sound():
    image = rendered(vignetting=0.5, hot_pixels=500)
    height, width = image.shape
    y, x = np.mgrid[:height, :width]
    real = image.astype(np.float32)
    dead = image.copy()
    dead[:, 300], dead[350], dead[90] = 0, 0, 65535
    bloom = image.copy()
    bloom[np.hypot(y - 300, x - 500) < 110] = 65535
    bloom[297:304, 60:850] = 65535
    bloom[:, 495:505] = 65535
    overscan = image.copy()
    overscan[:, :80] = 0
    moved = np.zeros_like(image)
    moved[23:, 11:] = image[:-23, :-11]
    clipped = np.clip(image.astype(int) - int(np.median(image)), 0, None).astype(np.uint16)
    twice = np.repeat(np.repeat(image, 2, axis=0), 2, axis=1)
    yield "dead row and column", Pixels(dead)
    yield "bloom", Pixels(bloom)
    yield "overscan", Pixels(overscan)
    yield "moved by whole pixels", Pixels(moved)
    yield "clipped at the sky", Pixels(clipped)
    yield "8 bit", Pixels(image >> 8)
    yield "12 bit", Pixels(image >> 4 << 4)
    yield "steps of 256", Pixels(image >> 8 << 8)
    yield "enlarged", Pixels(twice)
    yield "half as large again", Pixels(image[np.arange(1050) * 2 // 3])
    yield "a fifth larger", Pixels(image[np.arange(840) * 5 // 6])
    yield "moved", Pixels(shift(real, (9.4, -17.3), order=1), integer=False)
    for angle in (0.05, 1.0, 20.0):
        turned = rotate(real, angle, reshape=False, order=1, cval=np.nan)
        yield f"turned by {angle}", Pixels(turned, integer=False)


@pytest.mark.parametrize(("name", "pixels"), list(odd_but_sound()), ids=lambda v: str(v)[:20])
def test_odd_frames_are_sound(name, pixels):
    assert examine(pixels).flaws == ()


def test_margins_are_seen():
    moved = np.zeros((700, 900), np.float32)
    moved[:, 25:-40] = rendered()[:, 25:-40]
    assert examine(Pixels(moved, integer=False)).margins_px == (25, 40)


def test_damage_is_looked_for_before_calibration(measure):
    from subgrade.stars import measure_stars

    image = last_row_again(rendered())
    calibrated = image - np.random.default_rng(2).normal(0, 3, image.shape).astype(np.float32)
    pixels = Pixels(calibrated.astype(np.float32), integer=False)
    assert measure_stars(pixels).flaws == ()
    assert measure_stars(pixels, stored=as_fits(image)).flaws[0].kind == "repeated"
