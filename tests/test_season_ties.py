"""Series tied by their stars: ratios, errors, turns and clear levels against the truth."""

from __future__ import annotations

import json

import numpy as np
import pytest

from subgrade.night.weights import sky_limited_weights
from subgrade.season.fields import fields_of
from subgrade.season.gather import read_nights
from subgrade.season.ties import frame_depth, tie_nights
from tests.season_nights import Plan, Sky, write_night

SKY = Sky.random(3, stars=700)


def day(n: int) -> str:
    return f"2030-03-{10 + n}T20:00:00Z"


def tied(tmp_path, plans, sky=SKY):
    """Nights of one plan each, and their tied fields."""
    folders = [write_night(tmp_path / str(n), [plan], sky, 50 + n) for n, plan in enumerate(plans)]
    nights, problems = read_nights(folders)
    assert problems == ()
    return nights, tie_nights(nights)


def check(plans, field) -> None:
    """Ratios within four of their own errors and 2 % of the plans'."""
    counts = [plan.ratio * plan.exposure_s for plan in plans]
    for tie in field.ties:
        truth = counts[tie.night] / counts[field.ties[field.reference].night]
        assert tie.ratio == pytest.approx(truth, rel=0.02)
        assert abs(tie.ratio - truth) <= 4 * tie.error


def test_exposure_gain_flip_turn_and_pointing(tmp_path):
    plans = [
        Plan(day(0), 8),
        Plan(day(1), 8, ratio=0.4, exposure_s=300.0, turn_deg=180.0, centre=90 - 60j),
        Plan(day(2), 8, ratio=2.5, exposure_s=30.0, turn_deg=53.0, target="ngc7000"),
        Plan(day(3), 8, mirrored=True, turn_deg=10.0, transparency=0.6, target="NGC 7000 "),
    ]
    _, (field,) = tied(tmp_path, plans)
    check(plans, field)
    base = plans[field.ties[field.reference].night]
    for k, plan in enumerate(plans):
        assert field.mirrored[k] == (plan.mirrored != base.mirrored)
        if not field.mirrored[k]:
            turn = (base.turn_deg - plan.turn_deg) * (-1 if base.mirrored else 1)
            assert np.cos(np.radians(field.turn_deg[k] - turn)) > 0.9999


def test_another_scale_and_binning(tmp_path):
    plans = [
        Plan(day(0), 8),
        Plan(day(1), 8, scale=0.8, shape=(1500, 1600), ratio=0.5, noise_adu=8.0, turn_deg=5.0),
        Plan(day(2), 8, scale=3.0, binning=(2, 2), shape=(500, 600), ratio=1.3),
        # no header states its scale: the binning has to do
        Plan(day(3), 8, scale=None, true_scale=3.0, binning=(2, 2), shape=(500, 600), ratio=2.0),
    ]
    _, (field,) = tied(tmp_path, plans)
    check(plans, field)
    base = plans[field.ties[field.reference].night]
    for tie, plan in zip(field.ties, plans, strict=True):
        scale = (plan.scale or plan.true_scale) / (base.scale or base.true_scale)
        assert tie.scale == pytest.approx(scale, rel=2e-3)


def test_a_scale_that_no_header_states_is_seen_from_the_stars(tmp_path):
    plans = [
        Plan(day(0), 8, camera="A"),
        Plan(day(1), 8, camera="B", scale=None, true_scale=2.2, shape=(900, 1000), turn_deg=100.0),
        Plan(day(2), 8, camera="C", scale=None, true_scale=1.1, shape=(900, 1000), mirrored=True),
    ]
    _, (field,) = tied(tmp_path, plans)
    check(plans, field)
    assert {round(tie.scale, 2) for tie in field.ties} in ({1.0, 1.47, 0.73}, {1.0, 0.68, 0.5})


def test_headers_without_target_and_pointing_go_by_their_stars(tmp_path):
    other = Sky.random(77, stars=700)
    plans = [
        (Plan(day(0), 6), SKY),
        (Plan(day(1), 6, target=None), SKY),
        (Plan(day(2), 6, target=None), other),
        (Plan(day(3), 6, target=None, turn_deg=180.0), other),
        (Plan(day(4), 6, target=None, filter="R"), SKY),
    ]
    folders = [
        write_night(tmp_path / str(n), [plan], sky, 50 + n) for n, (plan, sky) in enumerate(plans)
    ]
    nights, _ = read_nights(folders)
    found = tie_nights(nights)
    members = sorted([n for n, _ in field.field.members] for field in found)
    assert members == [[0, 1], [2, 3], [4]]
    assert all(np.isfinite(tie.ratio) for field in found for tie in field.ties)


