"""Sorting a night's frames into groups and strays."""

from dataclasses import replace

import numpy as np
import pytest

from subgrade.lights.model import HeaderFacts
from subgrade.night import compare_night
from subgrade.night.group import in_order, is_stray_size, sort_frames
from tests.night_fields import make_frame, make_night, make_sky


@pytest.fixture(scope="module")
def sky():
    return make_sky(np.random.default_rng(20), 60)


def changed(frame, **facts):
    return replace(frame, facts=replace(frame.facts, **facts))


def test_filters_are_groups_and_the_odd_exposure_is_a_stray(sky):
    rng = np.random.default_rng(1)
    frames = []
    for k, band in enumerate("LRGB"):
        facts = HeaderFacts(filter=band, exposure_s=120.0, target="Field 1")
        frames += make_night(rng, sky, 4, start=1.7e9 + 5000 * k, facts=facts, dim=1 - 0.2 * k)
    frames += make_night(
        rng,
        sky,
        1,
        start=1.7e9 + 9e4,
        facts=HeaderFacts(filter="L", exposure_s=30.0, target="field1"),
    )
    night = compare_night(frames)
    assert [len(g.members) for g in night.groups] == [4, 4, 4, 4]
    assert [g.filter for g in night.groups] == list("LRGB")
    assert night.groups[0].label == "Field 1, L, 120 s"
    assert night.compared[-1].group == -1
    assert night.compared[-1].stray_note == "exposure 30 s, but 120 s for the rest of the night"
    # Each filter has a clear level of its own.
    assert all(c.transparency == pytest.approx(1, abs=0.02) for c in night.compared[:-1])


@pytest.mark.parametrize(
    ("facts", "note"),
    [
        ({"binning": (2, 2)}, "binning 2 x 2, but 1 x 1 for the rest of the night"),
        ({"filter": "Ha"}, "filter Ha, but L for the rest of the night"),
        ({"gain": 0.0}, "gain 0, but 100 for the rest of the night"),
        ({"camera": "guide cam"}, "camera guide cam, but cam for the rest of the night"),
        ({"frame_type": "dark", "frame_type_stated": True}, "a dark frame by its header"),
    ],
)
def test_a_single_frame_that_differs_is_a_stray(sky, facts, note):
    frames = [changed(f, gain=100.0) for f in make_night(np.random.default_rng(2), sky, 9)]
    frames[4] = changed(frames[4], **facts)
    sorting = sort_frames(frames)
    assert list(sorting.strays) == [4]
    assert sorting.strays[4].startswith(note)


def test_other_size_is_a_stray(sky):
    rng = np.random.default_rng(3)
    frames = make_night(rng, sky, 6)
    frames[2] = make_frame(rng, sky, "small.fits", width=2000, height=1500, facts=frames[2].facts)
    assert (
        "size 2000 x 1500 px, but 4000 x 3000 px for the rest of the night"
        in sort_frames(frames).strays[2]
    )


def test_exposures_within_a_percent_are_one_group(sky):
    frames = make_night(np.random.default_rng(4), sky, 6)
    near = [changed(f, exposure_s=120.0 + 0.2 * k) for k, f in enumerate(frames)]
    assert len(sort_frames(near).groups) == 1
    apart = [changed(f, exposure_s=120.0 + 3 * (k % 2)) for k, f in enumerate(frames)]
    assert len(sort_frames(apart).groups) == 2


def test_silent_headers_join_the_rest_in_any_order(sky):
    frames = make_night(np.random.default_rng(5), sky, 9)
    silent = {"filter": None, "target": None, "exposure_s": None}
    mixed = [changed(f, **silent) if k % 3 else f for k, f in enumerate(frames)]
    for order in (mixed, mixed[::-1]):
        night = compare_night(order)
        assert len(night.groups) == 1
        assert night.groups[0].filter == "L"
        assert all(c.registration.ok for c in night.compared)
    bare = compare_night([replace(f, facts=HeaderFacts()) for f in frames])
    assert [len(g.members) for g in bare.groups] == [9]
    assert bare.groups[0].label == "lights"


