"""Limits learnt from a person's marks: which move, how far, and what is said of it."""

import math
import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit
from scipy.stats import t as student

from subgrade.errors import UsageError
from subgrade.judging import judge_night, load_limits
from subgrade.judging.criteria import eccentricity_limit, fwhm_limit
from subgrade.judging.limits import ORDERED, allowed_range
from subgrade.night.model import Usual
from subgrade.teaching import judge_with
from subgrade.teaching.best_shifts import AT_MOST, DOUBT, MARK, NEAR, SLIP, Frames, best_shifts
from subgrade.teaching.dials import DIALS, turn, value_of
from subgrade.teaching.judged_with_marks import Person
from subgrade.teaching.marks import Mark
from subgrade.teaching.marks_learnt import Field, Learnt, Seen, frame_key, read_learnt
from subgrade.teaching.teach import teach
from tests.judged_nights import Shot, night_of, steady

LIMITS = load_limits()
FLOOR = LIMITS.roundness.floor
ECCENTRICITY = next(d for d in DIALS if d.name == "eccentricity")


def mixed_night(count, rng):
    """A night of which two frames in five are oval to some degree."""
    shots = steady(count, seed=int(rng.integers(1_000_000)))
    for shot in shots:
        if rng.random() < 0.4:
            shot.eccentricity = float(rng.uniform(0.3, 0.9))
    return night_of(shots)


def marked(night, limit, rng=None, slips=0.0):
    """The marks of a person who rejects what is more oval than a limit of their own."""
    marks = {}
    for frame in night.frames:
        keep = frame.stars.eccentricity < limit
        if rng is not None and rng.random() < slips:
            keep = not keep
        marks[frame.name] = Mark(frame.name, bool(keep))
    return marks


def taught(night, marks, limits=LIMITS):
    return teach(night, judge_night(night, limits), limits, marks)


def with_oval(*values):
    """Twenty clean frames, and some of given eccentricity at their end."""
    return night_of([*steady(20), *(Shot(eccentricity=value) for value in values)])


def taught_by(night, keep=(), reject=()):
    """What marks on a few frames, by their number, teach."""
    name = lambda k: night.frames[k].name  # noqa: E731
    marks = {name(k): Mark(name(k), True) for k in keep}
    return taught(night, marks | {name(k): Mark(name(k), False) for k in reject})


def accepted(limits, tmp_path):
    """The limits as a file of the user's would give them."""
    text = ""
    for table, values in limits.as_dict().items():
        text += f"[{table}]\n" + "".join(f"{k} = {v!r}\n" for k, v in values.items())
    path = tmp_path / "taught.toml"
    path.write_text(text, encoding="utf-8")
    return load_limits(path)


def test_no_limit_gets_stricter_than_the_typical_frame():
    """Half of a short night rejected for its width, and the other half left alone."""
    night = night_of([Shot(fwhm=3.0 + 0.02 * k) for k in range(12)])
    found = taught_by(night, reject=range(3, 12))
    typical = night.groups[0].usual["fwhm_px"]
    before, after = (fwhm_limit(typical, 1.0, li) for li in (LIMITS, found.limits))
    assert typical.centre * 0.999 <= after < before


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.05, 0.95), st.floats(2.5, 6.0), st.floats(0.1, 1.0)),
        min_size=1,
        max_size=8,
    )
)
def test_the_programs_own_verdicts_teach_nothing(frames):
    shots = [Shot(eccentricity=e, fwhm=w, transparency=t) for e, w, t in frames]
    night = night_of([*steady(14), *shots])
    verdicts = judge_night(night, LIMITS)
    marks = {j.frame: Mark(j.frame, j.verdict == "keep") for j in verdicts}
    found = teach(night, verdicts, LIMITS, marks)
    assert found.limits == LIMITS
    assert (found.lessons, found.silent) == ((), ())
    assert found.agreed == found.marks == len(marks)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_the_stricter_the_person_the_stricter_the_limit(seed):
    night = mixed_night(60, np.random.default_rng(seed))
    wanted = np.arange(0.40, 0.69, 0.02)
    found = [taught(night, marked(night, w)).limits.roundness.floor for w in wanted]
    assert found == sorted(found)
    assert found[0] < FLOOR - 0.05
    assert found[-1] > FLOOR + 0.05


