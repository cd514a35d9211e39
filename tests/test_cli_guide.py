"""``grade --guide``: columns, session, summary and explain with a guiding record."""

import csv
import errno
import json
import re
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

import subgrade.guiding as guiding
from subgrade import given_paths
from subgrade.cli import main
from subgrade.results import open_results
from subgrade.results.guiding_record import clock_sentence, clock_text, unsettled
from tests.cli_frames import START, run, write_night
from tests.judged_nights import guide_of, night_of, steady

FRAMES, CADENCE_S = 8, 2.0


def errors(count: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    return 0.5 * rng.standard_normal(count), 0.3 * rng.standard_normal(count)


def write_record(path, hours_ahead: float = 2.0, frames=range(FRAMES)):
    """A record in local time with guiding inside the exposures only, dithers between."""
    lines = ["Local time,RA error (arcsec),Dec error (arcsec),Remark"]
    ra, dec = errors(FRAMES * 31)
    for k in frames:
        for i in range(30):
            moment = START + timedelta(hours=hours_ahead, seconds=70 * k + 1 + CADENCE_S * i)
            n = 31 * k + i
            stamp = moment.strftime("%Y-%m-%d %H:%M:%S")
            lines.append(f"{stamp},{ra[n]:.3f},{dec[n]:.3f},")
        moment = START + timedelta(hours=hours_ahead, seconds=70 * k + 61)
        lines.append(f"{moment:%Y-%m-%d %H:%M:%S},,,Dither by 3.0 arcsec")
        moment += timedelta(seconds=6)
        lines.append(f"{moment:%Y-%m-%d %H:%M:%S},,,Settled")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def table(folder) -> list[dict]:
    with (folder / "summary.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module")
def graded(tmp_path_factory):
    """A measured night: later runs in the same folder take a moment."""
    base = tmp_path_factory.mktemp("guided")
    write_night(base / "lights", FRAMES)
    with pytest.raises(SystemExit):
        main(["grade", str(base / "lights"), "--out", str(base / "r"), "--workers", "1", "-q"])
    return base


def grade(capfd, graded, *options):
    return run(capfd, "grade", graded / "lights", "--out", graded / "r", *options)


def test_the_columns_hold_the_record_inside_each_exposure(graded, capfd, tmp_path):
    record = write_record(tmp_path / "g.csv", frames=range(FRAMES - 1))
    code, out, err = grade(capfd, graded, "--guide", record, "--guide-utc-offset", 2)
    assert code == 0, err
    rows = table(graded / "r")
    ra, dec = errors(FRAMES * 31)
    for k, row in enumerate(rows[:-1]):
        inside = slice(31 * k, 31 * k + 30)
        assert int(row["guide_samples"]) == pytest.approx(30, abs=2)
        assert float(row["guide_rms_ra_arcsec"]) == pytest.approx(ra[inside].std(), abs=0.05)
        assert float(row["guide_rms_dec_arcsec"]) == pytest.approx(dec[inside].std(), abs=0.03)
        far = np.hypot(ra[inside], dec[inside]).max()
        assert float(row["guide_peak_arcsec"]) == pytest.approx(far, rel=0.02)
    assert {rows[-1][c] for c in rows[-1] if c.startswith("guide_")} == {""}
    kept = [row for row in rows if row["verdict"] == "keep" and row["guide_samples"]]
    rms_ra, rms_dec = (
        np.median([float(row[f"guide_rms_{axis}_arcsec"]) for row in kept])
        for axis in ("ra", "dec")
    )
    assert (
        f"Guiding     RMS RA {rms_ra:.2f}″, Dec {rms_dec:.2f}″, median of the kept frames; the "
        f"record covers 7 of {FRAMES} frames, its clock is 2 h ahead of UTC\n"
    ) in out
    found = json.loads((graded / "r" / "session.json").read_text(encoding="utf-8"))["guiding"]
    assert found["used"] is True
    assert (found["exposures_covered"], found["clock"]["zone_hours"]) == (7, 2.0)
    roles = {c["title"]: c["role"] for c in found["columns"]}
    assert roles["RA error (arcsec)"] == "ra"
    assert roles["Dec error (arcsec)"] == "dec"
    assert found["calm_rms_dec"] == pytest.approx(0.3, abs=0.1)
    assert any("7 of 8 exposures" in note for note in found["notes"])


def test_explain_shows_the_guiding_of_a_frame(graded, capfd, tmp_path):
    record = write_record(tmp_path / "g.csv")
    grade(capfd, graded, "--guide", record, "--guide-utc-offset", 2, "--quiet")
    code, out, _ = run(capfd, "explain", graded / "r", "light_03")
    (line,) = [x for x in out.splitlines() if x.startswith("guiding: ")]
    assert code == 0
    assert re.fullmatch(
        r"guiding: RMS RA 0\.\d\d″ \(typical 0\.\d\d″\), Dec 0\.\d\d″ \(typical 0\.\d\d″\), "
        r"peak \d\.\d\d″, \d\d samples over (9\d|100)% of the exposure",
        line,
    )
    _, out, _ = run(capfd, "explain", graded / "r", "light_03", "--json")
    assert json.loads(out)["guiding"]["samples"] == pytest.approx(30, abs=2)


def test_the_clock_is_found_from_the_night(graded, capfd, tmp_path):
    record = write_record(tmp_path / "g.csv", hours_ahead=-7)
    code, out, _ = grade(capfd, graded, "--guide", record)
    assert code == 0
    assert "frames, its clock is 7 h behind UTC\n" in out
    assert [r["verdict"] for r in table(graded / "r")].count("keep") == 6


def test_a_record_that_cannot_be_read_is_named_and_the_run_goes_on(graded, capfd, tmp_path):
    bad = tmp_path / "holiday.csv"
    bad.write_bytes(bytes(range(256)) * 20)
    empty = tmp_path / "empty.csv"
    empty.write_bytes(b"")
    code, out, err = grade(capfd, graded, "--guide", bad, "--guide", empty, "--quiet")
    assert code == 3
    assert f"subgrade: guiding record not used: {bad}: " in err
    assert f"guiding record not used: {empty}: " in err
    rows = table(graded / "r")
    assert len(rows) == FRAMES
    assert {r["guide_samples"] for r in rows} == {""}
    session = open_results(graded / "r").record
    assert [p["file"] for p in session["problems"]] == [str(bad), str(empty)]
    assert session["problems"][0]["cause"].startswith("guiding record not used: ")
    assert session["guiding"] is None
    code, out, _ = grade(capfd, graded, "--guide", bad, "--guide", write_record(tmp_path / "g.csv"))
    assert code == 3
    assert re.search(r"^ {12}record not used: .*holiday\.csv: \w", out, re.MULTILINE)
    assert "frames, its clock is 2 h ahead of UTC\n" in out
    assert "Not graded" not in out


def digest(folder) -> dict:
    return {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in folder.rglob("*") if p.is_file()}


def test_a_misspelt_record_is_wrong_usage_before_anything_is_written(graded, capfd, tmp_path):
    record = write_record(tmp_path / "guiding.csv")
    assert grade(capfd, graded, "--guide", record, "--quiet")[0] == 0
    before = digest(graded)
    (tmp_path / "texts").mkdir()
    (tmp_path / "texts" / "notes.txt").write_text("clear, some wind\n", encoding="utf-8")
    for wrong, message in [
        (tmp_path / "guidng.csv", f"guidng.csv: no such file; did you mean {record}?"),
        (tmp_path / "log.txt", f"log.txt: no such file; did you mean {record}?"),
        (graded / "guiding.csv", "guiding.csv: no such file\n"),
        (tmp_path, f"{tmp_path}: is a folder, not a file; did you mean {record}?"),
        (tmp_path / "texts", "texts: is a folder, not a file\n"),
    ]:
        code, out, err = grade(capfd, graded, "--guide", record, "--guide", wrong)
        assert (code, out) == (2, "")
        assert err.startswith(f"subgrade: --guide {wrong}: ")
        assert err.endswith(message if message.endswith("\n") else f"{message}\n")
    assert digest(graded) == before


def test_a_record_that_may_not_be_read_is_wrong_usage(graded, capfd, tmp_path, monkeypatch):
    def refuse(path, mode):
        raise PermissionError(errno.EACCES, "Permission denied", path)  # root may read everything

    monkeypatch.setattr(given_paths, "open", refuse, raising=False)
    code, _, err = grade(capfd, graded, "--guide", write_record(tmp_path / "g.csv"))
    assert code == 2
    assert "g.csv: cannot be read: Permission denied" in err


def test_a_run_without_the_record_of_the_earlier_results_says_so(graded, capfd, tmp_path):
    record = write_record(tmp_path / "guiding.csv")
    assert "earlier results" not in grade(capfd, graded, "--guide", record)[2]
    bad = tmp_path / "bad.csv"
    bad.write_bytes(b"\0\1\2")
    message = (
        f"the earlier results in {graded / 'r'} used {record}; this run uses no guiding record\n"
    )
    assert message not in grade(capfd, graded, "--dry-run")[2]  # nothing is written over
    other = tmp_path / "notes.txt"
    other.write_text("no frame")
    code, _, err = run(capfd, "grade", other, "--out", graded / "r")
    assert (code, "earlier results" in err) == (1, False)  # nor here
    assert message in grade(capfd, graded, "--guide", bad)[2]
    assert "earlier results" not in grade(capfd, graded)[2]  # they are unguided now


def test_the_guide_command_suggests_a_file_too(capfd, tmp_path):
    record = write_record(tmp_path / "guiding.csv")
    code, out, err = run(capfd, "guide", tmp_path / "gliding.csv")
    assert (code, out) == (2, "")
    assert f"no such file; did you mean {record}?" in err


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--guide-utc-offset", "nan"], "--guide-utc-offset"),
        (["--guide-utc-offset", "30"], "--guide-utc-offset"),
        (["--guide-scale", "0"], "--guide-scale"),
        (["--guide", "{record}", "--guide-map", "none.toml"], "none.toml"),
    ],
)
def test_wrong_options_are_exit_2(graded, capfd, tmp_path, options, message):
    record = write_record(tmp_path / "g.csv")
    code, _, err = grade(capfd, graded, *(o.format(record=record) for o in options))
    assert code == 2
    assert message in err
    assert "Traceback" not in err


