"""Star matching and registration on synthetic lists: robustness, and no false matches."""

import numpy as np
import pytest

from subgrade.night import compare_night
from subgrade.night.matching import FALSE_ALARMS, Pattern, log10_false_alarms, match_stars
from subgrade.night.sensor_defects import distinct_pointings, find_defects
from subgrade.night.similarity import Similarity, fit_similarity
from tests.night_fields import Sky, frame_of, make_frame, make_night, make_sky

WIDTH, HEIGHT = 4000, 3000
CENTRE = 2000 + 1500j


def two_views(rng, stars=500, keep=1.0, brightest=False, turn=0.0, shift=0j, scale=1.0, false=0.0):
    """A pattern and a second view of the same sky, both brightest first."""
    sky = make_sky(rng, stars)
    order = np.argsort(-sky.flux)
    z = sky.z[order]
    seen = (z - CENTRE) * scale * np.exp(1j * np.radians(turn)) + CENTRE + shift
    seen = seen + rng.normal(0, 0.15, len(z)) + 1j * rng.normal(0, 0.15, len(z))
    view = seen[on_frame(seen)]
    if brightest:
        view = view[: int(keep * len(view))]
    else:
        view = view[rng.random(len(view)) < keep]
    extra = rng.uniform(0, WIDTH, int(false * len(view))) + 1j * rng.uniform(
        0, HEIGHT, int(false * len(view))
    )
    view = np.insert(view, rng.integers(0, len(view) + 1, len(extra)), extra)
    return z[on_frame(z)], view


def on_frame(z):
    return (z.real > 0) & (z.real < WIDTH) & (z.imag > 0) & (z.imag < HEIGHT)


CASES = {
    "a tenth left, random": {"keep": 0.1},
    "a tenth left, the brightest": {"keep": 0.1, "brightest": True},
    "half the field": {"shift": 2000 + 0j},
    "a quarter of the field in common": {"shift": 2000 + 1500j},
    "meridian flip": {"turn": 180.2, "shift": 300 - 200j},
    "any rotation": {"turn": 37.0},
    "any rotation, a tenth left": {"turn": 211.0, "keep": 0.1},
    "larger by 2 %": {"scale": 1.02, "shift": 80 + 5j},
    "turned and smaller by 2 %": {"scale": 0.98, "turn": 90.0, "keep": 0.4},
    "as many false as true": {"false": 1.0, "keep": 0.5},
    "false, cloud and dither": {"false": 0.5, "keep": 0.1, "shift": 800 + 500j},
    "some fifteen stars": {"stars": 15, "shift": 60 - 40j},
}


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES)
def test_matches_through_cloud_turns_and_false_detections(case):
    for seed in range(3):
        rng = np.random.default_rng(seed)
        options = CASES[case]
        pattern, view = two_views(rng, **options)
        match = match_stars(view, np.linspace(2, 1, len(view)), Pattern(pattern), 3.0)
        assert match is not None
        truth = CENTRE + options.get("shift", 0j)
        assert abs(match.transform(truth) - CENTRE) < 0.6
        assert match.transform.scale == pytest.approx(1 / options.get("scale", 1), abs=2e-3)
        assert match.rms_px < 1.0


@pytest.mark.parametrize("turn", [1, -1])
def test_five_stars_are_enough_and_two_are_not(turn):
    z = np.array([700 + 400j, 3100 + 500j, 1900 + 1600j, 900 + 2500j, 3300 + 2300j])
    seen = turn * (z - CENTRE) + CENTRE + 40 + 25j
    match = match_stars(seen, np.linspace(2, 1, 5), Pattern(z), 3.0)
    assert len(match) == 5
    assert abs(match.transform(seen[0]) - z[0]) < 1e-6
    # With two of the five lost and two false ones in their place, three still tell.
    seen[3:] = [500 + 2900j, 3900 + 90j]
    assert len(match_stars(seen, np.linspace(2, 1, 5), Pattern(z), 3.0)) == 3
    assert match_stars(seen[:2], np.ones(2), Pattern(z), 3.0) is None


