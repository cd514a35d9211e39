"""Calibration frames whose headers call them lights: named as what they are, and starless."""

from __future__ import annotations

from pathlib import Path

import pytest
from astropy.io import fits

from subgrade.lights import read_facts, read_light
from subgrade.lights.header_facts import calibration_named
from tests.cli_frames import rows, run, write_light

REAL = Path("/work/shared/real")
"""Frames of a lens array (MIT licence, huntsman-drp), outside the repository."""


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("FlatDither00", "flat"),
        ("skyflat", "flat"),
        ("Flat-Ha-0001", "flat"),
        ("FLAT_L", "flat"),
        ("dark_300s_-10C_0007", "dark"),
        ("Darks", "dark"),
        ("DarkFlat", "dark"),
        ("Biases", "bias"),
        ("bias_001", "bias"),
        ("Dark Shark", None),
        ("LDN 1235 Dark", None),
        ("Flat_M31", None),
        ("M31", None),
        ("Inflating", None),
        ("Light_0001", None),
        ("", None),
    ],
)
def test_names_of_calibration_frames(name, kind):
    assert calibration_named(name) == kind


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    """Six lights, of which two clouded out; flat, dark and bias by name; a light named a flat."""
    folder = tmp_path_factory.mktemp("mixed")
    for k in range(6):
        write_light(folder / f"light_{k}.fits", k, transparency=0.0 if k in (2, 5) else 1.0)
    write_light(folder / "a.fits", 6, transparency=0.0, FIELD="FlatDither00")
    write_light(folder / "b.fits", 7, transparency=0.0, OBJECT="Dark")
    write_light(folder / "bias_0001.fits", 8, transparency=0.0)
    write_light(folder / "c.fits", 9, FIELD="FlatDither00")
    write_light(folder / "d.fits", 10, transparency=0.0, FIELD="Dark Shark")
    return folder


def test_named_and_starless_is_set_aside_and_says_why(mixed, capfd, tmp_path):
    run(capfd, "grade", mixed, "--out", tmp_path / "r", "--no-report")
    found = rows(tmp_path / "r")
    wrong = {name for name, row in found.items() if row["reasons"] == "wrong_frame"}
    assert wrong == {"a.fits", "b.fits", "bias_0001.fits"}
    for name, part in (
        ("a.fits", "a flat frame by FIELD = 'FlatDither00', and no star in it"),
        ("b.fits", "a dark frame by OBJECT = 'Dark', and no star in it"),
        ("bias_0001.fits", "a bias frame by the file's name, and no star in it"),
    ):
        assert part in found[name]["explanation"]
    assert found["c.fits"]["verdict"] == "keep"


def test_a_light_that_cloud_emptied_is_no_flat(mixed, capfd, tmp_path):
    run(capfd, "grade", mixed, "--out", tmp_path / "r", "--no-report")
    found = rows(tmp_path / "r")
    for name in ("light_2.fits", "light_5.fits", "d.fits"):
        assert found[name]["verdict"] == "reject"
        assert "wrong_frame" not in found[name]["reasons"]


def test_a_real_flat_that_calls_itself_a_light(capfd, tmp_path):
    if not REAL.is_dir():
        pytest.skip("the real frames are not here")
    facts = read_facts(REAL / "lens_array_flat.fits")
    assert (facts.frame_type, facts.named_kind[0]) == ("light", "flat")
    paths = [REAL / f"lens_array_{kind}.fits" for kind in ("flat", "dark", "bias", "science")]
    run(capfd, "grade", *paths, "--out", tmp_path / "r", "--no-report")
    found = rows(tmp_path / "r")
    wrong = {name for name, row in found.items() if row["reasons"] == "wrong_frame"}
    assert wrong == {f"lens_array_{kind}.fits" for kind in ("flat", "dark", "bias")}
    # dark and bias too when their headers call them lights
    for kind in ("dark", "bias"):
        with fits.open(REAL / f"lens_array_{kind}.fits") as hdus:
            hdus[0].header["IMAGETYP"] = "Light Frame"
            hdus.writeto(tmp_path / f"{kind[0]}.fits")
        assert read_light(tmp_path / f"{kind[0]}.fits").facts.named_kind[0] == kind
    run(
        capfd,
        "grade",
        tmp_path / "d.fits",
        tmp_path / "b.fits",
        REAL / "lens_array_science.fits",
        "--out",
        tmp_path / "s",
        "--no-report",
    )
    wrong = {n for n, r in rows(tmp_path / "s").items() if r["reasons"] == "wrong_frame"}
    assert {Path(n).name for n in wrong} == {"d.fits", "b.fits"}
