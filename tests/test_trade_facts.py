"""What every imager knows of guided nights, held against the practice night and the join.

Each fact is common practice, no source, unless the check names one.  No pixels are rendered:
stars are the exact convolution of the practice night's blur with its path.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from subgrade.guiding import guide_night
from subgrade.guiding.predict import CameraAngle, predict
from subgrade.judging import judge_night, load_limits
from subgrade.practice import Event, build_night, default_scenario
from subgrade.practice.exposure import blur_at, zone_path
from subgrade.practice.geometry import hour_angle_deg, pixels_per_arcsec
from subgrade.practice.motion import STEP_S, mount_path
from subgrade.practice.night import exposure_of, stream
from subgrade.practice.optics import star_spectrum
from subgrade.practice.profile import star_truth
from subgrade.practice.record import guide_scale
from tests.benchmarks.guiding import bare_night, night_of
from tests.judged_nights import Shot, guide_of, steady
from tests.judged_nights import night_of as made_night

LIMITS = load_limits()
REMARK, OVAL = LIMITS.roundness.remark, LIMITS.roundness.floor


def long_focus(events=(), frames=12, seed=1, **parts):
    """The default night: 2 m main and 1.9 m guide scope, two-minute subs, small frames."""
    scenario = default_scenario(seed=seed, frames=frames, width=200, height=150)
    scenario = replace(scenario, events=tuple(events))
    for part, values in parts.items():
        scenario = replace(scenario, **{part: replace(getattr(scenario, part), **values)})
    return scenario


def star(plan, index: int):
    """The star at the field's middle in one exposure."""
    exposure = exposure_of(plan, index)
    k = 3.0 * np.fft.fftfreq(3 * 96)
    blur = blur_at(exposure, exposure.centre)
    return star_truth(star_spectrum(blur, zone_path(exposure, exposure.centre), k, k), k, k)


def eccentricities(scenario, indices=None) -> np.ndarray:
    plan = build_night(scenario)
    indices = range(scenario.plan.frames) if indices is None else indices
    return np.array([star(plan, k).eccentricity for k in indices])


def joined(scenario):
    """The night's record joined to its exposures, as the program would have it."""
    bare = bare_night(scenario)
    return bare, guide_night(night_of(bare, np.random.default_rng(1)), [bare.record])


def inside(plan, index: int) -> np.ndarray:
    """(east, north) of the guide star during one exposure, arcsec, shape (n, 2)."""
    begin, end = plan.line.begin[index], plan.line.end[index]
    return np.array([(s.east, s.north) for s in plan.guided.samples if begin < s.time <= end])


# Common practice, no source: guiding within one pixel of the guide camera, at like focal
# lengths, leaves stars pinpoint.


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_guiding_within_a_guide_pixel_leaves_pinpoint_stars(seed):
    scenario = long_focus(seed=seed)
    pixel = guide_scale(scenario)
    assert scenario.guider.focal_mm / scenario.optics.focal_mm == pytest.approx(1, abs=0.1)
    plan = build_night(scenario)
    errors = [inside(plan, k) for k in range(scenario.plan.frames)]
    assert np.mean(np.abs(np.concatenate(errors)) < pixel) > 0.95
    assert max(np.sqrt((e**2).sum(axis=1).mean()) for e in errors) < 0.8 * pixel
    assert eccentricities(scenario).max() < REMARK


def test_what_a_guide_pixel_of_motion_adds_to_the_stars_stays_below_a_remark():
    # By numbers: the recorded motion, turned into the image, on top of a round star.
    scenario = long_focus()
    bare, found = joined(scenario)
    seeing = (scenario.air.seeing_arcsec / 2.354820 / scenario.scale_arcsec) ** 2
    image = pixels_per_arcsec(scenario.camera, scenario.scale_arcsec)
    angle = float(np.degrees(np.arctan2(image[1, 0], image[0, 0])))
    camera = CameraAngle(angle, 0.3, int(np.sign(np.linalg.det(image))), "wcs")
    quiet = min(found.calm_rms_ra, found.calm_rms_dec)
    night = night_of(bare, np.random.default_rng(1))
    predictions = predict(night, found.exposures, camera, quiet)
    assert len(predictions) == 12
    for xx, yy, xy in (p.predicted for p in predictions):
        small, large = np.linalg.eigvalsh([[seeing + xx, xy], [xy, seeing + yy]])
        assert np.sqrt(1 - small / large) < REMARK
    # A pixel to and fro all the time: a box a pixel long has variance 1/12 (section 3).
    box = (guide_scale(scenario) / scenario.scale_arcsec) ** 2 / 12
    assert np.sqrt(box / (seeing + box)) < REMARK
    # Four pixels, and the stars are oval.
    assert np.sqrt(16 * box / (seeing + 16 * box)) > OVAL


