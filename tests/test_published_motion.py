"""Motion added to a star image: closed-form variances, and GalSim's images of them.

Variances of the box, arcsine and two-spike distributions are textbook; the widths of the
moved star were integrated numerically, the weighted ratios by GalSim's hsm.
"""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.practice.kernel import path_moments, transfer
from subgrade.practice.optics import Blur, blur_spectrum
from subgrade.practice.profile import star_truth
from subgrade.stars.model import FrameStars, StarImage
from tests.render import Motion, StarShape, template

FWHM_PER_SIGMA = 2.3548200450309493
FWHM_PX = 3.0
SIGMA_PX = FWHM_PX / FWHM_PER_SIGMA


def creep(length: float, steps: int = 4000) -> np.ndarray:
    return np.column_stack([((np.arange(steps) + 0.5) / steps - 0.5) * length, np.zeros(steps)])


def swing(amplitude: float, steps: int = 4000) -> np.ndarray:
    phase = 2 * np.pi * (np.arange(steps) + 0.5) / steps
    return np.column_stack([amplitude * np.sin(phase), np.zeros(steps)])


def jump(size: float, share: float, steps: int = 4000) -> np.ndarray:
    place = np.where(np.arange(steps) < round(share * steps), size, 0.0)
    return np.column_stack([place, np.zeros(steps)])


@pytest.mark.parametrize(
    ("path", "variance"),
    [
        (creep(3.0), 0.75),
        (creep(60.0), 300.0),
        (swing(1.5), 1.125),
        (jump(4.0, 0.5), 4.0),
        (jump(10.0, 0.3), 21.0),
    ],
)
def test_variance_of_a_path(path, variance):
    """L^2/12, A^2/2, f (1 - f) D^2."""
    moments = path_moments(path)
    assert moments.xx == pytest.approx(variance, rel=1e-5)
    assert moments.yy == 0
    assert moments.xy == 0


def test_variance_of_a_turned_path():
    angle = np.radians(30)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    moments = path_moments(creep(6.0) @ turn)
    assert moments.xx == pytest.approx(3 * np.cos(angle) ** 2, rel=1e-5)
    assert moments.yy == pytest.approx(3 * np.sin(angle) ** 2, rel=1e-5)
    assert moments.xy == pytest.approx(3 * np.cos(angle) * np.sin(angle), rel=1e-5)


MOVED_GAUSSIAN = [
    # path, half-maximum width along, axis ratio by Gaussian-weighted moments
    (creep(2.0), 3.3206, 0.9063),
    (creep(4.0), 4.3706, 0.7113),
    (swing(1.0), 3.5068, 0.8634),
    (swing(2.0), 5.2998, 0.6159),
]


@pytest.mark.parametrize(("path", "width", "ratio"), MOVED_GAUSSIAN)
def test_moved_gaussian_star(path, width, ratio):
    """A Gaussian star of FWHM 3 px without pixel, moved along x."""
    k = np.fft.fftfreq(512, d=1 / 16)
    still = np.exp(-2 * np.pi**2 * SIGMA_PX**2 * (k[None, :] ** 2 + k[:, None] ** 2))
    truth = star_truth(still * transfer(path, k, k), k, k)
    assert truth.fwhm_major == pytest.approx(width, rel=2e-3)
    assert truth.fwhm_minor == pytest.approx(FWHM_PX, rel=2e-3)
    assert np.sqrt(1 - truth.eccentricity**2) == pytest.approx(ratio, abs=2e-3)


GALSIM_MOTIONS = [
    (creep(4.0), Motion("box", 4.0)),
    (swing(1.5), Motion("arcsine", 1.5)),
    (jump(3.0, 0.5), Motion("step", 3.0)),
]


