"""Drift, rotation, polar misalignment, breathing: against injected motion and rotation matrices."""

from dataclasses import replace

import numpy as np
import pytest

from subgrade.lights.model import HeaderFacts
from subgrade.night import compare_night
from subgrade.night.geometry import (
    SIDEREAL_RATE,
    arcmin_for_rotation,
    common_slope,
    handedness,
    sidereal_deg,
)
from subgrade.night.pointing import separation_deg
from tests.night_fields import make_night, make_sky


@pytest.fixture(scope="module")
def sky():
    return make_sky(np.random.default_rng(40), 150)


def geometry(frames):
    return compare_night(frames).geometry.groups[0]


def test_drift_between_dithers(sky):
    rng = np.random.default_rng(1)
    # Six frames a segment, 130 s apart, drifting 0.4, -0.3 px per minute.
    rate = 0.4 - 0.3j
    shifts = [rate * k * 130 / 60 + 30j * (k // 6) for k in range(18)]
    facts = HeaderFacts(
        filter="L",
        exposure_s=120.0,
        scale_arcsec=1.2,
        sky_axes=((-1.2, 0.0), (0.0, 1.2)),
    )
    got = geometry(make_night(rng, sky, 18, shift=shifts, facts=facts))
    assert [len(s.frames) for s in got.segments] == [6, 6, 6]
    for segment in got.segments:
        assert segment.drift_x == pytest.approx(0.4, abs=0.01)
        assert segment.drift_y == pytest.approx(-0.3, abs=0.01)
        assert segment.drift_arcsec == pytest.approx(0.5 * 1.2, abs=0.01)
        assert segment.east == pytest.approx(-0.48, abs=0.015)
        assert segment.north == pytest.approx(-0.36, abs=0.015)
    assert got.drift_arcsec_per_min == pytest.approx(0.6, abs=0.01)
    assert got.handedness == 1


def test_drift_with_a_dither_every_second_frame_or_every_frame(sky):
    rng = np.random.default_rng(7)
    jumps = np.cumsum(rng.normal(0, 6, 20) + 1j * rng.normal(0, 6, 20))
    pairs = [0.3 * (k * 130 / 60) + jumps[k // 2] for k in range(20)]
    got = geometry(make_night(rng, sky, 20, shift=pairs))
    assert got.drift_px_per_min == pytest.approx(0.3, abs=0.02)
    assert got.segments == ()  # of three frames at least
    singles = [0.3 * (k * 130 / 60) + jumps[k] for k in range(20)]
    assert len(geometry(make_night(rng, sky, 20, shift=singles)).segments) == 0


def test_flip_and_rotation_rate(sky):
    rng = np.random.default_rng(2)
    per_hour = 0.4
    turns = [per_hour * k * 130 / 3600 + (180.7 if k >= 9 else 0) for k in range(18)]
    got = geometry(make_night(rng, sky, 18, rotation=turns))
    assert got.flips == (9,)
    assert got.rotation_deg_per_hour == pytest.approx(per_hour, abs=5 * got.rotation_error)
    assert got.rotation_error < 0.01
    assert got.handedness is None


def test_no_rotation_is_told_as_none(sky):
    got = geometry(make_night(np.random.default_rng(3), sky, 20))
    assert abs(got.rotation_deg_per_hour) < 4 * got.rotation_error
    assert abs(got.scale_ppm_per_hour) < 4 * got.scale_error


def test_scale_breathing(sky):
    rng = np.random.default_rng(4)
    hours = np.arange(20) * 130 / 3600
    got = geometry(make_night(rng, sky, 20, scale=list(1 + 200e-6 * hours)))
    assert got.scale_ppm_per_hour == pytest.approx(200, abs=5 * got.scale_error)
    assert got.scale_error < 20
    assert 60 < got.scale_range_ppm < 180


def test_polar_error_size_from_published_rotation_rates():
    # Published check rows: guided rotation in arcsec per minute for a, e, h, dec.
    # 1', h 0, dec 60: .52530; 5', h 0, dec 80: 7.6217 (simulated; second order 1 % there).
    assert arcmin_for_rotation(0.52530 / 60, 60) == pytest.approx(1, rel=2e-3)
    assert arcmin_for_rotation(7.6217 / 60, 80) == pytest.approx(5, rel=1e-2)
    # Whatever the hour angle it is a lower bound: 3', -5', h 37, dec 45.
    assert arcmin_for_rotation(2.00926 / 60, 45) <= np.hypot(3, 5)


def simulated_rotation(a_arcmin, e_arcmin, hour_angle, dec_deg):
    """Rotation of the field (deg, N through E) about a guided star, by rotation matrices.

    The mount turns about an axis displaced by a (up) and e (east) from the pole,
    in the frame x south-meridian, y west, z pole; the camera keeps its angle to
    the mount's own declination circle.
    """
    a, e = np.radians(np.array([a_arcmin, e_arcmin]) / 60)
    dec = np.radians(dec_deg)
    axis = np.array([a, -e, 1.0])  # from the pole, the zenith lies toward the meridian's equator
    axis /= np.linalg.norm(axis)
    out = []
    for h in np.radians(hour_angle):
        star = np.array([np.cos(dec) * np.cos(h), np.cos(dec) * np.sin(h), np.sin(dec)])
        to_pole = np.array([0, 0, 1.0]) - star * star[2]
        to_axis = axis - star * (axis @ star)
        east = np.cross([0, 0, 1.0], star)  # increasing h is west, so flip below
        n, x = to_pole / np.linalg.norm(to_pole), -east / np.linalg.norm(east)
        out.append(np.degrees(np.arctan2(to_axis @ x, to_axis @ n)))
    out = -np.unwrap(out, period=360)
    return out - out[0]


def test_simulated_rotation_reproduces_the_published_rate():
    # Row a 3, e -5, h 37, dec 45: -2.00926 arcsec per minute guided.
    step = SIDEREAL_RATE / 60  # degrees of hour angle in 4 minutes / 4
    turn = simulated_rotation(3, -5, [37, 37 + step], 45)
    assert turn[1] * 3600 == pytest.approx(-2.00926, rel=5e-3)


@pytest.mark.parametrize("known", [True, False])
def test_polar_misalignment_of_a_night(sky, known):
    rng = np.random.default_rng(5)
    count, step, a, e, dec = 24, 600.0, 40.0, -25.0, 50.0
    start = 1_700_000_000.0
    lon = 15.0
    ra = sidereal_deg(start + 60) + lon + 35.0  # starts at hour angle -35 deg
    h = -35 + SIDEREAL_RATE / 3600 * step * np.arange(count)
    turns = list(simulated_rotation(a, e, h, dec))
    facts = HeaderFacts(filter="L", exposure_s=120.0, dec_deg=dec)
    if known:
        facts = replace(facts, ra_deg=ra % 360, site_lon_deg=lon)
    got = geometry(make_night(rng, sky, count, rotation=turns, step=step, facts=facts))
    size = np.hypot(a, e)
    assert 0 < got.polar_min_arcmin < size
    if known:
        assert got.polar_fit_arcmin == pytest.approx(
            size, abs=max(0.05 * size, 4 * got.polar_fit_error)
        )
        assert got.polar_fit_error < 0.2 * size
    else:
        assert np.isnan(got.polar_fit_arcmin)
        assert got.polar_range_arcmin[0] < size < got.polar_range_arcmin[1]
        assert "lower bound" in got.polar_note


def test_sidereal_time_against_astropy():
    time = pytest.importorskip("astropy.time")
    for stamp in ("2001-03-04T05:06:07", "2024-06-20T09:16:19", "2026-11-11T23:00:00"):
        t = time.Time(stamp, scale="utc")
        t.delta_ut1_utc = 0.0
        ours = sidereal_deg(float(t.unix))
        theirs = t.sidereal_time("mean", "greenwich").deg
        assert abs((ours - theirs + 180) % 360 - 180) < 0.01


def test_handedness():
    assert handedness(((-1.0, 0.0), (0.0, 1.0))) == 1
    assert handedness(((1.0, 0.0), (0.0, -1.0))) == 1
    assert handedness(((1.0, 0.0), (0.0, 1.0))) == -1
    assert handedness(None) is None


def test_common_slope_ignores_steps_and_outliers():
    rng = np.random.default_rng(6)
    t = np.linspace(0, 4, 40)
    part = (t > 2).astype(int)
    y = 0.7 * t + 30 * part + rng.normal(0, 0.01, 40)
    y[7] += 5
    slope, error = common_slope(t, y, part)
    assert slope == pytest.approx(0.7, abs=4 * error)
    assert np.isnan(common_slope(t[:2], y[:2], part[:2])[0])


def test_separation_against_astropy():
    coordinates = pytest.importorskip("astropy.coordinates")
    one = coordinates.SkyCoord(10.0, 20.0, unit="deg")
    other = coordinates.SkyCoord(350.0, -5.0, unit="deg")
    assert separation_deg(10, 20, 350, -5) == pytest.approx(one.separation(other).deg, rel=1e-9)
