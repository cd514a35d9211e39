"""Width, eccentricity, angle, sky and count against GalSim's frames of known truth.

The targets are those the project set itself; see docs for the wide sweep
(``tests/benchmarks/accuracy.py``), of which this is a part small enough for every run.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.accuracy_cases import axial_difference, describe, errors, median, small_sweep, worst
from tests.render import Scene, StarShape, render

ROUND = StarShape("moffat", 3.2, 3.2)
OVAL = StarShape("moffat", 3.2, 3.2, q=0.8, angle_deg=35.0)


@pytest.fixture(scope="module")
def sweep(graded):
    """[(name, frame, errors, measurement)] of the small sweep."""
    out = []
    for shape, scene in small_sweep():
        frame, got = graded(shape, scene)
        out.append((describe(shape), frame, errors(frame, got), got))
    return out


def failing(sweep, value, limit, which=lambda frame: True) -> list[str]:
    """The cases over the limit, spelled out for the failure message."""
    rows = [(name, value(error)) for name, frame, error, _ in sweep if which(frame)]
    return [f"{name}: {v:.4f}" for name, v in rows if not abs(v) <= limit]


def oval(frame) -> bool:
    return frame.truth.eccentricity >= 0.3


def is_round(frame) -> bool:
    return frame.truth.eccentricity < 0.05


def test_shape_is_measured_everywhere(sweep):
    assert [name for name, _, _, got in sweep if got.shape_status != "measured"] == []


def test_fwhm_within_half_a_percent_in_the_median(sweep):
    assert median(e.fwhm for _, _, e, _ in sweep) <= 0.005


def test_fwhm_within_two_percent_at_worst(sweep):
    assert failing(sweep, lambda e: e.fwhm, 0.02) == []


def test_eccentricity_of_oval_stars(sweep):
    assert median(e.eccentricity for _, frame, e, _ in sweep if oval(frame)) <= 0.01


def test_round_stars_read_round(sweep):
    limit = 0.12
    assert failing(sweep, lambda e: e.eccentricity, limit, is_round) == []


def test_angle_within_a_degree(sweep):
    assert failing(sweep, lambda e: e.angle_deg, 1.0, oval) == []


def test_background_within_a_thousandth(sweep):
    assert failing(sweep, lambda e: e.background, 0.001) == []


def test_noise_within_two_percent(sweep):
    assert failing(sweep, lambda e: e.noise, 0.02) == []


def test_star_count_within_five_percent(sweep):
    assert failing(sweep, lambda e: e.count, 0.05) == []


def test_stated_errors_cover_the_true_ones(sweep):
    """A stated one-sigma error ten times too small would make every limit meaningless."""
    pulls = [
        (got.fwhm_px - frame.truth.fwhm_px) / np.hypot(got.fwhm_error_px, 0.002 * got.fwhm_px)
        for _, frame, _, got in sweep
    ]
    assert median(pulls) < 3


def test_catalogue_positions_and_fluxes(graded):
    """Bright, unsaturated stars are found where they are and as bright as they are."""
    frame, got = graded(OVAL)
    stars, found = frame.stars, got.catalogue
    peak = stars.flux * frame.truth.peak
    chosen = np.flatnonzero((stars.snr > 50) & (peak < 40_000) & inside(frame, stars, 20))
    distance, flux_error = [], []
    for i in chosen:
        gap = np.hypot(found.x - stars.x[i], found.y - stars.y[i])
        nearest = int(np.argmin(gap))
        distance.append(gap[nearest])
        flux_error.append(found.flux[nearest] / stars.flux[i] - 1)
    assert np.mean(np.array(distance) < 0.5) > 0.98
    assert np.median(distance) < 0.03
    assert abs(np.median(flux_error)) < 0.02
    assert np.median(np.abs(flux_error)) < 0.03


def inside(frame, stars, margin: float) -> np.ndarray:
    height, width = frame.data.shape
    x, y = stars.x, stars.y
    return (x > margin) & (x < width - margin) & (y > margin) & (y < height - margin)


@pytest.mark.parametrize("turn", ["flip_x", "flip_y", "transpose"])
def test_turning_the_frame_turns_the_angle_and_nothing_else(graded, measure, turn):
    frame, straight = graded(OVAL)
    data, angle = {
        "flip_x": (frame.data[:, ::-1], 180 - straight.angle_deg),
        "flip_y": (frame.data[::-1], 180 - straight.angle_deg),
        "transpose": (frame.data.T, 90 - straight.angle_deg),
    }[turn]
    turned = measure(np.ascontiguousarray(data))
    assert turned.fwhm_px == pytest.approx(straight.fwhm_px, rel=0.003)
    assert turned.eccentricity == pytest.approx(straight.eccentricity, abs=0.005)
    assert axial_difference(turned.angle_deg, angle) < 0.5
    # Stars at the very limit may fall on either side of it.
    assert turned.stars == pytest.approx(straight.stars, rel=0.02)


def test_every_stored_form_gives_the_same_numbers(graded, measure):
    from subgrade.lights.model import Pixels
    from subgrade.stars import measure_stars

    frame, native = graded(OVAL)
    swapped = measure_stars(Pixels(frame.data.byteswap(), swapped=True))
    stored = (frame.data ^ np.uint16(0x8000)).byteswap()
    signed = measure_stars(Pixels(stored, swapped=True, sign_flip=True))
    floating = measure(frame.data.astype(np.float32))
    for other in (swapped, signed):
        assert other.fwhm_px == native.fwhm_px
        assert other.stars == native.stars
        assert other.background_adu == native.background_adu
    assert floating.fwhm_px == pytest.approx(native.fwhm_px, rel=0.002)
    assert floating.stars == pytest.approx(native.stars, rel=0.01)


def test_zero_and_scale_are_applied(graded):
    from subgrade.lights.model import Pixels
    from subgrade.stars import measure_stars

    frame, plain = graded(OVAL)
    shifted = measure_stars(Pixels(frame.data, zero=-500.0, scale=0.25))
    assert shifted.background_adu == pytest.approx(0.25 * plain.background_adu - 500, abs=0.1)
    assert shifted.noise_adu == pytest.approx(0.25 * plain.noise_adu, rel=0.005)
    assert shifted.fwhm_px == pytest.approx(plain.fwhm_px, rel=0.003)


SKIES = {
    "gradient": Scene(gradient=0.3, seed=11),
    "nebula": Scene(nebula_adu=400.0, seed=12),
    "vignetting": Scene(vignetting=0.35, seed=13),
    "all three": Scene(gradient=0.15, nebula_adu=300.0, vignetting=0.25, seed=14),
    "dark narrowband": Scene(sky_adu=60.0, electrons_per_adu=4.0, read_noise_e=6.0, seed=15),
    "coarse steps": Scene(sky_adu=300.0, electrons_per_adu=500.0, seed=16),
    "floats": Scene(floating=True, seed=17),
}


@pytest.mark.slow
@pytest.mark.parametrize("sky", SKIES)
def test_uneven_and_unusual_skies(graded, sky):
    frame, got = graded(replace(OVAL, angle_deg=120.0), SKIES[sky])
    error = errors(frame, got)
    assert abs(error.fwhm) <= 0.02
    assert abs(error.eccentricity) <= 0.02
    assert error.angle_deg <= 1.0
    assert abs(error.background) <= 0.001
    assert abs(error.noise) <= 0.02
    assert abs(error.count) <= 0.05


@pytest.mark.parametrize("pattern", ["RGGB", "GBRG"])
@pytest.mark.parametrize("shape", [ROUND, OVAL, replace(OVAL, fwhm_px=2.0, q=0.85)])
def test_colour_mosaic_is_measured_in_sensor_pixels(graded, pattern, shape):
    frame, got = graded(shape, Scene(mosaic=pattern, seed=21))
    error = errors(frame, got)
    assert got.shape_status == "measured"
    assert abs(error.fwhm) <= 0.02
    if shape.q == 1.0:
        assert got.eccentricity < 0.12
    else:
        assert abs(error.eccentricity) <= 0.02
        assert error.angle_deg <= 1.0
    # Between the count on the green pixels alone (half the pixels) and on all of them.
    assert 0.95 * frame.count_above(20 * np.sqrt(2)) <= got.stars <= 1.05 * frame.count_above(20)


def test_colour_mosaic_of_grey_sky(graded):
    """With one sky level in all colours the mosaic's sky and noise are those of a plain frame."""
    frame, got = graded(ROUND, Scene(mosaic="RGGB", mosaic_sky=(1.0, 1.0, 1.0), seed=22))
    error = errors(frame, got)
    assert abs(error.background) <= 0.001
    assert abs(error.noise) <= 0.02


def test_renderer_agrees_with_the_published_width_of_a_pixel_convolved_gaussian():
    """Half-maximum width of a Gaussian after the unit pixel: erf profile, solved numerically."""
    for width, published in ((1.5, 1.660213), (2.0, 2.118231), (3.0, 3.077838), (5.0, 5.046389)):
        truth = render(StarShape("gaussian", width), Scene(400, 300, bright=1)).truth
        assert truth.fwhm_major_px == pytest.approx(published, rel=2e-4)


@pytest.mark.parametrize(("beta", "published"), [(2.5, 69.92069), (3.0, 60.43359)])
def test_renderer_agrees_with_the_published_area_of_a_moffat_star(beta, published):
    """NEA = pi alpha^2 (2 beta - 1) / (beta - 1)^2 at FWHM 4, here after the pixel: +2 %."""
    truth = render(StarShape("moffat", 4.0, beta), Scene(400, 300, bright=1)).truth
    assert published < truth.nea_px < 1.06 * published


def test_worst_and_median_treat_a_missing_number_as_wrong():
    assert worst([0.1, float("nan")]) == np.inf
    assert median([float("nan"), float("nan"), 0.1]) == np.inf
