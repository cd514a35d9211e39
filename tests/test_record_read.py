"""Records in layouts of the tests' own making are read back to the truth they were written from."""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.errors import UnreadableFile
from subgrade.record import read_guide
from subgrade.record.running_text import Facts, learn
from subgrade.record.titles import guesses
from subgrade.record.unit_words import ARCSECONDS, MILLIARCSECONDS, PIXELS, unit_of
from tests.record_layouts import LAYOUTS, SCALE, START, comma, midnight, stamp, truth

LOST = (20, 21, 22, 100, 101)
UTC_TOLD = {"json_lines", "camera", "turned", "midnight", "two_columns", "four_sides", "julian"}
WITH_LOST = {"fixed", "json_lines", "midnight", "julian", "states"}
WITH_EVENTS = {
    "comma",
    "semicolon",
    "bars",
    "fixed",
    "blanks",
    "json_lines",
    "midnight",
    "places",
    "states",
}
WITH_PULSES = {
    "comma",
    "semicolon",
    "bars",
    "fixed",
    "blanks",
    "json_lines",
    "two_columns",
    "four_sides",
    "run_together",
}


def written(tmp_path, name, t, **how):
    path = tmp_path / f"{name}.txt"
    path.write_text(LAYOUTS[name](t, **how), encoding="utf-8")
    return path


@pytest.mark.parametrize("name", LAYOUTS)
def test_a_layout_is_read_back(tmp_path, name):
    t = truth(lost=LOST if name in WITH_LOST else ())
    record = read_guide(written(tmp_path, name, t))
    assert len(record) == len(t)
    if name == "places":
        assert record.clock == "relative"
        assert record.axes == "xy"
        np.testing.assert_allclose(record.time, t.time - t.time[0], atol=0.06)
        settled = np.ones(len(t), bool)
        for time, kind in t.events:
            settled &= ~((t.time >= time) & (t.time < time + 12.1)) if kind == "dither" else settled
        np.testing.assert_allclose(record.dec, t.dec, atol=0.5)
        assert np.std((record.ra - t.ra)[settled]) < 0.25
        return
    assert record.clock == ("utc" if name in UTC_TOLD else "unknown")
    np.testing.assert_allclose(record.time, t.time, atol=0.06)
    good = ~t.lost
    np.testing.assert_array_equal(record.good, good)
    np.testing.assert_allclose(record.ra[good], t.ra[good], atol=2e-3)
    np.testing.assert_allclose(record.dec[good], t.dec[good], atol=2e-3)
    assert record.axes == ("xy" if name == "camera" else "ra_dec")
    if name in WITH_PULSES:
        np.testing.assert_allclose(record.ra_pulse_ms[good], t.ra_pulse[good], atol=0.5)
        np.testing.assert_allclose(record.dec_pulse_ms[good], t.dec_pulse[good], atol=0.5)
    if name in WITH_EVENTS:
        found = [(e.time, e.kind) for e in record.events if e.kind in ("dither", "settle_end")]
        assert [k for _, k in found] == [k for _, k in t.events]
        slack = 2.1 if name == "bars" else 0.06  # a remark without a time stands between two rows
        np.testing.assert_allclose([x for x, _ in found], [x for x, _ in t.events], atol=slack)
    assert len(record.sections) == (3 if name == "blanks" else 1)


@pytest.mark.parametrize("name", ["comma", "semicolon", "json_lines"])
def test_brightness_and_signal_to_noise_come_along(tmp_path, name):
    t = truth()
    record = read_guide(written(tmp_path, name, t))
    np.testing.assert_allclose(record.brightness, t.brightness)
    np.testing.assert_allclose(record.snr, t.snr)


def test_every_column_says_why_it_was_taken(tmp_path):
    record = read_guide(written(tmp_path, "decoys", truth()))
    roles = {c.title: c for c in record.columns}
    assert roles["RA raw (arcsec)"].role == "ra"
    assert roles["Dec raw (arcsec)"].role == "dec"
    assert roles["Timestamp"].role == "time"
    for decoy in ("RA (deg)", "RA filtered (arcsec)", "RA RMS (arcsec)", "Exposure (s)"):
        assert roles[decoy].role == "other", decoy
    for column in record.columns:
        assert column.why
        assert 0 < column.sure <= 1


