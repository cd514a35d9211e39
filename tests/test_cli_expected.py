"""``grade --expected-motion`` from the command line to session.json."""

import json
from dataclasses import replace

import pytest
from click.testing import CliRunner

from subgrade.cli import cli
from subgrade.practice import default_scenario, simulate_night


@pytest.fixture(scope="module")
def comet(tmp_path_factory):
    base = default_scenario(frames=4, width=300, height=240)
    plan = replace(base.plan, follow_arcsec_per_h=300.0, follow_pa_deg=110.0, exposure_s=90.0)
    night = replace(
        base,
        plan=plan,
        events=(),
        camera=replace(base.camera, wcs=True),
        record=replace(base.record, write=False),
        target=replace(base.target, stars_per_arcmin2=12.0),
    )
    folder = tmp_path_factory.mktemp("comet") / "night"
    simulate_night(folder, night)
    return folder


def graded(folder, out, *options):
    run = CliRunner().invoke(
        cli, ["grade", str(folder), "--out", str(out), "--workers", "1", *options]
    )
    assert run.exit_code == 0, run.output
    return run.output, json.loads((out / "session.json").read_text())


def test_the_option_keeps_a_comets_frames_and_is_remarked_on(comet, tmp_path):
    # Four frames are too few to find the target without the option.
    _, plain = graded(comet, tmp_path / "out")
    assert plain["totals"]["rejected"] == 4
    shown, session = graded(comet, tmp_path / "out", "--expected-motion", "300,110")
    assert session["totals"]["kept"] == 4
    assert session["settings"]["expected_motion"] == [300.0, 110.0]
    (remark,) = (r for r in session["remarks"] if "--expected-motion gives " in r)
    assert "towards position angle 110°" in remark
    label = session["groups"][0]["label"]
    assert remark.startswith(f"{label}: ")
    assert remark.removeprefix(f"{label}: ") in shown  # the only group need not be named
    assert session["groups"][0]["usual"]["eccentricity"]["centre"] < 0.5


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("95", "two numbers"),
        ("0,10", "above 0"),
        ("nan,10", "above 0"),
        ("9,inf", "from -360"),
        ("a,b", "two numbers"),
    ],
)
def test_a_motion_that_is_none_is_refused(text, said, tmp_path):
    run = CliRunner().invoke(cli, ["grade", str(tmp_path), "--expected-motion", text])
    assert run.exit_code == 2
    assert said in run.output
