"""Findings and advice from nights of numbers, against closed forms and libraries."""

from __future__ import annotations

import json
import re
import warnings
from dataclasses import asdict, replace

import numpy as np
import pytest

from subgrade.diagnosis import diagnose_night
from subgrade.diagnosis.flexure import axis_mean
from subgrade.diagnosis.focus import time_to_limit, width_with_temperature
from subgrade.diagnosis.line_length import drawn_length
from subgrade.diagnosis.night_view import view_of
from subgrade.diagnosis.right_ascension import left_of, loop_gain
from subgrade.diagnosis.sky import sun_and_moon
from subgrade.diagnosis.wind import gust_rate, surviving, usable_share
from subgrade.diagnosis.wording import number
from subgrade.judging import REASONS, judge_night, load_limits
from subgrade.judging.model import Judgement
from subgrade.night.model import Night
from subgrade.results.session import plain
from tests.judged_nights import EXPOSURE_S, Shot, guide_of, night_of, recorded, steady

LIMITS = load_limits(None)


def verdicts_of(night: Night, bad: dict | None = None) -> list[Judgement]:
    """Kept frames but for the reasons given."""
    return [
        Judgement(f.name, "reject", (bad[k],), "", 0.99, 0.0, (), 0.99)
        if bad and k in bad
        else Judgement(f.name, "keep", (), "", 0.99, 1.0)
        for k, f in enumerate(night.frames)
    ]


def diagnosed(shots, bad=None, guide=None, scale=1.0):
    night = night_of(shots, scale)
    guiding = guide(night) if guide else None
    return diagnose_night(night, verdicts_of(night, bad), guiding, LIMITS)


def finding(diagnosis, topic):
    return next(f for f in diagnosis.findings if f.topic == topic)


def value(found, name):
    return next(q for q in found.numbers if q.name == name)


def with_samples(guide, ra, cadence=2.0, **known):
    """A record of the given RA errors from the first exposure on."""
    start = 1_900_000_000.0
    n = len(ra)
    rng = np.random.default_rng(0)
    record = replace(
        guide.record,
        time=start + cadence * np.arange(n),
        ra=np.asarray(ra),
        dec=0.3 * rng.standard_normal(n),
        ra_pulse_ms=np.zeros(n),
        dec_pulse_ms=np.zeros(n),
        brightness=np.full(n, 100.0),
        snr=np.full(n, 30.0),
        good=np.ones(n, bool),
        section=np.zeros(n, int),
        sections=((start, start + cadence * n),),
    )
    return replace(guide, record=record, clock=replace(guide.clock, add_s=0.0), **known)


def view(shots, bad=None, guiding=None):
    night = night_of(shots)
    return view_of(night, verdicts_of(night, bad), guiding(night) if guiding else None, LIMITS)


# ---- guiding


@pytest.mark.parametrize("gain", [0.5, 1.7, 1.95])
def test_the_loop_gain_comes_back_from_its_recursion(gain):
    rng = np.random.default_rng(4)
    error = [0.0]
    for kick in rng.standard_normal(600):
        error.append((1 - gain) * error[-1] + kick)
    seen = view(steady(8), guiding=lambda n: with_samples(guide_of(n, {}), error))
    found, sigma = loop_gain(seen, range(8))
    assert abs(found - gain) < 3 * sigma
    assert sigma < 0.12


def test_over_correction_is_cured_by_a_weaker_correction():
    fast = 1.5 * np.array([(-0.9) ** (k % 12) for k in range(60)])
    swings = recorded(fast, lag1_ra=-0.9, period_s=4.1, overshoot=0.8)
    rng = np.random.default_rng(4)
    error = [0.0]
    for kick in rng.standard_normal(600):
        error.append(-0.9 * error[-1] + kick)
    found = finding(
        diagnosed(
            steady(10),
            {3: "ra_oscillation"},
            lambda n: with_samples(guide_of(n, {3: swings}), error),
        ),
        "RA oscillation",
    )
    assert value(found, "period").value == pytest.approx(4.1)
    assert found.sentence.startswith(
        "The mount oscillated in RA in 1 frame, with a period of 4.10 s (2.0 guide "
        "intervals); guiding RMS "
    )
    action = found.advice[0].action
    share = re.match(r"Lower the RA correction strength to about (\d+)% of its present", action)
    assert int(share[1]) == pytest.approx(100 * 0.6 / 1.9, abs=1)


