"""``subgrade grade`` end to end, as a user meets them."""

import hashlib
import json
import os
import signal
import subprocess
import sys
import time

import pytest
from astropy.io import fits

from subgrade.cli import main
from subgrade.plaintext import printable
from tests.cli_frames import rows, run, write_light, write_night

COMMAND = [sys.executable, "-m", "subgrade"]


def digest(folder) -> dict:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path, monkeypatch):
    """A default --out must not land in the repository."""
    monkeypatch.chdir(tmp_path)


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    return write_night(tmp_path_factory.mktemp("night") / "lights")


@pytest.fixture(scope="module")
def results(night):
    """The night graded once, in this process, as most tests only read the outcome."""
    out = night.parent / "graded"
    with pytest.raises(SystemExit) as left:
        main(["grade", str(night), "--out", str(out), "--workers", "1", "--quiet"])
    assert left.value.code == 0
    return out


def test_the_bad_frames_are_rejected_and_nothing_is_touched(night, capfd, tmp_path):
    before = digest(night)
    code, out, err = run(capfd, "grade", night, "--out", tmp_path / "r", "--workers", 1)
    assert code == 0
    table = rows(tmp_path / "r")
    verdicts = {name: row["verdict"] for name, row in table.items()}
    rejected = {"light_03.fits", "light_05.fits"}
    assert {n for n, v in verdicts.items() if v == "reject"} == rejected
    assert table["light_03.fits"]["reasons"] in ("focus", "seeing")
    assert table["light_05.fits"]["reasons"] == "cloud"
    # 206.265 * 3.76 um / 776 mm = 1.0 arcsec a pixel.
    row = table["light_00.fits"]
    assert float(row["fwhm_arcsec"]) == pytest.approx(float(row["fwhm_px"]), rel=0.002)
    assert float(table["light_05.fits"]["transparency"]) == pytest.approx(0.35, abs=0.02)
    assert "8 files: 6 kept (6 min), 2 rejected (2 min)" in out
    assert str(tmp_path / "r") in out
    assert "measured 8 of 8 files" in err
    assert "\x1b" not in out + err
    assert digest(night) == before


def test_a_second_run_measures_nothing_and_takes_other_limits(night, results, capfd, tmp_path):
    mine = tmp_path / "lax.toml"
    mine.write_text("[sharpness]\nratio_low = 2.5\nratio_high = 2.5\nbest_ratio = 2.5\n")
    code, _, err = run(capfd, "grade", night, "--out", results, "--limits", mine)
    assert code == 0
    assert "measured 8 of 8 files, 8 of them earlier" in err
    assert rows(results)["light_03.fits"]["verdict"] == "keep"
    code, _, err = run(capfd, "grade", night, "--out", results)
    assert rows(results)["light_03.fits"]["verdict"] == "reject"


def test_a_weighted_stack_keeps_what_is_only_dim(night, results, capfd, tmp_path):
    assert run(capfd, "grade", night, "--out", tmp_path / "r", "--stack", "weighted")[0] == 0
    mean, weighted = rows(results), rows(tmp_path / "r")
    assert mean["light_05.fits"]["verdict"] == "reject"
    assert weighted["light_05.fits"]["verdict"] == "keep"
    assert 0 < float(weighted["light_05.fits"]["weight"]) < 0.25
    assert weighted["light_03.fits"]["verdict"] == "reject"  # swollen in any stack
    for folder, stack in ((results, "mean"), (tmp_path / "r", "weighted")):
        session = json.loads((folder / "session.json").read_text(encoding="utf-8"))
        assert session["settings"]["stack"] == stack
        assert session["limits"]["light"]["depth"] == 0.5
    code, _, err = run(capfd, "grade", night, "--out", tmp_path / "r", "--stack", "median")
    assert code == 2
    assert "median" in err


def test_two_processes_give_the_same_numbers_as_one(night, results, capfd, tmp_path):
    code, _, _ = run(capfd, "grade", night, "--out", tmp_path / "two", "--workers", 2, "--quiet")
    assert code == 0
    assert rows(tmp_path / "two") == rows(results)


