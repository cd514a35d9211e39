"""Every reason word follows from its physical signature, built from a formula, and not beneath it.

A motion of variance v along one line makes a star of variance s^2 oval by
``e = sqrt(v / (s^2 + v))``; v is L^2/12 for a creep of length L, L^2/8 for a swing of full
length L, p (1 - p) d^2 for two images d apart [derived, section 3 of the published checks].
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from subgrade.causes import REASONS, judge_night, load_limits
from subgrade.guiding.model import Prediction
from subgrade.lights.model import HeaderFacts
from subgrade.night import compare_night
from subgrade.pipeline import Settings, grade
from subgrade.stars.model import ShapeField, StarImage, StarList, Streak
from tests.causes_nights import (
    CADENCE_S,
    CALM_ARCSEC,
    EXPOSURE_S,
    SKY_AXES,
    Shot,
    calm_samples,
    guide_of,
    moffat_image,
    night_of,
    recorded,
    steady,
)
from tests.cli_frames import write_night
from tests.night_fields import make_night, make_sky

LIMITS = load_limits()
FWHM = 3.0
S2 = (FWHM / 2.354820) ** 2
BAD, COUNT = 9, 24
E_LIMIT = LIMITS.roundness.floor
V_LIMIT = S2 * E_LIMIT**2 / (1 - E_LIMIT**2)
"""Variance along a line that makes the star just too oval, px^2; one pixel is one arcsec."""
OVER, UNDER = 1.12, 0.88
RA, DEC = 0.0, 90.0
"""Directions of the mount's axes in the image, by `SKY_AXES`."""


def eccentricity(variance: float) -> float:
    return float(np.sqrt(variance / (S2 + variance)))


def drawn(places, shares, angle: float, **changes) -> Shot:
    """A star smeared over places along an axis, px, with shares of the light."""
    places, shares = np.asarray(places, float), np.asarray(shares, float)
    shares = shares / shares.sum()
    centre = shares @ places
    variance = float(shares @ (places - centre) ** 2)
    q = np.sqrt(1 - eccentricity(variance) ** 2)
    image = moffat_image(FWHM, places, shares, angle)
    return Shot(
        fwhm=FWHM / np.sqrt(q), eccentricity=eccentricity(variance), angle=angle, image=image,
        facts={"sky_axes": SKY_AXES}, **changes,
    )  # fmt: skip


def creep(length: float, angle: float, **changes) -> Shot:
    return drawn(length * ((np.arange(40) + 0.5) / 40 - 0.5), np.ones(40), angle, **changes)


def swing(length: float, angle: float) -> Shot:
    return drawn(0.5 * length * np.cos(np.pi * (np.arange(40) + 0.5) / 40), np.ones(40), angle)


def plain_night() -> list[Shot]:
    shots = steady(COUNT, facts={"sky_axes": SKY_AXES})
    return [replace(s, image=moffat_image(s.fwhm)) for s in shots]


def judged(bad: dict[int, Shot], record: dict | None = None, **night):
    """The night's verdicts, with a record that is calm but for the exposures given."""
    shots = plain_night()
    for place, shot in bad.items():
        shots[place] = shot
    made = night_of(shots, **night)
    return judge_night(made, LIMITS, None if record is None else guide_of(made, record))


def one(shot: Shot, exposure=None, **night):
    return judged({BAD: shot}, None if exposure is None else {BAD: exposure}, **night)[BAD]


def answer(verdict) -> tuple[str, str]:
    return verdict.verdict, verdict.reasons[0] if verdict.reasons else ""


def test_the_formulas_of_this_page_hold():
    # Variance of a box, an arcsine and two spikes, by numbers drawn at random.
    rng = np.random.default_rng(3)
    at = rng.uniform(0, 1, 400_000)
    assert (5 * at).var() == pytest.approx(25 / 12, rel=0.01)
    assert (2.5 * np.cos(2 * np.pi * at)).var() == pytest.approx(25 / 8, rel=0.01)
    assert (5 * (at < 0.2)).var() == pytest.approx(0.2 * 0.8 * 25, rel=0.01)
    # Axis ratio 0.8 is eccentricity 0.6 (section 2).
    assert eccentricity(S2 * (1 / 0.64 - 1)) == pytest.approx(0.6)


# Motions: the eccentricity decides, the record or the form names -----------------------------

TIME = np.arange(60) * CADENCE_S


def creep_record(length: float, **known):
    """A straight creep in declination over the whole exposure, pushed against one way."""
    creeping = np.linspace(-0.5, 0.5, 60) * length + 0.5 * calm_samples(seed=6)
    return recorded(calm_samples(), creeping, one_sided_dec=0.97, **known)


