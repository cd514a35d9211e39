"""Motion, guiding loop and geometry of the practice night against published formulas."""

from dataclasses import replace

import numpy as np
import pytest

from subgrade.practice import Event, build_night, default_scenario
from subgrade.practice.exposure import star_places, zone_path
from subgrade.practice.geometry import (
    airmass,
    altitude_deg,
    hour_angle_deg,
    pixels_per_arcsec,
    polar_rates,
    unix_seconds,
)
from subgrade.practice.kernel import path_moments
from subgrade.practice.motion import STEP_S, red_noise, ringing
from subgrade.practice.night import exposure_of
from subgrade.practice.scenario import SIDEREAL_ARCSEC_PER_S, Camera, Site, Target

QUIET = {"jitter_arcsec": 0.0, "worm_arcsec": 0.0, "pole_high_arcmin": 0.0, "pole_east_arcmin": 0.0}


def night(events=(), frames=3, mount=None, guider=None, plan=None, **rest):
    """A quiet night: no mount error but what the test asks for."""
    base = default_scenario(frames=frames, width=200, height=160)
    return replace(
        base,
        events=tuple(events),
        plan=replace(base.plan, **{"dither_every": 0, **(plan or {})}),
        mount=replace(base.mount, **{**QUIET, **(mount or {})}),
        guider=replace(base.guider, **(guider or {})),
        **rest,
    )


UNGUIDED = {"ra_gain": 0.0, "dec_gain": 0.0, "seeing_noise_arcsec": 0.0, "search_area_arcsec": 1e6}


@pytest.mark.parametrize(
    ("high", "east", "hour", "dec", "drift"),
    [
        (0, 1, 0, 0, (0.0, -0.26252)),
        (1, 0, -90, 60, (0.0001, 0.26252)),
        (1, 0, 0, 60, (-0.22736, 0.0)),
        (0, 1, -90, 60, (-0.22736, 0.0)),
        (3, -5, 37, 45, (-1.00371, 0.57522)),
    ],
)
def test_polar_drift_matches_rotation_matrices(high, east, hour, dec, drift):
    # Section 4 of the published checks: simulated drift in 60 s, arcsec.
    e, n, _ = polar_rates(high, east, hour, dec)
    assert 60 * e == pytest.approx(drift[0], abs=2e-3)
    assert 60 * n == pytest.approx(drift[1], abs=1e-3)


def test_guided_rotation_matches_table():
    assert 60 * polar_rates(1, 0, 0, 60)[2] == pytest.approx(-0.52503, rel=2e-3)
    assert 60 * polar_rates(3, -5, 37, 45)[2] == pytest.approx(-2.00662, rel=2e-3)


def test_hour_angle_and_altitude_match_astropy():
    from astropy import units as u
    from astropy.coordinates import Angle
    from astropy.time import Time
    from astropy.utils import iers

    site, target = Site(45.0, 10.0), Target(ra_deg=172.5, dec_deg=32.0)
    with iers.conf.set_temp("auto_download", False):
        when = Time("2026-02-18T03:40:00", scale="utc")
        when.delta_ut1_utc = 0.0
        sidereal = when.sidereal_time("mean", longitude=10 * u.deg)
    expected = Angle(sidereal - 172.5 * u.deg).wrap_at(180 * u.deg).deg
    unix = unix_seconds("2026-02-18T03:40:00")
    assert hour_angle_deg(unix, site, target) == pytest.approx(expected, abs=0.01)
    h, lat, dec = np.deg2rad([expected, 45.0, 32.0])
    sine = np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(h)
    assert altitude_deg(unix, site, target) == pytest.approx(np.rad2deg(np.arcsin(sine)), abs=0.01)


@pytest.mark.parametrize(("zenith", "value"), [(30, 1.153992), (60, 1.994293), (75, 3.812912)])
def test_airmass_is_kasten_and_young(zenith, value):
    assert airmass(90.0 - zenith) == pytest.approx(value, abs=1e-5)


def test_picture_orientation():
    # Camera upright, not mirrored: north up, east left as seen on the sky.
    upright = pixels_per_arcsec(Camera(angle_deg=0.0), 2.0)
    assert upright @ [0.0, 1.0] == pytest.approx([0.0, 0.5])
    assert upright @ [1.0, 0.0] == pytest.approx([-0.5, 0.0])
    turned = pixels_per_arcsec(Camera(angle_deg=90.0), 1.0)
    assert turned @ [0.0, 1.0] == pytest.approx([-1.0, 0.0])
    mirrored = pixels_per_arcsec(Camera(angle_deg=0.0, mirrored=True), 1.0)
    assert np.linalg.det(upright) < 0 < np.linalg.det(mirrored)
    flipped = pixels_per_arcsec(Camera(angle_deg=0.0), 2.0, flipped=True)
    assert flipped == pytest.approx(-upright)


