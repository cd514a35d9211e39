"""TOML files of any kind end in a usage error that names the file and the key."""

import pytest

from subgrade.errors import UsageError
from tests.cli_frames import run

DEEP = "[" * 3000 + "]" * 3000
DIGITS = "9" * 5000
LARGE = "9" * 400


def broken(tmp_path, text):
    path = tmp_path / "given.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


ANY = [
    pytest.param(f"a = {DEEP}", "nested", id="deep"),
    pytest.param(f"a = {DIGITS}", "not valid TOML", id="digits"),
    pytest.param(b"a = 1\n# \xff\xfe", "line 2 is not UTF-8", id="bytes"),
    pytest.param("a = ", "not valid TOML", id="cut"),
    pytest.param("[a]\n[a]\n", "not valid TOML", id="twice"),
]
LIMITS = [
    ("sharpness = 3", "sharpness"),
    ("[[sharpness]]\nfloor_px = 1", "sharpness"),
    ("[roundness]\nfloor = [[[0.4]]]", "roundness.floor"),
    ("[roundness]\nfloor = {a = 1}", "roundness.floor"),
    ("[roundness]\nfloor = nan", "roundness.floor"),
    ("[roundness]\nfloor = inf", "roundness.floor"),
    (f"[roundness]\nfloor = {LARGE}", "roundness.floor"),
    (f"[light]\ndew_frames = {LARGE}", "light.dew_frames"),
    ("[roundness]\nfloor = 2031-01-01", "roundness.floor"),
    ('[roundness]\n"fl\\u001boor" = 1', "unknown key"),
]
COLUMNS = "[columns]\ntime = 1\nra = 2\ndec = 3\n[file]\nheader = false\n"
MAPS = [
    (COLUMNS + "[units]\ntime = {a = 1}", "units.time"),
    (COLUMNS + "[units]\ntime = [1]", "units.time"),
    (COLUMNS + "[units]\nra = {a = 1}", "units.ra"),
    (COLUMNS + "[clock]\nutc_offset = nan", "utc_offset"),
    (COLUMNS + "[clock]\nutc_offset = {a = 1}", "utc_offset"),
    (COLUMNS + "[clock]\norder = [1]", "order"),
    (COLUMNS + "[clock]\ndate = 2031-01-01T00:00:00", "date"),
    ("scale_arcsec_px = nan\n" + COLUMNS, "scale_arcsec_px"),
    ("scale_arcsec_px = inf\n" + COLUMNS, "scale_arcsec_px"),
    (f"scale_arcsec_px = {LARGE}\n" + COLUMNS, "scale_arcsec_px"),
    ("scale_arcsec_px = [1]\n" + COLUMNS, "scale_arcsec_px"),
    (f"[columns]\ntime = {LARGE}", "columns.time"),
    ("[columns]\ntime = [1]", "columns.time"),
    ("columns = [1]", "columns"),
    ("[[columns]]\ntime = 1", "columns"),
    ("[file]\ndelimiter = [1]", "delimiter"),
    ("[file]\nheader = {a = 1}", "header"),
]
SCENARIOS = [
    ("seed = {a = 1}", "seed"),
    ("plan = 3", "plan"),
    ("[[plan]]\nframes = 1", "plan"),
    ("[plan]\nframes = [3]", "frames"),
    (f"[plan]\nframes = {LARGE}", "frames"),
    ("[plan]\nexposure_s = nan", "exposure_s"),
    ("[plan]\nexposure_s = inf", "exposure_s"),
    (f"[plan]\nexposure_s = {LARGE}", "exposure_s"),
    ("events = 3", "events"),
    ("events = [1, 2]", "event 1"),
    ("[events]\ncause = 'wind'", "events"),
    ("[[events]]\nframes = [1, [2]]", "event 1"),
]


def refused(capfd, path, named, *arguments):
    code, _out, err = run(capfd, *arguments)
    assert code == 2
    assert str(path) in err
    assert named in err
    assert "Traceback" not in err
    assert "\x1b" not in err
    assert len(err) < 1000
    return True


@pytest.mark.parametrize(("text", "named"), [*ANY, *LIMITS])
def test_limits(tmp_path, capfd, text, named):
    path = broken(tmp_path, text)
    assert refused(capfd, path, named, "grade", tmp_path, "--limits", path)


@pytest.mark.parametrize(("text", "named"), [*ANY, *MAPS])
def test_guide_maps(tmp_path, capfd, text, named):
    path = broken(tmp_path, text)
    record = tmp_path / "guiding.csv"
    record.write_text("1,2,3\n")
    assert refused(capfd, path, named, "guide", record, "--guide-map", path)


@pytest.mark.parametrize(("text", "named"), [*ANY, *SCENARIOS])
def test_scenarios(tmp_path, capfd, text, named):
    path = broken(tmp_path, text)
    out = tmp_path / "practice"
    assert refused(capfd, path, named, "simulate", out, "--scenario", path)


def test_a_folder_is_no_toml_file(tmp_path, capfd):
    assert refused(capfd, tmp_path, "folder", "grade", tmp_path, "--limits", tmp_path)
    from subgrade.tomlfiles import read_toml

    with pytest.raises(UsageError, match="cannot be read"):
        read_toml(tmp_path)
