"""Whole practice nights: files, truth, record, seeds, refusals, and outside measurements."""

import csv
import hashlib
from dataclasses import replace

import galsim
import numpy as np
import pytest
import sep
from astropy.io import fits
from astropy.wcs import WCS

from subgrade.errors import UsageError
from subgrade.lights import read_light
from subgrade.practice import (
    Event,
    build_night,
    default_scenario,
    render_frame,
    simulate_night,
)
from subgrade.practice.exposure import blur_at, expose, star_light, star_places, zone_path
from subgrade.practice.field import SkyField
from subgrade.practice.night import exposure_of
from subgrade.practice.optics import star_spectrum
from subgrade.practice.profile import star_truth


def small(frames=4, events=(), **camera):
    base = default_scenario(frames=frames, width=200, height=150)
    return replace(base, events=tuple(events), camera=replace(base.camera, **camera))


def star_truth_of(exposure):
    """The star at field centre, on a finer and wider grid than the truth table's."""
    k = 3.0 * np.fft.fftfreq(3 * 96)
    centre = exposure.centre
    spectrum = star_spectrum(blur_at(exposure, centre), zone_path(exposure, centre), k, k)
    return star_truth(spectrum, k, k)


def digest(folder):
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.iterdir())}


@pytest.fixture(scope="module")
def clean_plan():
    base = default_scenario(seed=5, frames=1, width=600, height=500)
    base = replace(base, events=(), target=replace(base.target, galaxies=0, stars_per_arcmin2=1.2))
    camera = replace(base.camera, cosmic_rays_per_frame=0.0, hot_pixels_per_mpx=0.0)
    return build_night(replace(base, camera=camera))


@pytest.fixture(scope="module")
def clean_frame(clean_plan):
    return render_frame(clean_plan, 0)


def test_same_seed_same_bytes_other_seed_other_bytes(tmp_path):
    night = small(frames=2)
    for name, seed in (("a", 7), ("b", 7), ("c", 8)):
        simulate_night(tmp_path / name, night, seed=seed)
    a, b, c = (digest(tmp_path / n) for n in "abc")
    assert a == b
    assert all(a[name] != c[name] for name in a)


def test_a_frame_does_not_depend_on_what_was_rendered_before():
    plan = build_night(small(frames=3))
    alone = render_frame(plan, 2)
    for index in (0, 1, 2):
        again = render_frame(build_night(small(frames=3)), index)
    assert np.array_equal(alone.data, again.data)
    assert alone.truth == again.truth


def test_refuses_a_folder_with_anything_in_it(tmp_path):
    (tmp_path / "my_light.fits").write_bytes(b"precious")
    with pytest.raises(UsageError, match=r"my_light\.fits"):
        simulate_night(tmp_path, small(frames=1))
    assert [p.name for p in tmp_path.iterdir()] == ["my_light.fits"]
    with pytest.raises(UsageError, match="is a file"):
        simulate_night(tmp_path / "my_light.fits", small(frames=1))
    simulate_night(tmp_path / "night", small(frames=1))
    with pytest.raises(UsageError, match="not empty"):
        simulate_night(tmp_path / "night", small(frames=1))


def test_stars_lie_where_the_truth_says_and_measure_as_it_says(clean_plan, clean_frame):
    exposure = exposure_of(clean_plan, 0)
    place = star_places(exposure, clean_plan.field)
    flux, inside = star_light(exposure, clean_plan.field)
    data = clean_frame.data.astype(float)
    sky = sep.Background(np.ascontiguousarray(data), bw=64, bh=64)
    light = data - sky.back()
    e2, sigma, offset = [], [], []
    for i in np.flatnonzero(inside & (flux > 1.5e4) & (flux < 4e5)):
        x, y = place[i]
        others = np.hypot(*(place - place[i]).T)
        others[i] = 99.0
        if not (30 < x < 570 and 30 < y < 470) or (others[flux > 0.01 * flux[i]] < 14).any():
            continue
        ix, iy = round(x), round(y)
        cut = galsim.Image(light[iy - 16 : iy + 17, ix - 16 : ix + 17].copy())
        found = galsim.hsm.FindAdaptiveMom(cut)
        sigma.append(found.moments_sigma)
        e2.append((found.observed_shape.e1, found.observed_shape.e2))
        offset.append(
            (found.moments_centroid.x - 17 - x + ix, found.moments_centroid.y - 17 - y + iy)
        )
    assert len(sigma) >= 8
    truth = clean_frame.truth
    exact = star_truth_of(exposure)
    assert truth.fwhm_px == pytest.approx(exact.fwhm, rel=1e-3)
    assert truth.xx == pytest.approx(exact.xx, rel=1e-3)
    area = (truth.xx * truth.yy - truth.xy**2) ** 0.25
    assert np.median(sigma) == pytest.approx(area, rel=0.01)
    e1, e2 = np.median(e2, axis=0)
    size = truth.xx + truth.yy
    assert e1 == pytest.approx((truth.xx - truth.yy) / size, abs=0.015)
    assert e2 == pytest.approx(2 * truth.xy / size, abs=0.015)
    assert np.abs(np.median(offset, axis=0)).max() < 0.03


