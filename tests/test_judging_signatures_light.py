"""Signatures of light, width and odd frames, built from formulas: over the limit, and under it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from subgrade.judging import judge_night
from subgrade.lights.model import HeaderFacts
from subgrade.night import compare_night
from subgrade.pipeline import Settings, grade
from subgrade.stars.model import StarImage, Streak
from tests.cli_frames import write_night
from tests.judged_nights import (
    Shot,
    moffat_image,
    night_of,
)
from tests.night_fields import make_night, make_sky
from tests.signatures import (
    FWHM,
    LIMITS,
    answer,
    glow,
    judged,
    one,
    plain_night,
    wet,
)

# Light -------------------------------------------------------------------------------------


def test_starlight_lost_under_a_sky_hardly_brighter_is_cloud():
    # Depth goes as (T / noise)^2: half of it is left at T = sqrt(1/2).  Cloud cannot leave the sky
    # just as it is (`test_light_missing_in_one_frame_alone_under_the_same_sky_was_thrown_far`).
    edge = np.sqrt(LIMITS.light.depth)
    over, under = (
        Shot(transparency=x * edge, stars=int(300 * x * edge), sky=1002.0) for x in (0.95, 1.05)
    )
    assert answer(one(over)) == ("reject", "cloud")
    assert answer(one(under)) == ("keep", "cloud")
    thin = LIMITS.light.remark_transparency
    assert one(Shot(transparency=1.03 * thin, sky=1002.0)).reasons == ()


def test_cloud_over_a_part_of_the_frame_shows_in_the_quarters():
    limit = LIMITS.light.uneven
    for x, verdict in ((1.1, "reject"), (0.85, "keep")):
        spread = x * limit
        quarters = (1 + spread / 2, 1.0, 1.0, 1 - spread / 2)
        found = one(Shot(quarters=quarters))
        assert found.verdict == verdict
        assert found.reasons == (("cloud",) if verdict == "reject" else ())


def test_a_bright_sky_drowns_half_the_depth_when_it_has_doubled():
    edge = 1 / LIMITS.light.depth
    over, under = one(glow(1.12 * edge)), one(glow(0.88 * edge))
    assert answer(over) == ("reject", "sky_glow")
    assert (under.verdict, under.reasons) == ("keep", ())


def test_of_lost_light_and_noise_the_one_that_costs_more_depth_is_named():
    # (T / noise)^2: T = 0.7 costs 0.49, noise 1.25 costs 0.64; and the other way round.
    assert answer(one(Shot(transparency=0.7, noise=12.5, sky=1560))) == ("reject", "cloud")
    assert answer(one(Shot(transparency=0.8, noise=14.3, sky=2040))) == ("reject", "sky_glow")


def test_light_lost_slowly_and_one_way_with_swelling_and_halos_is_dew():
    lost = np.linspace(0.06, 0.6, 10)
    assert answer(judged(wet(lost))[23]) == ("reject", "dew")
    # The same losses in disorder, patchy, with the stars as sharp as ever: cloud.
    order = np.random.default_rng(2).permutation(10)
    cloudy = {
        14 + k: Shot(
            transparency=1 - lost[o],
            stars=int(300 * (1 - lost[o])),
            sky=1000 * (1 + 0.5 * lost[o]),
            quarters=tuple((1 - lost[o]) * np.array([1.2, 0.9, 1.1, 0.8])),
        )
        for k, o in enumerate(order)
    }
    rejected = [v for v in judged(cloudy)[14:] if v.verdict == "reject"]
    assert len(rejected) >= 4
    assert {v.reasons[0] for v in rejected} == {"cloud"}
    # One way for two frames only says nothing.
    brief = {22: Shot(transparency=0.7), 23: Shot(transparency=0.5)}
    assert answer(judged(brief)[23]) == ("reject", "cloud")


# Sharpness ---------------------------------------------------------------------------------


def test_swelling_that_stays_is_focus_and_swelling_that_comes_and_goes_is_seeing():
    usual = np.median([s.fwhm for s in plain_night()])
    edge = usual * LIMITS.sharpness.ratio_low
    for x, verdict in ((1.06, "reject"), (0.96, "keep")):
        # A focuser that slips, step by step, and is not put right.
        slow = np.minimum(usual + (x * edge - usual) * np.arange(1, 11) / 4, x * edge)
        staying = judged({14 + k: Shot(fwhm=w) for k, w in enumerate(slow)})
        # The air: there one frame, gone the next.
        apart = judged({k: Shot(fwhm=x * edge) for k in (5, 9, 16)})
        assert staying[23].verdict == apart[9].verdict == verdict
        if verdict == "reject":
            assert staying[23].reasons[0] == "focus"
            assert {apart[k].reasons[0] for k in (5, 9, 16)} == {"seeing"}


def disc(diameter: float) -> StarImage:
    """A Moffat star convolved with the uniform disc that defocus makes of a point."""
    from scipy.signal import fftconvolve

    star = moffat_image(FWHM)
    y, x = np.mgrid[-32:33, -32:33] * star.step_px
    image = fftconvolve(star.image, (np.hypot(x, y) < diameter / 2).astype(float), mode="same")
    return replace(star, image=(image / image.max()).astype(np.float32))


def test_a_defocused_disc_has_a_flat_core_and_a_wider_moffat_has_not():
    # Four frames in the middle of the night, so that time alone does not settle it.
    wide = 1.6 * FWHM
    out = judged({k: Shot(fwhm=wide, image=disc(1.5 * FWHM)) for k in range(8, 12)})
    air = judged({k: Shot(fwhm=wide, image=moffat_image(wide)) for k in range(8, 12)})
    assert answer(out[9]) == ("reject", "focus")
    assert answer(air[9])[1] == "seeing"


@pytest.mark.parametrize(("airmass", "verdict"), [(2.0, "reject"), (1.3, "keep")])
def test_a_sinking_target_swells_by_airmass_to_the_three_fifths_and_that_is_the_air(
    airmass, verdict
):
    # FWHM ~ X^0.6 (Kolmogorov; section 5): 1.516 at X = 2, 1.170 at 1.3.
    x = np.concatenate([np.ones(12), np.geomspace(1.0, airmass, 12)])
    shots = [
        replace(s, fwhm=s.fwhm * x[k] ** 0.6, facts={"airmass": float(x[k])}, image=None)
        for k, s in enumerate(plain_night())
    ]
    last = judge_night(night_of(shots), LIMITS)[-1]
    assert last.verdict == verdict
    if verdict == "reject":
        assert last.reasons == ("seeing",)
        assert "alone widens stars" in last.explanation


def test_rings_are_out_of_focus():
    assert answer(one(Shot(status="hollow", hollow=0.7))) == ("reject", "focus")


# Frames that are not what they should be -----------------------------------------------------


def test_a_streak_is_a_satellite_and_a_frame_without_one_is_clean():
    streak = Streak(0.0, 10.0, 1199.0, 700.0, 4.0, 50.0)
    assert answer(one(Shot(streaks=(streak,)))) == ("keep", "satellite_trail")
    assert answer(one(Shot())) == ("keep", "")


def test_stars_gone_under_a_dark_sky_are_few_stars_from_a_share_of_the_usual():
    usual = np.median([s.stars for s in plain_night()])
    limit = LIMITS.stars.few_share * usual
    dark = {"transparency": np.nan, "sky": 400.0, "noise": 5.0}
    over = one(Shot(stars=int(0.9 * limit), **dark))
    assert answer(over) == ("reject", "few_stars")
    assert one(Shot(stars=int(1.1 * limit) + 1, **dark)).verdict == "keep"
    # With the sky as bright as ever the shutter was open: that is cloud.
    lit = {"transparency": np.nan, "sky": 1000.0, "noise": 10.0}
    assert answer(one(Shot(stars=int(0.9 * limit), **lit))) == ("reject", "cloud")


@pytest.mark.parametrize(
    ("change", "stray"),
    [
        ({"filter": "Ha"}, True),
        ({"exposure_s": 118.0}, True),  # 1.7 % off; one in a hundred is rounding
        ({"exposure_s": 119.2}, False),
        ({"binning": (2, 2)}, True),
        ({"frame_type": "flat", "frame_type_stated": True}, True),
        ({"target": " FIELD"}, False),
    ],
)
def test_a_frame_of_another_set_up_is_the_wrong_frame(change, stray):
    rng = np.random.default_rng(1)
    facts = HeaderFacts(target="Field", filter="L", exposure_s=120.0)
    frames = make_night(rng, make_sky(rng, 150, 1200, 900), 10, width=1200, height=900)
    frames = [
        replace(f, facts=replace(facts, start_unix=1.9e9 + 130 * k, start_utc="x"))
        for k, f in enumerate(frames)
    ]
    frames[4] = replace(frames[4], facts=replace(frames[4].facts, **change))
    verdict = judge_night(compare_night(frames), LIMITS)[4]
    assert ("wrong_frame" in verdict.reasons) == stray
    assert verdict.verdict == ("reject" if stray else "keep")


def test_a_file_cut_short_is_unreadable_and_the_others_are_not(tmp_path):
    folder = write_night(tmp_path / "night", 6)
    names = sorted(folder.glob("*.fit*"))
    cut = names[2].read_bytes()
    names[2].write_bytes(cut[: len(cut) // 2])
    found = grade(Settings((str(folder),), str(tmp_path / "out"), workers=1)).frames
    verdicts = {f.name: (f.judgement.verdict, f.judgement.reasons) for f in found}
    assert verdicts[names[2].name] == ("unreadable", ("unreadable",))
    assert [v for v, _ in verdicts.values()].count("unreadable") == 1
