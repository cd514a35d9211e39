"""Rendered stars against GalSim and closed forms."""

import galsim
import numpy as np
import pytest
from scipy.special import j1

from subgrade.practice.kernel import motion_transfer, path_moments, refine, split_path, transfer
from subgrade.practice.optics import (
    Blur,
    blur_spectrum,
    frequencies,
    moffat_transfer,
    spot_diagram,
    star_spectrum,
)
from subgrade.practice.profile import shape_of, star_truth
from subgrade.practice.render import add_stars, colour_factors, sampled_stars
from subgrade.practice.scenario import Optics

STILL = np.zeros((1, 2))
FINE = galsim.GSParams(
    folding_threshold=1e-5, maxk_threshold=1e-5, kvalue_accuracy=1e-7, stepk_minimum_hlr=20
)


def spectrum_of(blur, path, n):
    kx, ky = frequencies(n)
    return star_spectrum(blur, path, kx.ravel(), ky.ravel()).reshape(3, n, 3, n // 2 + 1)


def truth_of(blur, path=STILL, n=64):
    k = 3.0 * np.fft.fftfreq(3 * n)
    return star_truth(star_spectrum(blur, path, k, k), k, k)


def line(length, angle_deg, steps=2400):
    along = (np.arange(steps) + 0.5) / steps * length - length / 2
    t = np.deg2rad(angle_deg)
    return np.column_stack([along * np.cos(t), along * np.sin(t)])


@pytest.mark.parametrize(("fwhm", "beta"), [(2.0, 3.5), (3.5, 3.0), (4.0, 2.5), (4.0, 4.765)])
def test_star_pixels_match_galsim(fwhm, beta):
    n, dx, dy = 64, 0.31, -0.22
    mine = sampled_stars(spectrum_of(Blur(fwhm, beta), STILL, n), np.array([dx]), np.array([dy]))[0]
    star = galsim.Convolve(galsim.Moffat(beta=beta, fwhm=fwhm), galsim.Pixel(1.0), gsparams=FINE)
    image = galsim.ImageD(galsim.BoundsI(1, n, 1, n), scale=1.0)
    centre = galsim.PositionD(n // 2 + 1 + dx, n // 2 + 1 + dy)
    star.drawImage(image, method="no_pixel", center=centre)
    assert np.abs(mine - image.array).max() < 2e-4 * image.array.max()
    assert mine.sum() == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize(("fwhm", "beta"), [(2.0, 3.5), (3.5, 3.0), (5.0, 4.765)])
def test_true_width_and_moments_match_galsim(fwhm, beta):
    truth = truth_of(Blur(fwhm, beta))
    star = galsim.Convolve(galsim.Moffat(beta=beta, fwhm=fwhm), galsim.Pixel(1.0), gsparams=FINE)
    fine = star.drawImage(nx=601, ny=601, scale=0.05, method="no_pixel")
    row = fine.array[300] / fine.array.max()
    right = np.flatnonzero(row > 0.5)[-1]
    edge = right + (row[right] - 0.5) / (row[right] - row[right + 1])
    assert truth.fwhm == pytest.approx(2 * (edge - 300) * 0.05, rel=2e-3)
    found = galsim.hsm.FindAdaptiveMom(galsim.Image(fine.array, scale=1.0))
    sigma2 = (found.moments_sigma * 0.05) ** 2
    assert truth.xx == pytest.approx(sigma2, rel=2e-3)
    assert truth.yy == pytest.approx(sigma2, rel=2e-3)
    assert truth.eccentricity < 1e-3


def test_moved_star_moments_match_galsim_adaptive_moments():
    blur = Blur(3.4, 3.2)
    path = line(4.0, 30.0)
    truth = truth_of(blur, path)
    box = galsim.Box(4.0, 1e-3).rotate(30.0 * galsim.degrees)
    star = galsim.Convolve(galsim.Moffat(beta=3.2, fwhm=3.4), box, galsim.Pixel(1.0), gsparams=FINE)
    image = star.drawImage(nx=401, ny=401, scale=0.1, method="no_pixel")
    found = galsim.hsm.FindAdaptiveMom(galsim.Image(image.array, scale=1.0))
    q = (1 - found.observed_shape.g) / (1 + found.observed_shape.g)
    assert truth.eccentricity == pytest.approx(np.sqrt(1 - q * q), rel=2e-3)
    assert truth.angle_deg == pytest.approx(found.observed_shape.beta.deg % 180, abs=0.1)
    det = truth.xx * truth.yy - truth.xy**2
    assert det**0.25 == pytest.approx(found.moments_sigma * 0.1, rel=2e-3)


def test_drift_width_matches_published_table():
    # Gaussian FWHM 3 px and drift L = 2: half-maximum major width 3.3206 (section 3 of
    # the checks, derived and integrated without a pixel).
    k = 3.0 * np.fft.fftfreq(192)
    sigma = 3.0 / np.sqrt(8 * np.log(2))
    gaussian = np.exp(-2 * np.pi**2 * sigma**2 * (k[None, :] ** 2 + k[:, None] ** 2))
    truth = star_truth(gaussian * motion_transfer(line(2.0, 0.0), k, k), k, k)
    assert truth.eccentricity == pytest.approx(np.sqrt(1 - 0.9063**2), rel=2e-3)
    assert truth.fwhm_major == pytest.approx(3.3206, rel=2e-3)
    assert truth.fwhm_minor == pytest.approx(3.0, rel=2e-3)


def test_moffat_transfer_matches_galsim():
    k = np.array([1e-3, 0.02, 0.1, 0.3, 0.6])
    for beta in (2.0, 2.5, 3.5):
        star = galsim.Moffat(beta=beta, fwhm=3.0, gsparams=FINE)
        theirs = [star.kValue(2 * np.pi * v, 0.0).real for v in k]
        assert moffat_transfer(k, 3.0, beta) == pytest.approx(theirs, rel=1e-4, abs=1e-6)


@pytest.mark.parametrize(
    ("name", "positions", "variance"),
    [
        ("box L^2/12", np.linspace(0, 3, 2401)[:-1] + 3 / 4800, 3.0**2 / 12),
        ("arcsine A^2/2", 1.5 * np.sin(2 * np.pi * (np.arange(2400) + 0.5) / 2400), 1.5**2 / 2),
        ("two spikes f(1-f)D^2", np.where(np.arange(2400) < 720, 0.0, 2.5), 0.3 * 0.7 * 2.5**2),
    ],
)
def test_motion_variance_matches_closed_form(name, positions, variance):
    path = np.column_stack([positions, np.zeros_like(positions)])
    moments = path_moments(path)
    assert moments.xx == pytest.approx(variance, rel=1e-3), name
    # The rendered star must carry it too: curvature of the transfer function at zero.
    k = np.array([-1e-3, 0.0, 1e-3])
    centred = path - path.mean(axis=0)
    t = transfer(centred, k, np.array([0.0]))[0].real
    curvature = (t[0] - 2 * t[1] + t[2]) / 1e-6
    assert -curvature / (2 * np.pi) ** 2 == pytest.approx(variance, rel=1e-3), name


def test_rendered_picture_gains_the_motion_variance():
    # Box motion of 6 px on a narrow star: unweighted moments of the pixels themselves.
    blur = Blur(2.5, 60.0)
    pictures = []
    for path in (STILL, line(6.0, 0.0)):
        picture = np.zeros((64, 64))
        add_stars(picture, spectrum_of(blur, path, 64), *np.array([[32.3], [31.8], [1.0]]))
        pictures.append(picture)
    x = np.arange(64)
    variance = [np.sum(p * x[None, :] ** 2) - np.sum(p * x[None, :]) ** 2 for p in pictures]
    assert variance[1] - variance[0] == pytest.approx(3.0, rel=1e-3)


def test_flux_is_conserved_and_centred():
    picture = np.zeros((200, 240))
    x, y = np.array([60.37, 150.0, 110.5]), np.array([70.12, 99.5, 140.9])
    flux = np.array([1000.0, 500.0, 20.0])
    add_stars(picture, spectrum_of(Blur(3.0, 4.0), line(3.0, 70.0), 96), x, y, flux)
    assert picture.sum() == pytest.approx(flux.sum(), rel=1e-4)
    rows, columns = np.indices(picture.shape)
    assert (picture * columns).sum() / picture.sum() == pytest.approx(
        (flux * x).sum() / flux.sum(), abs=2e-3
    )
    assert (picture * rows).sum() / picture.sum() == pytest.approx(
        (flux * y).sum() / flux.sum(), abs=2e-3
    )


def test_star_at_the_edge_is_cut_not_wrapped():
    picture = np.zeros((50, 50))
    add_stars(picture, spectrum_of(Blur(3.0, 3.5), STILL, 48), *np.array([[-0.5], [25.0], [1.0]]))
    assert picture.sum() == pytest.approx(0.5, abs=0.01)
    assert picture[:, 30:].max() < 1e-4


def test_defocus_annulus_matches_closed_form():
    # Uniform annulus: variance per axis R^2 (1 + e^2) / 4; transform 2 J1(z)/z, outer less inner.
    optics = Optics(focal_ratio=8.0, obstruction=0.4)
    spot = spot_diagram(optics, 4.0, 512.0, 0.0, 0.0)
    radius = 512.0 / 16.0 / 4.0
    assert spot.var(axis=0) == pytest.approx(radius**2 * (1 + 0.16) / 4, rel=1e-6)
    k = np.array([0.01, 0.03, 0.06])
    z = 2 * np.pi * k * radius
    exact = (2 * j1(z) / z - 0.16 * 2 * j1(0.4 * z) / (0.4 * z)) / (1 - 0.16)
    assert transfer(spot, k, np.array([0.0]))[0].real == pytest.approx(exact, abs=5e-3)


def test_coma_points_outward_and_tilt_defocuses_one_side():
    coma = Optics(coma_um=30.0)
    for u, v in ((0.7, 0.0), (0.0, -0.7)):
        spot = spot_diagram(coma, 4.0, 0.0, u, v)
        along = spot @ np.array([u, v]) / 0.7
        assert np.mean(along**3) > 0.1
    tilted = Optics(tilt_um=200.0)
    left = spot_diagram(tilted, 4.0, 0.0, -0.8, 0.0).var()
    middle = spot_diagram(tilted, 4.0, 0.0, -0.1, 0.0).var()
    assert left > 20 * middle


def test_astigmatic_star_turns_with_the_field():
    optics = Optics(astigmatism_um=25.0)
    truths = []
    for u, v in ((1.0, 0.0), (0.0, 1.0)):
        blur = Blur(3.0, 3.5, 0.0, spot_diagram(optics, 4.0, 60.0, u, v))
        truths.append(truth_of(blur))
    assert abs(truths[0].angle_deg - 90.0) > 80.0
    assert truths[1].angle_deg == pytest.approx(90.0, abs=2.0)


def test_two_images_keep_their_full_span():
    step = np.where(np.arange(1000)[:, None] < 450, [[0.0, 0.0]], [[7.0, 0.0]])
    truth = truth_of(Blur(3.0, 3.5), step - step.mean(axis=0))
    assert truth.fwhm_major > 9.0
    assert truth.fwhm_minor == pytest.approx(3.15, abs=0.1)


def test_split_path_keeps_every_step_in_order():
    path = np.column_stack([np.linspace(0, 200, 999), np.sin(np.linspace(0, 9, 999))])
    pieces = split_path(path, 40.0)
    assert np.array_equal(np.concatenate(pieces), path)
    assert max(np.ptp(p, axis=0).max() for p in pieces) <= 40.0
    assert len(pieces) < 8


def test_refined_path_has_short_steps_and_the_same_moments():
    path = np.column_stack([np.arange(60) * 3.0, np.zeros(60)])
    fine = refine(path, 0.5)
    assert np.diff(fine[:, 0]).max() <= 0.5 + 1e-9
    assert path_moments(fine).x == pytest.approx(path_moments(path).x)
    assert path_moments(fine).xx == pytest.approx(path_moments(path).xx, rel=2e-3)


def test_shape_of_published_ellipse():
    # a 2, b 1.5, 30 deg (Bertin & Arnouts 1996, as tabulated in the checks).
    ecc, angle = shape_of(3.5625, 2.6875, 0.757772)
    assert ecc == pytest.approx(np.sqrt(1 - 0.75**2), abs=1e-5)
    assert angle == pytest.approx(30.0, abs=1e-3)


def test_mosaic_pixels_see_their_own_colour():
    colours = np.array([[2.0, 1.0, 0.5]])
    plain, cell = np.zeros((40, 41)), np.zeros((40, 41))
    star = spectrum_of(Blur(3.0, 3.5), STILL, 32)
    place = np.array([[19.2], [21.4], [1000.0]])
    add_stars(plain, star, *place)
    add_stars(cell, star, *place, colour_factors("RGGB", colours))
    assert cell[0::2, 0::2] == pytest.approx(2.0 * plain[0::2, 0::2])
    assert cell[0::2, 1::2] == pytest.approx(plain[0::2, 1::2])
    assert cell[1::2, 0::2] == pytest.approx(plain[1::2, 0::2])
    assert cell[1::2, 1::2] == pytest.approx(0.5 * plain[1::2, 1::2])


def test_dew_throws_light_into_wings_without_losing_it():
    k = 3.0 * np.fft.fftfreq(192)
    clear, dewed = (blur_spectrum(Blur(3.0, 3.5, d), k, k) for d in (0.0, 0.4))
    assert dewed[0, 0] == pytest.approx(clear[0, 0])
    assert truth_of(Blur(3.0, 3.5, 0.4)).pixels > 1.5 * truth_of(Blur(3.0, 3.5)).pixels
