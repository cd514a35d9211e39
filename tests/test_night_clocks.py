"""Nights of two seasons, and frames whose clock says another year.

Polar drift, focus and sky go with the time of one night; a group may span years.
"""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np
import pytest

from subgrade.diagnosis import diagnose_night
from subgrade.judging import judge_night
from subgrade.judging.limits import load_limits
from subgrade.lights.model import HeaderFacts
from subgrade.night import compare_night, fullest_night, nights_of
from subgrade.night.clocks import with_believable_clocks
from subgrade.results.model import GradedFrame
from subgrade.results.night_remarks import night_remarks
from subgrade.robust import robust_line
from tests.cli_frames import rows, run, write_light, write_night
from tests.night_fields import make_night, make_sky

START = 1_700_000_000.0
DAY = 86400.0
FACTS = HeaderFacts(
    filter="L",
    exposure_s=120.0,
    target="Testfield",
    camera="cam",
    dec_deg=40.0,
    ra_deg=60.0,
    site_lat_deg=50.0,
    site_lon_deg=10.0,
    scale_arcsec=1.5,
    sky_axes=((-1.5, 0.0), (0.0, 1.5)),
)


@pytest.fixture(scope="module")
def field():
    """Twenty frames of one night that drift and turn."""
    rng = np.random.default_rng(5)
    turns = [0.05 * k * 130 / 3600 for k in range(20)]
    return make_night(rng, make_sky(rng, 50), 20, facts=FACTS, rotation=turns)


@pytest.fixture(scope="module")
def alone(field):
    """Their verdicts."""
    return outcome(at(field, evening()))[1]


def at(frames, times, prefix=""):
    """The frames with other times; None for a header without one."""
    out = []
    for k, (frame, time) in enumerate(zip(frames, times, strict=True)):
        text = ""
        if time is not None and np.isfinite(time):
            text = datetime.datetime.fromtimestamp(time, datetime.UTC).isoformat()[:19]
        facts = replace(
            frame.facts,
            start_unix=time,
            mid_unix=None if time is None else time + 60,
            start_utc=text,
            airmass=1.2,
        )
        out.append(replace(frame, name=f"{prefix}{k:04d}.fits", facts=facts))
    return out


def outcome(frames):
    """Night, verdicts by name, and the diagnosis."""
    limits, night = load_limits(None), compare_night(frames)
    verdicts = judge_night(night, limits)
    diagnosis = diagnose_night(night, verdicts, None, limits)
    return night, {v.frame: (v.verdict, v.reasons) for v in verdicts}, diagnosis


def evening(first=START, count=20):
    return [first + 130.0 * k for k in range(count)]


