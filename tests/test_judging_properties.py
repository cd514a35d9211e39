"""Another camera, another hour or another order of files never changes a verdict or its reason."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from subgrade.judging import judge_night, load_limits
from subgrade.stars.model import ShapeField, StarList, Streak
from tests.judged_nights import (
    SKY_AXES,
    Shot,
    calm_samples,
    guide_of,
    moffat_image,
    night_of,
    recorded,
    steady,
)
from tests.night_transforms import (
    Camera,
    brighter,
    guiding_later,
    guiding_through,
    later,
    reordered,
    through,
)

LIMITS = load_limits()
QUARTERS = [Camera(90 * k, m) for k in range(4) for m in (False, True)][1:]
AT_THE_LIMIT = 1e-9
"""A confidence this near one half is the limit itself, where rounding decides."""


def verdicts_of(night, guiding=None) -> dict:
    """Verdict, first reason and confidence by frame."""
    found = judge_night(night, LIMITS, guiding)
    return {v.frame: (v.verdict, v.reasons[:1], v.confidence) for v in found}


def assert_same(before: dict, after: dict, tolerance: float = 1e-6) -> None:
    assert before.keys() == after.keys()
    for frame, (verdict, reason, confidence) in before.items():
        if abs(confidence - 0.5) < AT_THE_LIMIT:
            continue
        assert after[frame][:2] == (verdict, reason), frame
        assert after[frame][2] == pytest.approx(confidence, abs=tolerance), frame


# Made-up nights ---------------------------------------------------------------------------


def listed(seed: int, kept: float = 1.0, second=None) -> StarList:
    """A field's stars, perhaps dimmed, perhaps each with a fainter image beside it."""
    rng = np.random.default_rng(seed)
    place = rng.uniform(20, 980, (150, 2))
    flux = kept * np.sort(10 ** rng.uniform(3, 5, 150))[::-1]
    if second is not None:
        place, flux = np.vstack([place, place + second]), np.append(flux, 0.2 * flux)
    order = np.argsort(-flux)
    one = np.ones(len(flux))
    return StarList(
        place[order, 0],
        place[order, 1],
        flux[order],
        flux[order] / 30,
        flux[order] / 10,
        1.6 * one,
        1.6 * one,
        0 * one,
        np.zeros(len(flux), np.uint16),
    )


def turning(k: float, u0: float, v0: float) -> ShapeField:
    """Arcs about (u0, v0), variance k r^2."""
    c = np.zeros((3, 6))
    c[0] = 1.7 + k * v0**2, 0, -2 * k * v0, 0, 0, k
    c[1] = 1.7 + k * u0**2, -2 * k * u0, 0, k, 0, 0
    c[2] = -k * u0 * v0, k * v0, k * u0, 0, -k, 0
    return ShapeField(c, np.full((3, 6), 0.03), 600.0, 500.0, 781.0, 200)


def streaks(angle: float, count: int) -> tuple[Streak, ...]:
    """Lines side by side that stay clear of the frame's edge, whichever way it is turned."""
    t = np.radians(angle)
    along, across = np.array([np.cos(t), np.sin(t)]), np.array([-np.sin(t), np.cos(t)])
    starts = [np.array([600.0, 500.0]) + 40 * k * across - 100 * along for k in range(count)]
    return tuple(Streak(*map(float, (*a, *(a + 200 * along))), 4.0, 20.0) for a in starts)


angles, lengths = st.floats(0, 179.9), st.floats(1.0, 9.0)
KNOCK = np.append(np.zeros(12), 2.2 * np.exp(-np.linspace(0, 1, 5)))
MOTIONS = {
    "creep": np.linspace(-0.5, 0.5, 17),
    "swing": 0.5 * np.cos(np.pi * (np.arange(17) + 0.5) / 17),
    "knock": KNOCK - KNOCK.mean(),
}


def oval(kind: str, angle: float, length: float, image: bool) -> Shot:
    """A Moffat star of 3 px drawn along an axis."""
    places = length * MOTIONS[kind]
    across = 3.0 / 2.3548
    q = across / np.hypot(across, places.std())
    drawn = moffat_image(3.0, places, [1 / 17] * 17, angle) if image else None
    return Shot(
        fwhm=3.0 / np.sqrt(q), eccentricity=float(np.sqrt(1 - q * q)), angle=angle, image=drawn
    )


def dimmed(light: float, **more) -> Shot:
    return Shot(transparency=light, stars=int(300 * light), catalogue=listed(5, light), **more)