def test_sky_noise_and_star_count_match_an_outside_detection(clean_frame):
    data = clean_frame.data.astype(float)
    sky = sep.Background(np.ascontiguousarray(data), bw=64, bh=64)
    truth = clean_frame.truth
    assert sky.globalback == pytest.approx(truth.sky_adu, rel=0.01)
    assert sky.globalrms == pytest.approx(truth.noise_adu, rel=0.06)
    # Matched-filter S/N 20 on this star is a peak of about 20 / sqrt(area) x 2 sigma.
    sources = sep.extract(data - sky.back(), 1.5, err=truth.noise_adu, minarea=5)
    snr = sources["flux"] / (truth.noise_adu * np.sqrt(truth.star_area_px))
    assert np.count_nonzero(snr > 20) == pytest.approx(truth.stars_snr20, rel=0.2)
    assert truth.stars_snr20 >= 60


def test_photon_transfer_gives_the_stated_gain():
    flat = small(frames=1, hot_pixels_per_mpx=0.0, cosmic_rays_per_frame=0.0, read_noise_e=0.0)
    flat = replace(
        flat,
        target=replace(flat.target, stars_per_arcmin2=1e-9, galaxies=0),
        sky=replace(flat.sky, gradient=0.0, mag_arcsec2=17.0),
        optics=replace(flat.optics, vignetting=0.0),
    )
    data = render_frame(build_night(flat), 0).data.astype(float) - flat.camera.bias_adu
    assert data.mean() / data.var() == pytest.approx(flat.camera.gain_e_per_adu, rel=0.03)


def test_bright_star_clips_at_full_well_and_hot_pixels_stay_put():
    plan = build_night(small(frames=2, full_well_e=3000.0, hot_pixels_per_mpx=3000.0))
    first, second = (render_frame(plan, i).data for i in (0, 1))
    limit = 3000.0 / plan.scenario.camera.gain_e_per_adu + plan.scenario.camera.bias_adu
    assert first.max() < limit + 40
    hot = plan.hot.rate > 8.0
    assert hot.sum() > 5
    level = np.median(first) + 100
    for data in (first, second):
        assert (data[plan.hot.y[hot], plan.hot.x[hot]] > level).all()


def test_header_states_times_and_scale_by_the_standard(tmp_path):
    night = small(frames=2, wcs=True, mosaic="RGGB")
    simulate_night(tmp_path, night)
    with fits.open(tmp_path / "light_002.fits") as file:
        header, data = file[0].header, file[0].data
    assert data.dtype == np.uint16
    assert header["BITPIX"] == 16
    assert header["BZERO"] == 32768
    assert header["DATE-OBS"] == "2031-02-18T03:42:22.000"
    assert header["DATE-AVG"] == "2031-02-18T03:43:22.000"
    assert header["BAYERPAT"] == "RGGB"
    scale = 206.264806 * header["PIXSIZE1"] / header["FOCALLEN"]
    assert scale == pytest.approx(night.scale_arcsec, rel=1e-5)
    plan = build_night(night)
    exposure = exposure_of(plan, 1)
    place = star_places(exposure, plan.field)[0]
    # The solver would warn that it worked out MJD and geocentric places from these.
    for word in ("DATE-OBS", "DATE-AVG", "OBSGEO-B", "OBSGEO-L", "OBSGEO-H"):
        del header[word]
    world = WCS(header).pixel_to_world_values(*place)
    east = (world[0] - 172.5) * np.cos(np.deg2rad(32.0)) * 3600
    assert east == pytest.approx(plan.field.east[0], abs=0.1)
    assert (world[1] - 32.0) * 3600 == pytest.approx(plan.field.north[0], abs=0.1)


