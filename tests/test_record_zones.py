"""Zones of a record's clock in many people's words, and a UTC that belongs to something else.

Whole records are checked against POSIX seconds of a known start.
"""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.record import read_guide
from subgrade.record.running_text import Facts, learn
from subgrade.record.zone_text import stated_zone, zone_of_reading, zone_of_title
from tests.record_layouts import stamp, truth

SAID = {
    "UTC+2": 2,
    "# Guiding of 18 November 2033; all times local, UTC-07:00": -7,
    "GMT+1": 1,
    "times are local (UTC+10:00)": 10,
    "zone: +0200": 2,
    "zone +1; dates day first": 1,
    "local time = UTC - 5 h": -5,
    "Local = UTC+2h": 2,
    "hours ahead of UTC: 2": 2,
    "hours_behind_utc = 7": -7,
    "local time is 2 hours ahead of UTC": 2,
    "clock runs 7 hours behind UTC": -7,
    "5.5 hours east of Greenwich": 5.5,
    "UTC offset: -5 h": -5,
    "UTC offset (hours): 5.75": 5.75,
    "utc_offset_hours = 2": 2,
    "utc_offset_minutes = -420": -7,
    "utc_offset_s=7200": 2,
    "offset from UTC: +5.5 h": 5.5,
    "offset from UTC in minutes: 120": 2,
    "UTC difference: 1 h": 1,
    "UTC = local - 2 h": 2,
    "UTC is local time plus 7 hours": -7,
    "UTC - local = 5 h": -5,
    "local minus UTC (h): -7": -7,
    "add 7 h for UTC": -7,
    "subtract 2 hours to get UTC": 2,
    "time zone: -7": -7,
    "Time zone UTC−7": -7,
    "timezone = +05:45": 5.75,
    "tz=+2": 2,
    "local time, +0200": 2,
    "Local time (−03:30)": -3.5,
    "Times: UTC-3:30": -3.5,
    "UTC+0530": 5.5,
    "UTC+5,5": 5.5,
    "UTC±0": 0,
    "UTC plus 2 hours": 2,
    "GMT minus 5": -5,
    "local time (CEST)": 2,
    "All times are UTC": 0,
    "Clock: UTC": 0,
    "times in universal time": 0,
    "Timestamps (UTC)": 0,
    "Time zone: UTC": 0,
    "Date: 2033-08-17 (UTC)   Image scale: 5.72 arcsec/px": 0,
    "UTC timestamps": 0,
}
UNSAID = (
    "The UTC offset is not known",
    "local time",
    "times are local, not UTC",
    "clock synchronised with a UTC server",
    "Guiding started 2034-06-19 23:26:49 UTC",
    "UTC 2033-11-18 21:04",
    "log file created 20:00 UTC",
    "sunset (UTC) 17:20",
    "meridian flip time (UTC): 22:10",
    "pixel scale 1.83",
    "dead zone = +3 px",
    "exposure time -07:00",
    "settle time: +1000 ms",
    "dither time 1200 ms",
    "UTC - 2033-11-18",
)
TITLES = {
    "time (UTC-07:00)": -7,
    "Local time [UTC+2]": 2,
    "Time GMT+1": 1,
    "Time (local, UTC+5:30)": 5.5,
    "time_utc": 0,
    "DateTimeUTC": 0,
    "JD (UTC)": 0,
    "Time (UTC)": 0,
    "Local time": np.nan,
    "local time (not UTC)": np.nan,
    "t (s)": np.nan,
}


@pytest.mark.parametrize(("line", "hours"), SAID.items())
def test_a_zone_is_read_in_any_sensible_wording(line, hours):
    assert stated_zone(line).hours == hours
    assert learn(Facts(), line).zone_hours == hours


@pytest.mark.parametrize("line", UNSAID)
def test_other_numbers_and_times_are_no_zone(line):
    assert np.isnan(stated_zone(line).hours)