ERROR = 0.0186
"""Logistic error of an eccentricity measured well: its limit's softness of 0.03 over 1.702."""
GROUP = Field({}, None, 30)
BEYOND = st.floats(-0.3, 0.3).map(lambda b: round(b, 4))
LABELLED = st.lists(st.tuples(BEYOND, st.booleans()), max_size=14)


def oval(name, beyond, word, marked=True):
    """A frame whose eccentricity alone is near its limit."""
    numbers = {"eccentricity": (beyond, ERROR)}
    return Seen(str(name), word, marked, numbers, GROUP, str(name))


def frames_of(marks, unmarked=()):
    """Marked frames from (beyond, keep), and others left with the verdict they have."""
    seen = [oval(f"m{k}", b, "keep" if keep else "reject") for k, (b, keep) in enumerate(marks)]
    left = [oval(f"u{k}", b, "reject" if b > 0 else "keep", False) for k, b in enumerate(unmarked)]
    return Frames([*seen, *left], LIMITS)


def shift_of(marks, unmarked=()):
    """The shift of the limit on eccentricity."""
    return float(best_shifts(frames_of(marks, unmarked))[0])


STEP = 0.01
"""More than a step of the shifts that are tried."""


@settings(max_examples=80, deadline=None)
@given(LABELLED, st.lists(BEYOND, max_size=20), BEYOND, st.booleans())
def test_one_more_mark_never_moves_the_limit_away_from_it(marks, unmarked, extra, keep):
    before = shift_of(marks, unmarked)
    after = shift_of([*marks, (extra, keep)], unmarked)
    if keep:
        assert after >= min(before, 0.0) - STEP
    else:
        assert after <= max(before, 0.0) + STEP


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.floats(0.005, 0.25), min_size=1, max_size=8),
    st.floats(0.005, 0.25),
    st.lists(st.floats(-0.5, -0.3), max_size=25),
    st.booleans(),
)
def test_more_agreeing_marks_never_move_the_limit_less(inside, extra, unmarked, keep):
    side = 1 if keep else -1
    marks = [(side * b, keep) for b in inside]
    fewer, more = shift_of(marks, unmarked), shift_of([*marks, (side * extra, keep)], unmarked)
    assert side * more >= side * fewer - STEP


@settings(max_examples=100, deadline=None)
@given(
    st.integers(1, 6),
    st.floats(0.01, 0.2),
    st.sampled_from([-1, 1]),
    st.lists(st.floats(-0.5, -0.3), max_size=25),
)
def test_like_frames_kept_as_often_as_rejected_leave_the_limit(pairs, beyond, side, unmarked):
    alike = [(side * beyond, keep) for keep in (True, False)] * pairs
    assert shift_of(alike, unmarked) == 0.0


@settings(max_examples=60, deadline=None)
@given(st.integers(2, 6), st.floats(0.01, 0.15), st.sampled_from([-1, 1]), st.booleans())
def test_keeps_and_rejects_in_turn_hardly_move_the_limit(pairs, start, side, first):
    places = side * (start + 0.01 * np.arange(2 * pairs))
    marks = [(float(b), (k % 2 == 0) == first) for k, b in enumerate(places)]
    assert abs(shift_of(marks, [-0.35] * 20)) < LIMITS.roundness.softness


@pytest.mark.parametrize("depth", [0.02, 0.05, 0.1, 0.15, 0.2, 0.3])
@pytest.mark.parametrize("keep", [True, False])
def test_five_marks_that_agree_are_followed_however_far(depth, keep):
    """Other frames stand well apart from them, as a person's five worst do."""
    side = 1 if keep else -1
    marks = [(side * (depth + 0.004 * k), keep) for k in range(5)]
    left = [-0.45 + 0.002 * k for k in range(25)]
    shift = shift_of(marks, left)
    assert all((b > shift) != keep for b, _ in marks)
    assert not any(b > shift for b in left)


def test_rejects_that_no_number_sets_apart_from_frames_left_alone_teach_nothing():
    rng = np.random.default_rng(5)
    every = list(rng.normal(-0.35, 0.03, 30))
    assert (
        shift_of([(b, False) for b in every[::6]], [b for k, b in enumerate(every) if k % 6]) == 0
    )


@pytest.mark.parametrize("seed", range(3))
def test_the_order_of_the_marks_does_not_matter(seed):
    rng = np.random.default_rng(seed)
    night = mixed_night(40, rng)
    marks = marked(night, 0.45, rng, slips=0.1)
    shuffled = list(marks.items())
    random.Random(seed).shuffle(shuffled)
    assert taught(night, marks) == taught(night, dict(shuffled))


