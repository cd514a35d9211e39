"""The motion read off a star image, against GalSim stars blurred by known motions."""

from dataclasses import replace

import galsim
import numpy as np
import pytest

from subgrade.memo import keeping
from subgrade.stars.model import FrameStars, StarImage
from subgrade.stars.motion.kinds import weigh_motions, wing_ratio
from subgrade.stars.motion.recovered_profile import recover_profile

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


def frame_of(profile, angle, major, minor=3.1) -> FrameStars:
    return FrameStars(
        100,
        100,
        0.0,
        1.0,
        np.zeros((1, 1)),
        64,
        100,
        20.0,
        fwhm_px=np.sqrt(major * minor),
        fwhm_major_px=major,
        fwhm_minor_px=minor,
        angle_deg=angle,
        star_image=star_image(profile),
    )


def fits(frame) -> dict:
    return {fit.model: fit for fit in weigh_motions(frame)}


@pytest.mark.parametrize("star", STARS)
@pytest.mark.parametrize("angle", [0, 35, 150])
def test_a_creep_is_distinguished_from_a_swing_and_measured(star, angle):
    drawn = galsim.Convolve(STARS[star], galsim.Box(5.0, 1e-3).rotate(angle * galsim.degrees))
    found = fits(frame_of(drawn, angle, 5.0))
    assert found["creep"].extent_px == pytest.approx(5.0, rel=0.04)
    assert found["creep"].residual < 0.006
    assert found["creep"].probability > 0.6
    drawn = swing(STARS[star], 2.0, angle)
    found = fits(frame_of(drawn, angle, 5.0))
    assert found["swing"].extent_px == pytest.approx(4.0, rel=0.04)
    assert found["swing"].probability > 0.6


@pytest.mark.parametrize("star", STARS)
@pytest.mark.parametrize("angle", [0, 60, 200])
def test_a_knock_that_settles_is_distinguished_from_steady_motion(star, angle):
    found = fits(frame_of(knock(STARS[star], 0.25, angle), angle, 3.6))
    others = min(found[m].residual for m in ("creep", "swing", "shake"))
    assert found["gust"].residual < 0.6 * others
    assert found["gust"].share == pytest.approx(0.2, abs=0.1)


def test_a_round_star_has_no_motion():
    found = fits(frame_of(STARS["moffat"], 20, 3.15))
    assert found["shake"].extent_px < 0.3
    assert found["creep"].residual < 0.004


def knocked_lately(angle):
    """An uneven motion without symmetry of its own: most of the time here, some of it there."""
    return frame_of(knock(STARS["moffat"], 0.3, angle), angle, 4.2)


def test_a_turned_or_mirrored_star_has_the_same_motion():
    """Rows for columns, and left for right: nothing but the direction may change."""
    frame = knocked_lately(25)
    image = frame.star_image
    upright = weigh_motions(frame)
    for turned, angle in (
        (np.rot90(image.image, -1), 115.0),  # row 0 is low y: a quarter turn of the angle
        (image.image[:, ::-1], 155.0),
        (image.image[::-1, ::-1], 25.0),
    ):
        other = replace(
            frame, angle_deg=angle, star_image=replace(image, image=np.ascontiguousarray(turned))
        )
        found = weigh_motions(other)
        assert [f.model for f in found] == [f.model for f in upright]
        for one, two in zip(found, upright, strict=True):
            assert one.log_evidence == pytest.approx(two.log_evidence, abs=0.5, rel=1e-3)
            assert one.extent_px == pytest.approx(two.extent_px, rel=0.01)
            assert abs(one.skewness) == pytest.approx(abs(two.skewness), abs=0.02)


def test_probabilities_add_up_and_follow_the_points():
    found = weigh_motions(knocked_lately(80))
    assert sum(f.probability for f in found) == pytest.approx(1.0)
    assert found[0].points == 0
    assert [f.points for f in found] == sorted((f.points for f in found), reverse=True)


def test_a_still_star_that_is_oval_is_no_motion_where_the_group_is():
    """Axis ratio 0.95 along the trail: known of the still frames, it is not the motion's."""
    star = STARS["moffat"].shear(q=0.95, beta=30 * galsim.degrees)
    drawn = galsim.Convolve(star, galsim.Box(4.0, 1e-3).rotate(30 * galsim.degrees))
    frame = frame_of(drawn, 30, 4.5)
    turn = np.radians(60)
    lean = (1 / 0.95 - 0.95) / 2
    still = (1 + lean * np.cos(turn), 1 - lean * np.cos(turn), lean * np.sin(turn))
    known = {f.model: f for f in weigh_motions(frame, still)}
    without = {f.model: f for f in weigh_motions(frame)}
    assert known["creep"].extent_px == pytest.approx(4.0, rel=0.03)
    assert known["creep"].log_evidence > without["creep"].log_evidence


class Remembering:
    """A keeper that never forgets."""

    def __init__(self):
        self.known = {}

    def outcome(self, kind, key, make):
        if (kind, key) not in self.known:
            self.known[kind, key] = make()
        return self.known[kind, key]


def test_what_is_kept_of_a_motion_holds_for_the_very_still_star():
    """The night's still star changes as frames come: a kept fit is never another star's."""
    frame = replace(knocked_lately(25), angle_deg=29.0)  # the image's own axis is another
    with keeping(Remembering()):
        kept = [weigh_motions(frame, still_of(lean)) for lean in np.linspace(0, 0.15, 4)]
    made = [weigh_motions(frame, still_of(lean)) for lean in np.linspace(0, 0.15, 4)]
    assert kept == made
    assert len({fits[0].extent_px for fits in made}) > 1  # it does matter


