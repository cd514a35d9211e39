"""A trail common to all frames: taken out, judged without it, and distinguished from drift."""

from dataclasses import replace

import numpy as np
import pytest

from subgrade.judging import follow, judge_night, load_limits
from subgrade.night.common_trail import ExpectedMotion, creep_of
from subgrade.night.series import group_series
from subgrade.stars.model import FrameStars, StarImage, Streak
from subgrade.stars.motion.trail_removed import (
    least_motion,
    light_beside,
    plain_box,
    read_box,
    without_trail,
)
from tests.judged_nights import (
    EXPOSURE_S,
    SKY_AXES,
    calm_samples,
    guide_of,
    moffat_image,
    night_of,
    recorded,
    steady,
)

LIMITS = load_limits()
SIGMA = 3.0 / 2.3548200450
"""Of a Gaussian star of FWHM 3 px."""
STEP_S = EXPOSURE_S + 10.0


def drawn(stars: FrameStars, length: float, angle: float) -> FrameStars:
    """A star drawn into an even line of any length, as the adaptive weight would read it."""
    along = float(read_box(length**2 / 12, SIGMA**2))
    t = np.radians(angle)
    xx = stars.xx + along * np.cos(t) ** 2
    yy = stars.yy + along * np.sin(t) ** 2
    xy = stars.xy + along * np.sin(t) * np.cos(t)
    mean, half = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    return replace(
        stars,
        xx=xx,
        yy=yy,
        xy=xy,
        eccentricity=float(np.sqrt(2 * half / (mean + half))),
        angle_deg=float(np.degrees(0.5 * np.arctan2(2 * xy, xx - yy)) % 180),
        fwhm_major_px=2.3548 * np.sqrt(mean + half),
        fwhm_minor_px=2.3548 * np.sqrt(mean - half),
        fwhm_px=2.3548 * (mean**2 - half**2) ** 0.25,
    )


def comet_night(length=8.0, angle=40.0, count=20, dither=4.0, bad=(), creep=True, **facts):
    """Stars drawn by ``length`` px along ``angle`` in every frame while the field goes by."""
    rng = np.random.default_rng(3)
    shots = steady(count, facts={"sky_axes": None, **facts})
    rate = length / EXPOSURE_S * STEP_S * np.exp(1j * np.radians(angle)) * creep
    for k, shot in enumerate(shots):
        place = k * rate + dither * complex(*rng.uniform(-1, 1, 2))
        shot.dx, shot.dy = place.real, place.imag
    for k in bad:
        shots[k].fwhm, shots[k].eccentricity, shots[k].angle = 3.6, 0.8, angle + 90.0
    night = night_of(shots)
    frames = tuple(replace(f, stars=drawn(f.stars, length, angle)) for f in night.frames)
    return replace(night, frames=frames)


def test_the_adaptive_reading_of_a_line_is_what_galsim_reads():
    # GalSim 2.8.5 hsm on a Gaussian of FWHM 3 px drawn by 2 and by 4 px: axis ratio 0.9063 and
    # 0.7113 (published checks, section 3).
    for length, ratio in ((2.0, 0.9063), (4.0, 0.7113)):
        read = read_box(length**2 / 12, SIGMA**2)
        assert np.sqrt(SIGMA**2 / (SIGMA**2 + read)) == pytest.approx(ratio, abs=3e-4)
    for plain in (0.1, 3.0, 200.0):
        assert plain_box(read_box(plain, 1.6), 1.6) == pytest.approx(plain, rel=1e-6)


def test_least_motion_is_the_wasserstein_distance():
    # Nothing beyond the trail; a trail too long by d leaves d^2 / 12 [a drift in step with it].
    star = SIGMA**2
    for seen, expected in ((6.0, 6.0), (9.0, 6.0), (5.0, 8.0)):
        along = star + float(read_box(seen**2 / 12, star))
        rest, beyond, across, cross = least_motion(along, star, 0.0, expected, star)
        assert rest == pytest.approx(star, rel=1e-3)
        assert beyond == pytest.approx((seen - expected) ** 2 / 12, abs=5e-3)
        assert (across, cross) == pytest.approx((0.0, 0.0), abs=1e-9)


