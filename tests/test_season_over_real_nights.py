"""Rendered nights of one mount, graded and held side by side: is what was changed found?"""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from subgrade.cli import cli
from subgrade.season.season import season_of

NIGHT = """
seed = {seed}
[plan]
frames = 24
exposure_s = 120.0
start_utc = "2031-03-{day:02d}T20:30:00Z"
[camera]
width = 400
height = 300
[mount]
pole_high_arcmin = {high}
pole_east_arcmin = {east}
[guider]
ra_gain = {gain}
"""
BEFORE, AFTER = (8.0, 7.0), (1.0, -1.5)


@pytest.mark.slow
def test_an_axis_and_a_gain_that_were_put_right(tmp_path):
    run, folders = CliRunner(), []
    for k, (pole, gain) in enumerate([(BEFORE, 1.6), (BEFORE, 1.6), (AFTER, 0.65), (AFTER, 0.65)]):
        plan, night, out = (tmp_path / f"{name}{k}" for name in ("plan", "night", "graded"))
        text = NIGHT.format(seed=60 + k, day=10 + k, high=pole[0], east=pole[1], gain=gain)
        plan.write_text(text, encoding="utf-8")
        for call in (
            ["simulate", str(night), "--scenario", str(plan)],
            f"grade {night} --guide {night / 'guiding.csv'} --out {out}".split(),
        ):
            result = run.invoke(cli, call)
            assert result.exit_code == 0, result.output
        folders.append(out)
    season = season_of(folders)
    found = {h.key: h for h in season.histories}
    for key, old, new in (
        ("polar_altitude", BEFORE[0], AFTER[0]),
        ("polar_azimuth", BEFORE[1], AFTER[1]),
    ):
        (change,) = found[key].changes
        assert (change.after, change.before) == (1, 2)
        assert change.old == pytest.approx(old, abs=max(3 * change.old_error, 0.5))
        assert change.new == pytest.approx(new, abs=max(3 * change.new_error, 0.5))
    assert "The polar axis moved between the 11th and the 12th of March" in (
        found["polar_error"].verdict
    )
    advice = {a.topic: a for a in season.advice}
    assert (advice["polar alignment"].followed, advice["polar alignment"].since) == ("yes", 2)
    assert (advice["RA oscillation"].followed, advice["RA oscillation"].since) == ("yes", 2)
    # each seed draws another field under one name: nights that no star ties are named
    assert all("no weight" in cause for _, cause in season.problems)
