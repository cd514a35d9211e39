"""Shapes over the field in closed form: a turn's centre and angle, and what optics do."""

from dataclasses import replace

import numpy as np
import pytest

from subgrade.judging import judge_night, load_limits
from subgrade.night.field_pattern import (
    fixed_pattern,
    split_field,
    turning,
    usual_corner,
)
from subgrade.stars.model import ShapeField
from subgrade.stars.motion.trail_removed import read_box
from tests.judged_nights import Shot, night_of, steady

LIMITS = load_limits()
HALF, X0, Y0, STAR = 781.0, 600.0, 500.0, 1.7
POWERS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))
NOISE = 0.02


def field(*patterns, seed=None, errors=NOISE) -> ShapeField:
    """Quadratics fitted to shapes sampled over the frame, as the measuring stage does."""
    grid = np.array(
        [(u, v) for u in np.linspace(-0.75, 0.75, 15) for v in np.linspace(-0.6, 0.6, 12)]
    )
    u, v = grid.T
    shapes = np.zeros((3, len(u)))
    shapes[:2] += STAR
    for pattern in patterns:
        shapes += pattern(u, v)
    basis = np.column_stack([u**i * v**j for i, j in POWERS])
    c = np.linalg.lstsq(basis, shapes.T, rcond=None)[0].T
    if seed is not None:
        c = c + errors * np.random.default_rng(seed).standard_normal(c.shape)
    return ShapeField(c, np.full((3, 6), errors), X0, Y0, HALF, 200)


def turn(angle_deg, x, y):
    """Arcs about (x, y) px, as the adaptive weight reads them."""

    def pattern(u, v):
        du, dv = u - (x - X0) / HALF, v - (y - Y0) / HALF
        far = np.hypot(du, dv)
        arc = (far * HALF * np.radians(angle_deg)) ** 2 / 12
        read = read_box(arc, STAR) / np.maximum(far, 1e-9) ** 2
        return np.array([read * dv**2, read * du**2, -read * du * dv])

    return pattern


def tilt(size, angle_deg=20.0):
    """Astigmatism that grows along one direction and changes sign across the middle."""

    def pattern(u, v):
        t = np.radians(angle_deg)
        along = size * (u * np.cos(t) + v * np.sin(t))
        return np.array([along, -along, 0.4 * along])

    return pattern


def astigmatism(size):
    """Lines round the axis, growing as the square: what a turn about the middle looks like."""

    def pattern(u, v):
        return size * np.array([v * v - u * u, u * u - v * v, -2 * u * v]) + size * (u * u + v * v)

    return pattern


def coma(size):
    """Tails away from the middle, one axis drawn out as the square of the distance."""

    def pattern(u, v):
        return size * np.array([u * u, v * v, u * v])

    return pattern


@pytest.mark.parametrize(("x", "y"), [(600.0, 500.0), (150.0, 800.0), (600.0, -300.0)])
@pytest.mark.parametrize("angle", [0.15, 0.35])
def test_centre_and_angle_of_a_turn_come_out_within_their_errors(x, y, angle):
    off = []
    for seed in range(12):
        seen = turning(field(turn(angle, x, y), seed=seed))
        assert abs(seen.angle_deg - angle) < 3 * seen.angle_error_deg
        assert seen.angle_error_deg < 0.15 * angle
        off.append(((seen.x - x) / seen.x_error, (seen.y - y) / seen.y_error))
    # Far off the frame the arcs are longest and the quadratics follow them least.
    assert np.sqrt(np.mean(np.square(off))) < 3.0


def test_errors_of_the_centre_are_those_of_repeated_draws():
    seen = [turning(field(turn(0.2, 400.0, 650.0), seed=k)) for k in range(60)]
    for name in ("x", "y"):
        scatter = np.std([getattr(s, name) for s in seen])
        assert np.mean([getattr(s, f"{name}_error") for s in seen]) == pytest.approx(
            scatter, rel=0.4
        )


def test_a_fixed_tilt_is_taken_out_before_the_turn_is_fitted():
    fields = [field(tilt(1.2), coma(0.8), seed=k) for k in range(12)]
    turned = [field(tilt(1.2), coma(0.8), turn(0.3, 700.0, 300.0), seed=30 + k) for k in range(3)]
    fixed = fixed_pattern(fields + turned, 0.0)
    assert fixed.worst_eccentricity > 0.55
    blind = [turning(f) for f in turned]
    split = [split_field(f, fixed).turning for f in turned]
    for without, seen in zip(blind, split, strict=True):
        assert abs(seen.angle_deg - 0.3) < 3 * seen.angle_error_deg
        miss = np.hypot(seen.x - 700, seen.y - 300)
        assert miss < 60
        # The pattern left in would have moved the centre.
        assert np.hypot(without.x - 700, without.y - 300) > 2 * miss


def test_split_hands_on_the_common_shape_with_its_error():
    split = split_field(field(tilt(1.0)))
    assert split.common == pytest.approx((STAR, STAR, 0.0), abs=1e-6)
    assert split.common_error == (NOISE,) * 3
    assert split.fixed is None
    assert split_field(None) is None