def test_an_unsettled_clock_is_shown_with_its_rivals_and_not_used(
    graded, capfd, tmp_path, monkeypatch
):
    honest = guiding.guide_night

    def doubtful(night, records, *, utc_offset_hours=None):
        found = honest(night, records, utc_offset_hours=utc_offset_hours)
        if utc_offset_hours is None:
            clock = replace(found.clock, decided=False, rivals=((3.0, 0.9),))
            found = replace(found, clock=clock)
        return found

    monkeypatch.setattr(guiding, "guide_night", doubtful, raising=False)
    record = write_record(tmp_path / "g.csv")
    code, out, err = grade(capfd, graded, "--guide", record)
    assert code == 0
    ambiguous = (
        "record not used, its clock offset is ambiguous: 2 or 3 h ahead of UTC fit about equally "
        "well"
    )
    assert f"guiding {ambiguous} (" in err
    assert "--guide-utc-offset" in err
    assert f"Guiding     {ambiguous}\n" in out
    assert {r["guide_samples"] for r in table(graded / "r")} == {""}
    found = open_results(graded / "r").record["guiding"]
    assert (found["used"], found["exposures_covered"]) == (False, 0)
    assert found["clock"]["rivals"] == [[3.0, 0.9]]
    _, out, err = grade(capfd, graded, "--guide", record, "--guide-utc-offset", 2)
    assert "not used" not in out + err
    assert "frames, its clock is 2 h ahead of UTC\n" in out


