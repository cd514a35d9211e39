"""The guiding record chooses the reason, never the verdict."""

from dataclasses import replace

import numpy as np
import pytest

from subgrade.guiding.model import Prediction
from subgrade.judging import judge_night, load_limits
from subgrade.judging.guided_series import guided_series
from subgrade.judging.record_numbers import share_seen
from tests.judged_nights import (
    CADENCE_S,
    SKY_AXES,
    Shot,
    calm_samples,
    guide_of,
    night_of,
    recorded,
    steady,
)

LIMITS = load_limits()
BAD = 8
SAMPLES = np.arange(60)
ALTERNATING = 1.7 * np.where(SAMPLES % 2, 1, -1) + calm_samples()
SLOW = 1.9 * np.sin(2 * np.pi * SAMPLES * CADENCE_S / 150) + calm_samples()
CREEP = np.linspace(-2.3, 2.3, 60) + calm_samples()
KNOCKED = calm_samples()
KNOCKED[20:26] += [4.0, -5.0, 6.0, -4.0, 5.0, 3.0]


def judged(shot, exposure, bad=BAD, count=20, step=0.0, stays=0.0, **known):
    """The verdict on one frame; before or with it the field moves along 30 degrees, px."""
    shots = steady(count)
    shots[bad] = shot
    for k in range(bad, count):
        far = step + stays * (0.5 if k == bad else 1.0)
        shots[k].dx, shots[k].dy = far * np.cos(np.pi / 6), far * np.sin(np.pi / 6)
    night = night_of(shots)
    return judge_night(night, LIMITS, guide_of(night, {bad: exposure}, **known))[bad]


def oval(angle=30.0, **changes):
    return Shot(fwhm=3.7, eccentricity=0.7, angle=angle, **changes)


SETTLING = np.append(12.0 * np.exp(-np.linspace(0, 3, 8)), np.zeros(52))
"""Errors, arcsec, of a dither that the exposure began with."""
LATE = recorded(
    0.87 * SETTLING + calm_samples(seed=3),
    0.5 * SETTLING + calm_samples(seed=4),
    settle_overlap_s=14.0,
    peak=12.0,
)


@pytest.mark.parametrize(
    ("exposure", "field", "reason", "words"),
    [
        (
            recorded(ALTERNATING, overshoot=0.8, period_s=4.0),
            {},
            "ra_oscillation",
            "back and forth",
        ),
        (
            recorded(SLOW, overshoot=0.05, period_s=150.0),
            {},
            "periodic_error",
            "with a period of 15",
        ),
        (
            recorded(calm_samples(), CREEP, one_sided_dec=0.98),
            {},
            "dec_drift",
            "the guide star shows a steady drift of 4",
        ),
        (recorded(KNOCKED, 0.7 * KNOCKED), {}, "wind_trail", "the guide star shows"),
        (recorded(calm_samples()), {"stays": 6.0}, "flexure", "explains 5.8% of the stars'"),
        (
            recorded(calm_samples(), lost_s=70.0, coverage=0.4),
            {},
            "tracking_lost",
            "70.0 s of the 120",
        ),
        (
            LATE,
            {"step": -12.0},
            "dither_overlap",
            "14.0 s of the exposure, with errors up to 12.0″ (quiet-stretch RMS 0.40″)",
        ),
    ],
)
def test_the_record_names_the_motion_of_an_oval_frame(exposure, field, reason, words):
    verdict = judged(oval(), exposure, **field)
    assert (verdict.verdict, verdict.reasons[0]) == ("reject", reason)
    assert any(words in e.text for e in verdict.evidence if e.reason == reason)
    assert "ost likely " in verdict.explanation


WILD = [
    recorded(5 * ALTERNATING, overshoot=0.9, period_s=4.0),
    recorded(KNOCKED, gusts=4, gust_size=20.0),
    recorded(calm_samples(), lost_s=100.0, coverage=0.2, longest_gap_s=100.0),
    recorded(calm_samples(), settle_overlap_s=60.0, peak=30.0),
    recorded(calm_samples(), star_drop=0.1),
]


