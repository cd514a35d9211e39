"""Limits learnt from a person's marks: which move, how far, and what is said of it."""

import math
import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.special import expit
from scipy.stats import norm

from subgrade.errors import UsageError
from subgrade.judging import judge_night, load_limits
from subgrade.judging.criteria import eccentricity_limit, fwhm_limit
from subgrade.judging.limits import ORDERED, allowed_range
from subgrade.night.model import Usual
from subgrade.teaching import judge_with
from subgrade.teaching.dials import DIALS, Number, turn, value_of
from subgrade.teaching.judged_with_marks import Person
from subgrade.teaching.marks import Mark
from subgrade.teaching.marks_learnt import mark_key, read_learnt, with_more
from subgrade.teaching.teach import SLIP, Spoke, best_shift, teach
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


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-0.3, 0.3), st.booleans()), min_size=1, max_size=20),
    st.floats(-0.3, 0.3),
)
def test_one_more_reject_never_makes_the_limit_more_forgiving(marks, extra):
    heard = [spoke(k, beyond, keep) for k, (beyond, keep) in enumerate(marks)]
    more = [*heard, spoke(99, extra, keep=False)]
    before, after = best_shift(ECCENTRICITY, heard), best_shift(ECCENTRICITY, more)
    assert after <= max(before, 0.0) + 1e-12


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


def spoke(name, beyond, keep, error=0.0186):
    number = Number(ECCENTRICITY, FLOOR + beyond, FLOOR, beyond, error, 1 + beyond)
    return Spoke(Mark(str(name), keep), number, 0, 1.0, keep == (beyond > 0))


@pytest.mark.parametrize("seed", range(5))
def test_the_shift_is_the_most_probable_one_by_scipy(seed):
    """The same model from scipy's normal and logistic functions, minimised by scipy."""
    rng = np.random.default_rng(seed)
    beyond = rng.uniform(-0.3, 0.3, 40)
    keep = beyond < rng.choice([-0.1, 0.1])
    keep[:3] = ~keep[:3]
    heard = [spoke(k, b, bool(kept)) for k, (b, kept) in enumerate(zip(beyond, keep, strict=True))]

    def cost(shift):
        reject = SLIP + (1 - 2 * SLIP) * expit((beyond - shift) / 0.0186)
        likely = np.where(keep, 1 - reject, reject)
        return -norm.logpdf(shift, 0, ECCENTRICITY.prior) - np.log(likely).sum()

    tries = [
        minimize_scalar(cost, bounds=(low, low + 0.05), method="bounded")
        for low in np.arange(-0.3, 0.3, 0.05)
    ]
    best = min(tries, key=lambda t: t.fun)
    shift = best_shift(ECCENTRICITY, heard)
    assert shift == pytest.approx(best.x, abs=3e-4)


def test_one_mark_moves_a_limit_little_and_a_far_one_not_at_all():
    for beyond in np.arange(0.005, 0.3, 0.005):
        shift = best_shift(ECCENTRICITY, [spoke("a", -beyond, keep=False)])
        assert -0.09 < shift <= 0
    assert best_shift(ECCENTRICITY, [spoke("a", -0.2, keep=False)]) > -0.01
    three = [spoke(k, -0.15, keep=False) for k in range(3)]
    assert best_shift(ECCENTRICITY, three) < -0.14


def test_the_lesson_names_limit_frames_and_why():
    night = with_oval(0.47, 0.50, 0.52, 0.53)
    found = taught_by(night, keep=range(20), reject=range(20, 24))
    (lesson,) = found.lessons
    after = found.limits.roundness.floor
    assert after < 0.50
    assert lesson.frames == tuple(f.name for f in night.frames[20:])
    assert lesson.marks == 24
    assert lesson.sentence.startswith(
        f"eccentricity: roundness.floor 0.55 → {after:g}, because you rejected 4 frames "
        "within the limit (0.47 to 0.53)"
    )
    assert [t.key for t in found.moved] == ["roundness.floor"]
    assert (found.marks, found.agreed) == (24, 20)


def test_marks_that_contradict_each_other_are_named():
    night = with_oval(0.45, 0.64)
    found = taught_by(night, keep=[21], reject=[20])
    (lesson,) = found.lessons
    assert (
        "you kept light_021.fits at 0.64 and rejected light_020.fits at 0.45: no limit fits both"
    ) in lesson.sentence


def test_a_lone_mark_far_from_the_limit_teaches_too_little():
    found = taught_by(with_oval(0.38), reject=[20])
    assert found.limits == LIMITS
    assert found.lessons[0].sentence == (
        "eccentricity: no limit moved, although you rejected 1 frame within the limit (0.38); "
        "so few marks so far from the limit may be slips"
    )