TIMES = {
    "one frame of 1970": [*evening()[:7], 0.0, *evening()[8:]],
    "one frame of 2099": [*evening()[:7], 4_070_908_800.0, *evening()[8:]],
    "all at the same time": [START] * 20,
    "decreasing": evening()[::-1],
    "none": [None] * 20,
    "one without": [*evening()[:7], None, *evening()[8:]],
    "not a number": [*evening()[:7], float("nan"), *evening()[8:]],
    "two seasons": [*evening(count=10), *evening(START + 731 * DAY, 10)],
    "ten nights of two": [START + DAY * (k // 2) + 130.0 * (k % 2) for k in range(20)],
    "twenty nights of one": [START + 40 * DAY * k for k in range(20)],
    "all of 1970": [130.0 * k for k in range(20)],
    # 2016-12-31T23:59:60 has the POSIX second of the next midnight, so that two frames share it
    "a leap second": [1_483_228_800.0 + 130.0 * (k - 7 if k < 8 else k - 8) for k in range(20)],
}


@pytest.mark.slow
@pytest.mark.parametrize("times", TIMES.values(), ids=TIMES)
def test_verdicts_on_round_stars_do_not_hang_on_the_clock(field, alone, times):
    night, verdicts, diagnosis = outcome(at(field, times))
    assert verdicts == alone
    assert len(night.frames) == 20
    assert diagnosis.summary


def test_one_frame_of_any_year(field):
    for time in (0.0, START, 4_070_908_800.0, None):
        night, verdicts, _ = outcome(at(field[:1], [time]))
        assert [v[0] for v in verdicts.values()] == ["keep"]
        assert night.compared[0].clock_note == ""


@pytest.mark.parametrize("wrong", [0.0, 315532800.0, 4_070_908_800.0])
def test_a_clock_of_another_year_is_noted_and_takes_no_part(field, wrong):
    sound, _, _ = outcome(at(field[:19], evening(count=19)))
    night, _, _ = outcome(at(field, [*evening(count=19), wrong]))
    last = night.frames[-1]
    assert (last.facts.start_unix, last.facts.mid_unix) == (None, None)
    year = {0.0: "1970-01-01", 315532800.0: "1980-01-01"}.get(wrong, "2099-01-01")
    assert night.compared[-1].clock_note == f"clock says {year}"
    assert sum(c.clock_note != "" for c in night.compared) == 1
    ours, theirs = night.geometry.groups[0], sound.geometry.groups[0]
    assert ours.rotation_deg_per_hour == pytest.approx(theirs.rotation_deg_per_hour, abs=1e-3)
    assert ours.polar_min_arcmin == pytest.approx(theirs.polar_min_arcmin, rel=0.02)


def test_the_remark_names_frame_and_year(field):
    night, _, _ = outcome(at(field, [*evening(count=19), 0.0]))
    limits = load_limits(None)
    verdicts = judge_night(night, limits)
    graded = [
        GradedFrame(f.name, f.path, v, f.facts, f.stars, c)
        for f, v, c in zip(night.frames, verdicts, night.compared, strict=True)
    ]
    remarks = night_remarks(night.groups, graded, limits)
    assert any("0019.fits (clock says 1970-01-01)" in text for text in remarks)


def test_file_names_show_a_single_frame_out_of_place(field):
    frames = at(field, [*evening()[:9], START + 9 * DAY, *evening()[10:]])
    kept, notes = with_believable_clocks(frames, START + 100 * DAY)
    assert list(notes) == ["0009.fits"]
    assert kept[9].facts.start_unix is None
    # At the end of the list it is the first frame of the next clear night.
    later = at(field, [*evening()[:19], START + 9 * DAY])
    assert with_believable_clocks(later, START + 100 * DAY) == (tuple(later), {})


def test_two_nights_are_no_wrong_clock(field):
    for gap in (DAY, 731 * DAY):
        frames = at(field, [*evening(count=10), *evening(START + gap, 10)])
        assert with_believable_clocks(frames, START + 1000 * DAY) == (tuple(frames), {})


def test_rates_of_two_seasons_are_those_of_one_night(field):
    rng = np.random.default_rng(8)
    turns = [0.3 * k * 130 / 3600 for k in range(12)]
    sky = make_sky(rng, 50)
    first = at(make_night(rng, sky, 12, facts=FACTS, rotation=turns), evening(count=12), "a")
    # The camera was put back three degrees off, and the mount better aligned.
    other = at(
        make_night(rng, sky, 8, facts=FACTS, rotation=[3.0] * 8), evening(START + 731 * DAY, 8), "b"
    )
    got = compare_night([*first, *other]).geometry.groups[0]
    alone = compare_night(first).geometry.groups[0]
    assert got.rotation_deg_per_hour == pytest.approx(0.3, abs=5 * got.rotation_error)
    assert got.polar_min_arcmin == pytest.approx(alone.polar_min_arcmin, rel=0.03)
    assert got.flips == ()


def test_a_camera_put_back_upside_down_is_no_flip(field):
    rng = np.random.default_rng(9)
    turns = [0.0] * 6 + [180.0] * 6
    night = make_night(rng, make_sky(rng, 50), 12, facts=FACTS, rotation=turns)
    assert compare_night(at(night, evening(count=12))).geometry.groups[0].flips == (6,)
    apart = at(night, [*evening(count=6), *evening(START + DAY, 6)])
    assert compare_night(apart).geometry.groups[0].flips == ()


def test_each_night_has_its_own_focus_drift_and_sky():
    rng = np.random.default_rng(10)
    sky = make_sky(rng, 60)
    hours = np.arange(24) * 0.25
    frames = []
    for k, slope in enumerate((0.05, 0.0)):  # stars grow over the first night only
        widths = [float(3.0 * np.exp(slope * h + 0.004 * rng.standard_normal())) for h in hours]
        night = make_night(rng, sky, 24, facts=FACTS, fwhm_px=widths)
        frames += at(night, START + k * 400 * DAY + 3600 * hours, "ab"[k])
    got = compare_night(frames)
    ratio = [
        f.stars.fwhm_px / c.fwhm_expected_px for f, c in zip(got.frames, got.compared, strict=True)
    ]
    assert np.abs(np.array(ratio) - 1).max() < 0.05


def test_nights_are_parted_by_the_day():
    time = np.array([0.0, 3600.0, np.nan, 86400.0, 90000.0, 93600.0, 20 * 86400.0])
    assert nights_of(time).tolist() == [0, 0, -1, 1, 1, 1, 2]
    assert fullest_night(time).tolist() == [False, False, False, True, True, True, False]
    assert not fullest_night(np.array([np.nan])).any()


def test_a_line_over_years_has_a_solution_or_none():
    # Against numpy's own least squares on centred, scaled columns.
    rng = np.random.default_rng(11)
    t = np.r_[np.arange(20) * 130.0, 6e7 + np.arange(20) * 130.0]
    y = 3.0 + 2e-6 * t + rng.normal(0, 0.01, 40)
    solution, covariance = robust_line(np.column_stack([t, t**2, np.ones(40)]), y)
    assert np.isfinite(solution).all()
    assert (np.diag(covariance) > 0).all()
    line, _ = robust_line(np.column_stack([t, np.ones(40)]), y)
    assert line == pytest.approx(np.polyfit(t / 1e7, y, 1) / [1e7, 1], rel=1e-2)
    for bad in (np.zeros(40), np.full(40, np.nan), np.ones(40)):
        assert np.isnan(robust_line(np.column_stack([bad, np.ones(40)]), y)[0]).all()


@pytest.mark.slow
@pytest.mark.parametrize(
    "dates",
    [
        {4: "1970-01-01T00:00:10"},
        {4: "2099-01-01T20:00:00"},
        {k: f"2029-03-05T20:{k:02d}:00" for k in range(4)},
    ],
)
def test_the_run_ends_well_whatever_the_year(tmp_path, capfd, dates):
    lights = tmp_path / "lights"
    write_night(lights)
    for k, date in dates.items():
        (lights / f"light_{k:02d}.fits").unlink()
        write_light(lights / f"light_{k:02d}.fits", k, **{"DATE-OBS": date})
    code, _, err = run(capfd, "grade", lights, "--out", tmp_path / "out", "--workers", 1)
    assert (code, "Traceback" in err) == (0, False)
    table = rows(tmp_path / "out")
    assert len(table) == 8
    assert all(row["verdict"] for row in table.values())
