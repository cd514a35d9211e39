"""Exposure times: FITS 4.0 section 9 keywords, common practice, and two real frames."""

from __future__ import annotations

import importlib.util
from datetime import UTC, datetime
from pathlib import Path

import pytest
from astropy.time import Time

from subgrade.lights import read_facts
from subgrade.lights.exposure_times import exposure_times
from subgrade.lights.header_cards import Cards


def times(exposure=None, **items):
    """Times of a header; a value may be (value, comment); ``_`` in a name stands for ``-``."""
    cards = {
        key.replace("_", "-"): item if isinstance(item, tuple) else (item, "")
        for key, item in items.items()
    }
    return exposure_times(Cards(cards), exposure)


def mjd_of_unix(seconds):
    return seconds / 86400.0 + 40587.0


def real_frame(package, *parts):
    spec = importlib.util.find_spec(package)
    if spec is None:
        pytest.skip(f"the package {package}, which carries the frame, is not installed")
    path = Path(spec.origin).parent.joinpath(*parts)
    if not path.exists():
        pytest.skip(f"this version of {package} does not carry {parts[-1]}")
    return path


def test_real_frame_with_mid_time_beside_its_start():
    """published_checks 9: DATE-AVG - DATE-OBS is 5.150 s with EXPTIME 10; DATE-LOC is 7 h off."""
    facts = read_facts(real_frame("astrowisp", "tests", "test_data", "XO1_test_img.fits"))
    assert facts.start_utc == "2024-06-20T09:16:19.585Z"
    assert facts.mid_utc == "2024-06-20T09:16:24.735Z"
    assert facts.mid_unix - facts.start_unix == pytest.approx(5.150, abs=1e-3)
    assert mjd_of_unix(facts.start_unix) == pytest.approx(60481.38633778935, abs=1e-9)
    assert facts.start_local == "2024-06-20T02:16:19.585"
    assert facts.exposure_s == 10.0


def test_real_frame_with_a_date_and_a_separate_time():
    """published_checks 9: true start MJD 56486.03996528 although MJD-OBS says midnight."""
    facts = read_facts(real_frame("ccdproc", "tests", "data", "a8280271.fits"))
    assert mjd_of_unix(facts.start_unix) == pytest.approx(56486.03996528, abs=1e-8)
    assert facts.mid_utc == "2013-07-13T00:58:48.020Z"
    assert facts.time_source == "DATE-OBS and UT"
    assert facts.exposure_s == 150.04


def test_date_obs_is_taken_for_the_start_on_trust():
    found = times(300.0, DATE_OBS="2024-06-20T22:00:00.25")
    assert (found.start_utc, found.mid_utc) == (
        "2024-06-20T22:00:00.250Z",
        "2024-06-20T22:02:30.250Z",
    )
    assert found.start_unix == datetime(2024, 6, 20, 22, 0, 0, 250000, UTC).timestamp()
    assert any("taken as the start" in note for note in found.notes)
    said = times(300.0, DATE_OBS=("2024-06-20T22:00:00", "UTC start of exposure"))
    assert not said.notes


@pytest.mark.parametrize(
    ("scale", "behind"),
    [
        ("UTC", 0.0),
        ("TAI", 37.0),
        ("TT", 69.184),
        ("GPS", 18.0),
        ("TDB", 69.184),
        ("UTC(GPS)", 0.0),
        ("tt", 69.184),
    ],
)
def test_time_scales(scale, behind):
    """TAI-UTC, TT-UTC, GPS-UTC in 2024: 37, 69.184, 18 s (published_checks 9)."""
    utc = times(10.0, DATE_OBS="2024-06-20T09:16:19.585")
    other = times(10.0, DATE_OBS="2024-06-20T09:16:19.585", TIMESYS=scale)
    tolerance = 2.1e-3 if scale == "TDB" else 1e-6  # TDB swings 1.7 ms about TT
    assert utc.start_unix - other.start_unix == pytest.approx(behind, abs=tolerance)
    assert utc.mid_unix - other.mid_unix == pytest.approx(behind, abs=tolerance)


def test_unknown_scale_is_never_taken_for_utc():
    found = times(10.0, DATE_OBS="2024-06-20T09:16:19", TIMESYS="LOCAL")
    assert found.start_unix is None
    assert found.start_local == "2024-06-20T09:16:19.000"
    assert any("LOCAL" in note for note in found.notes)


def test_leap_second_is_counted():
    """2 s lie between 2016-12-31T23:59:59 and 2017-01-01T00:00:00 UTC (published_checks 9)."""
    found = times(4.0, DATE_OBS="2016-12-31T23:59:59.000")
    assert found.mid_utc == "2017-01-01T00:00:00.000Z"
    assert found.mid_unix - found.start_unix == pytest.approx(1.0, abs=1e-6)
    inside = times(2.0, DATE_OBS="2016-12-31T23:59:60.500")
    assert inside.start_utc == "2016-12-31T23:59:60.500Z"
    assert inside.mid_utc == "2017-01-01T00:00:00.500Z"
    before = times(100.0, DATE_OBS="2016-12-31T12:00:00")
    assert before.start_unix == datetime(2016, 12, 31, 12, tzinfo=UTC).timestamp()