def test_marks_that_no_limit_can_follow_say_so():
    shots = [*steady(20), Shot(status="trailed", length=40.0), Shot(stray="another field")]
    night = night_of(shots)
    found = taught_by(night, keep=[20, 21], reject=[0])
    why = {s.frame: s.why for s in found.silent}
    assert why["light_020.fits"] == "it was rejected for tracking_lost, which no limit decided"
    assert why["light_021.fits"] == "it is not a light of this session"
    assert "no number of it stands out" in why["light_000.fits"]
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
    assert "to make room for it" in found.lessons[0].sentence
    assert accepted(found.limits, tmp_path) == found.limits


def test_teaching_judges_again_in_the_same_run():
    night = with_oval(0.47, 0.50, 0.52, 0.53)
    marks = marked(night, 0.45)
    decided = judge_with(night, LIMITS, lambda li: judge_night(night, li), Person(teach=marks))
    assert decided.still == ()
    assert decided.moved
    assert [j.verdict for j in decided.verdicts] == [m.word for m in marks.values()]
    assert decided.verdicts == judge_night(night, decided.limits)


def test_the_same_marks_given_again_teach_nothing():
    night = with_oval(0.47, 0.50)
    first = taught_by(night, keep=range(20), reject=[20, 21])
    assert first.known == ()
    marks = {night.frames[k].name: Mark(night.frames[k].name, k < 20) for k in range(22)}
    again = teach(night, judge_night(night, first.limits), first.limits, marks, first.learnt)
    assert again.limits == first.limits != LIMITS
    assert again.lessons == ()
    assert set(again.known) == set(marks)
    assert again.learnt == first.learnt
    twice = teach(night, judge_night(night, first.limits), first.limits, marks)
    assert twice.limits.roundness.floor < first.limits.roundness.floor  # without the record


def test_new_marks_beside_known_ones_count_and_the_known_ones_hold_back():
    night = with_oval(0.50, 0.51, 0.40, 0.41, 0.42, 0.44)
    name = lambda k: night.frames[k].name  # noqa: E731
    old = {name(k): Mark(name(k), k != 20) for k in (20, 21)}
    first = taught(night, old)
    new = {name(k): Mark(name(k), False) for k in range(22, 26)}
    verdicts = judge_night(night, first.limits)
    alone = teach(night, verdicts, first.limits, new)
    beside = teach(night, verdicts, first.limits, old | new, first.learnt)
    assert set(beside.known) == set(old)
    assert set(beside.lessons[0].frames) == set(new)
    assert alone.limits.roundness.floor <= beside.limits.roundness.floor
    assert beside.limits.roundness.floor < first.limits.roundness.floor
    assert beside.learnt["eccentricity"] > first.learnt["eccentricity"]


def test_a_mark_turned_round_counts_anew_and_takes_the_place_of_the_first():
    night = with_oval(0.53)
    name = night.frames[20].name
    first = taught(night, {name: Mark(name, False)})
    (old,) = first.learnt["eccentricity"]
    keep = {name: Mark(name, True)}
    turned = teach(night, judge_night(night, first.limits), first.limits, keep, first.learnt)
    assert turned.known == ()
    (new,) = turned.learnt["eccentricity"]
    assert (old[:-6], new[:-4]) == (new[:-4], old[:-6])
    assert (old[-6:], new[-4:]) == ("reject", "keep")


def test_a_frame_without_a_time_is_not_known_again():
    night = with_oval(0.47, 0.50)
    frame = night.frames[20]
    assert mark_key(frame, "keep")
    untimed = replace(frame, facts=replace(frame.facts, start_unix=None))
    assert mark_key(untimed, "keep") == ""
    assert with_more({}, {"eccentricity": ["", ""]}) == {}
    elsewhere = replace(frame, name=f"other folder/{frame.name}")
    assert mark_key(elsewhere, "keep") == mark_key(frame, "keep")
    later = replace(frame, facts=replace(frame.facts, start_unix=frame.facts.start_unix + 1))
    assert mark_key(later, "keep") != mark_key(frame, "keep")


@pytest.mark.parametrize("text", ["taught = 3", "[taught]\nFWHM = 'x'", "[taught]\nFWHM = [1]"])
def test_a_damaged_table_of_known_marks_is_named(tmp_path, text):
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match=r"mine\.toml: \[taught\] is not as subgrade wrote it"):
        read_learnt(path)
    assert read_learnt(None) == {}


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
