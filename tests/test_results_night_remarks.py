"""Remarks on what was poor throughout: against limits, other groups, and lone clear frames."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from subgrade.judging import load_limits
from subgrade.judging.model import Judgement
from subgrade.lights.model import UNNAMED_SIP
from subgrade.results import GradedFrame
from subgrade.results.night_remarks import night_remarks
from tests.judged_nights import Shot, night_of, steady

HOUR = 3600.0


def remarks(groups: dict[str, list[Shot]], **facts) -> list[str]:
    """Remarks on several filters taken one after the other; ``facts`` by filter."""
    found, frames = [], []
    for k, (name, shots) in enumerate(groups.items()):
        night = night_of(shots)
        group = replace(night.groups[0], filter=name, label=f"Field, {name}, 120 s")
        found.append(replace(group, **facts.get("group", {}).get(name, {})))
        for frame, compared in zip(night.frames, night.compared, strict=True):
            start = frame.facts.start_unix + k * HOUR
            stated = replace(frame.facts, filter=name, start_unix=start, mid_unix=start + 60)
            stated = replace(stated, **facts.get(name, {}))
            judged = Judgement(frame.name, "keep", (), "", 1.0, 1.0)
            frames.append(
                GradedFrame(
                    f"{name}/{frame.name}",
                    Path(frame.path),
                    judged,
                    stated,
                    frame.stars,
                    replace(compared, group=k),
                )
            )
    return night_remarks(found, frames, load_limits())


def scaled(shots: list[Shot], by: float) -> list[Shot]:
    return [replace(s, fwhm=by * s.fwhm) for s in shots]


def test_groups_alike_give_no_remark():
    assert remarks({f: steady(6) for f in "LRGB"}) == []


def test_unnamed_distortions_are_said_once_for_all_frames():
    found = remarks({"L": steady(6), "R": steady(6)}, R={"notes": (UNNAMED_SIP,)})
    assert found == [f"6 frames: {UNNAMED_SIP}"]


def test_a_filter_out_of_focus_throughout_is_held_against_the_others():
    found = remarks({"L": steady(6), "R": scaled(steady(6), 1.6), "G": steady(6)})
    assert len(found) == 1
    assert found[0].startswith("R: stars were 4.82″ wide throughout, against 3.01″ in L and G; ")


def test_two_of_three_filters_out_of_focus_are_both_named():
    bad = scaled(steady(6), 1.5)
    found = remarks({"L": bad, "R": bad, "G": steady(6)})
    assert [t[0] for t in found] == ["L", "R"]


def test_colour_alone_is_no_remark():
    """Seeing goes as wavelength to the -0.2: Fried 1966; 430 to 900 nm."""
    by = (900 / 430) ** 0.2
    assert by == pytest.approx(1.16, abs=0.01)
    assert remarks({"I": steady(6), "B": scaled(steady(6), by)}) == []


def test_width_is_compared_at_one_airmass():
    low = scaled(steady(6), 2.2**0.6)
    assert remarks({"L": steady(6), "R": low}, L={"airmass": 1.0}, R={"airmass": 2.2}) == []
    assert len(remarks({"L": steady(6), "R": low})) == 1


def test_a_group_half_of_which_is_sharp_has_frames_that_stand_out():
    half = steady(3) + scaled(steady(3), 1.6)
    assert remarks({"L": steady(6), "R": half}) == []


@pytest.mark.parametrize(
    "other",
    [{"camera": "other"}, {"mid_unix": 1.9e9 + 3 * 24 * HOUR + 60}],
)
def test_other_cameras_and_nights_are_left_alone(other):
    groups = {"L": steady(6), "R": scaled(steady(6), 1.6)}
    assert len(remarks(groups)) == 1
    assert remarks(groups, R=other) == []


def test_another_target_is_left_alone():
    groups = {"L": steady(6), "R": scaled(steady(6), 1.6)}
    assert remarks(groups, group={"R": {"target": "Elsewhere"}}) == []


def test_a_filter_drawn_throughout_is_held_against_the_others():
    drawn = [replace(s, eccentricity=0.62) for s in steady(6)]
    found = remarks({"L": steady(6), "R": steady(6), "G": drawn})
    assert any(
        t.startswith("G: stars had an eccentricity of 0.62 throughout, against ")
        and " in L and R;" in t
        for t in found
    )
    faint = [replace(s, eccentricity=0.42) for s in steady(6)]
    assert remarks({"L": steady(6), "G": faint}) == []


def test_one_frame_with_more_light_than_a_clear_sky_gives_points_to_cloud():
    shots = steady(5)
    shots[2] = replace(shots[2], transparency=2.6)
    found = remarks({"R": shots})
    assert len(found) == 1
    assert "R/light_002.fits received 2.60 times the starlight of the others" in found[0]
    assert remarks({"R": [replace(s, transparency=1.05) for s in steady(5)]}) == []


def test_lines_without_a_width_are_no_width():
    lines = [Shot(status="trailed", length=40.0, transparency=np.nan) for _ in range(6)]
    assert remarks({"L": steady(6), "R": lines}) == []
