"""A star's place beside the place where it is wanted: errors are the one less the other.

Truth is in how the records are made: an error, a held place with steps, and their sum.
"""

from __future__ import annotations

import numpy as np
import pytest

from subgrade.guiding.intervals import settling_intervals
from subgrade.record import read_guide
from tests.record_layouts import stamp

ROWS, STEP_S, SCALE = 400, 2.0, 2.5
T0 = 1_929_148_756.0
DITHERS = {100: (3.0, -2.0), 230: (-4.5, 1.0)}


def made(seed=4):
    """Time, error (px) and wanted place (px) of a night with two dithers."""
    rng = np.random.default_rng(seed)
    error, place = rng.normal(0, 0.2, (ROWS, 2)), np.full((ROWS, 2), (412.0, 300.0))
    for k, step in DITHERS.items():
        place[k:] += step
        error[k : k + 5] -= np.array(step) * (0.6 ** np.arange(5))[:, None]
    return T0 + STEP_S * np.arange(ROWS), np.round(error, 3), np.round(place, 3)


def written(tmp_path, titles, columns, time, delimiter=","):
    path = tmp_path / "record.csv"
    lines = [f"# Image scale: {SCALE} arcsec/px", delimiter.join(["UTC", *titles])]
    for t, *row in zip(time, *columns, strict=True):
        lines.append(delimiter.join([stamp(t, "%Y-%m-%dT%H:%M:%S"), *(f"{v:.3f}" for v in row)]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_guide(path)


@pytest.mark.parametrize(
    "titles",
    [
        "star_x star_y lock_x lock_y",
        "x y x_ref y_ref",
        "x,y,reference x,reference y",
        "star x (px),star y (px),target x (px),target y (px)",
        "guide star x,guide star y,aim x,aim y",
        "measured_x measured_y wanted_x wanted_y",
        "centroid x,centroid y,set point x,set point y",
        "star_x star_y ref_star_x ref_star_y",
        "target_star_x target_star_y lock_x lock_y",
        "starX starY lockX lockY",
        "x,y,desired x,desired y",
    ],
)
def test_errors_are_star_less_wanted_place(tmp_path, titles):
    titles = titles.split("," if "," in titles else " ")
    time, error, place = made()
    star = error + place
    record = written(tmp_path, titles, [*star.T, *place.T], time)
    assert record.axes == "xy"
    np.testing.assert_allclose(record.ra, SCALE * error[:, 0], atol=0.005)
    np.testing.assert_allclose(record.dec, SCALE * error[:, 1], atol=0.005)
    moves = [e for e in record.events if e.kind == "reference_moved"]
    assert [e.time for e in moves] == [T0 + STEP_S * k for k in DITHERS]


def test_the_order_of_the_columns_does_not_matter(tmp_path):
    time, error, place = made()
    columns = [*place.T, *(error + place).T]
    record = written(tmp_path, ["lock_x", "lock_y", "star_x", "star_y"], columns, time)
    np.testing.assert_allclose(record.ra, SCALE * error[:, 0], atol=0.005)


def test_errors_stay_as_they_are_beside_a_wanted_place_that_tells_the_dithers(tmp_path):
    time, error, place = made()
    columns = [*error.T, *place.T]
    record = written(tmp_path, ["x error (px)", "y error (px)", "lock x", "lock y"], columns, time)
    np.testing.assert_allclose(record.ra, SCALE * error[:, 0], atol=0.005)
    assert sum(e.kind == "reference_moved" for e in record.events) == len(DITHERS)


def test_a_place_far_from_the_star_is_not_where_it_is_wanted(tmp_path):
    time, error, place = made()
    columns = [*(error + place).T, *(0.1 * place).T]
    record = written(tmp_path, ["star_x", "star_y", "target_x", "target_y"], columns, time)
    assert not any(e.kind == "reference_moved" for e in record.events)
    assert any("median" in note for note in record.notes)


def test_a_place_that_moves_all_the_time_tells_no_dithers(tmp_path):
    time, error, place = made()
    place = place + 0.2 * np.arange(ROWS)[:, None]  # a comet is followed
    record = written(
        tmp_path,
        ["star_x", "star_y", "lock_x", "lock_y"],
        [*(error + place).T, *place.T],
        time,
    )
    np.testing.assert_allclose(record.ra, SCALE * error[:, 0], atol=0.005)
    assert not record.events


def test_a_new_place_is_unsettled_until_the_star_is_there(tmp_path):
    time, error, place = made()
    titles = ["star_x", "star_y", "lock_x", "lock_y"]
    record = written(tmp_path, titles, [*(error + place).T, *place.T], time)
    spans = settling_intervals(record)
    assert list(spans[:, 0]) == [T0 + STEP_S * k for k in DITHERS]
    # The star starts 9 and 11.5 arcsec away, and 0.6^3 of that is about three rms of 0.7 arcsec.
    assert np.all(np.abs(np.diff(spans, axis=1) - 7.0) <= 5.0)
