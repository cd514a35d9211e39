"""Wide practice nights: what they draw, that every cause comes up, and the command."""

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from subgrade.cli.simulate import command
from subgrade.practice import build_night, render_frame, wide_scenario
from subgrade.practice.geometry import altitude_deg, unix_seconds
from subgrade.practice.night import truths_without_pixels
from subgrade.practice.scenario import DITHER_WORDS, KINDS, ORDERS, STANDING
from subgrade.practice.shares import MOTIONS
from subgrade.practice.wide_night import STILL, THROUGHOUT, settling_s

NIGHTS = [wide_scenario(seed) for seed in range(400)]


def touched(night) -> set[int]:
    """Frames that a cause was drawn for."""
    drawn = [e for e in night.events if e.kind != STANDING]
    return {f for e in drawn for f in range(e.first, e.last + 1)}


def altitudes(night) -> np.ndarray:
    """Altitude of the field as the night begins and ends, degrees."""
    plan, begin = night.plan, unix_seconds(night.plan.start_utc)
    length = plan.frames * (plan.exposure_s + plan.gap_s) + plan.flip_pause_s
    return altitude_deg(begin + np.array([0.0, length]), night.site, night.target)


def test_the_same_seed_draws_the_same_night_and_renders_the_same_bytes():
    assert wide_scenario(5) == wide_scenario(5) != wide_scenario(6)
    pair = [
        render_frame(build_night(wide_scenario(7, frames=2, width=96, height=80)), 1)
        for _ in range(2)
    ]
    assert pair[0].data.tobytes() == pair[1].data.tobytes()
    assert pair[0].cards == pair[1].cards


def test_set_ups_are_wide():
    scales = np.array([n.scale_arcsec for n in NIGHTS])
    assert 0.3 <= scales.min() < 0.33
    assert 4.6 < scales.max() <= 5.0
    widths = np.array([n.air.seeing_arcsec / n.scale_arcsec for n in NIGHTS])
    assert 1.45 < widths.min() < 1.8
    assert 8.5 < widths.max() <= 9.0 + 1e-9
    assert {n.camera.mosaic for n in NIGHTS} == {"", "RGGB", "GRBG", "GBRG", "BGGR"}
    assert {n.plan.dither_order for n in NIGHTS} == set(ORDERS)
    assert {n.record.dither_words for n in NIGHTS} == set(DITHER_WORDS)
    assert {n.guider.lag_samples for n in NIGHTS} == {0, 1, 2}
    flawed = [n for n in NIGHTS if n.optics.tilt_um or n.optics.coma_um or n.optics.astigmatism_um]
    assert 0.2 < len(flawed) / len(NIGHTS) < 0.45
    assert {n.plan.flip_turn_deg for n in NIGHTS if n.plan.flip_before} >= {0.0, 180.0}
    assert any(n.plan.flip_before and not n.plan.flip_shift_arcsec for n in NIGHTS)
    assert any(n.plan.flip_before and n.plan.flip_shift_arcsec for n in NIGHTS)


def test_every_kind_of_night_is_drawn():
    unguided = [n for n in NIGHTS if not n.guider.on]
    assert 0.08 < len(unguided) / len(NIGHTS) < 0.22
    assert not any(n.record.write for n in unguided)
    assert 0.04 < np.mean([n.mount.altazimuth for n in NIGHTS]) < 0.14
    comets = [n for n in NIGHTS if n.plan.follow_arcsec_per_h]
    assert 0.04 < len(comets) / len(NIGHTS) < 0.14
    assert {n.plan.dither_order for n in comets} == {"wander"}
    whole = [n for n in NIGHTS if len(touched(n)) == 16]
    assert 0.08 < len(whole) / len(NIGHTS) < 0.22


def test_every_cause_and_kind_is_drawn_and_most_frames_are_left_clean():
    seen = Counter((e.cause, e.kind) for n in NIGHTS for e in n.events)
    assert {c for c, _ in seen} == set(MOTIONS + STILL)
    for cause, kinds in KINDS.items():
        wanted = set(kinds) - ({""} if cause == "tracking_lost" else set())
        assert {k for c, k in seen if c == cause} >= wanted, cause
    periods = [e.period_s for n in NIGHTS for e in n.events if e.kind == "worm"]
    assert min(periods) < 3.0
    assert max(periods) > 45.0
    assert max(n.mount.worm_period_s for n in NIGHTS) > 500.0
    for n in NIGHTS:
        assert len(touched(n)) <= 8 or len(touched(n)) == 16