@pytest.mark.slow
@pytest.mark.parametrize(("truth", "worst"), [(0.45, 0.055), (0.65, 0.055)])
def test_more_marks_come_nearer_to_what_the_person_means(truth, worst):
    rms = {}
    for count in (5, 20, 60):
        errors = []
        for seed in range(30):
            rng = np.random.default_rng(seed)
            night = mixed_night(count, rng)
            found = taught(night, marked(night, truth, rng, slips=0.05))
            errors.append(found.limits.roundness.floor - truth)
        rms[count] = float(np.sqrt(np.mean(np.square(errors))))
    assert rms[5] > rms[20] > rms[60]
    assert rms[60] < worst
    assert rms[5] <= abs(FLOOR - truth) + 0.02  # few marks do no harm


@pytest.mark.parametrize("seed", range(5))
def test_the_shift_is_the_smallest_of_nearly_the_best_by_scipy(seed):
    """The same agreement and prior from scipy's logistic function and Student's t."""
    rng = np.random.default_rng(seed)
    beyond = np.round(rng.uniform(-0.3, 0.3, 40), 4)
    keep = beyond < rng.choice([-0.1, 0.1])
    keep[:3] = ~keep[:3]
    left = np.round(rng.uniform(-0.4, 0.2, 20), 4)
    marks = [(float(b), bool(k)) for b, k in zip(beyond, keep, strict=True)]
    shift = shift_of(marks, left.tolist())
    tries = np.linspace(-0.4, 0.4, 16001)

    def agreed(values, kept, worth):
        reject = expit((values[:, None] - tries) / ERROR)
        return worth * np.where(kept[:, None], 1 - reject, reject).sum(axis=0)

    prior = student.logpdf(tries, 3, scale=ECCENTRICITY.prior)
    score = agreed(beyond, keep, MARK) + agreed(left, left <= 0, MARK * AT_MOST) + prior
    best = tries[np.argmax(score)]
    near = tries[(score > score.max() - NEAR * MARK) & (tries * best > 0)]
    assert score.max() - score[8000] > DOUBT * MARK
    assert shift == pytest.approx(near[np.argmin(np.abs(near))], abs=3e-3)


def test_one_mark_moves_a_limit_little_and_a_far_one_not_at_all():
    for beyond in np.arange(0.005, 0.3, 0.005):
        assert -0.2 < shift_of([(-beyond, False)]) <= 0
    assert shift_of([(-0.3, False)]) == 0
    assert shift_of([(-0.15, False)] * 3) < -0.14


def test_the_lesson_names_limit_frames_and_why():
    night = with_oval(0.47, 0.50, 0.52, 0.53)
    found = taught_by(night, keep=range(20), reject=range(20, 24))
    (lesson,) = found.lessons
    after = found.limits.roundness.floor
    assert after < 0.50
    assert lesson.frames == tuple(f.name for f in night.frames[20:])
    assert lesson.marks == 24
    assert lesson.sentence.startswith(
        f"eccentricity: roundness.floor lowered from 0.55 to {after:g}, because you rejected 4 "
        "frames within the limit (0.47 to 0.53)"
    )
    assert [t.key for t in found.moved] == ["roundness.floor"]
    assert (found.marks, found.agreed) == (24, 20)


@pytest.mark.parametrize(
    ("values", "keep", "said"),
    [
        (
            (0.60, 0.61, 0.62, 0.63),
            (True, False, False, True),
            "you kept 2 frames beyond the limit (0.60 to 0.63); but you rejected 2 frames no worse "
            "than those (0.61 to 0.62): these marks contradict each other, and the limit stays "
            "where it is",
        ),
        (
            (0.45, 0.46, 0.47, 0.48),
            (False, True, True, False),
            "you rejected 2 frames within the limit (0.45 to 0.48); but you kept 2 frames no "
            "better than those (0.46 to 0.47): these marks contradict each other, and the limit "
            "stays where it is",
        ),
    ],
)
def test_marks_that_contradict_each_other_leave_the_limit_and_are_named(values, keep, said):
    found = taught_by(
        with_oval(*values),
        keep=[20 + k for k in range(4) if keep[k]],
        reject=[20 + k for k in range(4) if not keep[k]],
    )
    assert found.limits == LIMITS
    (lesson,) = found.lessons
    assert lesson.sentence == f"eccentricity: no limit moved, although {said}"