@pytest.mark.parametrize("exposure", WILD)
def test_a_wild_record_over_round_stars_keeps_the_frame(exposure):
    verdict = judged(Shot(), exposure)
    assert (verdict.verdict, verdict.reasons) == ("keep", ())


@pytest.mark.parametrize("exposure", [*WILD, recorded(calm_samples())])
@pytest.mark.parametrize(
    "shot", [oval(), Shot(eccentricity=0.52), Shot(fwhm=5.0), Shot(sky=4000, noise=20, stars=150)]
)
def test_the_record_changes_no_verdict_and_no_confidence(shot, exposure):
    shots = steady(20)
    shots[BAD] = shot
    night = night_of(shots)
    without = judge_night(night, LIMITS)[BAD]
    joined = judge_night(night, LIMITS, guide_of(night, {BAD: exposure}))[BAD]
    assert (joined.verdict, joined.confidence) == (without.verdict, without.confidence)


def test_a_frame_without_samples_is_judged_as_without_a_record():
    shots = steady(20)
    shots[BAD] = oval()
    night = night_of(shots)
    known = guide_of(night, {BAD: None})
    assert judge_night(night, LIMITS, known)[BAD] == judge_night(night, LIMITS)[BAD]


def test_a_night_that_swings_throughout_is_not_its_own_yardstick():
    exposure = recorded(ALTERNATING, overshoot=0.8, period_s=4.0)
    verdict = judged(oval(), exposure, calm_rms_ra=exposure.rms_ra)
    assert verdict.reasons[0] == "ra_oscillation"


def test_the_share_seen_follows_second_moments_in_the_image():
    # A uniform creep of length L has variance L^2 / 12 along it and none across.
    length, angle = 6.0, np.radians(25.0)
    along = length**2 / 12
    shots = steady(12)
    night = night_of(shots)
    turned = (
        along * np.cos(angle) ** 2,
        along * np.sin(angle) ** 2,
        along * np.sin(angle) * np.cos(angle),
    )
    star = replace(night.frames[3].stars, xx=1.7 + turned[0], yy=1.7 + turned[1], xy=turned[2])
    night = replace(
        night, frames=(*night.frames[:3], replace(night.frames[3], stars=star), *night.frames[4:])
    )
    rng = np.random.default_rng(2)
    motion = rng.uniform(-0.5, 0.5, 200_000) * length
    sample = np.cov(motion * np.cos(angle), motion * np.sin(angle))
    half = Prediction((sample[0, 0] / 2, sample[1, 1] / 2, sample[0, 1] / 2))
    across = Prediction((sample[1, 1], sample[0, 0], -sample[0, 1]))
    shares = []
    for prediction in (half, across):
        predictions = (None,) * 3 + (prediction,) + (None,) * 8
        series = guided_series(night, night.groups[0], guide_of(night, {}, predictions=predictions))
        shares.append(share_seen(series, 3))
    assert shares == pytest.approx([0.5, -1.0], abs=0.01)
    # Without the camera's angle the sizes are compared: 3 px^2 of variance at 1 arcsec a px.
    ra = rng.uniform(-0.5, 0.5, 4000) * length
    known = guide_of(night, {3: recorded(ra, rng.normal(0, 1e-3, 4000))})
    assert share_seen(guided_series(night, night.groups[0], known), 3) == pytest.approx(1, abs=0.05)


def test_the_records_camera_angle_stands_in_for_an_unknown_orientation():
    night = night_of(steady(6))
    series = guided_series(night, night.groups[0], guide_of(night, {}, camera_angle_deg=200.0))
    assert series.axis_angle == pytest.approx([20.0] * 6)
    known = night_of(steady(6, facts={"sky_axes": SKY_AXES}))
    series = guided_series(known, known.groups[0], guide_of(known, {}, camera_angle_deg=200.0))
    assert series.axis_angle == pytest.approx([0.0] * 6)