def test_standard_epoch_as_mjd():
    found = times(0.0, MJD_OBS=51544.5)
    assert found.start_utc == "2000-01-01T12:00:00.000Z"


def test_check_instant_as_mjd_and_jd():
    """MJD and JD of 2024-06-20T09:16:19.585 UTC (published_checks 9)."""
    assert times(1.0, MJD_BEG=60481.38633778935).start_utc == "2024-06-20T09:16:19.585Z"
    by_jd = times(1.0, JD=2460481.8863377892)
    assert by_jd.start_unix == pytest.approx(
        datetime(2024, 6, 20, 9, 16, 19, 585000, UTC).timestamp(), abs=1e-3
    )
    assert by_jd.source == "JD"


def test_precedence_of_statements_about_the_start():
    everything = {
        "DATE": "2024-06-21T00:00:00",
        "JD": 2460481.5,
        "MJD_OBS": 60481.25,
        "DATE_OBS": "2024-06-20T03:00:00",
        "MJD_BEG": 60481.0625,
        "DATE_BEG": "2024-06-20T01:00:00",
    }
    expected = ["01:00:00", "01:30:00", "03:00:00", "06:00:00", "00:00:00"]
    order = ["DATE_BEG", "MJD_BEG", "DATE_OBS", "MJD_OBS", "JD"]
    for key, clock in zip(order, expected, strict=True):
        assert times(60.0, **everything).start_utc == f"2024-06-20T{clock}.000Z"
        del everything[key]
    assert times(60.0, **everything).start_unix is None  # DATE is when the file was made


def test_contradicting_day_number_is_remarked():
    found = times(60.0, DATE_OBS="2024-06-20T03:00:00", MJD_OBS=60481.25)
    assert any("MJD-OBS is 10800.0 s after the start by DATE-OBS" in note for note in found.notes)
    mid = Time("2024-06-20T03:00:30").mjd
    assert not any(
        "MJD" in n for n in times(60.0, DATE_OBS="2024-06-20T03:00:00", MJD_OBS=mid).notes
    )


def test_telapse_and_date_avg_set_the_middle():
    start = {"DATE_BEG": "2024-06-20T03:00:00"}
    assert times(60.0, **start).mid_utc == "2024-06-20T03:00:30.000Z"
    found = times(60.0, **start, TELAPSE=80.0)
    assert (found.mid_utc, found.elapsed_s) == ("2024-06-20T03:00:40.000Z", 80.0)
    avg = times(60.0, **start, TELAPSE=80.0, DATE_AVG="2024-06-20T03:00:37.5")
    assert avg.mid_utc == "2024-06-20T03:00:37.500Z"
    mjd = times(60.0, **start, MJD_AVG=Time("2024-06-20T03:00:31").mjd)
    assert mjd.mid_unix - mjd.start_unix == pytest.approx(31.0, abs=1e-3)
    short = times(60.0, **start, TELAPSE=2.0)
    assert short.elapsed_s is None
    assert any("TELAPSE" in note for note in short.notes)


def test_middle_hours_away_is_not_believed():
    found = times(60.0, DATE_OBS="2024-06-20T03:00:00", DATE_AVG="2024-06-19T20:00:30")
    assert found.mid_utc == "2024-06-20T03:00:30.000Z"
    assert any("DATE-AVG" in note and "not used" in note for note in found.notes)


def test_only_the_end_or_only_the_middle():
    end = times(60.0, DATE_END="2024-06-20T03:01:00")
    assert (end.start_utc, end.mid_utc) == ("2024-06-20T03:00:00.000Z", "2024-06-20T03:00:30.000Z")
    mid = times(60.0, DATE_AVG="2024-06-20T03:00:30")
    assert mid.start_utc == "2024-06-20T03:00:00.000Z"
    assert times(None, DATE_END="2024-06-20T03:01:00").mid_unix is None
    both = times(None, DATE_BEG="2024-06-20T03:00:00", DATE_END="2024-06-20T03:01:00")
    assert both.mid_utc == "2024-06-20T03:00:30.000Z"


@pytest.mark.parametrize(
    ("comment", "start"),
    [
        ("UTC of mid-exposure", "02:59:30"),
        ("midpoint of observation", "02:59:30"),
        ("mean of start and end", "02:59:30"),
        ("time at end of exposure", "02:59:00"),
        ("shutter closed", "02:59:00"),
        ("start of exposure, the end is DATE-END", "03:00:00"),
        ("Time of observation (UTC)", "03:00:00"),
        ("", "03:00:00"),
    ],
)
def test_comment_says_which_instant_it_is(comment, start):
    found = times(60.0, DATE_OBS=("2024-06-20T03:00:00", comment))
    assert found.start_utc == f"2024-06-20T{start}.000Z"


