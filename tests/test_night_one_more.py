"""One more frame beside a compared night: near what the whole comparison finds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from subgrade.night import compare_night
from subgrade.night.one_more import with_one_more
from tests.night_fields import make_night


def taken(count: int, seed: int = 4, **known):
    return list(make_night(np.random.default_rng(seed), count=count, **known))


@pytest.mark.parametrize("light", [1.0, 0.6])
def test_it_is_near_what_the_whole_comparison_finds(light):
    frames = taken(16, dim=[1.0] * 15 + [light])
    whole = compare_night(frames)
    quick = with_one_more(compare_night(frames[:-1]), frames[-1])
    assert [f.name for f in quick.frames] == [f.name for f in whole.frames]
    assert quick.groups[0].members == tuple(range(16))
    found, full = quick.compared[-1], whole.compared[-1]
    assert found.transparency == pytest.approx(full.transparency, rel=0.01)
    assert found.transparency == pytest.approx(light, rel=0.02)
    reference = quick.groups[0].reference
    assert reference == whole.groups[0].reference
    place, other = found.registration, full.registration
    assert (place.dx, place.dy) == pytest.approx((other.dx, other.dy), abs=0.1)
    assert place.rotation_deg == pytest.approx(other.rotation_deg, abs=0.01)


def test_the_others_stay_as_they_were():
    frames = taken(12)
    night = compare_night(frames[:-1])
    quick = with_one_more(night, frames[-1])
    assert quick.compared[:-1] == night.compared
    assert quick.groups[0].usual == night.groups[0].usual


def test_what_only_the_whole_comparison_can_place_is_left_to_it():
    frames = taken(12)
    night = compare_night(frames[:-1])
    new = frames[-1]

    def stated(**facts):
        return replace(new, facts=replace(new.facts, **facts))

    early = night.frames[0].facts.start_unix - 300.0
    assert with_one_more(night, stated(start_unix=early)) is None
    assert with_one_more(night, stated(start_unix=None)) is None
    assert with_one_more(night, stated(filter="Ha")) is None
    elsewhere = taken(12, seed=77)[-1]
    assert with_one_more(night, replace(elsewhere, name="elsewhere")) is None
    assert with_one_more(compare_night(frames[:2]), new) is None
