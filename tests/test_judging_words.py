"""Sentences at the edges: frames at their limit, alone, in small groups, without scale."""

import re

import numpy as np
import pytest

from subgrade.figures import beside, eccentricity_text, length_text, lengths_beside
from subgrade.judging import REASONS, judge_night, load_limits
from tests.judged_nights import (
    SKY_AXES,
    Shot,
    calm_samples,
    guide_of,
    night_of,
    recorded,
    steady,
)

LIMITS = load_limits()
SAME = re.compile(r"([\d.]+)(?:″|%| px)?(?: \([\d.]+ px\))?,? \((?:typical [^,]+, )?limit \1\b")


def judged(shots, **night):
    return judge_night(night_of(shots, **night), LIMITS)


def with_bad(*bad, at=8, count=20):
    shots = steady(count)
    shots[at : at + len(bad)] = bad
    return shots


@pytest.mark.parametrize("past", [1e-4, 4e-4, 2e-3])
def test_a_reject_just_past_its_limit_never_reads_as_on_it(past):
    verdict = judged(with_bad(Shot(eccentricity=LIMITS.roundness.floor + past)))[8]
    assert verdict.verdict == "reject"
    value, limit = re.search(
        r"eccentricity ([\d.]+) \(.*?limit ([\d.]+)\)", verdict.explanation
    ).groups()
    assert float(value) > float(limit) == LIMITS.roundness.floor
    assert not SAME.search(verdict.explanation)


@pytest.mark.parametrize("short", [1e-4, 2e-3])
def test_a_keep_just_short_of_its_limit_never_reads_as_on_it(short):
    verdict = judged(with_bad(Shot(eccentricity=LIMITS.roundness.floor - short)))[8]
    assert verdict.verdict == "keep"
    assert not SAME.search(verdict.explanation)


def test_a_width_and_a_depth_just_past_their_limits_show_on_which_side_they_are():
    shots = steady(20)
    (item,) = (e for e in judged(shots)[8].evidence if e.quantity == "fwhm_px")
    shots[8] = Shot(fwhm=item.limit + 2e-4)
    verdict = judged(shots)[8]
    assert verdict.verdict == "reject"
    value, limit = re.search(r"FWHM ([\d.]+)″ .*limit ([\d.]+)″", verdict.explanation).groups()
    assert float(value) > float(limit)


def test_an_eccentricity_lost_in_its_noise_is_an_upper_bound():
    shots = with_bad(Shot(eccentricity=0.01))
    night = night_of(shots)
    error = night.frames[8].stars.eccentricity_error
    assert 2 * error > 0.01
    text = judge_night(night, LIMITS)[8].explanation
    assert f"eccentricity {eccentricity_text(0.01, error)} (limit 0.55)" in text
    assert "< 0." in text


def test_lengths_are_on_the_sky_where_the_scale_is_known():
    (wide,) = judged(with_bad(Shot(fwhm=5.0)), scale=2.0)[8:9]
    assert "FWHM 10.0″ (5.00 px), typical 6." in wide.explanation
    (line,) = judged(with_bad(Shot(status="trailed", length=60.0)), scale=2.0)[8:9]
    assert "stars are trailed, 120″ (60.0 px) long" in line.explanation
    (wide,) = judged(with_bad(Shot(fwhm=5.0)), scale=None)[8:9]
    assert "FWHM 5.00 px, typical 3." in wide.explanation
    assert "″" not in wide.explanation


def test_the_numbers_of_the_evidence_stay_in_pixels():
    verdict = judged(with_bad(Shot(fwhm=5.0)), scale=2.0)[8]
    (item,) = (e for e in verdict.evidence if e.quantity == "fwhm_px")
    assert (item.value, item.unit) == (5.0, "px")


def test_a_run_of_one_frame_is_not_called_a_run():
    shots = steady(20)
    for k in (5, 8, 11):
        shots[k] = Shot(eccentricity=0.7, angle=30.0)
    texts = [e.text for e in judged(shots)[8].evidence if e.quantity == "consecutive frames alike"]
    assert texts
    assert set(texts) == {"no neighbour is stretched alike, though 2 of the 10 frames nearby are"}


def test_a_run_is_counted_and_a_lone_frame_named_as_one():
    shots = with_bad(*(Shot(eccentricity=0.7, angle=30.0) for _ in range(4)))
    (text,) = {
        e.text for e in judged(shots)[9].evidence if e.quantity == "consecutive frames alike"
    }
    assert text == "one of 4 frames in a row stretched alike; 3 of the 10 frames nearby are"
    shots = with_bad(Shot(eccentricity=0.7, angle=30.0))
    (text,) = {
        e.text for e in judged(shots)[8].evidence if e.quantity == "consecutive frames alike"
    }
    assert text == "none of the 10 frames nearby is stretched alike"


@pytest.mark.parametrize("count", [1, 2])
def test_a_value_typical_of_one_or_two_frames_is_not_shown_as_typical(count):
    shots = [Shot(eccentricity=0.75, fwhm=4.0) for _ in range(count)]
    for scale in (1.0, None):
        for verdict in judged(shots, scale=scale):
            assert verdict.verdict == "reject"
            assert "typical" not in verdict.explanation
            assert "eccentricity 0.75 (limit 0.70)" in verdict.explanation


def test_one_frame_by_itself_has_no_depth_against_itself():
    (verdict,) = judged([Shot()])
    assert verdict.verdict == "keep"
    assert verdict.explanation.startswith("Kept: ")
    assert "depth" not in verdict.explanation


@pytest.mark.parametrize(
    "shot",
    [
        Shot(eccentricity=0.75),
        Shot(fwhm=6.0),
        Shot(status="trailed", length=60.0, facts={"sky_axes": SKY_AXES}),
        Shot(status="doubled", length=9.0),
        Shot(status="none", stars=0, transparency=np.nan),
        Shot(transparency=0.3, quarters=(0.5, 0.3, 0.2, 0.2)),
    ],
)
def test_a_night_of_nothing_but_rejects_reads_as_whole_sentences(shot):
    for verdict in judged([shot] * 6):
        text = verdict.explanation
        assert text.endswith(".")
        assert not text.endswith("..")
        for word in ("nan", "unknown", "inf", "None", "()", "  ", "1 frames", " ,"):
            assert word not in text


def test_a_cause_follows_most_likely_as_a_noun():
    verdict = judged(with_bad(Shot(eccentricity=0.75)))[8]
    noun = re.search(r"ost likely (.+?) \((over 99%|\d+%)\)", verdict.explanation).group(1)
    assert noun == REASONS[verdict.reasons[0]].noun
    assert "(" not in noun


def test_lengths_beside_each_other_share_a_unit():
    assert lengths_beside(4.4131, 4.4129, 2.0) == ("8.8262″ (4.41 px)", "8.8258″")
    assert lengths_beside(5.0, 4.0, None) == beside(5.0, 4.0, "px")
    assert length_text(5.0, float("nan")) == "5.00 px"


def test_a_guider_that_saw_nothing_explains_none_of_it():
    night = night_of(with_bad(Shot(eccentricity=0.75)))
    still = recorded(1e-4 * calm_samples(), 1e-4 * calm_samples(seed=6))
    verdict = judge_night(night, LIMITS, guide_of(night, {8: still}))[8]
    (text,) = {e.text for e in verdict.evidence if e.quantity == "share explained by guiding"}
    assert text.startswith("guiding explains none of the stars' elongation (RMS RA ")
