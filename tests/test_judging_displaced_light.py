"""Light that went elsewhere on the frame is distinguished from light that cloud took."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import poisson

from subgrade.judging import judge_night, load_limits
from subgrade.stars.model import StarFlag, StarList, Streak
from subgrade.stars.motion import second_image, star_trails
from tests.judged_nights import Shot, moffat_image, night_of, steady

LIMITS = load_limits()
BAD = 8
STEP = (-22.0, 15.0)


def field(seed=4, count=400):
    """Places and fluxes of a field, the same in every frame."""
    rng = np.random.default_rng(seed)
    return rng.uniform(20, 980, (count, 2)), np.sort(10 ** rng.uniform(2.5, 5, count))[::-1]


def catalogue(places, flux, noise=30.0, flags=0) -> StarList:
    flux = np.asarray(flux, float)
    order = np.argsort(-flux)
    zero = np.ones(len(flux))
    return StarList(
        places[order, 0],
        places[order, 1],
        flux[order],
        flux[order] / noise,
        flux[order] / 10,
        zero,
        zero,
        0 * zero,
        np.full(len(flux), flags, np.uint16),
    )


def with_second(ratio, step=STEP, kept=1.0, **shot):
    """A frame whose stars show a second image ``ratio`` as bright."""
    places, flux = field()
    second = flux * kept * ratio
    seen = second / 30 > 4
    both = np.vstack([places, places[seen] + step])
    return Shot(catalogue=catalogue(both, np.append(flux * kept, second[seen])), **shot)


def clear(**shot):
    places, flux = field()
    return Shot(catalogue=catalogue(places, flux), **shot)


def counted(shot):
    """Stars above S/N 20, as the measuring stage counts."""
    return replace(shot, stars=int(np.count_nonzero(shot.catalogue.snr > 20)))


def judged(shot, **night):
    shots = [replace(s, catalogue=clear().catalogue) for s in steady(20)]
    shots = [replace(counted(s), **night) for s in shots]
    shots[BAD] = shot
    return judge_night(night_of(shots), LIMITS)[BAD]


def test_a_second_image_is_found_with_its_offset_and_brightness():
    stars = night_of([with_second(0.12)]).frames[0].stars
    found = second_image(stars)
    assert (found.dx, found.dy) == pytest.approx(STEP, abs=0.1)
    assert found.ratio == pytest.approx(0.12, abs=0.005)
    assert found.pairs == found.asked == 60


@pytest.mark.parametrize("seed", range(40))
def test_chance_companions_are_no_second_image(seed):
    places, flux = field(seed, 900)
    stars = night_of([Shot(catalogue=catalogue(places, flux))]).frames[0].stars
    assert second_image(stars) is None


def test_the_chance_of_companions_is_poisson():
    # The bar of 1e-7 against scipy's Poisson tail: 0.35 expected, 7 pairs found among 200.
    assert 200 * poisson.sf(6, 0.35) == pytest.approx(1.9e-5, rel=0.02)
    places, flux = field(3, 60)
    few = np.vstack([places, places[:5] + STEP])
    stars = night_of([Shot(catalogue=catalogue(few, np.append(flux, flux[:5] * 0.2)))])
    assert second_image(stars.frames[0].stars) is None


def test_hot_pixels_are_no_companions():
    places, flux = field()
    real, hot = catalogue(places, flux), catalogue(places + STEP, flux * 0.2)
    flags = np.append(real.flags, np.full(len(flux), int(StarFlag.SHARP)))
    names = ("x", "y", "flux", "snr", "peak", "xx", "yy", "xy")
    joined = StarList(*(np.append(getattr(real, n), getattr(hot, n)) for n in names), flags)
    assert second_image(night_of([Shot(catalogue=joined)]).frames[0].stars) is None


def test_light_in_a_second_image_is_no_cloud():
    shot = counted(with_second(0.15, kept=0.8, transparency=0.8))
    verdict = judged(shot)
    assert (verdict.verdict, verdict.reasons) == ("reject", ("bump",))
    assert (
        "of the 60 brightest stars have a second image 26.6″ (26.6 px) away" in verdict.explanation
    )
    assert "20% of the light is displaced (limit 7.5%)" in verdict.explanation


def test_a_second_image_where_the_last_frame_had_its_stars_is_a_late_dither():
    # A frame position p lies at p + (dx, dy) on the reference: the stars moved by -STEP.
    shot = counted(with_second(0.12, kept=0.83, transparency=0.83, dx=STEP[0], dy=STEP[1]))
    verdict = judged(shot)
    assert (verdict.verdict, verdict.reasons) == ("reject", ("dither_overlap",))
    assert "from where the previous frame had its stars (26.6″ away)" in verdict.explanation
    elsewhere = counted(with_second(0.12, kept=0.83, transparency=0.83, dx=STEP[1], dy=STEP[0]))
    assert judged(elsewhere).reasons == ("bump",)
    half = counted(with_second(0.7, kept=0.59, transparency=0.59, dx=STEP[0], dy=STEP[1]))
    assert judged(half).reasons[0] == "bump"


def test_a_faint_second_image_is_a_remark():
    verdict = judged(counted(with_second(0.03, kept=0.97, transparency=0.97)))
    assert (verdict.verdict, verdict.reasons) == ("keep", ("bump",))


def test_a_count_that_does_not_fall_with_the_light_is_no_cloud():
    places, flux = field()
    dim = counted(Shot(catalogue=catalogue(places, flux * 0.4), transparency=0.4))
    assert judged(dim).reasons == ("cloud",)
    full = replace(dim, stars=counted(clear()).stars)
    verdict = judged(full)
    assert verdict.verdict == "reject"
    assert "cloud" not in verdict.reasons
    assert "where transparency 0.40 would leave" in verdict.explanation
    (item,) = [e for e in verdict.evidence if e.quantity == "stars left"]
    assert item.usual == pytest.approx(dim.stars, abs=1)


def thrown(lost, **shot):
    """A frame that lost so much light, and nothing beside its stars shows where it went."""
    return counted(with_second(0.0, kept=1 - lost, transparency=1 - lost, **shot))


@pytest.mark.parametrize(("lost", "verdict"), [(0.22, "reject"), (0.18, "reject"), (0.12, "keep")])
def test_light_missing_in_one_frame_alone_under_the_same_sky_was_thrown_far(lost, verdict):
    found = judged(thrown(lost))
    assert found.verdict == verdict
    assert "cloud" not in found.reasons
    assert "in this frame alone, under a sky as bright as in the frames beside" in found.explanation
    # 5 % more sky is 0.05 sqrt(S) of its noise, 1.1 for 500 electrons
    assert judged(thrown(lost, sky=Shot().sky * 1.05)).reasons == (
        ("cloud",) if lost > 0.15 else ()
    )
    # wide stars may have the light in their wings
    assert judged(thrown(lost, fwhm=1.26 * Shot().fwhm)).reasons[0] != "tracking_lost"


def test_light_missing_from_two_frames_running_is_cloud():
    shots = [counted(replace(s, catalogue=clear().catalogue)) for s in steady(20)]
    shots[BAD] = shots[BAD + 1] = thrown(0.22)
    found = judge_night(night_of(shots), LIMITS)
    assert {found[k].verdict for k in (BAD, BAD + 1)} == {"keep"}
    assert {found[k].reasons for k in (BAD, BAD + 1)} == {("cloud",)}


def lines(angle, lengths, apart=60.0, start=(200.0, 200.0)):
    t = np.radians(angle)
    along, across = np.array([np.cos(t), np.sin(t)]), np.array([-np.sin(t), np.cos(t)])
    found = []
    for k, length in enumerate(lengths):
        a = np.array(start) + k * apart * across
        b = a + length * along
        found.append(Streak(*map(float, (*a, *b)), 4.0, 20.0))
    return tuple(found)


@pytest.mark.parametrize(
    ("streaks", "count"),
    [
        (lines(35, [300, 310, 290]), 3),
        (lines(35, [300, 310]), 0),
        (lines(35, [300, 120, 700]), 0),
        (lines(35, [300, 310, 290], apart=0.0), 0),
        (lines(10, [300]) + lines(50, [300]) + lines(90, [300]), 0),
        # The frame is 1200 px wide: these leave it, so their lengths need not agree.
        (lines(0, [500, 760, 990], start=(205.0, 200.0))[2:] + lines(0, [300] * 3), 4),
    ],
)
def test_parallel_lines_alike_are_the_stars_own_trails(streaks, count):
    stars = night_of([Shot(streaks=streaks)]).frames[0].stars
    assert len(star_trails(stars)) == count


def test_star_trails_over_lost_light_are_lost_tracking_and_no_satellites():
    shot = clear(transparency=0.25, streaks=lines(35, [300, 310, 290]), stars=110)
    verdict = judged(shot)
    assert (verdict.verdict, verdict.reasons) == ("reject", ("tracking_lost",))
    assert "3 parallel streaks, 290 px to 310 px long" in verdict.explanation


def test_lines_of_the_stars_themselves_are_never_kept():
    # a stall of three seconds in five minutes: a hundredth of the light, in lines beside each star
    stalled = judged(clear(transparency=0.99, streaks=lines(35, [58, 61, 55, 57])))
    assert (stalled.verdict, stalled.reasons[0]) == ("reject", "tracking_lost")
    assert stalled.confidence > 0.99
    assert "4 parallel streaks" in stalled.explanation
    # side by side from edge to edge they may be satellites; two may be chance
    for streaks in (lines(0, [1199] * 3, start=(0.5, 200.0)), lines(35, [58, 61])):
        found = judged(clear(transparency=0.99, streaks=streaks))
        assert found.verdict == "keep"


def test_bright_places_without_a_star_shape_are_no_cloud():
    gone = Shot(status="none", stars=0, transparency=np.nan, places=140)
    verdict = judged(gone)
    assert verdict.reasons == ("tracking_lost",)
    assert "140 places stand out" in verdict.explanation
    trailed = replace(gone, places=0, streaks=lines(35, [300, 310, 290]))
    assert judged(trailed).reasons == ("tracking_lost",)
    empty = replace(gone, places=0)
    assert judged(empty).reasons == ("cloud",)


@pytest.mark.parametrize(
    ("share", "step", "reason"),
    [
        (0.15, (-9.0, 0.0), "dither_overlap"),
        (0.15, (9.0, 0.0), "bump"),
        (0.45, (-9.0, 0.0), "bump"),
    ],
)
def test_the_fainter_of_two_images_tells_a_late_dither(share, step, reason):
    # The second image lies 9 px to the left: there the stars were before a step to the right.
    image = moffat_image(3.0, (0.0, -9.0), (1 - share, share), 0.0)
    shot = Shot(status="doubled", length=9.0, angle=0.0, image=image, dx=step[0], dy=step[1])
    assert judged(shot).reasons == (reason,)


def test_patchy_cloud_keeps_its_name():
    # Two quarters clear and two dark: many stars stay, the matched starlight is halved.
    whole = counted(clear()).stars
    shot = replace(clear(transparency=0.5, quarters=(0.95, 0.9, 0.1, 0.05)), stars=whole)
    assert judged(shot).reasons[0] == "cloud"
    assert judged(replace(shot, quarters=(0.5,) * 4)).reasons[0] != "cloud"


def test_hot_pixels_under_cloud_are_no_smeared_stars():
    gone = Shot(status="none", stars=0, transparency=np.nan, places=140)
    assert judged(gone, hot=60).reasons == ("cloud",)