plain = st.one_of(
    st.builds(Shot, fwhm=st.floats(2.5, 7)),
    st.builds(dimmed, st.floats(0.05, 1.05)),
    st.builds(Shot, sky=st.floats(900, 9000), noise=st.floats(9, 40)),
    st.builds(dimmed, st.floats(0.3, 0.9), fwhm=st.floats(3.0, 4.0)),
    st.builds(oval, st.sampled_from(list(MOTIONS)), angles, lengths, st.just(False)),
    st.builds(
        Shot,
        status=st.sampled_from(["trailed", "doubled"]),
        length=st.floats(5, 200),
        angle=angles,
        transparency=st.just(float("nan")) | st.floats(0.2, 0.9),
    ),
    st.builds(
        Shot,
        status=st.sampled_from(["few", "none"]),
        stars=st.integers(0, 3),
        transparency=st.just(float("nan")),
        streaks=st.builds(streaks, angles, st.integers(0, 4)),
    ),
    st.builds(Shot, streaks=st.builds(streaks, angles, st.integers(1, 4))),
)
"""Faults whose numbers any turn carries over exactly."""
squared = st.one_of(
    st.builds(oval, st.sampled_from(list(MOTIONS)), angles, lengths, st.just(True)),
    st.builds(Shot, quarters=st.tuples(*[st.floats(0.4, 1.2)] * 4)),
    st.builds(
        Shot,
        shape_field=st.builds(
            turning, st.floats(0.5, 6), st.floats(-0.6, 0.6), st.floats(-0.6, 0.6)
        ),
    ),
    st.builds(
        lambda x, y, kept: Shot(
            transparency=kept, dx=x, dy=y, catalogue=listed(5, kept, second=(x, y))
        ),
        st.floats(8, 30),
        st.floats(8, 30),
        st.floats(0.75, 0.95),
    ),
)
"""Faults that lie on pixels, on the frame's quarters or in its corners."""
samples = st.sampled_from(
    [
        recorded(calm_samples()),
        recorded(1.7 * np.where(np.arange(60) % 2, 1, -1) + calm_samples(), overshoot=0.8),
        recorded(calm_samples(), np.linspace(-2.3, 2.3, 60), one_sided_dec=0.98),
        recorded(calm_samples(), gusts=1, gust_size=8.0, gust_settle_s=11.0),
        recorded(calm_samples(), lost_s=40.0, coverage=0.6),
        recorded(calm_samples(), settle_overlap_s=14.0, peak=20.0),
    ]
)


def registered(shot: Shot) -> Shot:
    """The shot with its stars where its registration says that they lie."""
    turn, stars = np.radians(shot.rotation), shot.catalogue
    x, y = stars.x - shot.dx, stars.y - shot.dy
    return replace(
        shot,
        catalogue=replace(
            stars,
            x=np.cos(turn) * x + np.sin(turn) * y,
            y=np.cos(turn) * y - np.sin(turn) * x,
        ),
    )


class Made(tuple):
    """A night and its record; their thousands of numbers would swamp a report."""

    def __repr__(self):
        night, guiding = self
        return f"{len(night.frames)} frames, {'guided' if guiding else 'no record'}"


@st.composite
def nights(draw, faults, solved=None):
    """A night of a dozen frames with some faults, and its record or none."""
    known = draw(st.booleans()) if solved is None else solved
    shots = [replace(s, catalogue=listed(5)) for s in steady(12, seed=draw(st.integers(1, 5)))]
    bad = draw(st.lists(st.tuples(st.integers(0, 11), faults), min_size=1, max_size=6))
    for place, shot in bad:
        moved = replace(shot, dx=shot.dx or 0.3 * place, rotation=0.02 * place)
        shots[place] = registered(moved) if moved.catalogue is not None else moved
    if known:
        north = np.radians(draw(st.floats(0, 360)))
        axes = np.array(SKY_AXES) @ [
            [np.cos(north), np.sin(north)],
            [-np.sin(north), np.cos(north)],
        ]
        shots = [replace(s, facts={"sky_axes": tuple(map(tuple, axes.tolist()))}) for s in shots]
    night = night_of(shots, scale=draw(st.sampled_from([0.6, 1.0])))
    if not draw(st.booleans()):
        return Made((night, None))
    inside = {place: draw(samples) for place, _ in bad}
    angle = draw(st.floats(0, 360))
    return Made((night, guide_of(night, inside, camera_angle_deg=angle, handedness=1)))


@settings(max_examples=20, deadline=None)
@given(nights(plain | squared), st.sampled_from(QUARTERS))
def test_quarter_turns_and_mirrors(made, camera):
    night, guiding = made
    turned = verdicts_of(through(night, camera), guiding_through(guiding, camera))
    assert_same(verdicts_of(night, guiding), turned)