@pytest.mark.parametrize(("pitch", "stated"), [("binned", 9.08), ("unbinned", 4.54)])
def test_either_pitch_can_be_stated_and_is_read_without_doubt(tmp_path, pitch, stated):
    night = small(frames=1, header_pitch=pitch)
    simulate_night(tmp_path, night)
    assert fits.getheader(tmp_path / "light_001.fits")["PIXSIZE1"] == pytest.approx(stated)
    facts = read_light(tmp_path / "light_001.fits").facts
    assert facts.scale_arcsec == pytest.approx(night.scale_arcsec, rel=1e-5)
    assert facts.binning == (2, 2)
    assert facts.notes == ()


def test_header_holds_what_grading_and_diagnosis_need(tmp_path):
    night = small(frames=1)
    simulate_night(tmp_path, night)
    facts = read_light(tmp_path / "light_001.fits").facts
    assert (facts.frame_type, facts.frame_type_stated) == ("light", True)
    assert (facts.target, facts.filter) == (night.target.name, night.plan.filter)
    assert facts.exposure_s == 120.0
    assert facts.mid_unix - facts.start_unix == pytest.approx(60.0)
    assert (facts.site_lat_deg, facts.site_lon_deg) == (45.0, 10.0)
    assert (facts.ra_deg, facts.dec_deg) == (172.5, 32.0)
    weather = build_night(night).weather[0]
    assert facts.airmass == pytest.approx(weather.airmass, abs=1e-5)
    assert facts.ambient_c == pytest.approx(weather.ambient_c, abs=0.01)
    assert facts.focuser_steps == weather.focuser
    assert facts.saturation_adu > 40000.0