def test_a_lone_mark_far_from_the_limit_teaches_too_little():
    found = taught_by(with_oval(0.38), reject=[20])
    assert found.limits == LIMITS
    assert found.lessons[0].sentence == (
        "eccentricity: no limit moved, although you rejected 1 frame within the limit (0.38); "
        "a single mark so far from the limit may be a slip, so mark more frames like it"
    )


def test_marks_that_no_limit_can_follow_say_so():
    shots = [*steady(20), Shot(status="trailed", length=40.0), Shot(stray="another field")]
    night = night_of(shots)
    found = taught_by(night, keep=[20, 21], reject=range(0, 20, 4))
    why = {s.frame: s.why for s in found.silent}
    assert why["light_020.fits"] == (
        "rejected for tracking_lost, which no limit decides; --marks overrules it"
    )
    assert why["light_021.fits"] == "not a light of this session"
    (lesson,) = found.lessons
    assert "no limit moved, although you rejected 5 frames within the limit" in lesson.sentence
    assert lesson.sentence.endswith(
        " frames that you left passing are no better, so this does not seem to be what you went "
        "by; if it is, mark those as well"
    )
    assert found.limits == LIMITS


def test_a_mark_on_a_file_that_was_not_measured_says_so():
    night = with_oval()
    found = taught(night, {"cut.fits": Mark("cut.fits", True)})
    (silent,) = found.silent
    assert (silent.frame, found.marks, found.agreed) == ("cut.fits", 1, 0)
    assert "not measured" in silent.why


def test_a_frame_kept_in_vain_forgives_nothing():
    """Far too shallow to be followed, so that its ovalness a little past the limit is no lesson."""
    night = night_of([*steady(20), Shot(eccentricity=0.58, transparency=0.2)])
    found = taught_by(night, keep=[20])
    assert found.limits == LIMITS
    assert [lesson.number for lesson in found.lessons] == ["depth"]


def test_a_mark_between_two_numbers_goes_to_the_one_other_marks_name():
    """Oval and wide alike, but beside it stand frames that are oval alone."""
    oval = [Shot(eccentricity=e) for e in (0.44, 0.46, 0.48, 0.50, 0.52)]
    both = Shot(eccentricity=0.48, fwhm=3.0 * 1.19)
    night = night_of([*steady(20), *oval, both])
    found = taught_by(night, keep=range(20), reject=range(20, 26))
    assert {t.key.split(".")[0] for t in found.moved} == {"roundness"}
    after = judge_night(night, found.limits)
    assert after[25].verdict == "reject"


@pytest.mark.parametrize(
    ("change", "keep", "key", "stricter"),
    [
        ({"fwhm": 3.0 * 1.2}, False, "sharpness.ratio_low", True),
        ({"fwhm": 3.0 * 1.3}, True, "sharpness.ratio_low", False),
        ({"transparency": 0.78}, False, "light.depth", True),
        ({"transparency": 0.64}, True, "light.depth", False),
        ({"quarters": (0.85, 1.15, 1.0, 1.0)}, False, "light.uneven", True),
        ({"quarters": (0.79, 1.19, 1.0, 1.0)}, True, "light.uneven", False),
    ],
)
def test_each_number_moves_its_own_limit(change, keep, key, stricter):
    night = night_of([*steady(30), *(Shot(**change) for _ in range(4))])
    marks = {f.name: Mark(f.name, k < 30 or keep) for k, f in enumerate(night.frames)}
    found = taught(night, marks)
    assert key in [t.key for t in found.moved]
    moved = value_of(found.limits, key) - value_of(LIMITS, key)
    small_rejects = key == "light.depth"
    assert (moved < 0) == (stricter != small_rejects)
    verdicts = {j.frame: j.verdict for j in judge_night(night, found.limits)}
    assert [verdicts[n] for n in marks] == [m.word for m in marks.values()]


def test_no_stars_left_stays_a_reject_whatever_is_marked():
    shots = [*steady(20), *(Shot(stars=80, transparency=np.nan, status="few") for _ in range(3))]
    night = night_of(shots)
    found = taught_by(night, keep=range(20, 23))
    assert "stars.few_share" in [t.key for t in found.moved]
    assert found.limits.stars.few_share < LIMITS.stars.few_share


USUALS = st.tuples(st.floats(0.0, 0.75), st.floats(0.001, 0.2), st.floats(0.0, 0.3))


