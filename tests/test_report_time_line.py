"""The time line's numbers: limits, files without a time, what happened between frames."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from subgrade.judging import left_out
from subgrade.judging.criteria import eccentricity_limit, fwhm_limit
from subgrade.report.events import night_events
from subgrade.report.time_line import lane_limits, near_times
from subgrade.results import FileIdentity, GradedFrame, session_record
from tests.judged_nights import EXPOSURE_S, START, steady
from tests.report_nights import graded_of, grouped_night, lost_night


def with_facts(graded, *changes):
    """The same night with other header facts of its frames, in their order."""
    frames = tuple(
        replace(f, facts=replace(f.facts, **more))
        for f, more in zip(graded.frames, changes, strict=True)
    )
    return replace(graded, frames=frames)


def kinds(graded):
    return [(e["kind"], e["unix"]) for e in night_events(graded)]


def middle_after(k):
    """Middle of the pause after frame k of `judged_nights`."""
    return START + k * (EXPOSURE_S + 10) + EXPOSURE_S + 5


def test_limits_are_those_that_judged():
    graded = graded_of(lost_night())
    rows = session_record(graded)["frames"]
    usual = graded.groups[0].usual
    round_one = lane_limits(graded.frames[7], rows[7])
    assert round_one["eccentricity"] == pytest.approx(
        eccentricity_limit(usual["eccentricity"], graded.limits), abs=1e-4
    )
    width = fwhm_limit(usual["fwhm_px"], 1.0, graded.limits)
    assert round_one["fwhm_px"] == pytest.approx(width, abs=1e-4)
    assert round_one["fwhm_arcsec"] == round_one["fwhm_px"]  # one arcsecond a pixel


def test_the_least_transparency_is_where_depth_meets_its_limit():
    """Depth goes as the square of the starlight: on the line a frame is as deep as its limit."""
    graded = graded_of(lost_night())
    rows = session_record(graded)["frames"]
    for frame, row in zip(graded.frames, rows, strict=True):
        held = [e for e in row["evidence"] if e["quantity"] == "depth" and e["limit"]]
        limits = lane_limits(frame, row)
        if not held or "transparency" not in limits:
            continue
        lost = limits["transparency"] / row["values"]["transparency"]
        assert held[0]["value"] * lost**2 == pytest.approx(held[0]["limit"], rel=1e-3)
        too_shallow = row["values"]["transparency"] < limits["transparency"]
        assert too_shallow == (row["values"]["reasons"] == "cloud")
    assert "transparency" in lane_limits(graded.frames[3], rows[3])


def test_a_frame_that_was_not_judged_has_no_limits():
    bad = GradedFrame("bad.fits", Path("/n/bad.fits"), left_out("bad.fits", "unreadable", "short"))
    graded = graded_of(steady(4))
    row = session_record(replace(graded, frames=(bad,)))["frames"][0]
    assert lane_limits(bad, row) == {}


def bad_file(name):
    return GradedFrame(name, Path("/nowhere") / name, left_out(name, "unreadable", "short"))


def test_an_unreadable_file_stands_between_its_neighbours_by_name():
    graded = graded_of(steady(4))
    names = ["light_000b.fits", "light_002a.fits", "light_002b.fits", "light_099.fits"]
    near = near_times(replace(graded, frames=(*graded.frames, *map(bad_file, names))))
    assert near[:4] == [None] * 4
    pause = EXPOSURE_S + 10
    assert near[4] == pytest.approx(middle_after(0), abs=0.1)
    assert middle_after(2) - 5 < near[5] < near[6] < START + 3 * pause
    assert near[7] == pytest.approx(START + 3 * pause + 1.5 * EXPOSURE_S, abs=0.1)


def test_names_that_do_not_follow_time_place_nothing():
    names = ["d.fits", "a.fits", "c.fits", "b.fits"]
    graded = graded_of(steady(4), names=names)
    near = near_times(replace(graded, frames=(*graded.frames, bad_file("bb.fits"))))
    assert near == [None] * 5


def test_a_file_that_was_written_as_it_was_taken_stands_at_its_time():
    graded = graded_of(steady(5), names=["e.fits", "d.fits", "c.fits", "b.fits", "a.fits"])
    late = 3.0  # seconds from the end of an exposure until its file is there

    def identities(scatter):
        rng = np.random.default_rng(1)
        return {
            f.path: FileIdentity(
                1,
                round((f.facts.start_unix + EXPOSURE_S + late + rng.normal(0, scatter)) * 1e9),
                "",
            )
            for f in graded.frames
        }

    bad = bad_file("f.fits")
    written = {bad.path: FileIdentity(1, round((START + 1000 + late + EXPOSURE_S / 2) * 1e9), "")}
    for scatter, expected in ((0.5, START + 1000), (5000.0, None)):
        night = replace(
            graded, frames=(*graded.frames, bad), identities=identities(scatter) | written
        )
        if expected is None:
            assert near_times(night)[5] is None
        else:
            assert near_times(night)[5] == pytest.approx(expected, abs=2)


def test_a_meridian_flip_by_header_or_by_half_a_turn():
    graded = graded_of(steady(6))
    sides = [{"pier_side": "west" if k < 3 else "east"} for k in range(6)]
    assert kinds(with_facts(graded, *sides)) == [("flip", middle_after(2))]
    other = [side | {"target": f"field {k // 3}"} for k, side in enumerate(sides)]
    assert kinds(with_facts(graded, *other)) == []  # another target: no flip need be
    turned = [replace(s, rotation=180.3 if k > 3 else 0.2) for k, s in enumerate(steady(6))]
    assert kinds(graded_of(turned)) == [("flip", middle_after(3))]


def test_a_filter_change_is_named_by_the_new_filter():
    filters = with_facts(graded_of(steady(4)), *({"filter": f} for f in ["L", "L", "R", None]))
    (event,) = night_events(filters)
    assert (event["kind"], event["text"], event["note"]) == ("filter", "R", "filter L to R")
    assert len([k for k, _ in kinds(grouped_night()) if k == "filter"]) == 11


def test_refocusing_is_a_move_that_stands_out():
    count = 12
    once = [{"focuser_steps": 5000.0 + 80 * (k > 4)} for k in range(count)]
    assert kinds(with_facts(graded_of(steady(count)), *once)) == [("focus", middle_after(4))]
    creeping = [{"focuser_steps": 5000.0 + 3 * k} for k in range(count)]
    assert kinds(with_facts(graded_of(steady(count)), *creeping)) == []
    both = [{"focuser_steps": 5000.0 + 3 * k + 80 * (k > 4)} for k in range(count)]
    assert kinds(with_facts(graded_of(steady(count)), *both)) == [("focus", middle_after(4))]
    offset = [step | {"filter": "L" if k <= 4 else "R"} for k, step in enumerate(once)]
    assert [k for k, _ in kinds(with_facts(graded_of(steady(count)), *offset))] == ["filter"]


def test_twilight_is_when_the_sun_is_18_degrees_down():
    """Against astropy's own Sun; nothing without a site."""
    from astropy.coordinates import AltAz, EarthLocation, get_sun
    from astropy.time import Time
    from astropy.utils import iers

    lat, lon = 48.0, 11.0
    evening = Time("2026-03-01T16:00:00").unix
    hours = [{"start_unix": evening + 1800.0 * k} for k in range(30)]
    graded = with_facts(graded_of(steady(30)), *hours)
    assert kinds(graded) == []
    sited = with_facts(graded, *[{"site_lat_deg": lat, "site_lon_deg": lon} for _ in range(30)])
    events = night_events(sited)
    assert [e["text"] for e in events] == ["twilight ends", "twilight starts"]
    with iers.conf.set_temp("auto_download", False):
        place = EarthLocation(lat=lat, lon=lon, height=0)
        for event in events:
            when = Time(event["unix"], format="unix")
            height = get_sun(when).transform_to(AltAz(obstime=when, location=place)).alt.deg
            assert height == pytest.approx(-18.0, abs=0.1)


def test_two_nights_are_no_flip():
    graded = graded_of(steady(2))
    facts = {"pier_side": "west"}, {"pier_side": "east", "start_unix": START + 86400.0}
    assert kinds(with_facts(graded, *facts)) == []
