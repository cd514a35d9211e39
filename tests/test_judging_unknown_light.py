"""Starlight that could not be measured is unknown to every later stage, and never 1."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from subgrade.judging import judge_night, load_limits
from subgrade.judging.weights import stack_weights
from subgrade.night.series import group_series
from tests.judged_nights import night_of, steady

NOTE = "no usable star in common with the other frames"
LIMITS = load_limits()


def night_with(changes: dict[int, dict], count: int = 9):
    """A good night of which some frames' comparisons are changed."""
    night = night_of(steady(count))
    compared = list(night.compared)
    for k, change in changes.items():
        compared[k] = replace(compared[k], **change)
    return replace(night, compared=tuple(compared))


def unknown(note: str = NOTE) -> dict:
    return {
        "transparency": np.nan,
        "transparency_error": np.nan,
        "quarters": (np.nan,) * 4,
        "transparency_note": note,
    }


def test_a_keep_on_unknown_starlight_is_less_sure_and_says_why():
    judged = judge_night(night_with({4: unknown()}), LIMITS)
    assert {j.verdict for j in judged} == {"keep"}
    assert judged[4].confidence < 0.7
    assert min(j.confidence for k, j in enumerate(judged) if k != 4) > 0.9
    assert f"transparency not measured ({NOTE})" in judged[4].explanation
    assert "depth at most" in judged[4].explanation


@pytest.mark.parametrize("count", [1, 2, 5])
def test_the_others_are_judged_as_without_the_unknown_ones(count):
    """Frames of unknown light that counted as clear made the good ones look dim."""
    dim = {k: {"transparency": 0.5, "quarters": (0.5,) * 4} for k in range(count, 9)}
    with_them = judge_night(night_with(dim | {k: unknown() for k in range(count)}), LIMITS)
    assert {j.verdict for j in with_them[count:]} == {"keep"}
    assert "cloud" not in {r for j in with_them for r in j.reasons if j.verdict == "reject"}


def test_a_noisy_sky_rejects_whatever_the_starlight():
    night = night_of([*steady(8), replace(steady(1)[0], noise=20.0, sky=4000.0)])
    compared = (*night.compared[:-1], replace(night.compared[-1], **unknown()))
    judged = judge_night(replace(night, compared=compared), LIMITS)[-1]
    assert (judged.verdict, judged.reasons) == ("reject", ("sky_glow",))


@pytest.mark.parametrize(("limit", "verdict"), [(0.2, "reject"), (0.9, "keep")])
def test_an_upper_limit_speaks_against_a_frame_and_hardly_for_it(limit, verdict):
    change = {"transparency": limit, "transparency_error": limit, "quarters": (np.nan,) * 4}
    judged = judge_night(night_with({4: change}), LIMITS)[4]
    assert judged.verdict == verdict
    assert f"transparency at most {limit:.2f}" in judged.explanation
    assert judged.confidence > 0.9 if verdict == "reject" else judged.confidence < 0.7


def test_a_weight_never_rests_on_starlight_that_was_not_measured():
    night = night_with({2: {"transparency": 0.8}, 4: unknown()})
    weights = stack_weights(group_series(night, night.groups[0]), np.ones(9, bool))
    assert weights[4] == pytest.approx(weights[2], rel=0.1)
    assert weights[4] < 0.7 < min(np.delete(weights, [2, 4]))


@pytest.mark.parametrize(("light", "verdict"), [(0.98, "keep"), (0.2, "reject")])
def test_stars_whose_light_is_there_are_not_gone_where_none_has_a_shape(light, verdict):
    """As where hot pixels outnumber stars of one pixel: each star of the others was looked for."""
    shots = steady(12)
    shots[5] = replace(shots[5], status="none", stars=0, fwhm=np.nan, transparency=light)
    found = judge_night(night_of(shots), LIMITS)[5]
    assert found.verdict == verdict
    if verdict == "keep":
        assert "few_stars" in found.reasons
        assert found.confidence < 0.7
        assert "0.98 of their light at their places" in found.explanation
    # an upper limit is no light that was seen
    night = night_of(shots)
    compared = list(night.compared)
    compared[5] = replace(compared[5], transparency_error=light, matched_stars=0)
    assert judge_night(replace(night, compared=tuple(compared)), LIMITS)[5].verdict == "reject"