def test_distances_of_corrections_keep_their_sign(tmp_path):
    t = truth()
    record = read_guide(written(tmp_path, "decoys", t))
    moved = np.abs(t.ra) > 0.05
    np.testing.assert_array_equal(np.sign(record.ra_pulse_ms[moved]), -np.sign(t.ra[moved]))


def test_pixels_of_unknown_size_ask_for_the_scale(tmp_path):
    path = tmp_path / "px.csv"
    path.write_text(comma(truth()).replace("(arcsec)", "(px)"))
    with pytest.raises(UnreadableFile, match="--guide-scale"):
        read_guide(path)
    t = truth()
    record = read_guide(path, scale_arcsec_px=2.0)
    np.testing.assert_allclose(record.ra, 2.0 * t.ra, atol=2e-3)
    assert record.scale_arcsec_px == 2.0


def test_a_scale_given_goes_before_the_one_in_the_file(tmp_path):
    t = truth()
    record = read_guide(written(tmp_path, "fixed", t), scale_arcsec_px=2 * SCALE)
    np.testing.assert_allclose(record.ra, 2 * t.ra, atol=2e-3)


def test_lengths_tell_that_errors_are_in_pixels(tmp_path):
    t = truth()
    path = tmp_path / "long.csv"
    rows = [
        f"{k},{0.8 * a - 0.6 * b:.4f},{0.6 * a + 0.8 * b:.4f},{a:.4f},{b:.4f}"
        for k, (a, b) in enumerate(zip(t.ra, t.dec, strict=True))
    ]
    path.write_text("\n".join(["time,x error,y error,RA error,Dec error", *rows]))
    with pytest.raises(UnreadableFile, match="--guide-scale"):
        read_guide(path)
    record = read_guide(path, scale_arcsec_px=SCALE)
    np.testing.assert_allclose(record.ra, SCALE * t.ra, atol=2e-3)
    assert record.clock == "relative"


def test_a_column_in_each_unit_tells_the_scale(tmp_path):
    t = truth()
    path = tmp_path / "both.csv"
    rows = [
        f"{stamp(x)},{a / SCALE:.4f},{a:.4f},{b / SCALE:.4f},{b:.4f}"
        for x, a, b in zip(t.time, t.ra, t.dec, strict=True)
    ]
    head = "time,RA error px,RA error arcsec,Dec error px,Dec error arcsec"
    path.write_text("\n".join([head, *rows]))
    record = read_guide(path)
    np.testing.assert_allclose(record.ra, t.ra, atol=1e-3)
    np.testing.assert_allclose(record.dec, t.dec, atol=1e-3)


def test_a_part_of_other_columns_is_passed_over(tmp_path):
    t = truth()
    steps = "\n".join(f"West,{k},{3.1 * k:.2f},{0.2 * k:.2f},{500 - 3 * k}" for k in range(12))
    path = tmp_path / "calibrated.csv"
    path.write_text(f"Finding the axes\nDirection,Step,dx,dy,x\n{steps}\n\n{comma(t)}")
    record = read_guide(path)
    assert len(record) == len(t)
    np.testing.assert_allclose(record.ra, t.ra, atol=1e-3)
    path.write_text(f"{comma(t)}\nFinding the axes\nDirection,Step,dx,dy,x\n{steps}\n")
    assert len(read_guide(path)) == len(t)


def test_a_second_section_may_order_its_columns_anew(tmp_path):
    one, other = truth(n=120, dithers=()), truth(n=90, start=START + 3600, seed=5, dithers=())
    rows = [
        f"{b:.3f},{a:.3f},{stamp(x)}"
        for x, a, b in zip(other.time, other.ra, other.dec, strict=True)
    ]
    text = comma(one) + f"\nNew run {stamp(START + 3590)}\nDec error (as),RA error (as),Time\n"
    path = tmp_path / "two.csv"
    path.write_text(text + "\n".join(rows))
    record = read_guide(path)
    np.testing.assert_allclose(record.ra, np.concatenate([one.ra, other.ra]), atol=1e-3)
    np.testing.assert_allclose(record.dec, np.concatenate([one.dec, other.dec]), atol=1e-3)
    assert record.section.tolist() == [0] * 120 + [1] * 90
    assert record.sections[1] == (other.time[0], other.time[-1])