@pytest.mark.parametrize(
    ("facts", "name"),
    [
        ({"mosaic": "RGGB"}, "colour, 60 s"),
        ({"mosaic": "RGGB", "target": "Field 2"}, "Field 2, colour, 60 s"),
        ({"mosaic": "RGGB", "filter": "dual band"}, "dual band, 60 s"),
        ({}, "lights, 60 s"),
        ({"target": "Field 2"}, "Field 2, 60 s"),
    ],
)
def test_an_exposure_time_alone_is_no_name(sky, facts, name):
    facts = HeaderFacts(exposure_s=60.0, **facts)
    frames = make_night(np.random.default_rng(6), sky, 4, facts=facts)
    assert [g.label for g in compare_night(frames).groups] == [name]


def test_another_sky_is_a_stray_but_a_frame_of_few_stars_is_not(sky):
    rng = np.random.default_rng(6)
    elsewhere = make_sky(rng, 80)
    frames = make_night(rng, sky, 9)
    frames[3] = make_frame(rng, elsewhere, frames[3].name, facts=frames[3].facts)
    frames[6] = make_frame(rng, elsewhere, frames[6].name, facts=frames[6].facts, dim=0.04)
    assert 3 <= len(frames[6].stars.catalogue) < 12
    drawn = make_frame(
        rng, elsewhere, frames[8].name, facts=frames[8].facts, shape_status="trailed"
    )
    frames[8] = drawn
    night = compare_night(frames)
    assert [k for k, c in enumerate(night.compared) if c.group < 0] == [3]
    assert night.compared[3].stray_note.startswith("pointing: ")
    assert not night.compared[6].registration.ok
    assert not night.compared[8].registration.ok


def test_two_panels_without_headers_are_two_groups(sky):
    rng = np.random.default_rng(7)
    one = make_night(rng, sky, 6, facts=HeaderFacts())
    two = make_night(rng, make_sky(rng, 60), 4, facts=HeaderFacts(), start=1.7e9 + 3e4)
    two = [replace(f, name="p" + f.name) for f in two]
    night = compare_night(one + two)
    assert [len(g.members) for g in night.groups] == [6, 4]
    assert len({g.label for g in night.groups}) == 2
    assert all(c.registration.ok for c in night.compared)
    assert all(c.transparency == pytest.approx(1, abs=0.02) for c in night.compared)


def test_order_is_by_time_else_by_name(sky):
    frames = make_night(np.random.default_rng(8), sky, 5)
    assert [f.name for f in in_order(frames[::-1])] == [f.name for f in frames]
    bare = [replace(f, facts=HeaderFacts()) for f in frames]
    assert [f.name for f in in_order(bare[::-1])] == [f.name for f in frames]


def test_what_counts_as_a_stray_size():
    assert is_stray_size(1, 4)
    assert not is_stray_size(1, 3)
    assert is_stray_size(2, 50)
    assert not is_stray_size(3, 100)
    assert is_stray_size(3, 300)


def test_one_frame_and_none_at_all(sky):
    assert compare_night([]).groups == ()
    night = compare_night(make_night(np.random.default_rng(9), sky, 1))
    assert night.compared[0].group == 0
    assert np.isnan(night.compared[0].transparency)
    assert "no other frame" in night.compared[0].transparency_note


def test_many_skies_of_one_frame_each_are_strays_and_end_in_time(sky):
    rng = np.random.default_rng(10)
    frames = make_night(rng, sky, 20)
    for k in range(1, 20, 3):
        frames[k] = make_frame(rng, make_sky(rng, 60), frames[k].name, facts=frames[k].facts)
    night = compare_night(frames)
    assert [k for k, c in enumerate(night.compared) if c.group < 0] == list(range(1, 20, 3))