@settings(max_examples=200, deadline=None)
@given(USUALS, st.floats(-0.25, 0.25))
def test_turning_the_roundness_dial_moves_the_limit_by_as_much(usual, shift):
    centre, spread, below = usual
    usual = Usual(centre, spread, max(centre - below, 0.0), 30)
    limits, moved = turn(ECCENTRICITY, shift, LIMITS, [(usual, 1.0)])
    before = eccentricity_limit(usual, LIMITS)
    after = eccentricity_limit(usual, limits)
    # The keys cannot bring a limit under the usual value, nor past what they may be; where
    # the usual value stands beside the ceiling, one key would have to wait for another.
    if max(centre, 0.1) <= before + shift <= 0.99 and centre < 0.6:
        assert after == pytest.approx(before + shift, abs=0.003)
    assert (after - before) * shift >= -1e-6
    in_range_and_order(limits)
    assert bool(moved) == (limits != LIMITS)


@settings(max_examples=200, deadline=None)
@given(st.floats(1.2, 9.0), st.floats(0.001, 0.2), st.floats(1.0, 1.5), st.floats(-0.3, 0.3))
def test_turning_the_sharpness_dial_moves_the_limit_by_as_much(centre, spread, over, shift):
    dial = next(d for d in DIALS if d.name == "FWHM")
    usual = Usual(centre, spread * centre, centre / over, 30)
    limits, _ = turn(dial, shift, LIMITS, [(usual, 1.0)])
    before, after = (fwhm_limit(usual, 1.0, li) for li in (LIMITS, limits))
    wanted = before * math.exp(shift)
    # the keys cannot bring a limit under the usual value, nor within its spread
    if wanted >= centre * (1 + spread * allowed_range("sharpness", "spread_factor")[0]):
        assert after == pytest.approx(wanted, rel=0.01)
    assert (after - before) * shift >= -1e-6
    in_range_and_order(limits)


def in_range_and_order(limits):
    for table, values in limits.as_dict().items():
        for key, value in values.items():
            low, high = allowed_range(table, key)
            assert low <= value <= high, (table, key)
    for table, low, high in ORDERED:
        assert value_of(limits, f"{table}.{low}") <= value_of(limits, f"{table}.{high}")


def test_a_limit_makes_room_for_the_one_that_moved(tmp_path):
    night = with_oval(*np.linspace(0.30, 0.54, 30))
    found = taught(night, marked(night, 0.33))
    floor, remark = (t for t in found.moved if t.key in ("roundness.floor", "roundness.remark"))
    assert floor.after == remark.after < LIMITS.roundness.remark
    assert remark.follows == "roundness.floor"
    assert " to make room for roundness.floor" in found.lessons[0].sentence
    assert accepted(found.limits, tmp_path) == found.limits


def test_teaching_judges_again_in_the_same_run():
    night = with_oval(0.47, 0.50, 0.52, 0.53)
    marks = marked(night, 0.45)
    decided = judge_with(night, LIMITS, lambda li: judge_night(night, li), Person(teach=marks))
    assert decided.still == ()
    assert decided.moved
    assert [j.verdict for j in decided.verdicts] == [m.word for m in marks.values()]
    assert decided.verdicts == judge_night(night, decided.limits)


def again(night, found, marks):
    """What marks teach on top of earlier lessons, as `judge_with` asks for it."""
    base = found.learnt.base(found.limits)
    return teach(night, judge_night(night, base), base, marks, found.learnt, found.limits)


def test_the_same_marks_given_again_teach_nothing():
    night = with_oval(0.47, 0.50)
    first = taught_by(night, keep=range(20), reject=[20, 21])
    assert first.known == ()
    marks = {night.frames[k].name: Mark(night.frames[k].name, k < 20) for k in range(22)}
    second = again(night, first, marks)
    assert second.limits == first.limits != LIMITS
    assert second.lessons == ()
    assert set(second.known) == set(marks)
    assert second.learnt == first.learnt


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 1000), st.floats(0.4, 0.7), st.integers(0, 24), st.integers(0, 24))
def test_marks_given_in_parts_or_over_and_over_end_where_one_giving_ends(seed, limit, one, other):
    rng = np.random.default_rng(seed)
    night = mixed_night(24, rng)
    every = list(marked(night, limit, rng, slips=0.1).items())
    once = taught(night, dict(every))
    found = taught(night, dict(every[: max(one, 1)]))
    for part in (every[:other], every[other:], every[:one], every[one:], every):
        found = again(night, found, dict(part))
    assert found.limits == once.limits
    assert found.learnt == once.learnt


