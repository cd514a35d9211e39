"""Which frame answers to a name, a path or a part of one."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from subgrade.lights import FrameNames

NAMES = (
    "a/light_1.fits.fz",
    "a/light_10.fits",
    "b/light_1.fits",
    "b/dark sky.nef",
    "b/Dark sky.nef",
)
NIGHT = FrameNames(NAMES, [f"/n/{name}" for name in NAMES])


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ("a/light_1.fits.fz", [0]),
        ("./a/light_1.fits", [0]),
        ("a/light_1", [0]),
        ("/n/b/light_1.fits", [2]),
        ("/m/b/light_1.fits", []),
        ("../b/light_1.fits", [2]),
        ("light_1.fits", [2]),
        ("light_1.fits.fz", [0]),
        ("light_1", [0, 2]),
        ("light_10.fits.gz", [1]),
        ("10", [1]),
        ("1", [0, 2]),
        ("light_0", []),
        ("dark sky.nef", [3]),
        ("DARK SKY.nef", [3, 4]),
        ("Dark", [3, 4]),
        ("light_1.tif", []),
        ("", []),
        ("./", []),
        ("..", []),
    ],
)
def test_the_strictest_reading_that_finds_a_frame_decides(wanted, found):
    assert NIGHT.meant(wanted) == found


def test_a_part_of_a_number_answers_only_where_any_part_may():
    night = FrameNames(["light_105.fits", "light_206.fits"])
    assert night.meant("light_10") == [0]
    assert night.meant("light_10", any_part=False) == []
    assert FrameNames(["light_0042.fits"]).meant("42", any_part=False) == [0]


def test_leading_zeros_may_be_left_out():
    night = FrameNames(["light_006.fits.fz", "light_026.fits.fz", "b_6/light_2.fits"])
    assert night.meant("light_6", any_part=False) == [0]
    assert night.meant("light_26.fits", any_part=False) == [1]
    assert night.meant("b_06/light_002", any_part=False) == [2]
    assert FrameNames(["light_6.fits", "light_06.fits"]).meant("light_6") == [0]
    assert FrameNames(["light_600.fits"]).meant("light_6", any_part=False) == []


def test_the_nearest_names_look_like_it():
    assert FrameNames(["light_006.fits.fz", "flat_1.fits"]).nearest("lihgt_006.fit") == [
        "light_006.fits.fz"
    ]
    assert NIGHT.nearest("zebra") == []


@given(st.lists(st.text(min_size=1), unique=True, min_size=1, max_size=6), st.text())
def test_every_frame_answers_to_its_whole_name(names, other):
    night = FrameNames(names)
    night.meant(other)
    night.nearest(other)
    for k, name in enumerate(names):
        if name.removeprefix("./").strip("./"):
            assert k in night.meant(name)