def swing_record(length: float, period: float, overshoot: float):
    """To and fro in right ascension; a period of two samples reverses at each."""
    return recorded(
        0.5 * length * np.cos(2 * np.pi * TIME / period + 0.3) + 0.5 * calm_samples(),
        overshoot=overshoot,
        period_s=period,
    )


BOX, ARCSINE = np.sqrt(12 * V_LIMIT), np.sqrt(8 * V_LIMIT)
KNOCK = np.concatenate([np.zeros(70), 2.0 * np.exp(-np.linspace(0, 2.2, 30))])
KNOCK_LENGTH = np.sqrt(V_LIMIT / KNOCK.var())


def knock_record(length: float):
    error = calm_samples()
    error[20:26] += length * np.array([2.0, -1.5, 1.2, -0.8, 0.5, -0.3])
    size = float(np.abs(error).max())
    return recorded(error, gusts=1, gust_size=size, gust_settle_s=12.0)


@pytest.mark.parametrize(
    ("reason", "limit", "star", "record"),
    [
        ("dec_drift", BOX, lambda x: creep(x, DEC), creep_record),
        ("flexure", BOX, lambda x: creep(x, 42.0), lambda x: recorded(calm_samples())),
        ("ra_oscillation", ARCSINE, lambda x: swing(x, RA), lambda x: swing_record(x, 4.0, 0.8)),
        ("periodic_error", ARCSINE, lambda x: swing(x, RA), lambda x: swing_record(x, 90.0, 0.1)),
        (
            "wind_trail",
            KNOCK_LENGTH,
            lambda x: drawn(x * KNOCK, np.ones(100), 137.0),
            knock_record,
        ),
    ],
)
def test_motion_of_a_formula_is_named_over_the_limit_and_kept_under_it(reason, limit, star, record):
    over, under = (one(star(x * limit), record(x * limit)) for x in (OVER, UNDER))
    assert answer(over) == ("reject", reason)
    assert under.verdict == "keep"
    # The same star over a calm record is nothing that the guider saw.
    if reason != "flexure":
        assert answer(one(star(OVER * limit), recorded(calm_samples())))[1] != reason


def test_a_creep_in_declination_is_told_from_flexure_by_the_share_that_the_guider_saw():
    # Both draw the same box along declination; only the record tells.
    length = 1.3 * BOX
    along = length**2 / 12
    names = {}
    for seen in (1.0, 0.05):
        shots = plain_night()
        shots[BAD] = creep(length, DEC)
        night = night_of(shots)
        exposure = creep_record(length * np.sqrt(seen)) if seen > 0.5 else recorded(calm_samples())
        predictions = [None] * COUNT
        predictions[BAD] = Prediction((0.0, seen * along, 0.0))
        guiding = guide_of(night, {BAD: exposure}, predictions=tuple(predictions))
        names[seen] = judge_night(night, LIMITS, guiding)[BAD].reasons[0]
    assert names == {1.0: "dec_drift", 0.05: "flexure"}


@pytest.mark.parametrize(("arcmin", "reason"), [(6.5, "dec_drift"), (4.6, "")])
def test_a_misaligned_pole_left_uncorrected_draws_creeps_of_its_published_rate(arcmin, reason):
    # 0.262516 arcsec a minute for each arcminute (section 4), for the run of frames in which
    # declination was not guided; the registration creeps as fast as the stars are long.
    length = 0.262516 * arcmin * EXPOSURE_S / 60
    step = 0.262516 * arcmin * (EXPOSURE_S + 10) / 60
    run = {k: creep(length, DEC, dy=-step * (k - 8)) for k in range(8, 16)}
    for verdicts in (judged(run), judged(run, {k: creep_record(length) for k in run})):
        for k in range(10, 14):
            assert answer(verdicts[k])[1 if reason else 0] == (reason or "keep")
        if reason:
            assert any(e.quantity == "creep of the field" for e in verdicts[11].evidence)


def field(common=1.7, rows=()) -> ShapeField:
    c = np.zeros((3, 6))
    c[:2, 0] = common
    for row, column, value in rows:
        c[row, column] += value
    return ShapeField(c, np.full((3, 6), 0.02), 600.0, 500.0, 781.0, 200)


def turned(phi: float) -> ShapeField:
    """Arcs r phi about the middle: tangential variance (r phi)^2 / 12, growing with r."""
    k = (781.0 * phi) ** 2 / 12
    return field(rows=[(0, 5, k), (1, 3, k), (2, 4, -k)])


CORNER_R2 = 2 * 0.6**2
"""Square of the outermost place looked at, in half-diagonals."""