def test_a_swollen_star_on_a_trail_stays_round_and_a_sideways_motion_shows():
    star, wide = SIGMA**2, 1.6 * SIGMA**2
    trail = 6.0
    along = wide + float(read_box(trail**2 / 12, wide))
    rest, beyond, across, _ = least_motion(along, wide, 0.0, trail, star)
    assert rest == pytest.approx(wide, rel=0.02)
    assert beyond < 0.02
    assert across < 0.05
    # The star of usual width that also moved across: the trail is as long, the star wider.
    along = star + float(read_box(trail**2 / 12, star))
    rest, beyond, across, _ = least_motion(along, 2.5 * star, 0.0, trail, star)
    assert across > 1.0 * star
    assert beyond < 0.3 * star


def test_the_trail_is_taken_out_of_a_frame_of_lines_with_its_streaks():
    night = comet_night(24.0)
    lines = replace(
        night.frames[0].stars,
        shape_status="trailed",
        length_px=24.0,
        streaks=(Streak(100, 100, 120, 117, 3.0, 500.0), Streak(0, 500, 1199, 400, 3.0, 50.0)),
    )
    found = without_trail(lines, 24.0, 40.0, SIGMA**2)
    assert found.shape_status == "measured"
    assert np.isnan(found.length_px)
    assert found.eccentricity < 0.35
    assert found.fwhm_px == pytest.approx(3.0, rel=0.03)
    assert found.streaks == (lines.streaks[1],)


@pytest.mark.parametrize("length", [4.5, 9.0, 24.0])
def test_a_comet_night_is_kept_but_for_the_frames_that_moved_besides(length):
    night = comet_night(length, bad=(7,))
    verdicts = judge_night(night, LIMITS)
    assert [k for k, v in enumerate(verdicts) if v.verdict == "reject"] == [7]
    assert "is left out of shape and width" in verdicts[0].explanation
    followed = follow(night)
    assert followed.trails[0].length_px == pytest.approx(length, rel=0.1)
    assert followed.trails[0].angle_deg == pytest.approx(40.0, abs=4)
    (remark,) = followed.remarks
    assert "in every frame" in remark
    assert "the mount follows a moving target, or it was not" in remark


def test_without_the_creep_every_frame_of_lines_stays_rejected():
    night = comet_night(9.0, creep=False)
    followed = follow(night)
    assert followed.trails == ()
    (remark,) = followed.remarks
    assert "most frames are drawn alike" in remark
    assert "--expected-motion" in remark
    assert {v.verdict for v in judge_night(night, LIMITS)} == {"reject"}


def faulty_comet(length=9.0, angle=40.0):
    """A comet night with drifts on top in seven frames of twenty, each of which moves the field."""
    night, rng = comet_night(length, angle, dither=2.0), np.random.default_rng(5)
    frames, compared, off = list(night.frames), list(night.compared), 0j
    plain = [f.stars for f in comet_night(1e-3).frames]
    for k in range(20):
        if k in FAULTS:
            drift = length * np.exp(1j * np.radians(rng.uniform(100, 160)))
            line = length * np.exp(1j * np.radians(angle)) + drift
            stars = drawn(plain[k], abs(line), np.degrees(np.angle(line)) % 180)
            frames[k] = replace(frames[k], stars=stars)
            off += drift
        at = compared[k].registration
        at = replace(at, dx=at.dx + off.real, dy=at.dy + off.imag)
        compared[k] = replace(compared[k], registration=at)
    return replace(night, frames=tuple(frames), compared=tuple(compared))


FAULTS = (3, 4, 8, 9, 13, 14, 17)


def test_frames_that_drift_besides_do_not_hide_the_comet_from_the_others():
    night = faulty_comet()
    assert creep_of(group_series(night, night.groups[0])).angle_deg > 55  # their shifts pull at it
    assert follow(night).trails[0].angle_deg == pytest.approx(40.0, abs=4)
    verdicts = judge_night(night, LIMITS)
    assert {k for k, v in enumerate(verdicts) if v.verdict == "reject"} == set(FAULTS)


