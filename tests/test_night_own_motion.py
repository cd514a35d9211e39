"""A frame's own motion distinguished from what draws every frame out, on GalSim stars."""

import galsim
import numpy as np
import pytest

from subgrade.judging import judge_night, load_limits
from subgrade.judging.star_numbers import motion_variance
from subgrade.night.own_motion import moved_otherwise, narrowest, without_usual_motion
from subgrade.night.series import group_series
from subgrade.stars.model import StarImage
from subgrade.stars.motion.kinds import weigh_motions
from tests.judged_nights import Shot, night_of

LIMITS = load_limits(None)
STEP = 0.5
USUAL_DEG, OWN_DEG = 20.0, 85.0


def drawn_out(star, length=0.0, angle=OWN_DEG):
    """The star under a mount that shakes along one axis, and a creep of its own."""
    shaking = galsim.Gaussian(sigma=1.0).shear(q=0.05, beta=USUAL_DEG * galsim.degrees)
    shaking = shaking.dilate(1.3 / shaking.calculateMomentRadius(rtype="trace") / 2**0.5)
    parts = [star, shaking, galsim.Pixel(1.0)]
    if length:
        parts.append(galsim.Box(length, 1e-3).rotate(angle * galsim.degrees))
    return galsim.Convolve(parts)


def shot(profile, **changes) -> Shot:
    """A frame with the profile's own adaptive moments (galsim.hsm) and image."""
    image = profile.drawImage(nx=65, ny=65, scale=STEP, method="no_pixel")
    found = galsim.hsm.FindAdaptiveMom(image)
    # |e1 + i e2| = (a^2 - b^2) / (a^2 + b^2); eccentricity^2 = 1 - b^2 / a^2.
    e = abs(complex(found.observed_e1, found.observed_e2))
    star = StarImage((image.array / image.array.max()).astype(np.float32), STEP, 100)
    return Shot(
        fwhm=2.3548 * found.moments_sigma * STEP,
        eccentricity=float(np.sqrt(2 * e / (1 + e))),
        angle=float(np.degrees(0.5 * np.angle(complex(found.observed_e1, found.observed_e2)))),
        image=star,
        **changes,
    )


def night(odd: Shot, count: int = 14, at: int = 6):
    widths = 2.6 + 0.04 * np.random.default_rng(3).standard_normal(count)
    shots = [shot(drawn_out(galsim.Kolmogorov(fwhm=w))) for w in widths]
    shots[at] = odd
    return night_of(shots), at


def series_of(made):
    return group_series(made, made.groups[0])


@pytest.mark.parametrize("angle", [50.0, OWN_DEG, 110.0])
def test_the_own_motion_keeps_its_direction_length_and_kind(angle):
    made, at = night(shot(drawn_out(galsim.Kolmogorov(fwhm=2.6), 8.0, angle)))
    series = series_of(made)
    assert series.usual("eccentricity").centre > LIMITS.roundness.remark
    own = without_usual_motion(series, at, LIMITS.roundness.remark)
    assert own["angle"][at] == pytest.approx(angle, abs=1)
    # The image as it is reads a swing, for the usual shaking and the creep are mixed in it.
    assert weigh_motions(series.stars[at])[0].model != "creep"
    best = weigh_motions(own.stars[at])[0]
    assert best.model == "creep"
    assert best.extent_px == pytest.approx(8.0, rel=0.04)
    assert motion_variance(own)[at] == pytest.approx(8.0**2 / 12, rel=0.6)  # as adaptive weights


@pytest.mark.parametrize("turn", [0.0, 37.0, 90.0, 141.0])
def test_the_width_across_the_own_motion_is_the_usual_one(turn):
    made, at = night(shot(drawn_out(galsim.Kolmogorov(fwhm=2.6), 6.0, USUAL_DEG + turn)))
    assert narrowest(series_of(made))[at] == pytest.approx(1.0, abs=0.06)


def test_air_and_focus_widen_in_every_direction():
    made, at = night(shot(drawn_out(galsim.Kolmogorov(fwhm=4.2))))
    assert narrowest(series_of(made))[at] > 1.2


def test_a_frame_drawn_out_as_all_are_and_a_rounder_one_are_left():
    usual, at = night(shot(drawn_out(galsim.Kolmogorov(fwhm=2.6))))
    round_one, _ = night(shot(galsim.Convolve(galsim.Kolmogorov(fwhm=3.6), galsim.Pixel(1.0))))
    for made in (usual, round_one):
        series = series_of(made)
        assert not moved_otherwise(series, at, LIMITS.roundness.remark)
        assert without_usual_motion(series, at, LIMITS.roundness.remark) is series


def test_a_round_night_is_left():
    shots = [shot(galsim.Kolmogorov(fwhm=3.0)) for _ in range(10)]
    shots[4] = shot(galsim.Convolve(galsim.Kolmogorov(fwhm=3.0), galsim.Box(8.0, 1e-3)))
    series = series_of(night_of(shots))
    assert without_usual_motion(series, 4, LIMITS.roundness.remark) is series


def test_a_motion_across_the_usual_one_is_no_defocus():
    """It makes the stars rounder and wider: rejected for a motion, not as swollen."""
    star = drawn_out(galsim.Kolmogorov(fwhm=2.6), 8.0, USUAL_DEG + 90)
    made, at = night(shot(star))
    verdict = judge_night(made, LIMITS)[at]
    assert made.frames[at].stars.eccentricity < 0.8
    assert verdict.verdict == "reject"
    assert not {"focus", "seeing"} & set(verdict.reasons)
    assert "motion" in verdict.explanation


def test_a_swollen_frame_of_a_drawn_out_night_is_still_swollen():
    made, at = night(shot(drawn_out(galsim.Kolmogorov(fwhm=5.5))))
    verdict = judge_night(made, LIMITS)[at]
    assert verdict.verdict == "reject"
    assert {"focus", "seeing"} & set(verdict.reasons)