@pytest.mark.slow
@pytest.mark.parametrize(("path", "motion"), GALSIM_MOTIONS)
@pytest.mark.parametrize("beta", [2.5, 3.5])
def test_practice_stars_are_galsims(path, motion, beta):
    """The practice night's truth against GalSim's image of the same star, pixel and motion."""
    k = np.fft.fftfreq(1024, d=1 / 16)
    spectrum = blur_spectrum(Blur(FWHM_PX, beta), k, k) * transfer(path, k, k)
    ours = star_truth(spectrum, k, k)
    theirs = template(StarShape("moffat", FWHM_PX, beta, motion=motion)).truth
    if motion.kind != "step":  # whose narrow width depends on where between the two it is cut
        assert ours.fwhm_major == pytest.approx(theirs.fwhm_major_px, rel=3e-3)
        assert ours.fwhm_minor == pytest.approx(theirs.fwhm_minor_px, rel=3e-3)
    assert ours.eccentricity == pytest.approx(theirs.eccentricity, abs=3e-3)
    assert ours.pixels == pytest.approx(theirs.nea_px, rel=3e-3)


# What the causes stage reads back from a star image.


def star_image(shape: StarShape) -> StarImage:
    """GalSim's star at the step of a stacked star image."""
    fine = template(shape)
    step = fine.oversample // 4
    centre, reach = fine.image.shape[0] // 2, 16 * fine.oversample
    cut = fine.image[centre - reach : centre + reach + 1, centre - reach : centre + reach + 1]
    image = cut[::step, ::step]
    return StarImage((image / image.max()).astype(np.float32), 0.25, 100)


def frame_of(shape: StarShape) -> FrameStars:
    """A measured frame whose star image and widths are GalSim's."""
    truth = template(shape).truth
    return FrameStars(
        *(2000, 1500, 1000.0, 32.0, np.full((2, 2), 1000.0), 64, 300, 20.0),
        fwhm_px=truth.fwhm_px,
        fwhm_major_px=truth.fwhm_major_px,
        fwhm_minor_px=truth.fwhm_minor_px,
        eccentricity=truth.eccentricity,
        angle_deg=truth.angle_deg,
        shape_status="measured",
        star_image=star_image(shape),
    )


@pytest.mark.parametrize(
    ("motion", "model", "extent"),
    [
        (Motion("box", 4.0, 0.0), "creep", 4.0),
        (Motion("box", 6.0, 50.0), "creep", 6.0),
        (Motion("arcsine", 1.5, 110.0), "swing", 3.0),
        (Motion("arcsine", 2.5, 20.0), "swing", 5.0),
    ],
)
@pytest.mark.parametrize("kind", ["gaussian", "moffat"])
def test_motion_is_told_from_the_star_image(kind, motion, model, extent):
    """Box and arcsine differ in the second decimal of the image; noiseless, so exactly told."""
    from subgrade.stars.motion.kinds import weigh_motions

    best = weigh_motions(frame_of(StarShape(kind, FWHM_PX, 3.5, motion=motion)))[0]
    assert best.model == model
    assert best.extent_px == pytest.approx(extent, rel=0.05)


@pytest.mark.parametrize("share", [0.15, 0.3])
def test_knock_is_told_from_the_star_image(share):
    from subgrade.stars.motion.kinds import weigh_motions

    shape = StarShape("moffat", FWHM_PX, 3.5, motion=Motion("step", 4.0, 70.0, share))
    best = weigh_motions(frame_of(shape))[0]
    assert best.model == "step"
    assert abs(best.extent_px) == pytest.approx(4.0, rel=0.1)
    assert best.share == pytest.approx(share, abs=0.05)


def test_wing_ratio_of_a_gaussian():
    """Width at a fifth over width at half: sqrt(ln 5 / ln 2) = 1.5238."""
    from subgrade.stars.motion.kinds import wing_ratio

    assert wing_ratio(star_image(StarShape("gaussian", FWHM_PX))) == pytest.approx(
        np.sqrt(np.log(5) / np.log(2)), rel=0.01
    )