@pytest.mark.parametrize(("stars", "trials"), [(5, 150), (12, 150), (40, 40), (150, 4)])
def test_unrelated_fields_do_not_match(stars, trials):
    rng = np.random.default_rng(stars)
    for _ in range(trials):
        one, other = (
            rng.uniform(0, WIDTH, stars) + 1j * rng.uniform(0, HEIGHT, stars) for _ in range(2)
        )
        assert match_stars(one, np.linspace(2, 1, stars), Pattern(other), 3.0) is None


def test_false_alarm_bound_holds_where_accidents_can_be_counted():
    # At a loose bound accidents do happen; their number must not exceed the bound.
    rng = np.random.default_rng(2)
    n, radius, side, accidents, trials = 12, 20.0, 1000, 0, 150
    chance = np.pi * radius**2 / side**2
    for _ in range(trials):
        p = rng.uniform(0, side, n) + 1j * rng.uniform(0, side, n)
        q = rng.uniform(0, side, n) + 1j * rng.uniform(0, side, n)
        tree = Pattern(q)
        best = 0
        for shift in (q[None, :] - p[:, None]).ravel():
            moved = p + shift
            near = tree.tree.query(np.column_stack([moved.real, moved.imag]))[0] < radius
            best = max(best, int(near.sum()))
        accidents += log10_false_alarms(best, n, n * chance, n, n, 1) < -1
    assert accidents <= 0.1 * trials + 3 * np.sqrt(0.1 * trials)
    assert log10_false_alarms(2, 5, 1e-5, 5, 5, 1) > np.log10(FALSE_ALARMS)
    assert log10_false_alarms(4, 5, 1e-5, 5, 5, 1) < np.log10(FALSE_ALARMS)


