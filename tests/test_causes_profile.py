"""The motion read off a star image, against GalSim stars blurred by known motions."""

import galsim
import numpy as np
import pytest

from subgrade.causes.profile import motion_cumulants, wing_ratio
from subgrade.stars.model import StarImage

STARS = {
    "gaussian": galsim.Gaussian(fwhm=3),
    "moffat": galsim.Moffat(beta=3, fwhm=3),
    "kolmogorov": galsim.Kolmogorov(fwhm=3),
}


def star_image(profile, step=0.5, size=57) -> StarImage:
    seen = galsim.Convolve(profile, galsim.Pixel(1.0))
    image = seen.drawImage(nx=size, ny=size, scale=step, method="no_pixel").array
    return StarImage((image / image.max()).astype(np.float32), step, 100)


def swing(star, amplitude, angle):
    phase = np.linspace(0, 2 * np.pi, 41)[:-1]
    u = np.exp(1j * np.radians(angle)) * amplitude * np.cos(phase)
    return galsim.Sum([star.shift(d.real, d.imag) / len(u) for d in u])


def knock(star, share, angle):
    u = np.exp(1j * np.radians(angle)) * 6 * np.exp(-np.linspace(0, 3, 20))
    return galsim.Sum(
        [star * (1 - share)] + [star.shift(d.real, d.imag) * share / len(u) for d in u]
    )


@pytest.mark.parametrize("star", STARS)
@pytest.mark.parametrize("angle", [0, 35, 90, 150])
def test_box_and_arcsine_have_their_variance_and_kurtosis(star, angle):
    # Box: L^2/12 and -1.2; arcsine: A^2/2 and -1.5 (published checks, section 3; derived).
    box = galsim.Convolve(STARS[star], galsim.Box(3.0, 1e-3).rotate(angle * galsim.degrees))
    variance, kurtosis, error, skewness = motion_cumulants(star_image(box), angle, 3.4)
    assert variance == pytest.approx(0.75, rel=0.03)
    assert abs(kurtosis + 1.2) < 2 * error < 1.3
    assert skewness < 0.05
    variance, kurtosis, error, _ = motion_cumulants(
        star_image(swing(STARS[star], 1.5, angle)), angle, 3.5
    )
    assert variance == pytest.approx(1.125, rel=0.03)
    assert abs(kurtosis + 1.5) < 2 * error < 1.3


@pytest.mark.parametrize("star", STARS)
def test_a_knock_that_settles_is_one_sided_and_peaked(star):
    _, kurtosis, error, skewness = motion_cumulants(
        star_image(knock(STARS[star], 0.25, 60)), 60, 3.4
    )
    assert kurtosis - 5 * error > 2
    assert skewness > 1.5


def test_a_round_star_has_no_motion():
    variance, *_ = motion_cumulants(star_image(STARS["moffat"]), 20, 3.1)
    assert variance < 0.01


def test_wing_ratio_of_a_gaussian_and_of_a_moffat():
    # Half-widths at level f: Gaussian sqrt(ln 1/f), Moffat sqrt(f^(-1/beta) - 1).
    fine = galsim.Gaussian(fwhm=6).drawImage(nx=81, ny=81, scale=0.5, method="no_pixel").array
    image = StarImage((fine / fine.max()).astype(np.float32), 0.5, 9)
    assert wing_ratio(image) == pytest.approx(np.sqrt(np.log(5) / np.log(2)), rel=0.01)
    fine = galsim.Moffat(beta=3, fwhm=6).drawImage(nx=81, ny=81, scale=0.5, method="no_pixel").array
    image = StarImage((fine / fine.max()).astype(np.float32), 0.5, 9)
    expected = np.sqrt((5 ** (1 / 3) - 1) / (2 ** (1 / 3) - 1))
    assert wing_ratio(image) == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize("star", STARS)
def test_defocus_flattens_the_core_and_seeing_does_not(star):
    usual = wing_ratio(star_image(STARS[star]))
    defocused = wing_ratio(star_image(galsim.Convolve(STARS[star], galsim.TopHat(2.5))))
    blurred = wing_ratio(star_image(STARS[star].dilate(1.4)))
    assert defocused < usual - 0.06
    assert blurred > usual - 0.03