def test_tangential_arcs_that_grow_outwards_are_a_turning_field():
    e = LIMITS.field.corner_eccentricity
    k = 1.7 * e**2 / (1 - e**2) / CORNER_R2
    phi = np.sqrt(12 * k) / 781.0
    over, under = (one(Shot(shape_field=turned(x * phi))) for x in (1.06, 0.94))
    assert answer(over) == ("reject", "field_rotation")
    # The turn is stated; adaptive moments read long arcs as up to a tenth longer than they are.
    stated = float(re.search(r"a turn of ([\d.]+)", over.explanation).group(1))
    assert stated == pytest.approx(60 * np.degrees(1.06 * phi), rel=0.1)
    assert under.verdict == "keep"
    # Arcs turned by a quarter lie along the radius: focus or curvature, and no turn.
    k = (781.0 * 1.06 * phi) ** 2 / 12
    radial = field(rows=[(0, 3, k), (1, 5, k), (2, 4, k)])
    assert "field_rotation" not in one(Shot(shape_field=radial)).reasons


def test_the_same_pattern_in_every_frame_is_the_optics():
    # Axis ratio of (s + g u) to (s - g u) at the grid's edge, u = 0.6.
    e2 = LIMITS.field.tilt_eccentricity**2
    g = 1.7 * e2 / (0.6 * (2 - e2))
    for x, reasons in ((1.05, ("tilt_or_coma",)), (0.95, ())):
        shape = field(rows=[(0, 1, x * g), (1, 1, -x * g)])
        shots = [replace(s, shape_field=shape) for s in plain_night()]
        found = {(v.verdict, v.reasons) for v in judge_night(night_of(shots), LIMITS)}
        assert found == {("keep", reasons)}
    # In one frame alone it is no fixed pattern.
    shape = field(rows=[(0, 1, 1.05 * g), (1, 1, -1.05 * g)])
    assert "tilt_or_coma" not in one(Shot(shape_field=shape)).reasons


def test_lines_are_lost_tracking_from_so_many_widths():
    limit = LIMITS.motion.trail_widths * np.median([s.fwhm for s in plain_night()])
    line = Shot(status="trailed", angle=33.0, facts={"sky_axes": SKY_AXES})
    assert answer(one(replace(line, length=1.05 * limit))) == ("reject", "tracking_lost")
    assert answer(one(replace(line, length=0.95 * limit)))[1] != "tracking_lost"


@pytest.mark.parametrize(("dec", "share"), [(0.0, 1.0), (60.0, 1.0), (0.0, 0.5)])
def test_a_mount_that_stands_still_draws_the_sidereal_line(dec, share):
    # 15.041069 arcsec a second times cos(dec) (section 6).
    length = share * 15.041069 * EXPOSURE_S * np.cos(np.radians(dec))
    line = Shot(status="trailed", length=length, angle=RA, facts={"dec_deg": dec})
    verdict = one(line)
    assert answer(verdict) == ("reject", "tracking_lost")
    assert ("it did not track at all" in verdict.explanation) == (share == 1.0)


def test_a_lost_guide_star_explains_a_drawn_out_frame_from_its_share_of_the_exposure():
    star, limit = creep(1.5 * BOX, 42.0), LIMITS.guiding.lost_share * EXPOSURE_S
    gone = {"coverage": 0.6, "longest_gap_s": 40.0}
    assert answer(one(star, recorded(calm_samples(), lost_s=40.0, **gone)))[1] == "tracking_lost"
    short = recorded(calm_samples(), lost_s=0.9 * limit)
    assert answer(one(star, short))[1] != "tracking_lost"


def test_a_dither_inside_the_exposure_is_named_where_its_errors_show():
    # Of two minutes the first eighth went by on the way from the last place, 8 px off.
    way = -8.0 * np.exp(-np.linspace(0, 3, 12))
    star = drawn(np.append(np.zeros(84), way), np.ones(96), 20.0)
    known = {"settle_overlap_s": 12.0}
    wild = recorded(calm_samples(), peak=20 * CALM_ARCSEC, **known)
    assert answer(one(star, wild)) == ("reject", "dither_overlap")
    # Settling that shows in no error harmed nothing: what the guider missed is named.
    calm = recorded(calm_samples(), peak=3 * CALM_ARCSEC, **known)
    assert answer(one(creep(1.3 * BOX, 42.0), calm)) == ("reject", "flexure")
    over = recorded(
        calm_samples(), peak=20 * CALM_ARCSEC, settle_overlap_s=0.9 * LIMITS.guiding.settle_s
    )
    assert answer(one(star, over))[1] != "dither_overlap"


def with_second(share: float) -> Shot:
    """Every star with a fraction of its light in a second image 26 px away."""
    rng = np.random.default_rng(4)
    place = rng.uniform(30, 970, (300, 2))
    flux = np.sort(10 ** rng.uniform(3.3, 5, 300))[::-1]
    both = np.vstack([place, place + np.array([22.0, 14.0])])
    light = np.append(flux * (1 - share), flux * share)
    order, unit = np.argsort(-light), np.ones(600)
    listed = StarList(
        both[order, 0], both[order, 1], light[order], light[order] / 30, light[order] / 10,
        unit, unit, 0 * unit, np.zeros(600, np.uint16),
    )  # fmt: skip
    return Shot(catalogue=listed, transparency=1 - share)