@settings(max_examples=20, deadline=None)
@given(nights(plain, solved=True), st.floats(0, 360), st.booleans())
def test_any_turn(made, angle, mirrored):
    night, guiding = made
    camera = Camera(angle, mirrored)
    turned = verdicts_of(through(night, camera), guiding_through(guiding, camera))
    assert_same(verdicts_of(night, guiding), turned)


@pytest.mark.parametrize("kind", MOTIONS)
def test_motion_drawn_at_any_angle_has_one_name(kind):
    # The formula is drawn anew at each angle: the grid of the star image stays put.
    names = set()
    for angle in (0.0, 13.0, 37.0, 45.0, 71.0, 90.0, 128.0, 166.0):
        across = np.radians(angle)
        axes = (
            (-np.sin(across), np.cos(across)),
            (np.cos(across), np.sin(across)),
        )  # north along the motion
        shots = [replace(s, facts={"sky_axes": axes}) for s in steady(12)]
        shots[6] = replace(oval(kind, angle, 6.0, True), facts={"sky_axes": axes})
        names.add(verdicts_of(night_of(shots))["light_006.fits"][:2])
    assert len(names) == 1


@settings(max_examples=20, deadline=None)
@given(nights(plain | squared), st.sampled_from([0.5, 2.0]))
def test_finer_pixels(made, finer):
    # Half the pixel, everything twice as many pixels; floors in arcsec stay what they are.
    # Coarser pixels only where the floor of 2 px stays below that of 2 arcsec.
    night, guiding = made
    if finer < 1:
        night, guiding = (
            through(night, Camera(finer=2.0)),
            guiding_through(guiding, Camera(finer=2.0)),
        )
    camera = Camera(finer=finer)
    assert_same(
        verdicts_of(night, guiding),
        verdicts_of(through(night, camera), guiding_through(guiding, camera)),
    )


@settings(max_examples=25, deadline=None)
@given(nights(plain | squared), st.floats(0.05, 40))
def test_another_gain(made, factor):
    night, guiding = made
    assert_same(verdicts_of(night, guiding), verdicts_of(brighter(night, factor), guiding))


@pytest.mark.slow
@settings(max_examples=15, deadline=None)
@given(nights(plain | squared), st.floats(-3e7, 3e7))
def test_another_date(made, seconds):
    night, guiding = made
    assert_same(
        verdicts_of(night, guiding),
        verdicts_of(later(night, seconds), guiding_later(guiding, seconds)),
        2e-3,
    )


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(nights(plain | squared), st.permutations(range(12)))
def test_another_order_of_files(made, order):
    night, guiding = made
    assert_same(verdicts_of(night, guiding), verdicts_of(*reordered(night, guiding, order)))


def test_a_transform_and_its_inverse_leave_the_night_as_it_was():
    # The transforms themselves: four quarter turns, two mirrors, and a turn and back.
    shot = oval("swing", 31.0, 5.0, True)
    shot = replace(
        shot,
        shape_field=turning(2.0, 0.2, -0.4),
        streaks=streaks(20, 2),
        catalogue=listed(5),
        dx=3.0,
        dy=-2.0,
        rotation=0.4,
        quarters=(0.9, 1.0, 0.8, 0.7),
        facts={"sky_axes": SKY_AXES},
    )
    night = night_of([*steady(4), shot])
    for steps in (
        [Camera(90)] * 4,
        [Camera(0, True)] * 2,
        [Camera(33), Camera(-33)],
        [Camera(270, True, 2.0), Camera(270, True, 0.5)],
    ):
        back = night
        for camera in steps:
            back = through(back, camera)
        a, b = night.frames[4], back.frames[4]
        assert (b.stars.width, b.stars.height) == (1200, 1000)
        assert (b.stars.xx, b.stars.yy, b.stars.xy, b.stars.angle_deg) == pytest.approx(
            (a.stars.xx, a.stars.yy, a.stars.xy, a.stars.angle_deg)
        )
        assert b.stars.catalogue.x == pytest.approx(a.stars.catalogue.x)
        assert b.stars.shape_field.coefficients == pytest.approx(
            a.stars.shape_field.coefficients, abs=1e-9
        )
        assert np.array(b.facts.sky_axes) == pytest.approx(np.array(SKY_AXES), abs=1e-12)
        r, q = night.compared[4].registration, back.compared[4].registration
        assert (q.dx, q.dy, q.rotation_deg) == pytest.approx((r.dx, r.dy, r.rotation_deg))
        assert back.compared[4].quarters == night.compared[4].quarters
        tolerance = 1e-6 if steps[0].quarter else 0.01
        assert b.stars.star_image.image == pytest.approx(a.stars.star_image.image, abs=tolerance)