def test_ringing_follows_the_damped_oscillator():
    # Step answer 1 - exp(-z w t)(cos wd t + z w / wd sin wd t), textbook.
    steps, hz, damping = 400, 1.2, 0.08
    time = np.arange(steps) * STEP_S
    w = 2 * np.pi * hz
    wd = w * np.sqrt(1 - damping**2)
    exact = 1 - np.exp(-damping * w * time) * (
        np.cos(wd * time) + damping * w / wd * np.sin(wd * time)
    )
    assert ringing(np.ones(steps), STEP_S, hz, damping) == pytest.approx(exact, abs=1e-9)


def test_red_noise_has_its_memory():
    noise = red_noise(np.random.default_rng(1), 400_000, 0.05, 0.5)
    assert noise.std() == pytest.approx(1.0, abs=0.02)
    lag = np.mean(noise[:-10] * noise[10:])
    assert lag == pytest.approx(np.exp(-1.0), abs=0.03)


def test_uncorrected_dec_drift_has_the_published_rate():
    scenario = night(
        [Event("dec_drift", 2, 2)], mount={"pole_high_arcmin": 6.0, "pole_east_arcmin": 9.0}
    )
    scenario = replace(scenario, guider=replace(scenario.guider, seeing_noise_arcsec=0.0))
    plan = build_night(scenario)
    path = exposure_of(plan, 1).path
    hour = hour_angle_deg(
        plan.line.origin_unix + plan.line.middle(1), scenario.site, scenario.target
    )
    rate = polar_rates(6.0, 9.0, hour, scenario.target.dec_deg)[1]
    assert path[-1, 1] - path[0, 1] == pytest.approx(120.0 * rate, rel=5e-3)
    assert path[:, 1].var() == pytest.approx((120.0 * rate) ** 2 / 12, rel=2e-2)
    # The frames beside it are held by the guider.
    assert np.ptp(exposure_of(plan, 0).path[:, 1]) < 0.2 * abs(120.0 * rate)


def test_stalled_mount_draws_the_sidereal_line():
    # Length = 15.041069 t cos(dec) / scale, westward.
    scenario = night(
        [Event("tracking_lost", 2, 2, size=1.0, at=0.25, duration_s=20.0)], guider=UNGUIDED
    )
    exposure = exposure_of(build_night(scenario), 1)
    expected = SIDEREAL_ARCSEC_PER_S * 20.0 * np.cos(np.deg2rad(32.0))
    assert exposure.path[-1, 0] - exposure.path[0, 0] == pytest.approx(-expected, rel=1e-4)
    moved = path_moments(exposure.path @ exposure.matrix.T)
    assert moved.extent * scenario.scale_arcsec == pytest.approx(expected, rel=1e-3)


def test_bump_is_two_spikes():
    scenario = night([Event("bump", 2, 2, size=6.0, at=0.3, angle_deg=90.0)], guider=UNGUIDED)
    path = exposure_of(build_night(scenario), 1).path
    assert path[:, 0].var() == pytest.approx(0.3 * 0.7 * 36.0, rel=1e-3)
    assert np.ptp(path[:, 1]) < 1e-9


def test_flexure_is_a_box_the_guider_does_not_see():
    scenario = night([Event("flexure", 2, 2, size=4.0, angle_deg=0.0)], guider=UNGUIDED)
    plan = build_night(scenario)
    path = exposure_of(plan, 1).path
    assert path[:, 1].var() == pytest.approx(16.0 / 12.0, rel=1e-3)
    assert max(abs(s.north) for s in plan.guided.samples) < 1e-9


def test_over_correction_emerges_from_the_loop_gain():
    # A loop x' = (1-g) x + g n has variance g^2 s^2 / (1 - (1-g)^2) and lag-1
    # autocorrelation 1-g (first-order autoregression, textbook).
    wild = {
        "seeing_noise_arcsec": 0.1,
        "smallest_correction_arcsec": 0.0,
        "longest_correction_ms": 1e5,
    }
    for gain in (0.6, 1.7):
        scenario = night(guider={**wild, "ra_gain": gain}, frames=14)
        plan = build_night(scenario)
        first = int(40 / STEP_S)
        at_rest = plan.path[0, first :: round(2.0 / STEP_S)]
        predicted = gain**2 * 0.01 / (1 - (1 - gain) ** 2)
        assert at_rest.var() == pytest.approx(predicted, rel=0.2)
        lag = np.mean(at_rest[1:] * at_rest[:-1]) / at_rest.var()
        assert lag == pytest.approx(1 - gain, abs=0.1)


def test_slow_loop_leaves_the_worm():
    # Residual amplitude of a first-order loop: A |1 - z^-1| / |1 - (1-g) z^-1| near A w Ts / g.
    period, gain, cadence = 160.0, 0.2, 2.0
    scenario = night(
        mount={"worm_arcsec": 8.0, "worm_period_s": period, "worm_second": 0.0},
        guider={"ra_gain": gain, "seeing_noise_arcsec": 0.0, "smallest_correction_arcsec": 0.0},
        frames=6,
    )
    path = build_night(scenario).path[0, int(60 / STEP_S) :]
    z = np.exp(-2j * np.pi * cadence / period)
    amplitude = 8.0 * np.cos(np.deg2rad(32.0)) * abs((1 - z) / (1 - (1 - gain) * z))
    assert 0.5 * np.ptp(path) == pytest.approx(amplitude, rel=0.15)


