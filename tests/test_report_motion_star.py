"""The inferred motion as a blurred star, against GalSim stars drawn out by known motions."""

from dataclasses import replace

import galsim
import numpy as np
import pytest

from subgrade.report.drawings import STAR_PICTURE_PX, motion, star_picture
from subgrade.report.motion_star import (
    laid_over,
    likeness,
    smeared,
    smeared_picture,
    typical_picture,
    typical_stars,
)
from subgrade.stars.model import StarImage
from tests.judged_nights import steady
from tests.report_nights import graded_of
from tests.test_stars_motion import frame_of, knock, star_image, swing

STILL = galsim.Moffat(beta=3, fwhm=3)
TRAILS = {
    "creep": (
        lambda a: galsim.Convolve(STILL, galsim.Box(6, 1e-3).rotate(a * galsim.degrees)),
        6.0,
    ),
    "swing": (lambda a: swing(STILL, 2.5, a), 6.0),
    "knock": (lambda a: knock(STILL, 0.5, a), 5.0),
    "two places": (
        lambda a: galsim.Sum(
            [0.65 * _at(-1.4, a), 0.35 * _at(2.6, a)],
        ),
        5.5,
    ),
}


def _at(away, angle):
    u = away * np.exp(1j * np.radians(angle))
    return STILL.shift(u.real, u.imag)


@pytest.mark.parametrize("angle", [0, 35, 120])
@pytest.mark.parametrize("kind", TRAILS)
def test_the_typical_star_with_the_motion_looks_like_the_frames_star(kind, angle):
    drawn, major = TRAILS[kind]
    frame = frame_of(drawn(angle), angle, major)
    found = motion(frame)
    shape = found["places"], found["share"]
    typical = star_image(STILL)
    image = frame.star_image
    size = image.step_px, len(image.image)

    def alike(turn):
        drawn = smeared(typical, *shape, found["angle_deg"] + turn, *size)
        return likeness(laid_over(drawn, image), image)

    right = alike(0)
    assert right > 0.99
    # a motion another way, the other way round, or none at all is seen to be wrong
    wrong = [alike(90), likeness(laid_over(typical, image), image)]
    if kind in ("knock", "two places"):
        wrong.append(alike(180))
    assert 1 - right < 0.5 * (1 - max(wrong))


def test_a_smeared_star_is_a_sum_of_shifted_stars():
    """Against GalSim's own shifts: light, place and peak; seeing the pixels once."""
    places, share, angle = [-4.0, 0.0, 4.0], [0.2, 0.3, 0.5], 30.0
    typical = star_image(STILL)
    found = smeared(typical, places, share, angle, 0.5, 57)
    parts = [w * _at(p, angle) for p, w in zip(places, share, strict=True)]
    truth = star_image(galsim.Sum(parts))
    assert found.image.max() == 1
    assert np.abs(found.image - truth.image).max() < 0.002


def test_steps_of_the_two_images_may_differ():
    coarse = StarImage(star_image(STILL, 0.8, 41).image, 0.8, 10)
    found = smeared(coarse, [-3.0, 3.0], [0.5, 0.5], 70.0, 0.5, 57)
    same = smeared(star_image(STILL), [-3.0, 3.0], [0.5, 0.5], 70.0, 0.5, 57)
    assert np.abs(found.image - same.image).max() < 0.005


def pictured(widths):
    """Frames of one group with stars of those widths, the last one drawn out."""
    shots = [
        replace(shot, fwhm=w, image=star_image(galsim.Moffat(beta=3, fwhm=w)))
        for shot, w in zip(steady(len(widths)), widths, strict=True)
    ]
    shots[-1] = replace(shots[-1], eccentricity=0.7)
    return graded_of(shots)


def test_the_typical_star_is_of_round_kept_frames():
    graded = pictured([3.0] * 6)
    (typical,) = typical_stars(graded.frames, [3.0])
    assert typical.stars_used == 500  # a hundred each; the drawn-out one is left out
    still = star_image(STILL)
    assert np.abs(typical.image - still.image).max() < 0.01
    (none,) = typical_stars(graded.frames, [np.nan])
    assert none is None


def test_without_a_round_frame_it_is_a_round_star_of_the_typical_width():
    (typical,) = typical_stars((), [4.0])
    row = typical.image[len(typical.image) // 2]
    wide = np.count_nonzero(row >= 0.5) * typical.step_px
    assert wide == pytest.approx(4.0, abs=typical.step_px)
    assert typical.stars_used == 0
    assert typical_picture(typical, 4.0)["stars"] == 0
    assert typical_picture(None, 4.0) is None


def test_it_is_shown_as_the_frames_own_star_is():
    frame = frame_of(TRAILS["creep"][0](35), 35, 6.0)
    shown = smeared_picture(frame, star_image(STILL), motion(frame))
    own = star_picture(frame)
    assert shown["field_px"] == own["field_px"]
    assert (shown["width"], shown["height"]) == (STAR_PICTURE_PX, STAR_PICTURE_PX)
    assert 0.99 < shown["likeness"] <= 1
    assert smeared_picture(frame, None, motion(frame)) == {}
    assert smeared_picture(frame, star_image(STILL), None) == {}
