"""The second sky's physics, held against GalSim, SciPy, Astropy and textbook formulas."""

from __future__ import annotations

import ast
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import galsim
import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS
from scipy.signal import lsim

from tests.second_sky import mount, night, plan, record, stars, troubles, truth
from tests.second_sky.rig import SIDEREAL, draw_rig

FOLDER = Path(night.__file__).parent
WORDS = plan.WORDS | {"field_rotation", "focus", "seeing", "cloud", "dew", "sky_glow"}


def rig_of(**changes):
    """A rig with plain numbers."""
    plain = {"scale": 1.0, "profile": "moffat", "stretch": 0.0, "guided": True, "backlash": 0.0}
    plain |= {"cadence": 2.0, "guide_exposure": 1.2, "latency": 0.2, "gain_ra": 0.6}
    plain |= {"gain_dec": 0.6, "least_move": 0.0, "longest_pulse": 1.6, "speed": 7.5}
    plain |= {"declination": 0.0, "window": 40.0}
    return replace(draw_rig(np.random.default_rng(1), set()), **(plain | changes))


def drawn(profile, side, scale):
    """GalSim's own drawing of a star in the middle of a patch, with the pixel."""
    return profile.drawImage(nx=side, ny=side, scale=scale).array


@pytest.mark.parametrize(("fwhm", "scale"), [(3.0, 0.8), (2.2, 1.0), (2.0, 2.6)])
@pytest.mark.parametrize("angle", [0.0, 33.0])
def test_a_box_path_gives_galsims_trailed_star(fwhm, scale, angle):
    rig, blur = rig_of(scale=scale), stars.Blur(fwhm, 0.0, 0.0)
    length, side = 5.0, 41
    way = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    path = np.linspace(-0.5, 0.5, 4001)[:, None] * length * way
    places, shares, _ = stars.gather(path)
    made = stars.light_grid(rig, blur, places + side // 2, shares, (side, side))
    box = galsim.Box(length * scale, 1e-3).rotate(angle * galsim.degrees)
    asked = drawn(galsim.Convolve(galsim.Moffat(3.2, fwhm=fwhm), box), side, scale)
    assert np.abs(made - asked).max() < 0.002 * asked.max()


def test_a_star_off_the_pixels_middle_keeps_its_place():
    rig, blur = rig_of(scale=1.3), stars.Blur(2.6, 0.0, 0.0)
    at = np.array([[15.37, 16.81]])
    made = stars.light_grid(rig, blur, at, np.ones(1), (33, 33))
    star = galsim.Moffat(3.2, fwhm=2.6).shift(-0.63 * 1.3, 0.81 * 1.3)
    assert np.abs(made - drawn(star, 33, 1.3)).max() < 0.002 * made.max()
    assert made.sum() == pytest.approx(1.0, abs=0.03)


def test_shape_of_a_trail_is_that_of_its_moments():
    """A Gaussian-like star and a short trail: axes' variances add (box: L squared over 12)."""
    rig, blur, length = rig_of(scale=0.5), stars.Blur(3.0, 0.0, 0.0), 4.0
    path = np.linspace(-0.5, 0.5, 2001)[:, None] * [length, 0.0]
    still, moved = (truth.star_shape(rig, blur, p) for p in (0.0 * path, path))
    assert still.eccentricity < 0.03
    assert still.fwhm_px == pytest.approx(6.0, rel=0.04)  # the pixel adds about 2 %
    box = galsim.Box(length * 0.5, 1e-3)
    image = galsim.Convolve(galsim.Moffat(3.2, fwhm=3.0), box).drawImage(nx=128, ny=128, scale=0.5)
    e = galsim.hsm.FindAdaptiveMom(image).observed_shape.e
    assert moved.eccentricity == pytest.approx(np.sqrt(2 * e / (1 + e)), abs=0.01)


def test_two_places_far_apart_are_light_off_its_place():
    path = np.repeat([[0.0, 0.0], [14.0, 0.0]], [700, 300], axis=0)
    shape = truth.star_shape(rig_of(), stars.Blur(2.5, 0.0, 0.0), path)
    assert shape.off == pytest.approx(0.3)


def test_noise_of_a_blank_frame_is_shot_and_read_noise():
    rig = rig_of(gain=0.5, read_noise=4.0, offset=500.0, full_well=5e4, width=300, height=300)
    sensor = stars.Sensor(np.zeros((300, 300)), np.ones((300, 300)))
    rng = np.random.default_rng(3)
    counts = stars.expose(rig, np.zeros((300, 300)), 900.0, sensor, rng).astype(float)
    assert counts.mean() == pytest.approx(500.0 + 900.0 / 0.5, abs=0.6)
    assert counts.std() == pytest.approx(np.sqrt(900.0 + 16.0) / 0.5, rel=0.02)


def test_the_spring_answers_as_scipys_simulation_says():
    """Second-order step and knock, against scipy.signal.lsim with the hold between samples."""
    push = np.zeros(1200)
    push[100:140], push[600:] = 3.0, 1.0
    w, z = 2 * np.pi * 0.9, 0.12
    time = np.arange(1200) * mount.STEP
    asked = lsim(([w * w], [1, 2 * z * w, w * w]), push, time, interp=False)[1]
    assert mount.spring(push[:, None], 0.9, z)[:, 0] == pytest.approx(asked, abs=0.02)


def loop(rig, seconds=120.0, step=5.0, **changes):
    """Path in RA after a step of the mount, without noise."""
    forces = mount.Forces(int(seconds / mount.STEP))
    jump = np.zeros((forces.n, 2))
    jump[200:] = step
    forces.push("bump", jump)
    for name, value in changes.items():
        setattr(forces, name, np.full(forces.n, value))
    return mount.run(rig, forces, np.zeros((int(seconds / rig.cadence) + 2, 2)))


def test_a_stable_loop_damps_a_step():
    path = loop(rig_of()).main
    assert np.abs(path[200]).max() == pytest.approx(5.0)
    assert np.abs(path[600:]).max() < 0.05


@pytest.mark.parametrize(("gain", "delay"), [(2.3 / 0.6, 0.0), (1.5 / 0.6, 3.0)])
def test_too_much_gain_or_delay_swings_in_ra_alone(gain, delay):
    """A gain above 2 at once, or above 1 a sample late, is unstable (z-plane, textbook)."""
    path = loop(rig_of(), gain=gain, delay=delay).main
    east, north = path[-800:].T
    assert np.ptp(east) > 5.0
    assert (np.diff(np.sign(east)) != 0).sum() >= 4
    assert np.abs(north).max() < 0.05


def test_a_row_of_the_record_is_the_stars_mean_place_over_the_guide_exposure():
    found = loop(rig_of(gain_ra=0.3))
    for step, east, north in found.rows[3:40, :3]:
        last = int(step)
        seen = found.main[last - 24 : last].mean(axis=0)  # 1.2 s before the row
        assert [east, north] == pytest.approx(seen, abs=0.05)


def test_no_pulse_is_longer_or_faster_than_the_mount_allows():
    rig = rig_of(longest_pulse=0.4)
    rows = loop(rig, step=20.0).rows
    assert np.abs(rows[:, 3:5]).max() == pytest.approx(0.4)
    moved = np.abs(np.diff(loop(rig, step=20.0).main[201:], axis=0))
    assert moved.max() <= rig.speed * mount.STEP * 1.05


def test_backlash_holds_the_axis_back():
    """The first pulse's 3 arcsec lose 1.5 to the gears, so that Dec comes back a sample later."""
    free, loose = (loop(rig_of(backlash=b, least_move=0.0)) for b in (0.0, 1.5))
    settled = [int(np.argmax(np.abs(r.main[201:, 1]) < 1.0)) for r in (free, loose)]
    assert settled[1] > settled[0] + 20
    assert np.array_equal(free.main[:, 0], loose.main[:, 0])


def test_guiding_one_way_lets_the_other_way_drift():
    rig = rig_of()
    assert np.abs(loop(rig, step=5.0, north=mount.NORTH_ONLY).main[-1, 1] - 5.0) < 0.01
    assert np.abs(loop(rig, step=5.0, north=mount.SOUTH_ONLY).main[-1, 1]) < 0.1


def test_polar_drift_is_a_quarter_arcsecond_a_minute_for_each_arcminute():
    """15.04 arcsec/s times the error in radians: 0.2625 arcsec a minute for 1 arcmin [derived]."""
    rig = rig_of(polar_arcmin=4.0, polar_phase=90.0, hour_start=-0.125)
    drift, turn = mount.polar(rig, np.array([0.0, 60.0]))
    assert np.abs(np.diff(drift[:, 1]))[0] == pytest.approx(4 * 0.2625, rel=0.001)
    assert np.abs(np.diff(turn))[0] < 1e-8


def test_a_still_derotator_turns_the_field_by_the_parallactic_angle():
    """tan q = sin h / (tan lat cos dec - sin dec cos h), any textbook of spherical astronomy."""
    rig = rig_of(latitude=48.0, declination=25.0, hour_start=-20.0, exposure=600.0, frames=1)
    time = np.arange(int(600 / mount.STEP)) * mount.STEP
    planned = troubles.Plan(np.array([0.0]), {}, *[np.zeros(1)] * 6, np.zeros(len(time)))
    scene = troubles.Scene(rig, np.random.default_rng(0), time, mount.Forces(len(time)), planned)
    troubles.KINDS["rotation"].apply(scene, [0])
    hour = np.radians(rig.hour_start + SIDEREAL * np.array([0.0, 600.0]) / 3600.0)
    lat, dec = np.radians(48.0), np.radians(25.0)
    q = np.arctan2(np.sin(hour), np.tan(lat) * np.cos(dec) - np.sin(dec) * np.cos(hour))
    assert abs(planned.turning[-1]) == pytest.approx(abs(np.diff(q)[0]), rel=0.002)


@pytest.fixture(scope="module")
def planned():
    """One planned night and its facts of a few frames."""
    return plan.plan_night(41)


def test_a_seed_gives_the_same_night_again(planned):
    again = plan.plan_night(41)
    assert again.rig == planned.rig
    assert np.array_equal(again.run.main, planned.run.main)
    rng = [np.random.default_rng(5) for _ in range(2)]
    frames = []
    for one, random in zip((planned, again), rng, strict=True):
        sky = stars.sky_rate(one.rig)
        field, sensor = stars.draw_field(one.rig, random, sky), stars.draw_sensor(one.rig, random)
        frames.append(night.expose_frame(one, 3, np.zeros(2), field, sensor, sky, random))
    assert np.array_equal(*frames)
    assert frames[0].dtype == np.uint16
    assert not np.array_equal(plan.plan_night(42).run.main[:500], planned.run.main[:500])


def test_leaving_out_a_cause_that_is_not_there_changes_nothing(planned):
    noise = np.random.default_rng(0).normal(0, 0.3, (len(planned.run.rows) + 50000, 2))
    forces = planned.scene.forces
    ran = [mount.run(planned.rig, forces, noise, w).main for w in ("", "no such cause")]
    assert np.array_equal(*ran)


def facts(**changes):
    """A clean frame's facts with changes."""
    round_star = truth.Shape(0.2, 3.0, 0.0)
    plain = {"shape": round_star, "corner": round_star, "depth": 1.0, "patch": 0.0}
    plain |= {"motion": {"wind_trail": 0.1, "flexure": 0.9}, "width": {"focus": 1.0}}
    return truth.Facts(**(plain | {"light": {"cloud": 0.7, "dew": 0.3}} | changes))


@pytest.mark.parametrize(
    ("changes", "verdict", "reasons", "sure"),
    [
        ({}, "keep", (), True),
        ({"shape": truth.Shape(0.8, 3.0, 0.0)}, "reject", ("flexure",), True),
        ({"shape": truth.Shape(0.56, 3.0, 0.0)}, "reject", ("flexure",), False),
        ({"shape": truth.Shape(0.2, 4.6, 0.0)}, "reject", ("focus",), True),
        ({"depth": 0.3}, "reject", ("cloud", "dew"), True),
        ({"depth": 0.58}, "keep", ("cloud", "dew"), False),
    ],
)
def test_truth_follows_the_stated_limits(changes, verdict, reasons, sure):
    found = truth.judge(rig_of(), [facts() for _ in range(8)] + [facts(**changes)])[-1]
    assert (found.verdict, found.reasons, found.sure) == (verdict, reasons, sure)


def test_a_written_night_agrees_with_itself(tmp_path, monkeypatch):
    """Truth names known words, headers fit the camera, the record covers the frames."""
    plain = plan._schedule

    def short(rig, rng):
        return plain(replace(rig, frames=8, exposure=30.0, flip_at=0), rng)

    monkeypatch.setattr(plan, "_schedule", short)
    monkeypatch.setattr(
        plan, "draw_rig", lambda *a: replace(draw_rig(*a), frames=8, exposure=30.0, flip_at=0)
    )
    folder = night.make_night(3, tmp_path)
    rows = [r.split(",") for r in (folder / "truth.csv").read_text().splitlines()[1:]]
    assert len(rows) == len(list(folder.glob("light_*.fits"))) == 8
    for _, verdict, reason, sure, *_ in rows:
        words = set(reason.split(";")) - {""}
        assert words <= WORDS
        assert (verdict == "reject") <= bool(words)
        assert not words or verdict == "reject" or sure == "no"
    head = fits.getheader(folder / "light_002.fits")
    assert head["EXPTIME"] == 30.0
    assert rows[1][5].startswith(head["DATE-OBS"])


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("flipped", [False, True])
def test_the_plate_solution_moves_stars_as_the_path_does(planned, mirror, flipped):
    """A star further north by some arcseconds stands where Astropy's WCS puts it."""
    planned.scene.plan.flipped[2] = flipped
    one = replace(planned, rig=replace(planned.rig, mirror=mirror, turn=37.0))
    head = fits.Header()
    night._solved(head, one, 2)
    wcs = WCS(head)
    ra, dec = head["CRVAL1"], head["CRVAL2"]
    east = np.array([ra + 20.0 / 3600.0 / np.cos(np.radians(dec)), dec])
    north = np.array([ra, dec + 20.0 / 3600.0])
    middle = wcs.wcs_world2pix([[ra, dec]], 0)[0]
    for sky, shift in ((east, [20.0, 0.0]), (north, [0.0, 20.0])):
        found = wcs.wcs_world2pix([sky], 0)[0] - middle
        assert found == pytest.approx(one.rig.to_pixels(flipped) @ shift, abs=0.02)


def samples():
    """A minute of guiding with a lost star and a dither."""
    second = np.arange(30) * 2.0 + 0.4
    error = np.stack([np.sin(second), 0.3 * np.cos(second)], axis=1)
    lost = np.zeros(30, bool)
    lost[7:9] = True
    zero = np.zeros((30, 2))
    dithers = [(31.0, 4.0, -2.0)]
    start = datetime(2034, 3, 4, 23, 59, 40, 250000, tzinfo=UTC)
    return record.Samples(start, second, error, zero, lost, 20.0 + 0 * second, second < 0, dithers)


def numbers(line, separator):
    """The cells of a line."""
    return [c.strip() for c in (line.split(separator) if separator else line.split())]


def test_elapsed_seconds_add_to_the_sections_date():
    s = samples()
    lines = record.sections_text(rig_of(guide_scale=2.0), s, np.random.default_rng(0)).splitlines()
    start = next(x for x in lines if x.startswith("Guiding started"))
    zero = datetime.strptime(start[16:35], "%Y-%m-%d %H:%M:%S").replace(tzinfo=UTC)
    rows = [numbers(x, "\t") for x in lines if x[:1].isdigit()]
    assert len(rows) == 30
    for k in (0, 15, 29):
        when = zero + timedelta(seconds=float(rows[k][0]))
        assert abs((when - s.at(k)).total_seconds()) < 0.01
        assert float(rows[k][1]) * 2.0 == pytest.approx(s.error[k, 0], abs=0.002)
    assert rows[7][1] == "star lost"


def test_camera_axes_turn_back_to_the_sky():
    s, rig = samples(), rig_of(guide_scale=2.5, guide_turn=61.0, guide_mirror=True)
    lines = record.camera_axes(rig, s, np.random.default_rng(0)).splitlines()
    rows = [numbers(x, ",") for x in lines if x[:1].isdigit()]
    angle = np.radians(61.0)
    for k in (0, 20):
        x, y = float(rows[k][1]), float(rows[k][2])
        east = 2.5 * (np.cos(angle) * x + np.sin(angle) * y)
        assert east == pytest.approx(s.error[k, 0], abs=0.005)


@pytest.mark.parametrize("name", sorted(record.LAYOUTS))
def test_every_layout_tells_time_and_rows(name):
    s = samples()
    text = record.LAYOUTS[name](rig_of(), s, np.random.default_rng(1))
    rows = [x for x in text.splitlines() if x.strip()[:1].isdigit()]
    assert len(rows) == (28 if name == "julian_table" else 30)
    separator = next((c for c in "\t;," if c in rows[0]), None)
    assert len({len(numbers(x, separator)) for x in rows}) == 1


def test_only_the_scorer_knows_subgrade():
    for path in FOLDER.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [a.name for a in node.names] if isinstance(node, ast.Import) else []
            outside = [n for n in names if n.split(".")[0] in {"subgrade", "tests"}]
            assert not outside or path.name == "score.py", (path.name, outside)