def test_a_night_beside_the_others_is_tied_through_one_between(tmp_path):
    # frames 1800 arcsec wide, steps of 1100: the first and the last share no star
    plans = [
        Plan(day(k), 8, ratio=0.8 + 0.2 * k, centre=complex(1100 * (k - 1), 0)) for k in range(3)
    ]
    _, (field,) = tied(tmp_path, plans, Sky.random(4, stars=2500))
    check(plans, field)


def test_another_field_is_not_tied_and_says_so(tmp_path):
    plans = [Plan(day(0), 6), Plan(day(1), 6)]
    folders = [
        write_night(tmp_path / "a", [plans[0]], SKY, 1),
        write_night(tmp_path / "b", [plans[1]], Sky.random(99, stars=700), 2),
    ]
    nights, _ = read_nights(folders)
    (field,) = tie_nights(nights)
    lost = [tie for tie in field.ties if not np.isfinite(tie.ratio)]
    assert len(lost) == 1
    assert "do not match" in lost[0].note


def test_without_measurements_there_is_no_tie(tmp_path):
    folders = [
        write_night(tmp_path / "a", [Plan(day(0), 6)], SKY, 1),
        write_night(tmp_path / "b", [Plan(day(1), 6)], SKY, 2, measured=False),
    ]
    nights, _ = read_nights(folders)
    (field,) = tie_nights(nights)
    assert field.ties[0].ratio == 1
    assert np.isnan(field.ties[1].ratio)
    assert "measurements" in field.ties[1].note


def test_damaged_measurements_are_passed_over(tmp_path):
    plans = [Plan(day(0), 9), Plan(day(1), 9, ratio=0.5)]
    folders = [write_night(tmp_path / str(n), [p], SKY, n) for n, p in enumerate(plans)]
    nights, _ = read_nights(folders)
    best = np.argsort(-nights[1].frames.weight)
    for k in best[:2]:
        (folders[1] / "measured" / f"{nights[1].frames.key[k]}.kept").write_bytes(b"damaged")
    check(plans, tie_nights(nights)[0])


def test_filters_are_apart_and_silent_targets_go_by_pointing(tmp_path):
    plans = [
        Plan(day(0), 4, radec=(300.0, 40.0)),
        Plan(day(1), 4, filter="R", radec=(300.0, 40.0)),
        Plan(day(2), 4, target=None, radec=(300.1, 40.1)),
        Plan(day(3), 4, target=None, radec=(10.0, 40.0)),
        Plan(day(4), 4, target="M 31", radec=(10.0, 41.0)),
    ]
    nights, _ = tied(tmp_path, plans)
    found = {(f.target, f.filter): [n for n, _ in f.members] for f in fields_of(nights)}
    assert found == {
        ("NGC 7000", "L"): [0, 2],
        ("NGC 7000", "R"): [1],
        ("M 31", "L"): [4],
        (None, "L"): [3],
    }


def test_clear_levels_of_one_setup_compare_across_exposures(tmp_path):
    plans = [
        Plan(day(0), 8, ratio=1.0),
        Plan(day(1), 8, ratio=0.7, exposure_s=60.0),
        Plan(day(2), 8, ratio=0.7 * 10 ** (-0.4 * 0.2 * 0.8), airmass=1.8),
        Plan(day(3), 8, ratio=1.7, scale=0.9),
    ]
    _, (field,) = tied(tmp_path, plans)
    clear = [tie.clear for tie in field.ties]
    # one header states no airmass: altitude stays in
    assert clear[:2] == pytest.approx([1.0, 0.7], rel=0.02)
    assert clear[2] == pytest.approx(0.7 * 10 ** (-0.4 * 0.2 * 0.8), rel=0.02)
    assert np.isnan(clear[3])
    assert "no other night" in field.ties[3].note


def test_nights_of_one_folder_have_a_clear_level_each(tmp_path):
    haze = 0.7
    plans = [Plan(day(0), 9), Plan(day(1), 9, transparency=haze)]
    folder = write_night(tmp_path / "a", plans, SKY)
    session = json.loads((folder / "session.json").read_text("utf-8"))
    for frame in session["frames"]:
        frame["group"] = 0
    (folder / "session.json").write_text(json.dumps(session), "utf-8")
    nights, _ = read_nights([folder])
    (field,) = tie_nights(nights)
    assert [tie.ratio for tie in field.ties] == pytest.approx([1, haze], rel=0.02)
    assert [tie.clear for tie in field.ties] == pytest.approx([1, haze], rel=0.02)
    assert np.median(nights[1].frames.transparency) == pytest.approx(1, rel=0.01)