def test_a_slow_oscillation_is_laid_to_delay():
    swings = recorded(
        np.sin(np.arange(60) * 2 * np.pi / 8), lag1_ra=0.6, period_s=16.0, overshoot=0.2
    )
    found = finding(
        diagnosed(steady(10), {3: "ra_oscillation"}, lambda n: guide_of(n, {3: swings})),
        "RA oscillation",
    )
    assert "Shorten the guide exposure" in found.advice[0].action
    assert "clutch" in found.advice[0].caution


def test_what_is_left_of_the_worm_is_its_sine():
    t = 2.0 * np.arange(600)
    error = 0.7 * np.sin(2 * np.pi * t / 170 + 1) + 0.2 * np.random.default_rng(2).standard_normal(
        600
    )
    seen = view(steady(8), guiding=lambda n: with_samples(guide_of(n, {}), error))
    assert left_of(seen, range(8), 170.0) == pytest.approx(0.7, abs=0.05)


# ---- flexure


@pytest.mark.parametrize(("length", "q"), [(2.0, 0.9063), (4.0, 0.7113)])
def test_a_drawn_line_is_read_as_galsim_reads_it(length, q):
    # Published check values, section 3: Gaussian of FWHM 3 px, drift of 2 and 4 px, q by GalSim.
    minor = (3.0 / 2.3548200450) ** 2
    assert drawn_length(minor / q**2 - minor, minor) == pytest.approx(length, rel=2e-3)


def test_flexure_states_rate_and_direction():
    shots = steady(12)
    minor, length = (3.0 / 2.35482) ** 2, 4.0
    # Eccentricity of the published q at L = 4; 1 arcsec a pixel, 120 s.
    drawn = Shot(
        fwhm=3.0 / np.sqrt(0.7113), eccentricity=float(np.sqrt(1 - 0.7113**2)), angle=125.0
    )
    shots[5] = replace(
        drawn, facts={"sky_axes": ((-1.0, 0.0), (0.0, 1.0))}, fwhm=2.35482 * np.sqrt(minor / 0.7113)
    )
    found = finding(diagnosed(shots, {5: "flexure"}), "differential flexure")
    rate = value(found, "drift")
    assert abs(rate.value - length / 120 * 3600) < 2 * rate.error
    # North up and east left: position angle is the image angle from +y, 35 degrees.
    angle = value(found, "direction, east of north or opposite")
    assert angle.value == pytest.approx(35.0, abs=3.0)
    assert found.cost_s == EXPOSURE_S


def test_axes_average_through_north():
    mean, _ = axis_mean([178.0, 4.0], [0.05, 0.05])
    assert mean == pytest.approx(1.0, abs=1e-6)


# ---- focus, wind


def test_the_slope_with_temperature_comes_back():
    rng = np.random.default_rng(5)
    shots = steady(30)
    for k, shot in enumerate(shots):
        warm = 6.0 - 0.2 * k
        shot.fwhm, shot.facts = (
            3.0 + 0.08 * (6 - warm) + 0.02 * rng.standard_normal(),
            {
                "ambient_c": warm,
                "airmass": 1.0,
            },
        )
    seen = view(shots)
    slope = width_with_temperature(seen, range(30))
    assert abs(slope.value + 0.08) < 3 * slope.error
    found = finding(diagnosed(shots), "focus")
    assert re.search(
        r"Stars may grow by 0\.0\d+ ± 0\.0\d+″ per °C as the air cools\.", found.sentence
    )
    assert found.sure == "possible"


def test_the_time_until_focus_is_out_is_that_of_quadrature():
    shots = steady(20)
    rate = 0.005  # px of blur a second
    for j, k in enumerate(range(12, 17)):
        shots[k].fwhm = float(np.hypot(3.0, rate * (j + 1) * 130.0))
    seen = view(shots, dict.fromkeys(range(12, 17), "focus"))
    wait, _ = time_to_limit(seen, list(range(12, 17)))
    usual = seen.usual(12, "fwhm_px")
    exact = usual * np.sqrt(LIMITS.sharpness.ratio_low**2 - 1) / rate
    assert wait == pytest.approx(exact, rel=0.1)


