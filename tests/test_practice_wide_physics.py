"""What wide practice nights add to mount, loop, wind and field, against published formulas."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from subgrade.errors import UsageError
from subgrade.practice import Event, build_night, motion_shares
from subgrade.practice.geometry import altitude_deg, hour_angle_deg, parallactic_deg
from subgrade.practice.guider import left_over, stability_limit
from subgrade.practice.motion import STEP_S, timeline
from subgrade.practice.night import exposure_of, truths_without_pixels
from subgrade.practice.record import record_text
from subgrade.practice.scenario import SIDEREAL_ARCSEC_PER_S, STANDING
from subgrade.practice.scenario_file import check
from subgrade.practice.shares import leading_causes
from subgrade.practice.sky_and_focus import STEADY_AIR
from subgrade.practice.wind import lean, spell
from tests.test_practice_motion import UNGUIDED, night

EXACT = {
    "seeing_noise_arcsec": 0.0,
    "smallest_correction_arcsec": 0.0,
    "longest_correction_ms": 1e5,
    "search_area_arcsec": 1e6,
}
"""A loop without noise, threshold or limit."""


def wind(kind, size=6.0, duration_s=30.0, **mount):
    event = Event(
        "wind_trail", 2, 2, size, angle_deg=90.0, at=0.1, duration_s=duration_s, kind=kind
    )
    plan = build_night(night([event], mount=mount, guider=UNGUIDED))
    return plan, plan.path[0, plan.line.span(1)], plan.path[1, plan.line.span(1)]


@pytest.mark.parametrize(("hz", "damping"), [(0.5, 0.03), (1.2, 0.1)])
def test_a_knock_rings_out_as_a_damped_oscillator(hz, damping):
    # Impulse answer exp(-z w t) sin(wd t): period 2 pi / wd, successive peaks fall by
    # exp(-2 pi z / sqrt(1 - z^2)), the logarithmic decrement (textbook).
    _, east, north = wind("knock", ring_hz=hz, damping=damping)
    step = round(12.0 / STEP_S)  # at = 0.1 of 120 s
    rung = east[step : step + round(8.0 / STEP_S)]
    rises = np.flatnonzero((rung[:-1] < 0) & (rung[1:] >= 0))
    period = np.diff(rises).mean() * STEP_S
    assert period == pytest.approx(1.0 / (hz * np.sqrt(1.0 - damping**2)), rel=0.03)
    tops = [rung[a:b].max() for a, b in pairwise(rises)]
    fall = np.exp(np.diff(np.log(tops)).mean())
    assert fall == pytest.approx(np.exp(-2 * np.pi * damping / np.sqrt(1 - damping**2)), rel=0.05)
    assert np.abs(east).max() == pytest.approx(6.0)
    assert np.ptp(north) < 1e-9


def test_a_stiff_mount_follows_a_lean():
    # Far below its own frequency an oscillator takes the static deflection.
    _, east, _ = wind("lean", duration_s=30.0, ring_hz=4.0, damping=0.2)
    begin = round(12.0 / STEP_S)
    expected = 6.0 * lean(600, STEP_S, 30.0)
    assert east[begin : begin + 600] == pytest.approx(expected, abs=0.05 * 6.0)
    assert np.abs(east[begin + 640 :]).max() < 0.01


def test_a_spell_pushes_downwind_and_ends():
    along, across = spell(np.random.default_rng(2), 4000, STEP_S, 120.0)
    assert along.min() >= 0.0
    assert not along[2400:].any()
    assert not across[2400:].any()
    # (1 + 0.5 n)^2 with n normal, at least 0: mean 1.25 but for the cut below n = -2.
    long, side = spell(np.random.default_rng(3), 200_000, STEP_S, 1e4)
    assert long.mean() == pytest.approx(1.25, abs=0.05)
    assert side.std() == pytest.approx(0.15, abs=0.02)


@pytest.mark.parametrize(("lag", "limit"), [(0, 2.0), (1, 1.0), (2, 0.618034)])
def test_a_late_loop_runs_away_at_its_limit(lag, limit):
    # Levin & May 1976: limit 2 cos(d pi / (2 d + 1)), period 2 (2 d + 1) samples there.
    assert stability_limit(lag) == pytest.approx(limit, abs=1e-6)
    rms = []
    for gain in (0.9 * limit, 1.06 * limit):
        loop = {**EXACT, "ra_gain": gain, "lag_samples": lag, "seeing_noise_arcsec": 0.01}
        plan = build_night(night(guider={**loop, "longest_correction_ms": 300.0}, frames=6))
        errors = np.array([s.east for s in plan.guided.samples])[-256:]
        rms.append(errors.std())
    assert rms[0] < 0.1
    assert rms[1] > 0.5
    spectrum = np.abs(np.fft.rfft(errors - errors.mean()))
    period = 256.0 / np.argmax(spectrum)
    assert period == pytest.approx(2 * (2 * lag + 1), rel=0.06)


@pytest.mark.parametrize(("lag", "gain"), [(0, 0.6), (1, 0.35), (2, 0.2)])
@pytest.mark.parametrize("period", [15.0, 60.0, 300.0])
def test_what_a_loop_leaves_of_a_sine(lag, gain, period):
    # The z-transform of left_over, against the loop itself; the mean over the guide
    # exposure T takes off sinc(T / period).
    worm = {"worm_arcsec": 4.0, "worm_period_s": period, "worm_second": 0.0}
    loop = {**EXACT, "ra_gain": gain, "lag_samples": lag, "delay_s": 0.05, "exposure_s": 1.0}
    plan = build_night(night(mount=worm, guider={**loop, "rate": 2.0}, frames=8))
    errors = np.array([s.east for s in plan.guided.samples])[60:]
    amplitude = np.sqrt(2.0) * (errors - errors.mean()).std()
    raw = 4.0 * np.cos(np.deg2rad(32.0)) * np.sinc(1.0 / period)
    assert amplitude == pytest.approx(raw * left_over(period, gain, 2.0, lag), rel=0.06)


def test_a_passing_worm_has_its_period_and_its_frames():
    event = Event("periodic_error", 3, 4, size=5.0, period_s=12.0, kind="worm")
    plan = build_night(night([event], guider=UNGUIDED, frames=6, mount={"worm_second": 0.0}))
    east = plan.path[0, plan.line.span(2)]
    assert east.std() == pytest.approx(5.0 * np.cos(np.deg2rad(32.0)) / np.sqrt(2.0), rel=0.02)
    rises = np.flatnonzero((east[:-1] < 0) & (east[1:] >= 0))
    assert np.diff(rises).mean() * STEP_S == pytest.approx(12.0, rel=0.01)
    for index in (0, 1, 4, 5):
        assert np.ptp(plan.path[0, plan.line.span(index)]) < 1e-9


def test_backlash_is_as_wide_as_stated():
    # Corrections sent less the way gone is the play taken up: from 0 to the backlash.
    backlash = 2.5
    plan = build_night(
        night(
            mount={"dec_backlash_arcsec": backlash},
            guider={**EXACT, "longest_correction_ms": 400.0},
            plan={"dither_every": 1, "dither_arcsec": 8.0, "dither_order": "line"},
            frames=10,
        )
    )
    guider = plan.scenario.guider
    speed = guider.rate * SIDEREAL_ARCSEC_PER_S / 1000.0
    sent = np.cumsum([s.north_pulse_ms * speed for s in plan.guided.samples])
    opened = round((guider.interval_s - 0.05) / STEP_S)
    gone = plan.path[1, opened :: round(guider.interval_s / STEP_S)][: len(sent)]
    play = sent - gone
    assert play.min() == pytest.approx(0.0, abs=1e-6)
    assert play.max() == pytest.approx(backlash, abs=1e-6)


def test_a_dither_settles_by_gain_and_longest_correction():
    # e(k+1) = e(k) - g e(k), at most the longest correction a sample.
    gain, longest = 0.5, 400.0
    late = Event("dither_overlap", 2, 2, size=9.0, at=0.0)
    loop = {**EXACT, "ra_gain": gain, "dec_gain": gain, "longest_correction_ms": longest}
    plan = build_night(night([late], guider=loop, mount={"dec_backlash_arcsec": 0.0}))
    errors = np.array([(s.east, s.north) for s in plan.guided.samples])
    first = int(np.argmax(np.hypot(*errors.T) > 1.0))
    speed = plan.scenario.guider.rate * SIDEREAL_ARCSEC_PER_S / 1000.0
    step = longest * speed * np.array([np.cos(np.deg2rad(32.0)), 1.0])
    expected = errors[first]
    assert np.hypot(*expected) == pytest.approx(9.0, abs=1e-6)
    for seen in errors[first : first + 15]:
        assert seen == pytest.approx(expected, abs=0.03)  # pulses are whole ms
        expected = expected - np.clip(gain * expected, -step, step)
    # The exposure begins where the last frame lay, and ends the dither away.
    inside = plan.path[:, plan.line.span(1)]
    assert inside[:, 0] == pytest.approx(plan.path[:, plan.line.span(0)][:, -1], abs=1e-6)
    assert np.hypot(*(inside[:, -1] - inside[:, 0])) == pytest.approx(9.0, abs=0.05)


@pytest.mark.parametrize(
    ("order", "reach"), [("random", 12.0), ("spiral", 8.0), ("line", 8.0), ("wander", None)]
)
def test_dithers_go_where_their_order_says(order, reach):
    plan = build_night(
        night(
            guider={**EXACT, "on": False},
            record=replace(night().record, write=False),
            plan={"dither_every": 1, "dither_arcsec": 8.0, "dither_order": order},
            frames=20,
        )
    )
    assert plan.guided.samples == ()
    place = np.array([plan.path[:, plan.line.span(i)].mean(axis=1) for i in range(20)])
    step, away = np.diff(place, axis=0), np.hypot(*place.T)
    assert (np.hypot(*step.T) > 0.05).all()
    if reach:
        assert away.max() <= reach + 1e-9
    if order == "spiral":
        assert np.diff(away).min() > 0
    elif order == "line":
        assert np.linalg.matrix_rank(place[1:], tol=1e-6) == 1
    elif order == "wander":
        assert step.std() == pytest.approx(4.0, rel=0.35)


def test_an_altazimuth_field_turns_at_the_published_rate():
    # Rate w cos(latitude) cos(azimuth) / cos(altitude) (Meeus, from memory), azimuth from the
    # south; and the way round by where two neighbouring stars stand.
    quiet = night(frames=3)
    scenario = replace(quiet, mount=replace(quiet.mount, altazimuth=True))
    plan = build_night(scenario)
    site, target, start = scenario.site, scenario.target, plan.line.origin_unix
    for index in range(3):
        middle = plan.line.middle(index)
        hour = np.deg2rad(hour_angle_deg(start + middle, site, target))
        lat, dec = np.deg2rad(site.latitude_deg), np.deg2rad(target.dec_deg)
        height = np.deg2rad(altitude_deg(start + middle, site, target))
        south = np.cos(hour) * np.sin(lat) * np.cos(dec) - np.sin(dec) * np.cos(lat)
        rate = SIDEREAL_ARCSEC_PER_S * np.cos(lat) * (south / np.cos(height)) / np.cos(height)
        turn = np.rad2deg(np.ptp(plan.turn[plan.line.span(index)])) * 3600.0
        assert turn == pytest.approx(abs(rate) * 120.0, rel=0.01)

    def up_and_left(north_arcsec, unix):
        star = replace(target, dec_deg=target.dec_deg + north_arcsec / 3600.0)
        found = []
        for t in (target, star):
            h, d = np.deg2rad(hour_angle_deg(unix, site, t)), np.deg2rad(t.dec_deg)
            west = np.sin(h) * np.cos(d)
            south = np.cos(h) * np.sin(lat) * np.cos(d) - np.sin(d) * np.cos(lat)
            found.append((np.arctan2(west, south), np.deg2rad(altitude_deg(unix, site, t))))
        (a0, h0), (a1, h1) = found
        return (h1 - h0), -(a1 - a0) * np.cos(h0)

    angle = []
    for unix in (start, start + plan.line.end[-1]):
        up, left = up_and_left(60.0, unix)
        angle.append(np.arctan2(left, up))
    turned = plan.turn[plan.line.span(2)][-1] - plan.turn[0]
    assert turned == pytest.approx(angle[1] - angle[0], rel=0.02)
    assert angle[0] == pytest.approx(
        -np.deg2rad(
            parallactic_deg(hour_angle_deg(start, site, target), site.latitude_deg, target.dec_deg)
        ),
        abs=2e-3,
    )


def test_a_flip_turns_shifts_and_pauses_as_stated():
    flip = {"flip_before": 3, "flip_shift_arcsec": 30.0, "flip_pause_s": 200.0}
    base = night(frames=4, guider=EXACT)
    plan = build_night(night(frames=4, guider=EXACT, plan={**flip, "flip_turn_deg": 0.0}))
    gaps = plan.line.begin[1:] - plan.line.end[:-1]
    assert gaps == pytest.approx(base.plan.gap_s + np.array([0.0, 200.0, 0.0]))
    before, after = exposure_of(plan, 1), exposure_of(plan, 2)
    assert after.matrix == pytest.approx(before.matrix)
    assert after.guide_star() == pytest.approx(before.guide_star())
    shift = after.path.mean(axis=0) - before.path.mean(axis=0)
    assert shift == pytest.approx([0.0, 30.0], abs=0.01)
    lost = [s.time for s in plan.guided.samples if s.lost]
    assert plan.line.end[1] < min(lost)
    assert max(lost) < plan.line.begin[2]
    assert max(lost) - min(lost) == pytest.approx(200.0, abs=5.0)
    turned = exposure_of(build_night(night(frames=4, plan={**flip, "flip_turn_deg": 176.0})), 2)
    assert turned.guide_star() == pytest.approx(before.guide_star())
    assert np.linalg.det(turned.matrix) == pytest.approx(np.linalg.det(before.matrix))


@pytest.mark.parametrize(
    ("words", "there", "missing"),
    [
        ("dither", "Dither of", "Reference position moved"),
        ("reference", "Reference position moved by", "Dither"),
        ("star", "New place for the guide star", "Dither"),
        ("none", "Sample", "ither"),
    ],
)
def test_a_record_calls_a_dither_what_it_is_set_to(words, there, missing):
    base = night(plan={"dither_every": 1})
    scenario = replace(base, record=replace(base.record, dither_words=words))
    plan = build_night(scenario)
    text = record_text(scenario, plan.line, plan.guided)
    assert there in text
    assert missing not in text
    plain = build_night(base)
    assert [s.east for s in plan.guided.samples] == [s.east for s in plain.guided.samples]


def test_a_fading_guide_star_and_a_cloud_in_steady_air():
    plan = build_night(night(guider={"fade": 0.8}, frames=4))
    light = [s.brightness for s in plan.guided.samples if not s.lost]
    assert np.mean(light[-20:]) / np.mean(light[:20]) == pytest.approx(0.2, abs=0.05)
    pair = [
        build_night(night([Event("cloud", 2, 2, size=0.5, kind=kind)])).weather[1]
        for kind in ("", "steady_air")
    ]
    assert pair[1].seeing_px == pytest.approx(STEADY_AIR * pair[0].seeing_px)
    assert pair[1].light == pair[0].light


def test_shares_follow_from_the_variances():
    # Two steps at right angles at the same moment, f (1 - f) D^2 each: shares by D^2.
    events = [
        Event("flexure", 2, 2, size=3.0, angle_deg=0.0),
        Event("wind_trail", 3, 3, size=5.0, kind="lean", duration_s=20.0),
        Event("bump", 2, 2, size=2.0, angle_deg=90.0, at=0.5),
    ]
    plan = build_night(night(events, guider=UNGUIDED, frames=4))
    shares = motion_shares(plan)
    drift, step = 9.0 / 12.0, 4.0 / 4.0
    assert shares[1] == pytest.approx(
        {"bump": step / (drift + step), "flexure": drift / (drift + step)}, rel=0.01
    )
    assert list(shares[1]) == ["bump", "flexure"]
    assert shares[2] == pytest.approx({"wind_trail": 1.0}, rel=1e-6)
    assert shares[0] == shares[3] == {}
    by_frame = [t.reason for t in truths_without_pixels(plan)]
    assert by_frame[1] in ("bump;flexure", "flexure;bump")
    if truths_without_pixels(plan)[1].verdict == "reject":
        assert by_frame[1] == "bump;flexure"


def test_standing_causes_name_what_the_mount_does():
    events = [Event(c, 1, 4, kind=STANDING) for c in ("periodic_error", "dec_drift")]
    mount = {"worm_arcsec": 20.0, "worm_period_s": 300.0, "pole_east_arcmin": 10.0}
    base = night(events, mount=mount, guider={"on": False}, frames=4)
    scenario = replace(base, record=replace(base.record, write=False))
    shares = motion_shares(build_night(scenario))
    assert all(set(s) == {"periodic_error", "dec_drift"} for s in shares)
    # Little else moves it; where both are ramps, they are at right angles.
    assert all(sum(s.values()) > 0.97 for s in shares)
    silent = build_night(replace(scenario, events=()))
    assert np.array_equal(silent.path, build_night(scenario).path)


@pytest.mark.parametrize(
    ("causes", "shares", "scores", "lead"),
    [
        (["bump", "cloud"], {"bump": 0.9}, {"eccentricity": 2.0}, ["bump"]),
        (["bump", "cloud"], {"bump": 0.9}, {"light lost": 2.0}, ["cloud"]),
        (
            ["bump", "cloud"],
            {"bump": 0.9},
            {"light lost": 1.0, "eccentricity": 2.0},
            ["bump", "cloud"],
        ),
        (["bump", "flexure"], {"bump": 0.1, "flexure": 0.8}, {"eccentricity": 2.0}, ["flexure"]),
        (
            ["bump", "flexure"],
            {"bump": 0.3, "flexure": 0.6},
            {"eccentricity": 2.0},
            ["flexure", "bump"],
        ),
        (["bump", "seeing"], {"bump": 0.9}, {"fwhm ratio": 2.0}, ["seeing"]),
        (["bump", "flexure"], {"bump": 0.5, "flexure": 0.5}, {}, ["bump", "flexure"]),
        (["cloud", "sky_glow"], {}, {"fwhm ratio": 0.7}, ["cloud", "sky_glow"]),
    ],
)
def test_leading_causes_are_those_that_did_the_harm(causes, shares, scores, lead):
    every = ("eccentricity", "fwhm ratio", "light lost", "depth lost", "stray light share")
    full = {m: scores.get(m, -1.0) for m in every} if scores else {}
    assert leading_causes(causes, shares, full) == lead


@pytest.mark.parametrize(
    ("part", "changes", "words"),
    [
        ("guider", {"lag_samples": 9}, "lag_samples"),
        ("guider", {"on": False}, "record.write"),
        ("guider", {"fade": 2.0}, "fade"),
        ("plan", {"dither_order": "sideways"}, "dither_order"),
        ("record", {"dither_words": "other"}, "dither_words"),
        ("target", {"faintest": 30.0}, "faintest"),
    ],
)
def test_settings_that_cannot_be_are_refused(part, changes, words):
    base = night()
    with pytest.raises(UsageError, match=words):
        check(replace(base, **{part: replace(getattr(base, part), **changes)}))


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (Event("wind_trail", 1, 1, kind="storm"), "kind must be one of"),
        (Event("cloud", 1, 1, kind=STANDING), "kind must be one of"),
        (Event("periodic_error", 1, 1, kind="worm"), "period_s"),
    ],
)
def test_events_that_cannot_be_are_refused(event, words):
    with pytest.raises(UsageError, match=words):
        check(night([event]))


def test_without_flip_and_lag_time_runs_as_before():
    line = timeline(night(frames=3))
    assert line.begin == pytest.approx(40.0 + 142.0 * np.arange(3))
