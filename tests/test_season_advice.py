"""Was the advice followed and did it help, how seeing and sky go, and the season in short."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from subgrade.season.advice import Rate, _helped, advice_followed, loss_rate
from subgrade.season.dependences import Sample, dependences, slope_within
from subgrade.season.followed import shown
from subgrade.season.histories import histories
from subgrade.season.losses import losses
from subgrade.season.model import Season, Tie
from subgrade.season.sky_places import places_of
from subgrade.season.summary import summary
from tests.benchmarks.season_advice import judged
from tests.season_over_time import finding, night, pole

DRIFT = ("dec_drift",)
ALIGN = {"topic": "polar alignment", "action": "Align the polar axis again"}
WEAKER = "Lower the RA correction strength to about 60% of its present value"


def guided(day, strength=120.0, cadence=2.0, dec=0.5, rarer=0.3, **more):
    sent = {
        "ra_ms_per_arcsec": strength,
        "ra_ms_per_arcsec_error": 0.5,
        "ra_share": 0.8,
        "dec_share": dec,
        "dec_rarer_share": rarer,
        "settling_s": 10.0,
    }
    return night(day, guiding={"cadence_s": cadence, "corrections": sent}, **more)


def aligned_after(count, total, lost_before=6, lost_after=0):
    rng = np.random.default_rng(1)
    return [
        night(
            d,
            pole=pole(*((8.0, 7.0) if d < count else (1.5, -1.5))),
            advice=[ALIGN] if d < count else [],
            lost={"dec_drift": int(rng.poisson(lost_before if d < count else lost_after))},
        )
        for d in range(total)
    ]


def test_an_axis_that_was_aligned():
    (found,) = advice_followed(aligned_after(5, 10))
    assert (found.followed, found.since, found.helped) == ("yes", 5, "yes")
    assert found.nights == (0, 1, 2, 3, 4)
    assert "10.6 ± 0.4′ → 2.1 ± 0.4′" in found.because
    # 40 frames of 2 minutes a night, some 6 of them lost: 9 minutes an hour
    assert found.before == pytest.approx(9.0, abs=3.0)
    assert found.after == 0.0
    assert "seems to have helped" in found.sentence


def test_an_axis_that_moved_back_is_not_right():
    nights = aligned_after(3, 8)
    nights[7] = night(7, pole=pole(8.0, 7.0), advice=[ALIGN])
    (found,) = advice_followed(nights)
    assert (found.followed, found.since) == ("no", -1)


def test_one_night_since_shows_no_cause():
    (found,) = advice_followed(aligned_after(5, 6))
    assert (found.followed, found.helped) == ("yes", "not known")
    assert "too few" in found.sentence


def test_losses_that_stay_are_no_help():
    nights = aligned_after(8, 16, 6, 6)
    (found,) = advice_followed(nights)
    assert (found.followed, found.helped) == ("yes", "no")


def test_without_a_later_night_nothing_is_known():
    (found,) = advice_followed(aligned_after(1, 1))
    assert (found.followed, found.helped) == ("not known", "not known")
    assert "no later night" in found.sentence
    (found,) = advice_followed([*aligned_after(1, 1), night(1)])
    assert found.followed == "not known"


def test_the_weather_is_not_followed():
    cloud = {"topic": "cloud", "action": "Image in the clear part of the night"}
    assert advice_followed([night(0, advice=[cloud]), night(1)]) == ()
    wind = {"topic": "wind", "action": "Shelter the telescope"}
    nights = [night(d, advice=[wind] * (d < 4), lost={"wind_trail": 9 * (d < 4)}) for d in range(9)]
    assert advice_followed(nights)[0].helped == "not known"


@pytest.mark.parametrize(
    ("topic", "action", "first", "later", "followed"),
    [
        ("RA oscillation", WEAKER, guided(0), guided(1, 70.0), True),
        ("RA oscillation", WEAKER, guided(0), guided(1, 118.0), False),
        ("RA oscillation", WEAKER, guided(0), night(1), None),
        (
            "Dec drift",
            "Switch Dec guiding on, in both directions",
            guided(0, dec=0.01),
            guided(1),
            True,
        ),
        (
            "Dec drift",
            "Switch Dec guiding on, in both directions",
            guided(0),
            guided(1, dec=0.0),
            False,
        ),
        ("guide exposure", "Guide with shorter exposures", guided(0, cadence=5.0), guided(1), True),
        ("guide exposure", "Guide with shorter exposures", guided(0), guided(1), False),
        ("unguided mount", "Guide the mount", night(0), guided(1), True),
        ("unguided mount", "Guide the mount", night(0), night(1), None),
        (
            "unguided mount",
            "Guide the mount",
            night(0),
            night(1, findings=[finding("unguided mount")]),
            False,
        ),
        ("bright sky", "Look for lights", guided(0), guided(1), None),
    ],
)
def test_what_a_later_night_shows(topic, action, first, later, followed):
    found = shown(topic, action, first, later)
    assert (found is None and followed is None) or found.followed is followed


def test_flexure_and_worm_by_their_findings():
    def one(size, error):
        numbers = [("drift", size, error, "″ an hour")]
        return night(0, findings=[finding("differential flexure", "flexure", numbers)])

    tighten = "Tighten everything between guide scope and main scope"
    assert shown("differential flexure", tighten, one(170, 20), one(40, 10)).followed
    assert not shown("differential flexure", tighten, one(170, 20), one(130, 20)).followed
    # where no frame shows it, nothing was measured
    assert shown("differential flexure", tighten, one(170, 20), night(1)) is None


def test_a_lower_bound_shows_no_alignment():
    old = [*pole(8.0, 7.0), {"name": "part from field rotation", "value": 5.0, "error": 0.4}]
    bound = [{"name": "misalignment", "value": 2.0, "error": 0.4, "unit": "′"}]
    nights = [night(0, pole=old, advice=[ALIGN]), night(1, pole=bound)]
    assert advice_followed(nights)[0].followed == "not known"
    # nor does a night that could not have shown it
    nights = [night(0, pole=pole(8.0, 4.0), advice=[ALIGN]), night(1, pole=pole(0.0, 1.0, 9.0))]
    assert advice_followed(nights)[0].followed == "not known"


def test_rates_and_their_errors():
    # frames in a row are one event: one of 12 minutes in 80
    one = loss_rate([night(0, lost={"dec_drift": 6})], DRIFT)
    assert (one.value, one.error) == (pytest.approx(9.0), pytest.approx(9.0))
    # six of two minutes: the root of six of it
    reasons = np.array([""] * 40, object)
    reasons[::7] = "dec_drift"
    apart = night(0)
    verdicts = tuple("reject" if r else "keep" for r in reasons)
    apart = replace(apart, frames=replace(apart.frames, reason=tuple(reasons), verdict=verdicts))
    assert loss_rate([apart], DRIFT).error == pytest.approx(9.0 / np.sqrt(6))
    # frames under cloud could not show it
    clouded = loss_rate([night(0, lost={"dec_drift": 4, "cloud": 20})], DRIFT)
    assert clouded.value == pytest.approx(60 * 4 / 20)
    none = loss_rate([night(0)], DRIFT, 720.0)
    assert (none.value, none.error) == (0.0, pytest.approx(9.0))
    assert np.isnan(loss_rate([], DRIFT).value)


@pytest.mark.parametrize("count", [2, 10])
def test_chance_seldom_helps(count):
    rng = np.random.default_rng(2)
    found = [judged(rng, count, count, 1.0, 1.0) for _ in range(60)]
    # 5 per cent by choice, both ways: 3 of 60; 9 come once in 300
    assert found.count("yes") + found.count("worse") < 9


def test_what_helped_is_found():
    assert _helped(Rate(9.0, 1.0, 6), Rate(0.5, 0.5, 6)) == "yes"
    assert _helped(Rate(0.5, 0.5, 6), Rate(9.0, 1.0, 6)) == "worse"
    assert _helped(Rate(9.0, 1.0, 6), Rate(9.0, 1.0, 6)) == "no"
    assert _helped(Rate(9.0, 1.0, 6), Rate(0.5, 0.5, 1)) == "not known"


def test_one_odd_night_makes_no_trend():
    rng = np.random.default_rng(3)
    x = np.tile(np.linspace(-4, 4, 40), 10)
    which = np.repeat(np.arange(10), 40)
    y = 2.0 + 0.1 * rng.normal(size=400) + np.repeat(rng.normal(size=10), 40)
    slope, error, count = slope_within(Sample(x, y, which))
    assert count == 10
    assert abs(slope) < 4 * error
    odd = np.where(which == 3, y + 0.5 * x, y)
    slope, error, _ = slope_within(Sample(x, odd, which))
    # the ten nights' slopes scatter by 0.16 about 0.05
    assert slope < 3 * error
    every = y + 0.05 * x
    slope, error, _ = slope_within(Sample(x, every, which))
    assert slope == pytest.approx(0.05, abs=4 * error)
    assert slope > 5 * error


def sky_nights(hourly: float, moonlight: float):
    rng = np.random.default_rng(4)
    more = {"site": (48.0, 11.0), "pointing": (150.0, 30.0), "exposure": 170.0}
    nights = []
    for day in range(0, 30, 3):
        place = places_of(night(day, 120, **more))
        moon = moonlight * place.moon_lit * np.sin(np.radians(np.maximum(place.moon, 0.0)))
        sky = 300.0 * 10 ** (0.4 * (hourly * place.hour + moon + 0.1 * rng.normal()))
        width = (2.0 + 0.3 * rng.normal() + 0.1 * rng.normal(size=120)) * place.airmass**0.6
        noise = np.sqrt(sky / 1.5 + 4) * (1 + 0.005 * rng.normal(size=120))
        nights.append(
            night(day, 120, fwhm_px=width / 1.26, background=500 + sky, noise=noise, **more)
        )
    return nights


def test_sky_and_seeing_of_known_course():
    nights = sky_nights(-0.05, 2.0)
    ties = [Tie(k, 0, 1.0, 0.01, 1.0, 100) for k in range(len(nights))]
    found = {d.key: d for d in dependences(nights, ties)}
    assert found["sky_by_hour"].slope == pytest.approx(-0.05, abs=0.003)
    assert found["sky_by_hour"].verdict.startswith("The sky darkens by 0.0")
    assert "as seeing does" in found["seeing_by_altitude"].verdict
    assert found["seeing_by_hour"].verdict.startswith("No trend")
    assert found["sky_by_moon"].slope > 3 * found["sky_by_moon"].slope_error
    assert found["sky_by_phase"].value == tuple(sorted(found["sky_by_phase"].value))
    for one in found.values():
        assert len(one.x) == len(one.value) == len(one.error) == len(one.frames) > 0


def test_without_a_site_only_the_hour_is_known():
    found = dependences([night(d) for d in range(3)])
    assert {d.key for d in found} == {"seeing_by_hour"}
    assert dependences([]) == ()


def test_the_season_in_a_few_sentences():
    nights = tuple(aligned_after(5, 10))
    known = histories(nights)
    season = Season(
        nights, histories=known, losses=losses(nights), advice=advice_followed(nights, known)
    )
    text = summary(season)
    assert 3 <= len(text) <= 6
    assert text[0].startswith("12 h of 13 h kept on 10 nights, ")
    assert text[1].startswith("Most was lost to Dec drift: ")
    assert "The polar axis moved between" in text[2]
    assert text[3] == "Advice that shows as followed: polar alignment (less lost since)."


def test_what_to_do_next_is_what_still_costs_most():
    nights = tuple(
        night(d, advice=[ALIGN], pole=pole(8, 7), lost={"dec_drift": 5}) for d in range(4)
    )
    season = Season(nights, losses=losses(nights), advice=advice_followed(nights))
    assert summary(season)[-1].startswith("Next: align the polar axis again (40 min lost")


def test_a_season_without_frames():
    assert summary(Season(())) == ()
    assert summary(Season((night(0, 0),))) == ()


def test_a_mount_set_up_anew_is_called_that():
    rng = np.random.default_rng(5)
    nights = [night(d, pole=pole(*(6.0 * rng.normal(size=2))), advice=[ALIGN]) for d in range(10)]
    (found,) = advice_followed(nights, histories(nights))
    assert "elsewhere each night" in found.sentence


def test_advice_on_what_cost_no_frame():
    nights = [
        night(d, pole=pole(8, 7) if d < 3 else pole(1, 1), advice=[ALIGN] * (d < 3))
        for d in range(6)
    ]
    (found,) = advice_followed(nights)
    assert (found.followed, found.helped) == ("yes", "not known")
    assert "no frame was lost to Dec drift and field rotation" in found.sentence