def test_marks_of_two_nights_end_alike_in_either_order():
    nights = [mixed_night(30, np.random.default_rng(seed)) for seed in (1, 2)]
    later = [
        replace(f, facts=replace(f.facts, start_unix=f.facts.start_unix + 86_400))
        for f in nights[1].frames
    ]
    nights[1] = replace(nights[1], frames=tuple(later))
    marks = [marked(night, 0.42) for night in nights]
    # A contrary mark of the first night alone stands beside the second's lessons.
    odd = max(nights[0].frames, key=lambda f: f.stars.eccentricity).name
    marks[0] = {odd: Mark(odd, True)} | {n: m for n, m in marks[0].items() if n != odd}
    ends = []
    for first, second in ((0, 1), (1, 0)):
        found = taught(nights[first], marks[first])
        found = again(nights[second], found, marks[second])
        ends.append(again(nights[first], found, marks[first]).limits)
        assert all(set(le.frames) <= set(marks[second]) for le in found.lessons)
    assert ends[0] == ends[1] != LIMITS


def test_a_mark_turned_round_replaces_the_first():
    night = with_oval(0.50, 0.51, 0.52, 0.53)
    strict = taught_by(night, reject=range(20, 24))
    assert strict.limits != LIMITS
    back = again(night, strict, {f.name: Mark(f.name, True) for f in night.frames[20:]})
    assert back.limits == LIMITS
    (lesson,) = back.lessons
    assert lesson.sentence == (
        f"eccentricity: roundness.floor raised from {strict.limits.roundness.floor:g} to 0.55, "
        "to fit all your marks so far"
    )
    direct = taught_by(night, keep=range(20, 24))
    assert back.learnt.frames == direct.learnt.frames


def test_limits_changed_by_hand_since_are_where_lessons_start_anew():
    night = with_oval(0.50, 0.51, 0.52, 0.53)
    found = taught_by(night, reject=range(20, 24))
    own = replace(found.limits, roundness=replace(found.limits.roundness, floor=0.6))
    assert found.learnt.still(found.limits) == found.learnt
    assert found.learnt.still(own).frames == {}


def test_a_frame_is_known_again_without_a_time_too():
    night = with_oval(0.47, 0.50)
    frame = night.frames[20]
    untimed, other = (
        replace(f, facts=replace(f.facts, start_unix=None), name="light_001.fits")
        for f in night.frames[20:22]
    )
    elsewhere = replace(untimed, name="other folder/light_001.fits")
    assert frame_key(untimed) == frame_key(elsewhere)
    other = replace(other, stars=replace(other.stars, noise_adu=10.1))
    assert frame_key(untimed) != frame_key(other)
    later = replace(frame, facts=replace(frame.facts, start_unix=frame.facts.start_unix + 1))
    assert frame_key(later) != frame_key(frame)


@pytest.mark.parametrize("text", ["taught = 3", "[taught]\nFWHM = 'x'", "[taught]\nFWHM = [1]"])
def test_a_damaged_table_of_known_marks_is_named(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=r"mine\.toml: \[taught\] is not as subgrade writes it"):
        read_learnt(path)
    assert read_learnt(None) == Learnt()


def test_what_teaching_changed_is_listed():
    night = with_oval(0.47, 0.50, 0.52, 0.53)
    marks = marked(night, 0.45)
    decided = judge_with(night, LIMITS, lambda li: judge_night(night, li), Person(teach=marks))
    assert decided.changed == tuple(f"light_{k:03d}.fits" for k in range(20, 24))


def test_what_still_disagrees_is_listed():
    night = with_oval(0.38)
    marks = {night.frames[20].name: Mark(night.frames[20].name, False)}
    decided = judge_with(night, LIMITS, lambda li: judge_night(night, li), Person(teach=marks))
    assert decided.still == ("light_020.fits",)
    assert not decided.moved


def test_the_teaching_page_states_every_number_its_limits_and_its_prior():
    page = (Path(__file__).parents[1] / "docs" / "teaching.md").read_text(encoding="utf-8")
    for dial in DIALS:
        keys = ", ".join(f"`{key}`" for key in dial.keys)
        scale = "logarithm" if dial.log else "as it is"
        assert f"| {dial.shown} | {keys} | {scale} | {dial.prior:g} |" in page
    assert f"The slip rate is {SLIP:g}" in page