# Common practice, no source: a gust throws the guide star several pixels off, and it swings
# about the centre several times before it is quiet.


GUST = Event("wind_trail", 6, 6, size=9.0, angle_deg=75.0, at=0.3, duration_s=20.0)


def reversals(values: np.ndarray) -> int:
    return int(np.count_nonzero(values[1:] * values[:-1] < 0))


def test_a_gust_throws_the_guide_star_off_and_it_rings_down():
    scenario = long_focus([GUST])
    plan, calm = build_night(scenario), build_night(long_focus())
    record = inside(plan, 5)[:, 0]
    pixel = guide_scale(scenario)
    usual = inside(calm, 5)[:, 0].std()
    hit = int(np.argmax(np.abs(record)))
    assert abs(record[hit]) > 3 * pixel
    stirred = record[hit : hit + 12]
    assert reversals(stirred[np.abs(stirred) > usual]) >= 3
    assert np.abs(record[hit + 12 : hit + 24]).std() < 1.5 * usual
    # The tube itself, once the last push is over: the difference to the night without the gust.
    paths = [mount_path(s, plan.line, stream(s, "mount")) for s in (scenario, long_focus())]
    begin = plan.line.span(5).start + round((GUST.at * 120.0 + GUST.duration_s + 1) / STEP_S)
    swing = (paths[0] - paths[1])[0, begin : begin + round(4 / STEP_S)]
    assert reversals(swing) >= 6
    first, last = np.abs(swing[: len(swing) // 4]).max(), np.abs(swing[-len(swing) // 4 :]).max()
    assert 0 < last < 0.4 * first


def test_the_join_finds_the_gust_in_its_exposure_and_the_verdict_says_wind():
    _, found = joined(long_focus([GUST]))
    assert [k for k, e in enumerate(found.exposures) if e.gusts] == [5]
    gust = found.exposures[5]
    assert gust.gust_size > 3 * guide_scale(long_focus())
    assert gust.gust_time == pytest.approx(0.3 * 120.0, abs=12.0)
    assert gust.gust_settle_s < 30.0
    shots = steady(20)
    shots[8] = Shot(fwhm=3.6, eccentricity=0.62, angle=105.0)
    night = made_night(shots)
    assert judge_night(night, LIMITS, guide_of(night, {8: gust}))[8].reasons[0] == "wind_trail"


# Common practice, no source: cloud over the guide star shows as a change of its brightness,
# and usually costs the sub: stars become ovals or lines.


@pytest.mark.parametrize("lost", [0.4, 0.6, 0.8])
def test_cloud_over_the_guide_star_dims_it_as_much_as_the_rest(lost):
    scenario = long_focus([Event("cloud", 5, 7, size=lost)])
    _, found = joined(scenario)
    weather = build_night(scenario).weather
    for k, exposure in enumerate(found.exposures):
        assert exposure.star_drop == pytest.approx(weather[k].light, abs=0.1)
    # And cloud that dims the guide star too is told from dew or a fault.
    shots = steady(20)
    shots[8] = Shot(transparency=weather[5].light, stars=int(300 * weather[5].light))
    night = made_night(shots)
    verdict = judge_night(night, LIMITS, guide_of(night, {8: found.exposures[5]}))[8]
    assert verdict.reasons[:1] == ("cloud",)
    assert any("guide star" in e.text for e in verdict.evidence)


@pytest.mark.slow
def test_thick_cloud_loses_the_guide_star_and_usually_costs_the_sub():
    shapes, gone = [], []
    for seed in range(1, 7):
        scenario = long_focus([Event("cloud", 5, 7, size=0.95)], frames=9, seed=seed)
        _, found = joined(scenario)
        gone += [found.exposures[k].lost_s for k in (4, 5, 6)]
        shapes += eccentricities(scenario, (4, 5, 6)).tolist()
        assert (eccentricities(scenario, (1, 2)) < REMARK).all()
    assert np.mean(np.array(gone) > 20.0) > 0.8
    # Left to the worm and the pole: most are oval beyond the limit, many lines.
    assert np.mean(np.array(shapes) > OVAL) > 0.7
    assert np.mean(np.array(shapes) > 0.8) > 0.3


# Common practice, no source: with declination unguided, its drift over time measures the
# polar misalignment.  Rate: 0.262516 arcsec a minute for an arcminute (published checks,
# section 4), times the cosine of the hour angle for an axis east of the pole.


@pytest.mark.parametrize("arcmin", [2.0, 5.0, 10.0])
def test_drift_in_declination_measures_the_pole(arcmin):
    measured, held, least = [], [], []
    for seed in (1, 2, 3):
        scenario = long_focus(
            [Event("dec_drift", 5, 8)],
            seed=seed,
            mount={"pole_high_arcmin": 0.0, "pole_east_arcmin": arcmin},
        )
        bare, found = joined(scenario)
        hours = hour_angle_deg(0.5 * (bare.start + bare.end), scenario.site, scenario.target)
        rate = 0.262516 * np.cos(np.radians(hours))
        drift = np.array([e.drift_dec for e in found.exposures])
        measured += (-drift[4:8] / rate[4:8]).tolist()
        held += (drift[:4] / rate[:4]).tolist()
        # One drift alone bounds the misalignment from below: the cosine stays unknown.
        least.append(found.polar_arcmin / (arcmin * np.cos(np.radians(hours)).mean()))
    assert np.median(measured) == pytest.approx(arcmin, rel=0.04, abs=0.2)
    # While declination is guided hardly anything of it is left in the errors; the
    # corrections tell it all the same.
    assert abs(np.median(held)) < 0.4
    assert np.median(least) == pytest.approx(1.0, abs=0.15)


# Common practice, no source: at 2 m of focal length a guide exposure of 2 s keeps up with
# the worm where 5 s cannot.


def test_two_second_guide_exposures_keep_up_where_five_seconds_cannot():
    rms, oval, told = {}, {}, {}
    for seconds in (2.0, 5.0):
        # A longer exposure averages the guide star's seeing: noise as its inverse root.
        guider = {
            "exposure_s": seconds,
            "interval_s": seconds + 1.0,
            "seeing_noise_arcsec": 0.22 / np.sqrt(seconds),
        }
        mount = {"worm_arcsec": 6.0, "worm_second": 0.25, "worm_period_s": 170.0}
        scenario = long_focus(guider=guider, mount=mount, plan={"dither_every": 0})
        bare, found = joined(scenario)
        rms[seconds] = np.sqrt(np.median(bare.moments[:, 0]))
        oval[seconds] = float(np.median(eccentricities(scenario, range(0, 12, 3))))
        told[seconds] = found.guide_exposure
    assert rms[2.0] < 0.8 * guide_scale(scenario)
    assert rms[5.0] > 1.8 * rms[2.0]
    assert oval[2.0] < OVAL < oval[5.0]
    assert told[5.0] == "too slow"


# Common practice, no source: at 2 m of focal length any motion shows fast, and a good
# two-minute sub there has round stars.


def test_a_good_two_minute_sub_at_two_metres_has_round_stars():
    for seed in (1, 2, 3):
        scenario = long_focus(seed=seed, frames=8)
        assert scenario.plan.exposure_s == 120.0
        assert (scenario.optics.focal_mm, scenario.guider.exposure_s) == (2000.0, 1.0)
        assert eccentricities(scenario).max() < REMARK


def test_the_same_motion_shows_at_two_metres_and_hides_in_a_short_tube():
    # Four and a half arcsec in two minutes, unseen by the guider.  The same camera on a tube
    # of 400 mm has pixels of 4.7 arcsec, and stars no smaller than two of them.
    event = [Event("flexure", 4, 4, size=4.5, angle_deg=40.0)]
    shapes = {}
    for focal in (2000.0, 400.0):
        scenario = long_focus(event, frames=4, optics={"focal_mm": focal})
        width = max(scenario.air.seeing_arcsec, 2.0 * scenario.scale_arcsec)
        scenario = replace(scenario, air=replace(scenario.air, seeing_arcsec=width))
        shapes[focal] = eccentricities(scenario, (3,))[0]
    assert shapes[2000.0] > OVAL
    assert shapes[400.0] < REMARK