@pytest.mark.slow
@pytest.mark.parametrize("cause", MOTIONS + tuple(c for c in STILL if c != "satellite_trail"))
def test_every_cause_can_ruin_a_frame_plainly(cause):
    """Truths without pixels of short nights, of whose frames three must be plainly ruined by it."""
    plain, active = 0, 0
    for seed in range(500, 530):
        frames = 12 if cause in ("dew", "focus") else 6
        night = wide_scenario(seed, frames, 120, 90, throughout=False, causes=(cause,))
        if not any(e.cause == cause and e.kind != STANDING for e in night.events):
            continue
        night = replace(night, target=replace(night.target, stars_per_arcmin2=0.01))
        for truth in truths_without_pixels(build_night(night)):
            if cause in truth.causes:
                active += 1
                plain += (truth.verdict, truth.sure) == ("reject", "yes") and (
                    truth.reason.split(";")[0] == cause
                )
        if plain >= 3:
            break
    assert plain >= 3, f"{plain} of {active}"


@pytest.mark.slow
def test_frames_without_a_cause_are_clean():
    """What a wide night has by nature, guided, ruins next to no frame by itself."""
    bad = total = 0
    for seed in range(600, 612):
        night = wide_scenario(seed, 6, 120, 90)
        if not night.guider.on or night.mount.altazimuth:
            continue
        night = replace(night, events=())
        night = replace(night, target=replace(night.target, stars_per_arcmin2=0.01))
        truths = truths_without_pixels(build_night(night))
        bad += sum(t.verdict != "keep" for t in truths)
        total += len(truths)
    assert total > 40
    assert bad <= 0.03 * total


def test_dithers_are_given_time_to_settle():
    for night in NIGHTS[:200]:
        plan = night.plan
        if not night.guider.on:
            continue
        reach = 2.0 if plan.dither_order == "spiral" else 2.83
        fwhm = night.air.seeing_arcsec
        small = plan.dither_arcsec <= 0.07 * fwhm
        needed = 6.0 + settling_s(night, fwhm, reach * plan.dither_arcsec)
        assert small or needed <= plan.gap_s + 1e-6


def test_fields_stand_above_the_horizon():
    assert min(altitudes(n).min() for n in NIGHTS) > 25.0


@pytest.mark.filterwarnings("ignore:ERFA", "ignore:Tried to get polar")
@pytest.mark.parametrize("seed", range(0, 120, 12))
def test_a_wide_night_is_dark_by_its_headers(seed):
    """The Sun's place by astropy; 12 degrees below the horizon is the end of nautical twilight."""
    from astropy import units as u
    from astropy.coordinates import AltAz, EarthLocation, get_sun
    from astropy.time import Time
    from astropy.utils import iers

    night = wide_scenario(seed, 18)
    plan, site = night.plan, night.site
    length = plan.frames * (plan.exposure_s + plan.gap_s) + plan.flip_pause_s
    when = Time(plan.start_utc) + np.linspace(0.0, length, 5) * u.s
    place = EarthLocation.from_geodetic(site.longitude_deg, site.latitude_deg)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        height = get_sun(when).transform_to(AltAz(obstime=when, location=place)).alt.deg
    assert height.max() < -12.0


def test_every_throughout_cause_spans_the_night():
    seen = set()
    for seed in range(300):
        night = wide_scenario(seed, throughout=True)
        whole = [e for e in night.events if e.kind != STANDING]
        assert [f for e in whole for f in range(e.first, e.last + 1)] == list(range(1, 17))
        assert len({e.cause for e in whole}) == 1
        seen.add(whole[0].cause)
    assert seen == set(THROUGHOUT)


def test_the_command_draws_a_wide_night(tmp_path):
    target = tmp_path / "night"
    small = ["--frames", "2", "--width", "96", "--height", "80"]
    run = CliRunner().invoke(command, [str(target), "--random", "--wide", "--seed", "4", *small])
    assert run.exit_code == 0, run.output
    assert (target / "truth.csv").exists()
    assert (target / "guiding.csv").exists() == wide_scenario(4, 2).guider.on
    alone = CliRunner().invoke(command, [str(tmp_path / "x"), "--wide", *small])
    assert alone.exit_code == 2
    assert "--wide says how --random draws" in alone.stderr