def test_remarks_are_sorted_into_kinds(tmp_path):
    t = truth(dithers=())
    out = []
    remarks = {
        30: "Guide star lost",
        50: "Guiding paused",
        70: "Guiding resumed",
        90: "Lock position moved",
        110: "Settling begins",
        130: "Settling complete",
        150: "A cloud passes",
        160: "Guide star missing",
        170: "Reference position set to the star found",
        180: "Target recentred, guiding resumed",
        190: "Settled after the dither",
        195: "Guide star found again",
    }
    for k, line in enumerate(comma(t).splitlines()[1:]):
        if k in remarks:
            out.append(f"INFO {stamp(t.time[k])} {remarks[k]}")
        out.append(line)
    path = tmp_path / "remarks.csv"
    path.write_text("\n".join([comma(t).splitlines()[0], *out]))
    record = read_guide(path)
    assert len(record) == len(t)
    kinds = [
        "star_missing",
        "pause",
        "resume",
        "reference_moved",
        "settle_start",
        "settle_end",
        "other",
        "star_missing",
        "reference_moved",
        "resume",
        "settle_end",
        "other",
    ]
    assert [e.kind for e in record.events] == kinds
    np.testing.assert_allclose([e.time for e in record.events], t.time[list(remarks)], atol=0.06)


def test_a_number_in_a_remark_is_not_its_time(tmp_path):
    t = truth(dithers=())
    rows = [
        f"{k},{x - START:.1f},{a:.3f},{b:.3f}"
        for k, (x, a, b) in enumerate(zip(t.time, t.ra, t.dec, strict=True))
    ]
    rows.insert(100, "NOTE dither requested, 2.1, -0.4 at 03:00:00")
    path = tmp_path / "numbers.csv"
    path.write_text("\n".join(["n,elapsed s,RA error as,Dec error as", *rows]))
    record = read_guide(path)
    assert len(record) == len(t)
    assert [e.kind for e in record.events] == ["dither"]
    assert 198.0 <= record.events[0].time <= 200.0


def test_the_same_remark_beside_many_rows_is_one_event(tmp_path):
    t = truth(n=60, dithers=())
    said = {**dict.fromkeys(range(10, 15), "Dither"), **dict.fromkeys(range(40, 44), "Dither")}
    rows = [
        f"{stamp(x)},{a:.3f},{b:.3f},{said.get(k, '')},scope A"
        for k, (x, a, b) in enumerate(zip(t.time, t.ra, t.dec, strict=True))
    ]
    path = tmp_path / "beside.csv"
    path.write_text("\n".join(["Time,RA error as,Dec error as,Note,Device", *rows]))
    events = read_guide(path).events
    assert [(e.kind, e.text) for e in events] == [("dither", "Dither")] * 2
    np.testing.assert_allclose([e.time for e in events], t.time[[10, 40]], atol=0.06)


def test_titles_may_be_directions_and_cells_carry_units(tmp_path):
    t = truth(n=60, dithers=())
    side = lambda v, p: p[int(v < 0)] if v else ""  # noqa: E731
    rows = [
        f'{stamp(t.time[k])} | {t.ra[k]}" | {t.dec[k]}" | '
        f"{abs(t.ra_pulse[k]):.0f} ms {side(t.ra_pulse[k], 'EW')}"
        for k in range(60)
    ]
    path = tmp_path / "units.txt"
    path.write_text("\n".join(["Time | East | North | RA pulse", *rows]))
    record = read_guide(path)
    np.testing.assert_allclose(record.ra, t.ra)
    np.testing.assert_allclose(record.dec, t.dec)
    np.testing.assert_allclose(record.ra_pulse_ms, t.ra_pulse)


@pytest.mark.parametrize(
    ("line", "per_arcsec", "scale"),
    [
        ("All errors in mas", 1000, 1.0),
        ("units = milliarcseconds", 1000, 1.0),
        ("Unit of the errors: mas", 1000, 1.0),
        ("errors = arcsec", 1, 1.0),
        ("units = px", 1, 1.7),
    ],
)
def test_the_text_states_the_unit_of_the_errors(tmp_path, line, per_arcsec, scale):
    t = truth(n=60, dithers=())
    rows = [
        f"{stamp(x)},{per_arcsec * a:.3f},{per_arcsec * b:.3f}"
        for x, a, b in zip(t.time, t.ra, t.dec, strict=True)
    ]
    path = tmp_path / "stated.csv"
    path.write_text("\n".join([line, "Time,RA error,Dec error", *rows]))
    record = read_guide(path, scale_arcsec_px=1.7)
    np.testing.assert_allclose(record.ra, scale * t.ra, atol=6e-4 * scale)
    np.testing.assert_allclose(record.dec, scale * t.dec, atol=6e-4 * scale)
    # a title says it of its own column, and goes before the text
    path.write_text("\n".join([line, "Time,RA error as,Dec error as", *rows]))
    np.testing.assert_allclose(read_guide(path).ra, per_arcsec * t.ra, atol=6e-4)