@pytest.mark.slow
@pytest.mark.parametrize("turn", [0.7, 1.5, 2.0, 2.6, 4.0])
def test_a_crowded_field_a_little_turned_is_not_laid_by_one_corner(turn):
    """Near one spot the stars of a dense field agree at a rotation off by degrees."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        pattern, view = (z / 4 for z in two_views(rng, 800, 0.95, turn=turn, shift=60 - 40j))
        match = match_stars(view, np.linspace(2, 1, len(view)), Pattern(pattern), 3.0)
        assert match is not None
        assert match.transform.rotation_deg == pytest.approx(-turn, abs=0.02)
        assert match.transform.scale == pytest.approx(1, abs=2e-4)
        assert len(match) > 0.8 * match.overlap


def test_robust_fit_against_scikit_image():
    transform = pytest.importorskip("skimage.transform")
    rng = np.random.default_rng(4)
    p = rng.uniform(0, 4000, 80) + 1j * rng.uniform(0, 3000, 80)
    true = Similarity(1.013 * np.exp(1j * np.radians(12.3)), 55 - 20j)
    q = true(p)
    fit, rms = fit_similarity(p, q)
    other = transform.SimilarityTransform.from_estimate(
        np.column_stack([p.real, p.imag]), np.column_stack([q.real, q.imag])
    )
    assert rms < 1e-6
    assert fit.rotation_deg == pytest.approx(np.degrees(other.rotation), abs=1e-8)
    assert fit.scale == pytest.approx(other.scale, rel=1e-9)
    assert fit.b == pytest.approx(complex(*other.translation), abs=1e-5)
    q = q + rng.normal(0, 0.2, 80) + 1j * rng.normal(0, 0.2, 80)
    q[:16] += rng.uniform(-30, 30, 16)  # a fifth are wrong pairs
    fit, rms = fit_similarity(p, q)
    assert abs(fit(CENTRE) - true(CENTRE)) < 0.15
    assert rms == pytest.approx(0.2 * np.sqrt(2), rel=0.1)
    back = fit.inverse().after(fit)
    assert abs(back(123 + 45j) - (123 + 45j)) < 1e-9


def test_a_repeating_grid_is_refused_with_the_reason():
    x, y = np.meshgrid(np.arange(-3000, 7000, 100), np.arange(-3000, 6000, 100))
    grid = Sky((x + 1j * y + 50 + 50j).ravel(), np.full(x.size, 1e5))
    night = compare_night(make_night(np.random.default_rng(1), grid, 4, dither=30))
    assert all(not c.registration.ok and "grid" in c.registration.note for c in night.compared)
    assert not Pattern(two_views(np.random.default_rng(1))[0]).repeats(3.0)


def test_doubled_stars_register_on_the_brighter_image_and_keep_their_light():
    rng = np.random.default_rng(6)
    frames = make_night(rng, make_sky(rng, 200), 8, shift=[20.0 * k + 5j * k for k in range(8)])
    step = 12 + 7j
    old = frames[4]
    c = old.stars.catalogue
    z = c.x + 1j * c.y
    flux = np.concatenate([0.6 * c.flux, 0.4 * c.flux])
    frames[4] = frame_of(
        np.concatenate([z, z + step]),
        flux,
        flux / 100,
        np.zeros(2 * len(z), int),
        old.name,
        WIDTH,
        HEIGHT,
        old.facts,
        100.0,
        shape_status="doubled",
        length_px=abs(step),
        angle_deg=np.degrees(np.angle(step)),
    )
    night = compare_night(frames)
    registrations = [c.registration for c in night.compared]
    apart = registrations[3].dx - registrations[4].dx, registrations[3].dy - registrations[4].dy
    assert apart == pytest.approx((20, 5), abs=0.2)
    assert night.compared[4].transparency == pytest.approx(1, abs=0.01)


def test_hot_pixels_are_found_dropped_and_do_not_fake_a_standing_sky():
    rng = np.random.default_rng(7)
    hot = rng.uniform(0, WIDTH, 40) + 1j * rng.uniform(0, HEIGHT, 40)
    frames = make_night(rng, make_sky(rng, 30), 10, hot=hot, dither=20)
    night = compare_night(frames)
    found = night.groups[0].hot_pixels
    assert len(found) == 40
    assert np.abs(np.sort_complex(found @ [1, 1j]) - np.sort_complex(hot)).max() < 0.3
    assert all(c.hot_mask.sum() == 40 for c in night.compared)
    moved = [np.hypot(c.registration.dx, c.registration.dy) for c in night.compared]
    assert np.median(moved) > 5


@pytest.mark.parametrize("shifts", [[0j] * 8, [0.3 * k + 0j for k in range(8)]])
def test_no_claim_of_hot_pixels_without_dither(shifts):
    rng = np.random.default_rng(8)
    night = compare_night(make_night(rng, make_sky(rng, 100), 8, shift=shifts))
    assert night.groups[0].hot_pixels is None
    assert all(c.hot_mask is None for c in night.compared)


def test_slow_drift_and_pauses_do_not_make_defects_of_stars():
    rng = np.random.default_rng(9)
    # Ten frames at each of five places: every star recurs in its pixel ten times.
    shifts = [25.0 * (k // 10) + 0.01j * k for k in range(50)]
    night = compare_night(make_night(rng, make_sky(rng, 150), 50, shift=shifts))
    assert len(night.groups[0].hot_pixels) == 0


def test_distinct_pointings_count_what_a_star_cannot_follow():
    assert distinct_pointings(np.array([0, 0.5, 1.0, 1.5j, 0.7 + 0.7j])) == 1
    assert distinct_pointings(np.array([0, 5, 10, 10.5, np.nan])) == 3
    nothing = find_defects([np.zeros(0, complex)] * 3, np.array([0, 5, 10j]), 1e6)
    assert len(nothing.x) == 0


def test_slowly_turning_field_is_followed():
    rng = np.random.default_rng(10)
    turns = [0.5 * k for k in range(16)]
    night = compare_night(make_night(rng, make_sky(rng, 150), 16, rotation=turns))
    reference = night.groups[0].reference
    for k, c in enumerate(night.compared):
        assert c.registration.rotation_deg == pytest.approx(turns[reference] - turns[k], abs=0.01)


def test_trailed_frame_registers_and_empty_ones_say_why():
    rng = np.random.default_rng(11)
    sky = make_sky(rng, 200)
    frames = make_night(rng, sky, 8)
    drawn = {"shape_status": "trailed", "length_px": 25.0, "fwhm_px": 12.0}
    frames[2] = make_frame(
        rng, sky, frames[2].name, facts=frames[2].facts, jitter=2.0, keep=0.5, **drawn
    )
    frames[5] = make_frame(rng, Sky(sky.z[:0], sky.flux[:0]), frames[5].name, facts=frames[5].facts)
    night = compare_night(frames)
    assert night.compared[2].registration.ok
    assert night.compared[2].registration.matched > 60
    assert not night.compared[5].registration.ok
    assert night.compared[5].registration.note == "no stars to match"
    assert night.compared[5].group == 0