def test_record_tells_time_in_local_clock_and_agrees_with_the_motion(tmp_path):
    night = small(frames=3, events=[Event("dec_drift", 2, 2)])
    simulate_night(tmp_path, night)
    lines = (tmp_path / "guiding.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    plan = build_night(night)
    first = rows[0]["Local time"]
    # Clock = UTC + 1 h + 3.4 s; the first sample ends 1 s after the record's start.
    assert first == "2031-02-18 04:39:24.40"
    remarks = [r["Remark"] for r in rows if r["Remark"]]
    assert any("Dither of" in r for r in remarks)
    samples = [r for r in rows if r["Sample"]]
    assert len(samples) == len(plan.guided.samples)
    begin, end = plan.line.begin[1], plan.line.end[1]
    during = [
        float(r["Dec error (arcsec)"])
        for r, s in zip(samples, plan.guided.samples, strict=True)
        if begin + 1 < s.time < end
    ]
    path = exposure_of(plan, 1).path[:, 1]
    assert during[-1] - during[0] == pytest.approx(path[-1] - path[0], abs=1.2)
    assert all(
        r["Dec correction (ms)"] == "0"
        for r, s in zip(samples, plan.guided.samples, strict=True)
        if begin + 1 < s.time < end
    )


@pytest.mark.parametrize(("clock", "column"), [("time", "Clock"), ("seconds", "Elapsed (s)")])
def test_record_in_pixels_and_other_clocks(tmp_path, clock, column):
    night = small(frames=1)
    arcsec = build_night(night).guided.samples[5].east
    night = replace(night, record=replace(night.record, unit="px", clock=clock, separator=";"))
    simulate_night(tmp_path, night)
    lines = [
        line
        for line in (tmp_path / "guiding.csv").read_text().splitlines()
        if not line.startswith("#")
    ]
    row = next(r for r in csv.DictReader(lines, delimiter=";") if r["Sample"] == "6")
    assert column in row
    assert float(row["RA error (px)"]) * 206.264806 * 9 / 1900 == pytest.approx(arcsec, abs=2e-3)


@pytest.mark.parametrize(
    ("event", "effect"),
    [
        (Event("seeing", 3, 3, size=1.6), lambda a, b: b.fwhm_px > 1.3 * a.fwhm_px),
        (Event("dew", 3, 3, size=0.5), lambda a, b: b.fwhm_px > a.fwhm_px and b.light < 0.6),
        (Event("focus", 3, 3, size=500.0), lambda a, b: b.fwhm_px > 1.6 * a.fwhm_px),
        (Event("sky_glow", 3, 3, size=5.0), lambda a, b: b.noise_adu > 1.8 * a.noise_adu),
        (Event("wrong_frame", 3, 3, size=0.25), lambda a, b: b.exposure_s == 30.0),
        (
            Event("field_rotation", 3, 3, size=40.0),
            lambda a, b: b.turn_arcsec == pytest.approx(40 * 120.0, rel=0.02),
        ),
    ],
)
def test_other_causes_act_in_their_frame_only(event, effect):
    plan = build_night(small(frames=4, events=[event]))
    before, spoilt, after = (render_frame(plan, i).truth for i in (1, 2, 3))
    assert effect(before, spoilt)
    assert after.fwhm_px == pytest.approx(before.fwhm_px, rel=0.12)
    assert after.light == 1.0


def test_trail_crosses_the_frame_and_long_trail_is_rendered_in_pieces():
    streak = build_night(small(frames=2, events=[Event("satellite_trail", 2, 2, size=3000.0)]))
    plain, crossed = (np.median(render_frame(streak, i).data, axis=None) for i in (0, 1))
    data = render_frame(streak, 1).data.astype(float)
    assert crossed == pytest.approx(plain, rel=0.05)
    assert np.count_nonzero(data > np.median(data) + 800) > 150
    slipping = Event("tracking_lost", 2, 2, kind="slipping", size=0.03, at=0.2, duration_s=80.0)
    drawn = render_frame(build_night(small(frames=2, events=[slipping])), 1).truth
    length = 15.041069 * 0.03 * 80.0 * np.cos(np.deg2rad(32.0)) / streak.scenario.scale_arcsec
    assert drawn.motion_extent_px == pytest.approx(length, rel=0.15)
    stalled = build_night(
        small(frames=2, events=[Event("tracking_lost", 2, 2, size=1.0, at=0.4, duration_s=60.0)])
    )
    truth = render_frame(stalled, 1).truth
    assert truth.motion_extent_px > 500
    assert np.isnan(truth.fwhm_px)


def test_one_sided_tail_does_not_wrap_round_its_stamp():
    late = Event("dither_overlap", 2, 2, size=30.0, at=0.05)
    plan = build_night(small(frames=2, events=[late]))
    exposure = exposure_of(plan, 1)
    one = np.zeros(1)
    star = SkyField(one, one, np.array([13.0]), np.ones((1, 3)), one)
    light = expose(exposure, star).stars
    flux, _ = star_light(exposure, star)
    assert light.sum() == pytest.approx(flux[0], rel=1e-3)
    path = (exposure.path - np.median(exposure.path, axis=0)) @ exposure.matrix.T
    tail = path[0] / np.hypot(*path[0])
    core = star_places(exposure, star)[0] - path.mean(axis=0)
    y, x = np.indices(light.shape)
    along = (x - core[0]) * tail[0] + (y - core[1]) * tail[1]
    assert light[along < -9].sum() < 2e-3 * flux[0]
    assert light[along > 9].sum() > 2e-2 * flux[0]


def test_damaged_file_cannot_be_read_whole(tmp_path):
    truths = simulate_night(tmp_path, small(frames=2, events=[Event("unreadable", 2, 2)]))
    assert truths[1].verdict == "unreadable"
    whole, cut = (tmp_path / f"light_00{i}.fits" for i in (1, 2))
    assert cut.stat().st_size < 0.7 * whole.stat().st_size


def test_compressed_frames_hold_the_same_pixels(tmp_path):
    night = small(frames=1)
    simulate_night(tmp_path / "plain", night)
    simulate_night(tmp_path / "packed", night, compress=True)
    plain = fits.getdata(tmp_path / "plain" / "light_001.fits")
    packed = fits.getdata(tmp_path / "packed" / "light_001.fits.fz")
    assert packed.dtype == np.uint16
    assert np.array_equal(plain, packed)
    size = [next((tmp_path / n).glob("light*")).stat().st_size for n in ("plain", "packed")]
    assert size[1] < 0.75 * size[0]


def test_a_night_that_follows_a_comet_is_good_although_its_stars_are_lines(tmp_path):
    base = small(frames=4, events=[Event("flexure", 3, 3, size=8.0, angle_deg=0.0)])
    night = replace(base, plan=replace(base.plan, follow_arcsec_per_h=300.0, follow_pa_deg=110.0))
    truths = simulate_night(tmp_path / "comet", night)
    assert [t.verdict for t in truths] == ["keep", "keep", "reject", "keep"]
    # 10 arcsec of trail over stars of 2.4: what the frame shows is far past any limit.
    assert all(t.eccentricity > 0.9 for t in truths if t.verdict == "keep")