def test_a_fault_in_more_than_half_of_the_frames_is_no_trail_that_all_share():
    night, still = comet_night(9.0), comet_night(1e-3)
    for count in (5, 9):
        # evenly over the night, so that the field goes by all the way
        good = set(np.linspace(0, 19, count).astype(int))
        frames = tuple(
            s if k in good else f
            for k, (f, s) in enumerate(zip(night.frames, still.frames, strict=True))
        )
        mixed = replace(night, frames=frames)
        assert follow(mixed).trails == ()
        kept = {k for k, v in enumerate(judge_night(mixed, LIMITS)) if v.verdict == "keep"}
        assert kept == good


@pytest.mark.parametrize("unknown", ["exposure", "places"])
def test_a_comet_is_kept_where_the_drift_of_the_field_cannot_be_known(unknown):
    night = comet_night(9.0)
    if unknown == "exposure":
        group = replace(night.groups[0], exposure_s=None)
        night = replace(night, groups=(group,))
    else:
        night = replace(
            night, compared=tuple(replace(c, registration=None) for c in night.compared)
        )
    followed = follow(night)
    (remark,) = followed.remarks
    assert "--expected-motion" in remark
    assert ("without an exposure time" if unknown == "exposure" else "is unknown") in remark
    assert {v.verdict for v in judge_night(night, LIMITS)} == {"keep"}
    # what hardly passes for oval is left to the ordinary limits then
    dim = comet_night(2.6)
    dim = replace(dim, groups=(replace(dim.groups[0], exposure_s=None),))
    assert follow(dim).trails == ()


def test_a_guider_that_saw_the_creep_did_not_follow_a_target():
    night = comet_night(9.0)
    minutes = np.arange(60) * 2.0 / 60
    crept = recorded(calm_samples(), 4.5 * minutes)  # 9 arcsec in the 120 s of an exposure
    guiding = guide_of(night, dict.fromkeys(range(20), crept))
    assert follow(night, None, guiding).trails == ()


def test_a_guider_that_held_its_star_points_at_a_followed_target_or_flexure():
    night = comet_night(9.0)
    (remark,) = follow(night, None, guide_of(night, {})).remarks
    assert "the guider held its star" in remark
    assert "this is differential flexure all night" in remark


def test_the_name_of_a_comet_settles_it():
    night = comet_night(9.0)
    named = replace(night, groups=(replace(night.groups[0], target="C/2031 Q7"),))
    (remark,) = follow(named).remarks
    assert "by its name C/2031 Q7" in remark
    assert "cannot tell" not in remark


def test_a_comet_by_name_is_kept_though_the_dithers_hide_the_drift_of_the_field():
    night = comet_night(9.0, creep=False)
    named = replace(night, groups=(replace(night.groups[0], target="Comet 13"),))
    (remark,) = follow(named).remarks
    assert "by its name Comet 13" in remark
    assert "though the field seems to drift otherwise" in remark
    assert {v.verdict for v in judge_night(named, LIMITS)} == {"keep"}


@pytest.mark.parametrize(
    ("angle", "verdict"), [(90.0, "reject"), (102.0, "reject"), (70.0, "keep"), (0.0, "keep")]
)
def test_drift_along_declination_is_a_misaligned_polar_axis_and_no_target(angle, verdict):
    # North up and east left: declination is the image's y axis.
    night = comet_night(9.0, angle=angle, sky_axes=SKY_AXES)
    (remark,) = follow(night).remarks
    assert {v.verdict for v in judge_night(night, LIMITS)} == {verdict}
    drift = "in Dec, as a misaligned polar axis makes them drift unless guiding corrects it"
    assert (drift in remark) == (verdict == "reject")
    assert "--expected-motion" in remark
    # what is known to have been followed is kept whichever way it went
    named = replace(night, groups=(replace(night.groups[0], target="C/2031 Q7"),))
    assert {v.verdict for v in judge_night(named, LIMITS)} == {"keep"}
    held = guide_of(night, {})
    assert {v.verdict for v in judge_night(night, LIMITS, held)} == {"keep"}


