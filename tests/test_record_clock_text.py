"""Clocks of records: orders of day and month, zones, midnights, steps, summer time, sections."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from subgrade.record import read_guide
from tests.record_layouts import START, comma, stamp, truth


def table(times, t, head="Time,RA error (arcsec),Dec error (arcsec)", above=()) -> str:
    rows = [f"{x},{a:.3f},{b:.3f}" for x, a, b in zip(times, t.ra, t.dec, strict=True)]
    return "\n".join([*above, head, *rows]) + "\n"


def read(tmp_path, text, name="record.csv", **how):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return read_guide(path, **how)


def at(year, month, day, hour=22, minute=0):
    return datetime(year, month, day, hour, minute, tzinfo=UTC).timestamp()


@pytest.mark.parametrize("form", ["%d/%m/%Y", "%m/%d/%Y", "%d.%m.%y", "%m-%d-%Y"])
def test_a_number_above_twelve_tells_day_from_month(tmp_path, form):
    t = truth(n=60, start=at(2031, 2, 18), dithers=())
    record = read(tmp_path, table([stamp(x, form + " %H:%M:%S") for x in t.time], t))
    np.testing.assert_allclose(record.time, t.time, atol=0.06)
    assert not record.notes


@pytest.mark.parametrize("form", ["%d/%m/%Y", "%m/%d/%Y"])
def test_a_midnight_tells_day_from_month(tmp_path, form):
    t = truth(n=3600, start=at(2031, 3, 4, 23, 30), dithers=())
    record = read(tmp_path, table([stamp(x, form + " %H:%M:%S") for x in t.time], t))
    np.testing.assert_allclose(record.time, t.time, atol=0.06)


@pytest.mark.parametrize("form", ["%d/%m/%Y", "%m/%d/%Y"])
def test_the_name_of_the_file_tells_day_from_month(tmp_path, form):
    t = truth(n=60, start=at(2031, 3, 4), dithers=())
    text = table([stamp(x, form + " %H:%M:%S") for x in t.time], t)
    record = read(tmp_path, text, "guider 2031-03-04.csv")
    np.testing.assert_allclose(record.time, t.time, atol=0.06)
    assert not record.notes
    assert any("two ways" in note for note in read(tmp_path, text).notes)


def test_a_fixed_order_goes_before_any_guess(tmp_path):
    from subgrade.record import GuideMap

    t = truth(n=60, start=at(2031, 3, 4), dithers=())
    text = table([stamp(x, "%d/%m/%Y %H:%M:%S") for x in t.time], t)
    record = read(tmp_path, text, guide_map=GuideMap(order="dmy"))
    np.testing.assert_allclose(record.time, t.time, atol=0.06)


@pytest.mark.parametrize(
    ("tail", "hours"), [("Z", 0), ("+00:00", 0), ("+0530", 5.5), ("-07", -7), (" UTC", 0)]
)
def test_a_zone_in_the_cells_leads_to_utc(tmp_path, tail, hours):
    t = truth(n=60, dithers=())
    times = [stamp(x + 3600 * hours, "%Y-%m-%dT%H:%M:%S") + tail for x in t.time]
    record = read(tmp_path, table(times, t))
    assert record.clock == "utc"
    np.testing.assert_allclose(record.time, t.time, atol=0.06)


@pytest.mark.parametrize(
    ("above", "clock", "hours"),
    [
        ("# All times are UTC", "utc", 0),
        ("# Clock: UTC+02:00", "utc", 2),
        ("# UTC offset: -5 h", "utc", -5),
        ("# The UTC offset is not known", "unknown", 0),
        ("# local time", "unknown", 0),
    ],
)
def test_the_text_above_may_tell_the_zone(tmp_path, above, clock, hours):
    t = truth(n=60, dithers=())
    record = read(tmp_path, table([stamp(x + 3600 * hours) for x in t.time], t, above=[above]))
    assert record.clock == clock
    np.testing.assert_allclose(record.time, t.time, atol=0.06)


def test_a_twelve_hour_clock_without_am_and_pm_runs_on(tmp_path):
    t = truth(n=1800, step=6.0, start=at(2031, 2, 18, 23, 10), dithers=())
    times = [stamp(x, "%I:%M:%S") for x in t.time]
    above = [f"Guiding started {stamp(t.time[0] - 2)}"]
    record = read(tmp_path, table(times, t, above=above))
    np.testing.assert_allclose(record.time, t.time, atol=0.06)


def test_noon_and_midnight_of_a_twelve_hour_clock(tmp_path):
    t = truth(n=60, start=at(2031, 2, 18, 0, 10), dithers=())
    record = read(tmp_path, table([stamp(x, "%d %b %Y %I:%M:%S %p") for x in t.time], t))
    np.testing.assert_allclose(record.time, t.time, atol=0.06)


def test_a_section_opened_before_midnight_may_begin_after_it(tmp_path):
    t = truth(n=60, start=at(2031, 2, 19, 0, 0), dithers=())
    above = ["Run opened 2031-02-18 23:59:58"]
    record = read(tmp_path, table([stamp(x, "%H:%M:%S") for x in t.time], t, above=above))
    np.testing.assert_allclose(record.time, t.time, atol=0.06)


def test_sections_of_times_of_day_each_take_their_own_date(tmp_path):
    one, other = truth(n=60, dithers=()), truth(n=80, start=START + 2 * 86400, dithers=())
    text = "".join(
        table([stamp(x, "%H:%M:%S") for x in t.time], t, above=[f"Session {stamp(t.time[0] - 4)}"])
        for t in (one, other)
    )
    record = read(tmp_path, text)
    np.testing.assert_allclose(record.time, np.concatenate([one.time, other.time]), atol=0.06)
    assert len(record.sections) == 2


def test_seconds_that_begin_anew_make_a_new_section(tmp_path):
    one, other = truth(n=60, dithers=()), truth(n=80, start=START + 900, dithers=())
    parts = [
        table([f"{x - t.time[0] + 0.5:.1f}" for x in t.time], t, "t,RA err as,Dec err as")
        for t in (one, other)
    ]
    text = f"Opened {stamp(one.time[0] - 0.5, '%Y-%m-%d %H:%M:%S.%f')}\n{parts[0]}"
    text += f"Opened {stamp(other.time[0] - 0.5, '%Y-%m-%d %H:%M:%S.%f')}\n"
    text += parts[1].split("\n", 1)[1]  # without titles of its own
    record = read(tmp_path, text)
    assert len(record.sections) == 2
    np.testing.assert_allclose(record.time, np.concatenate([one.time, other.time]), atol=0.06)
    undated = read(tmp_path, "".join(parts))
    assert undated.clock == "relative"
    assert len(undated.sections) == 2
    assert np.all(np.diff(undated.time) > 0)


@pytest.mark.parametrize("after", [True, False])
def test_an_hour_set_back_for_winter_is_put_right(tmp_path, after):
    t = truth(n=900, start=at(2031, 10, 26, 2, 45), dithers=())
    change = at(2031, 10, 26, 3) if after else np.inf
    times = [stamp(x - 3600 * (x >= change)) for x in t.time]
    record = read(tmp_path, table(times, t))
    np.testing.assert_allclose(record.time, t.time, atol=0.06)
    np.testing.assert_allclose(record.ra, t.ra, atol=1e-3)
    assert any("summer time" in note for note in record.notes) == after


def test_an_hour_set_forward_in_spring_is_put_right(tmp_path):
    t = truth(n=900, start=at(2031, 3, 30, 1, 45), dithers=())
    record = read(tmp_path, table([stamp(x + 3600 * (x >= at(2031, 3, 30, 2))) for x in t.time], t))
    np.testing.assert_allclose(record.time, t.time, atol=0.06)
    assert any("summer time" in note for note in record.notes)


def test_utc_knows_no_summer_time(tmp_path):
    t = truth(n=900, start=at(2031, 3, 30, 1, 45), dithers=())
    moved = t.time + 3600 * (t.time >= at(2031, 3, 30, 2))
    record = read(tmp_path, table([stamp(x, "%Y-%m-%dT%H:%M:%SZ") for x in moved], t))
    np.testing.assert_allclose(record.time, moved, atol=0.06)


def test_a_pause_of_an_hour_is_left_alone(tmp_path):
    t = truth(n=400, start=at(2031, 2, 18, 22, 3), dithers=())
    moved = t.time + 3600 * (np.arange(400) >= 200)
    record = read(tmp_path, table([stamp(x) for x in moved], t))
    np.testing.assert_allclose(record.time, moved, atol=0.06)
    assert any("left as it is" in note for note in record.notes)


def test_a_clock_set_back_a_little_is_told_and_runs_on(tmp_path):
    t = truth(n=400, dithers=())
    record = read(tmp_path, table([stamp(x - 37 * (k >= 250)) for k, x in enumerate(t.time)], t))
    np.testing.assert_allclose(record.time, t.time, atol=0.06)
    assert any("set back by 37" in note for note in record.notes)


def test_rows_out_of_order_are_sorted(tmp_path):
    t = truth(n=300, dithers=())
    head, *rows = comma(t).splitlines()
    order = np.arange(300)
    order[40:44] = order[40:44][::-1]
    order[100:160] = np.concatenate([order[130:160], order[100:130]])
    record = read(tmp_path, "\n".join([head, *(rows[k] for k in order)]))
    np.testing.assert_allclose(record.time, t.time, atol=0.06)
    np.testing.assert_allclose(record.ra, t.ra, atol=1e-3)
    assert any("out of order" in note for note in record.notes)


def test_rows_in_any_order_are_sorted(tmp_path):
    t = truth(n=300, dithers=())
    head, *rows = comma(t).splitlines()
    order = np.random.default_rng(2).permutation(300)
    order[0], order[np.flatnonzero(order == 0)[0]] = 0, order[0]
    record = read(tmp_path, "\n".join([head, *(rows[k] for k in order)]))
    np.testing.assert_allclose(record.ra, t.ra, atol=1e-3)


def test_rows_said_twice_come_once(tmp_path):
    t = truth(n=300, dithers=())
    head, *rows = comma(t).splitlines()
    record = read(tmp_path, "\n".join([head, *rows[:200], *rows[150:]]))
    np.testing.assert_allclose(record.time, t.time, atol=0.06)
    assert any("duplicate rows dropped: 50" in note for note in record.notes)


def test_rows_within_one_second_of_a_whole_second_clock_all_stay(tmp_path):
    t = truth(n=300, step=0.5, dithers=())
    record = read(tmp_path, table([stamp(np.floor(x)) for x in t.time], t))
    assert len(record) == 300
    np.testing.assert_allclose(record.ra, t.ra, atol=1e-3)


def test_remarks_move_with_a_clock_that_is_put_right(tmp_path):
    t = truth(n=400, dithers=(300,))
    lines = comma(t).splitlines()
    for k, line in enumerate(lines[1:], 1):
        time, rest = line.split(",", 1)
        moment = datetime.fromisoformat(time + "+00:00").timestamp()
        if moment >= t.time[250]:
            lines[k] = f"{stamp(moment - 37)},{rest}"
    record = read(tmp_path, "\n".join(lines))
    np.testing.assert_allclose(record.time, t.time, atol=0.06)
    assert [e.kind for e in record.events] == ["dither", "settle_end"]
    np.testing.assert_allclose([e.time for e in record.events], [x for x, _ in t.events], atol=0.06)


@pytest.mark.parametrize(
    ("title", "of"),
    [
        ("Elapsed (ms)", lambda x: f"{1000 * x:.0f}"),
        ("minutes since start (min)", lambda x: f"{x / 60:.5f}"),
        ("time", lambda x: f"{1000 * x:.0f}"),
        ("t", lambda x: f"{x:.2f}"),
    ],
)
def test_seconds_may_be_counted_in_other_units(tmp_path, title, of):
    t = truth(n=90, dithers=())
    since = t.time - t.time[0]
    record = read(tmp_path, table([of(x) for x in since], t, f"{title},RA error as,Dec error as"))
    assert record.clock == "relative"
    np.testing.assert_allclose(record.time, since, atol=0.01)