def test_gusts_are_poisson():
    # scipy's Poisson distribution is asked for the share of exposures without a gust.
    from scipy.stats import poisson

    rate, exposure = 1 / 200.0, 120.0
    assert surviving(rate, exposure) == pytest.approx(poisson.pmf(0, rate * exposure))
    rng = np.random.default_rng(6)
    hit = int((rng.poisson(rate * exposure, 4000) > 0).sum())
    found, error = gust_rate(hit, 4000, exposure)
    assert abs(found - rate) < 3 * error
    # d/dt of exp(-rate t) t / (t + gap) is zero where rate t (t + gap) = gap.
    best = max(np.arange(5, 400, 1.0), key=lambda t: usable_share(rate, t, 30.0))
    assert rate * best * (best + 30.0) == pytest.approx(30.0, rel=0.03)


@pytest.mark.parametrize(("hits", "word"), [((4, 6, 7, 9), "expose 60 s"), ((4,), "stay at 120 s")])
def test_shorter_exposures_are_advised_only_where_they_pay(hits, word):
    knock = recorded(0.4 * np.sin(np.arange(60)), gusts=1, gust_size=6.0, gust_settle_s=20.0)
    found = finding(
        diagnosed(
            steady(14),
            dict.fromkeys(hits, "wind_trail"),
            lambda n: guide_of(n, dict.fromkeys(hits, knock)),
        ),
        "wind",
    )
    # 10 s between exposures: half of them pays once a gust comes every few minutes.
    assert word in found.advice[0].action
    assert value(found, "largest gust").value == 6.0


# ---- sky


def test_sun_and_moon_stand_where_astropy_puts_them():
    import astropy.units as u
    from astropy.coordinates import AltAz, EarthLocation, get_body
    from astropy.time import Time
    from astropy.utils import iers

    unix = 1.7e9 + 86400.0 * 13.37 * np.arange(20)
    place = EarthLocation.from_geodetic(10.0 * u.deg, 45.0 * u.deg)
    with iers.conf.set_temp("auto_download", False), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        time = Time(unix, format="unix")
        frame = AltAz(obstime=time, location=place)
        sun, moon = (
            get_body(b, time, place, ephemeris="builtin").transform_to(frame).alt.deg
            for b in ("sun", "moon")
        )
    mine = sun_and_moon(unix, 45.0, 10.0)
    assert np.abs(mine[0] - sun).max() < 0.1
    assert np.abs(mine[1] - moon).max() < 0.3


# ---- the whole


def test_a_clean_night_says_so_with_its_numbers():
    shots = steady(20)
    found = diagnosed(shots, guide=lambda n: guide_of(n, {}))
    assert found.summary.startswith("Nothing went wrong: all 20 frames kept (40 min)")
    assert not found.losses
    assert found.lost_s == 0
    part = value(finding(found, "what limits the sharpness"), "guiding's part, at most")
    assert part.value == pytest.approx(2.3548 * 0.4, rel=0.1)  # calm rms of the made-up record
    assert {q.name for q in found.typical} >= {
        "FWHM",
        "eccentricity",
        "guiding RMS in RA",
        "guiding RMS in Dec",
    }


def test_advice_is_ranked_by_the_time_it_would_have_saved():
    bad = {2: "cloud", 3: "cloud", 4: "cloud", 8: "bump", 10: "focus", 11: "focus"}
    found = diagnosed(steady(16), bad)
    assert [r.reason for r in found.losses] == ["cloud", "focus", "bump"]
    assert [r.lost_s for r in found.losses] == [360.0, 240.0, 120.0]
    saves = [a.saves_s for a in found.advice]
    assert saves == sorted(saves, reverse=True)
    assert saves[0] == 360.0
    span = found.losses[0].spans[0]
    assert (span.first_frame, span.last_frame, span.frames) == (
        "light_002.fits",
        "light_004.fits",
        3,
    )
    assert span.start_utc == "2030-03-17T17:51:00Z"
    assert span.end_utc == "2030-03-17T17:57:20Z"