def test_a_keep_is_never_sure_where_the_mount_may_have_followed_nothing():
    night = comet_night(9.0)
    assert max(v.confidence for v in judge_night(night, LIMITS)) == pytest.approx(0.8)
    named = replace(night, groups=(replace(night.groups[0], target="C/2031 Q7"),))
    assert min(v.confidence for v in judge_night(named, LIMITS)) > 0.95


def test_the_users_rate_and_position_angle_are_turned_into_the_image():
    # 1 arcsec a pixel: 9 px in 120 s are 270 arcsec an hour.  North up, east left: position
    # angle 50 deg lies at 90 + 50 = 140 deg from +x.
    night = comet_night(9.0, angle=140.0, sky_axes=SKY_AXES)
    followed = follow(night, ExpectedMotion(270.0, 50.0))
    assert followed.trails[0].length_px == pytest.approx(9.0)
    assert followed.trails[0].angle_deg == pytest.approx(140.0)
    assert "--expected-motion gives " in followed.remarks[0]
    verdicts = judge_night(night, LIMITS, None, followed)
    assert {v.verdict for v in verdicts} == {"keep"}


def test_without_orientation_only_the_rate_is_used_and_that_is_said():
    night = comet_night(9.0, angle=140.0)
    followed = follow(night, ExpectedMotion(270.0, 10.0))
    assert followed.trails[0].angle_deg == pytest.approx(140.0, abs=4)
    assert "the headers do not give the camera's angle" in followed.remarks[0]


def test_a_rate_that_the_frames_contradict_is_not_taken_out():
    night = comet_night(9.0, angle=140.0, sky_axes=SKY_AXES)
    for asked in (ExpectedMotion(270.0, 140.0), ExpectedMotion(900.0, 50.0)):
        followed = follow(night, asked)
        assert followed.trails == ()
        assert "not taken out" in followed.remarks[0]
        assert "but the field drifts by" in followed.remarks[0]


def test_creep_is_measured_through_dithers_and_a_flip():
    night = comet_night(6.0, count=30)
    creep = creep_of(group_series(night, night.groups[0]))
    assert abs(creep.length_px - 6.0) < 3 * creep.error_px
    assert creep.error_px < 0.3
    assert creep.straight
    # After a flip the picture stands on its head; the field goes on as before on the reference.
    flipped = list(night.compared)
    for k in range(15, 30):
        r = flipped[k].registration
        middle = complex(1199 / 2, 999 / 2)
        place = complex(r.dx, r.dy) + 2 * middle + 40
        flipped[k] = replace(
            flipped[k], registration=replace(r, dx=place.real, dy=place.imag, rotation_deg=180.0)
        )
    night = replace(night, compared=tuple(flipped))
    again = creep_of(group_series(night, night.groups[0]))
    assert abs(again.length_px - 6.0) < 4 * again.error_px + 0.3


def test_round_stars_and_plain_dithers_are_left_alone():
    night = night_of(steady(20))
    assert follow(night).night is night
    assert follow(night).remarks == ()


def image_of(length, places=(0.0,), shares=(1.0,)):
    """A star image drawn along a trail, part of its light thrown aside."""
    along = moffat_image(3.0, tuple(np.linspace(-length / 2, length / 2, 41)), (1 / 41,) * 41)
    aside = np.array([np.roll(along.image, round(p / along.step_px), axis=0) for p in places])
    image = np.tensordot(shares, aside, axes=1)
    return StarImage((image / image.max()).astype(np.float32), along.step_px, 100)


def test_light_thrown_across_the_trail_rejects_a_frame_whose_shape_hides_it():
    night = comet_night(9.0, angle=0.0)
    frames = []
    for k, frame in enumerate(night.frames):
        places, shares = ((0.0, 6.0), (0.86, 0.14)) if k == 11 else ((0.0,), (1.0,))
        image = image_of(9.0, places, shares)
        frames.append(replace(frame, stars=replace(frame.stars, star_image=image)))
    night = replace(night, frames=tuple(frames))
    share = light_beside(night.frames[11].stars, 0.0) - light_beside(night.frames[0].stars, 0.0)
    assert share == pytest.approx(0.14, abs=0.04)
    verdicts = judge_night(night, LIMITS)
    assert [k for k, v in enumerate(verdicts) if v.verdict == "reject"] == [11]
