"""A jump leaves no light between the two images, a walk does: made-up star images."""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.judging.two_images import share_between
from subgrade.stars.model import StarImage

STEP = 0.5
SIGMA = 1.7


def drawn(places: np.ndarray, angle_deg: float = 0.0) -> StarImage:
    """Round stars of FWHM 4 px at places along a line, px from the middle."""
    grid = np.arange(-80, 81) * STEP
    x, y = np.meshgrid(grid, grid)
    t = np.radians(angle_deg)
    image = sum(
        np.exp(-0.5 * ((x - p * np.cos(t)) ** 2 + (y - p * np.sin(t)) ** 2) / SIGMA**2)
        for p in places
    )
    return StarImage((image / image.max()).astype(np.float32), STEP, 100)


@pytest.mark.parametrize("angle", [0.0, 37.0, 90.0, 143.0])
def test_a_jump_leaves_none(angle):
    image = drawn(np.array([-12.0] * 6 + [12.0] * 4), angle)
    assert share_between(image, angle, 24.0, 4.0) == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("walked", [0.1, 0.3])
def test_a_walk_leaves_its_share(walked):
    """Of an even walk over 24 px the part over 1.4 FWHM from both ends is 12.8 / 24."""
    rest = (1 - walked) / 2
    n = 2000
    places = np.concatenate(
        [
            np.full(round(n * rest), -12.0),
            np.linspace(-12, 12, round(n * walked)),
            np.full(round(n * rest), 12.0),
        ]
    )
    image = drawn(places)
    assert share_between(image, 0.0, 24.0, 4.0) == pytest.approx(walked * 12.8 / 24, abs=0.012)


def test_images_too_close_say_nothing():
    assert np.isnan(share_between(drawn(np.array([-4.0, 4.0])), 0.0, 8.0, 4.0))
    assert np.isnan(share_between(None, 0.0, 24.0, 4.0))