def test_damaged_and_calibration_files_are_listed_and_the_rest_is_graded(night, capfd, tmp_path):
    lights = tmp_path / "lights"
    lights.mkdir()
    for path in night.iterdir():
        os.link(path, lights / path.name)
    cut = (night / "light_01.fits").read_bytes()[:60_000]
    (lights / "cut.fits").write_bytes(cut)
    (lights / "empty.fits").write_bytes(b"")
    write_light(lights / "dark.fits", 40, IMAGETYP="DARK")
    code, out, err = run(capfd, "grade", lights, "--out", tmp_path / "r", "--workers", 1)
    assert code == 3
    table = rows(tmp_path / "r")
    assert {n for n, r in table.items() if r["verdict"] == "unreadable"} == {
        "cut.fits",
        "empty.fits",
    }
    assert table["cut.fits"]["reasons"] == "unreadable"
    assert (table["dark.fits"]["verdict"], table["dark.fits"]["reasons"]) == (
        "reject",
        "wrong_frame",
    )
    assert table["dark.fits"]["explanation"] == (
        "Rejected: it is a dark frame by its header, not a light."
    )
    assert sum(r["verdict"] == "keep" for r in table.values()) == 6
    assert "cut.fits:" in out
    assert "could not be graded: cut.fits:" in err


def test_nothing_to_grade_is_exit_1(capfd, tmp_path):
    (tmp_path / "empty").mkdir()
    code, out, err = run(capfd, "grade", tmp_path / "empty", "--out", tmp_path / "r")
    assert (code, out) == (1, "")
    assert "nothing could be graded" in err
    (tmp_path / "empty" / "bad.fits").write_bytes(b"SIMPLE  =")
    code, _, err = run(capfd, "grade", tmp_path / "empty", "--out", tmp_path / "r")
    assert code == 1
    assert "bad.fits: " in err


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["grade"], "Missing argument"),
        (["grade", "{night}", "--workers", "0"], "--workers"),
        (["grade", "{night}", "--scale", "nan"], "--scale"),
        (["grade", "{night}", "--exposure", "0"], "--exposure"),
        (["grade", "{night}/none"], "no such file"),
        (["grade", "{night}", "--limits", "none.toml"], "none.toml"),
        (["grade", "{night}", "--dark", "none.fits"], "none.fits"),
        (["grade", "{night}", "--out", "{night}/light_00.fits"], "must name a folder"),
        (["grade", "{night}", "--out", "r", "--dark", "{night}"], "--dark {night}: is a folder"),
        (["explain", "{night}", "x"], "session.json"),
    ],
)
def test_wrong_usage_is_exit_2_and_names_the_cause(night, capfd, arguments, message):
    code, out, err = run(capfd, *(a.format(night=night) for a in arguments))
    assert (code, out) == (2, "")
    assert message.format(night=night) in err
    assert "Traceback" not in err
    assert not os.listdir()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["gade", "{night}"], "No such command 'gade'; did you mean grade?"),
        (["{night}"], "did you mean subgrade grade {night}?"),
        (["zzz"], "The commands are grade, explain, "),
        (["grade", "{night}", "--guid", "x"], "--guide"),
        (["grade", "{night}", "-guide", "x"], "Did you mean '--guide'?"),
        (["grade", "{night}", "--list-style", "name"], "'relative', 'paths', 'names'"),
        (["grade", "{night}s"], "{night}s: no such file or folder; did you mean {night}?"),
        (["grade", "{night}/ligth_01.fits"], "did you mean {night}/light_01.fits?"),
        (
            ["grade", "{night}", "--flat", "{base}/lihgts/light_01.fits"],
            "--flat {base}/lihgts/light_01.fits: no such file; did you mean {night}/light_01.fits?",
        ),
        (["grade", "{night}", "--limits", "sharp.toml"], "mean {base}/sharper.toml?"),
        (["grade", "{night}", "--marks", "{base}/sharper.tml"], "mean {base}/sharper.toml?"),
        (["grade", "{night}", "--teach", "{base}/sharper.tml"], "mean {base}/sharper.toml?"),
        (["explain", "{base}/grade", "x"], "no such folder; did you mean {results}?"),
        (["diagnose", "{results}/summary.csv"], "is a file; did you mean {results}?"),
        (["cull", "{night}", "--list"], "holds no session.json; did you mean {results}?"),
        (["restore", "{night}"], "did you mean {results}?"),
        (["simulate", "n", "--scenario", "{base}/sharpr.toml"], "mean {base}/sharper.toml?"),
    ],
)
def test_a_misspelt_word_or_path_is_answered_with_the_nearest(
    night, results, capfd, arguments, message
):
    names = {"night": night, "base": night.parent, "results": results}
    (night.parent / "sharper.toml").touch()
    code, out, err = run(capfd, *(a.format(**names) for a in arguments))
    assert (code, out) == (2, "")
    assert message.format(**names) in err
    assert not os.listdir()


