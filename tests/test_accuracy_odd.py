"""Frames that are not a tidy star field: lines, pairs, rings, junk, crowds and nothing at all.

What may never happen is a plausible wrong number: each frame must give the true value,
or a status that says why there is none.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.accuracy_cases import axial_difference, errors
from tests.render import Motion, Scene, StarShape, template

STAR = StarShape("moffat", 3.2, 3.2)
SMALL = Scene(1200, 900, bright=130, seed=5)
NUMBERS = ("fwhm_px", "eccentricity", "angle_deg", "length_px", "hollow")


def assert_no_numbers(got) -> None:
    """No star, and so no number that a later stage could take for one."""
    assert got.stars == 0
    assert got.shape_status == "none"
    assert {name: getattr(got, name) for name in NUMBERS if np.isfinite(getattr(got, name))} == {}
    assert got.fwhm_method == "none"
    assert got.star_image is None


def moved(kind: str, size: float, angle: float, share: float = 0.5, fwhm: float = 3.2) -> StarShape:
    return StarShape("moffat", fwhm, 3.2, motion=Motion(kind, size, angle, share))


# Lines: tracking lost.


@pytest.mark.parametrize("angle", [0.0, 37.0, 90.0, 143.0])
def test_sixty_pixel_lines(graded, angle):
    frame, got = graded(moved("box", 60, angle), Scene(seed=31 + int(angle)))
    assert got.shape_status == "trailed"
    assert got.length_px == pytest.approx(60, rel=0.05)
    assert axial_difference(got.angle_deg, angle) <= 1.0
    assert got.stars <= 1.2 * frame.count_above(20)


@pytest.mark.slow
@pytest.mark.parametrize("length", [15, 25, 120])
def test_shorter_and_longer_lines(graded, length):
    """From the length at which a star is plainly a line to one tenth of the frame."""
    _, got = graded(moved("box", length, 62), Scene(seed=40 + length))
    assert got.shape_status == "trailed"
    assert got.length_px == pytest.approx(length, rel=0.05)
    assert axial_difference(got.angle_deg, 62) <= 1.0


@pytest.mark.parametrize("length", [2.0, 4.0])
def test_slight_creep_is_an_oval_star_not_a_line(graded, length):
    frame, got = graded(moved("box", length, 25), Scene(seed=43))
    assert got.shape_status == "measured"
    assert got.eccentricity == pytest.approx(frame.truth.eccentricity, abs=0.02)
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.02)
    assert axial_difference(got.angle_deg, 25) <= 1.0


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "size", "share"), [("arcsine", 1.5, 0.5), ("tail", 6.0, 0.25)])
def test_swing_and_gust_keep_a_measured_shape(graded, kind, size, share):
    frame, got = graded(moved(kind, size, 110, share), Scene(seed=44))
    assert got.shape_status == "measured"
    assert got.eccentricity == pytest.approx(frame.truth.eccentricity, abs=0.03)
    assert axial_difference(got.angle_deg, 110) <= 2.0


# Two images of every star: a step during the exposure.


@pytest.mark.parametrize(
    ("separation", "angle", "share"), [(8.0, 20.0, 0.5), (12.0, 100.0, 0.35), (20.0, 160.0, 0.4)]
)
def test_two_images_of_every_star(graded, separation, angle, share):
    frame, got = graded(moved("step", separation, angle, share), Scene(seed=51))
    assert got.shape_status == "doubled"
    assert got.length_px == pytest.approx(separation, rel=0.03)
    assert axial_difference(got.angle_deg, angle) <= 2.0
    # Each pair once: at least those whose brighter image stands out alone, at most those
    # that stand out with the light of both taken together.
    single = template(STAR).truth.nea_px
    alone = frame.stars.snr * (1 - share) * np.sqrt(frame.truth.nea_px / single)
    together = frame.stars.snr * np.sqrt(frame.truth.nea_px / single)
    assert 0.95 * np.sum(alone >= 20) <= got.stars <= 1.05 * np.sum(together >= 20)


def test_many_close_pairs_on_a_rich_field_are_not_a_step(graded):
    _, got = graded(STAR, Scene(1200, 900, bright=1500, depth=3, seed=52))
    assert got.shape_status == "measured"


# Rings: far out of focus.


@pytest.mark.slow
@pytest.mark.parametrize(("ring", "obscuration"), [(8.0, 0.45), (14.0, 0.4), (20.0, 0.33)])
def test_rings_are_called_hollow(graded, ring, obscuration):
    shape = StarShape("donut", 3.0, ring_px=ring, obscuration=obscuration)
    frame, got = graded(shape, Scene(seed=61))
    assert got.shape_status == "hollow"
    # A shadow is dark, not darker than the sky (noise and the sky's own error aside).
    assert -0.05 <= got.hollow < 1
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.1)
    assert got.stars <= 1.1 * frame.count_above(20)


def test_unobstructed_defocus_is_a_wide_star(graded):
    shape = StarShape("donut", 4.0, ring_px=6.0, obscuration=0.05)
    frame, got = graded(shape, Scene(seed=62))
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.03)
    assert got.eccentricity < 0.12


# Few stars, many stars, very sharp and very wide ones.


def test_five_stars(graded):
    frame, got = graded(STAR, Scene(bright=10, depth=0.4, seed=71))
    assert frame.count_above(20) == 5
    assert got.stars == 5
    assert got.shape_status == "measured"
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.03)


def test_two_stars_are_called_few(graded):
    frame, got = graded(STAR, Scene(bright=4, depth=0.4, seed=72))
    assert frame.count_above(20) == 2
    assert got.stars == 2
    assert got.shape_status == "few"
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.05)


@pytest.mark.slow
def test_twenty_thousand_stars(graded):
    frame, got = graded(STAR, Scene(bright=20_000, depth=1.0, brightest_snr=3000, seed=73))
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.02)
    assert got.eccentricity < 0.12
    # Blends merge: sep finds 9,300 of the 19,000 above S/N 20 here.
    assert got.stars > 5_000


@pytest.mark.slow
@pytest.mark.parametrize("width", [1.0, 1.3, 20.0, 30.0])
def test_outside_the_usual_range_of_widths(graded, width):
    frame, got = graded(StarShape("moffat", width, 3.2), Scene(seed=74))
    assert got.shape_status == "measured"
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.05)
    assert got.eccentricity <= 0.12


def test_sharp_stars_are_not_taken_for_hot_pixels(graded):
    frame, got = graded(StarShape("gaussian", 1.3), Scene(seed=75))
    assert got.stars == pytest.approx(frame.count_above(20), rel=0.05)


# What is not a star.


def test_hot_pixels_and_cosmic_rays_are_not_stars(graded):
    scene = Scene(bright=60, depth=2.0, hot_pixels=3000, cosmic_rays=300, seed=81)
    frame, got = graded(STAR, scene)
    error = errors(frame, got)
    assert abs(error.count) <= 0.05
    assert abs(error.fwhm) <= 0.02
    assert got.eccentricity < 0.12
    assert abs(error.background) <= 0.001
    assert abs(error.noise) <= 0.02
    assert got.hot_pixels > 2000


def test_hot_pixels_do_not_hide_in_a_colour_mosaic(graded):
    scene = Scene(bright=100, depth=2.0, hot_pixels=2000, cosmic_rays=200, mosaic="RGGB", seed=82)
    frame, got = graded(STAR, scene)
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.02)
    assert 0.9 * frame.count_above(20 * np.sqrt(2)) <= got.stars <= 1.05 * frame.count_above(20)


@pytest.mark.parametrize("level", [60.0, 1000.0])
def test_a_streak_is_found_and_counts_for_nothing(graded, level):
    """Faint (twice the sky noise) and bright."""
    frame, got = graded(STAR, Scene(streak_adu=level, seed=83))
    error = errors(frame, got)
    assert abs(error.count) <= 0.05
    assert abs(error.fwhm) <= 0.02
    assert got.eccentricity < 0.12
    assert len(got.streaks) == 1
    streak = got.streaks[0]
    x1, y1, x2, y2 = frame.streak
    angle = np.degrees(np.arctan2(y2 - y1, x2 - x1))
    found = np.degrees(np.arctan2(streak.y2 - streak.y1, streak.x2 - streak.x1))
    assert axial_difference(found, angle) <= 1.0
    assert streak.length_px == pytest.approx(np.hypot(x2 - x1, y2 - y1), rel=0.1)


def test_no_streak_where_there_is_none(graded):
    _, got = graded(STAR, Scene(hot_pixels=500, cosmic_rays=200, nebula_adu=300, seed=84))
    assert got.streaks == ()


def test_saturated_stars_do_not_widen_the_rest(graded):
    scene = Scene(full_well_adu=6000, seed=85)
    frame, got = graded(STAR, scene)
    error = errors(frame, got)
    assert abs(error.fwhm) <= 0.02
    assert abs(error.count) <= 0.05
    assert got.saturated_share > 0.05


# No star at all.


def test_noise_alone(graded):
    frame, got = graded(STAR, Scene(bright=0, seed=91))
    assert_no_numbers(got)
    assert got.background_adu == pytest.approx(frame.background_adu, rel=0.001)
    assert got.noise_adu == pytest.approx(frame.noise_adu, rel=0.02)


def test_hot_pixels_alone(graded):
    _, got = graded(STAR, Scene(bright=0, hot_pixels=3000, cosmic_rays=300, seed=92))
    assert_no_numbers(got)


def test_gradient_alone(graded):
    _, got = graded(STAR, Scene(bright=0, gradient=0.5, nebula_adu=500, seed=93))
    assert_no_numbers(got)


CONSTANT = {
    "constant words": np.full((600, 800), 1234, np.uint16),
    "all zero": np.zeros((600, 800), np.uint16),
    "all at the top": np.full((600, 800), 65535, np.uint16),
    "constant floats": np.full((600, 800), 0.25, np.float32),
}


@pytest.mark.parametrize("name", CONSTANT)
def test_one_value_everywhere(measure, name):
    data = CONSTANT[name]
    got = measure(data)
    assert_no_numbers(got)
    assert got.background_adu == pytest.approx(float(data[0, 0]))
    assert 0 <= got.noise_adu <= 0.5


def test_nothing_but_blanks(measure):
    got = measure(np.full((600, 800), np.nan, np.float32))
    assert_no_numbers(got)
    assert np.isnan(got.background_adu)
    assert np.isnan(got.noise_adu)


@pytest.mark.parametrize("shape", [(32, 32), (1, 1), (7, 300), (300, 7), (65, 33)])
def test_tiny_frames(measure, shape):
    data = np.random.default_rng(7).normal(1000, 30, shape).round().astype(np.uint16)
    assert_no_numbers(measure(data))


def test_one_star_on_a_tiny_frame(measure):
    data = np.random.default_rng(8).normal(1000, 30, (32, 32))
    star = template(STAR)
    stamp = star.stamp(3, 5) * 30_000
    middle = star.half_px
    data += stamp[middle - 16 : middle + 16, middle - 16 : middle + 16]
    got = measure(data.round().astype(np.uint16))
    assert got.stars == 1
    assert got.shape_status == "few"
    assert got.fwhm_px == pytest.approx(star.truth.fwhm_px, rel=0.1)


# Data that are odd but whole.


def test_floats_without_noise(graded):
    frame, got = graded(STAR, Scene(800, 600, bright=60, floating=True, noiseless=True, seed=95))
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.02)
    assert got.background_adu == pytest.approx(frame.background_adu, rel=0.001)


def test_blank_columns_and_blocks(graded, measure):
    frame, _ = graded(STAR, Scene(1200, 900, bright=130, floating=True, seed=96))
    data = frame.data.copy()
    data[:, 300:310] = np.nan
    data[100:300, 700:1000] = np.nan
    data[:, -40:] = np.nan
    got = measure(data)
    assert got.shape_status == "measured"
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.02)
    assert got.eccentricity < 0.12
    assert got.background_adu == pytest.approx(frame.background_adu, rel=0.001)
    assert got.noise_adu == pytest.approx(frame.noise_adu, rel=0.02)


def test_infinite_pixels(graded, measure):
    frame, _ = graded(STAR, Scene(1200, 900, bright=130, floating=True, seed=96))
    data = frame.data.copy()
    data[::97, ::89] = np.inf
    data[::101, ::83] = -np.inf
    got = measure(data)
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.02)
    assert got.background_adu == pytest.approx(frame.background_adu, rel=0.001)


def test_zero_padded_border(graded, measure):
    """A registered or padded frame: a band of zeros is not sky."""
    frame, _ = graded(STAR, SMALL)
    data = frame.data.copy()
    data[:, :150] = 0
    got = measure(data)
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.02)
    assert got.background_adu == pytest.approx(frame.background_adu, rel=0.001)
    assert got.noise_adu == pytest.approx(frame.noise_adu, rel=0.02)


def test_dead_rows_and_columns(graded, measure):
    frame, _ = graded(STAR, SMALL)
    data = frame.data.copy()
    data[400, :] = 0
    data[:, 250] = 65535
    data[:, 600] += 300
    got = measure(data)
    assert got.fwhm_px == pytest.approx(frame.truth.fwhm_px, rel=0.02)
    assert got.stars == pytest.approx(frame.count_above(20), rel=0.08)


def test_the_frame_given_is_left_as_it_was(graded, measure):
    frame, _ = graded(STAR, SMALL)
    before = frame.data.copy()
    measure(frame.data)
    np.testing.assert_array_equal(frame.data, before)
    locked = frame.data.copy()
    locked.flags.writeable = False
    assert measure(locked).stars == measure(frame.data).stars
