"""Which stars are shown along which diagonal of a frame.

Lists of stars are made up, so that the right choice is known beforehand.
"""

from dataclasses import replace

import numpy as np
import pytest

from subgrade.stars.model import FrameStars, ShapeField, StarFlag, StarList
from subgrade.stars.pictures import PLACES, stars_along

WIDE, HIGH, SIDE = 1200, 1000, 30


def listed(places, snr=None, flags=None) -> StarList:
    x, y = np.array(places, float).reshape(-1, 2).T
    n = len(x)
    ones = np.ones(n, np.float32)
    return StarList(
        x,
        y,
        100 * ones,
        np.array(snr if snr is not None else 100 * ones, np.float32),
        ones,
        2 * ones,
        2 * ones,
        0 * ones,
        np.array(flags if flags is not None else 0 * ones, np.uint16),
    )


def frame(stars: StarList, field: ShapeField | None = None) -> FrameStars:
    found = FrameStars(WIDE, HIGH, 1000.0, 10.0, np.zeros((1, 1)), len(stars), 0, 20.0)
    return replace(found, catalogue=stars, shape_field=field, fwhm_px=3.3)


def field_of(error=0.001, **terms) -> ShapeField:
    """Round stars of moment 2, and terms such as ``xx_u=0.3``."""
    order = ("1", "u", "v", "uu", "uv", "vv")
    coefficients = np.zeros((3, 6))
    coefficients[:2, 0] = 2.0
    for name, value in terms.items():
        row, power = name.split("_")
        coefficients[("xx", "yy", "xy").index(row), order.index(power)] += value
    half = np.hypot(WIDE, HIGH) / 2
    return ShapeField(coefficients, np.full((3, 6), error), WIDE / 2, HIGH / 2, half, 200)


def spread(seed=2, count=900) -> list[tuple[float, float]]:
    rng = np.random.default_rng(seed)
    return list(
        zip(rng.uniform(20, WIDE - 20, count), rng.uniform(20, HIGH - 20, count), strict=True)
    )


def names(stars) -> list[str]:
    return [place for place, _ in stars_along(stars, SIDE)]


@pytest.mark.parametrize("falls", [False, True])
def test_the_diagonal_that_varies_more_is_shown(falls):
    """xx grows along one diagonal and, to first order, not along the other."""
    sign = -1.0 if falls else 1.0
    tilted = field_of(xx_u=0.4 * HIGH / WIDE, xx_v=0.4 * sign)
    shown = stars_along(frame(listed(spread()), tilted), SIDE)
    assert tuple(place for place, _ in shown) == PLACES[falls]
    places = np.array(spread())[[k for _, k in shown]]
    assert (np.diff(places[:, 0]) > 0).all()
    assert (np.diff(places[:, 1]) * sign > 0).all()
    ends = np.array([[0, HIGH if falls else 0], [WIDE / 2, HIGH / 2], [WIDE, 0 if falls else HIGH]])
    assert np.hypot(*(places[[0, 2, 4]] - ends).T).max() < 100


def test_a_lead_within_the_errors_changes_nothing():
    """Frames of one night would else change sides by noise alone."""
    slight = {"xx_u": 0.02, "xx_v": -0.02}
    assert names(frame(listed(spread()), field_of(error=0.001, **slight))) == list(PLACES[True])
    assert names(frame(listed(spread()), field_of(error=0.05, **slight))) == list(PLACES[False])


def test_without_a_field_of_shapes_the_fuller_diagonal_is_shown():
    falling = [(60, 940), (300, 750), (600, 500), (900, 250), (1140, 60)]
    assert names(frame(listed(falling))) == list(PLACES[True])
    rising = [(x, HIGH - y) for x, y in falling]
    assert names(frame(listed(rising))) == list(PLACES[False])


@pytest.mark.parametrize("count", [0, 1, 2, 3, 7])
def test_few_stars_are_shown_once_each(count):
    shown = stars_along(frame(listed(spread(5, count))), SIDE)
    indices = [k for _, k in shown]
    assert len(indices) == len(set(indices)) <= count
    assert bool(indices) == bool(count)


def test_bright_clean_whole_stars_go_first():
    middle = [(600, 500), (605, 505), (615, 500), (640, 500)]
    chosen = dict(stars_along(frame(listed(middle, snr=[900, 90, 100, 20])), SIDE))
    assert chosen["centre"] == 0
    blended, saturated = int(StarFlag.BLENDED), int(StarFlag.SATURATED)
    flags = [saturated, blended, 0, 0]
    chosen = dict(stars_along(frame(listed(middle, snr=[900, 90, 100, 20], flags=flags)), SIDE))
    assert chosen["centre"] == 2
    chosen = dict(stars_along(frame(listed(middle[:2], flags=flags[:2])), SIDE))
    assert chosen["centre"] == 1
    assert stars_along(frame(listed(middle[:1], flags=[saturated])), SIDE) == []
    edge = [(3, 3), (40, 40)]  # the crop of the first would leave the frame
    assert dict(stars_along(frame(listed(edge)), SIDE))["bottom left"] == 1


def test_places_off_the_frame_are_passed_over():
    wrong = [(-5000.0, 10.0), (1e9, 1e9), (np.nan, 500.0), (600.0, 500.0)]
    assert stars_along(frame(listed(wrong)), SIDE) == [("centre", 3)]


def test_a_star_unlike_its_neighbours_is_passed_over():
    """A hot pixel pair or a galaxy says nothing of the optics there."""
    places = [(600, 500), (590, 520), (620, 480), (560, 500), (640, 530), (600, 540)]
    stars = listed(places)
    assert dict(stars_along(frame(stars), SIDE))["centre"] == 0
    odd = replace(stars, xx=stars.xx.copy())
    odd.xx[0] = 5.0
    assert dict(stars_along(frame(odd), SIDE))["centre"] == 1
    faint = replace(odd, snr=np.full(6, 5.0, np.float32))  # within the noise of faint stars
    assert dict(stars_along(frame(faint), SIDE))["centre"] == 0