def test_local_time_is_never_utc():
    found = times(60.0, DATE_LOC="2024-06-20T05:00:00")
    assert (found.start_unix, found.start_local) == (None, "2024-06-20T05:00:00.000")
    said = times(60.0, DATE_OBS=("2024-06-20T05:00:00", "local time at start"))
    assert (said.start_unix, said.start_local) == (None, "2024-06-20T05:00:00.000")
    assert any("local" in note for note in said.notes)


@pytest.mark.parametrize("key", ["UT", "TIME_OBS", "UTSTART", "UTC"])
def test_date_with_a_separate_time(key):
    found = times(60.0, DATE_OBS="2024-06-20", **{key: "03:04:05.5"})
    assert found.start_utc == "2024-06-20T03:04:05.500Z"
    midnight = times(60.0, DATE_OBS="2024-06-20T00:00:00", **{key: "03:04:05.5"})
    assert midnight.start_utc == "2024-06-20T03:04:05.500Z"


def test_date_alone_gives_no_time():
    found = times(60.0, DATE_OBS="2024-06-20")
    assert found.start_unix is None
    assert any("without a time of day" in note for note in found.notes)
    assert times(60.0, DATE_OBS="2024-06-20", MJD_OBS=60481.0).start_unix is None
    assert times(60.0, DATE_OBS="2024-06-20", MJD_OBS=60481.5).start_utc.endswith("12:00:00.000Z")


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ("20/06/98", "1998-06-20"),
        ("20/06/24", "1924-06-20"),
        ("31/12/69", "1969-12-31"),
        ("29/02/04", "1904-02-29"),
        ("01/02/1999", "1999-02-01"),
        ("01/02/2024", "2024-02-01"),
    ],
)
def test_old_dates_are_day_month_year(text, start):
    """FITS 4.0, section 4.4.2.1: the old form DD/MM/YY stands for 1900 to 1999 alone."""
    found = times(60.0, DATE_OBS=text, UT="03:00:00")
    assert found.start_utc == f"{start}T03:00:00.000Z"
    assert any("day/month/year" in note for note in found.notes)


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2024-06-20T03:04:05,25", "2024-06-20T03:04:05.250Z"),
        ("2024-06-20 03:04:05", "2024-06-20T03:04:05.000Z"),
        ("2024/06/20T03:04:05Z", "2024-06-20T03:04:05.000Z"),
        ("2024-06-20T03:04", "2024-06-20T03:04:00.000Z"),
        ("2024-06-20T05:04:05+02:00", "2024-06-20T03:04:05.000Z"),
        ("2024-06-19T20:04:05-0700", "2024-06-20T03:04:05.000Z"),
        ("2024-06-20T03:04:05.1234567", "2024-06-20T03:04:05.123Z"),
    ],
)
def test_spellings(text, utc):
    assert times(60.0, DATE_OBS=text).start_utc == utc


@pytest.mark.parametrize(
    "text",
    [
        "garbage",
        "2024-13-40T00:00:01",
        "2024-06-20T25:61:61",
        "0000-00-00T00:00:00",
        "9999-01-01T01:01:01",
        "2024-06-20T03:04:05 EST",
        "32/13/24",
        "1",
    ],
)
def test_nonsense_is_noted_not_raised(text):
    found = times(60.0, DATE_OBS=text)
    assert found.start_unix is None
    assert any("DATE-OBS" in note for note in found.notes)


@pytest.mark.parametrize("value", [0.0, -5.0, 1e9, float("nan"), "N/A", True])
def test_nonsense_day_numbers(value):
    assert times(60.0, MJD_OBS=value).start_unix is None


def test_relative_times_and_the_precedence_of_reference_times():
    """MJD overrides JD, and JD overrides DATE (FITS 4.0 section 9.2.2)."""
    references = {"MJDREF": 60481.0, "JDREF": 2460482.5, "DATEREF": "2024-06-22T00:00:00"}
    for key, day in (("MJDREF", 20), ("JDREF", 21), ("DATEREF", 22)):
        assert times(60.0, TSTART=90.0, **references).start_utc == f"2024-06-{day}T00:01:30.000Z"
        del references[key]
    days = times(60.0, TSTART=0.5, TIMEUNIT="d", MJDREFI=60481, MJDREFF=0.25)
    assert days.start_utc == "2024-06-20T18:00:00.000Z"


def test_agrees_with_astropy_over_years():
    for mjd in range(41400, 62000, 1234):
        time = Time(mjd + 0.123456, format="mjd", scale="utc", precision=3)
        found = times(600.0, DATE_OBS=time.isot)
        assert found.start_utc == f"{time.isot}Z"
        assert found.mid_unix - found.start_unix == pytest.approx(300.0, abs=1e-5)