def test_a_record_that_counts_from_a_start_is_shown_as_times():
    night = night_of(steady(4))
    known = guide_of(night, {}, decided=False)
    # 1_900_000_000 is 2030-03-17T17:46:40 UTC (date -u -d @1900000000).
    clock = replace(known.clock, add_s=0.0, zone_hours=np.nan, rivals=((60 / 3600, 5.0),))
    relative = replace(known, clock=clock)
    both = "first sample at 2030-03-17 17:46:40 UTC or 2030-03-17 17:47:40 UTC"
    assert clock_text(relative) == both
    assert "--guide-utc-offset" not in unsettled(relative)
    settled = replace(relative, clock=replace(clock, decided=True))
    assert clock_sentence(settled) == "its first sample is at 2030-03-17 17:46:40 UTC"
    nowhere = replace(known, clock=replace(clock, add_s=np.nan, how="no guide sample", rivals=()))
    assert unsettled(nowhere) == "guiding record not used: no guide sample"


def test_a_table_of_frames_is_no_guiding_record(tmp_path):
    from datetime import datetime, timedelta

    from subgrade.errors import UnreadableFile
    from subgrade.record import read_guide

    begin = datetime(2031, 2, 18, 3, 40)
    for step in (2, 120):
        lines = ["Local time,RA error (arcsec),Dec error (arcsec)"]
        for k in range(40):
            moment = begin + timedelta(seconds=step * k)
            lines.append(
                f"{moment:%Y-%m-%d %H:%M:%S},{0.3 + 0.1 * (k % 7):.2f},{0.2 - 0.1 * k:.2f}"
            )
        (tmp_path / f"every_{step}.csv").write_text("\n".join(lines) + "\n")
    assert len(read_guide(tmp_path / "every_2.csv")) == 40
    with pytest.raises(UnreadableFile, match="120 s apart"):
        read_guide(tmp_path / "every_120.csv")


def test_a_table_of_frames_is_known_before_a_scale_is_asked_for(capfd, tmp_path):
    """Errors in pixels need a scale, but only those of a guiding record."""
    for step, message in ((2, "--guide-scale"), (120, "is this a table of frames?")):
        path = tmp_path / f"every_{step}.csv"
        rows = [f"{step * k},{0.1 * (k % 7):.2f},{0.1 * (k % 5):.2f}" for k in range(40)]
        path.write_text("\n".join(["time (s),x_shift_px,y_shift_px", *rows]) + "\n")
        code, out, err = run(capfd, "guide", path)
        assert (code, out) == (1, "")
        assert message in err
        assert ("--guide-scale" in err) == (step == 2)
    assert run(capfd, "guide", tmp_path / "every_2.csv", "--guide-scale", 2)[0] == 0


def test_the_guide_command_suggests_a_record_of_any_name(capfd, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.csv").write_text("frame,verdict\nlight_1,keep\n")
    write_record(tmp_path / "mount.txt")
    code, _, err = run(capfd, "guide", "nothere")
    assert (code, err) == (2, "subgrade: nothere: no such file; did you mean mount.txt?\n")


def test_a_level_column_states_how_much_of_it_is_negative():
    from subgrade.record.columns import _is_level

    values = np.full(1000, 30.0)
    assert _is_level(values) == (1.0, "none of the numbers is negative")
    values[:2] = -1
    assert _is_level(values) == (1.0, "almost none of the numbers are negative")
    values[:400] = -1
    assert _is_level(values) == (0.2, "40% of the numbers are negative")
