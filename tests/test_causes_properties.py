"""Another camera, another hour or another order of files never changes a verdict or its reason."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from subgrade.causes import judge_night, load_limits
from subgrade.night import compare_night
from subgrade.pipeline import Progress, Settings, compare, find, join, measure, read_records
from subgrade.practice import Event, build_night, default_scenario, render_frame
from subgrade.practice.header import write_frame
from subgrade.practice.record import record_text
from subgrade.stars.model import ShapeField, StarList, Streak
from tests.causes_nights import (
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
    stars_through,
    through,
)

LIMITS = load_limits()
QUARTERS = [Camera(90 * k, m) for k in range(4) for m in (False, True)][1:]
AT_THE_LIMIT = 1e-9
"""A confidence this near one half is the limit itself, where rounding decides."""


def told(night, guiding=None) -> dict:
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
        place[order, 0], place[order, 1], flux[order], flux[order] / 30, flux[order] / 10,
        1.6 * one, 1.6 * one, 0 * one, np.zeros(len(flux), np.uint16),
    )  # fmt: skip


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


@st.composite
def nights(draw, faults, solved=None):
    """A night of a dozen frames with some faults, and its record or none."""
    known = draw(st.booleans()) if solved is None else solved
    shots = [replace(s, catalogue=listed(5)) for s in steady(12, seed=draw(st.integers(1, 5)))]
    bad = draw(st.lists(st.tuples(st.integers(0, 11), faults), min_size=1, max_size=6))
    for place, shot in bad:
        shots[place] = replace(shot, dx=shot.dx or 0.3 * place, rotation=0.02 * place)
    if known:
        north = np.radians(draw(st.floats(0, 360)))
        axes = np.array(SKY_AXES) @ [
            [np.cos(north), np.sin(north)],
            [-np.sin(north), np.cos(north)],
        ]
        shots = [replace(s, facts={"sky_axes": tuple(map(tuple, axes.tolist()))}) for s in shots]
    night = night_of(shots, scale=draw(st.sampled_from([0.6, 1.0])))
    if not draw(st.booleans()):
        return night, None
    inside = {place: draw(samples) for place, _ in bad}
    angle = draw(st.floats(0, 360))
    return night, guide_of(night, inside, camera_angle_deg=angle, handedness=1)


@settings(max_examples=20, deadline=None)
@given(nights(plain | squared), st.sampled_from(QUARTERS))
def test_quarter_turns_and_mirrors(made, camera):
    night, guiding = made
    turned = told(through(night, camera), guiding_through(guiding, camera))
    assert_same(told(night, guiding), turned)


@settings(max_examples=20, deadline=None)
@given(nights(plain, solved=True), st.floats(0, 360), st.booleans())
def test_any_turn(made, angle, mirrored):
    night, guiding = made
    camera = Camera(angle, mirrored)
    turned = told(through(night, camera), guiding_through(guiding, camera))
    assert_same(told(night, guiding), turned)


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
        names.add(told(night_of(shots))["light_006.fits"][:2])
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
        told(night, guiding), told(through(night, camera), guiding_through(guiding, camera))
    )


@settings(max_examples=25, deadline=None)
@given(nights(plain | squared), st.floats(0.05, 40))
def test_another_gain(made, factor):
    night, guiding = made
    assert_same(told(night, guiding), told(brighter(night, factor), guiding))


@settings(max_examples=15, deadline=None)
@given(nights(plain | squared), st.floats(-3e7, 3e7))
def test_another_date(made, seconds):
    night, guiding = made
    assert_same(
        told(night, guiding), told(later(night, seconds), guiding_later(guiding, seconds)), 2e-3
    )


@settings(max_examples=25, deadline=None)
@given(nights(plain | squared), st.permutations(range(12)))
def test_another_order_of_files(made, order):
    night, guiding = made
    assert_same(told(night, guiding), told(*reordered(night, guiding, order)))


def test_a_transform_and_its_inverse_leave_the_night_as_it_was():
    # The transforms themselves: four quarter turns, two mirrors, and a turn and back.
    shot = oval("swing", 31.0, 5.0, True)
    shot = replace(
        shot, shape_field=turning(2.0, 0.2, -0.4), streaks=streaks(20, 2), catalogue=listed(5),
        dx=3.0, dy=-2.0, rotation=0.4, quarters=(0.9, 1.0, 0.8, 0.7), facts={"sky_axes": SKY_AXES},
    )  # fmt: skip
    night = night_of([*steady(4), shot])
    for steps in ([Camera(90)] * 4, [Camera(0, True)] * 2, [Camera(33), Camera(-33)],
                  [Camera(270, True, 2.0), Camera(270, True, 0.5)]):  # fmt: skip
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


# Pixels -----------------------------------------------------------------------------------

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
    return {frame: told[:2] for frame, told in verdicts.items()}


def test_the_small_night_holds_what_the_property_is_about(upright):
    night, guiding = upright
    assert guiding is not None
    rejected = [v for v, *_ in told(night).values()]
    assert rejected.count("reject") == len(EVENTS)
    assert len({r for _, r, _ in told(night, guiding).values()}) >= 5


@pytest.mark.parametrize(
    "camera", [Camera(90), Camera(180), Camera(0, True), Camera(270, True)], ids=str
)
def test_turned_and_mirrored_pixels(rendered, upright, tmp_path, camera):
    frames, record = rendered
    night, guiding = graded(tmp_path / "turned", [seen_by(camera, f) for f in frames], record)
    for known, joined in ((None, None), (upright[1], guiding)):
        before, after = told(upright[0], known), told(night, joined)
        assert words(before) == words(after)
    # And the numbers of the upright pixels, carried over, are those of the turned ones.
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
        found.append(words(told(night)))
    assert found[0] == found[1]


def test_frames_compared_in_another_order(upright):
    night, _ = upright
    before = words(told(compare_night(list(night.frames))))
    for order in ((9, 3, 1, 7, 5, 0, 2, 8, 6, 4), range(9, -1, -1)):
        assert words(told(compare_night([night.frames[k] for k in order]))) == before