@pytest.mark.parametrize(
    ("line", "scale"),
    [
        ("Guide scale = 50 mas per px", 0.05),
        ("scale (mas/px): 1830", 1.83),
        ("1830 milli-arcsec per pixel", 1.83),
        ("Guide scale = 1.83 arcsec per px", 1.83),
        ("image scale: 1,83", 1.83),
        ("scale: 50 %", np.nan),
        ("scale: 50 px", np.nan),
    ],
)
def test_the_scale_in_the_text_has_its_own_unit(line, scale):
    assert learn(Facts(), line).scale == pytest.approx(scale, nan_ok=True)


def test_every_word_for_the_unit_of_errors_is_read_in_titles_and_in_text():
    for word in (*ARCSECONDS, *MILLIARCSECONDS, *PIXELS):
        stated = learn(Facts(), f"errors in {word}")
        assert (stated.unit, stated.unit_factor) == unit_of(word)
        assert guesses(f"RA error ({word})")[0].unit == stated.unit


def test_a_night_over_midnight_keeps_growing(tmp_path):
    t = truth(n=6000)
    record = read_guide(written(tmp_path, "midnight", t))
    assert np.all(np.diff(record.time) > 0)
    np.testing.assert_allclose(record.time, t.time, atol=0.06)


def test_a_time_of_day_without_a_date_says_so(tmp_path):
    t = truth(n=6000)
    path = tmp_path / "clock.csv"
    path.write_text(midnight(t).split("\n", 1)[1])
    record = read_guide(path)
    assert not record.dated
    assert record.clock == "unknown"
    np.testing.assert_allclose(record.time, t.time - START // 86400 * 86400, atol=0.06)
    dated = tmp_path / "guiding_2031-02-18.csv"
    dated.write_text(path.read_text())
    record = read_guide(dated)
    assert record.dated
    np.testing.assert_allclose(record.time, t.time, atol=0.06)


def test_the_practice_record_is_read_back(tmp_path):
    from subgrade.practice import build_night, random_scenario
    from subgrade.practice.record import guide_scale, record_text

    layouts = set()
    for seed in range(12):
        scenario = random_scenario(seed, frames=5)
        night = build_night(scenario)
        path = tmp_path / f"practice_{seed}.txt"
        path.write_text(record_text(scenario, night.line, night.guided), encoding="utf-8")
        record = read_guide(path)
        samples = night.guided.samples
        layouts.add((scenario.record.separator, scenario.record.clock, scenario.record.unit))
        assert len(record) == len(samples)
        east = np.array([s.east for s in samples])
        north = np.array([s.north for s in samples])
        rounding = 0.6e-3 * max(guide_scale(scenario), 1.0)
        np.testing.assert_allclose(record.ra, east, atol=rounding)
        np.testing.assert_allclose(record.dec, north, atol=rounding)
        np.testing.assert_array_equal(record.good, np.isfinite(east))
        seen = np.isfinite(east)
        pulses = np.array([s.east_pulse_ms for s in samples])
        np.testing.assert_allclose(record.ra_pulse_ms[seen], pulses[seen], atol=0.51)
        time = np.array([s.time for s in samples])
        if scenario.record.clock == "seconds":
            assert record.clock == "relative"
            time -= time[0]
        else:
            time += night.line.origin_unix
            time += 3600 * scenario.record.utc_offset_h + scenario.record.skew_s
            assert record.dated == (scenario.record.clock == "datetime")
            if not record.dated:
                time -= time[0] // 86400 * 86400
        np.testing.assert_allclose(record.time, time, atol=0.011)
        remarks = [r for s in samples for r in s.remarks]
        assert sorted(e.text for e in record.events) == sorted(remarks)
    assert len(layouts) >= 5
