"""Scenarios, the demo night and the command."""

import csv
import dataclasses
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from click.testing import CliRunner

from subgrade.cli.simulate import command
from subgrade.errors import UsageError
from subgrade.practice import (
    Scenario,
    adapt,
    build_night,
    default_scenario,
    load_scenario,
    random_scenario,
    render_frame,
)
from subgrade.practice.field import cumulative_counts
from subgrade.practice.random_night import SINGLE
from subgrade.practice.record import record_text
from subgrade.practice.scenario_file import scenario_from_toml
from subgrade.practice.truth import FrameTruth, judge

DEMO = Path(__file__).parent.parent / "demo_subs"


@pytest.fixture(scope="module")
def demo_truth():
    with (DEMO / "truth.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def test_demo_is_what_the_default_night_renders(demo_truth):
    plan = build_night(default_scenario(seed=1))
    for index in (0, 17):
        frame = render_frame(plan, index)
        shipped = fits.getdata(DEMO / f"light_{index + 1:03d}.fits.fz")
        # Another linear algebra library may turn a photon over here and there.
        assert np.mean(shipped == frame.data) > 0.999
        row = demo_truth[index]
        for name in ("motion_xx", "seeing_px", "sky_adu", "noise_adu"):
            assert float(row[name]) == pytest.approx(getattr(frame.truth, name), rel=1e-4)
    text = record_text(plan.scenario, plan.line, plan.guided)
    assert (DEMO / "guiding.csv").read_text(encoding="utf-8") == text


def test_demo_night_intends_what_its_causes_deserve(demo_truth):
    assert [r["frame"] for r in demo_truth] == [f"light_{i:03d}.fits.fz" for i in range(1, 35)]
    assert sum(r["verdict"] == "keep" for r in demo_truth) > len(demo_truth) / 2
    clean = [r for r in demo_truth if not r["causes"]]
    assert len(clean) == len(demo_truth) / 2
    assert all(r["verdict"] == "keep" and r["sure"] == "yes" for r in clean)
    assert all(float(r["stars_snr20"]) >= 60 for r in clean)
    assert all(3.0 < float(r["fwhm_px"]) < 4.0 for r in clean)
    assert {r["reason"] for r in demo_truth if r["verdict"] == "reject"} == {
        "wind_trail",
        "ra_oscillation",
        "periodic_error",
        "dec_drift",
        "flexure",
        "tracking_lost",
        "bump",
        "dither_overlap",
        "cloud",
        "sky_glow",
        "focus",
    }
    marked = [r["verdict"] for r in demo_truth if r["reason"] == "satellite_trail"]
    assert marked == ["keep"]
    assert all(float(r["transparency"]) < 0.5 for r in demo_truth if r["causes"] == "cloud")


def test_demo_is_small_enough_to_ship():
    assert sum(p.stat().st_size for p in DEMO.iterdir()) < 12e6


def truth_row(**changes):
    fields = {f.name: 0.0 for f in dataclasses.fields(FrameTruth)}
    words = {"frame": "a", "verdict": "", "reason": "", "sure": "", "causes": "", "start_utc": ""}
    usual = {"fwhm_px": 3.0, "eccentricity": 0.2, "transparency": 0.9, "depth": 1.0}
    return FrameTruth(**{**fields, **words, **usual, **changes})


def test_intended_verdict_follows_the_limits():
    rows = [truth_row() for _ in range(5)]
    rows += [
        truth_row(causes="cloud", transparency=0.45),
        truth_row(causes="focus", fwhm_px=3.9),
        truth_row(causes="wind_trail"),
        truth_row(causes="satellite_trail"),
        truth_row(causes="tracking_lost", fwhm_px=float("nan")),
        truth_row(eccentricity=0.9),
        truth_row(causes="unreadable"),
    ]
    strays = [0.0] * 7 + [0.2] + [0.0] * 4
    judged = judge(rows, strays, 3.0)
    told = [(t.verdict, t.reason, t.sure) for t in judged]
    assert told[:5] == [("keep", "", "yes")] * 5
    assert told[5:] == [
        ("reject", "cloud", "yes"),
        ("reject", "focus", "no"),
        ("reject", "wind_trail", "yes"),
        ("keep", "satellite_trail", "yes"),
        ("reject", "tracking_lost", "yes"),
        ("reject", "", "no"),
        ("unreadable", "unreadable", "yes"),
    ]
    assert judged[0].transparency == 1.0
    assert judged[5].transparency == pytest.approx(0.5)


def test_night_bad_throughout_is_not_its_own_yardstick():
    rows = [truth_row(causes="focus", fwhm_px=5.0) for _ in range(6)]
    assert {t.verdict for t in judge(rows, [0.0] * 6, 3.0)} == {"reject"}
    assert {t.verdict for t in judge(rows, [0.0] * 6, 5.0)} == {"keep"}


@pytest.mark.parametrize("seed", range(6))
def test_random_nights_can_be_laid_out_and_are_mostly_clean(seed):
    night = random_scenario(seed, frames=20, throughout=False)
    assert night == random_scenario(seed, frames=20, throughout=False)
    touched = {f for e in night.events for f in range(e.first, e.last + 1)}
    assert 1 <= len(touched) <= 8
    assert {e.cause for e in night.events} <= set(SINGLE)
    small_night = adapt(night, width=120, height=100)
    truth = render_frame(build_night(small_night), 0).truth
    assert not truth.causes
    assert truth.eccentricity < 0.5


def test_random_nights_differ_in_what_matters():
    nights = [random_scenario(s) for s in range(60)]
    assert {n.camera.mirrored for n in nights} == {True, False}
    assert np.ptp([n.camera.angle_deg for n in nights]) > 270
    assert {n.record.clock for n in nights} == {"datetime", "time", "seconds"}
    throughout = [n for n in nights if n.events[0].last - n.events[0].first == 23]
    assert 1 <= len(throughout) <= 20
    seen = {e.cause for n in nights for e in n.events}
    assert seen == set(SINGLE)


def test_star_counts_rise_with_magnitude_at_a_falling_rate():
    m = np.arange(9.0, 20.6, 0.5)
    slope = np.diff(np.log10(cumulative_counts(m))) / 0.5
    assert (slope > 0.25).all()
    assert (np.diff(slope) < 0).all()
    assert cumulative_counts(18.0) == 1.0


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("seed = [", "not valid TOML"),
        ("seed = -3", "seed"),
        ("[camera]\nwidht = 3", "widht"),
        ("[camera]\nwidth = 'wide'", "width must be int"),
        ("[moon]\nphase = 1", "moon"),
        ("[[events]]\ncause = 'gremlins'\nframes = [1, 2]", "gremlins"),
        ("[[events]]\ncause = 'cloud'\nframes = [3]", "event 1"),
        ("[guider]\ninterval_s = 1.0", "interval_s"),
        ("[camera]\nmosaic = 'RGBX'", "mosaic"),
    ],
)
def test_bad_scenarios_are_named(tmp_path, text, words):
    path = tmp_path / "night.toml"
    path.write_text(text)
    with pytest.raises(UsageError, match=words) as caught:
        load_scenario(path)
    assert "night.toml" in str(caught.value)