def test_colours_between_cameras_are_within_the_errors(tmp_path):
    plans = [Plan(day(0), 8), Plan(day(1), 8, colour=0.1, ratio=2.0, camera="B")]
    _, (field,) = tied(tmp_path, plans)
    check(plans, field)
    other = field.ties[1 - field.reference]
    # the scatter of 10 % over the root of the stars in common, at least
    assert other.error / other.ratio > 0.1 / np.sqrt(other.stars)
    assert 0.05 < field.scatter < 0.15


def test_starlight_lost_to_altitude_is_no_haze(tmp_path):
    plans = [
        Plan(day(0), 8, airmass=1.0),
        Plan(day(1), 8, airmass=1.8, ratio=0.9 * 10 ** (-0.4 * 0.2 * 0.8)),
    ]
    _, (field,) = tied(tmp_path, plans)
    assert [tie.clear for tie in field.ties] == pytest.approx([1.0, 0.9], rel=0.02)


def test_another_gain_is_another_scale_of_clear_levels(tmp_path):
    plans = [Plan(day(0), 6, gain=0.0), Plan(day(1), 6, gain=100.0, ratio=3.0), Plan(day(2), 6)]
    _, (field,) = tied(tmp_path, plans)
    assert all(np.isnan(tie.clear) for tie in field.ties)


def test_weights_within_a_night_are_those_of_its_own_results(tmp_path):
    rng = np.random.default_rng(2)
    plan = Plan(
        frames=12,
        transparency=rng.uniform(0.6, 1, 12),
        fwhm_arcsec=rng.uniform(2.5, 4, 12),
        noise_adu=rng.uniform(8, 15, 12),
        rejects={4: "cloud"},
    )
    (night,), (field,) = tied(tmp_path, [plan])
    depth = frame_depth(night, 0, field.ties[0].ratio)
    kept = night.frames.kept
    assert np.isnan(depth[~kept]).all()
    np.testing.assert_allclose(depth[kept] / np.nanmax(depth), night.frames.weight[kept], atol=2e-3)
    table = night.frames
    own = sky_limited_weights(
        *(v[kept] for v in (table.transparency, table.noise_adu, table.fwhm_px))
    )
    np.testing.assert_allclose(depth[kept] / np.nanmax(depth), own, rtol=1e-9)


def pulls(tmp_path, seeds, stars: int) -> np.ndarray:
    """Errors of ratios over the errors they state, of four nights a seed that differ in all."""
    found = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        plans = [
            Plan(
                day(n),
                6,
                ratio=float(np.exp(rng.normal(0, 0.4))),
                exposure_s=float(rng.choice([60, 120, 300])),
                turn_deg=float(rng.uniform(0, 360)),
                centre=complex(*rng.normal(0, 150, 2)),
                transparency=rng.uniform(0.7, 1, 6),
            )
            for n in range(4)
        ]
        place = tmp_path / str(seed)
        sky = Sky.random(seed, stars=stars)
        folders = [
            write_night(place / str(n), [p], sky, 10 * seed + n) for n, p in enumerate(plans)
        ]
        (field,) = tie_nights(read_nights(folders)[0])
        counts = [p.ratio * p.exposure_s for p in plans]
        for k, tie in enumerate(field.ties):
            if k != field.reference:
                found.append((tie.ratio - counts[k] / counts[field.reference]) / tie.error)
    return np.array(found)


@pytest.mark.slow
@pytest.mark.parametrize("stars", [100, 1200])
def test_errors_of_ratios_are_honest(tmp_path, stars):
    found = pulls(tmp_path, range(100), stars)
    assert np.isfinite(found).all()
    # standard error of a scatter of 300 values is 4 %, of their mean 6 %; three values share
    # each reference
    assert 0.75 < found.std() < 1.2
    assert abs(found.mean()) < 0.3
    assert np.abs(found).max() < 5


def test_a_target_in_other_spellings_is_one_all_through(tmp_path):
    from subgrade.season.season import season_of

    sky = Sky.random(5, stars=500)
    names = ("NGC 7000", "ngc7000", "NGC 7000")
    folders = [
        write_night(
            tmp_path / str(k), [Plan(f"2030-03-1{k}T20:00:00Z", 6, target=name)], sky, seed=k
        )
        for k, name in enumerate(names)
    ]
    season = season_of(folders)
    assert {s.target for n in season.nights for s in n.series} == {"NGC 7000"}
    (clear,) = [h for h in season.histories if h.key == "clear_level"]
    assert [p.night for p in clear.points] == [0, 1, 2]