def test_only_the_registration_tells_astigmatism_from_a_field_that_turns_all_night():
    optics = [field(astigmatism(1.5), seed=k) for k in range(12)]
    fixed = fixed_pattern(optics, 0.0)
    assert fixed.turn_deg == 0.0
    assert fixed.worst_eccentricity > 0.55
    turned = [field(turn(0.35, 600.0, 500.0), seed=k) for k in range(12)]
    shared = fixed_pattern(turned, 0.36)
    assert shared.turn_deg == pytest.approx(0.35, rel=0.06)
    assert shared.worst_eccentricity < 0.3
    assert usual_corner(turned, shared) > 0.65


def only_turned(shots):
    """Frames called turning on a night of these shots."""
    return [
        k
        for k, v in enumerate(judge_night(night_of(shots), LIMITS))
        if "field_rotation" in v.reasons
    ]


def test_strong_optics_reject_no_frame_and_a_trailed_one_is_still_found():
    shots = steady(18)
    for k, shot in enumerate(shots):
        shot.shape_field = field(tilt(1.3), astigmatism(1.2), coma(0.8), seed=k)
    shots[9] = replace(shots[9], eccentricity=0.8, fwhm=4.0)
    verdicts = judge_night(night_of(shots), LIMITS)
    assert [k for k, v in enumerate(verdicts) if v.verdict == "reject"] == [9]
    assert all("tilt_or_coma" in v.reasons for v in verdicts)
    assert not any("field_rotation" in v.reasons for v in verdicts)


def test_a_turned_frame_under_strong_optics_is_rejected_for_the_turn():
    shots = steady(18)
    for k, shot in enumerate(shots):
        shot.shape_field = field(tilt(1.3), coma(0.8), seed=k)
    shots[7].shape_field = field(tilt(1.3), coma(0.8), turn(0.4, 250.0, 900.0), seed=99)
    verdicts = judge_night(night_of(shots), LIMITS)
    assert [k for k, v in enumerate(verdicts) if v.verdict == "reject"] == [7]
    assert verdicts[7].reasons[0] == "field_rotation"
    assert " about x 2" in verdicts[7].explanation


def test_a_field_that_turns_alike_all_night_is_a_remark_and_no_tilt():
    shots = steady(18)
    for k, shot in enumerate(shots):
        shot.shape_field = field(turn(0.3, 600.0, 500.0), seed=k)
        shot.rotation = 0.3 * k * 130 / 120
    verdicts = judge_night(night_of(shots), LIMITS)
    assert {(v.verdict, v.reasons) for v in verdicts} == {("keep", ("field_rotation",))}


def test_a_tilt_that_focus_changed_in_one_frame_is_no_turn():
    shots = steady(18)
    for k, shot in enumerate(shots):
        shot.shape_field = field(tilt(1.0), seed=k)

    def across(u, v):
        # The linear part of a turn about a far point, which a tilted sensor shows too.
        return np.array([1.6 * v, 0 * u, -0.8 * u])

    shots[6].shape_field = field(tilt(1.0), across, seed=70)
    assert (
        turning(shots[6].shape_field, fixed_pattern([s.shape_field for s in shots])).explained > 0.6
    )
    assert only_turned(shots) == []


def drawn_all_over(eccentricity):
    """One elongation over the whole field."""

    def pattern(u, v):
        more = STAR * (1 / (1 - eccentricity**2) - 1)
        return np.array([more + 0 * u, 0 * u, 0 * u])

    return pattern


@pytest.mark.parametrize("centre", [(0.75, 0.5), (0.0, 0.0), (0.75, 0.0), (0.2, -0.3)])
def test_half_the_frame_is_oval_where_a_turn_brings_its_corner_to_the_limit(centre):
    # variance along the tangent goes as the square of the distance from the centre [derived]
    x, y = np.meshgrid(np.linspace(0, 1.5, 301), np.linspace(0, 1, 201))
    square = (x - centre[0]) ** 2 + (y - centre[1]) ** 2
    most = 1 / (1 - LIMITS.field.corner_eccentricity**2) - 1
    eccentricity = np.sqrt(1 - 1 / (1 + most * square / square.max()))
    oval = (eccentricity > LIMITS.roundness.floor).mean()
    assert oval == pytest.approx(0.5, abs=0.08)
    assert (eccentricity > LIMITS.roundness.ceiling).mean() < 0.06


@pytest.mark.parametrize(("angle", "verdict"), [(0.25, "keep"), (0.6, "reject")])
def test_corners_are_held_against_the_rest_of_a_frame_that_is_oval_all_over(angle, verdict):
    shots = [
        replace(s, eccentricity=e, angle=0.0, shape_field=field(drawn_all_over(e), seed=k))
        for k, (s, e) in enumerate(zip(steady(18), np.linspace(0.52, 0.66, 18), strict=True))
    ]
    # oval within what this night has, and with a turn that hardly shows, or plainly
    pattern = drawn_all_over(0.67), turn(angle, 600.0, 500.0)
    shots[7] = replace(shots[7], eccentricity=0.67, shape_field=field(*pattern, seed=99))
    found = judge_night(night_of(shots), LIMITS)[7]
    corner = next(e for e in found.evidence if e.quantity == "worst corner eccentricity")
    assert corner.limit == pytest.approx(0.67 + 0.1)
    assert found.verdict == verdict


def test_weak_patterns_are_not_worth_a_remark():
    shots = [
        replace(s, shape_field=field(turn(0.06, 600.0, 500.0), seed=k))
        for k, s in enumerate(steady(12))
    ]
    assert only_turned(shots) == []
    assert only_turned([Shot(shape_field=None)] * 12) == []