def still_of(lean):
    turn = np.radians(2 * (29 + 45))  # nothing of it along the frame's axis
    return 1 + lean * np.cos(turn), 1 - lean * np.cos(turn), lean * np.sin(turn)


def test_without_a_star_image_nothing_is_fitted():
    bare = FrameStars(100, 100, 0.0, 1.0, np.zeros((1, 1)), 64, 0, 20.0)
    assert weigh_motions(bare) == ()
    assert np.isnan(wing_ratio(None))


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


def test_moments_of_each_kind_are_those_of_its_formula():
    """Box L^2/12 and -1.2, arcsine L^2/8 and -1.5, two places p q d^2 and 1/(p q) - 6
    [derived; the first two also in the published checks]."""
    from subgrade.stars.motion.families import FAMILIES, share_of

    by_name = {f.name: f for f in FAMILIES}
    _, variance, skew, kurtosis = by_name["creep"].moments(np.array([6.0, 0.0, 0.0]))
    assert (variance, skew, kurtosis) == pytest.approx((3.0, 0.0, -1.2))
    _, variance, skew, kurtosis = by_name["swing"].moments(np.array([6.0, 0.0, 0.0]))
    assert (variance, skew, kurtosis) == pytest.approx((4.5, 0.0, -1.5))
    p = share_of(-1.0)
    mean, variance, _, kurtosis = by_name["step"].moments(np.array([5.0, -1.0]))
    assert (mean, variance) == pytest.approx((5 * p, 25 * p * (1 - p)))
    assert kurtosis == pytest.approx(1 / (p * (1 - p)) - 6)


def test_an_uneven_creep_has_the_transform_and_moments_of_its_density():
    """By direct integration of 1 + a P1(y) + b P2(y) over the box (numpy)."""
    from subgrade.stars.motion.families import FAMILIES

    creep = next(f for f in FAMILIES if f.name == "creep")
    p = np.array([5.0, 0.4, -0.2])
    y = np.linspace(-1, 1, 20001)
    density = 1 + 0.4 * y - 0.2 * (1.5 * y**2 - 0.5)
    density /= density.sum()
    x = 2.5 * y
    k = np.array([0.0, 0.3, 1.1, 2.7])
    direct = (density * np.exp(1j * np.multiply.outer(k, x))).sum(axis=1)
    assert creep.spectrum(k, p) == pytest.approx(direct, abs=2e-4)
    mean = density @ x
    assert creep.moments(p)[:2] == pytest.approx((mean, density @ (x - mean) ** 2), rel=1e-3)


@pytest.mark.parametrize(("size", "share"), [(6.0, 0.3), (7.0, 0.5)])
def test_the_recovered_profile_shows_two_places(size, share):
    """Two places d apart: rms d sqrt(p q), excess kurtosis 1/(p q) - 6 [derived]."""
    star = STARS["kolmogorov"]
    drawn = star * (1 - share) + star.shift(size, 0) * share
    drawn = drawn.shift(-size * share, 0)
    found = recover_profile(frame_of(drawn, 0, size + 1.5))
    pq = share * (1 - share)
    assert found.rms_px == pytest.approx(
        size * np.sqrt(pq), abs=max(3 * found.rms_error_px, 0.02 * size)
    )
    assert found.kurtosis == pytest.approx(1 / pq - 6, abs=max(3 * found.kurtosis_error, 0.25))
    far = found.share[found.places_px > size * (0.5 - share)].sum()
    assert far == pytest.approx(share, abs=0.03)
    between = np.abs(found.places_px - size * (0.5 - share)) < 0.15 * size
    assert found.share[between].sum() < 0.05


@pytest.mark.parametrize("angle", [0, 50])
def test_the_recovered_profile_is_that_of_the_motion(angle):
    """A box of 6 px: its rms is 6 / sqrt(12) [derived], its light evenly spread."""
    drawn = galsim.Convolve(STARS["moffat"], galsim.Box(6.0, 1e-3).rotate(angle * galsim.degrees))
    found = recover_profile(frame_of(drawn, angle, 5.8))
    assert found.rms_px == pytest.approx(6 / np.sqrt(12), rel=0.06)
    assert abs(found.skewness) < 0.15
    assert found.share.sum() == pytest.approx(1.0)
    assert found.share.min() >= 0
    outside = np.abs(found.places_px) > 4.2
    assert found.share[outside].sum() < 0.03


@pytest.mark.parametrize("angle", [-0.5, 0, 0.5, 90, 179.5])
@pytest.mark.parametrize("stated", [-1.0, 1.0])
def test_the_recovered_profile_runs_the_way_its_angle_says(angle, stated):
    """A third of the time far out along the angle: there is the tail, also where 180 turns to 0."""
    out = 4.0 * np.exp(1j * np.radians(angle))
    star = STARS["moffat"]
    drawn = galsim.Sum([0.67 * star, 0.33 * star.shift(out.real, out.imag)])
    found = recover_profile(frame_of(drawn, (angle + stated) % 180, 5.0))
    assert 0 <= found.angle_deg < 180
    assert abs(np.sin(np.radians(found.angle_deg - angle))) < 0.02
    assert found.skewness * np.cos(np.radians(found.angle_deg - angle)) > 0.3