def test_gust_leaves_core_and_one_sided_tail():
    scenario = night(
        [Event("wind_trail", 2, 2, size=9.0, angle_deg=90.0, at=0.3, duration_s=40.0)],
        mount={"jitter_arcsec": 0.18},
    )
    east = exposure_of(build_night(scenario), 1).path[:, 0]
    off = east - np.median(east)
    skew = np.mean((east - east.mean()) ** 3) / east.std() ** 3
    excess = np.mean((east - east.mean()) ** 4) / east.var() ** 2 - 3
    assert np.max(off) > 6.0
    assert skew > 0.6
    assert excess > 3.0
    assert np.mean(np.abs(off) < 0.6) > 0.6


def test_lost_guide_star_stops_the_corrections():
    event = Event("tracking_lost", 2, 2, kind="guide_star", at=0.2, duration_s=60.0)
    scenario = night([event], mount={"worm_arcsec": 6.0})
    plan = build_night(scenario)
    start = plan.line.begin[1] + 0.2 * 120.0
    inside = [s for s in plan.guided.samples if start + 2 < s.time < start + 58]
    assert len(inside) > 20
    assert all(s.lost and s.east_pulse_ms == 0 for s in inside)
    remarks = [r for s in plan.guided.samples for r in s.remarks]
    assert "Guide star missing" in remarks
    assert "Guide star found again" in remarks


def test_dither_before_the_exposure_settles_but_a_late_one_does_not():
    plain = night(frames=4)
    plain = replace(plain, plan=replace(plain.plan, dither_every=1, dither_arcsec=8.0))
    late = replace(plain, events=(Event("dither_overlap", 3, 3, size=15.0, at=0.02),))
    paths = [exposure_of(build_night(s), 2).path for s in (plain, late)]
    assert np.hypot(*np.ptp(paths[0], axis=0)) < 2.5
    assert np.hypot(*np.ptp(paths[1], axis=0)) > 12.0
    # Settled for most of the exposure: the tail is a minority of the light.
    away = np.hypot(*(paths[1] - np.median(paths[1], axis=0)).T)
    assert 0.03 < np.mean(away > 2.0) < 0.3


def test_field_rotation_is_tangential_and_grows_from_the_guide_star():
    scenario = night([Event("field_rotation", 2, 2, size=10.0)], guider=UNGUIDED)
    exposure = exposure_of(build_night(scenario), 1)
    turn = np.deg2rad(10.0 / 3600.0 * 120.0)
    guide = exposure.guide_star() @ exposure.matrix.T + exposure.centre
    for place in (np.array([10.0, 20.0]), np.array([180.0, 140.0])):
        path = zone_path(exposure, place)
        arm = place - guide
        moved = path[-1] - path[0]
        assert np.hypot(*moved) == pytest.approx(np.hypot(*arm) * turn, rel=2e-2)
        assert abs(moved @ arm) < 1e-2 * np.hypot(*moved) * np.hypot(*arm)


@pytest.mark.parametrize(("guider", "guided"), [({}, True), (UNGUIDED, False)])
def test_the_field_turns_with_the_mount_or_about_the_guide_star(guider, guided):
    # Section 4 of the published checks: 1 / cos(dec) guided, cos(dec) unguided.
    pole = {"pole_high_arcmin": 9.0, "pole_east_arcmin": -4.0}
    scenario = night([], guider=guider, mount=pole)
    plan = build_night(scenario)
    span = plan.line.span(0)
    middle = plan.line.origin_unix + plan.line.middle(0)
    h = np.deg2rad(hour_angle_deg(middle, scenario.site, scenario.target))
    cos = np.cos(np.deg2rad(scenario.target.dec_deg))
    rate = -SIDEREAL_ARCSEC_PER_S * np.deg2rad(1 / 60) * (9.0 * np.cos(h) + 4.0 * np.sin(h))
    rate = rate / cos if guided else rate * cos
    turned = (plan.turn[span][-1] - plan.turn[span][0]) * 206264.806
    assert turned == pytest.approx(rate * scenario.plan.exposure_s, rel=0.01)


def test_a_followed_target_draws_the_stars_the_other_way_and_leaves_the_record_alone():
    still = night(frames=3)
    plan = replace(still.plan, follow_arcsec_per_h=360.0, follow_pa_deg=90.0)
    followed = build_night(replace(still, plan=plan))
    path = followed.path - build_night(still).path
    # 0.1 arcsec a second to the east: the stars go west by 12 arcsec in 120 s.
    for index in range(3):
        span = followed.line.span(index)
        moved = path[:, span][:, -1] - path[:, span][:, 0]
        assert moved == pytest.approx([-0.1 * 120.0, 0.0], abs=0.02)
    assert followed.guided.samples == build_night(still).guided.samples


def test_stars_follow_the_flip_and_the_dither():
    base = night(frames=2)
    turned = replace(base, plan=replace(base.plan, flip_before=2))
    plan = build_night(turned)
    before, after = (star_places(exposure_of(plan, i), plan.field) for i in (0, 1))
    centre = exposure_of(plan, 0).centre
    assert np.abs((before - centre) + (after - centre)).max() < 2.0
