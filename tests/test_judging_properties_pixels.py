"""Turned, mirrored and reordered frames of a small practice night, graded from their pixels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from subgrade.night import compare_night
from subgrade.pipeline import Progress, Settings, compare, find, join, measure, read_records
from subgrade.practice import Event, build_night, default_scenario, render_frame
from subgrade.practice.header import write_frame
from subgrade.practice.record import record_text
from tests.night_transforms import Camera, stars_through
from tests.test_judging_properties import verdicts_of

pytestmark = pytest.mark.slow

EVENTS = (
    Event("tracking_lost", 3, 3, kind="slipping", size=0.03, at=0.0, duration_s=130.0),
    Event("bump", 5, 5, size=9.0, angle_deg=20.0, at=0.4),
    Event("cloud", 7, 7, size=0.75),
    Event("seeing", 9, 9, size=1.9),
    Event("flexure", 10, 10, size=8.0, angle_deg=320.0),
)


@pytest.fixture(scope="module")
def rendered():
    """Ten small frames with plain faults, as pixels with header cards, and the record."""
    base = default_scenario(frames=10, width=320, height=240)
    scenario = replace(
        base,
        events=EVENTS,
        camera=replace(base.camera, wcs=True),
        target=replace(base.target, stars_per_arcmin2=9.0, galaxies=0),
        optics=replace(base.optics, zero_point=22.6),
    )
    plan = build_night(scenario)
    return [render_frame(plan, k) for k in range(10)], record_text(scenario, plan.line, plan.guided)


def seen_by(camera: Camera, frame):
    """A frame's pixels and cards as the turned or mirrored camera would have stored them."""
    height, width = frame.data.shape
    data = frame.data[::-1] if camera.mirrored else frame.data
    data = np.ascontiguousarray(np.rot90(data, -int(camera.turn_deg // 90)))
    values = {k: v for k, v, _ in frame.cards}
    cd = np.array([[values[f"CD{i}_{j}"] for j in (1, 2)] for i in (1, 2)]) @ camera.matrix.T
    x, y = camera.places(values["CRPIX1"] - 1, values["CRPIX2"] - 1, width, height)
    new = {"CRPIX1": float(x) + 1, "CRPIX2": float(y) + 1}
    new |= {f"CD{i}_{j}": float(cd[i - 1, j - 1]) for i in (1, 2) for j in (1, 2)}
    return data, tuple((k, new.get(k, v), c) for k, v, c in frame.cards)


def graded(folder, frames, record: str, names=None):
    """Measure, compare, join and judge a folder of (data, cards)."""
    folder.mkdir()
    names = names or [f"light_{k:03d}.fits" for k in range(len(frames))]
    for name, (data, cards) in zip(names, frames, strict=True):
        write_frame(folder / name, data, cards)
    (folder / "guiding.csv").write_text(record, encoding="utf-8")
    asked = Settings(
        (str(folder),), str(folder / "out"), workers=1, guide=(str(folder / "guiding.csv"),)
    )
    progress = Progress()
    found = find(asked)
    night = compare(measure(found, asked, progress), found)
    return night, join(night, read_records(asked, progress), asked, progress).usable


@pytest.fixture(scope="module")
def upright(rendered, tmp_path_factory):
    frames, record = rendered
    plain_frames = [(f.data, f.cards) for f in frames]
    return graded(tmp_path_factory.mktemp("seen") / "upright", plain_frames, record)


def words(verdicts: dict) -> dict:
    return {frame: found[:2] for frame, found in verdicts.items()}


def test_the_small_night_holds_what_the_property_is_about(upright):
    night, guiding = upright
    assert guiding is not None
    rejected = [v for v, *_ in verdicts_of(night).values()]
    assert rejected.count("reject") == len(EVENTS)
    assert len({r for _, r, _ in verdicts_of(night, guiding).values()}) >= 5


@pytest.mark.parametrize(
    "camera", [Camera(90), Camera(180), Camera(0, True), Camera(270, True)], ids=str
)
def test_turned_and_mirrored_pixels(rendered, upright, tmp_path, camera):
    frames, record = rendered
    night, guiding = graded(tmp_path / "turned", [seen_by(camera, f) for f in frames], record)
    for known, joined in ((None, None), (upright[1], guiding)):
        before, after = verdicts_of(upright[0], known), verdicts_of(night, joined)
        assert words(before) == words(after)
    # And the numbers of the upright pixels, carried over, are those of the turned ones.
    assert sum(f.stars.shape_status == "measured" for f in upright[0].frames) >= 5
    for a, b in zip(upright[0].frames, night.frames, strict=True):
        moved = stars_through(a.stars, camera)
        if a.stars.shape_status == "measured":
            assert b.stars.fwhm_px == pytest.approx(moved.fwhm_px, rel=0.01)
            assert (b.stars.xx, b.stars.yy, b.stars.xy) == pytest.approx(
                (moved.xx, moved.yy, moved.xy), abs=0.05 * (moved.xx + moved.yy)
            )


def test_turned_pixels_without_an_orientation(rendered, tmp_path):
    frames, record = rendered
    silent = ("CTYPE", "CRVAL", "CRPIX", "CD1", "CD2")
    found = []
    for name, camera in (("as it was", Camera()), ("turned", Camera(90))):
        seen = [seen_by(camera, f) for f in frames]
        bare = [(d, tuple(c for c in cards if not c[0].startswith(silent))) for d, cards in seen]
        night, _ = graded(tmp_path / name, bare, record)
        found.append(words(verdicts_of(night)))
    assert found[0] == found[1]


def test_frames_compared_in_another_order(upright):
    night, _ = upright
    before = words(verdicts_of(compare_night(list(night.frames))))
    for order in ((9, 3, 1, 7, 5, 0, 2, 8, 6, 4), range(9, -1, -1)):
        assert words(verdicts_of(compare_night([night.frames[k] for k in order]))) == before