def test_scenario_settings_are_taken():
    night = scenario_from_toml("seed = 9\n[plan]\nframes = 3\nexposure_s = 60\n")
    assert (night.seed, night.plan.frames, night.plan.exposure_s) == (9, 3, 60.0)
    assert night.camera == Scenario().camera


def test_shorter_default_night_keeps_most_frames_clean():
    for frames in (3, 8, 15, 60):
        night = default_scenario(frames=frames)
        touched = [f for e in night.events for f in range(e.first, e.last + 1)]
        assert len(touched) == len(set(touched))
        assert len(touched) <= frames / 2
        assert all(1 <= f <= frames for f in touched)


def test_command_writes_a_night_and_refuses_the_second(tmp_path):
    target = str(tmp_path / "night")
    arguments = [target, "--frames", "2", "--width", "80", "--height", "64", "--no-record"]
    run = CliRunner().invoke(command, arguments)
    assert run.exit_code == 0, run.output
    assert "2 frames in" in run.stdout
    names = sorted(p.name for p in (tmp_path / "night").iterdir())
    assert names == ["light_001.fits", "light_002.fits", "truth.csv"]
    again = CliRunner().invoke(command, arguments)
    assert again.exit_code == 2
    assert "not empty" in again.stderr
    bad = CliRunner().invoke(command, [str(tmp_path / "x"), "--frames", "0"])
    assert bad.exit_code == 2


@pytest.mark.filterwarnings("ignore:ERFA", "ignore:Tried to get polar")
@pytest.mark.parametrize("seed", range(0, 60, 6))
def test_a_random_night_is_dark_by_its_headers(seed):
    """The Sun's place by astropy; 12 degrees below the horizon is the end of nautical twilight."""
    from astropy import units as u
    from astropy.coordinates import AltAz, EarthLocation, get_sun
    from astropy.time import Time
    from astropy.utils import iers

    scenario = random_scenario(seed, 24)
    plan, site = scenario.plan, scenario.site
    length = plan.frames * (plan.exposure_s + plan.gap_s)
    when = Time(plan.start_utc) + np.linspace(0.0, length, 5) * u.s
    place = EarthLocation.from_geodetic(site.longitude_deg, site.latitude_deg)
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        height = get_sun(when).transform_to(AltAz(obstime=when, location=place)).alt.deg
    assert height.max() < -12.0