def test_two_images_of_every_star_are_a_step():
    # p (1 - p) d^2: from a quarter on, at 1.7 FWHM, the images part.
    apart = drawn([0.0, 1.7 * FWHM], [0.75, 0.25], 20.0)
    assert apart.eccentricity == pytest.approx(eccentricity(0.25 * 0.75 * (1.7 * FWHM) ** 2))
    assert answer(one(apart)) == ("reject", "bump")
    # Nearer than they are wide they are one oval star.
    assert answer(one(drawn([0.0, 0.8 * FWHM], [0.75, 0.25], 20.0)))[1] != "bump"
    assert answer(one(Shot(status="doubled", length=2.5 * FWHM))) == ("reject", "bump")
    limit = LIMITS.light.moved
    assert answer(one(with_second(1.25 * limit))) == ("reject", "bump")
    assert answer(one(with_second(0.75 * limit))) == ("keep", "bump")


# Light -------------------------------------------------------------------------------------


def test_starlight_lost_under_an_unchanged_sky_is_cloud():
    # Depth goes as (T / noise)^2: half of it is left at T = sqrt(1/2).
    edge = np.sqrt(LIMITS.light.depth)
    over, under = (Shot(transparency=x * edge, stars=int(300 * x * edge)) for x in (0.95, 1.05))
    assert answer(one(over)) == ("reject", "cloud")
    assert answer(one(under)) == ("keep", "cloud")
    thin = LIMITS.light.remark_transparency
    assert one(Shot(transparency=1.03 * thin)).reasons == ()


def test_cloud_over_a_part_of_the_frame_shows_in_the_quarters():
    limit = LIMITS.light.uneven
    for x, verdict in ((1.1, "reject"), (0.85, "keep")):
        spread = x * limit
        quarters = (1 + spread / 2, 1.0, 1.0, 1 - spread / 2)
        found = one(Shot(quarters=quarters))
        assert found.verdict == verdict
        assert found.reasons == (("cloud",) if verdict == "reject" else ())


def glow(times: float) -> Shot:
    """A sky so many times as bright: photon noise is its root (Poisson)."""
    return Shot(sky=1000.0 * times, noise=10.0 * np.sqrt(times), stars=int(300 / np.sqrt(times)))


def test_a_bright_sky_drowns_half_the_depth_when_it_has_doubled():
    edge = 1 / LIMITS.light.depth
    over, under = one(glow(1.12 * edge)), one(glow(0.88 * edge))
    assert answer(over) == ("reject", "sky_glow")
    assert (under.verdict, under.reasons) == ("keep", ())


def test_of_lost_light_and_noise_the_one_that_costs_more_depth_is_named():
    # (T / noise)^2: T = 0.7 costs 0.49, noise 1.25 costs 0.64; and the other way round.
    assert answer(one(Shot(transparency=0.7, noise=12.5, sky=1560))) == ("reject", "cloud")
    assert answer(one(Shot(transparency=0.8, noise=14.3, sky=2040))) == ("reject", "sky_glow")


def hazy(share: float, halo: float) -> StarImage:
    """A star of which a share went into a halo five times as wide."""
    core, wide = moffat_image(FWHM), moffat_image(5 * FWHM)
    grid = np.abs(np.arange(65) - 32)
    y, x = np.meshgrid(grid, grid, indexing="ij")
    # The wide star on the core's grid: its elements are five times as large.
    inner = wide.image[32 + np.rint(y / 5).astype(int), 32 + np.rint(x / 5).astype(int)]
    image = (1 - share) * core.image + share * halo * inner
    return replace(core, image=(image / image.max()).astype(np.float32))


def test_light_lost_slowly_and_one_way_with_swelling_and_halos_is_dew():
    lost = np.linspace(0.06, 0.6, 10)
    wet = {
        14 + k: Shot(
            transparency=1 - x, fwhm=FWHM * (1 + 0.3 * x), stars=int(300 * (1 - x)),
            image=hazy(0.5 * x, 0.6),
        )
        for k, x in enumerate(lost)
    }  # fmt: skip
    assert answer(judged(wet)[23]) == ("reject", "dew")
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
    }  # fmt: skip
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
    frames = [replace(f, facts=replace(facts, start_unix=1.9e9 + 130 * k, start_utc="x"))
              for k, f in enumerate(frames)]  # fmt: skip
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


def test_every_word_of_the_contract_has_a_signature_here():
    text = Path(__file__).read_text(encoding="utf-8")
    for word in REASONS:
        assert f'"{word}"' in text
