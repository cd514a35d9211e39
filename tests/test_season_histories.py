"""What is followed over the nights, on seasons of known steps."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from subgrade.season.dates import between, night_name, several_years
from subgrade.season.histories import histories
from subgrade.season.history_points import camera_offset
from subgrade.season.losses import losses
from subgrade.season.model import NAN, Setup, Tie
from tests.season_over_time import SETUP, finding, night, pole


def by_key(found, key):
    (one,) = [h for h in found if h.key == key]
    return one


def axis(places, rng, error=0.4, **more):
    return [
        night(d, pole=pole(a + error * rng.normal(), e + error * rng.normal(), error), **more)
        for d, (a, e) in enumerate(places)
    ]


def test_the_polar_axis_moved():
    nights = axis([(1.5, -1.5)] * 6 + [(8.0, 7.0)] * 6, np.random.default_rng(1))
    found = by_key(histories(nights), "polar_error")
    (change,) = found.changes
    assert (change.after, change.before) == (5, 6)
    assert change.old == pytest.approx(np.hypot(1.5, 1.5), abs=0.6)
    assert change.new == pytest.approx(np.hypot(8.0, 7.0), abs=0.6)
    # two means of six nights, 0.4 each: 0.4 sqrt(2/6) a coordinate
    assert change.sigma == pytest.approx(np.hypot(6.5, 8.5) / (0.4 * np.sqrt(2 / 6)), rel=0.15)
    assert change.sentence.startswith("The polar axis moved between the 4th and the 5th of March: ")
    assert found.verdict == change.sentence
    assert np.isnan(found.mean)
    high = by_key(histories(nights), "polar_altitude")
    assert high.changes[0].new == pytest.approx(8.0, abs=0.6)


def test_a_turn_of_the_axis_at_one_size_is_seen_in_the_vector():
    nights = axis([(5.0, 0.0)] * 5 + [(0.0, 5.0)] * 5, np.random.default_rng(2))
    (change,) = by_key(histories(nights), "polar_error").changes
    assert change.old == pytest.approx(change.new, abs=0.8)
    assert "by 7." in change.sentence  # 5 sqrt(2) = 7.07


def test_a_mount_that_is_set_up_anew_each_night():
    rng = np.random.default_rng(3)
    nights = axis(6.0 * rng.normal(size=(14, 2)), rng)
    found = by_key(histories(nights), "polar_error")
    assert not found.changes
    assert "set up anew" in found.verdict
    assert found.scatter == pytest.approx(6.0, rel=0.35)


def test_a_fixed_mount_with_errors_too_small_is_not_set_up_anew():
    rng = np.random.default_rng(6)
    nights = [night(d, pole=pole(*(3 + 0.6 * rng.normal(size=2)), error=0.15)) for d in range(12)]
    found = by_key(histories(nights), "polar_error")
    assert not found.changes
    assert found.verdict.startswith("No lasting move over 12 nights")
    assert found.mean == pytest.approx(np.hypot(3, 3), abs=0.6)


def test_two_nights_two_sigma_apart_are_not_judged():
    def worm(day, period, error):
        numbers = [("worm period", period, error, "s")]
        return night(day, findings=[finding("periodic error", "periodic_error", numbers)])

    sigma = np.sqrt(0.5)
    near = by_key(histories([worm(0, 480.0, sigma), worm(5, 482.5, sigma)]), "worm_period")
    assert not near.changes
    assert "cannot be judged" in near.verdict
    far = by_key(histories([worm(0, 480.0, sigma), worm(5, 490.0, sigma)]), "worm_period")
    assert far.changes[0].sigma == pytest.approx(10.0)
    same = by_key(histories([worm(0, 480.0, sigma), worm(5, 480.5, sigma)]), "worm_period")
    assert "agree" in same.verdict


def test_one_night_and_none():
    assert histories([]) == ()
    one = histories([night(0, pole=pole(3.0, 4.0))])
    assert by_key(one, "polar_error").verdict.startswith("Known of one night only")
    assert by_key(one, "polar_error").points[0].value == pytest.approx(5.0)


def test_a_lower_bound_is_called_one():
    bound = [{"name": "misalignment", "value": 3.0, "error": 0.4, "unit": "′"}]
    found = by_key(histories([night(0, pole=bound), night(1, pole=bound)]), "polar_error")
    assert all("lower bound" in p.note for p in found.points)


def test_results_of_before_have_the_records_number():
    guiding = {"polar_arcmin": 4.0, "polar_arcmin_error": 0.5, "calm_rms_ra": 0.4}
    found = by_key(histories([night(d, guiding=guiding) for d in range(3)]), "polar_error")
    assert [p.value for p in found.points] == [4.0] * 3


def test_guiding_that_varies_with_the_air_does_not_change():
    rng = np.random.default_rng(4)
    nights = [night(d, rms=0.6 + 0.1 * rng.normal() + 0.05 * rng.normal(size=40)) for d in range(9)]
    found = by_key(histories(nights), "guiding_ra")
    assert not found.changes
    assert found.mean == pytest.approx(0.6, abs=0.1)
    assert found.scatter == pytest.approx(0.1, rel=0.6)


def test_errors_along_camera_axes_are_not_called_ra():
    nights = [night(d, guiding={"axes": "xy", "calm_rms_ra": 0.4}) for d in range(3)]
    assert not [h for h in histories(nights) if h.key.startswith("guiding")]


def test_focus_slopes_of_other_units_are_kept_apart():
    def one(day, slope, unit):
        return night(day, trends={"focus_slope": slope, "focus_error": 0.001, "focus_unit": unit})

    nights = [one(0, 0.02, "°C"), one(1, 0.021, "°C"), one(2, -0.05, "h"), one(3, -0.06, "h")]
    found = [h for h in histories(nights) if h.key == "focus_slope"]
    assert sorted(h.unit for h in found) == ["% per h", "% per °C"]
    assert {len(h.points) for h in found} == {2}


def test_seeing_is_reduced_to_the_zenith():
    # the field at declination 48 passes the zenith of latitude 48 and sets from there
    from subgrade.season.sky_places import places_of

    where = {"site": (48.0, 11.0), "pointing": (150.0, 48.0), "frames": 120, "exposure": 120.0}
    air = places_of(night(0, **where)).airmass
    nights = [night(d, fwhm_px=2.0 * air**0.6, **where) for d in range(2)]
    found = by_key(histories(nights), "seeing")
    assert found.title == "FWHM at the zenith"
    # four minutes of the sky's daily advance are a tenth of a per cent of airmass
    assert found.points[0].value == pytest.approx(2.0 * SETUP.scale_arcsec, rel=0.002)
    wide = by_key(histories([night(d, 120, fwhm_px=2.0 * air**0.6) for d in range(2)]), "seeing")
    assert wide.title == "FWHM"
    assert "not reduced" in wide.points[0].note


@pytest.mark.slow
def test_altitude_and_moon_against_astropy():
    from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body, get_sun
    from astropy.time import Time
    from astropy.utils import iers

    from subgrade.season.sky_places import places_of

    iers.conf.auto_download = False
    one = night(0, 4, site=(48.0, 11.0), pointing=(150.0, 30.0), exposure=3600.0, start=1.6e9)
    place = places_of(one)
    middle = Time(one.frames.start_unix + 1800.0, format="unix")
    here = EarthLocation.from_geodetic(11.0, 48.0)
    frame = AltAz(obstime=middle, location=here)
    moon, sun = get_body("moon", middle, here), get_sun(middle)
    np.testing.assert_allclose(place.moon, moon.transform_to(frame).alt.deg, atol=0.1)
    np.testing.assert_allclose(place.sun, sun.transform_to(frame).alt.deg, atol=0.1)
    target = SkyCoord(150.0, 30.0, unit="deg")
    # the header's place is taken for that of date: a third of a degree in this century
    np.testing.assert_allclose(place.altitude, target.transform_to(frame).alt.deg, atol=0.4)
    apart = get_sun(middle).separation(get_body("moon", middle))
    np.testing.assert_allclose(place.moon_lit, 0.5 * (1 - np.cos(apart.rad)), atol=0.01)


def test_the_cameras_offset_from_the_growth_of_the_noise():
    rng = np.random.default_rng(5)
    sky = np.linspace(100.0, 900.0, 50)
    # two electrons an ADU, three of read noise: variance (2 sky + 9) / 4
    nights = [
        night(
            d,
            50,
            background=500.0 + sky,
            noise=np.sqrt((2 * sky + 9) / 4) * 1.002 ** rng.normal(size=50),
        )
        for d in range(3)
    ]
    offset, error = camera_offset(nights, SETUP.label)
    assert offset == pytest.approx(500.0 - 9 / 2, abs=max(4 * error, 2.0))
    flat = [night(d, 50, background=700.0, noise=10.0) for d in range(3)]
    assert camera_offset(flat, SETUP.label) == (0.0, 0.0)


def test_sky_relative_to_the_darkest_night():
    levels = (200.0, 400.0)
    nights = [
        night(d, 50, background=500.0 + b * f, noise=np.sqrt(b * f / 2))
        for d, b in enumerate(levels)
        for f in (np.linspace(0.9, 1.1, 50),)
    ]
    # the second night's frames record half of each star's light, at a pixel twice as wide
    ties = [Tie(0, 0, 1.0, 0.01, 1.0, 100), Tie(1, 0, 0.5, 0.01, 2.0, 100)]
    found = by_key(histories(nights, ties), "sky")
    # sky per starlight and area: 400 / 0.5 / 4 over 200
    assert found.points[0].value == pytest.approx(0.0, abs=0.02)
    assert found.points[1].value - found.points[0].value == pytest.approx(0.0, abs=0.03)
    ties[1] = Tie(1, 0, 0.5, 0.01, 1.0, 100)
    found = by_key(histories(nights, ties), "sky")
    assert found.points[1].value == pytest.approx(2.5 * np.log10(4.0), abs=0.03)


def test_two_setups_are_followed_apart():
    other = Setup("2.00″/px, 1000 × 800", None, (800, 1000), (1, 1), 2.0)
    nights = [
        night(d, pole=pole(*((1.0, 1.0) if d % 2 else (9.0, 0.0))), setup=SETUP if d % 2 else other)
        for d in range(8)
    ]
    found = [h for h in histories(nights) if h.key == "polar_error"]
    assert {h.subject for h in found} == {SETUP.label, other.label}
    assert not any(h.changes for h in found)


def test_losses_add_up_and_a_choice_is_none():
    nights = [night(0, lost={"cloud": 4, "surplus": 10}), night(1, lost={"cloud": 2, "focus": 9})]
    found = losses(nights)
    assert [(r.reason, r.frames, r.lost_s) for r in found] == [
        ("focus", 9, 1080.0),
        ("cloud", 6, 720.0),
    ]
    assert found[1].by_night == ((0, 4, 480.0), (1, 2, 240.0))
    assert found[0].share == pytest.approx(9 / 70)  # 80 frames, 10 of them a choice
    assert losses([night(0, exposure=NAN, lost={"cloud": 1})])[0].lost_s == 0.0


def test_nights_by_name():
    assert between("2031-03-03", "2031-03-09") == "between the 3rd and the 9th of March"
    assert night_name("2031-02-11") == "the 11th of February"
    assert night_name("no date") == "no date"
    assert between("2031-12-31", "2032-01-01") == (
        "between the 31st of December 2031 and the 1st of January 2032"
    )
    assert several_years(["2031-03-03", "2032-03-03"])
    assert not several_years(["2031-10-03", "2032-02-03"])


def test_a_lower_bound_stays_one_when_it_moves():
    def bound(size, hour=-20.0):
        return [
            {"name": "misalignment", "value": size, "error": 0.3, "unit": "′"},
            {"name": "part from field rotation", "value": size, "error": 0.3, "unit": "′"},
            {"name": "hour angle", "value": hour, "error": None, "unit": "°"},
        ]

    sizes = (5.1, 4.7, 4.9, 1.3, 1.2, 1.0)
    found = by_key(histories([night(d, pole=bound(s)) for d, s in enumerate(sizes)]), "polar_error")
    (change,) = found.changes
    assert "at least 4.9" in change.sentence
    assert "at least 1.1" in change.sentence
    assert all("lower bound" in p.note for p in found.points)
    # another part of one axis at another hour angle
    turned = [night(d, pole=bound(s, -20.0 + 70.0 * (d > 2))) for d, s in enumerate(sizes)]
    assert not by_key(histories(turned), "polar_error").changes
    # the whole on one night and a part on others are not compared
    mixed = [night(0, pole=pole(8.0, 7.0)), *(night(d, pole=bound(1.0)) for d in (1,))]
    verdict = by_key(histories(mixed), "polar_error").verdict
    assert verdict.startswith("Whether it moved cannot be judged")


def test_a_single_hazy_night_stood_out():
    levels = (1.0, 0.99, 1.0, 0.6, 0.995, 1.0)
    nights = [night(d) for d in range(len(levels))]
    ties = [Tie(k, 0, ratio=v, error=0.004, clear=v) for k, v in enumerate(levels)]
    found = by_key(histories(nights, ties), "clear_level")
    assert len(found.changes) == 2
    assert len({c.sentence for c in found.changes}) == 1
    assert found.verdict == found.changes[0].sentence
    assert "stood out on the 2nd of March: 0.600" in found.verdict


def test_nights_of_one_evening_are_parted_only_where_they_must():
    assert (
        between("2031-12-05", "2031-12-06, 0.94″/px") == "between the 5th and the 6th of December"
    )
    assert night_name("2031-12-06, 0.94″/px") == "the 6th of December (0.94″/px)"


def test_a_night_that_knows_the_size_alone_narrows_when_the_axis_moved():
    def size(value):
        parts = ("part from Dec drift", "part from field rotation")
        numbers = [("misalignment", value), *((part, value / 2**0.5) for part in parts)]
        return [{"name": n, "value": v, "error": 0.3, "unit": "′"} for n, v in numbers]

    poles = [pole(8.0, 7.0)] * 3 + [size(10.5), size(1.4)] + [pole(1.0, 1.0)] * 3
    found = by_key(histories([night(d, pole=p) for d, p in enumerate(poles)]), "polar_error")
    (change,) = found.changes
    assert (change.after, change.before) == (3, 4)


def test_skies_with_the_offset_in_are_compared_within_one_setup_and_exposure():
    other = replace(SETUP, label="2.00″/px", scale_arcsec=2.0)
    # one dark sky; 400 ADU of offset in all, and no frame that shows it
    nights = [
        night(0, background=500.0),
        night(1, background=500.0),
        night(2, background=410.0, setup=other),
        night(3, background=410.0, setup=other),
    ]
    ties = [Tie(k, 0, ratio=(1.0, 1.0, 0.1, 0.1)[k], error=0.002, scale=1.0) for k in range(4)]
    found = [h for h in histories(nights, ties) if h.key == "sky"]
    assert [[p.night for p in h.points] for h in found] == [[0, 1], [2, 3]]
    assert all(abs(p.value) < 0.01 for h in found for p in h.points)