@pytest.mark.parametrize(("title", "hours"), TITLES.items())
def test_titles_say_zones(title, hours):
    np.testing.assert_equal(zone_of_title(title), hours)


@pytest.mark.parametrize(
    ("line", "hours"),
    [
        ("start_utc = 2033-01-09T21:09:33.011", 0),
        ("Started 2033-01-09 14:09 (UTC-7)", -7),
        ("Started 2033-01-09 14:09:33 local", np.nan),
        ("Start 2033-01-09 21:09:12", np.nan),
    ],
)
def test_a_reading_has_the_stated_zone_beside_it(line, hours):
    np.testing.assert_equal(zone_of_reading(line), hours)


def written(tmp_path, t, hours, title="Time", above=(), form="%Y-%m-%d %H:%M:%S"):
    path = tmp_path / "record.csv"
    rows = [
        f"{stamp(x + 3600 * hours, form)},{a:.3f},{b:.3f}"
        for x, a, b in zip(t.time, t.ra, t.dec, strict=True)
    ]
    head = f"{title},RA error (arcsec),Dec error (arcsec)"
    path.write_text("\n".join([*above, head, *rows]) + "\n", encoding="utf-8")
    return read_guide(path)


@pytest.mark.parametrize(
    ("title", "above", "hours"),
    [
        ("Local time (UTC-07:00)", [], -7),
        ("Local time", ["# all times local, UTC+02:00"], 2),
        ("Time", ["Site zone UTC+1", "All times are UTC"], 0),
        ("Time", ["All times are UTC", "Mount: UTC offset +1"], 0),
        ("Time", ["Guiding begins {start} (UTC+2)"], 2),
    ],
)
def test_rows_are_brought_to_utc(tmp_path, title, above, hours):
    t = truth(n=60, dithers=())
    above = [a.format(start=stamp(t.time[0] + 3600 * hours - 5)) for a in above]
    record = written(tmp_path, t, hours, title, above)
    assert record.clock == "utc"
    np.testing.assert_allclose(record.time, t.time, atol=0.06)


@pytest.mark.parametrize(
    ("title", "above"),
    [
        ("Local time", ["All dates UTC"]),
        ("Time", ["Guiding begins {start} UTC"]),
        ("Time", ["Local time", "Sunset time (UTC) 17:20"]),
    ],
)
def test_a_utc_of_something_else_is_not_that_of_the_rows(tmp_path, title, above):
    t = truth(n=60, dithers=())
    above = [a.format(start=stamp(t.time[0] - 5)) for a in above]
    record = written(tmp_path, t, 2.0, title, above)
    assert record.clock == "unknown"
    np.testing.assert_allclose(record.time, t.time + 7200.0, atol=0.06)


def test_rows_on_the_clock_of_their_opening_line_have_its_zone(tmp_path):
    t = truth(n=60, dithers=())
    record = written(tmp_path, t, 0.0, above=[f"Guiding begins {stamp(t.time[0] - 5)} UTC"])
    assert record.clock == "utc"


def test_keys_joined_by_underscores_are_words(tmp_path):
    t = truth(n=60, dithers=())
    path = tmp_path / "record.csv"
    rows = [
        f"{x - t.time[0] + 3:.2f},{a:.3f},{b:.3f}"
        for x, a, b in zip(t.time, t.ra, t.dec, strict=True)
    ]
    head = [f"# start_utc = {stamp(t.time[0] - 3, '%Y-%m-%dT%H:%M:%S')}"]
    head += ["# guide_scale_arcsec_per_px = 2.5", "seconds,x_error_px,y_error_px"]
    path.write_text("\n".join([*head, *rows]) + "\n")
    record = read_guide(path)
    assert (record.clock, record.scale_arcsec_px) == ("utc", 2.5)
    np.testing.assert_allclose(record.time, t.time, atol=0.7)
    np.testing.assert_allclose(record.ra, 2.5 * t.ra, atol=0.002)