def test_cloud_dims_the_guide_star_and_dew_does_not():
    def dimming(drop):
        shots = steady(30)
        for k in range(15, 30):
            shots[k].transparency = 0.5 + 0.01 * (k % 2)
        night = night_of(shots)
        bad = {k: recorded(calm_samples(), star_drop=drop) for k in range(15, 30)}
        return judge_night(night, LIMITS, guide_of(night, bad))[29]

    assert dimming(0.5).reasons[0] == "cloud"
    items = [e for e in dimming(0.93).evidence if e.quantity == "guide star brightness"]
    assert items[0].points == pytest.approx(-2.0)
    assert "at 0.93 of its typical brightness, starlight at 0.5" in items[0].text


def test_a_double_image_under_an_unsettled_dither_is_dither_overlap():
    double = Shot(status="doubled", length=9.0)
    assert judged(double, recorded(calm_samples())).reasons[0] == "bump"
    assert judged(double, LATE, step=-9.0).reasons[0] == "dither_overlap"


def test_a_long_line_without_a_guide_star_is_lost_tracking():
    line = Shot(status="trailed", length=60.0)
    lost = recorded(calm_samples(), lost_s=60.0, coverage=0.5)
    assert judged(line, lost).reasons == ("tracking_lost",)
    share = [
        dict(judged(line, e).shares[0])["tracking_lost"] for e in (lost, recorded(calm_samples()))
    ]
    assert share[0] > share[1]


def test_lost_stars_are_explained_by_a_lost_guide_star():
    gone = Shot(status="none", stars=0, transparency=np.nan)
    assert judged(gone, recorded(calm_samples())).reasons[0] == "cloud"
    lost = recorded(calm_samples(), lost_s=60.0, coverage=0.5)
    assert judged(gone, lost).reasons[0] == "tracking_lost"


def points(exposure, quantity, reason, **field):
    """What one number says of a cause."""
    found = judged(oval(), exposure, **field).evidence
    return next((e.points for e in found if (e.quantity, e.reason) == (quantity, reason)), 0.0)


def test_an_error_larger_than_any_dither_is_a_star_that_was_lost():
    line = Shot(status="trailed", length=60.0)
    near, far = (judged(line, recorded(calm_samples(), peak=p)) for p in (3.0, 900.0))
    share = [dict(v.shares[0])["tracking_lost"] for v in (near, far)]
    assert share[0] < share[1]
    assert any("the largest guiding error is 900″" in e.text for e in far.evidence)


def test_a_burst_after_the_dither_settled_is_not_the_dithers():
    early, late = (
        recorded(calm_samples(), settle_overlap_s=14.0, peak=12.0, unsettled_peak=p)
        for p in (8.0, 0.8)
    )
    asked = "unsettled time", "dither_overlap"
    found = [points(e, *asked, step=-12.0) for e in (early, late)]
    assert found[0] > 0.3
    assert found[1] < found[0] - 0.5


def test_declination_that_moved_far_without_a_creep_was_not_creeping():
    there_and_back = recorded(calm_samples(), 3.0 * np.cos(2 * np.pi * SAMPLES / 10))
    drifted = recorded(calm_samples(), CREEP, one_sided_dec=0.98)
    share = [dict(judged(oval(), e).shares[0])["dec_drift"] for e in (there_and_back, drifted)]
    assert share[0] < 0.1 < 0.8 < share[1]


def test_a_creep_that_keeps_the_guider_from_settling_is_no_dither():
    steep = 2 * np.linspace(-2.3, 2.3, 60) + calm_samples()
    exposure = recorded(calm_samples(seed=6), steep, one_sided_dec=0.98, settle_overlap_s=80.0)
    assert judged(oval(), exposure).reasons[0] == "dec_drift"