@pytest.mark.skipif(sys.platform == "win32", reason="names that Windows does not allow")
def test_hostile_names_go_through_and_cannot_steer_the_terminal(capfd, tmp_path):
    names = ["a\nb.fits", 'q"u,o.fits', "=1+1.fits", "ü\x1b[31m.fits"]
    for k, name in enumerate(names):
        write_light(tmp_path / "l" / name, k)
    (tmp_path / "l" / "b\x1b[31mad.fits").write_bytes(b"no")
    code, out, err = run(capfd, "grade", tmp_path / "l", "--out", tmp_path / "r", "--workers", 1)
    assert code == 3
    assert "\x1b" not in out + err
    shown = {printable(name) for name in (*names, "b\x1b[31mad.fits")}
    assert {os.path.normpath(name) for name in rows(tmp_path / "r")} == shown
    code, out, _ = run(capfd, "explain", tmp_path / "r", "=1+1")
    assert out.startswith("=1+1.fits: keep")


def test_the_scale_option_wins_over_the_header(night, capfd, tmp_path):
    run(capfd, "grade", night / "light_00.fits", "--out", tmp_path / "r", "--scale", "2.5")
    (row,) = rows(tmp_path / "r").values()
    assert float(row["fwhm_arcsec"]) == pytest.approx(2.5 * float(row["fwhm_px"]), rel=1e-3)


def test_the_exposure_option_is_for_silent_headers_only(night, capfd, tmp_path):
    """Without it the moment in mid-exposure is not known."""
    folder = tmp_path / "lights"
    folder.mkdir()
    with fits.open(night / "light_00.fits") as hdus:
        stated = hdus[0].header["EXPTIME"]
        hdus.writeto(folder / "a.fits")
        del hdus[0].header["EXPTIME"]
        hdus.writeto(folder / "b.fits")
    out = tmp_path / "r"
    for given in (None, 77.5, 90.0):
        option = () if given is None else ("--exposure", given)
        run(capfd, "grade", folder, "--out", out, *option)
        session = json.loads((out / "session.json").read_text())
        assert session["settings"]["exposure"] == given
        frames = {name: row["exposure_s"] for name, row in rows(out).items()}
        assert float(frames["a.fits"]) == stated
        assert (float(frames["b.fits"]) if given else frames["b.fits"]) == (given or "")
    notes = {f["values"]["frame"]: f["notes"] for f in session["frames"]}
    assert "the header states no exposure time: 90 s as given" in notes["b.fits"]
    assert not any("as given" in note for note in notes["a.fits"])


def test_a_flat_and_a_dark_are_applied(night, capfd, tmp_path):
    with fits.open(night / "light_00.fits") as hdus:
        shape = hdus[0].data.shape
    import numpy as np

    fits.writeto(tmp_path / "dark.fits", np.full(shape, 400, np.uint16))
    run(
        capfd,
        "grade",
        night / "light_00.fits",
        "--out",
        tmp_path / "r",
        "--dark",
        tmp_path / "dark.fits",
    )
    (row,) = rows(tmp_path / "r").values()
    assert float(row["background_adu"]) == pytest.approx(600, abs=3)


@pytest.mark.skipif(sys.platform == "win32", reason="SIGINT cannot be sent to one process there")
@pytest.mark.parametrize("workers", ["1", pytest.param("2", marks=pytest.mark.slow)])
def test_ctrl_c_keeps_what_is_measured(tmp_path, capfd, workers):
    lights, out = write_night(tmp_path / "lights", 30), tmp_path / "r"
    process = subprocess.Popen(
        [*COMMAND, "grade", str(lights), "--out", str(out), "--workers", workers],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
        # a test run in the background hands on that it ignores the signal
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and len(list(out.glob("measured/*.kept"))) < 3:
        time.sleep(0.01)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to all of them
    printed, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "run the same command again" in err
    assert "Traceback" not in err
    assert printed == ""
    kept = len(list(out.glob("measured/*.kept")))
    assert 3 <= kept < 30
    assert not list(out.glob("measured/.*"))
    code, _, err = run(capfd, "grade", lights, "--out", out, "--workers", 1)
    assert code == 0
    assert f"measured {kept} of 30 files, {kept} of them earlier" in err
    assert len(rows(out)) == 30