def test_motions_without_a_record_are_never_sure():
    found = diagnosed(steady(16), {4: "wind_trail", 5: "wind_trail"})
    assert finding(found, "wind").sure != "sure"
    assert any("without a usable guiding record" in n for n in found.notes)


def test_hands_near_gear_are_cautioned():
    found = diagnosed(steady(16), {4: "dew", 5: "dew", 8: "tracking_lost", 10: "field_rotation"})
    cautions = {a.topic: a.caution for a in found.advice}
    assert "local electrical code" in cautions["dew"]
    assert "pinch" in cautions["field rotation"]
    assert cautions["lost tracking"]


def no_times(shots):
    for shot in shots:
        shot.facts |= {"start_unix": None, "mid_unix": None, "start_utc": None, "mid_utc": None}
    return shots


def two_groups():
    night = night_of(steady(20))
    group = night.groups[0]
    parts = tuple(
        replace(group, label=f"Field, {name}", filter=name, members=members, reference=members[0])
        for name, members in (("L", tuple(range(12))), ("R", tuple(range(12, 20))))
    )
    compared = tuple(replace(c, group=int(k >= 12)) for k, c in enumerate(night.compared))
    return replace(night, groups=parts, compared=compared)


ODD = {
    "two groups": lambda: (two_groups(), None),
    "empty": lambda: (Night((), (), ()), None),
    "six frames": lambda: (night_of(steady(6)), None),
    "one frame": lambda: (night_of(steady(1)), None),
    "no times": lambda: (night_of(no_times(steady(14, facts={}))), None),
    "no scale": lambda: (night_of(steady(14), None), None),
    "strays only": lambda: (night_of([*steady(1), *steady(4, stray="another size")]), None),
    "no exposure": lambda: (night_of(steady(14, facts={"exposure_s": None})), None),
    "no shape": lambda: (night_of(steady(14, status="none")), None),
}
WORDS = tuple(word for word in REASONS if word not in ("unreadable", "surplus"))
"""What a measured frame may be rejected for; left out by choice is no loss of the night."""


@pytest.mark.parametrize("name", ODD)
@pytest.mark.parametrize("record", [False, True])
def test_odd_nights_are_diagnosed_without_a_number_that_is_not_one(name, record):
    night, _ = ODD[name]()
    guiding = guide_of(night, {}) if record and night.frames else None
    for bad in ({}, {k: WORDS[k % len(WORDS)] for k in range(len(night.frames))}):
        found = diagnose_night(night, verdicts_of(night, bad), guiding, LIMITS, [("a.fits", "cut")])
        json.dumps(asdict(found), allow_nan=False)
        assert found.summary


@pytest.mark.parametrize("word", WORDS)
def test_every_reason_has_its_finding_and_its_cost(word):
    found = diagnosed(steady(14), {3: word, 4: word})
    (stated,) = [f for f in found.findings if f.reason == word]
    assert stated.cost_s == (0.0 if word in ("tilt_or_coma", "satellite_trail") else 240.0)
    assert stated.advice


def test_judged_nights_pass_through():
    shots = steady(24)
    for k in (5, 6):
        shots[k].transparency, shots[k].stars = 0.3, 120
    shots[12].fwhm = 5.0
    night = night_of(shots)
    found = diagnose_night(night, judge_night(night, LIMITS), None, LIMITS)
    assert found.losses[0].reason == "cloud"
    assert plain(asdict(found)) == json.loads(json.dumps(plain(asdict(found))))


@pytest.mark.parametrize(
    ("args", "text"),
    [
        ((9.934, 0.42, "′"), "9.9 ± 0.4′"),
        ((169.9, 1.2, "s"), "169.9 ± 1.2 s"),
        ((0.0,), "0.0"),
        ((0.0412,), "0.041"),
        ((4210.0, 300.0, "″ an hour"), "4200 ± 300″ an hour"),
        ((2.3, 0.0), "2.30"),
        ((0.6, 1e-9, "″"), "0.60″"),
        ((float("nan"),), "unknown"),
    ],
)
def test_numbers_are_rounded_to_their_error(args, text):
    assert number(*args) == text
